"""The chain from cylinder to foot: how long from the gas leaving the cylinder to a shut throttle.

Every link is an interval in ms. Numbers that are not the setup's own are common practice with no published source, or
figures of this project's own measuring; each says so where it stands. A dose has no worst case as the excess goes to 0,
so the chain is told at a reference excess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import Delay, Dimension, delay_window
from pullwatch.clock import NS_PER_MS
from pullwatch.setup.defaults import is_lambda_sensor
from pullwatch.setup.feed_kinds import KINDS
from pullwatch.watchdog.conditions import Comparison
from pullwatch.watchdog.rules import DOSE_PER_UNIT_SECOND

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.watchdog.rules import Rule

REFERENCE_RPM: Final = 5_500.0
"""The engine speed at which chains are told: where most of a pull is spent (our choice)."""

REFERENCE_EXCESS: Final[Mapping[Dimension, float]] = {
    Dimension.LAMBDA: 0.10,
    Dimension.ABSOLUTE_PRESSURE: 10.0,
    Dimension.GAUGE_PRESSURE: 10.0,
    Dimension.PRESSURE_DIFFERENCE: 10.0,
    Dimension.TEMPERATURE: 10.0,
    Dimension.ROTATION: 100.0,
}
"""How far beyond its limit a fault is taken to be, in the stored unit (our choice); 1 where nothing stands here."""

LONGEST_CHAIN_MS: Final = 500.0
"""A critical rule that takes longer than this before a person can hear of it is told for the record (our choice)."""

SLOW: Final = frozenset({Dimension.TEMPERATURE, Dimension.TEMPERATURE_DIFFERENCE})
"""What moves in seconds: a chain of a second is still in time."""

TRANSPORT_MS: Final = (2.0, 10.0)
"""Exhaust port to lambda sensor at full load, 1.5 l of exhaust (calculated, V·p/(ṁ·R·T); 60 to 130 ms at idle)."""

JUDGING_MS: Final = (0.1, 5.0)
"""Bytes readable to state change (what pullwatch holds itself to: 5 ms at the 99.9th percentile)."""
SOUND_MS: Final = (10.0, 100.0)
"""State change to the first audio sample at the device (what pullwatch holds itself to: 100 ms)."""
PERSON_MS: Final = (300.0, 1_500.0)
"""Expecting it, and surprised (common practice, no source)."""
PEDAL_MS: Final = (200.0, 200.0)
"""Foot off, throttle closed, manifold empty (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Part:
    """One link of the chain: least and most in ms, and what is to be said of it. `stated` is False for a mere bound."""

    name: str
    least: float
    most: float
    says: str = ""
    stated: bool = True


@dataclass(frozen=True, slots=True)
class Chain:
    """All links in order; `excess` is the reference excess (0: the rule has no dose)."""

    parts: tuple[Part, ...]
    excess: float = 0.0

    @property
    def before_person(self) -> tuple[float, float]:
        """Least and most ms until the sound is there."""
        parts = [part for part in self.parts if part.name not in _HUMAN]
        return sum(part.least for part in parts), sum(part.most for part in parts)

    @property
    def stated_before_person(self) -> float:
        """The most ms until the sound is there, without links for which there is only a bound."""
        return sum(part.most for part in self.parts if part.name not in _HUMAN and part.stated)

    @property
    def whole(self) -> tuple[float, float]:
        """Least and most ms to the throttle closed."""
        return sum(part.least for part in self.parts), sum(part.most for part in self.parts)


_HUMAN: Final = frozenset({"person", "pedal and manifold"})


def firings(ms: float, rpm: float = REFERENCE_RPM) -> float:
    """Return how often each cylinder of a four-stroke engine fires in `ms`: once in two turns."""
    return ms / 1e3 * rpm / 120.0


def reference_excess(dimension: Dimension) -> float:
    """Return the excess over its limit (stored unit) at which the chain of a dose is told."""
    return REFERENCE_EXCESS.get(dimension, 1.0)


def dose_ms(dose: int, excess: float) -> float:
    """Return how many ms a dose (10⁻⁶ of the unit, times ns) takes to fill at a steady excess (in the unit)."""
    return dose / DOSE_PER_UNIT_SECOND / excess * 1e3


def chain(rule: Rule, channel: Channel, rate: float | None, feed_kind: str) -> Chain:
    """Return the chain of a rule whose trip is about `channel`, sampled `rate` times a second (None: not stated)."""
    stale = channel.stale_after / NS_PER_MS
    period = None if rate is None else 1e3 / rate
    run_up = rule.on_delay / NS_PER_MS
    more_samples = rule.at_least_samples - 1
    spread = more_samples * (period or 0.0)
    if not isinstance(rule.trip, Comparison):
        silence = Part("silence", max(0.0, stale - (period or stale)), stale, "stale_after, from the last sample on")
        # The last sample may still have been on its way when the cable came off.
        link = Part("link", 0.0, *KINDS[feed_kind].link_ms[1:])
        parts = [link, silence, Part("run-up", max(run_up, spread), max(run_up, spread))]
        return Chain((*parts, *_TELLING))
    parts = []
    in_exhaust = is_lambda_sensor(channel.name, channel.dimension)
    ways = channel.delay.transport_least / REFERENCE_RPM, channel.delay.transport_most / REFERENCE_RPM
    if in_exhaust or channel.delay.per_cycle:
        cycle = delay_window(Delay(per_cycle=True), REFERENCE_RPM)
        parts.append(Part("cycle", cycle[0] / NS_PER_MS, cycle[1] / NS_PER_MS))
    if channel.delay.transport_most:
        parts.append(Part("transport", ways[0] / NS_PER_MS, ways[1] / NS_PER_MS, "from the volume before the sensor"))
    elif in_exhaust and channel.delay.most:
        least, most = TRANSPORT_MS
        says = f"{least:g} to {most:g} ms at full load: delay_ms has to hold it, or exhaust_litres be stated"
        parts.append(Part("transport", 0.0, 0.0, says))
    elif in_exhaust:
        parts.append(Part("transport", *TRANSPORT_MS, "bounded for full load; exhaust_litres is not stated"))
    if channel.delay.most:
        parts.append(Part("sensor and filter", channel.delay.least / NS_PER_MS, channel.delay.most / NS_PER_MS))
    else:
        parts.append(Part("sensor and filter", 0.0, 0.0, "delay_ms is not stated", stated=False))
    parts.append(Part("link", *KINDS[feed_kind].link_ms))
    if period is None:
        parts.append(Part("sample period", 0.0, stale, "rate_hz is not stated: stale_after bounds it", stated=False))
    else:
        parts.append(Part("sample period", 0.0, period))
    excess = 0.0
    what = "on-delay"
    if rule.dose:
        excess = reference_excess(channel.dimension)
        run_up = dose_ms(rule.dose, excess)
        what = f"dose at {excess:g} {channel.unit}".rstrip() + " beyond the limit"
    if more_samples:
        what += f", at least {rule.at_least_samples} samples"
    parts.append(Part("run-up", max(run_up, spread), max(run_up, spread), what))
    if more_samples and period is None:
        parts.append(Part("further samples", 0.0, more_samples * stale, "stale_after bounds each", stated=False))
    return Chain((*parts, *_TELLING), excess)


_TELLING: Final = (
    Part("judging", *JUDGING_MS),
    Part("sound", *SOUND_MS),
    Part("person", *PERSON_MS, "expecting it, or surprised"),
    Part("pedal and manifold", *PEDAL_MS),
)
