"""A disk filled to the brim: alarms and followers go on, step by step less is recorded, and it comes back by itself."""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.store import Limits
from pullwatch.recording.thinning import NONE_KEPT, SAYS, STIRRED_FOR, Thinning, scarcity
from pullwatch.replaying import verify

from .judged import LEAN, WELL, Judged
from .sessions import DEADLINE_S, OPEN, Disk, change, changes_of, records_of
from .test_disk import told

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

LIMITS = Limits(flush=OPEN.flush, reserve=400_000, retained=400_000, room=100_000, stall=OPEN.flush)


def lean_now(step: int) -> bool:
    """Whether the mixture is lean at a step: for 0.2 s each 13 s."""
    return step % 1_300 in range(900, 920)


def drive(one: Judged, steps: range, follower: Follower, *, synced: bool = True) -> list[Record]:
    """Go through some steps of 10 ms, an act in each 11 s; every change is followed in the step it comes in."""
    followed: list[Record] = []
    for step in steps:
        before = len(one.changes)
        one.step(LEAN if lean_now(step) else WELL, "acknowledge" if step % 1_100 == 1_000 else None)
        if synced and step % 20 == 0:
            one.settle()
        blocks = follower.poll()
        followed += records_of(blocks)
        assert [found.change for found in changes_of(blocks)] == one.changes[before:]
        assert one.now - follower.now <= 100 * NS_PER_MS
    return followed


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    """Mount a volume of 3 MiB in memory."""
    if os.geteuid() != 0:
        assert not os.environ.get("PULLWATCH_COMPLETE"), "mounting a small volume takes root"
        pytest.skip("mounting a small volume takes root")
    path = tmp_path / "volume"
    path.mkdir()
    how = ["mount", "-t", "tmpfs", "-o", "size=3m", "none", str(path)]
    mounted = subprocess.run(how, capture_output=True, check=False, timeout=60)
    if mounted.returncode:
        assert not os.environ.get("PULLWATCH_COMPLETE"), mounted.stderr.decode()
        pytest.skip(f"a small volume cannot be mounted here: {mounted.stderr.decode()}")
    yield path
    subprocess.run(["umount", str(path)], check=True, timeout=60)


def fill(volume: Path, left: int, name: str = "filler") -> Path:
    """Fill a volume but for `left` bytes; return the file that does."""
    filler = volume / name
    found = os.statvfs(volume)
    with filler.open("wb") as file:
        file.write(bytes(max(0, found.f_bavail * found.f_frsize - left)))
    return filler


def test_a_disk_filled_to_the_brim(volume: Path, tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """First the reserve, then memory, then less and less, each step told; alarms as ever; back within 1 s of room."""
    well = judged(tmp_path / "well" / "session", limits=LIMITS)
    one = judged(volume / "session", limits=LIMITS, fallback=tmp_path / "memory")
    for helper in one.recorder._store._helpers:
        helper.join(DEADLINE_S)
    follower, beside = Follower(one.folder), Follower(well.folder)
    filler = fill(volume, 200_000)
    drive(one, range(1_200), follower)
    assert not one.recorder.in_memory, "the reserve was to be freed first"
    fill(volume, 0, "more")
    said: list[str] = []
    step = 1_200
    while one.recorder._store.scarce < NONE_KEPT:
        drive(one, range(step, step + 100), follower, synced=False)
        step += 100
        if not said or said[-1] != one.recorder.health.last_error:
            said.append(one.recorder.health.last_error)
        assert step < 30_000, "memory was to fill up"
    drive(one, range(step, step + 200), follower, synced=False)
    step += 200
    assert one.recorder.in_memory
    store = one.recorder._store
    assert store._retained_bytes <= LIMITS.retained
    in_memory = sum(path.stat().st_size for path in (tmp_path / "memory").rglob("*.mcap"))
    assert in_memory <= LIMITS.retained
    assert said[-3:] == list(SAYS[1:])

    filler.unlink()
    waited = 0
    while one.recorder.in_memory:
        one.step(WELL)
        for helper in store._helpers:
            helper.join(DEADLINE_S)
        waited += 10
        assert waited <= 1_000, "there is room for a second, and the recording is not back"
    follower.poll()
    again = one.now
    drive(one, range(step, step + 700), follower)
    one.recorder.close()
    assert not list((tmp_path / "memory").rglob("*.mcap")), "everything is at home"

    # Alarms are those of a session with a good disk.
    drive(well, range(step), beside, synced=False)
    for _ in range(waited // 10):
        well.step(WELL)
    beside.poll()
    drive(well, range(step, step + 700), beside, synced=False)
    well.recorder.close()
    assert one.changes == well.changes
    assert len(one.changes) >= 4

    session = Session(one.folder)
    assert session.gaps == []
    assert [found.change for found in session.changes()] == one.changes
    everything = records_of(list(session.blocks(everything=True)))
    assert [record for record in everything if record.feed == ACTS_FEED] == one.acts
    kept = [record for record in everything if record.feed == 1 and record.kind is Kind.DATA]
    counted = sum(record.kind is Kind.DATA for record in everything)
    assert counted + session.dropped == one.lines
    assert one.recorder.health.dropped == session.dropped == one.lines - counted
    assert len(kept) > one.lines // 4
    assert [event["step"] for _, event in session.events() if event["event"] == "thinning"] == [1, 2, 3, 0]
    parts = told(session)
    assert "the reserve is freed" in parts[0]
    assert "Recording goes on in memory" in parts[1]
    assert "has room again" in parts[2]
    # What is kept can be judged again: it agrees, and where something is left out that is said.
    found = verify(session)
    assert found.agree
    assert found.unverified
    assert found.now == one.now
    assert found.unverified[-1][1] <= again + NS_PER_S


def test_everything_goes_home_when_memory_sufficed(tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """A disk that is full for some seconds costs nothing: all of it is on the disk in the end, and verified."""
    disk = Disk(tmp_path / "session")
    one = judged(disk.home, limits=LIMITS, fallback=tmp_path / "memory", files=disk)
    follower = Follower(one.folder)
    followed = drive(one, range(300), follower)
    disk.room = 1_000
    followed += drive(one, range(300, 600), follower, synced=False)
    assert one.recorder.in_memory
    disk.room = 1e9
    for step in range(600, 700):
        followed += drive(one, range(step, step + 1), follower, synced=False)
        for helper in one.recorder._store._helpers:
            helper.join(DEADLINE_S)
    assert not one.recorder.in_memory
    one.recorder.close()
    session = Session(one.folder)
    assert {path.parent for path in session.parts} == {one.folder}
    assert records_of(list(session.blocks())) == followed
    assert len(followed) == one.lines + len(one.acts)
    found = verify(session)
    assert found.agree
    assert found.unverified == []
    assert session.whole


def test_a_full_disk_is_not_gone_back_to_for_a_few_bytes(tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """The disk is gone back to when it has room for what memory holds and some more, not before."""
    disk = Disk(tmp_path / "session")
    one = judged(disk.home, limits=LIMITS, fallback=tmp_path / "memory", files=disk)
    disk.room = 100
    follower = Follower(one.folder)
    drive(one, range(200), follower, synced=False)
    disk.room = 90_000
    for step in range(200, 400):
        drive(one, range(step, step + 1), follower, synced=False)
        for helper in one.recorder._store._helpers:
            helper.join(DEADLINE_S)
    assert one.recorder.in_memory
    assert one.recorder._store.parts == 2
    one.recorder.close()


def test_what_is_left_out_while_nothing_takes_the_recording(tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """With no fallback memory of the process must do; it is thinned alike, and all that was kept is at home later."""
    disk = Disk(tmp_path / "session")
    one = judged(disk.home, limits=LIMITS, files=disk)
    for step in range(500):
        one.step(WELL)
        if step % 50 == 0:
            one.settle()
    disk.room = 0
    store = one.recorder._store
    for step in range(10_000):
        one.step(LEAN if lean_now(step) else WELL)
        if store.scarce == NONE_KEPT and step % 100 == 50:
            break
    assert store.scarce == NONE_KEPT
    assert store.never_written == 0
    disk.room = 1e9
    for _ in range(150):
        one.step(WELL)
        for helper in store._helpers:
            helper.join(DEADLINE_S)
    assert not one.recorder.in_memory
    one.recorder.close()
    session = Session(one.folder)
    assert session.gaps == []
    assert [found.change for found in session.changes()] == one.changes != []
    assert session.recorded + one.recorder.health.dropped >= one.lines
    assert verify(session).agree


def test_closing_while_readings_are_left_out_counts_them(tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """A session that ends on a full disk says how many records were left out."""
    disk = Disk(tmp_path / "session")
    one = judged(disk.home, limits=LIMITS, fallback=tmp_path / "memory", files=disk)
    follower = Follower(one.folder)
    drive(one, range(100), follower)
    disk.room = 0
    for step in range(100, 10_000):
        drive(one, range(step, step + 1), follower, synced=False)
        if one.recorder._thinning.leaving_out and step % 10 == 5:
            break
    assert one.recorder._thinning.leaving_out
    one.recorder.close()
    session = Session(one.folder)
    assert session.dropped == one.recorder.health.dropped > 0
    assert not session.whole
    assert one.recorder.in_memory


# ---- thinning by itself ----------------------------------------------------------------------------------------------


def test_how_scarce_room_is() -> None:
    """Nothing is scarce below a half; then by three steps."""
    assert [scarcity(taken, 80) for taken in (0, 39, 40, 59, 60, 69, 70, 80, 99)] == [0, 0, 1, 1, 2, 2, 3, 3, 3]
    assert len(SAYS) == NONE_KEPT + 1


@pytest.mark.parametrize(("scarce", "kept"), [(0, 64), (1, 16), (2, 4), (3, 0)])
def test_one_stretch_of_so_many_is_kept(scarce: int, kept: int) -> None:
    """Of 64 stretches so many are kept."""
    thinning = Thinning()
    assert sum(thinning.checkpoint(scarce, second * NS_PER_S) for second in range(64)) == kept


@pytest.mark.parametrize("scarce", [1, 2, 3])
def test_what_follows_an_alarm_or_an_act_goes_last(scarce: int) -> None:
    """For some seconds after a change or an act every stretch is kept, as long as any are."""
    thinning = Thinning()
    thinning.checkpoint(scarce, 0)
    assert not thinning.seen([Record(5, 1, Kind.DATA, b"x")], [], 6)
    assert not thinning.checkpoint(scarce, NS_PER_S)
    assert thinning.seen([], [change(7)], NS_PER_S)
    assert thinning.checkpoint(scarce, NS_PER_S + STIRRED_FOR) is (scarce < NONE_KEPT)
    assert not thinning.checkpoint(scarce, NS_PER_S + STIRRED_FOR + 1)
    assert thinning.seen([Record(5, ACTS_FEED, Kind.ACT, b"{}")], [], 20 * NS_PER_S)
    assert thinning.checkpoint(scarce, 21 * NS_PER_S) is (scarce < NONE_KEPT)


def test_ports_that_come_and_go_are_kept(tmp_path: Path) -> None:
    """Only readings are left out; a lost port stands where it was, behind the bytes that are missing before it."""
    thinning = Thinning()
    thinning.begin(10)
    kept = thinning.stripped(
        [
            Record(11, 1, Kind.DATA, b"abc"),
            Record(20, 2, Kind.DATA, b"x"),
            Record(30, 1, Kind.DATA, b"de"),
            Record(40, 1, Kind.LOST, b"unplugged"),
            Record(60, ACTS_FEED, Kind.ACT, b"{}"),
        ]
    )
    assert [(record.t, record.feed, record.kind) for record in kept] == [
        (30, 1, Kind.DROPPED),
        (40, 1, Kind.LOST),
        (60, ACTS_FEED, Kind.ACT),
    ]
    assert b'"bytes": 5' in kept[0].data
    said, records = thinning.end(100)
    assert said["feeds"] == {"1": {"records": 2, "bytes": 5}, "2": {"records": 1, "bytes": 1}}
    assert (said["from"], said["to"]) == (10, 100)
    assert [(record.t, record.feed) for record in records] == [(20, 2)]
    assert thinning.left_out == 3
