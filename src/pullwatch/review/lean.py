"""Why was it lean, where, and by how much fuel: attribution first, then what is left for the map, cell by cell.

What is read as lean may have causes that fuel would only hide: a commanded mixture that is lean itself, a loop that
took fuel away, pressure that fell (flow goes with its root), an injector at its limit, cuts, blown-out spark, a soaked
intake sensor, another blend. Only the rest is the map's.

A figure is the mean over runs, and its interval counts runs, never samples: the samples of one run share that run's
air, fuel and sensor. What no number of runs can take away, the sensor's accuracy and what is not known of its delay,
is added (Welch-Satterthwaite; JCGM 100:2008, G.4.1, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.review.intervals import Interval, student
from pullwatch.review.lean_kernel import ENOUGH, Axes, Cell, Together, together
from pullwatch.review.lean_tracks import LAMBDAS, Driven, base_pressure, delay_off, driven, lags, unproved
from pullwatch.review.table import S
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

USUAL_AXES: Final = Axes(
    tuple(float(rpm) for rpm in range(1_000, 8_001, 500)), tuple(float(kpa) for kpa in range(20, 401, 20))
)
"""Where the owner's table is not known: every 500 rpm and 20 kPa."""
CHANGES_FUEL: Final = frozenset({"fuel", "base_fuel_pressure", "fuel_grade", "other"})
"""What in the logbook ends the count of earlier runs: after it the same map gives another mixture."""
NORMAL: Final = 1.959963984540054
"""Standard deviations in half a 95 % interval of a normal error."""
DUTY: Final = 90.0
LOW_PRESSURE: Final = 0.90
OTHERS: Final = 1.0 / 3.0
"""If other causes explain more than this share, they are to be found first."""
TELLS: Final = 1.0
"""%: less is not told as lean or rich (common practice, no source)."""
DAY: Final = 6 * 3_600 * S
"""Runs farther apart than this are of two days."""
RUNS_TO_REMOVE: Final = 3
DAYS_TO_REMOVE: Final = 2
MOST_REMOVED: Final = 2.0
COMMANDED: Final = "commanded lean"
EVERYWHERE: Final = 4
"""Along so many speeds at least the same error everywhere is told as one error."""


def fuel_change(measured: float, commanded: float, correction: float = 0.0) -> float:
    """Return the share of fuel to add so that commanded lambda comes out: (measured/commanded)·(1 + c) - 1.

    At equal air fuel goes with 1/lambda (mass balance); `correction` c is what a closed loop already added.
    """
    return measured / commanded * (1.0 + correction) - 1.0


def lambda_of_pressure(before: float, after: float) -> float:
    """Return by which factor lambda rises when pressure across the injector goes from `before` to `after`.

    Flow goes with the root of the pressure (Bernoulli; the orifice form of ISO 5167).
    """
    return math.sqrt(before / after)


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that explains a part of what is read as lean: `percent` of it, `at_most`: no more than so much."""

    name: str
    percent: float
    says: str
    at_most: bool = False


@dataclass(frozen=True, slots=True)
class Patch:
    """One cell of the map. `fuel` is what the map lacks, % (negative: too much), with its interval if there is one.

    `read` is how much leaner than commanded it was in the leanest run (`worst`, a place in `runs`), %; `causes`,
    `target` (lambda) and `pressure` (over its base) are of that run too. `per_run` are the figures of `runs` (names, in
    the same order). `verdict` is "add", "rich", "none shown", "find first" or "cannot tell", and
    `why` gives the reasons. `removal`: the most a step may take away, % (0: nothing). `rim`: the pressure was never in
    the cell's central half.
    """

    cell: Cell
    fuel: Interval
    read: float
    causes: tuple[Cause, ...]
    per_run: tuple[float, ...]
    runs: tuple[str, ...]
    days: int
    target: float
    duty: float
    pressure: float
    verdict: str
    why: tuple[str, ...]
    sensor: str = "lambda"
    removal: float = 0.0
    rim: bool = False
    worst: int = 0

    @property
    def bounded(self) -> bool:
        """Whether there is an interval."""
        return math.isfinite(self.fuel.half)


@dataclass(frozen=True, slots=True)
class Study:
    """All cells of all sensors, worst first; `notes` to be told with them; `why_not`: nothing can be told."""

    patches: tuple[Patch, ...] = ()
    notes: tuple[str, ...] = ()
    why_not: str = ""
    runs: tuple[str, ...] = ()
    axes: Axes = USUAL_AXES
    axes_stated: bool = False
    blown: int = 0


def axes_of(table: Table) -> tuple[Axes, bool]:
    """Return the axes of the owner's table, and whether they are stated."""
    speed, pressure = table.axes
    if len(speed) >= 2 and len(pressure) >= 2:
        return Axes(speed, pressure), True
    return USUAL_AXES, False


def study(reviewed: Reviewed) -> Study:
    """Return what can be told of the mixture of a session, with the sessions before it that still count."""
    table = reviewed.table
    if reviewed.runs.why_not:
        return Study(why_not=reviewed.runs.why_not)
    if not reviewed.runs.runs:
        return Study(why_not="there is no run to look at.")
    sensors = [name for name in LAMBDAS if table.get(name) is not None]
    if not sensors:
        return Study(why_not="lambda is not measured.")
    if table.get("manifold_pressure") is None:
        return Study(why_not="manifold_pressure is not measured: nothing says where in the map it was.")
    if table.get("lambda_target") is None:
        return Study(
            why_not=f"lambda_target is not recorded: lean of what cannot be told. {_leanest(reviewed, sensors[0])}"
        )
    axes, stated = axes_of(table)
    parts = [_of_sensor(reviewed, name, axes) for name in sensors]
    told = [part for part in parts if not part.why_not]
    if not told:
        return Study(why_not=" ".join(part.why_not for part in parts))
    patches = sorted((patch for part in told for patch in part.patches), key=lambda one: -one.fuel.value)
    notes = list(dict.fromkeys(note for part in parts for note in ([part.why_not] if part.why_not else part.notes)))
    if not stated:
        notes.append(
            "cells are every 500 rpm and 20 kPa: state the axes of your table (speed_axis, pressure_axis in [review])"
        )
    runs = tuple(dict.fromkeys(run for part in told for run in part.runs))
    return Study(tuple(patches), tuple(notes), "", runs, axes, stated, max(part.blown for part in told))


def _leanest(reviewed: Reviewed, name: str) -> str:
    """Say the raw fact: the leanest that was read under boost in the runs."""
    table = reviewed.table
    series = table.get(name)
    worst = None
    for run in reviewed.runs.runs:
        good = series.good(run.begin, run.end) if series is not None else None
        if good is None or not len(good):
            continue
        with np.errstate(invalid="ignore"):
            boosted = table.boost_on(good.t) > 20.0
        boosted &= ~(table.on("cut_active", good.t) > 0)
        if boosted.any():
            place = np.flatnonzero(boosted)[int(good.v[boosted].argmax())]
            if worst is None or good.v[place] > worst[0]:
                worst = (float(good.v[place]), int(good.t[place]), run.number)
    if worst is None:
        return ""
    value, t, number = worst
    rpm = table.at("engine_speed", t)
    where = f" at {rpm:,.0f} rpm" if math.isfinite(rpm) else ""
    return f"The leanest read under boost was lambda {value:.3f}{where} in run {number}."


def _of_sensor(reviewed: Reviewed, name: str, axes: Axes) -> Study:
    table = reviewed.table
    series = table.get(name)
    assert series is not None
    raw = _leanest(reviewed, name)
    if series.channel.delay.is_none:
        return Study(
            why_not=f"{name}: its delay is not known, so where it was lean is not known either. State delay_ms in "
            f"[channel.{name}] (`pullwatch lag` measures it). {raw}"
        )
    if why := unproved(table, name):
        return Study(why_not=f"{name} has not proved itself: {why}. {raw}")
    if off := delay_off(table, name):
        way = "later" if off > 0 else "earlier"
        return Study(
            why_not=f"{name}: the stated delay does not fit: on the overrun cuts the sensor answered "
            f"{abs(off) * 1e3:.0f} ms {way} than that. Where it was lean would be told of the wrong cells. Measure it "
            f"(`pullwatch lag`). {raw}"
        )
    notes: list[str] = []
    runs = _counted(reviewed, name, notes)
    if not runs:
        return Study(why_not=f"{name}: no reading of it belongs to a run. {raw}")
    least, most, taus = lags(series)
    found = together([one.track for one in runs], axes, least, most, taus)
    if table.get("fuel_differential_pressure") is None:
        notes.append("fuel pressure is not measured: a pump that falls off would look like a lean map")
    blown = sum(len(one.blown) for one in runs)
    if blown:
        notes.append(
            f"lambda jumped and was ragged near peak pressure {blown} times with the pressure normal and less pull: "
            "spark blow-out. Check plug gap, dwell, voltage before adding fuel. Those readings are left out."
        )
    patches = _patches(table, name, axes, runs, found)
    return Study(tuple(patches), tuple(notes), "", tuple(one.name for one in runs), axes, blown=blown)


def _counted(reviewed: Reviewed, name: str, notes: list[str]) -> list[Driven]:
    """Return the runs that count: of this session and, if no fuel was changed since, of those before."""
    since = [change for change in reviewed.given.changes if change.item in CHANGES_FUEL]
    last = max((change.at for change in since), default=None)
    out: list[Driven] = []
    dropped = 0
    for one in (*reviewed.before, reviewed):
        table = one.table
        if table.car.name != reviewed.table.car.name or table.get("lambda_target") is None:
            continue
        if one is not reviewed and (unproved(table, name) or table.get(name) is None):
            continue
        base = base_pressure(table)
        for run in one.runs.runs:
            wall = table.wall_at(run.begin)
            if last is not None and wall is not None and wall < last:
                dropped += 1
                continue
            if one is not reviewed and (wall is None or reviewed.table.wall is None):
                continue  # nobody knows what was changed between
            seen = driven(table, run, name, base)
            if seen is not None:
                out.append(replace(seen, session="") if one is reviewed else seen)
    if dropped:
        notes.append(f"{dropped} runs before the last change of fuel are not counted")
    return out


def _days(runs: Sequence[Driven]) -> int:
    """Return on how many days runs were; without a time of day all are taken to be of one."""
    walls = sorted(one.wall for one in runs if one.wall is not None)
    return 1 + sum(later - earlier > DAY for earlier, later in pairwise(walls))


def combined(figures: Sequence[float], doubt: float, usual: float = 0.0) -> Interval:
    """Return the mean of independent runs with its 95 % interval, in the figures' unit.

    `doubt` is the standard uncertainty that all runs share, `usual` the least scatter of a run to be reckoned with.
    Of one run nothing bounds it.
    """
    values = np.asarray(figures, dtype=np.float64)
    middle, n = float(values.mean()), len(values)
    if n < 2:
        return Interval(middle, -math.inf, math.inf)
    chance = max(float(values.var(ddof=1)), usual**2) / n
    total = chance + doubt**2
    if total <= 0.0:
        return Interval(middle, middle, middle)
    freedom = total**2 / (chance**2 / (n - 1)) if chance > 0.0 else 1e9
    half = student(min(freedom, 1e6)) * math.sqrt(total)
    return Interval(middle, middle - half, middle + half)


def _patches(table: Table, name: str, axes: Axes, runs: Sequence[Driven], found: Together) -> list[Patch]:
    figures = 100.0 * (1.0 / found.ratio - 1.0)
    counts = np.array([one.count for one in found.solved])
    figures[counts < ENOUGH] = math.nan
    spread = _pooled(figures)
    made: list[Patch] = []
    for place, number in enumerate(found.cells):
        of_runs = np.flatnonzero(np.isfinite(figures[:, place]))
        if len(of_runs):
            mine = [runs[i] for i in of_runs.tolist()]
            made.append(_patch(table, name, axes, number, place, mine, of_runs, figures, found, spread))
    return _decided(table, axes, runs, _everywhere(made))


def _pooled(figures: Floats) -> float:
    """Return how much runs differ in one cell, pooled over the cells (standard deviation, %); 0: not known."""
    known = np.isfinite(figures)
    enough = known.sum(axis=0) >= 2
    if not enough.any():
        return 0.0
    part = figures[:, enough]
    freedom = int((known[:, enough].sum(axis=0) - 1).sum())
    return math.sqrt(float(((np.nan_to_num(part - np.nanmean(part, axis=0))) ** 2).sum()) / freedom)


def _patch(
    table: Table,
    name: str,
    axes: Axes,
    number: int,
    place: int,
    runs: Sequence[Driven],
    of_runs: NDArray[np.intp],
    figures: Floats,
    found: Together,
    spread: float,
) -> Patch:
    def means(what: str) -> list[float]:
        out = []
        for i, one in zip(of_runs.tolist(), runs, strict=True):
            mine = getattr(one.about, what)[found.solved[i].used & (found.solved[i].owner == place)]
            out.append(float(np.nanmean(mine)) if np.isfinite(mine).any() else math.nan)
        return out

    mine = figures[of_runs, place]
    rich = 1.0 + float(mine.mean()) / 100.0
    accuracy, value = table.accuracy.get(name), _mean(means("value"))
    floor = 0.0 if accuracy is None or not math.isfinite(value) else 100.0 * rich * accuracy.at(value) / value / NORMAL
    doubt = math.hypot(floor, 100.0 * rich**2 * float(found.lag_doubt[place]))
    trims = [trim if math.isfinite(trim) else 0.0 for trim in means("trim")]
    pressures = means("pressure")
    pressed = [lambda_of_pressure(1.0, one) if math.isfinite(one) and one > 0 else 1.0 for one in pressures]
    # What was read, cleaned of the smear: the map's part with pressure's and the loop's put back, in the leanest run.
    reads = [
        100.0 * ((1.0 + one / 100.0) * by / (1.0 + trim) - 1.0)
        for one, by, trim in zip(mine.tolist(), pressed, trims, strict=True)
    ]
    worst = int(np.argmax(reads))
    targets, duties = means("target"), means("duty")
    causes = _causes(
        table, name, runs[worst].soaked, targets[worst], (means("kpa")[worst], means("speed")[worst]), trims[worst],
        pressed[worst],
    )  # fmt: skip
    known = [duty for duty in duties if math.isfinite(duty)]
    return Patch(
        axes.cell(number), combined(mine.tolist(), doubt, spread), reads[worst], causes, tuple(mine.tolist()),
        tuple(one.name for one in runs), _days(runs), targets[worst], max(known, default=math.nan), pressures[worst],
        "", (), name, rim=bool(found.rim[place]), worst=worst,
    )  # fmt: skip


def _mean(values: Sequence[float]) -> float:
    """Return the mean of what is known."""
    known = [value for value in values if math.isfinite(value)]
    return float(np.mean(known)) if known else math.nan


def _causes(
    table: Table,
    name: str,
    soaked: float,
    target: float,
    place: tuple[float, float],
    trim: float,
    pressed: float,
) -> tuple[Cause, ...]:
    """Return what explains a part of what one run read at a `place` (kPa, rpm) of the map."""
    out = []
    limit = limit_at(table, name, *place)
    if math.isfinite(limit) and target > limit:
        text = f"commanded lambda {target:.3f} is itself leaner than your limit {limit:.3f}: that is the target's doing"
        out.append(Cause(COMMANDED, 100.0 * (target / limit - 1.0), text))
    if trim < -0.002:
        text = f"the loop took {-100.0 * trim:.1f} % away"
        out.append(Cause("closed-loop trim", 100.0 * (1.0 / (1.0 + trim) - 1.0), text))
    elif trim > 0.002:
        text = f"the loop already added {100.0 * trim:.1f} %"
        out.append(Cause("closed-loop trim", 100.0 * (1.0 / (1.0 + trim) - 1.0), text))
    if pressed > 1.002:
        text = f"pressure across the injector fell to {100.0 / pressed**2:.0f} % of its base"
        out.append(Cause("fuel pressure", 100.0 * (pressed - 1.0), text))
    if soaked:
        text = "intake sensor heat-soaked at the start: hot, and cooling in the run"
        out.append(Cause("heat soak", 100.0 * soaked, text, at_most=True))
    return tuple(out)


def limit_at(table: Table, name: str, kpa: float, rpm: float) -> float:
    """Return the leanest limit of a rule on this sensor at a place of the map; NaN if there is none there."""
    out = math.nan
    for rule in table.rules.rules:
        trip = rule.trip
        if not isinstance(trip, Comparison) or not trip.upward or rule.removed or rule.name in table.automatic:
            continue
        if table.rules.channels[trip.left].name != name:
            continue
        total = 0.0
        for term in trip.right:
            if term.channel is not None:
                total = math.nan
            elif term.curve is None:
                total += term.factor
            else:
                curve = table.rules.curves[term.curve]
                along = table.rules.channels[curve.along].name if 0 <= curve.along < len(table.rules.channels) else ""
                x = {"manifold_pressure": kpa, "engine_speed": rpm}.get(along, math.nan)
                # Below its first point a limit goes on, but nobody watches there: no boost.
                total += term.factor * (curve.one(x) if x >= curve.at[0] else math.nan)
        if math.isfinite(total) and not total >= out:
            out = total
    return out


def _everywhere(made: list[Patch]) -> list[Patch]:
    """Add, where every cell is off by the same, that cause: a blend, a scale of all fuel, or the sensor itself."""
    speeds = {patch.cell.speed for patch in made}
    values = np.array([patch.fuel.value for patch in made])
    if len(speeds) < EVERYWHERE or not all(patch.bounded for patch in made):
        return made
    middle = float(np.median(values))
    if middle <= 0 or float(np.abs(values - middle).max()) > max(1.0, 0.3 * middle):
        return made
    if sum(patch.fuel.least > 0.0 for patch in made) < 0.75 * len(made):
        return made
    cause = Cause("the same everywhere", middle, "another blend, the scale of all fuel, or a sensor that reads lean")
    return [replace(patch, causes=(*patch.causes, cause)) for patch in made]


def _decided(table: Table, axes: Axes, runs: Sequence[Driven], made: list[Patch]) -> list[Patch]:
    knock = np.concatenate([one.knock for one in runs]) if runs else np.empty((0, 2))
    struck = axes.number(knock[:, 0], knock[:, 1]).tolist()
    out = []
    for patch in made:
        middle = np.array([sum(patch.cell.speed) / 2.0]), np.array([sum(patch.cell.pressure) / 2.0])
        number = int(axes.number(*middle)[0])
        beside = any(one >= 0 and axes.beside(one, number) for one in struck)
        out.append(_verdict(patch, knock_beside=beside, knock_measured=table.get("knock_retard") is not None))
    return out


def _verdict(patch: Patch, *, knock_beside: bool, knock_measured: bool) -> Patch:
    refused = []
    if len(patch.runs) < 2:
        refused.append("one run only")
    if patch.duty > DUTY:
        refused.append(f"injector duty {patch.duty:.0f} %: the injector is at its limit, fuel asked for will not flow")
    if patch.pressure < LOW_PRESSURE:
        refused.append(f"fuel pressure is {100.0 * (1.0 - patch.pressure):.0f} % low")
    others = [one for one in patch.causes if one.percent > 0.0]
    if any(one.name == COMMANDED for one in others):
        return replace(patch, verdict="find first", why=(*refused, *(one.says for one in others)))
    # A share of what was read, and of the leaner of it and the map's part: what was taken away may hide lean.
    lean = max(patch.read, patch.fuel.value, 1e-9)
    explained = sum(one.percent for one in others)
    if patch.read >= TELLS and others and (explained > OTHERS * lean or patch.pressure < LOW_PRESSURE):
        return replace(patch, verdict="find first", why=(*refused, *(one.says for one in others)))
    if refused:
        return replace(patch, verdict="cannot tell", why=tuple(refused))
    if patch.fuel.least > 0.0 and patch.fuel.value >= TELLS:
        return replace(patch, verdict="add", why=())
    if patch.fuel.most < 0.0 and patch.fuel.value <= -TELLS:
        return _rich(patch, knock_beside=knock_beside, knock_measured=knock_measured)
    return replace(patch, verdict="none shown", why=("the interval holds 0",) if patch.fuel.holds(0.0) else ())


def _rich(patch: Patch, *, knock_beside: bool, knock_measured: bool) -> Patch:
    """Say how much a step may take away: never as freely as fuel is added."""
    why = []
    if len(patch.runs) < RUNS_TO_REMOVE or patch.days < DAYS_TO_REMOVE:
        had = f"there are {len(patch.runs)} on {patch.days}"
        why.append(f"removing needs {RUNS_TO_REMOVE} runs on {DAYS_TO_REMOVE} days; {had}")
    if knock_beside:
        why.append("knock retard rose here or next to it: no fuel is taken from there")
    elif not knock_measured:
        why.append("knock retard is not measured, so that nothing says there was none beside")
    removal = 0.0 if why else min(0.5 * -patch.fuel.value, MOST_REMOVED)
    return replace(patch, verdict="rich", why=tuple(why), removal=removal)
