"""How close did it get: the least margin to every rule in every run, with what makes the number doubtful beside it.

A margin is how far the value was from its limit, in the unit of the channel; negative beyond. It is taken while the
rule was armed, at the strictest limit of the sensor's delay, exactly as the alarm takes it, and its delays and doses
are left out: a single sample beyond is a negative margin and no alarm. "Near" is the owner's band, else the usual.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import Dimension
from pullwatch.columns import Column
from pullwatch.nearness import near_of
from pullwatch.review.judged import Held, held
from pullwatch.review.run import Class
from pullwatch.review.table import S, most_of_two
from pullwatch.watchdog.armed import BLIND, NO, YES
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pullwatch.review.run import Run
    from pullwatch.review.table import Table
    from pullwatch.watchdog.alarms import Priority

NOT_ARMED: Final = "not armed in this run"
NO_ACCURACY: Final = "sensor accuracy not stated"


@dataclass(frozen=True, slots=True)
class Margin:
    """The least margin of one run to one rule, in the unit of the trip's channel.

    `least` is NaN where there is none, and `why_not` says why. `t` is when (session ns), with `value` and `limit`
    then, and `rpm` and `pressure` (manifold, kPa absolute) one delay before. `near` is the band, `near_s` the seconds
    in it or beyond, of `armed_s` armed; `blind_s` and `unknown_s` of those said nothing. `accuracy` is ± of the
    reading (NaN: not stated). `at_most`: the sensor was at its ceiling, and the true margin is no more than this.
    """

    run: int
    rule: str
    channel: str
    priority: Priority
    least: float
    t: int
    value: float
    limit: float
    near: float
    near_s: float
    armed_s: float
    blind_s: float
    unknown_s: float
    rpm: float = math.nan
    pressure: float = math.nan
    accuracy: float = math.nan
    at_most: bool = False
    why_not: str = ""

    @property
    def is_near(self) -> bool:
        """Whether it came into the near band, or beyond the limit."""
        return self.least <= self.near

    @property
    def undecided(self) -> bool:
        """Whether the sensor cannot say on which side of the limit it was."""
        return abs(self.least) < self.accuracy


def margins(table: Table, run: Run) -> tuple[Margin, ...]:
    """Return the margin of a run to every rule that holds a value against a limit, in file order.

    Rules for lost readings have no margin, and those that pullwatch added none that anybody asked for. Road speed on
    the street is left out: what is handed on holds none.
    """
    out = []
    for one in held(table, run.begin, run.end):
        if isinstance(one.rule.trip, Comparison) and one.rule.trip.op not in ("==", "!="):
            on_the_street = (
                run.kind is Class.STREET_PULL and table.rules.channels[one.rule.trip.left].dimension is Dimension.SPEED
            )
            if one.rule.name in table.automatic or one.rule.removed or on_the_street:
                continue
            out.append(_margin(table, run, one, one.rule.trip))
    return tuple(out)


def _margin(table: Table, run: Run, one: Held, trip: Comparison) -> Margin:
    rule = one.rule
    channel = table.rules.channels[trip.left]
    lasts = np.diff(np.append(one.t, run.end)) / S
    armed = one.armed == YES
    blind_s = float(lasts[armed & (one.verdict == BLIND)].sum())
    says = armed & ((one.verdict == YES) | (one.verdict == NO))
    armed_s = float(lasts[armed].sum())
    unknown_s = float(lasts[armed & ~says].sum()) - blind_s
    distance = one.limit - one.value if trip.upward else one.value - one.limit
    use = says & np.isfinite(distance)
    limit_there = float(one.limit[use][0]) if use.any() else math.nan
    near = near_of(channel, table.near.get(rule.name), limit_there)
    if not use.any():
        nothing = math.nan
        return Margin(
            run.number, rule.name, channel.name, rule.priority, nothing, run.begin, nothing, nothing, near, 0.0,
            armed_s, blind_s, unknown_s, why_not=_why_not(table, one, armed, blind_s, armed_s, run),
        )  # fmt: skip
    places = np.flatnonzero(use)
    place = int(places[int(distance[use].argmin())])
    least = float(distance[place])
    if rule.at_least_samples > 1:
        # A rule that asks for two samples is not nearly tripped by one: the worst that two in a row agree on.
        pair = most_of_two(Column(one.t[use], -distance[use], np.zeros(int(use.sum()), np.uint8)))
        if pair is not None:
            least, place = -pair.value, int(places[int(np.searchsorted(one.t[places], pair.t))])
    t, value = int(one.t[place]), float(one.value[place])
    series = table.get(channel.name)
    accuracy = table.accuracy.get(channel.name)
    ceiling = table.ceilings.get(channel.name, math.inf)
    speed = table.at("engine_speed", t)
    back = sum(series.delay(speed)) // 2 if series is not None else 0
    return Margin(
        run.number, rule.name, channel.name, rule.priority, least, t, value, float(one.limit[place]), near,
        float(lasts[use & (distance <= near)].sum()), armed_s, blind_s, unknown_s,
        table.at("engine_speed", t - back), table.at("manifold_pressure", t - back),
        math.nan if accuracy is None else accuracy.at(value),
        at_most=trip.upward and value >= ceiling,
    )  # fmt: skip


def _why_not(
    table: Table, one: Held, armed: np.ndarray[tuple[int], np.dtype[np.bool_]], blind_s: float, armed_s: float, run: Run
) -> str:
    if not armed.any():
        return NOT_ARMED
    if blind_s >= 0.99 * armed_s:
        return "blind as long as it was armed"
    channel = table.rules.channels[one.rule.trip.left]
    series = table.get(channel.name)
    why = "nothing was heard of it" if series is None else series.why_at(run.end - 1)
    return f"not known while it was armed{f': {why}' if why else ''}"


def trend(per_run: Sequence[Sequence[Margin]]) -> dict[str, list[tuple[int, float]]]:
    """Return for each rule (run number, least margin) over the runs, those without a margin left out."""
    out: dict[str, list[tuple[int, float]]] = {}
    for margins_of_run in per_run:
        for one in margins_of_run:
            if math.isfinite(one.least):
                out.setdefault(one.rule, []).append((one.run, one.least))
    return out


def amount(table: Table, channel: str, value: float) -> str:
    """Write a difference of a channel's values with its unit, signed."""
    facts = next(one for one in table.rules.channels if one.name == channel)
    unit = f" {facts.unit}" if facts.unit and facts.unit != "%" else facts.unit
    return f"{value:+.{facts.digits}f}{unit}"


def distance(table: Table, one: Margin) -> str:
    """Write how far a margin is from its limit, and on which side, as far as the sensor can say."""
    text = amount(table, one.channel, abs(one.least)).lstrip("+")
    if one.least < 0:
        return f"BEYOND its limit by {text}"
    return f"{'at most ' if one.at_most else ''}{text} away"


def lines(table: Table, found: Iterable[Margin]) -> list[str]:
    """Say the margins of one run in words, the nearest first; every number with what makes it doubtful."""
    known = sorted((one for one in found if not one.why_not), key=lambda one: one.least / one.near)
    told = [_line(table, one) for one in known]
    told += [f"{one.rule}: cannot tell, {one.why_not}" for one in found if one.why_not]
    return told


def _line(table: Table, one: Margin) -> str:
    channel = next(each for each in table.rules.channels if each.name == one.channel)
    where = [f"at {one.rpm:,.0f} rpm"] if math.isfinite(one.rpm) else []
    if math.isfinite(one.pressure) and one.channel != "manifold_pressure":
        where.append(f"{one.pressure:.0f} kPa absolute")
    notes = [f"± {one.accuracy:.{channel.digits}f}" if math.isfinite(one.accuracy) else NO_ACCURACY]
    if one.undecided:
        notes.append("the sensor cannot say on which side it was")
    if one.at_most:
        notes.append("sensor at its ceiling")
    notes.append(f"near (within {one.near:g}) for {one.near_s:.1f} of {one.armed_s:.1f} s armed")
    if one.blind_s:
        notes.append(f"blind {one.blind_s:.1f} s")
    if one.unknown_s > 0.05:
        notes.append(f"not known {one.unknown_s:.1f} s")
    return (
        f"{one.rule}: {distance(table, one)}: {channel.format(one.value)} against "
        f"{channel.format(one.limit)} {', '.join(where)} ({'; '.join(notes)})"
    )
