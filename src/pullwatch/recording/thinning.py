"""Thinning: what is left out of a recording that only memory takes, while memory fills up.

Readings go first, and by whole stretches. A stretch reaches from one checkpoint to the next, about a second: what is
kept of it begins with everything judging remembered, so it can be judged again, which single samples here and there
could not. Stretches near an alarm or an act go last. What is never left out: changes of alarms, acts, lost and found
ports, events, commits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_S
from pullwatch.recording.taken import dropped_record, lost_event

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.watchdog.alarms import Change

ONE_OF: Final = (1, 4, 16, 0)
"""By scarcity: one of so many stretches is kept; 0: none is."""
NONE_KEPT: Final = len(ONE_OF) - 1
STIRRED_FOR: Final = 5 * NS_PER_S
"""So long after a change or an act every stretch is kept, while any are: what a driver did about it is over by then
(common practice, no source)."""
WHY_LEFT_OUT: Final = "memory must do for the disk, and is filling up"
_NEAR: Final = f"and those up to {STIRRED_FOR // NS_PER_S} s after an alarm or an act"
_TAKEN: Final = "of the memory that must do for the disk"
SAYS: Final = (
    "Everything is recorded again.",
    f"Half {_TAKEN} is taken: of four stretches of about a second one is recorded, {_NEAR}.",
    f"Three quarters {_TAKEN} are taken: of sixteen stretches of about a second one is recorded, {_NEAR}.",
    "The memory that must do for the disk is nearly full: readings are not recorded any more, alarms and acts are.",
)


def scarcity(taken: int, limit: int) -> int:
    """Return how scarce room is when `taken` of `limit` bytes are used: 0 (not at all) to NONE_KEPT."""
    return sum(8 * taken >= eighths * limit for eighths in (4, 6, 7))


class Thinning:
    """Decides from checkpoint to checkpoint whether records are left out, and counts those that are."""

    def __init__(self) -> None:
        self.leaving_out = False
        self.left_out = 0
        """Records left out so far."""
        self._stretches = 0
        self._stirred: int | None = None
        self._since = 0
        self._feeds: dict[int, tuple[int, int]] = {}
        self._untold: dict[int, tuple[int, int]] = {}
        """Per feed: bytes left out since its last DROPPED record, and t of the last record left out."""

    def checkpoint(self, scarce: int, now: int) -> bool:
        """Decide about the stretch that begins with a checkpoint at `now` (session ns): whether it is kept."""
        one_of = ONE_OF[scarce]
        stirred = self._stirred is not None and now - self._stirred <= STIRRED_FOR
        keep = one_of == 1 or (one_of > 1 and (stirred or self._stretches % one_of == 0))
        self._stretches = 0 if one_of == 1 else self._stretches + 1
        return keep

    def begin(self, now: int) -> dict[str, Any]:
        """Leave out what comes now; return the event to be recorded before it. Readers see a gap from it on.

        It stands first and not last, because commits go on meanwhile: their silence must not look like a port's.
        """
        self.leaving_out = True
        self._since = now
        return lost_event(now, now, {}, 0, f"Readings are left out from here to the next checkpoint: {WHY_LEFT_OUT}.")

    def end(self, now: int) -> tuple[dict[str, Any], list[Record]]:
        """Leave out no more; return the event that counts what was left out, and a record for each feed's gap."""
        self.leaving_out = False
        count, size = (sum(column) for column in zip(*self._feeds.values(), strict=True)) if self._feeds else (0, 0)
        says = f"{count} records, {size} bytes, were judged but not recorded: {WHY_LEFT_OUT}."
        said = lost_event(self._since, now, self._feeds, 0, says)
        records = [dropped_record(t, feed, left, WHY_LEFT_OUT) for feed, (left, t) in sorted(self._untold.items())]
        self._feeds, self._untold = {}, {}
        return said, records

    def seen(self, records: Sequence[Record], changes: Sequence[Change], now: int) -> bool:
        """Look for a change or an act in a judged step; whether there is one."""
        if changes or any(record.feed == ACTS_FEED for record in records):
            self._stirred = now
            return True
        return False

    def stripped(self, records: Sequence[Record]) -> list[Record]:
        """Return what is kept of records while readings are left out."""
        kept = []
        for record in records:
            if record.feed != ACTS_FEED and record.kind is Kind.DATA:
                self.left_out += 1
                count, size = self._feeds.get(record.feed, (0, 0))
                self._feeds[record.feed] = count + 1, size + len(record.data)
                untold = self._untold.get(record.feed, (0, 0))[0]
                self._untold[record.feed] = untold + len(record.data), record.t
                continue
            if record.feed in self._untold:  # a feed's records stay in order of time
                size, t = self._untold.pop(record.feed)
                kept.append(dropped_record(t, record.feed, size, WHY_LEFT_OUT))
            kept.append(record)
        return kept
