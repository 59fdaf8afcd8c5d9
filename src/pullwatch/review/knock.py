"""Knock as the controller reports it: rises of the retard, what stood beside each, and whether they repeat by speed.

A recording like this holds what the controller made of its sensor, never the waveform: of a spectrum nothing is said.
Whatever stands beside an event, it is treated as real.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.review.card import RISE, RISE_WITHIN, rises_in
from pullwatch.review.table import S, seconds_of
from pullwatch.review.valves import LEANER, REPEATS, RUNS, richness

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.review.run import Run
    from pullwatch.review.table import Table
    from pullwatch.review.valves import Fallen

FIRST_MODE: Final = 1.8412
"""First zero of the derivative of the Bessel function J1: the first mode across a bore (Draper, NACA Report 493)."""
GAS: Final = (900.0, 1_000.0)
"""m/s: speed of sound in burned gas, least and most (ideal gas at 2,200 to 2,800 K)."""
HOT: Final = 60.0
"""°C of the intake air: a hot charge (common practice, no source)."""
APART_DEG: Final = 4.0
APART_KPA: Final = 20.0
"""How far runs must differ in timing or in pressure before the same speed in all of them says something."""
BOOST: Final = 20.0
"""kPa gauge from which on a stretch counts as watched under boost."""
NEAR: Final = S // 4
"""A cut or a shift so close to an event stands beside it."""
BEFORE: Final = S
"""The retard is looked at from so long before a run on: what it was is known then."""
LOOK: Final = S // 10
"""The mixture is looked at from so long before an event to so long after."""
FUEL_LOW: Final = 0.90
"""Share of the session's usual fuel differential pressure below which it is low (common practice)."""
COOLANT: Final = 105.0
"""°C of the coolant, of a hot engine (common practice)."""


def first_mode(bore: float, gas: float) -> float:
    """Return the frequency, Hz, of the first mode across a bore (mm), gas with `gas` m/s: f = 1.8412·c/(π·B) (Draper).

    Source: C. S. Draper, NACA Report 493 (1934), from memory.
    """
    return FIRST_MODE * gas / (math.pi * bore * 1e-3)


class Evidence(NamedTuple):
    """What stood beside an event: `what` one word, `says` with figures. `known` False: it could not be seen."""

    what: str
    says: str
    known: bool = True


@dataclass(frozen=True, slots=True)
class Knock:
    """One rise of the retard: from `least` to `most` session ns it began; `rise` degrees, up to `top` removed.

    `rpm`: least and most at its onset, with the accuracy of the speed where it is stated. `pressure` kPa absolute and
    `advance` deg commanded before anything was removed, NaN where not known. `real` and `mechanical` are evidence for
    either; neither takes anything from the other.
    """

    run: int
    session: str
    least: int
    most: int
    rise: float
    top: float
    rpm: tuple[float, float]
    pressure: float
    advance: float
    real: tuple[Evidence, ...]
    mechanical: tuple[Evidence, ...]

    @property
    def speed(self) -> float:
        """The middle of where it began, rpm."""
        return sum(self.rpm) / 2.0

    def has(self, what: str) -> bool:
        """Whether a piece of evidence for real knock was surely there."""
        return any(one.what == what and one.known for one in self.real)

    def unseen(self, what: str) -> bool:
        """Whether a piece of evidence could not be seen."""
        return any(one.what == what and not one.known for one in self.real)


@dataclass(frozen=True, slots=True)
class Heard:
    """The knock of one run: events, seconds under boost and how many of them the channel was heard in."""

    run: Run
    session: str
    events: tuple[Knock, ...]
    boosted: float
    heard: float


def heard(table: Table, run: Run) -> Heard:
    """Return the events of a run. The table has `knock_retard`."""
    series = table.series["knock_retard"]
    good = series.good(run.begin - BEFORE, run.end)
    events = [
        _event(table, run, good.t, good.v, int(np.searchsorted(good.t, at)))
        for at in rises(good.t, good.v)
        if at >= run.begin
    ]
    grid = table.grid(run.begin, run.end)
    boosted = table.boost_on(grid) > BOOST
    known = np.isfinite(series.on(grid))
    step = seconds_of([run.span]) / max(len(grid), 1)
    return Heard(run, table.session, tuple(events), float(boosted.sum()) * step, float((boosted & known).sum()) * step)


def rises(t: NDArray[np.int64], v: NDArray[np.float64]) -> list[int]:
    """Return when (ns) the retard had risen by 1 deg within 0.2 s, or by as much over a silence that is longer.

    A channel heard too seldom to show when it rose has risen all the same.
    """
    slow = np.flatnonzero((np.diff(t) > RISE_WITHIN) & (np.diff(v) >= RISE - 1e-9)) + 1
    return sorted({*rises_in(t, v), *t[slow].tolist()})


def _event(table: Table, run: Run, t: NDArray[np.int64], v: NDArray[np.float64], place: int) -> Knock:
    """Return the event whose retard had risen enough at sample `place`."""
    first = min(int(np.searchsorted(t, t[place] - RISE_WITHIN)), place - 1)
    low = first + int(np.flatnonzero(v[first : place + 1] == v[first : place + 1].min())[-1])
    last = int(np.searchsorted(t, t[place] + RISE_WITHIN, side="right"))
    top = float(v[place:last].max())
    least, most = int(t[low]), int(t[low + 1])
    speeds = [table.at("engine_speed", one) for one in (least, most)]
    stated = table.accuracy.get("engine_speed")
    off = 0.0 if stated is None else stated.at(max(speeds))
    advance = table.at("ignition_advance", least)
    return Knock(
        run.number, table.session, least, most, top - float(v[low]), top, (min(speeds) - off, max(speeds) + off),
        table.at("manifold_pressure", least), advance + float(v[low]), tuple(_real(table, least, most)),
        tuple(_mechanical(table, run, least, most)),
    )  # fmt: skip


def _real(table: Table, least: int, most: int) -> list[Evidence]:
    """Return what makes knock likely there, and what of it could not be seen."""
    found: list[Evidence] = []
    off = richness(table, table.grid(least - LOOK, most + LOOK))
    known = off[np.isfinite(off)]
    if not len(known):
        found.append(Evidence("lean", "whether it was lean", known=False))
    elif float(known.max()) >= LEANER:
        found.append(Evidence("lean", f"{known.max():.3f} lambda leaner than commanded"))
    intake = table.at("intake_air_temperature", least)
    if not math.isfinite(intake):
        found.append(Evidence("hot charge", "how hot the charge was", known=False))
    elif intake > HOT:
        found.append(Evidence("hot charge", f"intake air at {intake:.0f} °C"))
    coolant = table.at("coolant_temperature", least)
    if coolant > COOLANT:
        found.append(Evidence("hot engine", f"coolant at {coolant:.0f} °C"))
    pressure, top = table.at("manifold_pressure", least), _top(table, "manifold_pressure")
    if pressure >= 0.9 * top:
        found.append(Evidence("load", f"{pressure:.0f} kPa absolute, among the highest of the session"))
    fuel, usual = table.at("fuel_differential_pressure", least), _usual(table, "fuel_differential_pressure")
    if fuel < FUEL_LOW * usual:
        found.append(Evidence("fuel pressure", f"fuel differential pressure {fuel:.0f} of usually {usual:.0f} kPa"))
    return found


def _top(table: Table, name: str) -> float:
    series = table.get(name)
    most = series.most(table.begin, table.end) if series is not None else None
    return math.nan if most is None else most.value


def _usual(table: Table, name: str) -> float:
    series = table.get(name)
    good = series.good(table.begin, table.end).v if series is not None else np.empty(0)
    return float(np.median(good)) if len(good) else math.nan


def _mechanical(table: Table, run: Run, least: int, most: int) -> list[Evidence]:
    """Return what makes noise of another kind likely there. It is listed, and it lowers nothing."""
    found: list[Evidence] = []
    if any(cut.begin - NEAR <= most and cut.end + NEAR >= least for cut in run.cuts):
        found.append(Evidence("cut", "beside a cut of the controller"))
    if any(shift.begin - NEAR <= most and shift.end + NEAR >= least for shift in run.shifts):
        found.append(Evidence("shift", "beside a gear change"))
    off = richness(table, table.grid(least - LOOK, most + LOOK))
    if np.isfinite(off).any() and float(np.nanmax(off)) <= 0.0:
        found.append(Evidence("rich", f"no leaner than commanded ({np.nanmean(off):+.3f} lambda)"))
    boost = float(table.boost_on(np.array([least]))[0])
    if boost < BOOST:
        found.append(Evidence("no boost", f"at {boost:.0f} kPa gauge"))
    return found


def at_one_speed(events: Sequence[Knock]) -> list[Knock]:
    """Return the events of the most runs whose onsets lie within ± `REPEATS` rpm of one speed, doubts included."""
    known = sorted((one for one in events if all(map(math.isfinite, one.rpm))), key=lambda one: one.rpm[0])
    best: list[Knock] = []
    for i, first in enumerate(known):
        group = [one for one in known[i:] if one.rpm[1] <= first.rpm[0] + 2.0 * REPEATS]
        if runs_of(group) > runs_of(best):
            best = group
    return best


def runs_of(events: Sequence[Knock]) -> int:
    """Return in how many runs events were."""
    return len({(one.session, one.run) for one in events})


def not_mechanical(group: Sequence[Knock], everything: Sequence[Knock], floated: Sequence[Fallen]) -> list[str]:
    """Return what is missing before events may be called consistent with mechanical noise; empty if nothing is.

    `everything` are all events of these runs, `floated` the runs with the whole signature of floating valves but for
    the timing that was pulled.
    """
    missing: list[str] = []
    if runs_of(group) < RUNS:
        missing.append(f"{RUNS} runs with the onset within ± {REPEATS:.0f} rpm (there are {runs_of(group)})")
        return missing
    if len(group) < len(everything):
        missing.append(f"no event elsewhere (there are {len(everything) - len(group)})")
    timing, load = _spread([one.advance for one in group]), _spread([one.pressure for one in group])
    if not (timing >= APART_DEG or load >= APART_KPA):
        missing.append(
            f"runs {APART_DEG:.0f} deg of timing or {APART_KPA:.0f} kPa apart (they are "
            f"{_said(timing, 'deg')} and {_said(load, 'kPa')})"
        )
    for what in ("lean", "hot charge"):
        if any(one.has(what) for one in group):
            missing.append(f"no {what}")
        elif any(one.unseen(what) for one in group):
            missing.append(f"{what} measured")
    near = {
        (one.session, one.run.number)
        for one in floated
        if any(
            (one.session, one.run.number) == (event.session, event.run)
            and abs(one.onset - event.speed) <= 2.0 * REPEATS
            for event in group
        )
    }
    if len(near) < RUNS:
        missing.append(f"the signature of floating valves at that speed in {RUNS} runs (it is in {len(near)})")
    return missing


def _spread(values: Sequence[float]) -> float:
    known = [one for one in values if math.isfinite(one)]
    return max(known) - min(known) if len(known) >= 2 else math.nan


def _said(value: float, unit: str) -> str:
    return f"{value:.1f} {unit}" if math.isfinite(value) else f"not known in {unit}"
