"""From a recording to a table: decoded again by its own plan, step by step, whether it is over or still growing.

Samples that came in one read are put apart here: at the line's byte rate, back from the moment of the read. It is for
looking at them only; judging takes them at the times they were read, and the alarms of the recording keep theirs.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.channels import Dimension
from pullwatch.clock import NS_PER_S
from pullwatch.columns import Column, join, to_columns
from pullwatch.replaying import plan_of, replayed
from pullwatch.review.made import with_made
from pullwatch.review.table import Accuracy, CarFacts, Happened, Mark, Series, Span, Table
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.review import ReviewSection
from pullwatch.setup.plan import limit_names
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from pullwatch.batch import Record
    from pullwatch.columns import Columns
    from pullwatch.recording.reader import Session
    from pullwatch.replaying import Replayed
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change

AT_ONCE: Final = 60 * NS_PER_S
BITS_PER_BYTE: Final = 10
"""A serial byte with its start and stop bit."""
USUAL_LAMBDA: Final = Accuracy(0.015, 0.0, "usual of a wideband sensor, common practice, no source")
SERIAL: Final = frozenset({"serial-line", "serial-packet", "nmea"})
"""Kinds of feeds whose bytes come down a serial line one after the other."""
CEILING: Final = " at ceiling"
"""How the rules end that pullwatch adds for sensors with a full scale."""
_WORDS: Final = {Kind.LOST: "lost", Kind.FOUND: "found", Kind.DROPPED: "dropped"}


class Retiming:
    """Puts the samples of one read apart: a line's byte `n` from the end of a read came `n` bytes' time before it."""

    def __init__(self, plan: Plan) -> None:
        self._per_byte: dict[int, float] = {}
        self._feed: dict[int, int] = {}
        for feed in plan.feeds:
            baud = getattr(feed.options, "baud", None)
            if baud and feed.options.kind in SERIAL:  # an adapter's bytes are not the bus's
                self._per_byte[feed.number] = BITS_PER_BYTE * NS_PER_S / baud
        for channel in plan.channels:
            feed_number = plan.feed_of(channel.name).number
            if feed_number in self._per_byte:
                self._feed[channel.number] = feed_number
        self._last: dict[int, int] = {}

    def apply(self, columns: Columns, records: Sequence[Record]) -> Columns:
        """Return the columns of one step with the samples of these feeds put apart; times stay strictly increasing."""
        reads = {
            feed: np.array(
                [(one.t, len(one.data)) for one in records if one.feed == feed and one.kind is Kind.DATA], np.int64
            ).reshape(-1, 2)
            for feed in self._per_byte
        }
        out = dict(columns)
        for channel, feed in self._feed.items():
            column = columns.get(channel)
            if column is None or not len(column):
                continue
            if len(reads[feed]):
                begins, lengths = reads[feed].T
                place = np.maximum(np.searchsorted(begins, column.t, side="right") - 1, 0)
                left = lengths[place] - 1 - (column.t - begins[place])
                early = np.maximum(left, 0) * self._per_byte[feed]
                t = column.t - early.astype(np.int64)
            else:
                t = column.t.copy()
            steps = np.arange(len(t))
            floor = self._last.get(channel, -(1 << 62)) + 1
            t = np.maximum(np.maximum.accumulate(t - steps), floor) + steps
            self._last[channel] = int(t[-1])
            out[channel] = Column(t, column.v, column.why)
        return out


class Gathering:
    """Gathers steps of a replay into a table. `keep` ns are kept of the past; None: all."""

    def __init__(self, plan: Plan, session: str, wall: int | None, keep: int | None = None) -> None:
        self.plan = plan
        self.session = session
        self.wall = wall
        self.now = -1
        self._keep = keep
        self._retiming = Retiming(plan)
        self._parts: list[tuple[int, Columns]] = []
        self._changes: list[Change] = []
        self._marks: list[Mark] = []
        self._events: list[Happened] = []
        self._gaps: list[Span] = []
        self._notes: list[str] = []
        self._reloads = 0
        self._begin = 0
        self._feeds = {feed.number: feed.options.name for feed in plan.feeds}

    def take(self, step: Replayed) -> Mapping[str, Column]:
        """Take one step; return what is new in it by channel name."""
        block, batch = step.block, step.batch
        if block.gap_before:
            resumed = block.checkpoint.now if block.checkpoint is not None else block.now
            self._gaps.append(Span(max(self.now, 0), resumed))
        if step.path.reloads != self._reloads:
            self._reloads = step.path.reloads
            self._notes.append("the rules were changed while it was recorded; margins are to the last ones")
        self.plan = step.path.plan
        columns = batch.columns if batch.columns is not None else to_columns(batch.samples or [])
        columns = self._retiming.apply(columns, block.records)
        self._parts.append((block.now, columns))
        self._changes += [recorded.change for recorded in block.changes]
        self._happened(block.records)
        self.now = block.now
        if self._keep is not None:
            self._forget(self.now - self._keep)
        names = self.plan.channels
        return {names[number].name: column for number, column in columns.items() if len(column)}

    def _happened(self, records: Iterable[Record]) -> None:
        for record in records:
            if record.kind in _WORDS:
                feed = self._feeds.get(record.feed, str(record.feed))
                text = record.data.decode("utf-8", "replace")
                self._events.append(Happened(record.t, feed, _WORDS[record.kind], text))
            elif record.feed == ACTS_FEED and record.kind is Kind.ACT and b'"mark"' in record.data:
                try:
                    said = json.loads(record.data)
                except ValueError:
                    continue  # a damaged act marks nothing; the recording's own check tells of the damage
                if said.get("act") == "mark":
                    self._marks.append(Mark(record.t, str(said.get("text", "")), str(said.get("who", ""))))

    def _forget(self, before: int) -> None:
        """Let go of steps that end before; what stands longer (ports that are away) is told from its own events."""
        drop = 0
        while drop < len(self._parts) and self._parts[drop][0] < before:
            drop += 1
        if drop:
            self._begin = self._parts[drop - 1][0] + 1
            del self._parts[:drop]
            self._changes = [change for change in self._changes if change.t >= before]
            self._gaps = [gap for gap in self._gaps if gap.end >= before]

    def table(self, *, live: bool = False, notes: Iterable[str] = ()) -> Table:
        """Return what was gathered, up to the last step."""
        plan = self.plan
        columns = join(part for _, part in self._parts)
        none = Column(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))
        curves, _ = limit_names(plan.limits, {channel.name: channel for channel in plan.channels})
        car = plan.car
        said = of(plan.equipment, "review", ReviewSection) or ReviewSection()
        facts = CarFacts(
            car.name, car.fuel, car.air_fuel_scale, car.cylinders, car.displacement_cc, car.mass_kg,
            said.bore_mm, said.intake_valve_mm,
        )  # fmt: skip
        made = Table(
            series={one.name: Series(one, columns.get(one.number, none)) for one in plan.channels},
            begin=self._begin,
            end=max(self.now, 0),
            rules=plan.rules,
            near={fact.name: fact.near for fact in plan.facts if fact.near is not None},
            automatic=frozenset(fact.name for fact in plan.facts if fact.automatic),
            changes=tuple(self._changes),
            marks=tuple(self._marks),
            events=tuple(self._events),
            car=facts,
            profile=plan.profile,
            limits=curves,
            protection=plan.protection,
            ceilings=ceilings(plan),
            accuracy=accuracies(plan, said),
            rollout=(said.rollout_m[0], said.rollout_m[1]),
            axes=(tuple(said.speed_axis), tuple(said.pressure_axis)),
            gaps=tuple(self._gaps),
            notes=(*dict.fromkeys(self._notes), *notes),
            session=self.session,
            wall=self.wall,
            live=live,
        )
        return with_made(made)


def ceilings(plan: Plan) -> dict[str, float]:
    """Return from which reading on a sensor only says "at least this", by channel, as the rules that say so have it."""
    out: dict[str, float] = {}
    for fact, rule in zip(plan.facts, plan.rules.rules, strict=True):
        trip = rule.trip
        if fact.automatic and fact.name.endswith(CEILING) and isinstance(trip, Comparison) and trip.upward:
            out[plan.channels[trip.left].name] = sum(term.factor for term in trip.right)
    return out


def accuracies(plan: Plan, said: ReviewSection) -> dict[str, Accuracy]:
    """Return what is known of the sensors' accuracy: what [review] of the setup states, else the usual for lambda."""
    channels = {channel.name: channel for channel in plan.channels}
    usual = {
        name: USUAL_LAMBDA
        for name, channel in channels.items()
        if channel.dimension is Dimension.LAMBDA and not name.endswith("_target")
    }
    return usual | said.accuracies(channels)


def gather(session: Session, read: Callable[[int], None] | None = None) -> Table:
    """Return a recorded session as a table, up to its last commit. Raises SessionError.

    `read` is told up to which session ns it was read.
    """
    plan = plan_of(session)
    gathering = Gathering(plan, session.folder.name, session.wall(0))
    for step in replayed(plan, session.blocks(join_ns=AT_ONCE)):
        gathering.take(step)
        if read is not None:
            read(gathering.now)
    return gathering.table(live=session.ending.status == "being recorded", notes=session.notes)
