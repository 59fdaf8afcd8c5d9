"""Whatever a kill or a power cut leaves of a recording, what is read of it is an exact beginning of what was judged.

A tape of every call to the system is played back (see `tape`). After a kill everything written is there, the last write
torn at any byte. After a power cut memory is gone, and of what no finished sync covers any block may be missing.
"""

from __future__ import annotations

import errno
import shutil
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import DamagedSession, NotASession
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.repair import repair
from pullwatch.recording.store import Limits

from .sessions import OPEN, Desk, Disk, change, records_of, wait_for
from .tape import Tape, Volume

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pullwatch.recording.blocks import Block

SEED = 20260214
ENDS = frozenset({Stream.COMMIT, Stream.STOP})


@dataclass
class Taped:
    """A recording, its tape, and every frame that was ever given to a file, by seq."""

    folder: Path
    tape: Tape
    frames: dict[int, bytes] = field(default_factory=dict)
    channels: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        volume = Volume()
        written: dict[Path, bytearray] = {}
        for call in self.tape.calls:
            volume.play(call)
            if call.what == "write":
                written.setdefault(call.path, bytearray()).extend(call.data)
        for data in written.values():
            for frame in layout.walk(bytes(data)):
                raw = bytes(data[frame.offset : frame.end])
                assert self.frames.setdefault(frame.seq, raw) == raw, "one seq, two frames"
                self.channels[frame.seq] = frame.channel
        assert sorted(self.frames) == list(range(len(self.frames)))

    def last_end(self, seqs: set[int]) -> int:
        """Return the last commit or stop up to which every seq is among `seqs`; -1: none."""
        last, seq = -1, 0
        while seq in seqs:
            if self.channels[seq] in ENDS:
                last = seq
            seq += 1
        return last


def seqs_in(files: dict[Path, bytes]) -> set[int]:
    """Return the seq of every whole frame of the parts among some files."""
    return {frame.seq for path, data in files.items() if path.suffix == ".mcap" for frame in layout.walk(data)}


class Bench:
    """Puts states into a folder, one after the other, and reads them."""

    def __init__(self, taped: Taped, root: Path) -> None:
        self.taped = taped
        self.root = root
        self.states = 0
        self.known: set[int] = set()

    def holds(self, files: dict[Path, bytes], least: int, most: int | None, *, thorough: bool) -> None:
        """Check a state: what is read is exactly the first frames, at least up to seq `least` and at most `most`."""
        self.states += 1
        folder = self.root / "state"
        folder.mkdir(exist_ok=True)
        wanted = {path.name: data for path, data in files.items() if path.parent == self.taped.folder}
        for path in folder.iterdir():
            if path.name not in wanted:
                path.unlink()
        for name, data in wanted.items():
            (folder / name).write_bytes(data)
        # Parts that stand in memory are beside those at home here: it is their frames that count.
        for path, data in files.items():
            if path.parent != self.taped.folder and path.name not in wanted:
                (folder / path.name).write_bytes(data)
        try:
            session = Session(folder)
        except (DamagedSession, NotASession):
            assert least < 0, "what was on the disk cannot be read"
            return
        found = [frame.data for frame in session.frames()]
        assert found == [self.taped.frames[seq] for seq in range(len(found))]
        last = len(found) - 1
        assert last >= least, f"frames up to {least} were on the disk; {last} were found"
        assert most is None or last <= most
        assert last < 0 or self.taped.channels[last] in ENDS
        assert session.gaps == []
        if not thorough:
            return
        assert not any("chain" in told for told in session.check())
        blocks = list(session.blocks())
        follower = Follower(folder)
        followed: list[Block] = []
        while follower.ended is None and len(followed) < 1000:
            followed += follower.poll()
        assert follower.ended is not None
        assert records_of(followed)[: len(records_of(blocks))] == records_of(blocks)
        if last >= 0:
            target = self.root / "repaired"
            report = repair(folder, target)
            if report.written is not None:
                assert [frame.data for frame in Session(target).frames()][: len(found)] == found
                assert Session(target).check() == []
            shutil.rmtree(target, ignore_errors=True)


def kills(taped: Taped, share: float, random: Random) -> Iterator[tuple[dict[Path, bytes], int]]:
    """Yield what a kill leaves: after every call, and after every byte of every write (a share of them)."""
    volume = Volume()
    for call in taped.tape.calls:
        if call.what == "write":
            before = {path: bytes(one.data) for path, one in volume.names.items()}
            known = seqs_in(before)
            base = before[call.path]
            inside = [(frame.end, frame.seq) for frame in layout.walk(call.data) if call.path.suffix == ".mcap"]
            for count in range(1, len(call.data)):
                if random.random() < share:
                    seqs = known | {seq for end, seq in inside if end <= count}
                    yield {**before, call.path: base + call.data[:count]}, taped.last_end(seqs)
        volume.play(call)
        now = {path: bytes(one.data) for path, one in volume.names.items()}
        yield now, taped.last_end(seqs_in(now))


def cuts(taped: Taped, most: int, random: Random) -> Iterator[tuple[dict[Path, bytes], int]]:
    """Yield what a power cut may leave after every call: unsynced blocks missing in any way, memory gone."""
    volume = Volume()
    for call in taped.tape.calls:
        volume.play(call)
        sure = {
            path: bytes(one.data[: one.saved])
            for path, one in volume.sure.items()
            if volume.names.get(path) is one and path.parent == taped.folder
        }
        least = taped.last_end(seqs_in(sure))
        for state in volume.reorderings(random, most):
            yield {path: data for path, data in state.items() if path.parent == taped.folder}, least


def tried(taped: Taped, tmp_path: Path, share: float, most: int) -> int:
    """Try the states of a tape; return how many."""
    random = Random(SEED)
    bench = Bench(taped, tmp_path)
    each = 400 if share == 1.0 else 20
    for count, (files, exactly) in enumerate(kills(taped, share, random)):
        bench.holds(files, exactly, exactly, thorough=count % each == 0)
    for count, (files, least) in enumerate(cuts(taped, most, random)):
        bench.holds(files, least, None, thorough=count % each == 0)
    return bench.states


# ---- the recordings --------------------------------------------------------------------------------------------------


def some_steps(one: Desk, count: int, *, size: int = 25, sync_each: int = 0) -> None:
    """Record some steps: records of both feeds, a change now and then, checkpoints; synced each so many steps."""
    for step in range(count):
        one.pass_ms(10)
        one.take(4, size, [change(one.now)] if step % 5 == 2 else [])
        if step % 4 == 3:
            one.recorder.checkpoint({"step": step})
        one.recorder.step()
        if sync_each and step % sync_each == sync_each - 1:
            one.synced()


def plain(desk: Callable[..., Desk], disk: Disk, tape: Tape) -> Desk:
    """Record with nothing going wrong."""
    one = desk(files=tape)
    some_steps(one, 12, sync_each=5)
    return one


def large(desk: Callable[..., Desk], disk: Disk, tape: Tape) -> Desk:
    """Record so much between two syncs that many blocks are loose."""
    one = desk(files=tape, limits=Limits(flush=OPEN.flush, sync=OPEN.flush))
    some_steps(one, 14, size=700, sync_each=6)
    return one


def grown(desk: Callable[..., Desk], disk: Disk, tape: Tape) -> Desk:
    """Record into parts that grow too large."""
    one = desk(files=tape, limits=Limits(flush=OPEN.flush, part=12_000))
    some_steps(one, 24, size=60, sync_each=6)
    return one


def failed_sync(desk: Callable[..., Desk], disk: Disk, tape: Tape) -> Desk:
    """Record, and let a sync fail: the next part is beside the first."""
    one = desk(files=tape)
    some_steps(one, 9, sync_each=4)
    disk.sync_error = errno.EIO
    some_steps(one, 1)
    part = one.recorder._store._part
    assert part is not None
    wait_for(lambda: part.failure is not None, disk.wrote)
    disk.sync_error = None
    some_steps(one, 8, sync_each=4)
    return one


def full(desk: Callable[..., Desk], disk: Disk, tape: Tape) -> Desk:
    """Record until the disk is full in the middle of a write; the reserve gives room for the next part."""
    disk.reserved = 1e6
    one = desk(files=tape)
    for helper in one.recorder._store._helpers:
        helper.join(20.0)
    some_steps(one, 9, sync_each=4)
    disk.room = 300
    some_steps(one, 8, sync_each=4)
    return one


def by_memory(desk: Callable[..., Desk], disk: Disk, tape: Tape) -> Desk:
    """Record by way of memory: the disk breaks, comes back, and gets everything."""
    one = desk(files=tape, fallback=disk.home.parent / "memory")
    some_steps(one, 9, sync_each=4)
    disk.write_error = errno.EIO
    some_steps(one, 6)
    disk.write_error = None
    one.pass_ms(1_100)
    some_steps(one, 2)
    for helper in one.recorder._store._helpers:
        helper.join(20.0)
    some_steps(one, 6, sync_each=3)
    return one


RECORDINGS = [plain, large, grown, failed_sync, full, by_memory]


@pytest.fixture
def taped(
    request: pytest.FixtureRequest, desk: Callable[..., Desk], folder: Path, capsys: pytest.CaptureFixture[str]
) -> Taped:
    """Make one of the recordings, whole, on a tape."""
    disk = Disk(folder)
    tape = Tape(disk)
    one: Desk = request.param(desk, disk, tape)
    one.recorder.close()
    session = Session(one.folder)
    assert records_of(list(session.blocks())) == one.records
    assert [found.change for found in session.changes()] == one.changes
    return Taped(one.folder, tape)


@pytest.mark.parametrize("taped", RECORDINGS, indirect=True, ids=lambda one: one.__name__)
def test_what_is_left_is_an_exact_beginning(taped: Taped, tmp_path: Path) -> None:
    """A share of the states: what is read is what was judged first, all that was on the disk, and nothing else."""
    states = tried(taped, tmp_path, 0.004, 3)
    print(f"{states} states")
    assert states > 50


@pytest.mark.long
@pytest.mark.parametrize("taped", RECORDINGS, indirect=True, ids=lambda one: one.__name__)
def test_what_is_left_is_an_exact_beginning_in_every_state(taped: Taped, tmp_path: Path) -> None:
    """Every call, every byte of every write, up to 255 ways in which unsynced blocks may be missing after each call."""
    states = tried(taped, tmp_path, 1.0, 255)
    print(f"{states} states")
    assert states > 10_000


def test_a_repair_is_there_or_not(desk: Callable[..., Desk], tmp_path: Path) -> None:
    """Killed or without power at any call of a repair, the new session is not there, or an exact beginning of it is."""
    one = desk()
    some_steps(one, 10)
    raw = (one.folder / "0001.mcap").read_bytes()
    one.recorder.close()
    (one.folder / "0001.mcap").write_bytes(raw[:-5])
    tape = Tape(Disk(tmp_path / "repaired"))
    assert repair(one.folder, tmp_path / "repaired", files=tape).written is not None
    volume = Volume()
    for call in tape.calls:
        volume.play(call)
    part = volume.sure[tmp_path / "repaired" / "0001.mcap"]  # its name is on the disk when `repair` returns
    assert part.saved == len(part.data)
    states = tried(Taped(tmp_path / "repaired", tape), tmp_path, 0.01, 10)
    assert states > 50
