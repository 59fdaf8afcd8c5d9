"""What the alarms of a session amount to: how often, how long, how bad, and whether they were too many to heed.

The figures are those by which alarm systems of process plants are judged (ANSI/ISA-18.2-2016 / IEC 62682:2014 clause
16, EEMUA 191; text seen in part, rest from memory): an operator who gets more than these stops listening. A run lasts
ten seconds and not a shift, so they are a measure of nuisance, never of safety.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.clock import NS_PER_S
from pullwatch.columns import to_columns
from pullwatch.replaying import plan_of, reading_of, replayed
from pullwatch.watchdog.alarms import ACTIVE, Event, Priority
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.recording.reader import Session
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import Rule

INTERVAL: Final = 600 * NS_PER_S
"""Ten minutes: the interval in which alarms are counted (ISA-18.2 / IEC 62682, text seen)."""
FLOOD_BEGINS: Final = 10
FLOOD_ENDS: Final = 5
"""More than ten alarms in an interval begin a flood, fewer than five end it (ISA-18.2 / IEC 62682, text seen)."""
ACCEPTABLE: Final = 1.0
MOST: Final = 2.0
"""Alarms in ten minutes, on average: very likely acceptable, and the most that can be managed (same, from memory)."""
CHATTER_COUNT: Final = 3
CHATTER_SPAN: Final = 60 * NS_PER_S
"""Three or more activations of one alarm within a minute are chatter (same, from memory)."""


@dataclass(frozen=True, slots=True)
class RuleRecord:
    """What one rule's alarm did: activations, ns it was active in all and at the longest, and the worst it saw.

    `worst` is the value farthest beyond the limit while active (NaN for a lost reading, or where none was believed).
    """

    rule: Rule
    count: int
    active: int
    longest: int
    worst: float
    chatters: bool


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """A session's alarms. `per_interval` are activations in each ten minutes from its begin, `flood` if too many."""

    rules: tuple[RuleRecord, ...]
    priorities: dict[Priority, int]
    per_interval: tuple[int, ...]
    flood: tuple[bool, ...]
    length: int

    @property
    def count(self) -> int:
        """All activations."""
        return sum(self.per_interval)

    @property
    def average(self) -> float:
        """Activations in ten minutes, over the session's own length (at least one interval)."""
        return self.count / max(self.length / INTERVAL, 1.0)


def in_flood(per_interval: Sequence[int]) -> tuple[bool, ...]:
    """Return for each interval whether it is one of a flood: begun by more than ten, ended by fewer than five."""
    flood = False
    out = []
    for count in per_interval:
        flood = count >= FLOOD_ENDS if flood else count > FLOOD_BEGINS
        out.append(flood)
    return tuple(out)


def chatters(raised: Sequence[int]) -> bool:
    """Say whether `raised` (ascending, ns) holds three activations within a minute."""
    return any(last - first <= CHATTER_SPAN for first, last in zip(raised, raised[CHATTER_COUNT - 1 :], strict=False))


def spans(changes: Sequence[Change], end: int) -> dict[int, list[tuple[int, int]]]:
    """Return for each rule the spans [from, to) in which its alarm was active, one still active ending at `end`."""
    open_since: dict[int, int] = {}
    out: dict[int, list[tuple[int, int]]] = {}
    for change in changes:
        if change.state in ACTIVE:
            open_since.setdefault(change.rule, change.t)
        elif change.rule in open_since:
            out.setdefault(change.rule, []).append((open_since.pop(change.rule), change.t))
    for rule, since in open_since.items():
        out.setdefault(rule, []).append((since, max(end, since)))
    return out


def alarm_record(session: Session) -> AlarmRecord:
    """Return the record of a session's alarms, its values as decoded and judged again. Raises SessionError."""
    plan = plan_of(session)
    end = session.ending.at_ns
    changes = [recorded.change for recorded in session.changes()]
    active = spans(changes, end)
    worst = {rule: float("nan") for rule in active}
    for step in replayed(plan, session.blocks(join_ns=60 * NS_PER_S)):
        plan = step.path.plan
        columns = step.batch.columns if step.batch.columns is not None else to_columns(step.batch.samples or [])
        for number, within in active.items():
            trip = plan.rules.rules[number].trip if number < len(plan.rules.rules) else None
            column = columns.get(trip.left) if isinstance(trip, Comparison) else None
            if column is None or not isinstance(trip, Comparison):
                continue
            inside = np.zeros(len(column), dtype=np.bool_)
            for first, last in within:
                begin, stop = column.t.searchsorted((first, last), side="left").tolist()
                inside[begin:stop] = True
            seen = column.v[inside & (column.why == 0)]
            if len(seen):
                extreme = float(seen.max() if trip.upward else seen.min())
                worst[number] = (np.fmax if trip.upward else np.fmin)(worst[number], extreme)
    return _record(plan, changes, active, worst, end)


def _record(
    plan: Plan,
    changes: Sequence[Change],
    active: dict[int, list[tuple[int, int]]],
    worst: dict[int, float],
    end: int,
) -> AlarmRecord:
    raised: dict[int, list[int]] = {}
    for change in changes:
        if change.event is Event.RAISE:
            raised.setdefault(change.rule, []).append(change.t)
    rules = []
    for number in sorted({*raised, *active}):
        lengths = [last - first for first, last in active.get(number, [])]
        times = raised.get(number, [])
        rule = plan.rules.rules[number]
        rules.append(
            RuleRecord(
                rule,
                len(times),
                sum(lengths),
                max(lengths, default=0),
                float(worst.get(number, float("nan"))),
                chatters(times),
            )
        )
    rules.sort(key=lambda one: (one.rule.priority, -one.count, one.rule.number))
    borders = list(range(INTERVAL, end + INTERVAL, INTERVAL)) or [INTERVAL]
    counts = Counter(bisect_right(borders, t) for times in raised.values() for t in times)
    per_interval = tuple(counts[place] for place in range(len(borders)))
    priorities = Counter(plan.rules.rules[number].priority for number, times in raised.items() for _ in times)
    return AlarmRecord(tuple(rules), dict(priorities), per_interval, in_flood(per_interval), end)


def lines(record: AlarmRecord, plan: Plan) -> Iterator[str]:
    """Yield the record in words, for a terminal."""
    if not record.rules:
        yield "No alarm was raised. That says what was judged, not that all was well."
        return
    yield f"{'raised':>6}  {'longest':>9}  {'in all':>9}  alarm"
    for one in record.rules:
        channel = plan.channels[one.rule.trip.left]
        value = "" if one.worst != one.worst else f", at worst {channel.format(one.worst)}"
        chatter = "  CHATTERS (three times within a minute): look at its deadband and delays" * one.chatters
        yield (
            f"{one.count:>6}  {one.longest / NS_PER_S:>7.1f} s  {one.active / NS_PER_S:>7.1f} s  "
            f"{one.rule.name} ({one.rule.priority.name.lower()}{value}){chatter}"
        )
    shares = ", ".join(f"{record.priorities.get(p, 0)} {p.name.lower()}" for p in Priority)
    yield f"{record.count} in all: {shares}."
    verdict = (
        "few enough to heed"
        if record.average <= ACCEPTABLE
        else "at the limit of what one person heeds"
        if record.average <= MOST
        else "more than one person heeds"
    )
    if record.length < INTERVAL:
        yield f"The session is shorter than ten minutes: {record.count} alarms say nothing of a rate."
    else:
        yield f"{record.average:.1f} alarms in ten minutes on average: {verdict} (plants aim at 1, at most 2)."
    if any(record.flood):
        places = ", ".join(f"minute {10 * place}" for place, flood in enumerate(record.flood) if flood)
        yield f"Alarm flood (more than ten in ten minutes) from {places} on."


def print_record(session: Session) -> None:
    """Print the record of a session's alarms. Raises SessionError."""
    for line in (*reading_of(session), *lines(alarm_record(session), plan_of(session))):
        print(line)
