"""Recorders that write when the test says so, on clocks the test sets, onto disks that fail on demand."""

from __future__ import annotations

import errno
import math
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pullwatch.batch import Batch, Kind, Record
from pullwatch.clock import NS_PER_MS, ClockPair, SessionClock
from pullwatch.recording.parts import Files
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.recording.store import Limits
from pullwatch.watchdog.alarms import Change, Event, State

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pullwatch.recording.blocks import Block
    from pullwatch.recording.layout import RecordedChange

FEEDS = {1: "ecu", 2: "wideband"}
RULES = ("lean under boost", "overboost")
WALL = 1_750_000_000_000_000_000
DEADLINE_S = 20.0


@dataclass(frozen=True, slots=True)
class HandClock(SessionClock):
    """A session clock that stands where the test puts it."""

    zero: int = 0
    stands: list[int] = field(default_factory=lambda: [0])

    def now(self) -> int:
        """Return where it stands."""
        return self.stands[0]

    def pair(self) -> ClockPair:
        """Return a wall clock that began at WALL."""
        return ClockPair(self.stands[0], WALL + self.stands[0], 1)


class Stepped(Recorder):
    """A recorder whose writer thread writes nothing until it is closed: `step` does, on the test's thread."""

    def _write_loop(self) -> None:
        while not self._closing:
            self._wake.wait()
            self._wake.clear()
        self._flush()
        self._finish()

    def step(self) -> None:
        """Write what was taken, as the writer thread does every 10 ms."""
        self._flush()


class Disk(Files):
    """A disk that can be full, broken or stuck. `home` names the folder whose files it is about."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.room = math.inf
        """Bytes that it still takes, then ENOSPC; the reserve, when it is let go of, gives `reserved` more."""
        self.reserved = 0.0
        self.write_error: int | None = None
        self.sync_error: int | None = None
        self.create_error: int | None = None
        self.gate = threading.Event()
        """Syncs wait here."""
        self.gate.set()
        self.write_gate = threading.Event()
        """Writes wait here."""
        self.write_gate.set()
        self.syncing = threading.Event()
        self.synced = threading.Semaphore(0)
        self.wrote = threading.Semaphore(0)
        self.writes: list[int] = []
        self.at_home: set[int] = set()
        self.reserves: set[int] = set()

    def create(self, path: Path) -> int:
        """Open a file, if the disk lets it."""
        ours = path.is_relative_to(self.home)
        if ours and self.create_error is not None:
            raise OSError(self.create_error, "made to fail")
        fd = super().create(path)
        if ours:
            self.at_home.add(fd)
        return fd

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """Write as much as there is room for."""
        assert self.write_gate.wait(DEADLINE_S)
        if fd in self.at_home:
            if self.write_error is not None:
                raise OSError(self.write_error, "made to fail")
            if self.room <= 0:
                raise OSError(errno.ENOSPC, "made to fail")
            data = data[: int(min(self.room, len(data)))]
        taken = super().write(fd, data)
        self.room -= taken
        self.writes.append(taken)
        self.wrote.release()
        return taken

    def sync(self, fd: int) -> None:
        """Sync, when the gate is open."""
        if fd in self.at_home:
            self.syncing.set()
            assert self.gate.wait(DEADLINE_S)
            if self.sync_error is not None:
                raise OSError(self.sync_error, "made to fail")
        self.synced.release()

    def sync_folder(self, path: Path) -> None:
        """Take it as done."""

    def close(self, fd: int) -> None:
        """Close, and give back the room that a reserve held."""
        if fd in self.reserves:
            self.reserves.discard(fd)
            self.room += self.reserved
        self.at_home.discard(fd)
        super().close(fd)

    def free(self, path: Path) -> int:  # noqa: ARG002 - there is one disk
        """Return the room that is left."""
        return int(max(0, min(self.room, 1 << 40)))

    def reserve(self, path: Path, size: int) -> int | None:  # noqa: ARG002 - the disk's `reserved` says how much
        """Hold `reserved` bytes."""
        if not self.reserved:
            return None
        fd = super().create(path)
        path.unlink()
        self.reserves.add(fd)
        return fd


@dataclass
class Desk:
    """A stepped recorder, its clocks, and a record of everything that was given to it."""

    folder: Path
    clock: HandClock
    steady: list[int]
    recorder: Stepped
    records: list[Record] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    now: int = 0

    def pass_ms(self, ms: float) -> None:
        """Let time pass on both clocks."""
        self.now += int(ms * NS_PER_MS)
        self.clock.stands[0] = self.now
        self.steady[0] += int(ms * NS_PER_MS)

    def take(
        self, count: int = 4, size: int = 25, changes: Sequence[Change] = (), feeds: Sequence[int] = (1, 2)
    ) -> None:
        """Give one batch of `count` records, spread over the last ms before now, in turn on the feeds."""
        records = some_records(self.now, count, size, feeds)
        self.records += records
        self.changes += changes
        self.recorder.take(Batch(self.now, records), changes)

    def run(self, steps: int, *, checkpoint_each: int = 10, ms: float = 10.0, **batch: Any) -> None:
        """Take and write `steps` times, `ms` apart, with a checkpoint now and then."""
        for step in range(steps):
            self.pass_ms(ms)
            self.take(**batch)
            if step % checkpoint_each == checkpoint_each - 1:
                self.recorder.checkpoint({"step": step, "now": self.now})
            self.recorder.step()

    def synced(self) -> None:
        """Wait until everything written is on the disk."""
        store = self.recorder._store
        store.settle(self.recorder._seq - 1)


_PATTERN = bytes(range(251))


def some_records(now: int, count: int, size: int, feeds: Sequence[int]) -> list[Record]:
    """Return records of the last ms before `now`, none sharing an instant."""
    begin = now - NS_PER_MS
    return [
        Record(
            begin + i * (size + 1),
            feeds[i % len(feeds)],
            Kind.DATA,
            (_PATTERN * (size // 251 + 2))[(now + i) % 251 :][:size],
        )
        for i in range(count)
    ]


def change(t: int, rule: int = 0, state: State = State.UNACKNOWLEDGED, value: float = 0.91) -> Change:
    """Return a change to `state`."""
    event = Event.RAISE if state is State.UNACKNOWLEDGED else Event.CLEAR
    return Change(t, rule, State.NORMAL, state, event, value, 0.86)


def records_of(blocks: Sequence[Block]) -> list[Record]:
    """Return all records of the blocks."""
    return [record for block in blocks for record in block.records]


def changes_of(blocks: Sequence[Block]) -> list[RecordedChange]:
    """Return all changes of the blocks."""
    return [change for block in blocks for change in block.changes]


def read(folder: Path, **how: Any) -> list[Block]:
    """Return all blocks of a session."""
    return list(Session(folder).blocks(**how))


def wait_for(what: Callable[[], bool], event: threading.Semaphore) -> None:
    """Wait until `what` is true, looking again whenever the semaphore is released (and now and then besides)."""
    until = time.monotonic() + DEADLINE_S
    while not what():
        event.acquire(timeout=0.02)
        assert time.monotonic() < until, "it did not come in time"


OPEN = Limits(flush=3_600_000 * NS_PER_MS)
"""Limits for a recorder that a test steps."""
