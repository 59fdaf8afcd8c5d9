"""Intake: where every feed's bytes become records, stamped, in one order of time, and bounded.

The rule of time: a record begins at `max(stamp, end of the record before + 1, last judged now + 1)`, over all feeds. A
record of n bytes owns n + 1 nanoseconds, so no two records share an instant whatever the clock gives. At the rates of
the links read here the times stay within microseconds of the stamps: 64 KiB read at once own 66 µs.
"""

from __future__ import annotations

import asyncio
import json
import select
import threading
from contextlib import suppress
from typing import TYPE_CHECKING

from pullwatch.batch import Kind, Record

if TYPE_CHECKING:
    from collections.abc import Callable

    from pullwatch.clock import SessionClock

CHUNK = 65_536
"""Bytes of the longest DATA record; longer data are split."""
FEED_LIMIT = 4 * 1024 * 1024
"""Bytes a feed may have waiting. A full 1 Mbit/s CAN bus in text gives about 0.2 MB/s: room for 20 s."""


class _Gap:
    """Bytes of one feed thrown away in a row, and the stamp of the first."""

    __slots__ = ("size", "stamp")

    def __init__(self, size: int, stamp: int) -> None:
        self.size = size
        self.stamp = stamp


class Intake:
    """Takes bytes from the feeds, gives records to the path.

    `wake` is called at the first record after a `take`, on the thread of the loop. `limit` bounds the bytes each feed
    may have waiting: of a feed that goes beyond it the newest data are thrown away and counted, and one DROPPED record
    stands where they are missing. The bound is each feed's own, so a flood on one port costs no other port a byte.
    """

    def __init__(self, clock: SessionClock, wake: Callable[[], None], *, limit: int = FEED_LIMIT) -> None:
        self.clock = clock
        self._wake = wake
        self._limit = limit
        self._records: list[Record] = []
        self._free = 0
        """The first instant that nobody owns and that is not judged."""
        self._waiting: dict[int, int] = {}
        self._gaps: dict[int, _Gap] = {}
        self._readers: dict[int, Callable[[], None]] = {}
        self._poller = select.poll() if hasattr(select, "poll") else None
        self.dropped: dict[int, int] = {}
        """Bytes thrown away since the session began, by feed number."""
        self._awake = False
        # What reader threads handed over and the loop has not taken yet, under the lock.
        self._lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._handed: list[tuple[int, Kind, bytes | _Gap, int]] = []
        self._handed_waiting: dict[int, int] = {}
        self._handed_gaps: dict[int, _Gap] = {}
        self._called = False

    def reads(self, fd: int, read: Callable[[], None]) -> None:
        """Say that `read` takes what is there from descriptor `fd`; the loop watches it too."""
        if self._poller is not None:
            self._readers[fd] = read
            self._poller.register(fd, select.POLLIN)

    def reads_no_more(self, fd: int) -> None:
        """Take back `reads`."""
        if self._readers.pop(fd, None) is not None and self._poller is not None:
            self._poller.unregister(fd)

    def read_ready(self, patience_ms: int) -> bool:
        """Read from every port that has something, waiting up to `patience_ms` for the first; say whether one had.

        The same as the loop would do, at less cost: at a full bus the loop's own doings are half of all there is.
        """
        if self._poller is None or not self._readers:
            return False
        ready = self._poller.poll(patience_ms)
        for fd, _ in ready:
            reader = self._readers.get(fd)
            if reader is not None:
                reader()
        return bool(ready)

    def put(self, feed: int, kind: Kind, data: bytes, stamp: int | None = None) -> None:
        """Take one piece of `feed`, on the loop's thread. `stamp` is session ns, the clock's now if not given."""
        if stamp is None:
            stamp = self.clock.now()
        size = len(data)
        if kind is Kind.DATA:
            if size > CHUNK:
                for start in range(0, size, CHUNK):
                    self.put(feed, kind, data[start : start + CHUNK], stamp)
                return
            waiting = self._waiting.get(feed, 0) + size
            if waiting > self._limit:
                self._drop(feed, size, stamp)
                return
            self._waiting[feed] = waiting
        if self._gaps:
            self._tell_gap(feed)
        self._append(feed, kind, data, stamp)

    def take(self) -> tuple[int, list[Record]]:
        """Return now and the records since the last take, in order of time.

        Now is session ns, at least the end of the last record; every later record begins after it.
        """
        self._awake = True  # what is collected here needs no waking: it is being taken
        self._collect()
        for feed in tuple(self._gaps):
            self._tell_gap(feed)
        records, self._records = self._records, []
        self._waiting.clear()
        now = max(self.clock.now(), self._free - 1)
        self._free = now + 1
        self._awake = False
        return now, records

    def open_to_threads(self) -> None:
        """Say that reader threads may hand pieces over from now on. Called on the loop's thread."""
        self._loop = asyncio.get_running_loop()

    def put_from_thread(self, feed: int, kind: Kind, data: bytes, stamp: int) -> None:
        """Take one piece of `feed` from a reader thread, which stamped it.

        The piece keeps its stamp; the rule of time is applied when the loop collects it, in the order handed over.
        """
        with self._lock:
            waiting = self._handed_waiting.get(feed, 0) + len(data)
            if kind is Kind.DATA and waiting > self._limit:
                gap = self._handed_gaps.get(feed)
                if gap is None:
                    gap = self._handed_gaps[feed] = _Gap(0, stamp)
                    self._handed.append((feed, Kind.DROPPED, gap, stamp))
                gap.size += len(data)
            else:
                self._handed_waiting[feed] = waiting
                self._handed_gaps.pop(feed, None)
                self._handed.append((feed, kind, data, stamp))
            call = not self._called
            self._called = True
        if call:
            assert self._loop is not None, "open_to_threads was not called"
            with suppress(RuntimeError):  # the loop is closed: the session is over, nobody takes this any more
                self._loop.call_soon_threadsafe(self._collect)

    def _collect(self) -> None:
        with self._lock:
            self._called = False
            if not self._handed:
                return
            handed, self._handed = self._handed, []
            self._handed_waiting.clear()
            self._handed_gaps.clear()
        for feed, kind, data, stamp in handed:
            if isinstance(data, _Gap):
                self._drop(feed, data.size, data.stamp)
            else:
                self.put(feed, kind, data, stamp)

    def _append(self, feed: int, kind: Kind, data: bytes, stamp: int) -> None:
        t = max(stamp, self._free)
        self._free = t + len(data) + 1
        self._records.append(Record(t, feed, kind, data))
        self._rouse()

    def _rouse(self) -> None:
        if not self._awake:
            self._awake = True
            self._wake()

    def _drop(self, feed: int, size: int, stamp: int) -> None:
        self.dropped[feed] = self.dropped.get(feed, 0) + size
        gap = self._gaps.get(feed)
        if gap is None:
            self._gaps[feed] = _Gap(size, stamp)
        else:
            gap.size += size
        self._rouse()

    def _tell_gap(self, feed: int) -> None:
        """Append the DROPPED record of a gap, where the feed's bytes are missing."""
        gap = self._gaps.pop(feed, None)
        if gap is not None:
            why = f"more than {self._limit} bytes of this feed were waiting to be judged"
            self._append(feed, Kind.DROPPED, json.dumps({"bytes": gap.size, "why": why}).encode(), gap.stamp)
