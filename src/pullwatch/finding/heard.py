"""What was heard on a port: the bytes with their times, and nothing understood yet."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

_NS: Final = 1e9
SHORTEST: Final = 0.2
"""Seconds of hearing without which no rate is told."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Pieces as they were read, each with the time (ns) of its reading, between two moments (ns).

    `place` is the port as the system named it when it was opened; `lost` why hearing ended early, empty if it did not.
    """

    pieces: tuple[tuple[int, bytes], ...] = ()
    began: int = 0
    ended: int = 0
    place: str = ""
    lost: str = ""
    _ends: tuple[int, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_ends", tuple(accumulate(len(data) for _, data in self.pieces)))

    @property
    def data(self) -> bytes:
        """All of it, joined."""
        return b"".join(data for _, data in self.pieces)

    @property
    def size(self) -> int:
        """How many bytes came."""
        return self._ends[-1] if self._ends else 0

    @property
    def seconds(self) -> float:
        """How long it was heard."""
        return max(self.ended - self.began, 1) / _NS

    def time_of(self, at: int) -> int:
        """Return the time (ns) of the byte at `at` of `data`."""
        return self.pieces[bisect_right(self._ends, at)][0]


def rate_of(times: Sequence[int], seconds: float) -> float:
    """Return how often a second something came at `times` (ns, ascending), heard for `seconds`.

    From the first to the last of them; where they came in one short burst, over the whole time. NaN if it was heard for
    too short a time to tell.
    """
    if seconds < SHORTEST:
        return math.nan
    span = (times[-1] - times[0]) / _NS if times else 0.0
    return (len(times) - 1) / span if span > seconds / 2 else len(times) / seconds
