"""Values under which a rule must trip: found by trying, and only believed once judging itself says yes.

Channels begin at what a healthy engine says. What the gate asks for is set first, then the trip's left side is moved
beyond its limit. Where a channel is made from others, those are moved until it is. What moves only over time (a rate,
a count, a trend) is not found here, and is said to be untried.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pullwatch.batch import Batch
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.nearness import near_of
from pullwatch.setup import deriving_for
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Lost, Not, Surely
from pullwatch.watchdog.judge import Watchdog

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pullwatch.channels import Channel
    from pullwatch.columns import Sample
    from pullwatch.setup import Plan
    from pullwatch.watchdog.conditions import Condition
    from pullwatch.watchdog.judge import Reading
    from pullwatch.watchdog.rules import Rule

HEALTHY: Final[Mapping[str, float]] = {
    "engine_speed": 3000, "manifold_pressure": 100, "barometric_pressure": 100, "lambda": 0.85, "lambda_bank1": 0.85,
    "lambda_bank2": 0.85, "lambda_target": 0.85, "throttle": 15, "pedal": 15, "wastegate_duty": 20, "gear": 3,
    "injector_pulse_width": 3, "fuel_pressure": 300, "fuel_differential_pressure": 300, "oil_pressure": 400,
    "oil_temperature": 95, "coolant_temperature": 88, "intake_air_temperature": 35, "exhaust_gas_temperature": 650,
    "battery_voltage": 14, "ignition_advance": 20, "ambient_temperature": 20, "vehicle_speed": 0, "boost_target": 100,
}  # fmt: skip
"""What a healthy engine says at part load, by channel, in the channel's unit: common practice, no source."""
PERIOD: Final = 50 * NS_PER_MS
STEADY_FOR: Final = 2 * NS_PER_S
TRIES: Final = 9
MARGIN: Final = 1.2
"""How far beyond its limit a value is put, in nearnesses: far enough for what a field can resolve."""


class Silent(float):
    """A channel that says nothing."""


SILENT: Final = Silent("nan")


def healthy(plan: Plan) -> dict[str, float]:
    """Return what every channel that a feed gives says of a healthy engine, by name."""
    fed = {name for feed in plan.feeds for name in feed.options.gives}
    return {
        channel.name: min(max(HEALTHY.get(channel.name, _middle(channel)), channel.low), channel.high)
        for channel in plan.channels
        if channel.name in fed
    }


def _middle(channel: Channel) -> float:
    if channel.low <= 0.0 <= channel.high:
        return 0.0
    return (channel.low + channel.high) / 2


def tripping(plan: Plan, rule: Rule) -> Iterator[dict[str, float]]:
    """Yield values, by name of fed channels, that may trip the rule, the likeliest first; SILENT for a lost one."""
    for gate in _ways(rule.gate):
        values = healthy(plan)
        fixed: set[str] = set()
        for leaf in gate:
            _set(plan, values, leaf, fixed)
        if isinstance(rule.trip, Lost):
            for name in _sources(plan, plan.channels[rule.trip.left].name):
                if name in values and name not in fixed:
                    yield {**values, name: SILENT}
            yield {**values, **dict.fromkeys(_sources(plan, plan.channels[rule.trip.left].name), SILENT)}
            continue
        done = dict(values)
        _set(plan, done, rule.trip, fixed)
        yield done
        # What the gate asks for may have moved what the trip needs: the trip first, then the gate again.
        for leaf in gate:
            _set(plan, done, leaf, {plan.channels[rule.trip.left].name})
        yield done


def _ways(condition: Condition | None) -> list[list[Comparison | Lost]]:
    """Return the ways in which a condition can be so, each as comparisons that must all hold."""
    match condition:
        case None:
            return [[]]
        case Comparison():
            return [[condition]]
        case Lost() | Not() | Surely():
            return [[]]  # `not` and silencing ask for nothing to be so: the healthy values are tried
        case AllOf(parts):
            ways: list[list[Comparison | Lost]] = [[]]
            for part in parts:
                ways = [before + after for before in ways for after in _ways(part)][:8]
            return ways
        case AnyOf(parts):
            return [way for part in parts for way in _ways(part)][:8]


def _set(plan: Plan, values: dict[str, float], leaf: Comparison | Lost, fixed: set[str]) -> None:
    """Move channels, but not the fixed ones, until the comparison holds; note what was moved as fixed."""
    if isinstance(leaf, Lost):
        return
    channel = plan.channels[leaf.left]
    known = channels_under(plan, values)
    limit = _limit(plan, leaf, known)
    if math.isnan(limit):
        return
    near = near_of(channel, None, limit)
    wanted = limit + near * MARGIN if leaf.upward else limit - near * MARGIN
    if leaf.op in ("==", "<=", ">="):
        wanted = limit
    elif leaf.op == "!=":
        wanted = limit + 1
    wanted = min(max(wanted, channel.low), channel.high)
    if _holds(leaf, known.get(channel.number, math.nan), limit):
        fixed.add(channel.name)
        return
    if channel.name in values:
        values[channel.name] = wanted
        fixed.add(channel.name)
        return
    for name in _sources(plan, channel.name):
        if name in fixed or name not in values:
            continue
        source = plan.channel(name)
        best = _moved(plan, values, source, leaf)
        if best is not None:
            values[name] = best
            fixed.add(name)
            return


def _moved(plan: Plan, values: Mapping[str, float], source: Channel, leaf: Comparison) -> float | None:
    """Return the value of a source, closest to what it says, under which a comparison with what it makes holds."""
    low = source.low if math.isfinite(source.low) else -1_000.0
    high = source.high if math.isfinite(source.high) else 1_000.0
    tried = sorted(
        (low + (high - low) * k / (TRIES + 1) for k in range(1, TRIES + 1)), key=lambda v: abs(v - values[source.name])
    )
    for value in tried:
        known = channels_under(plan, {**values, source.name: value})
        if _holds(leaf, known.get(leaf.left, math.nan), _limit(plan, leaf, known)):
            return value
    return None


def _holds(leaf: Comparison, value: float, limit: float) -> bool:
    match leaf.op:
        case ">":
            return value > limit
        case "<":
            return value < limit
        case ">=":
            return value >= limit
        case "<=":
            return value <= limit
        case "==":
            return value == limit
    return value != limit and not math.isnan(value)


def _limit(plan: Plan, leaf: Comparison, known: Mapping[int, float]) -> float:
    total = 0.0
    for term in leaf.right:
        if term.curve is not None:
            curve = plan.rules.curves[term.curve]
            total += term.factor * curve.one(known.get(curve.along, math.nan))
        elif term.channel is not None:
            total += term.factor * known.get(term.channel, math.nan)
        else:
            total += term.factor
    return total


def _sources(plan: Plan, name: str) -> list[str]:
    """Return the fed channels that a channel is made from, the trigger first; itself, if a feed gives it."""
    for derived in plan.derived:
        if derived.channel == name and not derived.amends:
            return list(dict.fromkeys(source for each in derived.inputs for source in _sources(plan, each)))
    return [name]


def steady(plan: Plan, values: Mapping[str, float], first: int, last: int) -> list[Sample]:
    """Return the samples of channels that say the same every 50 ms in [first, last), in order."""
    told = [(plan.channel(name).number, value) for name, value in values.items() if value is not SILENT]
    told.sort()
    return [(t, number, value, 0) for t in range(first, last, PERIOD) for number, value in told]


def channels_under(plan: Plan, values: Mapping[str, float]) -> dict[int, float]:
    """Return what every channel, made ones too, says once these values have stood for two seconds, by number."""
    samples = steady(plan, values, PERIOD, STEADY_FOR)
    batch = Batch(STEADY_FOR, (), samples)
    if plan.derived:
        deriving_for(plan).extend(batch)
    known: dict[int, float] = {}
    for _, number, value, why in batch.samples or ():
        known[number] = math.nan if why else value
    return known


def readings_under(plan: Plan, samples: Sequence[Sample], now: int) -> list[Reading]:
    """Return how every rule stands after these samples."""
    batch = Batch(now, (), list(samples))
    if plan.derived:
        deriving_for(plan).extend(batch)
    watchdog = Watchdog(plan.rules)
    watchdog.judge(batch)
    return watchdog.readings()
