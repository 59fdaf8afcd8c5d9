"""What a session holds, channel by channel, as rows of a table: some thousand at a time, as every export takes them.

Two shapes. *As sampled*: a row for every instant at which a wanted channel has a sample, and nothing in the cells of
the others. *At one rate*: a row every 1/rate, each cell holding the value in force at that instant by the path's own
rule (the last sample, until it is stale). In both a value that is not known is no number: `v` is NaN there and `code`
says why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_S
from pullwatch.columns import WHY_WORDS, Column, Why, to_columns
from pullwatch.decoders import Decoding
from pullwatch.errors import SessionError, nearest
from pullwatch.replaying import plan_of
from pullwatch.setup import decoders_for, deriving_for
from pullwatch.station import carried_in

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from pullwatch.channels import Channel
    from pullwatch.columns import Columns
    from pullwatch.derived import Deriving
    from pullwatch.recording.reader import Session
    from pullwatch.setup import Plan

AT_ONCE: Final = 10 * NS_PER_S
"""Session ns decoded in one step: memory follows it, and nothing else does."""
ROWS_AT_ONCE: Final = 20_000
NO_SAMPLE: Final = 255
"""`code` of a cell at whose instant the channel has no sample (only as sampled)."""
STALE: Final = 254
"""`code` of a cell whose last sample is too old."""
UNHEARD: Final = 253
"""`code` of a cell before the channel's first sample."""
CODE_WORDS: Final[dict[int, str]] = {
    **{int(why): words for why, words in WHY_WORDS.items()},
    STALE: "nothing came lately",
    UNHEARD: "nothing came yet",
}
"""What a person is told of a cell without a value. A cell at whose instant nothing was measured has no words."""
POSITION: Final = ("latitude", "longitude")


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a table: the channel's name, its unit (empty: a plain number), what a pressure is measured from."""

    name: str
    unit: str
    says: str = ""
    stale_after: int = NS_PER_S

    @property
    def heading(self) -> str:
        """The name with its unit, as it heads a column: `oil_pressure [kPa]`."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Rows:
    """Some rows: `t` (n,) in session ns, `v` and `code` (fields, n); `v` is NaN wherever `code` is not 0."""

    t: NDArray[np.int64]
    v: NDArray[np.float64]
    code: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.t)


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: rows (or frames), columns (0 for frames), and what the owner should know, in sentences."""

    path: Path
    rows: int
    columns: int
    notes: tuple[str, ...]


def field_of(channel: Channel, prefix: str = "") -> Field:
    """Return the column of a channel."""
    return Field(prefix + channel.name, channel.unit, channel.says, channel.stale_after)


def wanted_channels(plan: Plan, names: Sequence[str]) -> tuple[Channel, ...]:
    """Return the channels of these names, in that order; all of them if none is named. Raises SessionError."""
    known = {channel.name: channel for channel in plan.channels}
    for name in names:
        if name not in known:
            what = f'has no channel "{name}"{nearest(name, known)}.'
            raise SessionError("the session", what, f"It has {', '.join(sorted(known))}.")
    return tuple(known[name] for name in dict.fromkeys(names)) if names else plan.channels


def decoded(
    session: Session, plan: Plan | None = None, since: int | None = None, until: int | None = None
) -> Iterator[tuple[int, Columns]]:
    """Yield (now, columns) of a session step by step, derived channels included; nothing is judged.

    Everything up to `now` is then told. Samples lie in `since`..`until` (session ns). Begins at the last checkpoint
    before `since`, so that what decoders and operators carry is there. Raises SessionError.
    """
    plan = plan or plan_of(session)
    first = session.checkpoint_before(since) if since is not None else None
    path = _Decoded(plan)
    if first is not None:
        path.restore(first.state)
    # The first block may begin with that very checkpoint; what stands before it was decoded by then.
    for block in session.blocks(after=-1 if first is None else first.seq, until=until, join_ns=AT_ONCE):
        if block.gap_before and block.checkpoint is not None:
            path = _Decoded(plan)
            path.restore(block.checkpoint.state)
        now, columns = path.take(block.now, block.records)
        yield (now if until is None else min(now, until)), between(columns, since, until)


class _Decoded:
    """Decoders and operators of a plan, without the judging."""

    def __init__(self, plan: Plan) -> None:
        self._decoders = decoders_for(plan)
        self._decoding = Decoding(self._decoders)
        self._deriving: Deriving | None = deriving_for(plan) if plan.derived else None

    def restore(self, state: dict[str, object]) -> None:
        decoders = state["decoders"]
        assert isinstance(decoders, dict)
        for feed, text in decoders.items():
            self._decoders[int(feed)].carry(text)
        if self._deriving is not None:
            self._deriving.carry(state["derived"])

    def take(self, now: int, records: Sequence[object]) -> tuple[int, Columns]:
        batch = self._decoding.batch(now, records)  # type: ignore[arg-type] # records, as blocks give them
        if self._deriving is not None:
            for record in batch.records:
                if record.kind is Kind.CARRIED:
                    self._deriving.keep(carried_in(record).get("kept"))
            self._deriving.extend(batch)
        return now, batch.columns if batch.columns is not None else to_columns(batch.samples or [])


def between(columns: Columns, since: int | None, until: int | None) -> Columns:
    """Return the samples whose t lies in `since`..`until`."""
    if since is None and until is None:
        return columns
    found: Columns = {}
    for number, column in columns.items():
        begin = 0 if since is None else int(np.searchsorted(column.t, since, "left"))
        end = len(column) if until is None else int(np.searchsorted(column.t, until, "right"))
        if begin < end:
            found[number] = Column(column.t[begin:end], column.v[begin:end], column.why[begin:end])
    return found


class Source:
    """One recording as columns of a table: `channels` of it, named with `prefix`, from steps of (now, columns)."""

    def __init__(self, channels: Sequence[Channel], pieces: Iterator[tuple[int, Columns]], *, prefix: str = "") -> None:
        self.fields = tuple(field_of(channel, prefix) for channel in channels)
        self._place = {channel.number: place for place, channel in enumerate(channels)}
        self._pieces = pieces
        self._ahead: list[tuple[int, Columns]] = []
        self._over = False

    def placed(self) -> Iterator[tuple[int, Columns]]:
        """Yield (now, columns by place in `fields`)."""
        for now, columns in self._pieces:
            yield now, {self._place[n]: column for n, column in columns.items() if n in self._place}

    def up_to(self, now: int) -> Columns:
        """Return what came up to `now` since the last call, by place in `fields`: for what stands beside another."""
        while not self._over and (not self._ahead or self._ahead[-1][0] < now):
            piece = next(self.placed(), None)
            if piece is None:
                self._over = True
            else:
                self._ahead.append(piece)
        gathered: dict[int, list[Column]] = {}
        kept: list[tuple[int, Columns]] = []
        for end, columns in self._ahead:
            if end > now:
                kept.append((end, between(columns, now + 1, None)))
            for place, column in between(columns, None, now).items():
                gathered.setdefault(place, []).append(column)
        self._ahead = kept
        return {place: _one(columns) for place, columns in gathered.items()}


def side_by_side(main: Source, others: Sequence[Source]) -> Iterator[tuple[int, Columns]]:
    """Yield (now, columns by place in the table) of a recording, with what others hold of the same time beside it."""
    for now, columns in main.placed():
        base = len(main.fields)
        for other in others:
            columns.update({base + at: column for at, column in other.up_to(now).items()})
            base += len(other.fields)
        yield now, columns


def _one(columns: Sequence[Column]) -> Column:
    if len(columns) == 1:
        return columns[0]
    return Column(
        np.concatenate([c.t for c in columns]),
        np.concatenate([c.v for c in columns]),
        np.concatenate([c.why for c in columns]),
    )


def steps(
    main: Iterator[tuple[int, Columns]], main_source: Source, others: Sequence[Source]
) -> Iterator[tuple[int, Columns]]:
    """Yield (now, columns by place in the table) of a recording, with what others hold of the same time beside it."""
    for now, columns in main:
        place = main_source._place  # noqa: SLF001 - of this module
        found = {place[n]: column for n, column in columns.items() if n in place}
        base = len(main_source.fields)
        for other in others:
            found.update({base + at: column for at, column in other.up_to(now).items()})
            base += len(other.fields)
        yield now, found


def as_sampled(pieces: Iterator[tuple[int, Columns]], fields: int) -> Iterator[Rows]:
    """Yield a row for every instant at which one of the `fields` columns has a sample."""
    for _, columns in pieces:
        if not columns:
            continue
        t = np.unique(np.concatenate([column.t for column in columns.values()]))
        for begin in range(0, len(t), ROWS_AT_ONCE):
            some = t[begin : begin + ROWS_AT_ONCE]
            v = np.full((fields, len(some)), np.nan)
            code = np.full((fields, len(some)), NO_SAMPLE, dtype=np.uint8)
            for place, column in between(columns, int(some[0]), int(some[-1])).items():
                at = np.searchsorted(some, column.t)
                code[place, at] = column.why
                v[place, at] = np.where(column.why == Why.GOOD, column.v, np.nan)
            yield Rows(some, v, code)


def at_one_rate(
    pieces: Iterator[tuple[int, Columns]], fields: Sequence[Field], rate: float, since: int | None = None
) -> Iterator[Rows]:
    """Yield a row at every k / `rate` (Hz) of session time from `since` on (rounded to ns), values as in force then."""
    last = [Column(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.uint8)) for _ in fields]
    k = 0 if since is None else int(np.ceil(since * rate / NS_PER_S))
    while since is not None and _instant(k, rate) < since:  # the division above is rounded
        k += 1
    for now, columns in pieces:
        end = k + max(0, int((now - _instant(k, rate)) * rate / NS_PER_S) + 2)
        t = np.array([at for at in (_instant(j, rate) for j in range(k, end)) if at <= now], dtype=np.int64)
        k += len(t)
        known = [
            _one((last[place], columns[place])) if place in columns else last[place] for place in range(len(fields))
        ]
        for begin in range(0, len(t), ROWS_AT_ONCE):
            some = t[begin : begin + ROWS_AT_ONCE]
            v = np.full((len(fields), len(some)), np.nan)
            code = np.full((len(fields), len(some)), UNHEARD, dtype=np.uint8)
            for place, column in enumerate(known):
                if len(column):
                    v[place], code[place] = _in_force(some, column, fields[place].stale_after)
            yield Rows(some, v, code)
        last = [Column(column.t[-1:], column.v[-1:], column.why[-1:]) for column in known]


def _instant(k: int, rate: float) -> int:
    return round(k * NS_PER_S / rate)


def _in_force(t: NDArray[np.int64], column: Column, stale_after: int) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return (values, codes) of a channel at the instants `t`."""
    at = np.searchsorted(column.t, t, "right") - 1
    here = np.maximum(at, 0)
    code = np.where(t - column.t[here] < stale_after, column.why[here], STALE)
    code = np.where(at < 0, UNHEARD, code).astype(np.uint8)
    return np.where(code == 0, column.v[here], np.nan), code


def limited(rows: Iterator[Rows], since: int | None, until: int | None) -> Iterator[Rows]:
    """Yield what of the rows lies in `since`..`until`."""
    for some in rows:
        begin = 0 if since is None else int(np.searchsorted(some.t, since, "left"))
        end = len(some) if until is None else int(np.searchsorted(some.t, until, "right"))
        if begin < end:
            yield replace(some, t=some.t[begin:end], v=some.v[:, begin:end], code=some.code[:, begin:end])
