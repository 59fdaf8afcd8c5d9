"""What waits between the path and the recorder's writer, and what goes before one commit."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from pullwatch.batch import Kind, Record

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pullwatch.watchdog.alarms import Change

WHY_DROPPED: Final = "the recorder could not keep up"


@dataclass(slots=True)
class Taken:
    """One judged step that holds records or changes; `size` is what it counts for while it waits, in bytes."""

    records: Sequence[Record]
    changes: Sequence[Change]
    now: int
    size: int


@dataclass(slots=True)
class Remembered:
    """A checkpoint: what the watchdog remembered once everything up to `now` was judged."""

    state: Mapping[str, Any]
    now: int


@dataclass(slots=True)
class Happened:
    """An event, at session time `t`."""

    event: Mapping[str, Any]
    t: int


@dataclass(slots=True)
class Rules:
    """Other rules are judged by from here on."""

    names: tuple[str, ...]


@dataclass(slots=True)
class Lost:
    """What `take` had to drop in a row: per feed [records, bytes, t of the first]; the changes that went with them."""

    first: int
    last: int
    feeds: dict[int, list[int]] = field(default_factory=dict)
    changes: int = 0


Item: TypeAlias = Taken | Remembered | Happened | Rules | Lost


def lost_event(first: int, last: int, feeds: Mapping[int, tuple[int, int]], changes: int, says: str) -> dict[str, Any]:
    """Return the event that readers take for a gap up to the next checkpoint; `feeds` counts (records, bytes)."""
    counts = {str(feed): {"records": records, "bytes": size} for feed, (records, size) in feeds.items()}
    return {"event": "lost", "from": first, "to": last, "feeds": counts, "changes": changes, "says": says}


def dropped_record(t: int, feed: int, size: int, why: str) -> Record:
    """Return the record that stands where `size` bytes of a feed are missing."""
    return Record(t, feed, Kind.DROPPED, json.dumps({"bytes": size, "why": why}).encode())


@dataclass(slots=True)
class Gathered:
    """What goes before one commit."""

    now: int
    feeds: dict[int, list[Record]] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)
    events: list[tuple[int, Mapping[str, Any]]] = field(default_factory=list)
    extra: bool = False
    """Whether frames that stand before this block wait for its commit."""

    @property
    def holds(self) -> bool:
        """Whether there is anything to commit."""
        return bool(self.feeds or self.changes or self.events or self.extra)

    def add(self, records: Sequence[Record], changes: Sequence[Change], now: int) -> None:
        """Take in a judged step."""
        feeds = self.feeds
        for record in records:
            known = feeds.get(record.feed)
            if known is None:
                feeds[record.feed] = [record]
            else:
                known.append(record)
        self.changes.extend(changes)
        self.now = now

    def lose(self, lost: Lost) -> None:
        """Take in that something was dropped before it came here."""
        feeds = {feed: (records, size) for feed, (records, size, _) in lost.feeds.items()}
        records = sum(count for count, _ in feeds.values())
        says = f"{WHY_DROPPED}: {records} records and {lost.changes} alarm changes were judged but not recorded."
        self.events.append((lost.first, lost_event(lost.first, lost.last, feeds, lost.changes, says)))
        for feed, (_, size, first) in lost.feeds.items():
            self.feeds.setdefault(feed, []).append(dropped_record(first, feed, size, WHY_DROPPED))
