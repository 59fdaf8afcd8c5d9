"""Limit curves: a limit that moves along another channel."""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray  # noqa: TC002 - used by the dataclass at run time in docs only


@dataclass(frozen=True, slots=True)
class Curve:
    """A named limit: straight lines between points; beyond the ends held, or not known.

    `along` is a channel number, `at` its points (strictly rising, its unit), `value` the limits there (unit of what is
    judged). With `hold` the end values go on beyond the ends; else a point outside has no limit (NaN: not known).
    """

    name: str
    along: int
    at: tuple[float, ...]
    value: tuple[float, ...]
    hold: bool = True

    def one(self, x: float) -> float:
        """Return the limit at x. Same arithmetic, operation by operation, as `many`."""
        at, value = self.at, self.value
        if x <= at[0]:
            return value[0] if self.hold or x == at[0] else math.nan
        if x >= at[-1]:
            return value[-1] if self.hold or x == at[-1] else math.nan
        i = bisect.bisect_right(at, x) - 1
        return value[i] + (x - at[i]) * (value[i + 1] - value[i]) / (at[i + 1] - at[i])

    def many(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the limits at every x, bit for bit what `one` returns."""
        at = np.asarray(self.at)
        value = np.asarray(self.value)
        if len(at) == 1:
            inside = np.full(len(x), value[0])
        else:
            i = np.clip(np.searchsorted(at, x, side="right") - 1, 0, len(at) - 2)
            inside = value[i] + (x - at[i]) * (value[i + 1] - value[i]) / (at[i + 1] - at[i])
        below = value[0] if self.hold else math.nan
        above = value[-1] if self.hold else math.nan
        out = np.where(x < at[0], below, np.where(x > at[-1], above, inside))
        out = np.where(x == at[0], value[0], out)
        return np.where(x == at[-1], value[-1], out)
