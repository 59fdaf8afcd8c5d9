"""Random rule sets, traces and ways of cutting them into batches, made so that alarms happen.

Everything is made by one builder out of whole numbers drawn between bounds. Hypothesis draws them in the usual run (and
shrinks what fails); a seeded generator draws them in the long run, where drawing must cost little.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, TypeVar

from hypothesis import strategies as st

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.channels import NO_DELAY, Channel, Delay, Dimension
from pullwatch.columns import Sample, Why
from pullwatch.watchdog.alarms import Priority, State
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Lost, Not, Surely, Term
from pullwatch.watchdog.limits import Curve
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Sequence

    from pullwatch.watchdog.conditions import Condition, Leaf, Sum

T = TypeVar("T")


class Pick(Protocol):
    """Where random whole numbers come from."""

    def whole(self, low: int, high: int) -> int:
        """Return a whole number between two bounds, both possible."""


@dataclass(slots=True)
class Seeded:
    """Numbers from a seeded generator."""

    source: random.Random

    def whole(self, low: int, high: int) -> int:
        """Return a whole number between two bounds, both possible."""
        return low + int(self.source.random() * (high - low + 1))


@dataclass(slots=True)
class Drawn:
    """Numbers from hypothesis."""

    draw: Callable[[st.SearchStrategy[int]], int]

    def whole(self, low: int, high: int) -> int:
        """Return a whole number between two bounds, both possible."""
        return self.draw(st.integers(low, high))


@dataclass(frozen=True, slots=True)
class Step:
    """How one batch is put to the watchdog: which records, when it is judged, in which form, which way, how begun."""

    records: tuple[Record, ...]
    now: int
    as_columns: bool = False
    way: str = "auto"
    fresh: bool = False
    """Judged by a new watchdog that was given the checkpoint of the one before."""


@dataclass(frozen=True, slots=True)
class Example:
    """A rule set, what came, and how it was cut into batches."""

    rules: RuleSet
    samples: tuple[Sample, ...]
    records: tuple[Record, ...]
    end: int
    steps: tuple[Step, ...]


NUMBERS = (0.8, 0.9, 1.0, 1.1, 1.2)
"""Values and limits come from the same few numbers, so that they meet often (and differ by more than float noise)."""
OPS = (">", ">=", "<", "<=")
ALL_OPS = (*OPS, "==", "!=")
SHORT = (0, 1, 2, 5, 10, 20)
HIDING = ("unshelve", "out-of-service", "in-service")
SPEEDS = (4e9, 6e9, 1.2e10, 3e10, 1e12)
"""Engine speeds (rpm) of no engine: one cycle then lasts a few ns, and a trace of 200 ns holds many."""


def chance(pick: Pick, percent: int) -> bool:
    """Return yes in so many of a hundred cases; shrinks towards no."""
    return pick.whole(0, 99) >= 100 - percent


def one_of(pick: Pick, choices: Sequence[T]) -> T:
    """Return one of the choices; shrinks towards the first."""
    return choices[pick.whole(0, len(choices) - 1)]


@dataclass(slots=True)
class Builder:
    """Makes one example."""

    pick: Pick
    channels: list[Channel] = field(default_factory=list)
    curves: dict[str, Curve] = field(default_factory=dict)
    blinds: dict[int, Condition] = field(default_factory=dict)
    rules: list[Rule] = field(default_factory=list)
    engine_speed: int | None = None
    hid: tuple[str, str] | None = None
    """What would show again what was hidden last."""
    gaps: set[int] = field(default_factory=set)
    """Spans after which something falls due: traces aim samples at exactly these."""

    def build(self) -> Example:
        """Return an example."""
        self.make_channels()
        self.make_curves()
        self.make_blinds()
        for number in range(self.pick.whole(1, 4)):
            self.rules.append(self.make_rule(number))
        rules = RuleSet(tuple(self.channels), tuple(self.rules), self.curves, self.blinds, self.engine_speed)
        samples, records = self.make_trace()
        last = records[-1].end if records else 0
        end = last + one_of(self.pick, (0, 15, 60, 120))
        return Example(rules, tuple(samples), tuple(records), end, self.make_steps(records, end))

    # Rule sets

    def make_channels(self) -> None:
        """Make two to five channels; the last may be the engine speed that delays follow."""
        pick = self.pick
        count = pick.whole(2, 5)
        if chance(pick, 35):
            self.engine_speed = count - 1
        for number in range(count):
            stale_after = one_of(pick, (25, 40, 80, 12, 5, 200))
            delay = self.make_delay() if chance(pick, 45) else NO_DELAY
            self.gaps |= {stale_after, delay.least, delay.most, delay.most + 3 * delay.time_constant}
            self.channels.append(
                Channel(number, f"c{number}", "", Dimension.NUMBER, stale_after=stale_after, delay=delay)
            )

    def make_delay(self) -> Delay:
        """Return a delay window, at times following engine speed, at times only a time constant."""
        pick = self.pick
        least = one_of(pick, SHORT)
        most = least + one_of(pick, (0, 1, 4, 10, 20))
        per_cycle = chance(pick, 40)
        way = one_of(pick, (0, 0, 0, 0, 0, 3)) * 10**10
        constant = one_of(pick, (0, 0, 1, 3, 6))
        return Delay(least, most, per_cycle, constant, transport_least=way, transport_most=2 * way)

    def make_curves(self) -> None:
        """Make up to two limits that move along a channel."""
        pick = self.pick
        for name in ("p", "q")[: pick.whole(0, 2)]:
            points = sorted({one_of(pick, NUMBERS) for _ in range(pick.whole(1, 3))})
            along = pick.whole(0, len(self.channels) - 1)
            at = tuple(point * 1e10 if along == self.engine_speed else point for point in points)
            value = tuple(one_of(pick, NUMBERS) for _ in points)
            self.curves[name] = Curve(name, along, at, value, hold=not chance(pick, 25))

    def make_blinds(self) -> None:
        """Let a cut blind a channel, in half of the sets."""
        pick = self.pick
        if not chance(pick, 50):
            return
        blinded = {pick.whole(0, len(self.channels) - 1) for _ in range(pick.whole(1, 2))}
        sighted = [channel.number for channel in self.channels if channel.number not in blinded]
        if not sighted:
            return
        for number in blinded:
            self.blinds[number] = self.make_condition(1, sighted)

    def make_rule(self, number: int) -> Rule:
        """Return a rule; trips look at few channels, so that several rules look at one."""
        pick = self.pick
        everything = [channel.number for channel in self.channels if channel.number != self.engine_speed]
        everything += [number for number in self.blinds if number in everything] * 2
        trip: Leaf = (
            Lost(one_of(pick, everything))
            if chance(pick, 10)
            else self.make_comparison(one_of(pick, everything), OPS, deadband_percent=40)
        )
        gate = self.make_condition(2, [channel.number for channel in self.channels]) if chance(pick, 60) else None
        dose = on_delay = 0
        how = pick.whole(0, 9)
        if isinstance(trip, Lost):
            on_delay = one_of(pick, (0, 0, 3, 12))
        elif how >= 6:
            dose = 100_000 * one_of(pick, (1, 4, 10, 25)) + one_of(pick, (0, 0, 1, -7))
        elif how >= 3:
            on_delay = one_of(pick, (1, 3, 8, 15, 30))
        at_least = 1 if isinstance(trip, Lost) else one_of(pick, (1, 1, 1, 2, 3))
        off_delay = one_of(pick, SHORT)
        self.gaps |= {on_delay, off_delay, dose // 100_000, dose // 200_000}
        return Rule(
            number,
            f"r{number}",
            trip,
            gate,
            on_delay=on_delay,
            dose=dose,
            at_least_samples=at_least,
            off_delay=off_delay,
            latch=chance(pick, 40),
            priority=one_of(pick, tuple(Priority)),
            group=one_of(pick, ("engine", "engine", "other")),
        )

    def make_condition(self, depth: int, lefts: list[int]) -> Condition:
        """Return a condition about the given left channels."""
        pick = self.pick
        shape = pick.whole(0, 9) if depth else 0
        if shape >= 8:
            inner = self.make_condition(depth - 1, lefts)
            return Not(inner) if shape == 8 else Not(Surely(inner)) if chance(pick, 50) else Surely(inner)
        if shape >= 4:
            parts = tuple(self.make_condition(depth - 1, lefts) for _ in range(pick.whole(2, 3)))
            return AllOf(parts) if shape >= 6 else AnyOf(parts)
        left = one_of(pick, lefts)
        if chance(pick, 12):
            return Lost(left)
        return self.make_comparison(left, ALL_OPS, deadband_percent=40)

    def make_comparison(self, left: int, ops: Sequence[str], deadband_percent: int) -> Comparison:
        """Return a comparison of a channel with a sum, near enough to the channel's values to be met and left."""
        pick = self.pick
        op = one_of(pick, ops)
        if left == self.engine_speed:
            return Comparison(left, op, (Term(one_of(pick, SPEEDS)),), 0.0)
        deadband = one_of(pick, (0.05, 0.1, 0.2)) if op in OPS and chance(pick, deadband_percent) else 0.0
        return Comparison(left, op, self.make_sum(left), deadband)

    def make_sum(self, left: int) -> Sum:
        """Return a number, a channel, a curve, or several of them."""
        pick = self.pick
        others = [channel.number for channel in self.channels if channel.number not in (left, self.engine_speed)]
        terms: list[Term] = []
        kind = pick.whole(0, 9)
        if kind >= 8 and self.curves:
            terms.append(Term(1.0, curve=one_of(pick, sorted(self.curves))))
        elif kind >= 6 and others:
            terms.append(Term(1.0, channel=one_of(pick, others)))
        elif kind >= 4 and others:
            terms.append(Term(0.5, channel=one_of(pick, others)))
            terms.append(Term(0.5, channel=one_of(pick, others)))
        else:
            return (Term(one_of(pick, NUMBERS)),)
        if chance(pick, 40):
            terms.append(Term(one_of(pick, (0.1, -0.1, 0.05))))
        return tuple(terms)

    # Traces

    def make_trace(self) -> tuple[list[Sample], list[Record]]:
        """Return records one after another, each owning its nanoseconds, with the samples that stand in them."""
        pick = self.pick
        samples: list[Sample] = []
        records: list[Record] = []
        moods: dict[int, float] = {}
        marks: list[int] = [0]  # instants from which something may fall due
        t = -1
        for _ in range(pick.whole(4, 30)):
            t = self.next_time(t + 1, marks)
            if chance(pick, 20):
                records.append(self.make_carried(t) if chance(pick, 60 if not records else 5) else self.make_act(t))
                marks.append(t)
                t = records[-1].end
                continue
            length, came = self.make_data(t, moods)
            samples += came
            marks += sorted({sample[0] for sample in came})
            records.append(Record(t, 1 + pick.whole(0, 1), Kind.DATA, bytes(length)))
            t = records[-1].end
            if t > 300:
                break
        samples.sort(key=lambda sample: (sample[0], sample[1]))
        return samples, records

    def next_time(self, free: int, marks: list[int]) -> int:
        """Return when the next record comes: soon, after a gap, or when something falls due (or the ns beside it)."""
        pick = self.pick
        kind = pick.whole(0, 9)
        if kind < 6:
            return free + pick.whole(0, 9)
        if kind < 7:
            return free + one_of(pick, (20, 45, 90))
        beside = one_of(pick, (0, 0, 0, -1, 1))
        due = sorted({mark + gap + beside for mark in marks[-4:] for gap in self.gaps if mark + gap + beside >= free})
        return one_of(pick, due[:12]) if due else free

    def make_data(self, t: int, moods: dict[int, float]) -> tuple[int, list[Sample]]:
        """Return a record of data from `t`: its length, and one or two sets of samples."""
        pick = self.pick
        samples: list[Sample] = []
        offset = 0
        for _ in range(one_of(pick, (1, 1, 2))):
            samples += [self.make_sample(t + offset, c.number, moods) for c in self.channels if chance(pick, 60)]
            offset += pick.whole(1, 4)
        return max(offset, 1), samples

    def make_sample(self, t: int, number: int, moods: dict[int, float]) -> Sample:
        """Return a sample: often what it was before, at times not to be believed."""
        pick = self.pick
        if number not in moods or chance(pick, 45):
            moods[number] = one_of(pick, SPEEDS if number == self.engine_speed else NUMBERS)
        if chance(pick, 6):
            why = one_of(pick, (Why.NOT_A_NUMBER, Why.IMPLAUSIBLE, Why.NOT_AVAILABLE))
            return t, number, math.nan if why is Why.NOT_A_NUMBER else moods[number] * 2, int(why)
        return t, number, moods[number], int(Why.GOOD)

    def make_act(self, t: int) -> Record:
        """Return something a person did."""
        pick = self.pick
        names = [rule.name for rule in self.rules]
        act = one_of(
            pick, ("acknowledge", "acknowledge", "acknowledge", "reset", "reset", "reset", "mark", "shelve", *HIDING)
        )
        rule = None if chance(pick, 50 if act not in HIDING else 5) else one_of(pick, names)
        if self.hid is not None and chance(pick, 40):
            act, rule = self.hid
            self.hid = None
        elif act in ("shelve", "out-of-service") and rule is not None:
            self.hid = ("unshelve" if act == "shelve" else "in-service", rule)
        said: dict[str, object] = {"act": act, "rule": rule}
        if act == "shelve":
            said["for_ns"] = one_of(pick, (1, 20, 90, 400, 400, *sorted(self.gaps)))
        return Record(t, ACTS_FEED, Kind.ACT, json.dumps(said).encode())

    def make_carried(self, t: int) -> Record:
        """Return alarms carried in from the session before."""
        states = {rule.name: one_of(self.pick, tuple(State)) for rule in self.rules if chance(self.pick, 60)}
        alarms = [{"rule": name, "state": int(state)} for name, state in states.items()]
        return Record(t, ACTS_FEED, Kind.CARRIED, json.dumps({"alarms": alarms}).encode())

    # Batches

    def make_steps(self, records: list[Record], end: int) -> tuple[Step, ...]:
        """Cut the records into batches anywhere, with steps at which nothing came between them."""
        pick = self.pick
        style = pick.whole(0, 3)  # all in one, few cuts, many cuts, every record alone
        steps: list[Step] = []
        begin = 0
        now = -1
        while begin < len(records):
            size = (len(records), pick.whole(1, 12), pick.whole(1, 3), 1)[style]
            taken = records[begin : begin + size]
            begin += size
            quiet_until = taken[0].t - 1
            if quiet_until > now and chance(pick, 25):
                now = pick.whole(now + 1, quiet_until)
                steps.append(self.make_step((), now))
            following = records[begin].t - 1 if begin < len(records) else end
            now = pick.whole(taken[-1].end, following)
            steps.append(self.make_step(tuple(taken), now))
        while now < end:
            now = end if chance(pick, 60) else pick.whole(now + 1, end)
            steps.append(self.make_step((), now))
        return tuple(steps)

    def make_step(self, records: tuple[Record, ...], now: int) -> Step:
        """Return one batch, in either form, judged either way, at times by a watchdog begun from a checkpoint."""
        pick = self.pick
        way = one_of(pick, ("stepping", "columns", "auto"))
        return Step(records, now, as_columns=chance(pick, 50), way=way, fresh=chance(pick, 20))


@st.composite
def examples(draw: st.DrawFn) -> Example:
    """Random examples drawn by hypothesis."""
    return Builder(Drawn(draw)).build()
