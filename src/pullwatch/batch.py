"""Records and batches: what the path takes in, one step at a time.

A record is the smallest thing that can change a verdict. Live, a feed yields it; in a replay, the recording does; from
there on nothing knows which it was. A batch is what the path took in one step. Its borders mean nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.columns import Columns, Sample

ACTS_FEED = 0
"""Feed number of the acts feed (keys, the local socket, latches carried in). Feeds of the setup file count from 1."""


class Kind(IntEnum):
    """What a record is. Values are written to the session file and never change their meaning."""

    DATA = 0
    """Bytes exactly as the port gave them (for an adapter that gives frames: frames packed by `feeds.can_bus`)."""
    LOST = 1
    """The port is gone. Payload: UTF-8 text, the reason."""
    FOUND = 2
    """The port is open. Payload: UTF-8 text, its name as opened. A decoder starts afresh here."""
    DROPPED = 3
    """We threw bytes away. Payload: JSON `{"bytes": n, "why": text}`."""
    ACT = 4
    """A person did something, or the watcher noticed that it slept. Payload: JSON
    `{"act": "acknowledge"|"reset"|"mark"|"note"|"slept"|…, "rule": name or null, ...}` (see `acts`)."""
    CARRIED = 5
    """Alarms that stood when the last session ended, and what its derived channels kept. Payload: JSON
    `{"alarms": [{"rule": name, "state": n}, ...], "kept": {channel: value, ...}}`."""


class Record(NamedTuple):
    """One raw record. It owns the `len(data) + 1` nanoseconds from `t`: no other record's time falls among them."""

    t: int
    feed: int
    kind: Kind
    data: bytes

    @property
    def end(self) -> int:
        """The last nanosecond this record owns: `t + len(data)`."""
        return self.t + len(self.data)


@dataclass(slots=True)
class Batch:
    """What the path took in one step: the records, the samples decoded from them, and `now`.

    Everything up to and including `now` is judged; every later record has `t > now`. The samples stand either in
    `samples` (few: a flat list in order of time) or in `columns` (many: arrays per channel); the other is None.
    """

    now: int
    records: Sequence[Record] = ()
    samples: list[Sample] | None = field(default_factory=list)
    columns: Columns | None = None
