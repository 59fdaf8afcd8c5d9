"""Writing a session that nobody watched: records with times of their own, judged as they are written, no clock needed.

What comes out is a session like any other: the same frames, commits, checkpoints and chain as the recorder's, and a
stop record. It is written into a folder of its own that is removed again if the writing fails: the log it comes from is
still there.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
import platform
import secrets
import shutil
from typing import TYPE_CHECKING, Any, Final, Self

from pullwatch.batch import ACTS_FEED
from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Commit, Framed, Stream
from pullwatch.recording.parts import FILES, Files, Part
from pullwatch.recording.session import new_folder
from pullwatch.recording.store import words
from pullwatch.station import Path as WatchedPath
from pullwatch.watchdog.alarms import Event, State

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

    from pullwatch.batch import Record
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change

CHECKPOINT_EVERY: Final = 5 * NS_PER_S
"""Session ns from one checkpoint to the next: what a reader must go through to begin in the middle."""
PART_SIZE: Final = 1024 * 1024 * 1024
"""Bytes after which the next part begins (a FAT volume holds files below 4 GiB)."""
FRAME_DATA: Final = 4 * 1024 * 1024
"""Bytes of records in one frame, as the recorder has it."""
_COST: Final = 64


class SessionWriter:
    """Judges records by `plan` and writes them as a session into a new folder below `root`.

    `began` is the wall clock at session time 0 (ns since the Unix epoch), known to ± `uncertainty` ns; `feeds` names
    the feeds by number, those without a decoder included; `about` goes into the start record as `imported`. Use it as a
    context manager and call `finish`; left without, the folder is removed. Raises SessionError if it cannot be written.
    """

    def __init__(
        self,
        root: Path,
        plan: Plan,
        feeds: Mapping[int, str],
        about: Mapping[str, Any],
        began: int,
        uncertainty: int,
        *,
        files: Files = FILES,
    ) -> None:
        self.path = WatchedPath(plan)
        self.folder = new_folder(root, plan.car.name, began)
        self.raised = 0
        self.records = 0
        self._feeds = {ACTS_FEED: "acts", **feeds}
        self._files = files
        self._tag = secrets.randbits(32)
        self._seq = 0
        self._now = 0
        self._hash = hashlib.sha256()
        self._standing: dict[str, tuple[State, int]] = {}
        self._checkpointed = -CHECKPOINT_EVERY
        self._finished = False
        self._part: Part | None = None
        self._number = 0
        clock = {"name": "imported", "zero": 0, "wall": began, "uncertainty": uncertainty}
        ours = {
            "layout": layout.VERSION,
            "session": f"{self._tag:08x}",
            "boot_id": "",
            "clock": "imported",
            "zero": 0,
            "pair": {"t": 0, "wall": began, "uncertainty": uncertainty},
            "feeds": {str(number): name for number, name in self._feeds.items()},
            "rules": [rule.name for rule in plan.rules.rules],
            "fallback": None,
            "pid": os.getpid(),
            "system": platform.platform(),
        }
        start = {
            "pullwatch": importlib.metadata.version("pullwatch"),
            "car": plan.car.name,
            "profile": plan.profile,
            "clock": clock,
            "imported": dict(about),
            "plan": plan.to_dict(),
            "recording": ours,
        }
        self._start = self._frame(Stream.START, 0, -1, layout.encode_json(start))
        try:
            self._open()
        except OSError as error:
            self._abandon()
            raise self._refused(error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, traceback: TracebackType | None
    ) -> None:
        if not self._finished:
            self._abandon()

    def take(self, now: int, records: Sequence[Record]) -> list[Change]:
        """Judge and write one step, everything up to `now` (session ns); return the changes of alarms.

        Raises SessionError if the disk refuses.
        """
        _, changes = self.path.take(now, records)
        frames = self._records(now, records)
        frames += [self._change(change, now) for change in changes]
        frames.append(self._commit(now))
        self._now = now
        if now - self._checkpointed >= CHECKPOINT_EVERY:
            self._checkpointed = now
            frames.append(self._checkpoint(now))
        self._put(frames)
        return changes

    def finish(self, reason: str) -> None:
        """Write the stop record and wait until all is on the disk. Raises SessionError if the disk refuses."""
        frames = [self._commit(self._now)]  # a checkpoint may stand behind the last one
        said = {
            "status": "stopped",
            "reason": reason,
            "records": self.records,
            "synced": self._seq - 1,
            "dropped": 0,
            "raised": self.raised,
            "alarms": self._alarms(),
        }
        frames.append(self._frame(Stream.STOP, self._now, self._now, layout.encode_json(said)))
        self._put(frames)
        try:
            self._close()
        except OSError as error:
            raise self._refused(error) from error
        self._finished = True

    # -- frames

    def _frame(self, channel: int, t: int, now: int, payload: bytes) -> Framed:
        data = layout.encode(channel, self._tag, self._seq, t, now, payload)
        framed = Framed(self._seq, channel, t, now, data)
        self._seq += 1
        self._hash.update(data)
        return framed

    def _records(self, now: int, records: Sequence[Record]) -> list[Framed]:
        by_feed: dict[int, list[list[Record]]] = {}
        sizes: dict[int, int] = {}
        for record in records:
            groups = by_feed.setdefault(record.feed, [[]])
            size = sizes.get(record.feed, 0) + len(record.data) + _COST
            if size > FRAME_DATA and groups[-1]:
                groups.append([])
                size = len(record.data) + _COST
            groups[-1].append(record)
            sizes[record.feed] = size
        self.records += len(records)
        return [
            self._frame(Stream.FEED_0 + feed, group[0].t, now, layout.encode_records(group))
            for feed, groups in sorted(by_feed.items())
            for group in groups
        ]

    def _change(self, change: Change, now: int) -> Framed:
        name = self.path.plan.rules.rules[change.rule].name
        self.raised += change.event is Event.RAISE
        self._standing[name] = (change.state, change.t)
        return self._frame(Stream.CHANGE, change.t, now, layout.encode_change(change, name))

    def _commit(self, now: int) -> Framed:
        chain = self._hash.digest()[: layout.CHAIN_BYTES]
        self._hash = hashlib.sha256()
        synced = -1 if self._part is None else self._part.synced[0]
        return self._frame(Stream.COMMIT, now, now, layout.encode_commit(Commit(self.records, synced, chain)))

    def _alarms(self) -> dict[str, Any]:
        return {
            rule: {"state": int(state), "since": since}
            for rule, (state, since) in self._standing.items()
            if state is not State.NORMAL
        }

    def _checkpoint(self, now: int) -> Framed:
        said = {"alarms": self._alarms(), "raised": self.raised, "state": self.path.checkpoint()}
        return self._frame(Stream.CHECKPOINT, now, now, layout.encode_json(said))

    # -- the disk

    def _open(self) -> None:
        self._number += 1
        self._part = Part(self.folder / f"{self._number:04}.mcap", self._feeds, self._files)
        self._part.put((self._start, self._start))

    def _put(self, frames: Sequence[Framed]) -> None:
        assert self._part is not None
        try:
            if self._part.size > PART_SIZE:
                self._close()
                self._open()
            self._part.put(frames)
            if self._part.failure is not None:
                raise self._part.failure
        except OSError as error:
            raise self._refused(error) from error

    def _close(self) -> None:
        part, self._part = self._part, None
        if part is None:
            return
        try:
            part.finish()
        finally:
            part.close()
            while not part.join(1.0):
                pass
        if part.failure is not None:
            raise part.failure

    def _abandon(self) -> None:
        part, self._part = self._part, None
        if part is not None:
            part.close()
            while not part.join(1.0):
                pass
        shutil.rmtree(self.folder, ignore_errors=True)

    def _refused(self, error: OSError) -> SessionError:
        return SessionError(self.folder, f"cannot be written: {words(error)}.", "Make room, or name another place.")
