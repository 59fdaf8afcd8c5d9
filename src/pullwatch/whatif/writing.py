"""A session written at once, from blocks that were read and judged: for readings made afterwards, not for live ones.

It writes what the recorder writes (`recording.layout`), without its queue, threads and timers: nothing arrives here
while it writes, and a failed write is an error that ends it.
"""

from __future__ import annotations

import hashlib
import secrets
from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Commit, Framed, Stream
from pullwatch.recording.parts import FILES, Files, Part
from pullwatch.recording.session import parts_in
from pullwatch.recording.store import words
from pullwatch.watchdog.alarms import Event, State

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path
    from types import TracebackType
    from typing import Self

    from pullwatch.batch import Record
    from pullwatch.watchdog.alarms import Change

_AT_ONCE: Final = 4 * 1024 * 1024
_PART: Final = 1024 * 1024 * 1024
_FRAME_DATA: Final = 4 * 1024 * 1024
"""Bytes of records after which a feed frame is closed."""
_RECORD_COST: Final = 64


class SessionWriter:
    """Writes one session into `folder`, which must hold none. A context manager: left by an error it is a cut one.

    `start` is the whole start record, `recording` in it too (its `session` is set here). Raises SessionError when the
    folder holds a recording or the disk does not take it.
    """

    def __init__(
        self, folder: Path, start: Mapping[str, Any], feeds: Mapping[int, str], *, files: Files = FILES
    ) -> None:
        if parts_in(folder):
            raise SessionError(folder, "holds a recording already.", "Name a new folder.")
        self.folder = folder
        self.records = 0
        self.raised = 0
        self._files = files
        self._feeds = dict(feeds)
        self._tag = secrets.randbits(32)
        self._seq = 0
        self._now = -1
        self._hash = hashlib.sha256()
        self._standing: dict[str, tuple[State, int]] = {}
        self._waiting: list[Framed] = []
        self._size = 0
        self._part: Part | None = None
        self._number = 0
        ours = {**start.get("recording", {}), "session": f"{self._tag:08x}", "fallback": None}
        payload = layout.encode_json({**start, "recording": ours})
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._refused(error) from error
        self._start = self._framed(Stream.START, 0, -1, payload)
        self._begin_part()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        if self._part is not None:
            self._close_part()

    def block(
        self,
        now: int,
        records: Sequence[Record],
        changes: Sequence[tuple[Change, str]],
        events: Sequence[tuple[int, Mapping[str, Any]]] = (),
        clocks: Sequence[bytes] = (),
    ) -> None:
        """Write one judged step: records in order of time, changes with their rules' names, events with their times.

        `clocks` are the payloads of clock pairs read in this step.
        """
        for t, event in events:
            self._add(Stream.EVENT, t, now, layout.encode_json(event))
        by_feed: dict[int, list[Record]] = {}
        for record in records:
            by_feed.setdefault(record.feed, []).append(record)
        for feed, mine in sorted(by_feed.items()):
            self._records(feed, mine, now)
        for change, name in changes:
            self._add(Stream.CHANGE, change.t, now, layout.encode_change(change, name))
            self.raised += change.event is Event.RAISE
            self._standing[name] = (change.state, change.t)
        for payload in clocks:
            self._add(Stream.CLOCK, int(layout.decode_json(payload)["t"]), now, payload)
        chain = self._hash.digest()[: layout.CHAIN_BYTES]
        self._hash = hashlib.sha256()
        # Nothing is known to be on disk while it is written: what a cut leaves is good up to its last commit.
        self._add(Stream.COMMIT, now, now, layout.encode_commit(Commit(self.records, -1, chain)))
        self._now = now
        if self._size > _AT_ONCE:
            self._flush()

    def checkpoint(self, state: Mapping[str, Any]) -> None:
        """Write what judging remembers after the step last written; it stands before the next."""
        said = {"alarms": self._alarms(), "raised": self.raised, "state": state}
        self._add(Stream.CHECKPOINT, self._now, self._now, layout.encode_json(said))

    def close(self, reason: str) -> None:
        """Write the stop record and wait until all of it is on the disk. Raises SessionError if that fails."""
        said = {
            "status": "stopped",
            "reason": reason,
            "records": self.records,
            "synced": self._seq - 1,
            "dropped": 0,
            "raised": self.raised,
            "alarms": self._alarms(),
        }
        self._add(Stream.STOP, max(0, self._now), self._now, layout.encode_json(said))
        self._flush(last=True)

    def _alarms(self) -> dict[str, Any]:
        return {
            rule: {"state": int(state), "since": since}
            for rule, (state, since) in self._standing.items()
            if state is not State.NORMAL
        }

    def _records(self, feed: int, records: Sequence[Record], now: int) -> None:
        group: list[Record] = []
        size = 0
        for record in records:
            size += len(record.data) + _RECORD_COST
            if size > _FRAME_DATA and group:
                self._add(Stream.FEED_0 + feed, group[0].t, now, layout.encode_records(group))
                group, size = [], len(record.data) + _RECORD_COST
            group.append(record)
        self._add(Stream.FEED_0 + feed, group[0].t, now, layout.encode_records(group))
        self.records += len(records)

    def _framed(self, channel: int, t: int, now: int, payload: bytes) -> Framed:
        data = layout.encode(channel, self._tag, self._seq, t, now, payload)
        framed = Framed(self._seq, channel, t, now, data)
        self._seq += 1
        self._hash.update(data)
        return framed

    def _add(self, channel: int, t: int, now: int, payload: bytes) -> None:
        framed = self._framed(channel, t, now, payload)
        self._waiting.append(framed)
        self._size += len(framed.data)

    def _begin_part(self) -> None:
        self._number += 1
        try:
            self._part = Part(self.folder / f"{self._number:04}.mcap", self._feeds, self._files)
            self._part.put((self._start, self._start))
        except OSError as error:
            raise self._refused(error) from error

    def _flush(self, *, last: bool = False) -> None:
        assert self._part is not None
        try:
            self._part.put(self._waiting)
            self._waiting, self._size = [], 0
            if last or self._part.size > _PART:
                self._part.finish()
        except OSError as error:
            raise self._refused(error) from error
        if last or self._part.size > _PART:
            self._close_part()
            if not last:
                self._begin_part()

    def _close_part(self) -> None:
        part, self._part = self._part, None
        assert part is not None
        part.close()
        while not part.join(1.0):
            pass
        if part.failure is not None:
            raise self._refused(part.failure) from part.failure

    def _refused(self, error: OSError) -> SessionError:
        return SessionError(self.folder, f"cannot be written: {words(error)}.", "Make room, or name another place.")
