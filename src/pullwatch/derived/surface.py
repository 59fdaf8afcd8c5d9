"""A limit over two channels, and mixture on the scale the owner's gauges show: tables and plain arithmetic."""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

from pullwatch.derived import NAN, Computed, Elementwise

if TYPE_CHECKING:
    from collections.abc import Sequence


class Surface(Computed):
    """A value over two channels: planes between the points of a table, held or not known beyond its edges.

    `x_at` and `y_at` (strictly rising, the units of the two channels) are the table's axes, `values[i][j]` the value at
    `x_at[i]`, `y_at[j]`. Between them it is linear along the one and then along the other. With `hold` the edge goes on
    beyond it; else there is no value outside.
    """

    def __init__(
        self, x_at: Sequence[float], y_at: Sequence[float], values: Sequence[Sequence[float]], *, hold: bool = True
    ) -> None:
        self._x, self._y = tuple(x_at), tuple(y_at)
        self._values = tuple(tuple(row) for row in values)
        self._hold = hold

    def formula(self, value: float, *others: float) -> float:
        """Return the value at (first channel, second channel)."""
        i, a = _place(self._x, value)
        j, b = _place(self._y, others[0])
        if not self._hold and not (0.0 <= a <= 1.0 and 0.0 <= b <= 1.0):
            return NAN
        a, b = min(max(a, 0.0), 1.0), min(max(b, 0.0), 1.0)
        low, high = self._values[i], self._values[min(i + 1, len(self._x) - 1)]
        k = min(j + 1, len(self._y) - 1)
        left = low[j] + a * (high[j] - low[j])
        right = low[k] + a * (high[k] - low[k])
        return left + b * (right - left)


def _place(at: tuple[float, ...], x: float) -> tuple[int, float]:
    """Return the interval of an axis that x lies in, and how far into it, outside 0 to 1 beyond the ends."""
    i = min(max(bisect_right(at, x) - 1, 0), len(at) - 2)
    return i, (x - at[i]) / (at[i + 1] - at[i])


class AirFuel(Elementwise):
    """Lambda × the scale that the owner's gauges and tables show at lambda 1. For showing: lambda is what is judged."""

    def __init__(self, scale: float) -> None:
        self._scale = scale

    def formula(self, value: float, *others: float) -> float:  # noqa: ARG002 - it has none
        """Return the air-fuel number."""
        return value * self._scale
