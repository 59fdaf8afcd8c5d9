"""Doubts: operators that amend a channel's own samples, because a number can be believable and wrong all the same.

A sample in doubt keeps its number for the record, and has a `why`: it is never compared. A doubt that is wrong takes a
good reading away, so each asks for little enough that a healthy engine passes, and none holds for ever.
"""

from __future__ import annotations

import abc
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.channels import delay_window
from pullwatch.columns import Column, Why
from pullwatch.derived import Operator

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.channels import Delay
    from pullwatch.derived import Floats, Whys

_TOO_FAST: Final = int(Why.TOO_FAST)
_FROZEN: Final = int(Why.FROZEN)
_NOT_PROVED: Final = int(Why.NOT_PROVED)
_NS_PER_S: Final = 1_000_000_000


class Slew(Operator):
    """TOO_FAST: a reading changed faster than what it measures can.

    A sample is believed if it can be reached from the sample before it, or from the last one that was believed. So one
    wrong sample costs itself only, and after a real step the channel is believed again from the second sample on that
    agrees with the one before it. The first sample, and the first after `silence` ns without one, is not judged.

    Samples that were read together bear times nanoseconds apart although the sensor took a period between them: two
    samples are taken to be at least `span` ns apart.
    """

    def __init__(self, fall: float, rise: float, span: int, silence: int) -> None:
        """`fall` (negative) and `rise` are the limits in units a second."""
        self._fall, self._rise = fall, rise
        self._span, self._silence = span, silence
        self._last: tuple[int, float] | None = None
        """The last sample that had a number."""
        self._kept: tuple[int, float] | None = None
        """The last sample that was believed."""

    def _reach(self, t: int, value: float, start: tuple[int, float]) -> bool:
        seconds = max(t - start[0], self._span) / _NS_PER_S
        return self._fall * seconds <= value - start[1] <= self._rise * seconds

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - it has none
        """Return the sample as it is, or in doubt."""
        if why:
            return value, why
        last, kept = self._last, self._kept
        self._last = (t, value)
        if (
            last is None
            or kept is None
            or t - last[0] >= self._silence
            or self._reach(t, value, last)
            or self._reach(t, value, kept)
        ):
            self._kept = self._last
            return value, 0
        return value, _TOO_FAST

    def many(self, t: NDArray[np.int64], value: Floats, why: Whys, others: Sequence[Floats]) -> Column:
        """Say the same for many samples; quickly where nothing is to be doubted."""
        if len(t) and not why.any() and self._kept == self._last:
            first = (int(t[0]), float(value[0])) if self._last is None else self._last
            apart = np.diff(t, prepend=first[0])
            seconds = np.maximum(apart, self._span) / _NS_PER_S
            with np.errstate(over="ignore"):
                change = np.diff(value, prepend=first[1])
                reached = (self._fall * seconds <= change) & (change <= self._rise * seconds)
            if (reached | (apart >= self._silence)).all():
                self._last = self._kept = (int(t[-1]), float(value[-1]))
                return Column(t, value, why)
        return super().many(t, value, why, others)

    def carried(self) -> Any:
        """Return the last sample and the last that was believed."""
        return [self._last, self._kept]

    def carry(self, state: Any) -> None:
        """Take them up."""
        self._last, self._kept = (None if each is None else (each[0], each[1]) for each in state)


class Excitation(abc.ABC):
    """What drives a reading, as regions between which a healthy one must have moved."""

    moves: float
    """The least by which the reading must move, in its unit."""
    settle: tuple[int, ...]
    """How long (ns) each region must last before it counts."""
    pairs: tuple[int, ...]
    """Regions that ask for movement when all of them were visited, as bits."""

    @abc.abstractmethod
    def regions(self, value: float, others: Sequence[float]) -> int:
        """Return the regions the engine is in, as bits; 0 if it is in none or that is not known."""


class Between(Excitation):
    """A partner went from `low` or less to `high` or more, or back."""

    pairs = (0b11,)

    def __init__(self, low: float, high: float, moves: float, settle: int) -> None:
        self._low, self._high = low, high
        self.moves = moves
        self.settle = (settle, settle)

    def regions(self, value: float, others: Sequence[float]) -> int:  # noqa: ARG002 - only the partner's decides
        """Return where the partner is."""
        return (others[0] <= self._low) | (others[0] >= self._high) << 1


class ManifoldByThrottle(Excitation):
    """Manifold pressure against throttle (%) and engine speed (rpm); starting values, common practice, no source.

    A shut throttle on a turning engine leaves a vacuum; there is none behind an open one, nor in an engine that stands.
    An open throttle that stays open asks for nothing: boost that is held well is constant and healthy.
    """

    moves = 5.0
    settle = (500_000_000, 300_000_000)
    pairs = (0b11,)

    def regions(self, value: float, others: Sequence[float]) -> int:  # noqa: ARG002 - only what drives it decides
        """Return bit 0 for vacuum, bit 1 for none."""
        throttle, speed = others
        return (throttle <= 10.0 and speed >= 600.0) | (speed < 50.0 or (throttle >= 40.0 and speed >= 1_500.0)) << 1


class OilBySpeed(Excitation):
    """Oil pressure against engine speed (rpm); starting values, common practice, no source.

    Only readings that would trip nothing are asked: pressure in an engine that stands, or middling pressure that is the
    same at idle and at speed. A sensor that says nought, or little at speed, is an alarm and must remain one. Cold oil
    lies on the relief valve at idle already, so that high readings are not asked to move with speed.
    """

    moves = 30.0
    settle = (5_000_000_000, 5_000_000_000, 2_000_000_000, 1_500_000_000)
    pairs = (0b0011, 0b1100)

    def regions(self, value: float, others: Sequence[float]) -> int:
        """Return bit 0 for standing under pressure, 1 for running, 2 for idling, 3 for turning fast."""
        speed = others[0]
        standing = speed < 50.0 and value >= 50.0
        fast = speed >= 3_000.0 and 100.0 <= value <= 250.0
        return standing | (speed >= 600.0) << 1 | (300.0 <= speed <= 1_200.0) << 2 | fast << 3


class Frozen(Operator):
    """FROZEN: what drives a reading moved, and it did not.

    Equal samples alone say nothing. The operator remembers in which regions the engine was (each for long enough to
    count) since the reading last moved by `moves`; when they are regions between which it must have moved, it is not
    believed until it does.
    """

    def __init__(self, excitation: Excitation) -> None:
        self._by = excitation
        self._low = self._high = 0.0
        self._seen = 0
        self._since: list[int | None] = [None] * len(excitation.settle)
        self._begun = False

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the sample as it is, or in doubt."""
        since = self._since
        if why:
            since[:] = [None] * len(since)
            return value, why
        by = self._by
        low, high = min(self._low, value), max(self._high, value)
        if not self._begun or high - low >= by.moves:
            self._begun, self._low, self._high, self._seen = True, value, value, 0
            since[:] = [None] * len(since)
        else:
            self._low, self._high = low, high
        regions = by.regions(value, others)
        seen = self._seen
        for place, settle in enumerate(by.settle):
            if not regions >> place & 1:
                since[place] = None
                continue
            began = since[place]
            if began is None:
                since[place] = t
            elif t - began >= settle:
                seen |= 1 << place
        self._seen = seen
        if any(seen & pair == pair for pair in by.pairs):
            return value, _FROZEN
        return value, 0

    def carried(self) -> Any:
        """Return the range since the last movement, and the regions visited in it."""
        return [self._begun, self._low, self._high, self._seen, self._since]

    def carry(self, state: Any) -> None:
        """Take them up."""
        self._begun, self._low, self._high, self._seen, self._since = state


MOVED: Final = 0.1
"""A lambda sensor has shown that it answers once it moved by this since the engine was started."""
AIR: Final = 1.2
"""On an overrun fuel cut it breathes air, and must pass this ..."""
AIR_WITHIN: Final = _NS_PER_S
"""... within this time, besides its delay."""
FAILS: Final = 2
"""Failing so often in a row, it is not believed. All four: common practice, no source."""
SHUT: Final = 5.0
"""% of throttle: a fuel cut with less is one on the overrun."""
STANDS: Final = 50.0
"""rpm: below, the engine stands."""
RUNS: Final = 400.0
"""rpm: from here on it runs by itself; between the two it is being cranked."""
NOT_KNOWN_FOR: Final = 3 * _NS_PER_S
"""An engine whose speed is not known for so long may have been stopped and started."""
_GAP: Final = _NS_PER_S // 2


class Proof(Operator):
    """NOT_PROVED: a lambda sensor has shown nothing since the engine was started that proves it, or failed the proof.

    It is proved when it moves by `MOVED` in the running engine, or passes `AIR` on an overrun fuel cut in time. A cut
    shorter than that time, or one in which the sensor was silent or in doubt, is no proof either way. Failing twice in
    a row it is not believed until it passes once. A reading at `lean_rail` or above stays a number: it trips.

    Others: engine speed, then (with `cuts`) `cut_active` (1: fuel) and throttle in %.
    """

    def __init__(self, delay: Delay, lean_rail: float, *, cuts: bool) -> None:
        self._delay, self._lean_rail, self._cuts = delay, lean_rail, cuts
        self._stood = True
        self._dark: int | None = None
        """Since when engine speed is not known."""
        self._proved = False
        self._fails = 0
        self._range: tuple[float, float] | None = None
        self._cut = False
        self._trial: tuple[int, int, int] | None = None
        """Begin of the cut in hand, until when it must have shown, end of the cut (-1: not yet)."""
        self._last = 0

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the sample as it is, or in doubt."""
        speed = others[0]
        self._started(t, speed)
        cut = self._cuts and others[1] == 1.0 and others[2] < SHUT
        begins, self._cut = cut and not self._cut, cut
        if why or t - self._last >= _GAP:
            self._trial = None
        if why:
            return value, why
        self._last = t
        if begins and self._trial is None:
            rpm = None if speed != speed else speed  # noqa: PLR0124 - the quickest test for NaN
            self._trial = (t, t + AIR_WITHIN + delay_window(self._delay, rpm)[1], -1)
        if self._trial is not None:
            self._try(t, value, cut=cut)
        if not self._stood:
            low, high = self._range or (value, value)
            low, high = self._range = (min(low, value), max(high, value))
            self._proved = self._proved or high - low >= MOVED
        if (self._proved and self._fails < FAILS) or value >= self._lean_rail:
            return value, 0
        return value, _NOT_PROVED

    def _started(self, t: int, speed: float) -> None:
        """Begin anew when the engine runs that stood, or may have stood."""
        if speed != speed:  # noqa: PLR0124 - the quickest test for NaN
            self._dark = t if self._dark is None else self._dark
            self._stood = self._stood or t - self._dark >= NOT_KNOWN_FOR
            return
        self._dark = None
        if speed < STANDS:
            self._stood = True
        elif self._stood and speed >= RUNS:
            self._stood = self._proved = False
            self._range = None

    def _try(self, t: int, value: float, *, cut: bool) -> None:
        """Go on with the cut in hand."""
        assert self._trial is not None
        begin, until, end = self._trial
        if end < 0 and not cut:
            end = t
        self._trial = (begin, until, end)
        if t <= until:
            if value >= AIR:
                self._proved, self._fails, self._trial = True, 0, None
            return
        if end < 0 or end - begin >= AIR_WITHIN:
            self._fails += 1
        self._trial = None

    def carried(self) -> Any:
        """Return all that is remembered."""
        return [
            self._stood, self._dark, self._proved, self._fails, self._range, self._cut, self._trial, self._last
        ]  # fmt: skip

    def carry(self, state: Any) -> None:
        """Take it up."""
        self._stood, self._dark, self._proved, self._fails, extent, self._cut, trial, self._last = state
        self._range = None if extent is None else (extent[0], extent[1])
        self._trial = None if trial is None else (trial[0], trial[1], trial[2])
