"""The strip's arithmetic: distances, times from a road speed, and the published formulas of weight, power and time.

A slip is measured by beams: it starts when the front tyre has rolled out of the staging beam (0.20 to 0.36 m after it
first moves: tyre, staging and beam decide), and a speed is the mean over the last 66 ft. What a car says of itself
starts when it moves, so car-side times are given as an interval over that rollout.

Distances: international foot 0.3048 m and the usual timing points of sanctioning bodies' rule books (text seen).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.review.table import ROLLOUT

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

FOOT: Final = 0.3048
POINTS: Final[Mapping[str, float]] = {
    "60 ft": 60 * FOOT,
    "330 ft": 330 * FOOT,
    "660 ft": 660 * FOOT,
    "1000 ft": 1_000 * FOOT,
    "1320 ft": 1_320 * FOOT,
}
"""Where a strip takes the time, m from the start."""
TRAP: Final = 66 * FOOT
"""Length before a point over which a strip takes the speed, m."""
MPH: Final = 1.609344
POUND: Final = 0.45359237
HORSEPOWER: Final = 0.745699872
"""kW of 550 ft lbf/s."""


@dataclass(frozen=True, slots=True)
class CarSide:
    """What the road speed says of a pass: for each point reached, seconds [least, most] over the rollout; trap speeds.

    `trap`: point to km/h, the mean over the last 66 ft. `metres` is how far the speed says it went.
    """

    times: Mapping[str, tuple[float, float]]
    trap: Mapping[str, float]
    metres: float


def car_side(t: NDArray[np.int64], speed: NDArray[np.float64], rollout: tuple[float, float] = ROLLOUT) -> CarSide:
    """Return times and trap speeds from `speed` (km/h, shape (n,)) at `t` (ns, shape (n,)) from the first move on.

    The speed is taken as it is: driven wheels that slip make every time too short. Where a speed is not known (NaN)
    the way ends: nothing beyond is told.
    """
    known = np.isfinite(speed)
    n = len(speed) if known.all() else int(np.argmin(known))
    if n < 2:
        return CarSide({}, {}, 0.0)
    seconds = (t[:n] - t[0]) / 1e9
    metres_s = speed[:n] / 3.6
    way = np.concatenate(([0.0], np.cumsum(0.5 * (metres_s[1:] + metres_s[:-1]) * np.diff(seconds))))
    times: dict[str, tuple[float, float]] = {}
    trap: dict[str, float] = {}

    def when(metres: float) -> float:
        place = int(np.searchsorted(way, metres, side="left"))
        if place >= n:
            return math.nan
        if place == 0:
            return float(seconds[0])
        part = (metres - way[place - 1]) / (way[place] - way[place - 1])
        return float(seconds[place - 1] + part * (seconds[place] - seconds[place - 1]))

    for point, metres in POINTS.items():
        taken = [when(metres + out) - when(out) for out in rollout]
        if not all(math.isfinite(each) for each in taken):
            break
        times[point] = (min(taken), max(taken))
        middle = metres + sum(rollout) / 2.0
        if metres >= POINTS["660 ft"]:
            trap[point] = TRAP / (when(middle) - when(middle - TRAP)) * 3.6
    return CarSide(times, trap, float(way[-1]))


@dataclass(frozen=True, slots=True)
class Formula:
    """A published pair: time = `time` × (weight/power)^(1/3) s, speed = `speed` × (power/weight)^(1/3) mph; lb, hp."""

    name: str
    time: float
    speed: float
    source: str


FORMULAS: Final = (
    Formula("common practice", 5.825, 234.0, "common practice, no primary source"),
    Formula("Huntington", 6.29, 224.0, "R. Huntington, Horsepower at the Drag Strip, 1958 (text seen)"),
    Formula("Fox", 6.269, 230.0, "G. T. Fox, On the physics of drag racing, Am. J. Phys. 41 (1973) 311 (text seen)"),
)
"""Quarter mile from weight and power. They differ by 8 % among themselves: none is a measurement."""


def quarter_mile(formula: Formula, mass_kg: float, power_kw: float) -> tuple[float, float]:
    """Return (seconds, km/h at the end) of a quarter mile by a formula; mass with driver, power as the formula's."""
    ratio = (mass_kg / POUND) / (power_kw / HORSEPOWER)
    return formula.time * ratio ** (1.0 / 3.0), formula.speed * ratio ** (-1.0 / 3.0) * MPH


def power_from_speed(formula: Formula, mass_kg: float, speed_kmh: float) -> float:
    """Return kW by a formula from the speed at the end of a quarter mile."""
    return (mass_kg / POUND) * (speed_kmh / MPH / formula.speed) ** 3 * HORSEPOWER


def power_from_time(formula: Formula, mass_kg: float, seconds: float) -> float:
    """Return kW by a formula from the time of a quarter mile."""
    return (mass_kg / POUND) * (formula.time / seconds) ** 3 * HORSEPOWER


# ---- time slips ------------------------------------------------------------------------------------------------------

SLIP: Final = ("60 ft", "330 ft", "660 ft", "1000 ft", "1320 ft")
SLIP_SPEEDS: Final = ("660 ft", "1320 ft")
"""Where a slip shows a speed."""
COASTS: Final = 0.90
"""A speed may be so much less of the mean over the stretch before it: the car lifted before the line."""


def slip_problems(times: Mapping[str, float], speeds: Mapping[str, float], reaction: float | None = None) -> list[str]:
    """Say what cannot be on a time slip: order of times, speed against the times of its stretch; empty if all can.

    `times` in s and `speeds` in km/h by point. The speed at a line is the mean of the last 66 ft, so of a car that
    gains speed all the way it lies above the mean of the stretch before, and below what a constant gain over that
    stretch would give with the speed it had at its begin.
    """
    points = [point for point in SLIP if point in times]
    told = [
        f'"{name}" is no point of a strip; expected {", ".join(POINTS)}'
        for name in (*times, *speeds)
        if name not in POINTS
    ]
    told += [f"{point}: {times[point]:g} s is no time" for point in points if not 0.3 < times[point] < 60.0]
    told += [
        f"{two} at {times[two]:g} s comes before {one} at {times[one]:g} s: two numbers are in the wrong places"
        for one, two in pairwise(points)
        if times[two] <= times[one]
    ]
    if reaction is not None and not -1.0 <= reaction <= 10.0:
        told.append(f"reaction {reaction:g} s: expected -1 to 10")
    if told:
        return told
    for one, two, three in zip(("start", *points), points, points[1:], strict=False):
        before, then = _mean(times, one, two), _mean(times, two, three)
        if then < COASTS * before:
            told.append(
                f"{two} to {three}: {then * 3.6:.0f} km/h on the mean, less than the {before * 3.6:.0f} km/h of the "
                "stretch before"
            )
    for point, speed in speeds.items():
        passed = ["start", *(each for each in points if POINTS[each] < POINTS[point])]
        if point not in times or len(passed) < 2:
            continue
        mean, slower = _mean(times, passed[-1], point), _mean(times, passed[-2], passed[-1])
        # It began the stretch with the mean of the one before at least: at a constant gain it ends with 2·mean - that.
        least, most = COASTS * mean * 3.6, 1.05 * (2.0 * mean - slower) * 3.6
        if not least <= speed <= most:
            told.append(
                f"{speed:.1f} km/h at {point} does not fit its times: {mean * 3.6:.1f} km/h on the mean from "
                f"{passed[-1]}, so {least:.0f} to {most:.0f} km/h is expected"
            )
    return told


def _mean(times: Mapping[str, float], one: str, two: str) -> float:
    """Return the mean speed between two points, m/s."""
    begin = (0.0, 0.0) if one == "start" else (POINTS[one], times[one])
    return (POINTS[two] - begin[0]) / (times[two] - begin[1])
