"""All events together: delay and time constant with their intervals, or why there are none.

What is asked for is the fixed part of the delay, d. For event number e at engine speed N, lambda began to answer

    T = d + kappa/N + j + r     later than the middle of the event's bracket,

where kappa/N is the engine's cycle (60/N to 120/N s) and, where stated, the gas's way to the sensor; j is where in its
bracket the event was (evenly spread: the controller's stream has a period of its own); r is what differs from event
to event, normal with a spread that is not known; and one event in twenty may be anything. Every d, tau, kappa and
spread, and which of two things lags (`response.Lags`), is weighed by how well it explains all readings of all events
(Bayes' rule, on a grid, even prior weights; for tau and the spread even on a logarithmic scale). The interval holds the
middle 95 % of the fixed part *of an event*, d + r: so it covers what is not known of d, of kappa and of the instants,
the sample period, and what differs between events.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.lag.events import Kind
from pullwatch.lag.response import (
    LEAST_NOISE,
    Answer,
    Lags,
    answer,
    misfit,
    moved,
    rail_of,
    readings,
    shortened,
    steady,
    thinned,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.columns import Column
    from pullwatch.lag.events import Event

    Floats = NDArray[np.float64]

FIT: Final = 2 / 3
"""Share of answers that must be those of a first-order lag: where fewer are, the others are so by chance."""
ENOUGH: Final = 5
"""Fewer events give no interval."""
FEW_OF_A_KIND: Final = 3
"""As many are asked for before one kind of event is held against another."""
SLOWEST_HZ: Final = 8.0
"""Slower readings miss the whole answer between two of them."""
SURE: Final = 0.95
STRAY: Final = 0.05
"""Share of events that may be anything."""
LONGEST: Final = 0.9
"""s: no answer is waited for longer."""
_COARSE: Final = 0.008
_FINE: Final = 0.004
_REACH: Final = 0.050
"""s on either side of the coarse answer that is looked at finely, and more where instants are coarse."""
_TAUS: Final = np.geomspace(0.012, 0.6, 14)
_SPREADS: Final = np.array([0.001, 0.002, 0.004, 0.008, 0.016, 0.032])
_KAPPAS: Final = 5
_ROUGH: Final = 0.02
"""1/lambda, what a coarse step of delay and time constant may leave unexplained."""
OUT: Final = 1e-9
"""An idea of what lags that is so much less likely than the other, roughly looked at, is left out."""
WORST_FIT: Final = 0.06
"""1/lambda, root of the mean square: an answer that is explained no better than this is none of a first-order lag."""
DEFAULT_OVER_SPEED: Final = (60.0, 120.0)
"""s × rpm: the cycle of a four-stroke, its middle 90/N s (computed)."""
NEVER_STEADY: Final = "lambda was never level before a cut, and lambda_target, which would say why, is not recorded."
NOTHING_HAPPENED: Final = "there was no fuel cut on the overrun that lasted, and no commanded step of the mixture."


@dataclass(frozen=True, slots=True)
class Interval:
    """The middle, and what holds `SURE` of it; s."""

    least: float
    middle: float
    most: float


@dataclass(frozen=True, slots=True)
class Seen:
    """One event that was used, engine speed (rpm, NaN: not known), and the whole delay there with its bounds, s."""

    event: Event
    rpm: float
    total: Interval


@dataclass(frozen=True, slots=True)
class Lag:
    """What was found for one lambda channel. Without `delay` and `tau`, `why_not` says why there is no interval."""

    seen: tuple[Seen, ...] = ()
    delay: Interval | None = None
    """The fixed part, if `over_speed` could be taken off; else the whole."""
    tau: Interval | None = None
    lags: Lags = Lags.CELL
    """What fits best."""
    spread: float = float("nan")
    """From event to event, s (standard deviation)."""
    period: float = float("nan")
    """Between two readings, s (median)."""
    over_speed: tuple[float, float] = (0.0, 0.0)
    """What was taken off, over engine speed, s × rpm."""
    left_out: tuple[tuple[str, int], ...] = ()
    """Events that were not used: why, and how many."""
    differ: tuple[tuple[Kind, Interval], ...] = ()
    """Kinds of events that disagree by more than their intervals, with the delay of each."""
    why_not: str = ""


def _quantiles(at: Floats, weight: Floats) -> Interval:
    """Return middle and interval of a weighted grid."""
    total = np.cumsum(weight)
    total /= total[-1]
    edge = (1.0 - SURE) / 2.0
    least, middle, most = np.interp([edge, 0.5, 1.0 - edge], total - 0.5 * weight / weight.sum(), at).tolist()
    return Interval(least, middle, most)


def _kernels(step: float, count: int) -> Floats:
    """Return for every spread how likely it brings each delay of the grid to each other, shape (s, count, count)."""
    apart = step * (np.arange(count)[:, None] - np.arange(count)[None, :])
    kernels = np.exp(-0.5 * (apart / np.maximum(_SPREADS, 0.5 * step)[:, None, None]) ** 2)
    return np.asarray(kernels / kernels.sum(axis=2).max(axis=1)[:, None, None])


def _blurred(likely: Floats, width: float, step: float) -> Floats:
    """Return the mean over an evenly spread shift of `width`, along the last axis."""
    half = round(0.5 * width / step)
    if half == 0:
        return likely
    padded = np.pad(likely, ((0, 0), (half + 1, half)), mode="edge")
    sums = np.cumsum(padded, axis=1)
    return np.asarray((sums[:, 2 * half + 1 :] - sums[:, : -2 * half - 1]) / (2 * half + 1))


@dataclass(frozen=True, slots=True)
class _Grid:
    """Where the posterior stands: kappa over N is taken off at its middle, so `delay` is the fixed part."""

    delay: Floats
    tau: Floats
    kappa: Floats
    step: float

    def offset(self, a: Answer) -> float:
        """Return kappa/N at the middle of kappa, s."""
        return 0.0 if np.isnan(a.event.rpm) or a.event.rpm <= 0.0 else float(self.kappa.mean() / a.event.rpm)


def _posterior(grid: _Grid, answers: Sequence[Answer], likely: Sequence[Floats]) -> Floats:
    """Return the logarithm of the weight of every (spread, kappa, tau, delay), from how likely each answer is there."""
    count = len(grid.delay)
    kernels = _kernels(grid.step, count)
    log = np.zeros((len(_SPREADS), len(grid.kappa), len(grid.tau), count))
    for a, one in zip(answers, likely, strict=True):
        blurred = _blurred(one, (a.event.latest - a.event.earliest) / 1e9, grid.step)
        stray = STRAY * blurred.sum(axis=1, keepdims=True) * grid.step / LONGEST
        mixed = np.log((1.0 - STRAY) * (blurred @ kernels) + stray + 1e-300)
        for place, kappa in enumerate(grid.kappa.tolist()):
            shift = 0.0 if grid.offset(a) == 0.0 else (kappa - grid.kappa.mean()) / a.event.rpm / grid.step
            log[:, place] += _shifted(mixed, shift)
    return log


def _shifted(values: Floats, shift: float) -> Floats:
    """Return values[..., i + shift], held at the ends, in straight lines between."""
    count = values.shape[-1]
    at = (np.arange(count) + shift).clip(0, count - 1)
    low = np.minimum(at.astype(np.intp), count - 2)
    share = at - low
    return np.asarray(values[..., low] * (1.0 - share) + values[..., low + 1] * share)


def _predicted(grid: _Grid, weight: Floats) -> Interval:
    """Return the interval of the fixed part of an event, d + r; `weight` over (spread, delay)."""
    margin = round(3.5 * _SPREADS[-1] / grid.step)
    around = grid.step * np.arange(-margin, margin + 1)
    at = grid.delay[0] + grid.step * np.arange(-margin, len(grid.delay) + margin)
    density = np.zeros(len(at))
    for spread, over_delay in zip(_SPREADS.tolist(), weight, strict=True):
        kernel = np.exp(-0.5 * (around / max(spread, 0.5 * grid.step)) ** 2)
        density += np.convolve(over_delay, kernel / kernel.sum())
    return _quantiles(at, density)


def estimate(
    lambda_: Column, events: Sequence[Event], over_speed: tuple[float, float] = DEFAULT_OVER_SPEED, high: float = 2.0
) -> Lag:
    """Estimate delay and time constant of one lambda channel from the events of a recording.

    `over_speed` is what is divided by engine speed (s × rpm, least and most: the cycle, and the way to the sensor);
    `high` the leanest lambda that is believed. Events without engine speed give the whole delay, nothing taken off.
    """
    t, phi = readings(lambda_)
    if len(t) < 3:
        return Lag(why_not="lambda was never read.")
    period = float(np.median(np.diff(t))) / 1e9
    if period > 1.0 / SLOWEST_HZ:
        text = (
            f"lambda came {1.0 / period:.2g} times a second: at least {SLOWEST_HZ:g} are needed, 20 and more are good."
        )
        return Lag(period=period, why_not=text)
    if not events:
        return Lag(period=period, why_not=NOTHING_HAPPENED)
    every = [answer(event, t, phi) for event in events]
    rail = rail_of(every, high)
    # What a display averages towards is the leanest it shows, believed or not.
    rails = {Lags.CELL: rail, Lags.DISPLAY: rail_of(every, math.inf)}
    answered = [a for a in every if moved(a)]
    known = [a for a in answered if steady(a)]
    left = [("lambda did not move", len(every) - len(answered)), ("not steady before", len(answered) - len(known))]
    if not answered:
        text = (
            f"lambda did not move after any of {len(every)} events: it is another bank's sensor, none, or was not warm."
        )
        return Lag(period=period, left_out=_counted(left), why_not=text)
    with_speed = [a for a in known if a.event.rpm > 0.0]
    if len(with_speed) >= ENOUGH:
        left.append(("engine speed not known", len(known) - len(with_speed)))
        known = with_speed
    elif len(with_speed) < len(known):
        over_speed = (0.0, 0.0)
    if not known:
        return Lag(period=period, left_out=_counted(left), why_not=NEVER_STEADY)
    kappa = np.linspace(over_speed[0], over_speed[1], _KAPPAS if over_speed[1] > over_speed[0] else 1)
    return _combined([shortened(a, rail) for a in known], rails, kappa, Lag(period=period, over_speed=over_speed), left)


def _counted(left: Sequence[tuple[str, int]]) -> tuple[tuple[str, int], ...]:
    return tuple((why, count) for why, count in left if count)


@dataclass(frozen=True, slots=True)
class _Shape:
    """One idea of what lags: its grid, and what every tau and delay leaves unexplained of each answer."""

    lags: Lags
    grid: _Grid
    squares: tuple[Floats, ...]

    @classmethod
    def of(cls, lags: Lags, grid: _Grid, answers: Sequence[Answer], rail: float) -> _Shape:
        """Work it out."""
        return cls(lags, grid, tuple(misfit(a, grid.delay + grid.offset(a), grid.tau, rail, lags) for a in answers))


def _weighed(shapes: Sequence[_Shape], answers: Sequence[Answer], noise: Sequence[float]) -> list[Floats]:
    """Return the weight of every (spread, kappa, tau, delay) of each shape, all held against each other."""
    best = [min(float(shape.squares[i].min()) for shape in shapes) for i in range(len(answers))]
    logs = [
        _posterior(
            shape.grid,
            answers,
            [np.exp((b - one) * (0.5 / n**2)) for one, b, n in zip(shape.squares, best, noise, strict=True)],
        )
        for shape in shapes
    ]
    top = max(float(log.max()) for log in logs)
    return [np.exp(log - top) for log in logs]


def _roughly(answers: Sequence[Answer], rails: Mapping[Lags, float], kappa: Floats) -> list[_Shape]:
    """Return the shapes that are not out of the question, each with a fine grid about what is likely; worked out."""
    coarse = _Grid(np.arange(-0.06, LONGEST, _COARSE), _TAUS, kappa, _COARSE)
    thin = [thinned(a) for a in answers]
    shapes = [_Shape.of(lags, coarse, thin, rails[lags]) for lags in Lags]
    weights = _weighed(shapes, answers, [_ROUGH] * len(answers))
    most = max(float(weight.max()) for weight in weights)
    kept = [(shape.lags, weight) for shape, weight in zip(shapes, weights, strict=True) if weight.max() > OUT * most]
    delays = coarse.delay[sum(weight.sum(axis=(0, 1, 2)) for _, weight in kept) > 1e-4 * most]
    reach = _REACH + 0.5 * max((a.event.latest - a.event.earliest) / 1e9 for a in answers)
    delay = np.arange(delays[0] - reach, delays[-1] + reach, _FINE)
    ratio = float(coarse.tau[1] / coarse.tau[0])
    out = []
    for lags, weight in kept:
        over_tau = weight.sum(axis=(0, 1, 3))
        taus = coarse.tau[over_tau > 1e-4 * over_tau.max()]
        grid = _Grid(delay, np.geomspace(taus[0] / ratio, taus[-1] * ratio, 15), kappa, _FINE)
        out.append(_Shape.of(lags, grid, answers, rails[lags]))
    return out


def _combined(
    answers: Sequence[Answer], rails: Mapping[Lags, float], kappa: Floats, lag: Lag, left: list[tuple[str, int]]
) -> Lag:
    """Weigh all answers together, roughly first, and return `lag` with what is found."""
    shapes = _roughly(answers, rails, kappa)
    # The mean square that the best fit leaves, over the readings it could be fitted to, less what was fitted.
    free = [max(float((a.phi[a.at >= 0.0] > rails[Lags.CELL] * 1.01).sum()) - 3.0, 1.0) for a in answers]
    chosen = min(shapes, key=lambda shape: sum(float(one.min()) for one in shape.squares))
    square = np.array([float(one.min()) / f for one, f in zip(chosen.squares, free, strict=True)])
    fits = np.flatnonzero(square <= WORST_FIT**2).tolist()
    left.append(("not the answer of a first-order lag", len(answers) - len(fits)))
    lag = replace(lag, left_out=_counted(left))
    if len(fits) <= FIT * len(answers):
        text = f"{len(answers) - len(fits)} of {len(answers)} answers do not look like those of a sensor with a lag."
        return replace(lag, why_not=text)
    usual = float(np.median(square[fits]))
    answers = [answers[place] for place in fits]
    noise = [max(LEAST_NOISE**2, usual, square[place]) ** 0.5 for place in fits]
    shapes = [replace(shape, squares=tuple(shape.squares[place] for place in fits)) for shape in shapes]
    weights = _weighed(shapes, answers, noise)
    place = int(np.argmax([weight.sum() for weight in weights]))
    lag = replace(lag, seen=_seen(shapes[place], weights[place], answers, noise), lags=shapes[place].lags)
    if len(answers) < ENOUGH:
        count = f"{len(answers)} event{'s' if len(answers) > 1 else ''}"
        return replace(lag, why_not=f"{count}, {ENOUGH} are needed.")
    tau = _time_constant(shapes, weights)
    if tau.most > 0.9 * _TAUS[-1]:
        slow = f"the sensor is slower than can be told (time constant {tau.middle * 1e3:.0f} ms and more)."
        return replace(lag, why_not=slow)
    over_spread = np.sum([weight.sum(axis=(1, 2, 3)) for weight in weights], axis=0)
    spread = float((over_spread * _SPREADS).sum() / over_spread.sum())
    delay = _predicted(shapes[0].grid, np.sum([weight.sum(axis=(1, 2)) for weight in weights], axis=0))
    if delay.middle <= 0.0:
        return replace(lag, why_not="lambda moved before the event it should follow: the channels do not fit together.")
    return replace(lag, delay=delay, tau=tau, spread=spread, differ=_differing(shapes, answers, noise))


def _time_constant(shapes: Sequence[_Shape], weights: Sequence[Floats]) -> Interval:
    tau = np.concatenate([shape.grid.tau for shape in shapes])
    # A grid of one shape may be finer than that of the other: its points weigh less.
    over = np.concatenate(
        [
            weight.sum(axis=(0, 1, 3)) * np.log(shape.grid.tau[1] / shape.grid.tau[0])
            for shape, weight in zip(shapes, weights, strict=True)
        ]
    )
    order = np.argsort(tau)
    found = _quantiles(np.log(tau[order]), over[order])
    return Interval(*np.exp([found.least, found.middle, found.most]).tolist())


def _seen(shape: _Shape, weight: Floats, answers: Sequence[Answer], noise: Sequence[float]) -> tuple[Seen, ...]:
    """Return the whole delay of each event, with where in its bracket it may have been."""
    over_tau = weight.sum(axis=(0, 1, 3))
    grid = shape.grid
    found = []
    for a, one, n in zip(answers, shape.squares, noise, strict=True):
        width = (a.event.latest - a.event.earliest) / 1e9
        likely = _blurred(np.exp((one.min() - one) * (0.5 / n**2)), width, grid.step)
        total = _quantiles(grid.delay + grid.offset(a), (over_tau[:, None] * likely).sum(axis=0))
        found.append(Seen(a.event, a.event.rpm, total))
    return tuple(found)


def _differing(
    shapes: Sequence[_Shape], answers: Sequence[Answer], noise: Sequence[float]
) -> tuple[tuple[Kind, Interval], ...]:
    """Return the kinds whose own delays are apart by more than their intervals, each with its delay."""
    found = []
    for kind in Kind:
        places = [place for place, a in enumerate(answers) if a.event.kind is kind]
        if len(places) >= FEW_OF_A_KIND:
            those = [replace(shape, squares=tuple(shape.squares[place] for place in places)) for shape in shapes]
            weights = _weighed(those, [answers[place] for place in places], [noise[place] for place in places])
            over = np.sum([weight.sum(axis=(0, 1, 2)) for weight in weights], axis=0)
            found.append((kind, _quantiles(shapes[0].grid.delay, over)))
    return tuple(
        (kind, one)
        for kind, one in found
        if any(one.most < other.least or other.most < one.least for _, other in found)
    )
