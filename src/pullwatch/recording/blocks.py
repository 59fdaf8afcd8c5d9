"""Blocks: what a reader of a session gets, one judged step after the other, and how a session ended."""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from pullwatch.errors import SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Bulk, RecordedChange, Stream
from pullwatch.recording.session import Standing
from pullwatch.watchdog.alarms import State

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pullwatch.batch import Record

EndStatus: TypeAlias = Literal["stopped", "being recorded", "cut", "damaged"]

_FEW: Final = 8
"""Fewer frames of a feed than this are unpacked one by one: numpy has its price per call."""

_by_time = attrgetter("t")


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What judging remembered once everything up to `now` (session ns) was judged.

    `alarms` are those not normal, `raised` counts those raised so far, `state` is the watchdog's.
    """

    seq: int
    now: int
    alarms: tuple[Standing, ...]
    raised: int
    state: dict[str, Any]


class Block:
    """Everything between two commits: records in order of time, changes, judged up to `now`; `seq` is the commit's.

    `checkpoint` is what judging remembered before the first record, if it was written there. `gap_before`: something is
    missing between the block before and the end of this one, so judging cannot go on from the block before.

    Records are unpacked when they are first asked for, one by one with `records` or as columns with `bulk`.
    """

    __slots__ = ("_raw", "_records", "changes", "checkpoint", "events", "gap_before", "now", "seq")

    def __init__(
        self,
        now: int,
        records: list[Record] | None,
        changes: list[RecordedChange],
        seq: int,
        gap_before: bool = False,
        checkpoint: Checkpoint | None = None,
        events: list[dict[str, Any]] | None = None,
        raw: dict[int, list[bytes]] | None = None,
    ) -> None:
        self.now = now
        self.changes = changes
        self.seq = seq
        self.gap_before = gap_before
        self.checkpoint = checkpoint
        self.events = events if events is not None else []
        self._records = records
        self._raw = raw if raw is not None else {}

    def __repr__(self) -> str:
        return f"Block(now={self.now}, records={len(self.records)}, changes={self.changes}, seq={self.seq})"

    @property
    def records(self) -> list[Record]:
        """The records, in order of time. Raises SessionError for what this version cannot read."""
        if self._records is None:
            records: list[Record] = []
            try:
                for feed, payloads in self._raw.items():
                    if len(payloads) < _FEW:
                        for payload in payloads:
                            records += layout.decode_records(feed, payload)
                    else:
                        records += layout.decode_bulk(feed, payloads).records()
            except ValueError as error:
                raise unknown(self.seq, error) from error
            if len(self._raw) > 1:
                records.sort(key=_by_time)
            self._records = records
        return self._records

    def bulk(self) -> dict[int, Bulk]:
        """Return the records as columns, by feed. Raises SessionError for what this version cannot read."""
        try:
            return {feed: layout.decode_bulk(feed, payloads) for feed, payloads in self._raw.items()}
        except ValueError as error:
            raise unknown(self.seq, error) from error

    def join(self, later: Block) -> None:
        """Take in the block that follows."""
        if self._records is not None or later._records is not None:
            self._records = self.records + later.records
        for feed, payloads in later._raw.items():
            self._raw.setdefault(feed, []).extend(payloads)
        self.changes += later.changes
        self.events += later.events
        self.now, self.seq = later.now, later.seq

    @property
    def lost(self) -> bool:
        """Whether the recorder says that it lost something here."""
        return bool(self.events) and any(event.get("event") == "lost" for event in self.events)


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames `first` to `last` (their seq) are nowhere whole; the one before them ends at `offset` of `file`."""

    first: int
    last: int
    file: str
    offset: int

    def __str__(self) -> str:
        count = self.last - self.first + 1
        frames = "1 frame is" if count == 1 else f"{count} frames are"
        return f"{self.file}, byte {self.offset}: {frames} damaged or missing (number {self.first})"


@dataclass(frozen=True, slots=True)
class Ending:
    """How a session ended: judged up to `at_ns` (session ns), seq of its last commit or stop (-1: none), `reason`."""

    status: EndStatus
    at_ns: int
    seq: int
    reason: str
    stop: dict[str, Any] | None = None


def checkpoint(seq: int, now: int, payload: bytes) -> Checkpoint:
    """Decode a checkpoint."""
    said = layout.decode_json(payload)
    alarms = tuple(
        Standing(rule, State(stands["state"]), int(stands["since"])) for rule, stands in said["alarms"].items()
    )
    return Checkpoint(seq, now, alarms, int(said["raised"]), said["state"])


Piece: TypeAlias = tuple[int, int, int, bytes]
"""(channel, seq, now, payload) of a frame"""


def unknown(seq: int, error: Exception) -> SessionError:
    """Say that a frame is whole but means nothing to this version."""
    return SessionError(f"frame {seq}", f"cannot be understood: {error}.", "A newer version may have made it.")


def assemble(now: int, seq: int, pieces: Iterable[Piece]) -> Block:
    """Make a block of its frames, the commit left out. Raises SessionError for what this version cannot read."""
    raw: dict[int, list[bytes]] = {}
    block = Block(now, None, [], seq, raw=raw)
    try:
        for channel, piece_seq, piece_now, payload in pieces:
            if channel >= Stream.FEED_0:
                feed = channel - Stream.FEED_0
                if feed in raw:
                    raw[feed].append(payload)
                else:
                    raw[feed] = [payload]
            elif channel == Stream.CHANGE:
                block.changes.append(layout.decode_change(payload))
            elif channel == Stream.CHECKPOINT:
                block.checkpoint = checkpoint(piece_seq, piece_now, payload)
            elif channel == Stream.EVENT:
                block.events.append(layout.decode_json(payload))
    except (ValueError, KeyError) as error:
        raise unknown(seq, error) from error
    return block
