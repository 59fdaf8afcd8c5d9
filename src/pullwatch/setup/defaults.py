"""What is taken where the setup file says nothing. All of it is common practice with no published source."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.channels import QUANTITIES, RATE_UNITS, UNITS, Dimension, Quantity
from pullwatch.errors import nearest

if TYPE_CHECKING:
    from collections.abc import Container

LEAST_STALE_AFTER_MS: Final = 250.0
PERIODS_TO_STALE: Final = 3.0
LONGEST_DELAY_MS: Final = 10_000.0
"""The ring holds as much as the longest delay looks back: what speaks later than this is no use to a rule."""

RESERVED: Final = frozenset({"and", "or", "not", "is", "lost", "deadband"})
"""Words of the rule language, which no channel or limit may be called."""

TRANSPORT_SHARE: Final = (0.10, 1.05)
"""Least and most of (exhaust ÷ manifold pressure) × (intake ÷ exhaust temperature) ÷ volumetric efficiency, from
overrun to full boost: 0.4 to 3.0 times 0.25 to 0.35 (bounds of ours, for V·p/(ṁ·R·T) of a four-stroke engine)."""

OVERRUN: Final = ("throttle < 5 %", "engine_speed > 1500 rpm", "manifold_pressure < 45 kPa")
"""An inferred fuel cut on the overrun: throttle shut, engine turning, manifold empty (common practice, no source)."""

PRESSURE_KINDS: Final = {
    "absolute": Dimension.ABSOLUTE_PRESSURE,
    "gauge": Dimension.GAUGE_PRESSURE,
    "difference": Dimension.PRESSURE_DIFFERENCE,
}
_PRESSURE_SAYS: Final = {Dimension.ABSOLUTE_PRESSURE: "absolute", Dimension.GAUGE_PRESSURE: "gauge"}
_DIGITS: Final = {"kPa": 1, "lambda": 3, "V": 2, "g": 2, "ms": 2, "": 2, "%": 1, "deg": 1, "°C": 1}


def stale_after_ms(rate_hz: float | None) -> float:
    """Return how old a value may become: three periods of a stated rate, and never less than 250 ms."""
    return LEAST_STALE_AFTER_MS if rate_hz is None else max(PERIODS_TO_STALE * 1e3 / rate_hz, LEAST_STALE_AFTER_MS)


def is_lambda_sensor(name: str, dimension: Dimension) -> bool:
    """Whether a channel is what a sensor in the exhaust says, and not what the controller wants."""
    return dimension is Dimension.LAMBDA and not name.endswith("_target")


def blind_while(channels: Container[str]) -> str:
    """Return the condition that blinds a lambda sensor, from the channels there are; empty when there are too few.

    Unburned mixture and plain air read lean. A cut is told by the controller's own flag, or inferred on the overrun; a
    cut that cannot be known does not blind.
    """
    parts = []
    if "cut_active" in channels:
        parts.append("cut_active != 0")
    if all(part.split()[0] in channels for part in OVERRUN):
        parts.append("(" + " and ".join(OVERRUN) + ")")
    return " or ".join(parts)


def in_words(channel: str) -> str:
    """Return a channel's name as it is spoken."""
    return channel.replace("_", " ")


def uncatalogued(unit: str, kind: str | None) -> Quantity:
    """Return the quantity of a channel that is not in the catalogue; `unit` has passed `dimensions_in`.

    Raises ValueError that says what was expected of `kind`.
    """
    dimensions = dimensions_in(unit)
    if kind is None:
        if len(dimensions) == 1:
            return _quantity(dimensions[0], unit)
        if Dimension.TEMPERATURE in dimensions:
            return _quantity(Dimension.TEMPERATURE, unit)
        if Dimension.NUMBER in dimensions:
            return _quantity(Dimension.NUMBER, unit)
        raise ValueError('a pressure needs its kind: write kind = "absolute", "gauge" or "difference".')
    choices = {dimension.value: dimension for dimension in dimensions}
    choices |= {word: dimension for word, dimension in PRESSURE_KINDS.items() if dimension in dimensions}
    if Dimension.TEMPERATURE_DIFFERENCE in dimensions:
        choices["difference"] = Dimension.TEMPERATURE_DIFFERENCE
    if kind not in choices:
        known = ", ".join(f'"{choice}"' for choice in choices)
        hint = nearest(kind, choices)
        raise ValueError(f'"{kind}" is no kind of quantity in {unit or "plain numbers"}{hint}: write one of {known}.')
    return _quantity(choices[kind], unit)


def dimensions_in(unit: str) -> list[Dimension]:
    """Return what can be measured in a unit. Raises ValueError if channels are not kept in it."""
    if not unit:
        return [Dimension.NUMBER, Dimension.RATIO]
    stored = sorted({known.stored for known in UNITS.values()})
    found = UNITS.get(unit) or RATE_UNITS.get(unit)
    if found is None:
        raise ValueError(f'unit "{unit}" is not known{nearest(unit, stored)}: write one of {", ".join(stored)} or "".')
    if found.stored != unit:
        raise ValueError(
            f'a channel in {unit} is kept in {found.stored}: write unit = "{found.stored}"; a feed may send {unit}.'
        )
    return sorted(found.dimensions, key=list(Dimension).index)


def _quantity(dimension: Dimension, unit: str) -> Quantity:
    return Quantity(
        dimension, unit, float("-inf"), float("inf"), _DIGITS.get(unit, 0), _PRESSURE_SAYS.get(dimension, "")
    )


def nearest_channel(name: str, given: list[str]) -> str:
    """Return a hint at the nearest name among the channels there are, else in the catalogue."""
    return nearest(name, given) or nearest(name, QUANTITIES)
