"""All events together: delay and time constant with their intervals, or why there are none.

What is asked for is the fixed part of the delay, d. For event number e at engine speed N, lambda began to answer

    T = d + kappa/N + j + r     later than the middle of the event's bracket,

where kappa/N is the engine's cycle (60/N to 120/N s) and, where stated, the gas's way to the sensor; j is where in its
bracket the event was (evenly spread: the controller's stream has a period of its own); r is what differs from event
to event, normal with a spread that is not known; and one event in twenty may be anything. Every d, tau, kappa and
spread is weighed by how well it explains all readings of all events (Bayes' rule, on a grid, even prior weights; for
tau and the spread even on a logarithmic scale). The interval holds the middle 95 % of the fixed part *of an event*,
d + r: so it covers what is not known of d, of kappa and of the instants, the sample period, and what differs between
events.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.lag.events import Kind
from pullwatch.lag.response import LEAST_NOISE, Answer, answer, misfit, moved, rail_of, readings, steady

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.columns import Column
    from pullwatch.lag.events import Event

    Floats = NDArray[np.float64]

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
_REACH: Final = 0.080
"""s on either side of the coarse answer that is looked at finely, and more where instants are coarse."""
_TAUS: Final = np.geomspace(0.012, 0.6, 14)
_SPREADS: Final = np.array([0.001, 0.002, 0.004, 0.008, 0.016, 0.032])
_KAPPAS: Final = 5
WORST_FIT: Final = 0.06
"""1/lambda, root of the mean square: an answer that is explained no better than this is none of a first-order lag."""
DEFAULT_OVER_SPEED: Final = (60.0, 120.0)
"""s × rpm: the cycle of a four-stroke, its middle 90/N s (computed)."""
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


def _likelihood(grid: _Grid, a: Answer, rail: float, noise: float) -> Floats:
    """Return how likely the readings are for every tau and delay, the best being 1."""
    chi = misfit(a, grid.delay + grid.offset(a), grid.tau, rail, noise)
    return np.asarray(np.exp(-0.5 * (chi - chi.min())))


def _posterior(grid: _Grid, answers: Sequence[Answer], likely: Sequence[Floats]) -> Floats:
    """Return the weight of every (spread, kappa, tau, delay)."""
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
    return np.asarray(np.exp(log - log.max()))


def _shifted(values: Floats, shift: float) -> Floats:
    """Return values[..., i + shift], held at the ends, in straight lines between."""
    count = values.shape[-1]
    at = (np.arange(count) + shift).clip(0, count - 1)
    low = np.minimum(at.astype(np.intp), count - 2)
    share = at - low
    return np.asarray(values[..., low] * (1.0 - share) + values[..., low + 1] * share)


def _predicted(grid: _Grid, weight: Floats) -> Interval:
    """Return the interval of the fixed part of an event, d + r."""
    per_spread = weight.sum(axis=(1, 2))
    margin = round(3.5 * _SPREADS[-1] / grid.step)
    around = grid.step * np.arange(-margin, margin + 1)
    at = grid.delay[0] + grid.step * np.arange(-margin, len(grid.delay) + margin)
    density = np.zeros(len(at))
    for spread, over_delay in zip(_SPREADS.tolist(), per_spread, strict=True):
        kernel = np.exp(-0.5 * (around / max(spread, 0.5 * grid.step)) ** 2)
        density += np.convolve(over_delay, kernel / kernel.sum())
    return _quantiles(at, density)


def _noise_of(a: Answer, grid: _Grid, rail: float) -> tuple[float, float]:
    """Return the least sum of squares of an answer (in units of 1/lambda) and how many readings it is spread over."""
    coarse = 0.02
    chi = misfit(a, grid.delay + grid.offset(a), grid.tau, rail, coarse)
    free = float((a.phi[a.at >= 0.0] > rail * 1.01).sum()) - 3.0
    return float(chi.min()) * coarse**2, max(free, 1.0)


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
    kappa = np.linspace(over_speed[0], over_speed[1], _KAPPAS if over_speed[1] > over_speed[0] else 1)
    coarse = _Grid(np.arange(-0.06, LONGEST, _COARSE), _TAUS, kappa, _COARSE)
    sums = [_noise_of(a, coarse, rail) for a in known]
    fits = [(a, s, f) for a, (s, f) in zip(known, sums, strict=True) if s / f <= WORST_FIT**2]
    left.append(("not the answer of a first-order lag", len(known) - len(fits)))
    if not fits:
        return Lag(period=period, left_out=_counted(left), why_not="no answer looked like that of a sensor with a lag.")
    usual = float(np.median([s / f for _, s, f in fits]))
    noise = [max(LEAST_NOISE**2, usual, s / f) ** 0.5 for _, s, f in fits]
    return _combined([a for a, _, _ in fits], noise, coarse, rail, period, over_speed, left)


def _counted(left: Sequence[tuple[str, int]]) -> tuple[tuple[str, int], ...]:
    return tuple((why, count) for why, count in left if count)


def _combined(
    answers: Sequence[Answer],
    noise: Sequence[float],
    coarse: _Grid,
    rail: float,
    period: float,
    over_speed: tuple[float, float],
    left: Sequence[tuple[str, int]],
) -> Lag:
    likely = [_likelihood(coarse, a, rail, n) for a, n in zip(answers, noise, strict=True)]
    grid = _finer(coarse, answers, _posterior(coarse, answers, likely))
    likely = [_likelihood(grid, a, rail, n) for a, n in zip(answers, noise, strict=True)]
    weight = _posterior(grid, answers, likely)
    over_tau = weight.sum(axis=(0, 1, 3))
    tau = _quantiles(np.log(grid.tau), over_tau)
    tau = Interval(*np.exp([tau.least, tau.middle, tau.most]).tolist())
    delay = _predicted(grid, weight)
    spread = float((weight.sum(axis=(1, 2, 3)) * _SPREADS).sum() / weight.sum())
    seen = tuple(
        Seen(a.event, a.event.rpm, _total(grid, a, one, over_tau)) for a, one in zip(answers, likely, strict=True)
    )
    found = Lag(seen, spread=spread, period=period, over_speed=over_speed, left_out=_counted(left))
    if len(answers) < ENOUGH:
        count = f"{len(answers)} event{'s' if len(answers) > 1 else ''}"
        return replace(found, why_not=f"{count}, {ENOUGH} are needed.")
    if over_tau[-1] > 0.05 * over_tau.max() and grid.tau[-1] >= _TAUS[-1]:
        slow = f"the sensor is slower than can be told (time constant {tau.middle * 1e3:.0f} ms)."
        return replace(found, why_not=slow)
    return replace(found, delay=delay, tau=tau, differ=_differing(grid, answers, likely))


def _finer(coarse: _Grid, answers: Sequence[Answer], weight: Floats) -> _Grid:
    """Return a fine grid about what the coarse one leaves likely."""
    over_tau, over_delay = weight.sum(axis=(0, 1, 3)), weight.sum(axis=(0, 1, 2))
    taus = coarse.tau[over_tau > 1e-4 * over_tau.max()]
    ratio = float(coarse.tau[1] / coarse.tau[0])
    delays = coarse.delay[over_delay > 1e-4 * over_delay.max()]
    widest = max((a.event.latest - a.event.earliest) / 1e9 for a in answers)
    reach = _REACH + 0.5 * widest
    step = _FINE
    return _Grid(
        np.arange(delays[0] - reach, delays[-1] + reach, step),
        np.geomspace(taus[0] / ratio, taus[-1] * ratio, 17),
        coarse.kappa,
        step,
    )


def _total(grid: _Grid, a: Answer, likely: Floats, over_tau: Floats) -> Interval:
    """Return the whole delay of one event, with where in its bracket it may have been."""
    blurred = _blurred(likely, (a.event.latest - a.event.earliest) / 1e9, grid.step)
    return _quantiles(grid.delay + grid.offset(a), (over_tau[:, None] * blurred).sum(axis=0))


def _differing(grid: _Grid, answers: Sequence[Answer], likely: Sequence[Floats]) -> tuple[tuple[Kind, Interval], ...]:
    """Return the kinds whose own delays are apart by more than their intervals, each with its delay."""
    found = []
    for kind in Kind:
        of_kind = [(a, one) for a, one in zip(answers, likely, strict=True) if a.event.kind is kind]
        if len(of_kind) >= FEW_OF_A_KIND:
            weight = _posterior(grid, [a for a, _ in of_kind], [one for _, one in of_kind])
            found.append((kind, _quantiles(grid.delay, weight.sum(axis=(0, 1, 2)))))
    apart = [
        (kind, one)
        for kind, one in found
        if any(one.most < other.least or other.most < one.least for _, other in found)
    ]
    return tuple(apart)
