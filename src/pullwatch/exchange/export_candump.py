"""The frames of CAN feeds as candump text: a line a frame, `(seconds.microseconds) interface id#data`.

The form is that of the can-utils' `candump -L`: 3 hex digits are a standard identifier, 8 an extended one; `#R` is a
remote frame with the length asked for behind it; `##` and a digit of flags is CAN FD; bit 29 set is an error frame.
Times are the wall clock's where it is known, else the session's. The text has microseconds: the nanoseconds of a
recording are rounded to them.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_S
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import ERROR, EXTENDED, HIGHEST_EXTENDED, REMOTE, Packed
from pullwatch.decoders.slcan import Slcan
from pullwatch.errors import SessionError, nearest
from pullwatch.exchange.export_rows import AT_ONCE, Exported
from pullwatch.exchange.formats_can import HEAD_SIZE, packed_feeds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pullwatch.batch import Record
    from pullwatch.exchange.exporting import Wanted
    from pullwatch.recording.reader import Session
    from pullwatch.setup import Plan

_FD_MARK: Final = 0xC1
_ERROR_IN_TEXT: Final = 0x2000_0000
"""CAN_ERR_FLAG of linux/can.h, as candump writes it into the identifier."""
_CLASSIC_MOST: Final = 8


def can_feeds(session: Session, plan: Plan) -> dict[int, tuple[str, bool]]:
    """Return the feeds that hold CAN frames by number: (name, whether its bytes are an slcan adapter's text)."""
    found: dict[int, tuple[str, bool]] = {}
    for feed in plan.feeds:
        if feed.options.kind in ("can", "diagnostics"):
            adapter = getattr(feed.options, "adapter", "")
            found[feed.number] = (feed.options.name, feed.options.kind == "can" and adapter == "slcan")
    for number, name in packed_feeds(session).items():
        found.setdefault(number, (name, False))
    return found


class Cutter:
    """Cuts the records of one feed into candump's frames: `id#data`."""

    def __init__(self, *, slcan: bool) -> None:
        self._slcan = slcan
        self._framing = Slcan(fd=True) if slcan else Packed()
        self.ledger = Ledger()

    def frames(self, record: Record) -> Iterator[tuple[int, str]]:
        """Yield (t, text) of the frames that end in this record; t in session ns."""
        if record.kind is not Kind.DATA:
            self._framing.fresh(self.ledger)
            return
        for t, word, data, size in self._framing.few(record.t, record.data, self.ledger):
            at = t - record.t - size + 1
            yield t, text_of(word, data, *self._more(record.data, at, data))

    def _more(self, raw: bytes, at: int, data: bytes) -> tuple[bool, int]:
        """Return (CAN FD, length a remote frame asks for), which the frame's bytes say beside word and data.

        `at` is where the frame begins in `raw`. One that began in the record before (an slcan line cut by a read) is
        told by its length alone.
        """
        long = len(data) > _CLASSIC_MOST
        if at < 0:
            return long, 0
        if not self._slcan:
            return raw[at + HEAD_SIZE - 1] == _FD_MARK, raw[at + HEAD_SIZE - 2]
        kind = raw[at : at + 1]
        digit = raw[at + 4 : at + 5] if kind == b"r" else raw[at + 9 : at + 10]
        return kind in b"dDbB", int(digit, 16) if kind in b"rR" and digit.isalnum() else 0


def text_of(word: int, data: bytes, fd: bool, length: int) -> str:
    """Return a frame as candump writes it: `123#1122`, `18FEF600#`, `123#R4`, `110##000`, `20000080#`."""
    number = word & HIGHEST_EXTENDED
    if word & ERROR:
        number |= _ERROR_IN_TEXT
    name = f"{number:08X}" if word & (EXTENDED | ERROR) else f"{number:03X}"
    if word & REMOTE:
        return f"{name}#R{length or ''}"
    if fd:
        return f"{name}##0{data.hex().upper()}"
    return f"{name}#{data.hex().upper()}"


def interface(name: str) -> str:
    """Return a feed's name as one word, as an interface's must be."""
    return re.sub(r"\W+", "_", name) or "can"


def write_candump(
    session: Session, plan: Plan, path: Path, wanted: Wanted, progress: Callable[[float], None] | None = None
) -> Exported:
    """Write the frames to `path`. Raises SessionError if there is no such feed, OSError if it cannot be written."""
    feeds = can_feeds(session, plan)
    if wanted.feed:
        names = {name: number for number, (name, _) in feeds.items()}
        if wanted.feed not in names:
            what = f'has no CAN feed "{wanted.feed}"{nearest(wanted.feed, names)}.'
            raise SessionError(session.folder, what, f"It has {', '.join(names)}." if names else "")
        feeds = {names[wanted.feed]: feeds[names[wanted.feed]]}
    if not feeds:
        raise SessionError(session.folder, "has no CAN feed, so there are no frames.", "Export its channels as CSV.")
    cutters = {number: Cutter(slcan=slcan) for number, (_, slcan) in feeds.items()}
    words = {number: interface(name) for number, (name, _) in feeds.items()}
    began = session.wall(0)
    zero = began or 0
    count = 0
    end = session.ending.at_ns if wanted.until is None else min(wanted.until, session.ending.at_ns)
    with path.open("w", encoding="ascii", errors="replace", newline="\n") as file:
        for block in session.blocks(since=wanted.since, until=wanted.until, join_ns=AT_ONCE, everything=True):
            lines: list[str] = []
            for record in block.records:
                cutter = cutters.get(record.feed)
                if cutter is None:
                    continue
                for t, text in cutter.frames(record):
                    if (wanted.since is None or t >= wanted.since) and (wanted.until is None or t <= wanted.until):
                        us = (zero + t + 500) // 1000
                        lines.append(f"({us // 1_000_000}.{us % 1_000_000:06d}) {words[record.feed]} {text}\n")
            file.writelines(lines)
            count += len(lines)
            if progress is not None:
                progress(min(1.0, max(0.0, block.now / max(1, end))))
    bad = sum(cutter.ledger.bad_messages for cutter in cutters.values())
    notes = []
    if began is None:
        notes.append("The wall clock at its begin is not known: the times are the session's, from 0 on.")
    if bad:
        notes.append(f"{bad} pieces of the raw data are no whole frames and are left out.")
    notes.append(f"Times are rounded to the microsecond, which is what the text holds (1 s is {NS_PER_S:,} ns here).")
    return Exported(path, count, 0, tuple(notes))
