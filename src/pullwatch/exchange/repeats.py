"""Slow channels that a log repeats at the rate of its fast ones: a repeat is no sample.

The rule, the same for every column:

* A column's period is the shortest usual time between two changes of its value: the mean of those intervals that are no
  longer than one and a half times the one below which `FEW` of them lie. It is taken to be no faster than it ever
  showed itself.
* Where that is less than one and a half rows, every row is a sample.
* Else it has a sample at each change and, while it repeats, one every `LATE` periods.
* No period is longer than `SLOWEST_NS`; a column with fewer than `LEAST_CHANGES` changes shows none and has that one.
* A run begins later than any such beat, so every column has a sample in its first row.
* Empty cells are no samples: a column that is filled at its own rate has the rows that it has.

What cannot be told from a repeated value is whether its source still lives: for that, other channels must speak.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_CHANGES: Final = 20
FEW: Final = 0.05
SLOWEST_NS: Final = 1_000_000_000
KEPT: Final = 4_096
"""Intervals that are looked at, of each column."""
LATE: Final = 1.25
"""Periods after the last sample until a repeat is taken for one: later than a change that comes a little late."""


@dataclass(frozen=True, slots=True)
class Period:
    """How often a column has samples. `row` and `period` are ns; `held`: it is repeated between its samples.

    `shown` says whether its changes showed the period; else it is the slowest we take. `changes` counts them, up to
    `KEPT`.
    """

    row: int
    period: int
    held: bool
    shown: bool
    changes: int

    @property
    def rate(self) -> float:
        """Samples a second; 0 for a column without any."""
        return 1e9 / self.period if self.period else 0.0


@dataclass(slots=True)
class Changes:
    """The times between changes of one column, gathered while it is read."""

    rows: list[NDArray[np.int64]] = field(default_factory=list)
    between: list[NDArray[np.int64]] = field(default_factory=list)
    counted: int = 0
    kept_rows: int = 0
    _last: float = float("nan")
    _last_t: int = -1
    _changed_t: int = -1

    def add(self, t: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        """Look at more rows, those with a number only; `t` is session ns."""
        if not len(t) or (self.counted >= KEPT and self.kept_rows >= KEPT):
            return
        if self.kept_rows < KEPT:
            steps = np.diff(t) if self._last_t < 0 else np.diff(t, prepend=self._last_t)
            self.rows.append(steps[:KEPT].copy())
            self.kept_rows += len(steps)
        changed = np.flatnonzero(values != np.concatenate(((self._last,), values[:-1])))
        if np.isnan(self._last):
            changed = changed[changed > 0]  # the first number is no change
        when = t[changed]
        if len(when):
            between = np.diff(when) if self._changed_t < 0 else np.diff(when, prepend=self._changed_t)
            self.between.append(between[: KEPT - self.counted].copy())
            self.counted += len(when)
            self._changed_t = int(when[-1])
        self._last, self._last_t = float(values[-1]), int(t[-1])

    def interrupted(self) -> None:
        """Forget the last row: what follows is another run."""
        self._last, self._last_t, self._changed_t = float("nan"), -1, -1

    def period(self) -> Period:
        """Return how often the column has samples, by the rule."""
        rows = np.concatenate(self.rows) if self.rows else np.zeros(0, dtype=np.int64)
        row = int(np.median(rows)) if len(rows) else 0
        between = np.concatenate(self.between) if self.between else np.zeros(0, dtype=np.int64)
        if row >= SLOWEST_NS or not row:
            return Period(row, row, held=False, shown=True, changes=self.counted)
        if len(between) < LEAST_CHANGES:
            return Period(row, SLOWEST_NS, held=True, shown=False, changes=self.counted)
        low = float(np.quantile(between, FEW, method="lower"))
        if low < 1.5 * row:
            return Period(row, row, held=False, shown=True, changes=self.counted)
        usual = float(np.mean(between[(between >= low) & (between <= 1.5 * low)]))
        return Period(row, min(round(usual), SLOWEST_NS), held=True, shown=True, changes=self.counted)


class Thinning:
    """Takes the repeats out of columns. `periods` has one for each column; those not held are left as they are."""

    def __init__(self, periods: list[Period]) -> None:
        self._held = [(at, round(one.period * LATE)) for at, one in enumerate(periods) if one.held]
        self._last: dict[int, tuple[float, int]] = {}
        self.taken_out = 0
        """Cells that were repeats."""

    def thin(self, t: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return rows (n, columns) at `t` (session ns) with NaN where a value is a repeat."""
        out = values.copy()
        for at, every in self._held:
            column = values[:, at]
            there = np.flatnonzero(~np.isnan(column))
            if not len(there):
                continue
            numbers, times = column[there], t[there]
            before = np.concatenate(((self._last.get(at, (np.nan, 0))[0],), numbers[:-1]))
            samples = numbers != before  # the first of all differs from NaN
            sampled, last = self._beats(times, samples, every, self._last.get(at, (0.0, -(2**62)))[1])
            repeats = there[~sampled]
            out[repeats, at] = np.nan
            self.taken_out += len(repeats)
            self._last[at] = float(numbers[-1]), last
        return out

    @staticmethod
    def _beats(
        times: NDArray[np.int64], changes: NDArray[np.bool_], every: int, last: int
    ) -> tuple[NDArray[np.bool_], int]:
        """Return which rows are samples, and the time of the last one: every change, and a beat where none comes."""
        sampled = changes.copy()
        places = np.flatnonzero(changes).tolist()
        for begin, end in zip([-1, *places], [*places, len(times)], strict=True):
            at, since = begin + 1, int(times[begin]) if begin >= 0 else last
            if at >= end or times[end - 1] < since + every:
                last = since
                continue
            while at < end:
                at += int(times[at:end].searchsorted(since + every))
                if at >= end:
                    break
                sampled[at] = True
                since = int(times[at])
                at += 1
            last = since
        return sampled, last
