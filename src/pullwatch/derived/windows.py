"""Operators that look at the last so many nanoseconds of one channel.

A channel is a right-continuous step function of whole nanoseconds: the latest sample, known if it is good and not yet
stale. A window of w ns at t is the w instants s with t − w < s ≤ t, and everything here is defined over those instants
and not over samples: a sample that stands for 20 ms weighs twice as much as one that stands for 10.

    samples  ●───────●───────×        ●───────●        × in doubt: not known from there to the next good sample
    known    ├───────────────┤        ├───────┤
    window            t − w ├──────────────────┤ t

Too little of the window known, and there is no number: by default all of it must be, so that a window that reaches back
before the first sample, over a gap, or over a sample in doubt says nothing. Nothing unknown is ever added to a sum, so
that it is gone as soon as the window has passed it.

Sums are whole numbers (value in 2⁻²⁰ of the unit, times ns): added up and taken off again in any order they are the
same, on every machine and whatever the batches. Both ways of working, one sample and many, use them.
"""

from __future__ import annotations

import abc
import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.columns import Column
from pullwatch.derived import UNKNOWN, Operator

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whys = NDArray[np.uint8]
    Ints = NDArray[np.int64]
    Span = tuple[int, int, float]

NAN: Final = math.nan
WHOLE: Final = 1 << 20
"""Whole numbers in a unit: sums are exact in 2⁻²⁰ (about 10⁻⁶) of it."""
LARGEST: Final = float(1 << 26)
"""No channel holds 67 million of its unit. What is beyond is not known here: sums of it would not fit 64 bits."""
LONGEST: Final = 60_000_000_000
"""ns: the longest window, for the same reason."""
_LONG_AGO: Final = -(1 << 62)


def whole(value: float) -> int:
    """Return a value in whole 2⁻²⁰ of its unit; halves go to the even neighbour. At most `LARGEST` in size."""
    return round(value * WHOLE)


class Windowed(Operator):
    """Keeps what is known of its trigger in the last `instants` ns, and asks `value` when that is enough.

    `stale_after` (ns) is the trigger's; at least the share `least_known` of the window must be known. Time and memory
    for one sample do not grow with the window: each stretch comes and goes once.

    Raises ValueError if the window is empty or longer than `LONGEST`, or the share is not above 0 and at most 1.
    """

    def __init__(self, instants: int, stale_after: int, least_known: float = 1.0) -> None:
        if not 1 <= instants <= LONGEST + 1:
            raise ValueError(f"a window of {instants} ns cannot be looked at: 1 to {LONGEST + 1} ns")
        if not 0.0 < least_known <= 1.0:
            raise ValueError(f"a share of {least_known:g} of the window cannot be known")
        self._instants = instants
        self._needed = max(1, round(least_known * instants))
        self._stale_after = stale_after
        self._spans: deque[Span] = deque()
        """Known stretches [start, end) that are over, oldest first, none of them before the window."""
        self._known = 0
        """ns in them."""
        self._t = _LONG_AGO
        self._v = NAN
        """The latest sample; NaN if it is not known."""

    @abc.abstractmethod
    def value(self, t: int) -> float:
        """Return the value of the window that ends at `t`, the time of the latest sample; NaN if there is none."""

    def gain(self, start: int, end: int, v: float) -> None:
        """Take in a known stretch [start, end) that is over."""

    def drop(self, start: int, end: int, v: float) -> None:
        """Let go of a stretch, or of the beginning of one, that the window has passed."""

    def pass_by(self, first: int) -> None:
        """Let go of what else is remembered of instants before `first`, where the window now begins."""

    def see(self, t: int, v: float) -> None:
        """Look at a good sample, after all stretches before it were taken in."""

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - the protocol's
        """Return the window's value, or why there is none: the sample's own doubt, else that too little is known."""
        last = self._v
        if last == last:  # noqa: PLR0124 - the quickest test for NaN
            start = self._t
            end = start + self._stale_after
            self._take_in(start, min(t, end), last)
        first = t - self._instants + 1
        self._forget(first)
        known = self._known
        self._t = t
        if not why and -LARGEST <= value <= LARGEST:
            # The sum turns −0.0 into 0.0: the least of the two must not depend on which came first.
            self._v = value + 0.0
            known += 1
            self.see(t, self._v)
        else:
            self._v = NAN
        made = self.value(t) if known >= self._needed else NAN
        return (made, 0) if made == made else (NAN, why or UNKNOWN)  # noqa: PLR0124 - the quickest test for NaN

    def _take_in(self, start: int, end: int, v: float) -> None:
        self._spans.append((start, end, v))
        self._known += end - start
        self.gain(start, end, v)

    def _forget(self, first: int) -> None:
        spans = self._spans
        while spans and spans[0][1] <= first:
            start, end, v = spans.popleft()
            self._known -= end - start
            self.drop(start, end, v)
        if spans and spans[0][0] < first:
            start, end, v = spans[0]
            spans[0] = (first, end, v)
            self._known -= first - start
            self.drop(start, first, v)
        self.pass_by(first)

    def clear(self) -> None:
        """Forget all that was gained."""

    def _take_up(self, spans: Iterable[Span], t: int, v: float) -> None:
        """Go on from these stretches and this latest sample."""
        self._spans.clear()
        self._known = 0
        self.clear()
        for start, end, held in spans:
            self._take_in(start, end, held)
        self._t, self._v = t, v

    def carried(self) -> Any:
        """Return the window: the latest sample, and (gap before, length, value) of each stretch in one flat list."""
        flat: list[float] = []
        before = 0
        for start, end, v in self._spans:
            flat += (start - before, end - start, v)
            before = end
        latest = None if self._t == _LONG_AGO else [self._t, None if math.isnan(self._v) else self._v]
        return {"latest": latest, "spans": flat}

    def carry(self, state: Any) -> None:
        """Take up what `carried` returned."""
        spans: list[Span] = []
        before = 0
        flat = state["spans"]
        for gap, length, v in zip(flat[::3], flat[1::3], flat[2::3], strict=True):
            spans.append((before + gap, before + gap + length, v))
            before += gap + length
        t, v = state["latest"] or (_LONG_AGO, None)
        self._take_up(spans, t, NAN if v is None else v)


@dataclass(frozen=True, slots=True)
class Laid:
    """The stretches behind many windows, in order of time: arrays of shape (m,), and (n,) places of n windows in them.

    A stretch is known in [start, end) and holds `v`; one that is not known is empty and holds NaN. A window begins at
    the instant `first`, in or after the stretch `at` (the last one that starts there or before) and ends with the
    first instant of the stretch `now`. `part` is how much of stretch `at` lies before the window, in ns.
    """

    start: Ints
    end: Ints
    v: Floats
    first: Ints
    at: Ints
    now: Ints
    part: Ints

    def total(self, weight: Ints) -> Ints:
        """Return the sum of whole `weight` (m,) × ns over each window, 0 where not known.

        Sums over the recording may leave 64 bits and come round again; those of one window do not, and are exact.
        """
        before = np.zeros(len(weight), dtype=np.int64)
        np.cumsum((weight * (self.end - self.start))[:-1], out=before[1:])
        here = np.where(self.end > self.start, weight, 0)
        total: Ints = before[self.now] + here[self.now] - before[self.at] - weight[self.at] * self.part
        return total

    def least(self, v: Floats) -> Floats:
        """Return the least of `v` (m,) over each window, +inf standing for not known.

        The least of 2^k neighbours for growing k; each window is covered by two such runs.
        """
        begin = np.minimum(np.where(self.end[self.at] > self.first, self.at, self.at + 1), self.now)
        length = self.now - begin + 1
        found = np.empty(len(begin), dtype=np.float64)
        longest = int(length.max())
        runs, run = v, 1
        while True:
            here = np.flatnonzero((length >= run) & (length < 2 * run))
            found[here] = np.minimum(runs[begin[here]], runs[self.now[here] - run + 1])
            if 2 * run > longest:
                return found
            runs = np.minimum(runs[:-run], runs[run:])
            run *= 2


class Columnar(Windowed):
    """A window that can also be worked out in columns, with the same whole numbers."""

    @abc.abstractmethod
    def values(self, laid: Laid, known: Ints) -> Floats:
        """Return what `value` does for each window, NaN if there is none; `known` is how much of each is, in ns."""

    def many(self, t: Ints, value: Floats, why: Whys, others: Sequence[Floats]) -> Column:  # noqa: ARG002 - the protocol's
        """Return the values of many windows, bit for bit those of `one`."""
        if not len(t):
            return Column(t, value, why)
        laid = self._lay(t, np.where((why == 0) & (np.abs(value) <= LARGEST), value + 0.0, NAN))
        known = laid.total(np.ones(len(laid.start), dtype=np.int64))
        with np.errstate(all="ignore"):  # windows that are not known are worked out too, and thrown away
            values = self.values(laid, np.maximum(known, 1))
        values = np.where(known >= self._needed, values, NAN)
        doubts = np.where(np.isnan(values), np.where(why != 0, why, np.uint8(UNKNOWN)), np.uint8(0)).astype(np.uint8)
        self._go_on(laid)
        return Column(t, values, doubts)

    def _lay(self, t: Ints, v: Floats) -> Laid:
        """Lay what is kept, the latest sample and new ones (NaN: not known) in one row, behind an empty stretch."""
        kept = list(self._spans)
        latest = [] if self._t == _LONG_AGO else [(self._t, self._v)]
        start = np.concatenate(
            [np.array([_LONG_AGO, *(s for s, _, _ in kept), *(s for s, _ in latest)], dtype=np.int64), t]
        )
        held = np.concatenate([np.array([NAN, *(h for _, _, h in kept), *(h for _, h in latest)], dtype=np.float64), v])
        end = np.minimum(start + self._stale_after, np.append(start[1:], start[-1] + 1))
        end[1 : len(kept) + 1] = [e for _, e, _ in kept]
        end = np.where(np.isnan(held), start, end)
        now = np.arange(len(start) - len(t), len(start), dtype=np.int64)
        first = t - self._instants + 1
        at = start.searchsorted(first, side="right") - 1
        part = np.minimum(first, end[at]) - start[at]
        return Laid(start, end, held, first, at.astype(np.int64), now, part)

    def _go_on(self, laid: Laid) -> None:
        """Keep what the last window still sees, and its latest sample."""
        first = int(laid.first[-1])
        begin = int(laid.at[-1])
        spans = [
            (max(start, first), end, v)
            for start, end, v in zip(
                laid.start[begin:-1].tolist(), laid.end[begin:-1].tolist(), laid.v[begin:-1].tolist(), strict=True
            )
            if end > max(start, first)
        ]
        self._take_up(spans, int(laid.start[-1]), float(laid.v[-1]))
