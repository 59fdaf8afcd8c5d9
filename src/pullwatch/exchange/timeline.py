"""From the times a log says to session time: strictly increasing, runs one after the other, nothing thrown away unsaid.

The rules, in this order:

1. A row that is the row before once more (same time, same values) is left out and counted.
2. Where the log's times are coarser than its rows (more than `COARSE` of them share the time of the row before), rows
   that share a time are spread evenly over the step to the next time.
3. Time that falls back by more than `BACK_STEPS` steps and `BACK_NS` begins again: a new run. It stands in the same
   session, `BETWEEN_NS` of silence behind the last, so that everything has gone stale between the two.
4. What still does not rise is moved by the rule of time of the intake: a row begins at the end of the one before + 1 at
   the earliest.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from pullwatch.exchange.columnar import Chunk

NS: Final = 1_000_000_000
COARSE: Final = 0.05
BACK_STEPS: Final = 20
BACK_NS: Final = NS // 2
BETWEEN_NS: Final = 10 * NS
LEAD_NS: Final = 1_000_000
"""The first row stands so long behind the begin of the session: the record that opens the table has room before it."""
GAP_STEPS: Final = 10
GAP_NS: Final = NS
"""A step of more than both is a gap, and told: everything is stale in it by itself."""
PACE_ROWS: Final = 65_536


@dataclass(frozen=True, slots=True)
class Pace:
    """How the log's time goes: the usual step between two times (ns, 0: there is none), whether rows share times."""

    step: int
    coarse: bool

    @classmethod
    def of(cls, times: NDArray[np.int64], same: NDArray[np.bool_]) -> Pace:
        """Return the pace of the first rows; `same` says of each row whether it is the one before once more."""
        steps = np.diff(times[~same])
        rising = steps[steps > 0]
        step = int(np.median(rising)) if len(rising) else 0
        return cls(step, bool(len(steps)) and float(np.mean(steps == 0)) > COARSE)


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch in which the log's time rose: its first row in the file, the log's time there, and session time."""

    row: int
    file_ns: int
    t: int


@dataclass(frozen=True, slots=True)
class Placed:
    """Rows with session times (strictly increasing, room for `width` ns each). `begins`: a new run begins with them."""

    t: NDArray[np.int64]
    values: NDArray[np.float64]
    begins: bool


@dataclass(slots=True)
class Timeline:
    """Gives rows their session time. `width` is the ns a row owns: its bytes and one more."""

    width: int
    pace: Pace | None = None
    rows: int = 0
    twice: int = 0
    spread: int = 0
    moved: int = 0
    most_moved: int = 0
    runs: list[Run] = field(default_factory=list)
    gaps: int = 0
    longest_gap: int = 0
    first: int | None = None
    _free: int = 0
    _offset: int = 0
    _last_raw: int | None = None
    _last_values: NDArray[np.float64] | None = None
    _held: tuple[NDArray[np.int64], NDArray[np.float64]] | None = None
    _before: int = 0

    @property
    def end(self) -> int:
        """Session time of the last row, 0 before there is one."""
        return max(0, self._free - self.width)

    def place(self, chunks: Iterable[Chunk]) -> Iterator[Placed]:
        """Yield the rows with their session times, in order."""
        for chunk in chunks:
            yield from self._chunk(chunk.times_ns, chunk.values)
        if self._held is not None:
            times, values = self._held
            self._held = None
            yield from self._runs(self._evenly(times, None), values)

    def _chunk(self, times: NDArray[np.int64], values: NDArray[np.float64]) -> Iterator[Placed]:
        if not len(times):
            return
        same = self._same(times, values)
        if self.pace is None:
            self.pace = Pace.of(times[:PACE_ROWS], same[:PACE_ROWS])
            self.first = int(times[0])
        self._last_raw, self._last_values = int(times[-1]), values[-1].copy()
        self.twice += int(np.count_nonzero(same))
        times, values = times[~same], values[~same]
        if not self.pace.coarse:
            yield from self._runs(times, values)
            return
        if self._held is not None:
            times = np.concatenate((self._held[0], times))
            values = np.concatenate((self._held[1], values))
        cut = int(np.flatnonzero(times != times[-1])[-1]) + 1 if np.any(times != times[-1]) else 0
        self._held = times[cut:], values[cut:]
        if cut:
            yield from self._runs(self._evenly(times[:cut], int(times[-1])), values[:cut])

    def _same(self, times: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return of each row whether it is the one before once more, time and values."""
        same = np.zeros(len(times), dtype=np.bool_)
        alike = np.flatnonzero(np.diff(times) == 0) + 1
        if len(alike):
            one, other = values[alike], values[alike - 1]
            same[alike] = np.all((one == other) | (np.isnan(one) & np.isnan(other)), axis=1)
        if self._last_values is not None and times[0] == self._last_raw:
            same[0] = bool(np.array_equal(values[0], self._last_values, equal_nan=True))
        return same

    def _evenly(self, times: NDArray[np.int64], following: int | None) -> NDArray[np.int64]:
        """Return times in which rows that share one are spread over the step to the next."""
        assert self.pace is not None
        begins = np.flatnonzero(np.diff(times, prepend=times[0] - 1) != 0)
        counts = np.diff(begins, append=len(times))
        stamps = times[begins]
        step = self.pace.step or NS
        steps = np.diff(stamps, append=stamps[-1] + step if following is None else following)
        steps = np.where((steps <= 0) | (steps > 2 * step), step, steps)
        within = np.arange(len(times)) - np.repeat(begins, counts)
        self.spread += int(np.count_nonzero(within))
        spread: NDArray[np.int64] = times + np.repeat(steps, counts) * within // np.repeat(counts, counts)
        return spread

    def _runs(self, times: NDArray[np.int64], values: NDArray[np.float64]) -> Iterator[Placed]:
        """Cut rows where the log's time begins again, and place each stretch."""
        if not len(times):
            return
        assert self.pace is not None
        last = self._before if self.runs else int(times[0])
        steps = np.diff(times, prepend=last)
        back = max(BACK_NS, BACK_STEPS * self.pace.step)
        cuts = np.flatnonzero(steps < -back).tolist()
        gap = max(GAP_NS, GAP_STEPS * self.pace.step)
        gaps = steps[steps > gap]
        self.gaps += len(gaps)
        self.longest_gap = max(self.longest_gap, int(gaps.max(initial=0)))
        self._before = int(times[-1])
        edges = [0, *[cut for cut in cuts if cut], len(times)]
        for begin, end in pairwise(edges):
            fresh = begin in cuts or not self.runs
            yield self._one(times[begin:end], values[begin:end], fresh=fresh)

    def _one(self, times: NDArray[np.int64], values: NDArray[np.float64], *, fresh: bool) -> Placed:
        if fresh:
            start = LEAD_NS if not self.runs else self._free + BETWEEN_NS
            self._offset = start - int(times[0])
            self.runs.append(Run(self.rows + self.twice, int(times[0]), start))
            self._free = start
        stamped = times + self._offset
        lanes = np.arange(len(times), dtype=np.int64) * self.width
        t = np.maximum(np.maximum.accumulate(stamped - lanes), self._free) + lanes
        late = t - stamped
        self.moved += int(np.count_nonzero(late))
        self.most_moved = max(self.most_moved, int(late.max(initial=0)))
        self.rows += len(times)
        self._free = int(t[-1]) + self.width
        return Placed(t, values, fresh)

    def told(self) -> list[str]:
        """Say what was done to the times."""
        out = []
        if self.twice:
            out.append(f"{_rows(self.twice)} once more, time and values: left out")
        if self.spread:
            step = self.pace.step / 1e6 if self.pace is not None else 0.0
            out.append(
                f"{_rows(self.spread)} with the time of the row before: the file's times are coarser than its rows, "
                f"which are spread evenly over each step ({step:g} ms)"
            )
        if self.moved:
            out.append(
                f"{_rows(self.moved)} whose time did not rise: moved on, by {self.most_moved / 1e6:.6g} ms at the most"
            )
        else:
            out.append("no row was moved: every time rose")
        if len(self.runs) > 1:
            out.append(
                f"{len(self.runs)} runs: the file's time begins again {len(self.runs) - 1} times. They stand in one "
                f"session, with {BETWEEN_NS / NS:.0f} s of silence between them"
            )
        if self.gaps:
            gaps = "1 gap" if self.gaps == 1 else f"{self.gaps:,} gaps"
            out.append(f"{gaps} in time, the longest {self.longest_gap / NS:.1f} s: nothing is known there")
        return out


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"
