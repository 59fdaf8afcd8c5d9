"""The last two steps of every decoder: bring a number to the channel's unit, and say whether it is to be believed.

Both exist for one number and for an array of them, with the same float64 operations in the same order, so that a value
is the same to the last bit however it came through.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import Why

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch.channels import Unit

LARGEST: Final = sys.float_info.max
_NOT_A_NUMBER: Final = int(Why.NOT_A_NUMBER)
_IMPLAUSIBLE: Final = int(Why.IMPLAUSIBLE)


@dataclass(frozen=True, slots=True)
class Bring:
    """How a sent number is brought to the channel's unit: number × factor + offset, or number ÷ divisor.

    The same arithmetic as `channels.bring`: air-fuel numbers are divided by their scale, everything else is multiplied.
    Plain numbers and no `Unit`, because it is written into the session's start record.
    """

    factor: float = 1.0
    offset: float = 0.0
    divisor: float = 1.0

    @classmethod
    def of(cls, unit: Unit) -> Bring:
        """Return what brings a number in `unit` to the unit it is stored in."""
        if unit.word.startswith("AFR@"):
            return cls(divisor=float(unit.word[4:]))
        return cls(factor=unit.factor, offset=unit.offset)

    @property
    def is_none(self) -> bool:
        """Whether the number is in the channel's unit already."""
        return self == _SAME

    def one(self, number: float) -> float:
        """Bring one number."""
        if self.divisor != 1.0:
            return number / self.divisor
        return number * self.factor + self.offset

    def all(self, numbers: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bring an array of numbers, shape (n,)."""
        if self.divisor != 1.0:
            return numbers / self.divisor
        return numbers * self.factor + self.offset


_SAME: Final = Bring()


def bounds(low: float, high: float) -> tuple[float, float]:
    """Return the range for the comparison `low <= value <= high` that only a finite, believable value passes."""
    return max(low, -LARGEST), min(high, LARGEST)


def doubted(value: float) -> tuple[float, int]:
    """Return (value, why) of a value that is outside its `bounds`. Every NaN becomes the one plain NaN."""
    if value != value:  # noqa: PLR0124 - the quickest test for NaN
        return math.nan, _NOT_A_NUMBER
    if value in (math.inf, -math.inf):
        return value, _NOT_A_NUMBER
    return value, _IMPLAUSIBLE


def screened(value: float, low: float, high: float) -> tuple[float, int]:
    """Return (value, why): NOT_A_NUMBER for NaN and infinity, IMPLAUSIBLE outside [low, high], else GOOD."""
    if -LARGEST <= value <= LARGEST and low <= value <= high:
        return value, 0
    return doubted(value)


def screened_all(values: NDArray[np.float64], low: float, high: float) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return (values, whys), both of shape (n,), as `screened` does for one."""
    low, high = bounds(low, high)
    why = np.zeros(len(values), dtype=np.uint8)
    # A NaN among them is both their least and their greatest, and no comparison with it holds.
    if len(values) and not (low <= np.minimum.reduce(values) and np.maximum.reduce(values) <= high):
        why[~((values >= low) & (values <= high))] = _IMPLAUSIBLE
        why[~np.isfinite(values)] = _NOT_A_NUMBER
        values = np.where(np.isnan(values), math.nan, values)
    return values, why
