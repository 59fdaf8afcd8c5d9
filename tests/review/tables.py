"""Small tables by hand: curves given as points in time, sampled at 50 Hz."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np

from pullwatch.channels import QUANTITIES, Channel
from pullwatch.columns import Column
from pullwatch.review.made import with_made
from pullwatch.review.table import S, Series, Table
from pullwatch.watchdog.rules import RuleSet

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

RATE: Final = 50
Points: TypeAlias = "Sequence[tuple[float, float]]"
"""(seconds, value): straight lines between; two points at one time are a step."""


def channel(number: int, name: str, **more: Any) -> Channel:
    """Return a channel of the catalogue."""
    kind = QUANTITIES[name]
    facts: dict[str, Any] = {"low": kind.low, "high": kind.high, "digits": kind.digits, "says": kind.says, **more}
    return Channel(number, name, kind.unit, kind.dimension, **facts)


def sampled(points: Points, seconds: float, number: int = 0, rate: float = RATE) -> Column:
    """Sample a curve. A point whose value is NaN begins a stretch without samples, up to the next point."""
    t = np.arange(0.0011 + 0.0003 * number, seconds, 1.0 / rate)
    at = np.array([point[0] for point in points])
    v = np.array([point[1] for point in points])
    place = np.clip(np.searchsorted(at, t, side="right") - 1, 0, len(at) - 1)
    following = np.minimum(place + 1, len(at) - 1)
    width = at[following] - at[place]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(width > 0, (t - at[place]) / width, 0.0)
    rising = v[place] + share * (v[following] - v[place])
    value = np.where((width > 0) & ~np.isnan(v[following]), rising, v[place])
    keep = ~np.isnan(v[place])
    return Column((t[keep] * S).astype(np.int64), value[keep], np.zeros(int(keep.sum()), np.uint8))


def table(seconds: float, curves: Mapping[str, Points], **more: Any) -> Table:
    """Return a table of these curves; `more` are its other fields. Its rules know its channels."""
    channels = [channel(number, name) for number, name in enumerate(curves)]
    series = {
        one.name: Series(one, sampled(points, seconds, one.number))
        for one, points in zip(channels, curves.values(), strict=True)
    }
    speed = next((one.number for one in channels if one.name == "engine_speed"), None)
    more.setdefault("rules", RuleSet(tuple(channels), (), engine_speed=speed))
    return with_made(Table(series, end=int(seconds * S), **more))


def pull(**other: Points) -> dict[str, Points]:
    """Return curves of a pull in fourth gear from 2 to 8 s: 2,000 to 6,500 rpm, lift at 8 s."""
    return {
        "engine_speed": [(0, 2_000), (2, 2_000), (8, 6_500), (10, 2_500)],
        "pedal": [(0, 10), (2, 10), (2, 100), (8, 100), (8, 0)],
        "manifold_pressure": [(0, 60), (2, 60), (3, 190), (8, 185), (8.1, 40)],
        "barometric_pressure": [(0, 99)],
        "vehicle_speed": [(0, 53), (2, 53), (8, 172), (10, 70)],
        "gear": [(0, 4)],
        "cut_active": [(0, 0)],
        "intake_air_temperature": [(0, 30)],
        "oil_temperature": [(0, 92)],
        **other,
    }
