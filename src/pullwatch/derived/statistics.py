"""What a channel did in the last so many milliseconds, and how channels that should agree do.

Windows are those of `windows`: w ns that end at the sample, the held value counting for as long as it stands.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.columns import Column
from pullwatch.derived import NAN, UNKNOWN, Elementwise, Operator
from pullwatch.derived.windows import WHOLE, Columnar, Laid, Windowed, whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whys = NDArray[np.uint8]
    Ints = NDArray[np.int64]

PER_SECOND: Final = 1e9
NS_PER_MS: Final = 1e6
_FINE: Final = WHOLE - 1


class Mean(Columnar):
    """The mean over what is known of the window, to the nearest 2⁻²⁰ of the unit (halves up)."""

    def __init__(self, over: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        self._sum = 0

    def clear(self) -> None:
        """Start at nothing."""
        self._sum = 0

    def gain(self, start: int, end: int, v: float) -> None:
        """Add to the sum."""
        self._sum += whole(v) * (end - start)

    def drop(self, start: int, end: int, v: float) -> None:
        """Take off the sum."""
        self._sum -= whole(v) * (end - start)

    def value(self, t: int) -> float:  # noqa: ARG002 - the protocol's
        """Return the mean."""
        known, total = self._known, self._sum
        if self._v == self._v:
            known += 1
            total += whole(self._v)
        return (total + known // 2) // known / WHOLE

    def values(self, laid: Laid, known: Ints) -> Floats:
        """Return the means. A sum is high × 2²⁰ + low, so that each of the two fits 64 bits."""
        wholes = np.rint(np.where(np.isnan(laid.v), 0.0, laid.v) * WHOLE).astype(np.int64)
        high, low = laid.total(wholes >> 20), laid.total(wholes & _FINE)
        units, rest = np.divmod(high, known)
        means: Floats = (units * WHOLE + (rest * WHOLE + low + known // 2) // known) / WHOLE
        return means


class _Lowest:
    """The least value of the latest known stretches: those that a later one does not undercut, values rising."""

    def __init__(self) -> None:
        self.kept: deque[tuple[int, float]] = deque()
        """(end, value), oldest first."""

    def add(self, end: int, v: float) -> None:
        """Take in a stretch that ends before `end`."""
        kept = self.kept
        while kept and kept[-1][1] >= v:
            kept.pop()
        kept.append((end, v))

    def pass_by(self, first: int) -> None:
        """Let go of stretches that were over before the instant `first`."""
        kept = self.kept
        while kept and kept[0][0] <= first:
            kept.popleft()

    def least(self, v: float) -> float:
        """Return the least of all, and of `v` unless that is NaN; NaN if there is none."""
        if not self.kept:
            return v
        least = self.kept[0][1]
        return min(least, v)


class Least(Columnar):
    """The least known value in the window, as it was sent."""

    sign: float = 1.0

    def __init__(self, over: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        self._lowest = _Lowest()

    def clear(self) -> None:
        """Start at nothing."""
        self._lowest.kept.clear()

    def gain(self, start: int, end: int, v: float) -> None:  # noqa: ARG002 - the protocol's
        """Take in a value."""
        self._lowest.add(end, v * self.sign)

    def pass_by(self, first: int) -> None:
        """Let go of values."""
        self._lowest.pass_by(first)

    def value(self, t: int) -> float:  # noqa: ARG002 - the protocol's
        """Return the least."""
        return self._lowest.least(self._v * self.sign) * self.sign + 0.0

    def values(self, laid: Laid, known: Ints) -> Floats:  # noqa: ARG002 - the protocol's
        """Return the least of each window."""
        return _least_of(laid, self.sign)


class Most(Least):
    """The greatest known value in the window, as it was sent."""

    sign = -1.0


def _least_of(laid: Laid, sign: float) -> Floats:
    least: Floats = laid.least(np.where(np.isnan(laid.v), np.inf, laid.v * sign)) * sign + 0.0
    return least


class Spread(Columnar):
    """The greatest known value in the window less the least."""

    def __init__(self, over: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        self._lowest = _Lowest()
        self._highest = _Lowest()

    def clear(self) -> None:
        """Start at nothing."""
        self._lowest.kept.clear()
        self._highest.kept.clear()

    def gain(self, start: int, end: int, v: float) -> None:  # noqa: ARG002 - the protocol's
        """Take in a value."""
        self._lowest.add(end, v)
        self._highest.add(end, -v)

    def pass_by(self, first: int) -> None:
        """Let go of values."""
        self._lowest.pass_by(first)
        self._highest.pass_by(first)

    def value(self, t: int) -> float:  # noqa: ARG002 - the protocol's
        """Return the difference."""
        return -self._highest.least(-self._v) - self._lowest.least(self._v)

    def values(self, laid: Laid, known: Ints) -> Floats:  # noqa: ARG002 - the protocol's
        """Return the difference in each window."""
        return _least_of(laid, -1.0) - _least_of(laid, 1.0)


class Rate(Columnar):
    """Change per second: (v(t) − v(t − w)) ÷ w of the held value, over time and never by the distance of samples.

    The start of the window, t − w, belongs to it: both ends must be known. On a ramp that is sampled every p the held
    value at the start is up to p old, so that the rate is from 1 to 1 + p/w times the true one.
    """

    def __init__(self, over: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over + 1, stale_after, least_known)
        self._over = float(over)

    def result(self, then: Any, now: Any) -> Any:
        """Return the rate in units per second, from two numbers or two arrays of shape (n,)."""
        return (now - then) * PER_SECOND / self._over

    def value(self, t: int) -> float:
        """Return the rate, NaN if the window's start or end is not known."""
        if not self._spans or self._spans[0][0] > t - self._instants + 1:
            return NAN
        made: float = self.result(self._spans[0][2], self._v)
        return made

    def values(self, laid: Laid, known: Ints) -> Floats:  # noqa: ARG002 - the protocol's
        """Return the rates."""
        then = np.where(laid.end[laid.at] > laid.first, laid.v[laid.at], NAN)
        made: Floats = self.result(then, laid.v[laid.now])
        return made


class Ahead(Rate):
    """What the value will be `ahead` ns from now if it goes on as it did over the window: v + rate × ahead."""

    def __init__(self, over: int, ahead: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        self._ahead = float(ahead)

    def result(self, then: Any, now: Any) -> Any:
        """Return the value to come, from two numbers or two arrays of shape (n,)."""
        return now + (now - then) * self._ahead / self._over


class Trend(Windowed):
    """Slope per second of the straight line that fits the window best (least squares over all its known instants).

    Source: any handbook of statistics: slope = (n·Σsv − Σs·Σv) ÷ (n·Σs² − (Σs)²), here over the n known nanoseconds s,
    every sum a whole number and rounded once, at the end. Less is made of one odd sample than by `Rate`.
    """

    def __init__(self, over: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        self.clear()

    def clear(self) -> None:
        """Start at nothing."""
        self._times = self._squares = self._values = self._products = 0

    def gain(self, start: int, end: int, v: float) -> None:
        """Add a stretch to the four sums."""
        times = (start + end - 1) * (end - start) // 2
        v_whole = whole(v)
        self._times += times
        self._squares += _squares_below(end) - _squares_below(start)
        self._values += v_whole * (end - start)
        self._products += v_whole * times

    def drop(self, start: int, end: int, v: float) -> None:
        """Take a stretch off them."""
        times = (start + end - 1) * (end - start) // 2
        v_whole = whole(v)
        self._times -= times
        self._squares -= _squares_below(end) - _squares_below(start)
        self._values -= v_whole * (end - start)
        self._products -= v_whole * times

    def value(self, t: int) -> float:
        """Return the slope; NaN if only one instant is known."""
        n, times, squares, values, products = self._known, self._times, self._squares, self._values, self._products
        if self._v == self._v:
            v_whole = whole(self._v)
            n, times, squares, values, products = (
                n + 1, times + t, squares + t * t, values + v_whole, products + v_whole * t,
            )  # fmt: skip
        below = n * squares - times * times
        return (n * products - times * values) * 1_000_000_000 / (below * WHOLE) if below else NAN


def _squares_below(n: int) -> int:
    """Return 0² + 1² + … + (n − 1)²."""
    return (n - 1) * n * (2 * n - 1) // 6


class TimeBeyond(Columnar):
    """How long, in ms, the value was above (or below) a constant in the window, as far as that is known."""

    def __init__(
        self, over: int, limit: float, stale_after: int, least_known: float = 1.0, *, above: bool = True
    ) -> None:
        super().__init__(over, stale_after, least_known)
        self._limit = limit
        self._above = above
        self._sum = 0

    def _beyond(self, v: Any) -> Any:
        """Say of a number or an array whether it is beyond; NaN is not."""
        return v > self._limit if self._above else v < self._limit

    def clear(self) -> None:
        """Start at nothing."""
        self._sum = 0

    def gain(self, start: int, end: int, v: float) -> None:
        """Add a stretch that is beyond."""
        if self._beyond(v):
            self._sum += end - start

    def drop(self, start: int, end: int, v: float) -> None:
        """Take it off."""
        if self._beyond(v):
            self._sum -= end - start

    def value(self, t: int) -> float:  # noqa: ARG002 - the protocol's
        """Return the time."""
        return (self._sum + bool(self._beyond(self._v))) / NS_PER_MS

    def values(self, laid: Laid, known: Ints) -> Floats:  # noqa: ARG002 - the protocol's
        """Return the times."""
        times: Floats = laid.total(self._beyond(laid.v).astype(np.int64)) / NS_PER_MS
        return times


class _Counting(Windowed):
    """Counts what happened in the window; each happening has one instant."""

    def __init__(self, over: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        self._at: deque[int] = deque()

    def pass_by(self, first: int) -> None:
        """Let go of what happened before the window."""
        while self._at and self._at[0] < first:
            self._at.popleft()

    def value(self, t: int) -> float:  # noqa: ARG002 - the protocol's
        """Return how often."""
        return float(len(self._at))

    def carried(self) -> Any:
        """Return the window and the instants."""
        return {**super().carried(), "at": list(self._at)}

    def carry(self, state: Any) -> None:
        """Take up what `carried` returned."""
        super().carry(state)
        self._at = deque(state["at"])


class Crossings(_Counting):
    """How often in the window the value went above (or below) a constant, after it had been back.

    It is back when it is `deadband` or more on the other side of the constant, the constant itself included. A value
    that was beyond when it was first heard has not crossed; one that is beyond after a gap and was back before it has,
    at the first sample that shows it.
    """

    def __init__(
        self,
        over: int,
        limit: float,
        deadband: float,
        stale_after: int,
        least_known: float = 1.0,
        *,
        above: bool = True,
    ) -> None:
        super().__init__(over, stale_after, least_known)
        self._sign = 1.0 if above else -1.0
        self._limit = limit * self._sign
        self._back = self._limit - deadband
        self._side: bool | None = None

    def see(self, t: int, v: float) -> None:
        """Look on which side a sample is."""
        v *= self._sign
        if v > self._limit:
            if self._side is False:
                self._at.append(t)
            self._side = True
        elif v <= self._back:
            self._side = False

    def carried(self) -> Any:
        """Return the window, the instants and the side."""
        return {**super().carried(), "side": self._side}

    def carry(self, state: Any) -> None:
        """Take up what `carried` returned."""
        super().carry(state)
        self._side = state["side"]


class Rises(_Counting):
    """How often in the window the value rose by at least `at_least` within `within` ns.

    It has risen at a sample that is `at_least` or more above the least known value of the `within` ns before it (their
    first instant included), to 10⁻⁶ of the unit. What came before a rise is then forgotten, so that one rise is counted
    once however large it is, and the next counts from where this one was seen.
    """

    def __init__(self, over: int, at_least: float, within: int, stale_after: int, least_known: float = 1.0) -> None:
        super().__init__(over, stale_after, least_known)
        # Two values and their difference are each rounded to whole 2⁻²⁰: 4.1 − 0.1 must be 4.
        self._wanted = max(1, whole(at_least) - 1)
        self._within = within
        self._lowest = _Lowest()

    def gain(self, start: int, end: int, v: float) -> None:  # noqa: ARG002 - the protocol's
        """Take in what a rise may begin at."""
        self._lowest.add(end, v)

    def see(self, t: int, v: float) -> None:
        """Look whether a sample has risen."""
        lowest = self._lowest
        lowest.pass_by(t - self._within)
        if whole(v) - whole(lowest.least(v)) >= self._wanted:
            self._at.append(t)
            lowest.kept.clear()

    def carried(self) -> Any:
        """Return the window, the instants, and what the next rise may begin at."""
        return {**super().carried(), "lowest": [list(pair) for pair in self._lowest.kept]}

    def carry(self, state: Any) -> None:
        """Take up what `carried` returned."""
        super().carry(state)
        self._lowest.kept = deque((end, v) for end, v in state["lowest"])


class Apart(Elementwise):
    """The largest difference among channels that should say the same, all of which must be known."""

    def formula(self, value: Any, *others: Any) -> Any:
        """Return the greatest less the least."""
        if isinstance(value, np.ndarray):
            return np.maximum.reduce((value, *others)) - np.minimum.reduce((value, *others))
        return max(value, *others) - min(value, *others) + 0.0


class Difference(Elementwise):
    """How much more a channel is than another: than its target, or than what it should be."""

    def formula(self, value: float, *others: float) -> float:
        """Return value less the other."""
        return value - others[0]


class Middle(Operator):
    """The vote of three channels that measure the same: the middle one, if another stands within `within` of it.

    If one of them is not known, the other two must agree, and their mean counts. The trigger may be in doubt as any
    other may, but it has to speak: the vote has its samples.
    """

    def __init__(self, within: float) -> None:
        self._within = within

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - the protocol's
        """Return what is agreed on, else why there is nothing."""
        said = sorted(v + 0.0 for v in (NAN if why else value, *others) if v == v)  # noqa: PLR0124 - quick test for NaN
        within = self._within
        if len(said) == 3 and (said[1] - said[0] <= within or said[2] - said[1] <= within):
            return said[1], 0
        if len(said) == 2 and said[1] - said[0] <= within:
            return said[0] * 0.5 + said[1] * 0.5, 0
        return NAN, why or UNKNOWN

    def many(self, t: NDArray[np.int64], value: Floats, why: Whys, others: Sequence[Floats]) -> Column:
        """Return the votes, in columns."""
        low, middle, high = np.sort(np.stack([np.where(why != 0, NAN, value), *others]) + 0.0, axis=0)
        with np.errstate(all="ignore"):
            near, far = middle - low <= self._within, high - middle <= self._within
            three = np.where(near | far, middle, NAN)
            two = np.where(near, low * 0.5 + middle * 0.5, NAN)
        values = np.where(np.isnan(high), two, three)
        doubts = np.where(np.isnan(values), np.where(why != 0, why, np.uint8(UNKNOWN)), np.uint8(0)).astype(np.uint8)
        return Column(t, values, doubts)
