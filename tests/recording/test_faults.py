"""A fault at every call to the system, one at a time: nothing is lost, nothing stands twice, and it is told."""

from __future__ import annotations

import errno
import json
import os
import shutil
import struct
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest

from pullwatch.clock import NS_PER_MS
from pullwatch.errors import SessionError
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.repair import repair
from pullwatch.recording.session import parts_in
from pullwatch.recording.store import Limits

from .faulty_child import BATCHES
from .sessions import DEADLINE_S, OPEN, Desk, Disk, change, records_of
from .test_disk import nothing_is_missing, told

if TYPE_CHECKING:
    from collections.abc import Callable

STEPS = 24
FAULTS = ("EIO", "ENOSPC", "EINTR", "half", "nothing")
KINDS = ("create", "write", "sync", "sync_folder", "close", "remove", "reserve")
SHARE = 9
"""One of so many faults is tried in the usual run."""


class Fault(NamedTuple):
    """Call number `nth` (from 1) of a kind fails with `what`."""

    kind: str
    nth: int
    what: str


class Faulty(Disk):
    """A disk on which one call fails, once."""

    def __init__(self, home: Path, fault: Fault | None = None) -> None:
        super().__init__(home)
        self.reserved = 1e6
        self.fault = fault
        self.counts = dict.fromkeys(KINDS, 0)
        self.hit = False

    def _fails(self, kind: str) -> str | None:
        self.counts[kind] += 1
        if self.fault is None or self.hit or self.fault[:2] != (kind, self.counts[kind]):
            return None
        if self.fault.what in ("half", "nothing") and kind != "write":
            return None
        self.hit = True
        if self.fault.what in ("half", "nothing"):
            return self.fault.what
        raise OSError(getattr(errno, self.fault.what), "made to fail once")

    def create(self, path: Path) -> int:
        """Open a file."""
        self._fails("create")
        return super().create(path)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """Write; perhaps half of it, or nothing."""
        what = self._fails("write")
        if what == "nothing":
            return 0
        return super().write(fd, data[: len(data) // 2] if what else data)

    def sync(self, fd: int) -> None:
        """Sync."""
        self._fails("sync")
        super().sync(fd)

    def sync_folder(self, path: Path) -> None:  # noqa: ARG002 - it is never really synced
        """Sync a folder."""
        self._fails("sync_folder")

    def close(self, fd: int) -> None:
        """Close; the descriptor is gone all the same, as with a real close that fails."""
        super().close(fd)
        self._fails("close")

    def remove(self, path: Path) -> None:
        """Remove."""
        self._fails("remove")
        super().remove(path)

    def reserve(self, path: Path, size: int) -> int | None:
        """Hold room."""
        self._fails("reserve")
        return super().reserve(path, size)


def evening(opening: Callable[..., Desk], root: Path, fault: Fault | None, *, fallback: bool) -> Faulty:
    """Record a short session with a fault in it, and check everything that must hold."""
    folder = root / "session"
    disk = Faulty(folder, fault)
    settings = {"fallback": root / "memory"} if fallback else {}
    limits = Limits(flush=OPEN.flush, part=9_000)
    try:
        one = opening(folder=folder, files=disk, limits=limits, **settings)
    except SessionError as refused:
        # Told at once, and nothing was taken yet; with a fallback there is always a place.
        if fallback or fault is None or fault.kind not in ("create", "write"):
            raise
        if fault.what.isupper() and fault.what not in str(refused):
            raise
        return disk
    for helper in one.recorder._store._helpers:
        helper.join(DEADLINE_S)
    follower = Follower(folder)
    seen = behind = 0
    for step in range(STEPS):
        one.pass_ms(10)
        one.take(4, 40, [change(one.now)] if step % 5 == 2 else [])
        if step % 3 == 2:
            one.recorder.checkpoint({"step": step})
        one.recorder.step()
        if step % 4 == 3:
            one.synced()
        seen += len(records_of(follower.poll()))
        behind = 0 if seen == len(one.records) else behind + 1
        assert behind <= 100, "the recording stood still for over a second"
    for _ in range(100 - behind):  # with no fallback a part that cannot be begun is tried again after half a second
        one.pass_ms(10)
        one.recorder.step()
        seen += len(records_of(follower.poll()))
    assert seen == len(one.records), "what was given last has not been recorded"
    one.recorder.close()
    health = one.recorder.health
    assert (health.dropped, health.rejected) == (0, 0)
    if parts_in(folder):
        session = nothing_is_missing(one)
    else:  # nothing could be begun at home
        session = Session(root / "memory" / "session")
        assert records_of(list(session.blocks())) == one.records
    assert session.whole
    if disk.hit and fault is not None:
        if fault.what != "half" and fault.kind in ("create", "write", "sync", "sync_folder"):
            assert health.last_error
        if fault.kind == "reserve":
            assert told(session, "no reserve")
    return disk


@pytest.fixture
def counts(desk: Callable[..., Desk], tmp_path: Path) -> dict[str, int]:
    """Return how many calls of each kind a session makes when all is well."""
    return evening(desk, tmp_path / "well", None, fallback=True).counts


def faults(counts: dict[str, int]) -> list[Fault]:
    """Return every fault: each kind of it at each call."""
    return [
        Fault(kind, nth, what)
        for kind in KINDS
        for nth in range(1, counts[kind] + 2)
        for what in FAULTS
        if kind == "write" or what not in ("half", "nothing")
    ]


def tried(desk: Callable[..., Desk], tmp_path: Path, some: list[Fault]) -> int:
    """Try faults with and without a fallback; return how many were met."""
    met = 0
    for number, fault in enumerate(some):
        for fallback in (True, False):
            root = tmp_path / f"{number}{'f' if fallback else ''}"
            root.mkdir()
            met += evening(desk, root, fault, fallback=fallback).hit
            shutil.rmtree(root)
    print(f"{met} faults met")
    return met


def test_a_fault_at_some_calls_loses_nothing(desk: Callable[..., Desk], tmp_path: Path, counts: dict[str, int]) -> None:
    """A share of the faults, the first call of each kind among them: everything is recorded once, and it is told."""
    every = faults(counts)
    first = [fault for fault in every if fault.nth == 1 and fault.what == "EIO"]
    some = first + every[::SHARE]
    assert tried(desk, tmp_path, some) > len(some)


@pytest.mark.long
def test_a_fault_at_every_call_loses_nothing(desk: Callable[..., Desk], tmp_path: Path, counts: dict[str, int]) -> None:
    """Every fault at every call."""
    every = faults(counts)
    assert tried(desk, tmp_path, every) > 1.5 * len(every)


@pytest.mark.parametrize("kind", ["create", "write", "sync", "rename"])
def test_a_fault_in_a_repair_leaves_nothing_half_done(desk: Callable[..., Desk], tmp_path: Path, kind: str) -> None:
    """A repair that meets an error is no session, leaves nothing, says so, and can be made again."""
    one = desk()
    one.run(5)
    raw = (one.folder / "0001.mcap").read_bytes()
    one.recorder.close()
    (one.folder / "0001.mcap").write_bytes(raw[:-3])

    class Once(Disk):
        failed = False

        def rename(self, path: Path, to: Path) -> None:
            self._once("rename")
            super().rename(path, to)

        def create(self, path: Path) -> int:
            self._once("create")
            return super().create(path)

        def write(self, fd: int, data: bytes | memoryview) -> int:
            self._once("write")
            return super().write(fd, data)

        def sync(self, fd: int) -> None:
            self._once("sync")
            super().sync(fd)

        def _once(self, what: str) -> None:
            if what == kind and not self.failed:
                self.failed = True
                raise OSError(errno.EIO, "made to fail")

    target = tmp_path / "repaired"
    disk = Once(target)
    with pytest.raises(SessionError, match="EIO"):
        repair(one.folder, target, files=disk)
    assert list(target.iterdir()) == []
    assert repair(one.folder, target, files=disk).written == target
    assert records_of(list(Session(target).blocks())) == one.records[: len(records_of(list(Session(target).blocks())))]


INJECTED = {
    "write EIO": ("write:error=EIO:when=9", "0001.mcap", "EIO"),
    "sync EIO": ("fdatasync:error=EIO:when=2", "0001.mcap", "EIO"),
    "write ENOSPC": ("write:error=ENOSPC:when=5+", "0001.mcap", "ENOSPC"),
    "write EINTR": ("write:error=EINTR:when=6", "0001.mcap", ""),
    "folder EIO": ("fsync:error=EIO:when=1", "", "EIO"),
    "open EACCES": ("openat:error=EACCES:when=1", "0001.mcap", "EACCES"),
}
IN_THE_USUAL_RUN = ("write EIO", "sync EIO")


def injected(case: str, tmp_path: Path) -> None:
    """Record in a process whose system calls fail as `case` says, and check that all of it is there and told."""
    strace = shutil.which("strace")
    if strace is None:
        assert not os.environ.get("PULLWATCH_COMPLETE"), "strace is missing"
        pytest.skip("strace, which makes system calls fail, is not installed")
    inject, name, error = INJECTED[case]
    folder = tmp_path / "session"
    folder.mkdir()
    child = [sys.executable, str(Path(__file__).with_name("faulty_child.py")), str(folder), str(tmp_path / "memory")]
    how = [strace, "-f", "-qq", "-o", str(tmp_path / "trace"), "-e", f"inject={inject}"]
    how += ["-P", str(folder / name)] if name else ["-P", str(folder)]
    done = subprocess.run([*how, *child], capture_output=True, text=True, timeout=120, check=False)
    if "PTRACE" in done.stderr or "Operation not permitted" in done.stderr:
        assert not os.environ.get("PULLWATCH_COMPLETE"), done.stderr
        pytest.skip("strace may not trace here")
    assert done.returncode == 0, done.stderr
    assert "(INJECTED)" in (tmp_path / "trace").read_text(), "the fault was not met"
    said = json.loads(done.stdout)
    assert said["dropped"] == 0
    session = Session(folder if parts_in(folder) else tmp_path / "memory" / "session")
    assert any(error in says for says in [said["error"], *(event.get("says", "") for _, event in session.events())])
    counted = [struct.unpack("<QQ", record.data) for record in records_of(list(session.blocks()))]
    assert counted == [divmod(i, 4) for i in range(4 * BATCHES)]
    assert len(session.changes()) == BATCHES // 10
    assert session.whole
    assert (len(session.parts) > 1) is (error not in ("", "EACCES"))
    nows = [block.now for block in session.blocks()]
    assert max(later - before for before, later in pairwise(nows)) < 1_000 * NS_PER_MS


@pytest.mark.parametrize("case", IN_THE_USUAL_RUN)
def test_a_system_call_that_really_fails(case: str, tmp_path: Path) -> None:
    """A process whose write or sync is made to fail by the system records everything, in a new part."""
    injected(case, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("case", [case for case in INJECTED if case not in IN_THE_USUAL_RUN])
def test_every_system_call_that_really_fails(case: str, tmp_path: Path) -> None:
    """The same for a full disk, an interrupted call, a folder that is not synced, and a file that is not opened."""
    injected(case, tmp_path)
