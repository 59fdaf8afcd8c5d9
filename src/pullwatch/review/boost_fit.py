"""Boost from wastegate duty: two models of an actuator, each fitted to what was driven, and the union of what they say.

Gauge boost b at a duty d (share of 1). A straight line, b = b0 + m d; and the balance of forces on an actuator whose
spring alone holds S and from which the valve takes the share k d of the pressure away, 1/b = (1 - k d)/S. Beyond the
duties driven the line errs low, which is the dangerous way, so neither is believed alone: from the lower end of the one
interval to the upper end of the other.

The scatter of runs goes with the boost: both are fitted with relative weights, and what they give is where the next run
would come out, not where a mean lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.review.intervals import KNOWN, LEVEL, Interval, contradicts, student

if TYPE_CHECKING:
    from collections.abc import Sequence

USUAL: Final = 0.01
"""Standard deviation of settled boost from run to run, as a share of it (common practice, no source) ..."""
OWN_FROM: Final = 3
"""... which stands for that of a car until its runs have so many degrees of freedom (five runs of a line), unless fewer
contradict it."""


@dataclass(frozen=True, slots=True)
class Fit:
    """One model fitted: y = at + slope·d with d as a share, y the boost (kPa gauge), or 1 over it where `inverse`.

    `s` is the relative scatter of a run with `freedom` degrees; `spread` the 2 × 2 covariance of (at, slope) over s².
    """

    name: str
    at: float
    slope: float
    inverse: bool
    s: float
    freedom: int
    spread: tuple[tuple[float, float], tuple[float, float]]

    def here(self, duty: float) -> float:
        """Return the boost, kPa gauge, at a duty in %; infinite where the balance gives way."""
        y = self.at + self.slope * duty / 100.0
        if not self.inverse:
            return y
        return 1.0 / y if y > 0 else math.inf

    def next_run(self, duty: float, level: float = LEVEL) -> Interval:
        """Return where one more run at a duty (%) comes out, kPa gauge."""
        d = duty / 100.0
        y = self.at + self.slope * d
        (aa, ab), (_, bb) = self.spread
        of_fit = aa + 2.0 * ab * d + bb * d * d
        half = student(self.freedom, level) * self.s * math.sqrt(y * y + of_fit)
        low, high = y - half, y + half
        if not self.inverse:
            return Interval(y, low, high)
        return Interval(self.here(duty), 1.0 / high if high > 0 else math.inf, 1.0 / low if low > 0 else math.inf)

    def slope_interval(self) -> Interval:
        """Return the slope, in what y is measured in per duty of 1."""
        half = student(self.freedom) * self.s * math.sqrt(self.spread[1][1])
        return Interval(self.slope, self.slope - half, self.slope + half)

    @property
    def spring(self) -> float:
        """What the spring holds alone by the balance of forces, kPa gauge. Only where `inverse`."""
        return 1.0 / self.at

    @property
    def gain(self) -> float:
        """The k of the balance of forces. Only where `inverse`."""
        return -self.slope / self.at


@dataclass(frozen=True, slots=True)
class Predicted:
    """What the next run at a duty (%) would give, kPa gauge: by each model, and [least, most] of both together."""

    duty: float
    line: Interval
    balance: Interval

    @property
    def least(self) -> float:
        """The lower end of the union."""
        return min(self.line.least, self.balance.least)

    @property
    def most(self) -> float:
        """The upper end of the union."""
        return max(self.line.most, self.balance.most)

    def holds(self, boost: float) -> bool:
        """Whether a boost lies within the union."""
        return self.least <= boost <= self.most


@dataclass(frozen=True, slots=True)
class Models:
    """Both models of the same runs."""

    line: Fit
    balance: Fit

    def next_run(self, duty: float, level: float = LEVEL) -> Predicted:
        """Return where one more run at a duty (%) comes out."""
        return Predicted(duty, self.line.next_run(duty, level), self.balance.next_run(duty, level))

    def known(self) -> Models:
        """Return them with the scatter taken for known, however few runs it is of."""
        return Models(replace(self.line, freedom=KNOWN), replace(self.balance, freedom=KNOWN))


def relative_scatter(squares: float, freedom: int, own_from: int = OWN_FROM) -> tuple[float, int]:
    """Return relative scatter and its degrees of freedom from a sum of squares: the car's own, else the usual one."""
    if freedom >= own_from or contradicts(squares, freedom, USUAL):
        return math.sqrt(squares / freedom), freedom
    return USUAL, KNOWN


def fitted(duties: Sequence[float], boosts: Sequence[float], own_from: int = OWN_FROM) -> Models | None:
    """Fit both models to runs: duty in %, settled boost in kPa gauge, above 0. None of fewer than two duties.

    `own_from`: from so many degrees of freedom on the runs' own scatter counts.
    """
    d, b = np.asarray(duties, dtype=np.float64) / 100.0, np.asarray(boosts, dtype=np.float64)
    if len(d) < 2 or np.ptp(d) <= 0:
        return None
    return Models(
        _weighted("line", d, b, own_from, inverse=False),
        _weighted("balance of forces", d, 1.0 / b, own_from, inverse=True),
    )


def _weighted(name: str, d: np.ndarray, y: np.ndarray, own_from: int, *, inverse: bool) -> Fit:
    """Least squares with weights 1/y²: the scatter is a share of what is measured."""
    x = np.stack((np.ones_like(d), d), axis=1)
    normal = np.linalg.inv(x.T @ (x / (y * y)[:, None]))
    at, slope = (normal @ (x.T @ (1.0 / y))).tolist()
    squares = float((((y - at - slope * d) / y) ** 2).sum())
    s, freedom = relative_scatter(squares, len(d) - 2, own_from)
    (aa, ab), (ba, bb) = normal.tolist()
    return Fit(name, at, slope, inverse, s, freedom, ((aa, ab), (ba, bb)))


def usual_mean(boosts: Sequence[float]) -> Interval:
    """Return the mean of settled boosts at one duty (kPa gauge), by the usual scatter where they are few."""
    b = np.asarray(boosts, dtype=np.float64)
    middle = float(b.mean())
    s, freedom = relative_scatter(float(((b / middle - 1.0) ** 2).sum()), len(b) - 1)
    half = student(freedom) * s * middle / math.sqrt(len(b))
    return Interval(middle, middle - half, middle + half)
