"""The moments at which the mixture certainly changed, from what the controller says of itself.

Three kinds count: the fuel is cut on the overrun, it comes back with the throttle still shut, and the controller
commands another mixture at a steady throttle. A step of the throttle is none: fuel on the port walls moves the mixture
by itself for some tenths of a second, and what would be measured is the wall.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch.columns import Column

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_MS: Final = 1_000_000
_S: Final = 1_000_000_000

SHUT: Final = 5.0
"""% of throttle below which it is shut (common practice, no source; the same as for an inferred overrun)."""
NO_PULSE: Final = 0.1
"""ms: an injector opens for no less."""
CUT_AFTER: Final = 400 * _MS
"""A cut begins after at least so long without one ..."""
CUT_LASTS: Final = 500 * _MS
"""... and lasts at least so long: limiters and shifts cut for less."""
CUT_BEFORE_END: Final = 800 * _MS
"""Where a cut ends, the sensor must have been in air by then."""
BACK_LASTS: Final = 600 * _MS
STEP: Final = 0.04
"""Least step of the commanded lambda ..."""
LEVEL: Final = 0.008
"""... between levels that hold to within this ..."""
BEFORE_STEP: Final = 400 * _MS
AFTER_STEP: Final = 800 * _MS
STEP_WITHIN: Final = 60 * _MS
"""... and are no more than this apart (or one sample): else it is a ramp."""
STEADY_THROTTLE: Final = 3.0
"""% by which the throttle may move from half a second before a step to half a second after it."""
COARSEST: Final = 150 * _MS
"""An instant that is not known better than this says nothing of a delay."""
BACK: Final = _S
AHEAD: Final = 1_500 * _MS
"""How much of the commanded course, and of lambda, is looked at before and after an event."""


class Kind(Enum):
    """What happened."""

    CUT = "fuel cuts"
    BACK = "ends of cuts"
    STEP = "commanded steps"


@dataclass(frozen=True, slots=True)
class Event:
    """The mixture changed at some instant in (earliest, latest], ns.

    `at` (s, counted from the middle of these) and `phi` (1/lambda, 0 in a cut) are the course that was commanded, held
    from each time to the next; both of shape (n,), and the first holds from ever. `until` is when it is over (ns).
    `rpm` is engine speed there (NaN: not known).
    """

    kind: Kind
    earliest: int
    latest: int
    until: int
    at: Floats
    phi: Floats
    followed: bool = False
    """Whether the course before the event is the commanded one, and not taken to be level."""
    rpm: float = float("nan")

    @property
    def middle(self) -> int:
        """The instant it is counted from, ns."""
        return (self.earliest + self.latest) // 2


@dataclass(frozen=True, slots=True)
class Commanded:
    """What the controller says of itself; None: there is no such channel. Shapes as in `Column`."""

    cut: Column | None = None
    """0: no cut (`cut_active`)."""
    pulse: Column | None = None
    """Injector pulse width, ms."""
    target: Column | None = None
    """Commanded lambda."""
    throttle: Column | None = None
    """%."""
    speed: Column | None = None
    """Engine speed, rpm."""


def _held(column: Column, t: int) -> float:
    """Return the value in force at t (ns), NaN if none is known."""
    place = int(column.t.searchsorted(t, side="right")) - 1
    return float(column.v[place]) if place >= 0 and column.why[place] == 0 else float("nan")


def _between(column: Column, first: int, last: int) -> Floats:
    """Return the good values in force in [first, last] (ns)."""
    begin = max(int(column.t.searchsorted(first, side="right")) - 1, 0)
    end = int(column.t.searchsorted(last, side="right"))
    return np.asarray(column.v[begin:end][column.why[begin:end] == 0])


def _turns(column: Column, on: Flags) -> list[tuple[int, int, int, int, bool]]:
    """Return for every change of `on`: since when it was as before, the last and first sample about it, how long after.

    A sample that is not good ends what was: it is never on, never off.
    """
    good = column.why == 0
    state = np.where(good, on.astype(np.int8), np.int8(-1))
    starts = np.flatnonzero(np.diff(state, prepend=np.int8(-2)))
    ends = np.append(starts[1:], len(state))
    t = column.t
    found = []
    for run in range(1, len(starts)):
        before, after = int(state[starts[run - 1]]), int(state[starts[run]])
        if -1 in {before, after}:
            continue
        first = int(starts[run])
        last = int(t[ends[run]]) if ends[run] < len(t) else int(t[-1])
        found.append((int(t[starts[run - 1]]), int(t[first - 1]), int(t[first]), last, after == 1))
    return found


def _course(commanded: Commanded, middle: int, begins: bool) -> tuple[Floats, Floats, bool]:
    """Return 1/lambda as commanded about `middle` (level where that is not known), and 0 from there on, or until there.

    The third says whether it is as commanded.
    """
    at, phi, followed = np.array([-BACK / _S]), np.array([1.0]), False
    target = commanded.target
    if target is not None:
        begin, end = target.t.searchsorted((middle - BACK, middle + AHEAD)).tolist()
        if end > begin and (target.why[begin:end] == 0).all() and (target.v[begin:end] > 0.0).all():
            at, phi, followed = (target.t[begin:end] - middle) / _S, 1.0 / target.v[begin:end], True
    place = int(at.searchsorted(0.0))
    at = np.insert(at, place, 0.0)
    phi = np.insert(phi, place, phi[max(place - 1, 0)])
    phi[place:] *= not begins
    phi[:place] *= begins
    change = np.append(True, phi[1:] != phi[:-1])  # the first always counts
    return at[change], phi[change], followed


def cuts(commanded: Commanded) -> list[Event]:
    """Return the fuel cuts on the overrun and their ends, in order of time.

    They are told by the controller's flag, else by a pulse width of nothing. With a throttle channel the throttle must
    be known to be shut: at the beginning of a cut, and for half a second about its end.
    """
    if commanded.cut is not None:
        column, on = commanded.cut, commanded.cut.v != 0.0
    elif commanded.pulse is not None:
        column, on = commanded.pulse, commanded.pulse.v < NO_PULSE
    else:
        return []
    throttle = commanded.throttle
    found = []
    for since, earliest, latest, last, begins in _turns(column, on):
        if latest - earliest > COARSEST:
            continue
        middle = (earliest + latest) // 2
        if begins:
            if earliest - since < CUT_AFTER or last - latest < CUT_LASTS:
                continue
            if throttle is not None and not _held(throttle, latest) < SHUT:
                continue
            at, phi, followed = _course(commanded, middle, begins)
            found.append(Event(Kind.CUT, earliest, latest, min(last, middle + AHEAD), at, phi, followed))
            continue
        if earliest - since < CUT_BEFORE_END or last - latest < BACK_LASTS:
            continue
        if throttle is not None:
            about = _between(throttle, earliest - _S // 2, latest + _S // 2)
            if not (len(about) and about.max() < SHUT):
                continue
        at, phi, followed = _course(commanded, middle, begins)
        found.append(Event(Kind.BACK, earliest, latest, min(last, middle + AHEAD), at, phi, followed))
    return found


def steps(commanded: Commanded) -> list[Event]:
    """Return the steps of the commanded lambda that were level before and after, at a steady throttle, with no cut."""
    target = commanded.target
    if target is None or len(target) < 3:
        return []
    t, v, good = target.t, target.v, target.why == 0
    found = []
    place = 1
    while place < len(t):
        before = place - 1
        if not (good[before] and good[place]) or abs(v[place] - v[before]) <= LEVEL:
            place += 1
            continue
        # It may take a few samples to get there; the first that stays is where it has arrived.
        arrived = place
        while (
            arrived + 1 < len(t)
            and t[arrived + 1] - t[before] <= max(STEP_WITHIN, int(t[place] - t[before]))
            and abs(v[arrived + 1] - v[arrived]) > LEVEL
        ):
            arrived += 1
        event = _step(commanded, before, arrived)
        if event is not None:
            found.append(event)
        place = arrived + 1
    return found


def _step(commanded: Commanded, before: int, arrived: int) -> Event | None:
    target = commanded.target
    assert target is not None
    earliest, latest = int(target.t[before]), int(target.t[arrived])
    was, became = float(target.v[before]), float(target.v[arrived])
    if abs(became - was) < STEP or latest - earliest > COARSEST or min(was, became) <= 0.0:
        return None
    begin, end = target.t.searchsorted((earliest - BEFORE_STEP, latest + AFTER_STEP)).tolist()
    if target.t[begin] > earliest - BEFORE_STEP // 2 or end >= len(target) or (target.why[begin:end] != 0).any():
        return None
    if np.abs(target.v[begin : before + 1] - was).max() > LEVEL or np.abs(target.v[arrived:end] - became).max() > LEVEL:
        return None
    for column, most in ((commanded.throttle, STEADY_THROTTLE), (commanded.cut, 0.0)):
        about = None if column is None else _between(column, earliest - _S // 2, latest + _S // 2)
        if about is not None and not (len(about) and about.max() - about.min() <= most):
            return None
    if commanded.cut is not None and _held(commanded.cut, latest) != 0.0:
        return None
    at = np.array([-BACK / _S, 0.0])
    return Event(Kind.STEP, earliest, latest, latest + AFTER_STEP, at, 1.0 / np.array([was, became]), followed=True)


def events(commanded: Commanded) -> list[Event]:
    """Return all events of a recording in order of time, each with engine speed where that is known."""
    found = sorted(cuts(commanded) + steps(commanded), key=lambda event: event.latest)
    if commanded.speed is None:
        return found
    return [replace(event, rpm=_held(commanded.speed, event.latest)) for event in found]
