"""What the rules say of a stretch of a table, held against their limits exactly as the watchdog holds them.

A margin that looked at a limit otherwise than the alarm does would be another question's answer. So the watchdog's own
way of judging in columns is asked here; only the run-ups (delays, doses, latches) are left out: what is wanted is how
the value stood to its limit, not whether that lasted long enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import NO_DELAY, delay_window, longest_window
from pullwatch.review.table import S, Span, spans_where
from pullwatch.watchdog.armed import YES, Armed
from pullwatch.watchdog.columnwise import ColumnJudge
from pullwatch.watchdog.conditions import Lost, Verdict
from pullwatch.watchdog.firstout import Changes
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.columns import Column
    from pullwatch.review.table import Table
    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.armed import ArmedRule
    from pullwatch.watchdog.conditions import Condition
    from pullwatch.watchdog.steps import Judged

LEAD: Final = 5 * S
"""Judging begins at least this long before what is asked for, so that every value and every window is there."""
FINE: Final = 5_000_000
"""ns: how finely a blind stretch is told."""


@dataclass(frozen=True, slots=True)
class Held:
    """A rule over a stretch: arrays of shape (n,).

    The first entry is what stands at the stretch's begin, each other an instant at which the left side was judged.
    `verdict` is the trip's (`watchdog.conditions.Verdict`), `armed` the gate's; `value` and `limit` (the strictest of
    the delay's window) are in the unit of the trip's channel, and those of this instant where the verdict is yes or no.
    """

    rule: Rule
    t: NDArray[np.int64]
    verdict: NDArray[np.uint8]
    armed: NDArray[np.uint8]
    value: NDArray[np.float64]
    limit: NDArray[np.float64]


class _Holding(ColumnJudge):
    """Judges a stretch at once and keeps, instead of walking the run-ups, what they would have been given."""

    def __init__(self, armed: Armed) -> None:
        super().__init__(armed)
        self.held: list[tuple[Judged, NDArray[np.int64], NDArray[np.uint8]]] = []

    def _walk(self, rule: ArmedRule, acts: Sequence[Act], out: Changes) -> None:
        del acts, out
        trip = self._judged[rule.trip.number]
        self.held.append((trip, *self._gate_of(rule, trip)))


def _judge(table: Table, rules: RuleSet, begin: int, end: int) -> _Holding:
    armed = Armed(rules)
    slowest = max((channel.stale_after for channel in rules.channels), default=0)
    widest = max((longest_window(channel.delay) for channel in rules.channels), default=0)
    first = begin - max(LEAD, 2 * slowest + widest)
    columns: dict[int, Column] = {}
    for channel in rules.channels:
        series = table.get(channel.name)
        if series is not None and len(part := series.between(first, end)):
            columns[channel.number] = part.samples
    holding = _Holding(armed)
    for number, column in columns.items():
        if armed.deep[number]:
            armed.ring.extend(number, column)
    holding.judge(columns, (), end - 1, Changes())
    return holding


def held(table: Table, begin: int, end: int) -> list[Held]:
    """Return every rule of the table over [begin, end) (session ns), in file order."""
    if not table.rules.rules:
        return []
    found = []
    for rule, (trip, gate_t, gate_v) in zip(
        table.rules.rules, _judge(table, table.rules, begin, end).held, strict=True
    ):
        t, at = _from(trip.t, begin)
        known = at >= 0
        place = np.maximum(at, 0)
        if not len(trip.t):
            none = np.full(len(t), math.nan)
            verdict, value, limit = np.full(len(t), int(Verdict.STALE), np.uint8), none, none
        else:
            verdict = np.where(known, trip.verdict[place], int(Verdict.STALE)).astype(np.uint8)
            value = np.where(known, trip.value[place], math.nan)
            limit = np.where(known, trip.limit[place], math.nan)
        if rule.gate is None:
            armed = np.full(len(t), YES, np.uint8)
        else:
            gated = np.searchsorted(gate_t, t, side="right") - 1
            said = gate_v[np.maximum(gated, 0)] if len(gate_t) else np.zeros(len(t), np.uint8)
            armed = np.where(gated >= 0, said, 0).astype(np.uint8)
        found.append(Held(rule, t, verdict, armed, value, limit))
    return found


def _from(times: NDArray[np.int64], begin: int) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Return `begin` and the times after it, and for each the place in `times` that is in force (-1: none)."""
    first = int(np.searchsorted(times, begin, side="right"))
    t = np.concatenate(([begin], times[first:])).astype(np.int64)
    return t, np.arange(first - 1, len(times), dtype=np.intp)


def verdicts(table: Table, condition: Condition, begin: int, end: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Return a condition over [begin, end) as a step function: instants from `begin` on, and what holds from each."""
    if not table.rules.channels:
        return np.array([begin], np.int64), np.array([int(Verdict.STALE)], np.uint8)
    asked = Rule(0, "asked", Lost(0), gate=condition)
    rules = RuleSet(table.rules.channels, (asked,), table.rules.curves, {}, table.rules.engine_speed)
    _, t, verdict = _judge(table, rules, begin, end).held[0]
    place = int(np.searchsorted(t, begin, side="right"))
    before = verdict[place - 1 : place] if place else np.array([int(Verdict.STALE)], np.uint8)
    return np.concatenate(([begin], t[place:])).astype(np.int64), np.concatenate((before, verdict[place:]))


def holds(table: Table, condition: Condition, begin: int, end: int) -> list[Span]:
    """Return the spans of [begin, end) in which a condition is surely so."""
    t, verdict = verdicts(table, condition, begin, end)
    return spans_where(t, verdict == YES, end)


def blind(table: Table, name: str, begin: int, end: int) -> list[Span]:
    """Return the spans of [begin, end) in which a channel is blind: what a cut hides of it, and the way back.

    A sensor with a delay is blind from the first gas of the cut until the last has left it and three of its time
    constants are over (as `watchdog` judges it; here in steps of `FINE`). None: nothing blinds this channel.
    """
    series = table.get(name)
    if series is None:
        return []
    condition = table.rules.blinds.get(series.channel.number)
    if condition is None:
        return []
    delay = series.channel.delay
    reach = longest_window(delay) + 3 * delay.time_constant
    t, verdict = verdicts(table, condition, begin - reach, end)
    yes = np.append(0, np.cumsum(verdict == YES))
    grid = table.grid(begin, end, FINE)
    least = np.zeros(len(grid), np.int64)
    most = np.zeros(len(grid), np.int64)
    if delay != NO_DELAY:
        speeds = table.on("engine_speed", grid)
        for i, rpm in enumerate(speeds.tolist()):
            least[i], most[i] = delay_window(delay, None if rpm != rpm else rpm)  # noqa: PLR0124 - NaN
    first = np.maximum(np.searchsorted(t, grid - most - 3 * delay.time_constant, side="right") - 1, 0)
    last = np.searchsorted(t, grid - least, side="right")
    return spans_where(grid, yes[last] > yes[np.minimum(first, last)], end)
