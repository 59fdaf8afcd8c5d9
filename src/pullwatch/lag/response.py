"""What one event says: how well every delay and time constant explains what lambda did after it.

The commanded course is delayed by T, put through a first-order lag with time constant tau and scaled to the readings
(a display may be off by some per cent, so only the shape counts). Two shapes are tried. Where the *cell* is what lags,
1/lambda does, towards 0 in air, and the display ends it at its rail, beyond which it says nothing: a reading at the
rail still says that the mixture was at least so lean. Where the *display* smooths what it shows, lambda lags, towards
the rail. What is left between the readings and that is held against the noise, always in 1/lambda.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import Why
from pullwatch.lag.events import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch.columns import Column
    from pullwatch.lag.events import Event

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]

_S: Final = 1_000_000_000

FROM: Final = -0.1
"""Readings are taken from here on, s after the event."""
GRID: Final = 0.001
"""s between the points at which the lagged course is kept."""
LEAST_NOISE: Final = 0.004
"""Of 1/lambda, standard deviation: a display with two digits makes about as much (computed: 0.01/sqrt(12) = 0.003)."""
WILDEST: Final = 0.1
"""1/lambda beyond which a reading that is off counts no more than this: a spike is no answer."""
AT_THE_RAIL: Final = 0.3
"""s of readings at the rail that are looked at: the others say no more."""
THINNED: Final = 0.035
"""s between readings where a rough answer will do."""
MOVED: Final = 0.10
"""1/lambda by which a cut must have moved the reading, ..."""
MOVED_SHARE: Final = 0.4
"""... and the share of itself by which a step must have."""
UNSTEADY: Final = 0.05
"""1/lambda by which the reading may wander before a cut whose mixture before is not known."""
TAKEN: Final = frozenset({int(Why.GOOD), int(Why.TOO_FAST), int(Why.NOT_PROVED)})
"""A cut may be faster than is believed of a mixture, and is what proves a sensor: those readings count here."""


class Lags(Enum):
    """What it is that lags."""

    CELL = "1/lambda lags, as a sensor's cell does"
    DISPLAY = "lambda itself lags, as a display that averages does"


@dataclass(frozen=True, slots=True)
class Answer:
    """What lambda did after an event: `at` (s after its middle) and `phi` (1/lambda), shape (n,)."""

    event: Event
    at: Floats
    phi: Floats


def readings(column: Column) -> tuple[NDArray[np.int64], Floats]:
    """Return times and 1/lambda of all readings that can be used, beyond belief on the lean side included."""
    wanted = np.isin(column.why, list(TAKEN)) | ((column.why == int(Why.IMPLAUSIBLE)) & (column.v > 1.0))
    wanted &= np.isfinite(column.v) & (column.v > 0.0)
    return column.t[wanted], 1.0 / column.v[wanted]


def answer(event: Event, t: NDArray[np.int64], phi: Floats) -> Answer:
    """Return the readings about an event, the half second before it too."""
    begin, end = t.searchsorted((event.middle - _S // 2, event.until)).tolist()
    return Answer(event, (t[begin:end] - event.middle) / _S, phi[begin:end])


def shortened(a: Answer, rail: float) -> Answer:
    """Return the answer to the beginning of a cut without most of what lies at the rail."""
    reached = a.at[(a.at > 0.0) & (a.phi <= rail * 1.01)]
    if a.event.kind is not Kind.CUT or not len(reached):
        return a
    used = a.at <= reached[0] + AT_THE_RAIL
    return Answer(a.event, a.at[used], a.phi[used])


def thinned(a: Answer) -> Answer:
    """Return an answer with fewer readings."""
    if len(a.at) < 3:
        return a
    every = max(1, int(THINNED * (len(a.at) - 1) / (a.at[-1] - a.at[0])))
    return Answer(a.event, a.at[::every], a.phi[::every])


def rail_of(answers: list[Answer], high: float) -> float:
    """Return 1/lambda at the lean rail: the leanest of a usual cut, and no leaner than what is believed at all."""
    leanest = [float(a.phi.min()) for a in answers if a.event.kind is Kind.CUT and len(a.phi)]
    return max([1.0 / high, *([float(np.median(leanest))] if leanest else [])])


def moved(a: Answer) -> bool:
    """Whether lambda answered at all."""
    after = a.phi[a.at > 0.0]
    if len(after) < 3:
        return False
    if a.event.kind is not Kind.STEP:
        before = a.phi[a.at <= 0.0]
        if not len(before):
            return False
        still = float(np.median(before))
        return bool(still - after.min() >= MOVED if a.event.kind is Kind.CUT else after.max() - still >= MOVED)
    wanted = float(a.event.phi[-1] - a.event.phi[0])
    went = float(np.median(a.phi[a.at > 0.6]) - np.median(a.phi[a.at <= 0.0])) if (a.at > 0.6).any() else 0.0
    return went / wanted >= MOVED_SHARE


def steady(a: Answer) -> bool:
    """Whether what came before is known: as commanded, or the reading was level. Before the end of a cut it is air."""
    if a.event.followed or a.event.kind is not Kind.CUT:
        return True
    before = a.phi[(a.at > -0.3) & (a.at <= 0.04)]
    return len(before) >= 2 and float(before.max() - before.min()) <= UNSTEADY


def lagged(at: Floats, phi: Floats, tau: Floats, x: Floats) -> Floats:
    """Return the course (held from each `at` to the next) after a first-order lag, exactly, shape (len(tau), len(x)).

    Between two changes it goes as u + (y0 - u) exp(-(x - at)/tau) (textbook); before the first it is level.
    """
    out = np.empty((len(tau), len(x)))
    borders = [0, *x.searchsorted(at[1:]).tolist(), len(x)]
    y = np.full(len(tau), phi[0])
    for place in range(len(at)):
        begin, end = borders[place], borders[place + 1]
        u = phi[place]
        out[:, begin:end] = u + (y - u)[:, None] * np.exp(-(x[begin:end] - at[place]).clip(0.0) / tau[:, None])
        if place + 1 < len(at):
            y = u + (y - u) * np.exp(-(at[place + 1] - at[place]) / tau)
    return out


def misfit(a: Answer, delay: Floats, tau: Floats, rail: float, lags: Lags) -> Floats:
    """Return the sum of squares (of 1/lambda, wild ones bounded) that is left for every tau and delay (s).

    `delay`, shape (d,), is counted from the event's middle; the result has the shape (len(tau), d). `rail` is 1/lambda.
    """
    used = a.at >= FROM
    at, phi = a.at[used], a.phi[used]
    if not len(at):
        return np.zeros((len(tau), len(delay)))
    low = at[0] - delay[-1] - GRID
    x = low + GRID * np.arange(int((at[-1] - delay[0] - low) / GRID) + 2)
    place = np.rint((at[None, :] - delay[:, None] - low) / GRID).astype(np.intp).clip(0, len(x) - 1)

    def late(course: Floats) -> Singles:
        """Return a course as it is seen at every (tau, delay, reading); halved memory, twice as fast."""
        return np.asarray(lagged(a.event.at, course, tau, x).astype(np.float32)[:, place])

    course, wanted = a.event.phi, np.maximum(phi, rail)
    if a.event.kind is Kind.STEP:
        left, wanted = _line(late(course), phi.astype(np.float32)), phi
    elif lags is Lags.DISPLAY:
        air = course == 0.0
        towards = late(air / rail)
        left = late(np.where(air, 0.0, 1.0 / np.where(air, 1.0, course)))
        burnt = ((1.0 / wanted).astype(np.float32) - towards) * left
        scale = burnt.sum(axis=2) / np.maximum((left * left).sum(axis=2), 1e-9)
        left = 1.0 / np.maximum(scale[:, :, None] * left + towards, np.float32(0.1))
    else:
        # Scaled through what is not at the rail, 1/lambda of air being 0 for every sensor.
        z = late(course)
        seen = (phi > rail * 1.01).astype(np.float32)
        scale = (z @ (seen * phi).astype(np.float32)) / np.maximum((z * z) @ seen, 1e-9)
        left = np.maximum(scale[:, :, None] * z, np.float32(rail))
    left = np.asarray(left - wanted.astype(np.float32), dtype=np.float32)
    np.square(left, out=left)
    np.minimum(left, np.float32(WILDEST**2), out=left)
    return np.asarray(left.sum(axis=2), dtype=np.float64)


def _line(z: Singles, phi: Singles) -> Singles:
    """Return the least-squares line through (z, phi) for every (tau, delay)."""
    off = z - z.mean(axis=2, keepdims=True)
    mean = phi.mean()
    slope = (off @ (phi - mean)) / np.maximum((off * off).sum(axis=2), np.float32(1e-9))
    off *= slope[:, :, None]
    off += mean
    return np.asarray(off)
