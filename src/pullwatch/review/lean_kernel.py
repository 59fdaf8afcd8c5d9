"""What a lambda sensor shows of a map's cells: a late, smeared sum of the gas of several cells, and how to undo it.

A sensor shows now the gas that left the cylinders one delay ago, mixed with what left before it. In a pull the engine
has moved on by then, into another cell of the map. A plain shift in time puts the reading back where it belongs but
leaves it smeared: a hole of 8 % one cell wide then reads too small, and the cell after it too lean. So the cells are
solved for instead:

    phi_measured(t) = sum over cells of K(t, cell) · r(cell)

phi is 1/lambda (what a wideband cell measures goes with it). K(t, cell) is how much of the gas that is seen at t was
burnt in the cell, times the phi that was commanded then; r is fuel burnt over fuel commanded. The fuel to add in a cell
is 1/r - 1 (mass balance: at equal air fuel goes with 1/lambda). Everything here is arithmetic on arrays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FINE: Final = 0.005
"""s: the grid on which gas is followed."""
UNKNOWN_MOST: Final = 0.01
"""A reading with a greater share of gas of which nothing is known is left out."""
CENTRAL_LEAST: Final = 0.5
"""A reading counts for a cell if at least this share of its gas was burnt in the cell's central half."""
ENOUGH: Final = 3
"""Readings of one run that make it count for a cell."""
FORGOTTEN: Final = 1e-9
"""What is left of a thing long ago that need not be added."""
HELD: Final = 0.02
"""How strongly a cell without readings of its own is held to the mean of the others (share of one reading)."""
ALIKE: Final = 5.0
"""So many readings in a row say what one says: a sensor's noise wanders (common practice, no source)."""


class Cell(tuple[float, float, float, float]):
    """A cell of the map: (speed from, to, rpm; absolute manifold pressure from, to, kPa)."""

    __slots__ = ()

    @property
    def speed(self) -> tuple[float, float]:
        """From, to, rpm."""
        return self[0], self[1]

    @property
    def pressure(self) -> tuple[float, float]:
        """From, to, kPa absolute."""
        return self[2], self[3]


def _edges(axis: tuple[float, ...]) -> Floats:
    """Return the borders half-way between the points of an axis; the outermost as far out as the next is in."""
    at = np.asarray(axis, dtype=np.float64)
    middles = (at[1:] + at[:-1]) / 2.0
    return np.concatenate(([2.0 * at[0] - middles[0]], middles, [2.0 * at[-1] - middles[-1]]))


@dataclass(frozen=True, slots=False)
class Axes:
    """The points of the owner's fuel table: engine speed (rpm) and absolute manifold pressure (kPa), rising, >= 2 each.

    A cell lies around a point, half-way to its neighbours. Beyond the outermost the table holds.
    """

    speed: tuple[float, ...]
    pressure: tuple[float, ...]

    @cached_property
    def speed_edges(self) -> Floats:
        """Borders of the cells along speed, shape (len(speed) + 1,)."""
        return _edges(self.speed)

    @cached_property
    def pressure_edges(self) -> Floats:
        """Borders of the cells along pressure, shape (len(pressure) + 1,)."""
        return _edges(self.pressure)

    def number(self, rpm: Floats, kpa: Floats) -> NDArray[np.intp]:
        """Return the number of the cell of each (rpm, kPa), counted along pressure first; -1 where either is NaN."""
        known = np.isfinite(rpm) & np.isfinite(kpa)
        row = np.searchsorted(self.speed_edges, np.where(known, rpm, 0.0), side="right") - 1
        column = np.searchsorted(self.pressure_edges, np.where(known, kpa, 0.0), side="right") - 1
        row = row.clip(0, len(self.speed) - 1)
        column = column.clip(0, len(self.pressure) - 1)
        return np.where(known, row * len(self.pressure) + column, -1)

    def central(self, rpm: Floats, kpa: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return whether each (rpm, kPa) lies in the central half of its cell: along speed, along both axes."""
        along = []
        for values, edges in ((rpm, self.speed_edges), (kpa, self.pressure_edges)):
            place = (np.searchsorted(edges, np.nan_to_num(values), side="right") - 1).clip(0, len(edges) - 2)
            share = (values - edges[place]) / (edges[place + 1] - edges[place])
            with np.errstate(invalid="ignore"):
                along.append((share >= 0.25) & (share <= 0.75))
        return along[0], along[0] & along[1]

    def cell(self, number: int) -> Cell:
        """Return where a cell lies."""
        row, column = divmod(number, len(self.pressure))
        s, p = self.speed_edges.tolist(), self.pressure_edges.tolist()
        return Cell((s[row], s[row + 1], p[column], p[column + 1]))

    def beside(self, one: int, other: int) -> bool:
        """Whether two cells are the same or touch."""
        rows, columns = zip(divmod(one, len(self.pressure)), divmod(other, len(self.pressure)), strict=True)
        return abs(rows[0] - rows[1]) <= 1 and abs(columns[0] - columns[1]) <= 1


@dataclass(frozen=True, slots=True)
class Lag:
    """How late a sensor speaks: `fixed` s, plus `cycle` s·rpm over engine speed, then a first-order lag `tau` s."""

    fixed: float
    cycle: float
    tau: float


@dataclass(frozen=True, slots=True)
class Track:
    """One run as gas and as readings.

    The gas, on a grid `FINE` s apart from `begin` s (shape (n,)): `rpm`, `kpa` and `drive`, the phi that would be
    burnt if the map were right (commanded 1/lambda × corrections × root of pressure); NaN where it is not known. The
    readings (shape (m,)): `at` s, rising, and `phi` = 1/lambda as measured.
    """

    begin: float
    rpm: Floats
    kpa: Floats
    drive: Floats
    at: Floats
    phi: Floats


def smeared(x: Floats, tau: float) -> Floats:
    """Follow x (along its first axis, `FINE` apart, level before) with a first-order lag, by doubling its memory."""
    if tau <= 0.0:
        return x
    keep = math.exp(-FINE / tau)
    y = np.asarray((1.0 - keep) * x)
    y[:1] = x[:1]  # all that was before it was the same
    step = 1
    while step < len(y) and keep**step > FORGOTTEN:
        later = y.copy()
        later[step:] += keep**step * y[:-step]
        y, step = later, 2 * step
    return y


@dataclass(frozen=True, slots=True)
class Kernel:
    """What each reading (row) sees of each cell: `weight` of shape (m, cells), commanded phi × share of its gas.

    `unknown`, `swept` and `central` (shape (m,)) are the shares of gas of which nothing is known, burnt in the central
    half of a cell along speed, and along both axes.
    """

    weight: Floats
    unknown: Floats
    swept: Floats
    central: Floats

    @property
    def owner(self) -> NDArray[np.intp]:
        """The cell (place among those wanted) that gave each reading most of its gas."""
        return np.asarray(self.weight.argmax(axis=1))

    @property
    def good(self) -> NDArray[np.bool_]:
        """Whether enough is known of each reading's gas."""
        return self.unknown <= UNKNOWN_MOST


def kernel(track: Track, axes: Axes, cells: Sequence[int], lag: Lag) -> Kernel:
    """Return the kernel of one run for a sensor that is so late. `cells` are the columns wanted, by number."""
    n = len(track.rpm)
    number = axes.number(track.rpm, track.kpa)
    known = (number >= 0) & np.isfinite(track.drive)
    place = np.searchsorted(cells, number).clip(0, max(len(cells) - 1, 0))
    known &= np.asarray(cells, dtype=np.intp)[place] == number
    gas = np.zeros((n, len(cells) + 3))
    rows = np.flatnonzero(known)
    gas[rows, place[rows]] = track.drive[rows]
    gas[~known, len(cells)] = 1.0
    for column, central in enumerate(axes.central(track.rpm, track.kpa), len(cells) + 1):
        gas[central & known, column] = 1.0
    t = FINE * np.arange(n)
    speed = np.where(np.isfinite(track.rpm), track.rpm, 3_000.0).clip(300.0)
    arrival = np.maximum.accumulate(t + lag.fixed + lag.cycle / speed)  # gas does not overtake gas
    breathed = (np.searchsorted(arrival, t, side="right") - 1).clip(0)
    seen = smeared(gas[breathed], lag.tau)
    row = np.rint((track.at - track.begin) / FINE).astype(np.intp).clip(0, n - 1)
    seen = seen[row]
    return Kernel(seen[:, : len(cells)], *seen[:, len(cells) :].T)


@dataclass(frozen=True, slots=True)
class Solved:
    """Fuel burnt over fuel commanded in each cell of one run.

    `ratio` and `count` (readings that counted) have the shape (cells,), ratio NaN where none counted. `squares`: what
    is left unexplained of `readings`, sum of squares of phi. `used`, `owner`: which readings counted, for which cell.
    """

    ratio: Floats
    count: NDArray[np.intp]
    squares: float
    readings: int
    used: NDArray[np.bool_]
    owner: NDArray[np.intp]


def solve(track: Track, seen: Kernel, rim: NDArray[np.bool_]) -> Solved:
    """Solve one run for its cells by least squares.

    In cells of the `rim` (shape (cells,)) readings count that are central along speed alone.
    """
    cells = seen.weight.shape[1]
    owner = seen.owner
    good = seen.good & np.isfinite(track.phi) & ~spikes(track.phi)
    used = good & ((seen.central >= CENTRAL_LEAST) | (rim[owner] & (seen.swept >= CENTRAL_LEAST)))
    count = np.bincount(owner[used], minlength=cells)
    fitted = used | (good & (count[owner] == 0))  # a cell only passed at its rim is solved for, and not told
    ratio = np.full(cells, math.nan)
    if not used.any():
        return Solved(ratio, count, math.nan, 0, used, owner)
    weight, phi = seen.weight[fitted], track.phi[fitted]
    total = weight.sum(axis=1)
    middle = float((phi * total).sum() / (total * total).sum())
    hold = HELD * np.eye(cells)
    solved = np.linalg.lstsq(np.concatenate((weight, hold)), np.append(phi, HELD * np.full(cells, middle)), rcond=None)
    left = phi - weight @ solved[0]
    ratio = np.where(count > 0, solved[0], math.nan)
    return Solved(ratio, count, float((left**2).sum()), int(fitted.sum()), used, owner)


def spikes(phi: Floats, most: float = 0.04) -> NDArray[np.bool_]:
    """Return which single readings stand apart from both neighbours by more than `most`, to the same side."""
    out = np.zeros(len(phi), np.bool_)
    if len(phi) >= 3:
        before, after = phi[1:-1] - phi[:-2], phi[1:-1] - phi[2:]
        with np.errstate(invalid="ignore"):
            out[1:-1] = (np.minimum(before, after) > most) | (np.maximum(before, after) < -most)
    return out


def passed(tracks: Sequence[Track], axes: Axes) -> list[int]:
    """Return the cells that any of the runs passed, in order."""
    numbers = [axes.number(track.rpm, track.kpa)[np.isfinite(track.drive)] for track in tracks]
    every = np.unique(np.concatenate(numbers)) if numbers else np.empty(0, np.intp)
    return [int(one) for one in every if one >= 0]


@dataclass(frozen=True, slots=True)
class Together:
    """All runs of one sensor: `ratio` of shape (runs, cells), NaN where a run says nothing of a cell.

    `lag_doubt` (shape (cells,)) is the standard deviation of the mean ratio from what is not known of the delay.
    `solved` and `lag` are those of the likeliest stated delay. `rim` (shape (cells,)): no run was long enough in the
    cell's central half along pressure, so that what was nearer to the next cell counts too.
    """

    cells: tuple[int, ...]
    ratio: Floats
    lag_doubt: Floats
    solved: tuple[Solved, ...]
    lag: Lag
    rim: NDArray[np.bool_]


SHARES: Final = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Where in the stated interval of delays it is tried."""


def together(tracks: Sequence[Track], axes: Axes, least: Lag, most: Lag, taus: Sequence[float]) -> Together:
    """Solve all runs for their cells, weighing every delay of [least, most] by how well it explains the readings.

    `taus` (s) are the time constants to try. The weights are Gaussian, with one reading in `ALIKE` taken as
    independent. Runs without a reading that counts give NaN.
    """
    cells = passed(tracks, axes)
    rim = _rim(tracks, axes, cells, Lag((least.fixed + most.fixed) / 2, (least.cycle + most.cycle) / 2, taus[0]))
    tried: list[tuple[Lag, list[Solved], float]] = []
    for share in SHARES if most != least else (0.5,):
        for tau in taus:
            lag = Lag(
                least.fixed + share * (most.fixed - least.fixed), least.cycle + share * (most.cycle - least.cycle), tau
            )
            tried.append((lag, *_all(tracks, axes, cells, rim, lag)))
    squares = np.array([one[2] for one in tried])
    best = int(np.nanargmin(squares)) if np.isfinite(squares).any() else 0
    lag, solved, left = tried[best]
    readings = sum(one.readings for one in solved)
    free = max(readings - sum(int((one.count > 0).sum()) for one in solved), 1)
    noise = max(left / free, 1e-8) * ALIKE if math.isfinite(left) else math.nan
    weight = np.nan_to_num(np.exp(-0.5 * (squares - left) / noise), nan=0.0)
    weight = weight / weight.sum() if weight.sum() > 0 else np.full(len(tried), 1.0 / len(tried))
    every = np.array([[one.ratio for one in each[1]] for each in tried])  # tried, runs, cells
    known = np.isfinite(every)
    share = weight[:, None, None] * known
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = (share * np.nan_to_num(every)).sum(axis=0) / share.sum(axis=0)
        ratio[(known & (weight > 1e-3)[:, None, None]).sum(axis=0) == 0] = math.nan
        # Of each delay the mean over the runs, less what the mean ratio of the runs is.
        apart = np.where(known, every - ratio[None], 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    doubt = np.sqrt((weight[:, None] * apart**2).sum(axis=0))
    return Together(tuple(cells), ratio, doubt, tuple(solved), lag, rim)


def _rim(tracks: Sequence[Track], axes: Axes, cells: Sequence[int], lag: Lag) -> NDArray[np.bool_]:
    """Return in which cells no run has readings enough from the central half along both axes."""
    rim = np.ones(len(cells), np.bool_)
    for track in tracks:
        seen = kernel(track, axes, cells, lag)
        central = seen.owner[seen.good & (seen.central >= CENTRAL_LEAST)]
        rim &= np.bincount(central, minlength=len(cells)) < ENOUGH
    return rim


def _all(
    tracks: Sequence[Track], axes: Axes, cells: Sequence[int], rim: NDArray[np.bool_], lag: Lag
) -> tuple[list[Solved], float]:
    """Return every run solved, and what is left unexplained (NaN if no reading counts)."""
    solved = [solve(track, kernel(track, axes, cells, lag), rim) for track in tracks]
    readings = sum(one.readings for one in solved)
    left = sum(one.squares for one in solved if one.readings)
    return solved, left if readings else math.nan
