"""A first look through a whole log: what each column held, how often, and what it read while the engine stood or idled.

The engine stands where its speed has been 0 for a while, and idles where it has been slow for a while. What a pressure
read then says whether it is gauge or absolute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.exchange.repeats import Changes
from pullwatch.exchange.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from pullwatch.exchange.columnar import Columnar
    from pullwatch.exchange.repeats import Period
    from pullwatch.exchange.timeline import Placed

SETTLE_NS: Final = 500_000_000
"""The engine must have stood, or idled, for so long: pressures need their time."""
IDLE: Final = (500.0, 1_300.0)
"""rpm between which an engine idles, or nearly (common practice, no source)."""
SOME: Final = 256
MANY_CHUNKS: Final = 16
"""Numbers kept of each chunk; a quarter of that once there are many chunks."""


@dataclass(slots=True)
class Held:
    """What a column read in some state: rows, sum, least and most, in the file's own unit."""

    count: int = 0
    total: float = 0.0
    least: float = math.inf
    most: float = -math.inf

    def add(self, values: NDArray[np.float64]) -> None:
        """Add numbers (no NaN among them)."""
        if len(values):
            self.count += len(values)
            self.total += float(values.sum())
            self.least = min(self.least, float(values.min()))
            self.most = max(self.most, float(values.max()))

    @property
    def mean(self) -> float:
        """Their mean, NaN if there are none."""
        return self.total / self.count if self.count else math.nan


@dataclass(slots=True)
class Seen:
    """One column, looked through: all of it, and by whether the engine stood or idled. `whole`: no fractions."""

    name: str
    unit: str
    all: Held = field(default_factory=Held)
    stood: Held = field(default_factory=Held)
    idled: Held = field(default_factory=Held)
    below: int = 0
    """Numbers below 0 ..."""
    above: int = 0
    """... and above it."""
    whole: bool = True
    some: list[NDArray[np.float64]] = field(default_factory=list)
    """Some of the numbers from all over the log ..."""
    changes: Changes = field(default_factory=Changes)

    @property
    def period(self) -> Period:
        """How often it has samples."""
        return self.changes.period()

    @property
    def usual(self) -> tuple[float, float]:
        """Between which numbers it was, but for a hundredth at either end: NaN if there are none."""
        if not self.some:
            return math.nan, math.nan
        low, high = np.quantile(np.concatenate(self.some), (0.01, 0.99))
        return float(low), float(high)


@dataclass(slots=True)
class Survey:
    """A whole log, looked through. `rows` had a time; `timeline` says what was done to the times."""

    columns: list[Seen]
    timeline: Timeline
    speed: int | None
    notes: list[str] = field(default_factory=list)


def width_of(columns: int) -> int:
    """Return how many ns a row of so many numbers owns: its bytes and one more."""
    return 8 * columns + 1


def survey(source: Columnar, speed: int | None, progress: Callable[[float], None] | None = None) -> Survey:
    """Look through a log. `speed` is the column that has the engine speed in rpm, by its name, if one has."""
    timeline = Timeline(width_of(max(len(source.names), 1)))
    columns = [Seen(name, unit) for name, unit in zip(source.names, source.units, strict=True)]
    states = _States()
    for placed in timeline.place(source.chunks(progress)):
        if placed.begins:
            states = _States()
            for one in columns:
                one.changes.interrupted()
        _look(columns, placed, states, speed)
    return Survey(columns, timeline, speed, [*source.notes, *source.told()])


def _look(columns: list[Seen], placed: Placed, states: _States, speed: int | None) -> None:
    values, t = placed.values, placed.t
    stood = idled = None
    if speed is not None:
        stood, idled = states.of(t, values[:, speed])
    for at, one in enumerate(columns):
        column = values[:, at]
        there = np.isfinite(column)
        every = bool(there.all())
        numbers = column if every else column[there]
        if not len(numbers):
            continue
        one.all.add(numbers)
        one.below += int(np.count_nonzero(numbers < 0))
        one.above += int(np.count_nonzero(numbers > 0))
        one.whole = one.whole and bool(np.all(numbers == np.rint(numbers)))
        kept = SOME if len(one.some) < MANY_CHUNKS else SOME // 4
        one.some.append(numbers[:: max(1, len(numbers) // kept)].copy())
        one.changes.add(t if every else t[there], numbers)
        if stood is not None and idled is not None:
            one.stood.add(column[stood & there])
            one.idled.add(column[idled & there])


class _States:
    """Whether the engine stands or idles, and has for a while."""

    def __init__(self) -> None:
        self._not_stood = -(2**62)
        self._not_idled = -(2**62)
        self._begun = False
        self._speed = math.nan

    def of(self, t: NDArray[np.int64], speed: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return for each row whether the engine has stood, and has idled, for `SETTLE_NS`."""
        if not self._begun:  # what was before the first row nobody knows
            self._begun = True
            self._not_stood = self._not_idled = int(t[0])
        known = np.isfinite(speed)
        last = np.maximum.accumulate(np.where(known, np.arange(1, len(speed) + 1), 0))
        speed = np.concatenate(((self._speed,), speed))[last]  # a speed that was not sampled is the last one
        self._speed = float(speed[-1])
        wrong_stood = ~(speed == 0)
        wrong_idled = ~((speed >= IDLE[0]) & (speed <= IDLE[1]))
        stood, self._not_stood = _since(t, wrong_stood, self._not_stood)
        idled, self._not_idled = _since(t, wrong_idled, self._not_idled)
        return stood, idled


def _since(t: NDArray[np.int64], otherwise: NDArray[np.bool_], last: int) -> tuple[NDArray[np.bool_], int]:
    """Return for each row whether it has not been otherwise for `SETTLE_NS`, and when it last was."""
    when = np.maximum.accumulate(np.maximum(np.where(otherwise, t, -(2**62)), last))
    return t - when >= SETTLE_NS, int(when[-1])
