"""Whether a fall of power looks like valves that float, and what speaks against it, sign by sign.

A sign holds, does not, or cannot be told because something is not measured; what cannot be told never counts for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.review.finding import FULL
from pullwatch.review.power import LIMITER, SLIPS, WINDOW, Course, course, windows
from pullwatch.review.table import STEP, S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.run import Run
    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

REPEATS: Final = 100.0
"""± rpm within which the onset must come again ..."""
RUNS: Final = 3
"""... in at least so many runs (trade knowledge, no source)."""
PRESSURE_FALLS: Final = 0.02
"""Share of the manifold pressure that may be lost from the onset to the top and still be called steady ..."""
DUTY_MOVES: Final = 2.0
"""... with the wastegate duty within so many % (both common practice, no source)."""
RICHER: Final = 0.01
LEANER: Final = 0.02
"""Lambda below what is commanded, and above: beyond what a sensor strays within one run (common practice)."""
PULLED: Final = 1.0
"""Degrees of timing taken out that are more than steady."""
FUEL_FALLS: Final = 0.05
"""Share of the fuel differential pressure lost from the onset on that is a finding of its own (common practice)."""
BLOWN: Final = 0.10
BLOWN_WITHIN: Final = S // 5
"""A jump of lambda by so much within so long, near peak pressure: first of all the spark was blown out."""


class Sign(NamedTuple):
    """One sign: `holds` None where it cannot be told; `says` in words, with its figures."""

    name: str
    holds: bool | None
    says: str


@dataclass(frozen=True, slots=True)
class Fallen:
    """One run looked at: its course, or why there is none; signs for floating valves; what else explains the fall."""

    run: Run
    session: str
    course: Course | None
    why_not: str = ""
    signs: tuple[Sign, ...] = ()
    against: tuple[Sign, ...] = ()

    @property
    def falls(self) -> bool:
        """Whether its power surely falls away."""
        return self.course is not None and self.course.falls

    @property
    def onset(self) -> float:
        """Where it begins to, rpm; NaN where it does not."""
        return math.nan if self.course is None or self.course.broken is None else self.course.broken.onset.value

    def signature(self, *, but: Sequence[str] = ()) -> bool:
        """Whether every sign holds and nothing else explains the fall; signs named in `but` are not asked for."""
        asked = [one for one in self.signs if one.name not in but]
        return (
            self.falls
            and bool(asked)
            and all(one.holds for one in asked)
            and all(each.name in but for each in self.against)
        )


def looked_at(reviewed: Reviewed) -> list[Fallen]:
    """Return every run at full load, of this session and of those before it with the same car, in order of time."""
    tables = [(one.table, one.runs) for one in reviewed.before if one.table.car.name == reviewed.table.car.name]
    tables.append((reviewed.table, reviewed.runs))
    return [fallen(table, run) for table, found in tables for run in found.runs if run.kind in PULLS]


PULLS: Final = ("pass", "pedalled pass", "pull", "street pull")
"""Classes of runs in which an engine speeds up under full load."""


def fallen(table: Table, run: Run) -> Fallen:
    """Look at one run."""
    found = windows(table, run)
    if isinstance(found, str):
        return Fallen(run, table.session, None, found)
    made = course(found)
    if made.broken is None:
        return Fallen(run, table.session, made)
    places = _places(made)
    signs = (
        _pressure(table, made, places), _mixture(table, places), _timing(table, places), _slip(table, places),
        _limiter(table, made),
    )  # fmt: skip
    return Fallen(run, table.session, made, "", signs, tuple(_against(table, made, places)))


class _Places(NamedTuple):
    """Begins of the windows just before the onset, and of those after it; a grid over the latter."""

    before: list[int]
    after: list[int]
    grid: NDArray[np.int64]


def _places(made: Course) -> _Places:
    assert made.broken is not None
    begins = made.windows.begin.tolist()
    late = made.windows.rpm >= made.broken.onset.value
    first = int(np.argmax(late)) if late.any() else len(begins) - 1
    after = begins[first:]
    grid = np.arange(min(after), max(after) + WINDOW, STEP, dtype=np.int64)
    return _Places(begins[max(first - 3, 0) : first], after, grid)


def _middle(table: Table, name: str, begins: Sequence[int]) -> float:
    """Return the mean of a channel over windows; NaN where it is not known."""
    grid = [np.arange(at, at + WINDOW, STEP, dtype=np.int64) for at in begins]
    values = table.on(name, np.concatenate(grid))
    return float(values[np.isfinite(values)].mean()) if np.isfinite(values).mean() > 0.5 else math.nan


def _pressure(table: Table, made: Course, places: _Places) -> Sign:
    name = "pressure"
    before, top = made.windows.pressure[-len(places.after) - 1], made.windows.pressure[-1]
    if not math.isfinite(before) or not math.isfinite(top):
        return Sign(name, None, "the manifold pressure is not known")
    moved = f"manifold pressure {before:.0f} to {top:.0f} kPa absolute"
    if top < before * (1.0 - PRESSURE_FALLS):
        return Sign(name, False, f"{moved}: falling")
    duty = table.on("wastegate_duty", np.arange(min(places.before), int(places.grid[-1]), STEP, dtype=np.int64))
    if not np.isfinite(duty).all():
        return Sign(name, None, f"{moved}, but the wastegate duty is not known")
    if float(np.ptp(duty)) > DUTY_MOVES:
        return Sign(name, False, f"{moved}, with the wastegate duty moved by {np.ptp(duty):.0f} %")
    return Sign(name, True, f"{moved} at constant duty")


def richness(table: Table, grid: NDArray[np.int64]) -> Floats:
    """Return for gas that left the cylinder at `grid` measured less commanded lambda; NaN where not both are known."""
    series = table.get("lambda")
    if series is None or "lambda_target" not in table.series or not len(grid):
        return np.full(len(grid), math.nan)
    rpm = float(np.nanmedian(table.on("engine_speed", grid)))
    later = sum(series.delay(rpm)) // 2 + series.channel.delay.time_constant
    return series.on(grid + later) - table.on("lambda_target", grid)


def _mixture(table: Table, places: _Places) -> Sign:
    name = "mixture"
    off = richness(table, places.grid)
    known = off[np.isfinite(off)]
    if len(known) * 2 < len(off):
        return Sign(name, None, "measured against commanded lambda is not known")
    mean = float(known.mean())
    return Sign(name, mean <= -RICHER, f"lambda {mean:+.3f} against the commanded one")


def _timing(table: Table, places: _Places) -> Sign:
    name = "timing"
    retard = table.on("knock_retard", places.grid)
    advance = table.on("ignition_advance", places.grid)
    if not np.isfinite(advance).all():
        return Sign(name, None, "ignition advance is not known")
    taken = float(np.nanmax(retard)) if np.isfinite(retard).any() else 0.0
    fell = _middle(table, "ignition_advance", places.before) - float(advance.min())
    most = max(taken, fell)
    said = f"timing steady within {max(most, 0.0):.1f} deg" if most < PULLED else f"timing pulled by {most:.1f} deg"
    return Sign(name, most < PULLED, said)


def _slip(table: Table, places: _Places) -> Sign:
    name = "no slip"
    road = "roller_speed" if "roller_speed" in table.series else "vehicle_speed"
    both = places.before[:2], places.after[-2:]
    ratios = [_middle(table, "engine_speed", at) / _middle(table, road, at) for at in both]
    if not all(math.isfinite(one) for one in ratios):
        return Sign(name, None, "no road or roller speed: slip cannot be seen")
    moved = ratios[1] / ratios[0] - 1.0
    return Sign(name, abs(moved) <= SLIPS / 3.0, f"engine over road speed moved by {100.0 * abs(moved):.1f} %")


def _limiter(table: Table, made: Course) -> Sign:
    name = "no limiter"
    limit = table.protection.get("engine_speed", math.nan)
    top = float(made.windows.rpm[-1])
    if "cut_active" not in table.series:
        return Sign(name, None, "cuts of the controller are not recorded")
    if not math.isfinite(limit):
        return Sign(name, True, "no cut; the rev limit is not stated")
    return Sign(name, top <= limit - LIMITER, f"no cut, {limit - top:,.0f} rpm below the limit")


def _against(table: Table, made: Course, places: _Places) -> list[Sign]:
    """Say what else would take the power away; it is looked for whatever the signs say."""
    found: list[Sign] = []
    off = richness(table, places.grid)
    known = off[np.isfinite(off)]
    if len(known) and float(known.mean()) >= LEANER:
        found.append(Sign("lean", True, f"leaner than commanded by {known.mean():.3f} lambda"))
    before = _middle(table, "fuel_differential_pressure", places.before)
    after = _middle(table, "fuel_differential_pressure", places.after[-2:])
    if after < before * (1.0 - FUEL_FALLS):
        found.append(Sign("fuel", True, f"fuel differential pressure falls from {before:.0f} to {after:.0f} kPa"))
    pressure = made.windows.pressure
    if pressure[-1] < pressure[-len(places.after) - 1] * (1.0 - PRESSURE_FALLS):
        found.append(Sign("boost", True, "boost falls"))
    retard = table.on("knock_retard", places.grid)
    if np.isfinite(retard).any() and float(np.nanmax(retard)) >= PULLED:
        found.append(Sign("timing", True, f"timing pulled by {np.nanmax(retard):.1f} deg for knock"))
    found += _blown(table, places)
    foot = table.on("throttle", places.grid)
    if np.isfinite(foot).any() and float(np.nanmin(foot)) < FULL + 10.0:
        found.append(Sign("throttle", True, f"throttle only {np.nanmin(foot):.0f} % open"))
    return found


def _blown(table: Table, places: _Places) -> list[Sign]:
    """Say whether lambda jumped as it does when the spark is blown out."""
    series = table.get("lambda")
    if series is None:
        return []
    good = series.good(int(places.grid[0]), int(places.grid[-1]) + S // 2)
    jumps = 0
    for at, value in zip(good.t.tolist(), good.v.tolist(), strict=True):
        near = good.v[(good.t >= at - BLOWN_WITHIN) & (good.t < at)]
        jumps += bool(len(near)) and value - float(near.min()) > BLOWN
    says = "lambda jumps: the spark may be blown out; see plug gap, dwell and voltage"
    return [Sign("blow-out", True, says)] if jumps >= 2 else []


def repeating(seen: Sequence[Fallen]) -> list[Fallen]:
    """Return the most runs whose onsets lie within ± `REPEATS` of one speed."""
    falling = sorted((one for one in seen if one.falls), key=lambda one: one.onset)
    best: list[Fallen] = []
    for i, first in enumerate(falling):
        group = [one for one in falling[i:] if one.onset <= first.onset + 2.0 * REPEATS]
        if len(group) > len(best):
            best = group
    return best
