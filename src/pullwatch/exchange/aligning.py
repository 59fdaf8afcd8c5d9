"""Two recordings of one run, made on two clocks: when on the one clock a moment of the other is.

`ours = offset + (1 + rate) * theirs`, found from one quantity that both recorded (engine speed, else manifold
pressure), with an interval, or not at all with the reason. Three steps:

1. *Where.* Both are laid on one grid of 50 ms, and Pearson's correlation of what overlaps is taken at every shift by
   Fourier transform (the masked form, so that missing pieces count as missing). n·ln(1/(1 − r²)), n the points that
   overlap, is the evidence for a shift: what a straight-line fit there gains in log-likelihood, up to a factor. It is
   taken for several clock rates, as a wrong rate smears a long recording.
2. *Whether.* It is refused if another shift, outside the hump around the best, has more than SECOND of its evidence;
   if nothing moved; if the overlap is short; if the correlation is poor.
3. *How exactly.* theirs = lift + scale·ours(offset + (1 + rate)·t), solved by Gauss-Newton for all four numbers. `ours`
   is the faster recording, as the mean and the slope over a short stretch around each moment: even and odd weights, so
   that the noise of a sample is not in both, and a corner is rounded without being moved. The covariance is the
   sandwich with Newey and West's weights (Econometrica 55, 1987, from memory): residuals that follow each other need
   not be independent.

Numpy alone. Times here are seconds, as floats, counted from a common begin by the caller.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

GRID: Final = 0.05
"""Seconds of the grid on which the place is sought."""
MOST_RATE: Final = 1e-3
"""Clocks that differ by more are no two clocks of one run (quartz: some 100 ppm; common practice, no source)."""
SMEAR: Final = 0.25
"""Seconds that a wrong clock rate may pull the ends of a recording apart in the search."""
LEAST_OVERLAP: Final = 10.0
"""Seconds of common movement, below which two pulls cannot be told from each other."""
LEAST_POINTS: Final = 40
LEAST_CORRELATION: Final = 0.9
SECOND: Final = 0.6
"""Share of the best shift's evidence that another may not have."""
HUMP: Final = 0.5
"""The hump around the best shift goes down at least to this share of its top ..."""
RISE: Final = 0.05
"""... and ends where the evidence rises again by this share of it."""
SLOPE: Final = 0.1
"""Seconds to both sides over which the slope of our signal is taken."""
GAP_PERIODS: Final = 5.0
"""Between two samples further apart than so many usual periods, and than LEAST_GAP, nothing is known."""
LEAST_GAP: Final = 0.3
TOGETHER: Final = 1.0
"""Seconds over which residuals may depend on each other."""
Z95: Final = 1.96
WIDEST: Final = 0.1
"""Seconds: an interval that is wider to either side is no answer."""
SCALES: Final = (0.8, 1.25)
"""What `scale` may be: the same quantity in the same unit, measured twice."""
SLOPE_ABOVE: Final = 3.0
"""A slope that is not so many times its own standard deviation is taken for none."""
SETTLED: Final = 0.1
"""Share of a standard deviation that the last step of the solving may still have made."""
_STEPS: Final = 30


class CannotAlign(Exception):  # noqa: N818 - it says what is the case, and never leaves the package
    """Why no answer can be given, in words for a person."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """`ours = offset + (1 + rate) * theirs`, s; intervals hold the truth in 95 of 100 cases.

    `offset` is that of their time 0; `middle` is the moment (their clock) at which the shift is known best: there it is
    known to ± `middle_half` s. `rate` is known to ± `rate_half`. `covariance` (2, 2) is that of the shift at `middle`
    and the rate. `points` residuals of `spread` (in the quantity's unit) stand behind it, over `overlap` s;
    `correlation` is theirs with ours in the end, `second` the share of evidence of the best other shift, `scale` their
    values over ours, `quantile` how many standard deviations half an interval is.
    """

    offset: float
    rate: float
    middle: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    correlation: float
    second: float
    points: int
    overlap: float
    spread: float
    scale: float
    quantile: float

    @property
    def middle_half(self) -> float:
        """Half the interval of the shift at `middle`, s."""
        return self.quantile * math.sqrt(self.covariance[0][0])

    @property
    def rate_half(self) -> float:
        """Half the interval of the clock rate (a pure number)."""
        return self.quantile * math.sqrt(self.covariance[1][1])

    def half_at(self, theirs: float) -> float:
        """Return half the interval of the shift at a moment of their clock, s."""
        away = theirs - self.middle
        (a, b), (_, d) = self.covariance
        return self.quantile * math.sqrt(max(0.0, a + 2.0 * b * away + d * away * away))

    def ours(self, theirs: float) -> float:
        """Return our time of a moment of their clock, s."""
        return self.offset + (1.0 + self.rate) * theirs


@dataclass(frozen=True, slots=True)
class _Gridded:
    """A signal on an even grid: values (NaN never), whether they are known, the time of the first and the step."""

    v: Floats
    known: NDArray[np.bool_]
    begin: float
    step: float

    def at(self, t: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Return the values at `t` along straight lines, and whether they are known."""
        place = (t - self.begin) / self.step
        low = np.clip(np.floor(place).astype(np.int64), 0, len(self.v) - 2)
        share = place - low
        inside = (place >= 0) & (place <= len(self.v) - 1)
        known = inside & self.known[low] & self.known[low + 1]
        return self.v[low] * (1.0 - share) + self.v[low + 1] * share, known


def gridded(t: Floats, v: Floats, step: float) -> _Gridded:
    """Lay samples on a grid along straight lines; known where the samples around are near enough to each other."""
    begin = math.floor(t[0] / step) * step
    places = begin + step * np.arange(math.ceil((t[-1] - begin) / step) + 2)
    after = np.clip(np.searchsorted(t, places, "right"), 1, len(t) - 1)
    usual = float(np.median(np.diff(t)))
    near = t[after] - t[after - 1] <= max(GAP_PERIODS * usual, LEAST_GAP)
    known = near & (places >= t[0]) & (places <= t[-1])
    return _Gridded(np.interp(places, t, v), known, begin, step)


def correlations(
    x: Floats, x_known: NDArray[np.bool_], y: Floats, y_known: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.int64]]:
    """Return (r, n) at every shift of y against x: r[k] is Pearson's over the n[k] points known in both.

    Shift k means y[j] beside x[j + k − (len(y) − 1)]: the order of a full cross-correlation. r is 0 where it has no
    meaning (fewer than three points, or nothing moves).
    """
    size = len(x) + len(y) - 1
    length = 1 << (size - 1).bit_length()
    center_x = float(x[x_known].mean()) if x_known.any() else 0.0
    center_y = float(y[y_known].mean()) if y_known.any() else 0.0
    mx, my = x_known.astype(np.float64), y_known.astype(np.float64)[::-1]
    fx, fy = np.where(x_known, x - center_x, 0.0), np.where(y_known, y - center_y, 0.0)[::-1]

    def transformed(a: Floats) -> NDArray[np.complex128]:
        return np.fft.rfft(a, length)

    def back(a: NDArray[np.complex128]) -> Floats:
        return np.fft.irfft(a, length)[:size]

    tmx, tmy, tx, ty = transformed(mx), transformed(my), transformed(fx), transformed(fy)
    tx2, ty2 = transformed(fx * fx), transformed(fy * fy)
    n = np.rint(back(tmx * tmy))
    safe = np.maximum(n, 1.0)
    sx, sy = back(tx * tmy), back(tmx * ty)
    var_x, var_y = back(tx2 * tmy) - sx * sx / safe, back(tmx * ty2) - sy * sy / safe
    cov = back(tx * ty) - sx * sy / safe
    # What the transforms' rounding leaves of a variance of nought must not be divided by.
    least_x, least_y = 1e-9 * float((fx * fx).sum() + 1e-300), 1e-9 * float((fy * fy).sum() + 1e-300)
    good = (n >= 3) & (var_x > least_x) & (var_y > least_y)
    r = np.zeros(size)
    r[good] = np.clip(cov[good] / np.sqrt(var_x[good] * var_y[good]), -1.0, 1.0)
    return r, n.astype(np.int64)


def align(our_t: Floats, our_v: Floats, their_t: Floats, their_v: Floats, least_movement: float) -> Alignment:
    """Find when on our clock their samples were taken. Times s, strictly rising; values in one unit.

    `least_movement` is the range (5 % to 95 %) that has to be passed through in what overlaps. Raises CannotAlign.
    """
    for who, t, v in (("our recording", our_t, our_v), ("the log", their_t, their_v)):
        if len(t) < LEAST_POINTS or t[-1] - t[0] < LEAST_OVERLAP:
            seconds = float(t[-1] - t[0]) if len(t) > 1 else 0.0
            raise CannotAlign(
                f"{who} is too short: {len(t)} samples over {seconds:.1f} s, {LEAST_OVERLAP:g} s are needed"
            )
        _moves(v, least_movement, who)
    shift, rate, second = _place(our_t, our_v, their_t, their_v)
    if np.median(np.diff(our_t)) <= np.median(np.diff(their_t)):
        return _fine(our_t, our_v, their_t, their_v, shift, rate, second, least_movement)
    # The straight lines are drawn through the faster of the two: the same is solved the other way round.
    other = _fine(
        their_t, their_v, our_t, our_v, -shift / (1.0 + rate), 1.0 / (1.0 + rate) - 1.0, second, least_movement
    )
    return _turned(other)


def _moves(v: Floats, least: float, who: str) -> None:
    low, high = np.percentile(v, (5.0, 95.0))
    if high - low < least:
        raise CannotAlign(f"too little moves in {who}: {low:.0f} to {high:.0f}, a range of {least:g} is needed")


def _place(our_t: Floats, our_v: Floats, their_t: Floats, their_v: Floats) -> tuple[float, float, float]:
    """Return (shift at their time 0, clock rate, share of evidence of the best other shift)."""
    ours = gridded(our_t, our_v, GRID)
    length = float(their_t[-1] - their_t[0])
    step = 2.0 * SMEAR / length
    count = min(40, math.floor(MOST_RATE / step))
    middle = float(their_t[0] + their_t[-1]) / 2.0
    best: tuple[float, float, float, Floats, Floats] | None = None
    for rate in (0.0, *(sign * k * MOST_RATE / count for k in range(1, count + 1) for sign in (1, -1))):
        theirs = gridded(middle + (1.0 + rate) * (their_t - middle), their_v, GRID)
        r, n = correlations(ours.v, ours.known, theirs.v, theirs.known)
        a_point = np.where(r > 0, -np.log1p(-(np.minimum(r, 1.0 - 1e-12) ** 2)), 0.0)
        evidence = np.where(n * GRID < LEAST_OVERLAP, 0.0, n * a_point)
        top = int(np.argmax(evidence))
        if best is None or evidence[top] > best[0]:
            shift = ours.begin - theirs.begin + (top - (len(theirs.v) - 1)) * GRID
            best = float(evidence[top]), shift - rate * middle, rate, evidence, a_point
            found = top, float(r[top]), int(n[top])
    assert best is not None
    height, shift, rate, evidence, a_point = best
    top, r_top, n_top = found
    if height <= 0.0 or r_top < LEAST_CORRELATION:
        over = f" over {n_top * GRID:.0f} s" if height > 0.0 else ""
        raise CannotAlign(
            f"they do not look like the same run: the best correlation is {r_top if height > 0.0 else 0.0:.2f}{over}, "
            f"{LEAST_CORRELATION:g} is needed"
        )
    low, high = _hump(evidence, top, -1), _hump(evidence, top, 1)
    # Away from the best shift less overlaps, and so there is less evidence: that alone makes no hump.
    falls = [
        bool(np.any((a_point[side] < HUMP * a_point[top]) & (evidence[side] > 0.0))) or not evidence[side].any()
        for side in (slice(0, top), slice(top + 1, None))
    ]
    if low is None or high is None or not all(falls):
        raise CannotAlign("too little moves to say when: every shift fits about as well")
    rest = np.concatenate((evidence[:low], evidence[high:]))
    second = float(rest.max(initial=0.0)) / height
    if second > SECOND:
        at = int(np.argmax(np.where(np.arange(len(evidence)) < low, evidence, 0.0)))
        after = high + int(np.argmax(evidence[high:])) if high < len(evidence) else 0
        at = at if evidence[at] >= evidence[after] else after
        raise CannotAlign(
            f"it is ambiguous: {abs(at - top) * GRID:.1f} s {'later' if at > top else 'earlier'} they fit nearly as "
            f"well ({100 * second:.0f} % of the evidence; at most {100 * SECOND:.0f} % may be)"
        )
    return shift, rate, second


def _hump(evidence: Floats, top: int, way: int) -> int | None:
    """Return where the hump around the best shift ends on one side: past HUMP of its top, where it rises again.

    The end is excluded above, included below. None: it does not fall so far.
    """
    side = evidence[top:] if way > 0 else evidence[top::-1]
    below = np.flatnonzero(side < HUMP * evidence[top])
    if not len(below):
        return None
    rest = side[below[0] :]
    rises = np.flatnonzero(rest > np.minimum.accumulate(rest) + RISE * evidence[top])
    away = int(below[0]) + int(np.argmin(rest[: rises[0] + 1 if len(rises) else None]))
    return top + away if way > 0 else max(0, top - away + 1)


def _fine(
    our_t: Floats,
    our_v: Floats,
    their_t: Floats,
    their_v: Floats,
    shift: float,
    rate: float,
    second: float,
    least_movement: float,
) -> Alignment:
    """Solve for shift and rate; straight lines are drawn through `our` samples, the faster ones."""
    step = min(0.02, max(0.002, float(np.median(np.diff(our_t)))))
    raw = gridded(our_t, our_v, step)
    smooth, slope, sure = _smoothed(raw)
    x, dx = _Gridded(smooth, sure, raw.begin, step), _Gridded(slope, sure, raw.begin, step)
    middle = float(their_t.mean())
    a = shift + rate * middle  # the shift at `middle`
    b = rate
    for count in range(_STEPS):
        t = their_t + a + b * (their_t - middle)
        xs, known = x.at(t)
        d, _ = dx.at(t)
        if np.count_nonzero(known) < LEAST_POINTS:
            raise CannotAlign("too little of them overlaps once they lie beside each other")
        w = their_t[known] - middle
        z = np.stack((d[known], d[known] * w, np.ones_like(w), xs[known]), axis=1)
        # theirs − lift − scale·ours is linear in both: they are solved anew in each step.
        beta, alpha = _line(xs[known], their_v[known])
        e = their_v[known] - alpha - beta * xs[known]
        slopes = np.stack((-beta * d[known], -beta * d[known] * w, -np.ones_like(w), -xs[known]), axis=1)
        jacobian = z.T @ slopes
        try:
            change = np.linalg.solve(jacobian, -(z.T @ e))
        except np.linalg.LinAlgError:
            raise CannotAlign("too little moves to say when") from None
        if count > _STEPS // 3:  # samples at the edges of gaps come in and go out in turn: a smaller step ends that
            change *= 0.5
        change[0] = min(0.5, max(-0.5, change[0]))
        change[1] = min(MOST_RATE, max(-MOST_RATE, change[1]))
        a += change[0]
        b += change[1]
        moved = abs(change[0]) + abs(change[1]) * float(np.ptp(w))
        if moved < 1e-7:
            break
    _moves(their_v[known], least_movement, "what overlaps")
    overlap = float(np.ptp(their_t[known]))
    if overlap < LEAST_OVERLAP:
        raise CannotAlign(f"only {overlap:.1f} s of them overlap, {LEAST_OVERLAP:g} s are needed")
    if not SCALES[0] <= beta <= SCALES[1]:
        raise CannotAlign(f"the one is {beta:.2f} times the other: they are not the same quantity in the same unit")
    correlation = float(np.corrcoef(their_v[known], xs[known])[0, 1])
    if correlation < LEAST_CORRELATION:
        raise CannotAlign(f"they do not look like the same run: their correlation is {correlation:.2f}")
    covariance, quantile = _sandwich(z, e, slopes, their_t[known])
    if not np.all(np.isfinite(covariance)) or covariance[0, 0] <= 0 or covariance[1, 1] <= 0:
        raise CannotAlign("too little moves to say how exactly")
    if np.any(np.abs(change[:2]) > SETTLED * np.sqrt(np.diag(covariance))):
        raise CannotAlign("no shift settles: what they recorded differs too much")
    if abs(b) - quantile * math.sqrt(covariance[1, 1]) > MOST_RATE:
        raise CannotAlign(f"the clocks would differ by {1e6 * b:,.0f} ppm, which no two clocks of one run do")
    found = Alignment(
        offset=a - b * middle,
        rate=b,
        middle=middle,
        covariance=((covariance[0, 0], covariance[0, 1]), (covariance[1, 0], covariance[1, 1])),
        correlation=correlation,
        second=second,
        points=len(e),
        overlap=overlap,
        spread=float(e.std()),
        scale=beta,
        quantile=quantile,
    )
    if found.middle_half > WIDEST:
        raise CannotAlign(
            f"it can be told to ±{1e3 * found.middle_half:.0f} ms only, too coarse to lay them side by side"
        )
    return found


def _smoothed(raw: _Gridded) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return our signal's mean and slope over ±SLOPE around each point, and where all of that is known.

    The weights are even for the mean and odd for the slope, so that their noise is not related.
    """
    half = max(2, round(SLOPE / raw.step))
    k = np.arange(-half, half + 1, dtype=np.float64)
    mean = np.convolve(raw.v, np.full(len(k), 1.0 / len(k)), "same")
    slope = np.convolve(raw.v, -k / (k @ k) / raw.step, "same")
    holes = np.convolve((~raw.known).astype(np.float64), np.ones(len(k)), "same")
    sure = holes < 0.5
    # Where nothing moves the slope is noise, and would count as knowledge of the shift.
    rough = 1.4826 * float(np.median(np.abs(raw.v - mean)[sure])) if sure.any() else 0.0
    slope[np.abs(slope) < SLOPE_ABOVE * rough / math.sqrt(k @ k) / raw.step] = 0.0
    sure[:half] = False
    sure[-half:] = False
    return mean, slope, sure


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Return (scale, lift) of y = lift + scale·x by least squares."""
    centred = x - x.mean()
    below = float(centred @ centred)
    beta = float(centred @ y) / below if below else math.nan
    return beta, float(y.mean()) - beta * float(x.mean())


def _sandwich(z: Floats, e: Floats, slopes: Floats, t: Floats) -> tuple[Floats, float]:
    """Return the covariance (2, 2) of shift and rate, and how many standard deviations to either side hold 95 %.

    z (n, 4) weighs the residuals e (n,), taken at times t (n,); `slopes` (n, 4) are their slopes along the four.
    A few quick moments decide most: each residual is taken for as much larger as its own pull on the fit made it
    smaller (HC3 of MacKinnon and White, J. Econometrics 29, 1985, from memory). For the same reason the covariance is
    itself not well known. How much wider that makes an interval follows from the share b that `lags` have of the
    moments that count, by the table of Kiefer and Vogelsang for Bartlett's weights (Econometric Theory 21, 2005, from
    memory): 1.96 + 2.9694 b + 0.416 b² − 0.5324 b³.
    """
    inverse = np.linalg.inv(z.T @ slopes)
    pull = np.clip(np.einsum("ij,ij->i", slopes @ inverse, z), 0.0, 0.9)
    moments = z * (e / (1.0 - pull))[:, None]
    middle = moments.T @ moments
    lags = min(len(e) // 4, max(1, round(TOGETHER / float(np.median(np.diff(t))))))
    for lag in range(1, lags + 1):
        both = moments[lag:].T @ moments[:-lag]
        middle += (1.0 - lag / (lags + 1.0)) * (both + both.T)
    covariance: Floats = inverse @ middle @ inverse.T
    weight = z[:, 0] ** 2
    counting = float(weight.sum() ** 2 / (weight @ weight))
    b = min(1.0, (lags + 1) / counting)
    return covariance[:2, :2], Z95 + 2.9694 * b + 0.416 * b**2 - 0.5324 * b**3


def _turned(other: Alignment) -> Alignment:
    """Return the alignment the other way round: theirs = o + (1 + q)·ours, so ours = −o/(1 + q) + theirs/(1 + q)."""
    factor = 1.0 / (1.0 + other.rate)
    middle = other.ours(other.middle)
    (a, b), (_, d) = other.covariance
    # At `middle` a shift of theirs by d is one of ours by −d/(1 + q); of q by d, one of the rate by −d/(1 + q)².
    turned = (
        (a * factor**2, b * factor**3),
        (b * factor**3, d * factor**4),
    )
    return Alignment(
        offset=-other.offset * factor,
        rate=factor - 1.0,
        middle=middle,
        covariance=turned,
        correlation=other.correlation,
        second=other.second,
        points=other.points,
        overlap=other.overlap,
        spread=other.spread,
        scale=other.scale,
        quantile=other.quantile,
    )
