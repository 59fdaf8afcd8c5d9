"""How far from its limit a value is near it: what is shown as close and reviewed as close. It decides no alarm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.channels import Dimension

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel

USUAL: Final[Mapping[Dimension, float]] = {
    Dimension.LAMBDA: 0.05,
    Dimension.ABSOLUTE_PRESSURE: 20.0,
    Dimension.GAUGE_PRESSURE: 50.0,
    Dimension.PRESSURE_DIFFERENCE: 40.0,
    Dimension.TEMPERATURE: 10.0,
    Dimension.ROTATION: 300.0,
    Dimension.PERCENT: 10.0,
    Dimension.ANGLE: 2.0,
    Dimension.VOLTAGE: 0.5,
    Dimension.RATIO: 0.2,
}
"""By what is measured, in the stored unit (kPa, °C, rpm, %, degrees, V): common practice, no source."""
USUAL_OF: Final[Mapping[str, float]] = {
    "boost": 20.0,
    "exhaust_gas_temperature": 50.0,
    "crankcase_pressure": 2.0,
    "turbo_speed": 5_000.0,
}
"""The same by channel name, where the channel is not like others of its dimension: common practice, no source."""
SHARE: Final = 0.1
"""Of anything else: this share of the limit."""


def near_of(channel: Channel, asked: float | None, limit: float) -> float:
    """Return how far from `limit` a value of `channel` is near it, in the channel's unit; always above 0.

    `asked` is what the rule says (None: nothing). `limit` is in the channel's unit; it matters only where nothing
    usual is known for what the channel measures.
    """
    if asked is not None:
        return asked
    usual = USUAL_OF.get(channel.name, USUAL.get(channel.dimension))
    if usual is not None:
        return usual
    return abs(limit) * SHARE or 1.0
