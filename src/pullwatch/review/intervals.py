"""Intervals: Student's t without a library, means, differences of two groups, and a straight line through points.

Every answer that gives a number gives it as an `Interval`: the best value with least and most at 95 %. What is known
apart from the scatter (a sensor's floor, a delay) is added by `widened`.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LEVEL: Final = 0.95


class Interval(NamedTuple):
    """A value with its 95 % interval [least, most], all in one unit. Infinite ends: nothing bounds it there."""

    value: float
    least: float
    most: float

    @property
    def half(self) -> float:
        """Half its width."""
        return (self.most - self.least) / 2.0

    def widened(self, by: float) -> Interval:
        """Return it with what is known besides the scatter (± `by`, independent of it), added in quadrature."""
        low, high = self.value - self.least, self.most - self.value
        return Interval(self.value, self.value - math.hypot(low, by), self.value + math.hypot(high, by))

    def holds(self, value: float) -> bool:
        """Whether a value lies within."""
        return self.least <= value <= self.most

    def apart(self, other: Interval) -> bool:
        """Whether the two have no value in common."""
        return self.most < other.least or other.most < self.least

    def text(self, digits: int = 1, unit: str = "") -> str:
        """Write it: `3.1 (2.4 to 3.8) %`."""
        tail = f" {unit}" if unit and unit != "%" else unit and f" {unit}"
        return f"{self.value:.{digits}f} ({self.least:.{digits}f} to {self.most:.{digits}f}){tail}"


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function (Lentz's method)."""
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    total = d
    for m in range(1, 500):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + numerator / c
            c = c if abs(c) > tiny else tiny
            total *= c * d
        if abs(c * d - 1.0) < 1e-14:
            break
    return total


def _beta(a: float, b: float, x: float) -> float:
    """Return the regularised incomplete beta function."""
    if x <= 0.0 or x >= 1.0:
        return float(x >= 1.0)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def beyond(t: float, freedom: float) -> float:
    """Return how likely Student's t with so many degrees of freedom is beyond ± `t`."""
    return _beta(freedom / 2.0, 0.5, freedom / (freedom + t * t))


@cache
def student(freedom: float, level: float = LEVEL) -> float:
    """Return the t within ± which Student's distribution lies with `level`; infinite without a degree of freedom."""
    if freedom <= 0:
        return math.inf
    low, high = 0.0, 1.0
    while beyond(high, freedom) > 1.0 - level:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = (low + high) / 2.0
        low, high = (middle, high) if beyond(middle, freedom) > 1.0 - level else (low, middle)
        if high - low <= 1e-13 * high:
            break
    return (low + high) / 2.0


KNOWN: Final = 100_000
"""Degrees of freedom of a scatter that is taken for known: Student's t is the normal distribution then."""


def chi_square(freedom: float, z: float) -> float:
    """Return the chi-square that is exceeded as often as a normal variable exceeds `z` (Wilson and Hilferty, 1931).

    Within 2 % for z = 2.3 from one degree of freedom on, within 8 % for z = ±1.96 from four on. Needs freedom > 0.
    """
    ninth = 2.0 / (9.0 * freedom)
    return float(freedom * max(0.0, 1.0 - ninth + z * math.sqrt(ninth)) ** 3)


def contradicts(squares: float, freedom: int, usual: float) -> bool:
    """Say whether a sum of squares with so many degrees of freedom is too large, at 99 %, for a usual scatter."""
    return freedom > 0 and squares > chi_square(freedom, 2.326347874) * usual * usual


def mean(values: Sequence[float] | NDArray[np.float64], level: float = LEVEL) -> Interval:
    """Return the mean of independent values with its interval; of one value nothing bounds it. Needs one at least."""
    v = np.asarray(values, dtype=np.float64)
    middle = float(v.mean())
    if len(v) < 2:
        return Interval(middle, -math.inf, math.inf)
    half = student(len(v) - 1, level) * float(v.std(ddof=1)) / math.sqrt(len(v))
    return Interval(middle, middle - half, middle + half)


def difference(
    new: Sequence[float], old: Sequence[float], usual: float | None = None, level: float = LEVEL
) -> Interval:
    """Return mean(new) - mean(old) with its interval: t·s·√(1/n₁ + 1/n₂), s pooled.

    With too few to know the scatter, `usual` (a standard deviation known from elsewhere) stands for it: 1.96·s·√(1/n₁ +
    1/n₂). Without either nothing bounds it.
    """
    a, b = np.asarray(new, dtype=np.float64), np.asarray(old, dtype=np.float64)
    value = float(a.mean() - b.mean())
    freedom = len(a) + len(b) - 2
    root = math.sqrt(1.0 / len(a) + 1.0 / len(b))
    if usual is not None:
        half = 1.959963984540054 * usual * root
    elif freedom < 1:
        half = math.inf
    else:
        squares = float(((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum())
        half = student(freedom, level) * math.sqrt(squares / freedom) * root
    return Interval(value, value - half, value + half)


class Line(NamedTuple):
    """A least-squares line y = at + slope·x; `s` the scatter about it with `freedom` degrees; `x`, `xx` of its data."""

    at: float
    slope: float
    s: float
    freedom: int
    points: int
    x: float
    xx: float

    def here(self, x: float, *, another: bool = False, level: float = LEVEL) -> Interval:
        """Return the line's value at x with its interval; with `another`, that of one more point measured there."""
        value = self.at + self.slope * x
        if self.freedom < 1 or self.xx <= 0:
            return Interval(value, -math.inf, math.inf)
        spread = 1.0 / self.points + (x - self.x) ** 2 / self.xx + (1.0 if another else 0.0)
        half = student(self.freedom, level) * self.s * math.sqrt(spread)
        return Interval(value, value - half, value + half)

    def slope_interval(self, level: float = LEVEL) -> Interval:
        """Return the slope with its interval."""
        if self.freedom < 1 or self.xx <= 0:
            return Interval(self.slope, -math.inf, math.inf)
        half = student(self.freedom, level) * self.s / math.sqrt(self.xx)
        return Interval(self.slope, self.slope - half, self.slope + half)


def line(x: Sequence[float] | NDArray[np.float64], y: Sequence[float] | NDArray[np.float64]) -> Line:
    """Return the least-squares line through points; of points at one x the slope is 0 and bounded by nothing."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    x0, y0 = float(xs.mean()), float(ys.mean())
    xx = float(((xs - x0) ** 2).sum())
    slope = float(((xs - x0) * (ys - y0)).sum()) / xx if xx > 0 else 0.0
    rest = ys - y0 - slope * (xs - x0)
    freedom = len(xs) - 2
    s = math.sqrt(float((rest**2).sum()) / freedom) if freedom > 0 else math.nan
    return Line(y0 - slope * x0, slope, s, freedom, len(xs), x0, xx)
