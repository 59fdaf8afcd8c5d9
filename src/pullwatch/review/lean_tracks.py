"""From a recorded run to gas and readings: what was commanded, corrected and pressed, and what cannot be counted.

All figures here are common practice with no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.review.lean_kernel import FINE, Lag, Track
from pullwatch.review.run import Class
from pullwatch.review.smoothing import running_mean, without_spikes
from pullwatch.review.table import S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch.columns import Column
    from pullwatch.review.run import Run
    from pullwatch.review.table import Series, Table

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

LAMBDAS: Final = ("lambda", "lambda_bank1", "lambda_bank2")
BASE: Final = "base_fuel_pressure"
"""The limit of the setup that says what the regulator holds across the injector."""
BEFORE: Final = S
"""Gas is followed from so long before a run on: the first readings still breathe it."""
WALL: Final = 100.0
"""kPa/s: while pressure moves faster, fuel wets the wall or comes off it, and the mixture is not the map's alone."""
AROUND_CUT: Final = S // 20
"""ns on either side of a cut: the flag and the injectors are not in step."""
AROUND_LIFT: Final = S // 4
LIGHT: Final = 80.0
"""kPa absolute below which the pump has it easy, and what it holds is the regulator's."""
JUMP: Final = 0.10
JUMP_IN: Final = S // 5
NEAR_PEAK: Final = 0.85
RAGGED: Final = 0.02
DIP: Final = 0.75
NORMAL: Final = 0.95
"""Spark blown out: lambda jumps by more than JUMP within JUMP_IN above NEAR_PEAK of the run's most pressure, is ragged
after it (standard deviation of its steps), the engine gains less than DIP of what it did, and pressure is NORMAL."""
OVERRUN_LEAN: Final = 1.2
OVERRUN_IN: Final = S
MOVED: Final = 0.1
"""A sensor proves itself on an overrun cut, where it must pass OVERRUN_LEAN; one that never moved says nothing."""
LEFT: Final = 0.15
"""1/lambda by which lambda has left its level after a cut: a lag has made an eighth of its way then."""
DELAY_SLACK: Final = 0.03
"""s that are not held against a stated delay: injectors and the controller's flag are not in step."""
RISE: Final = 1.0
RISE_IN: Final = S // 5
"""A knock event: retard rises by so many degrees in so long."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What stood when the gas of each reading was burnt, shape (m,); NaN where it is not known or not measured.

    `target` lambda; `trim` as a share (0.03: 3 % added by the loop); `pressure` differential over base; `duty` %.
    """

    target: Floats
    trim: Floats
    pressure: Floats
    duty: Floats
    intake: Floats
    speed: Floats
    kpa: Floats
    value: Floats


@dataclass(frozen=True, slots=True)
class Driven:
    """One run for one sensor; `session` is empty for the session that is asked about.

    `knock` and `blown`: where ([rpm, kPa] rows) knock retard rose and the spark blew out. `soaked`: by which share a
    soaked intake sensor may have leaned it at the most (0: not soaked).
    """

    session: str
    run: Run
    wall: int | None
    track: Track
    about: Readings
    knock: Floats
    blown: Floats
    soaked: float

    @property
    def name(self) -> str:
        """How it is called."""
        return f"{self.session} run {self.run.number}" if self.session else f"run {self.run.number}"


def lags(series: Series) -> tuple[Lag, Lag, tuple[float, ...]]:
    """Return the stated delay of a sensor, least and most, and the time constants (s) to try.

    A stated time constant is one nobody falls short of for judging, so that down to half of it is tried.
    """
    delay = series.channel.delay
    least, most = (bound / 1e9 for bound in delay.over_speed)
    tau = delay.time_constant / S
    taus = (0.5 * tau, 0.75 * tau, tau) if tau else (0.02, 0.05, 0.1)
    return Lag(delay.least / S, least, taus[1]), Lag(delay.most / S, most, taus[1]), taus


def base_pressure(table: Table) -> float:
    """Return what the regulator holds across the injector, kPa: as the setup says, else as it was at light load."""
    curve = table.limits.get(BASE) or table.rules.curves.get(BASE)
    if curve is not None and len(set(curve.value)) == 1:
        return curve.value[0]
    pressure = table.get("fuel_differential_pressure")
    if pressure is None:
        return math.nan
    good = pressure.good(table.begin, table.end)
    light = (table.on("manifold_pressure", good.t) < LIGHT) & (table.on("engine_speed", good.t) > 600.0)
    return float(np.median(good.v[light])) if light.sum() >= 20 else math.nan


def trim_on(table: Table, times: Times) -> Floats:
    """Return what closed-loop correction added, as a share; 0 where the car has none, NaN where it is not known."""
    total = np.ones(len(times))
    for name in ("fuel_correction_short", "fuel_correction_long"):
        if table.get(name) is not None:
            total *= 1.0 + table.on(name, times) / 100.0
    return total - 1.0


def driven(table: Table, run: Run, name: str, base: float) -> Driven | None:
    """Return one run as the sensor `name` saw it; None for a burnout, or if it says nothing of the run."""
    series = table.get(name)
    if series is None or run.kind is Class.BURNOUT:
        return None
    least, most, taus = lags(series)
    late = int((most.fixed + most.cycle / 2_000.0 + 3.0 * taus[-1]) * S)
    begin, end = max(run.begin - BEFORE, table.begin), min(run.end + late, table.end)
    step = int(FINE * S)
    grid = table.grid(begin, end, step)
    readings = series.good(run.begin, end)
    if len(grid) < 20 or len(readings) < 3:
        return None
    rpm, kpa = table.on("engine_speed", grid), running_mean(table.on("manifold_pressure", grid), 7)
    phi = np.asarray(1.0 / readings.v)
    pressure = _pressure(table, grid, base)
    drive = (1.0 + trim_on(table, grid)) / table.on("lambda_target", grid)
    if pressure is not None:
        drive = drive * np.sqrt(np.maximum(pressure, 0.0))
    uncounted = _uncounted(table, run, grid, kpa)
    drive[uncounted] = math.nan
    speed = np.nan_to_num(table.on("engine_speed", readings.t), nan=3_000.0).clip(500.0)
    back = (least.fixed + most.fixed) / 2.0 + (least.cycle + most.cycle) / 2.0 / speed + taus[1]
    burnt = readings.t - (back * S).astype(np.int64)
    blown, hidden = _blown(table, run, readings, burnt, base, grid[uncounted])
    track = Track(begin / S, rpm, kpa, drive, readings.t / S, np.where(hidden, math.nan, phi))
    held = _pressure(table, burnt, base)
    about = Readings(
        table.on("lambda_target", burnt), trim_on(table, burnt),
        np.full(len(burnt), math.nan) if held is None else held, table.on("injector_duty", burnt),
        table.on("intake_air_temperature", burnt), table.on("engine_speed", burnt),
        table.on("manifold_pressure", burnt), readings.v,
    )  # fmt: skip
    return Driven(
        table.session, run, table.wall_at(run.begin), track, about, _knock(table, run), blown, _soaked(table, run)
    )


def _pressure(table: Table, times: Times, base: float) -> Floats | None:
    """Return differential pressure over its base; None where it is not measured or its base not known."""
    if table.get("fuel_differential_pressure") is None or not math.isfinite(base):
        return None
    return running_mean(table.on("fuel_differential_pressure", times), 5) / base


def _uncounted(table: Table, run: Run, grid: Times, kpa: Floats) -> NDArray[np.bool_]:
    """Return where the gas says nothing of the map: cuts, lifts, pressure that moves fast, after the run."""
    out = grid >= run.end
    for around, spans in ((AROUND_CUT, run.cuts), (AROUND_LIFT, (*run.lifts, *run.shifts))):
        for span in spans:
            out |= (grid >= span.begin - around) & (grid < span.end + around)
    if table.get("cut_active") is not None:
        out |= table.on("cut_active", grid) > 0
    if table.get("injector_pulse_width") is not None:
        out |= table.on("injector_pulse_width", grid) <= 0
    apart = int(0.1 / FINE)
    if len(kpa) > apart:
        slope = np.abs(kpa[apart:] - kpa[:-apart]) / 0.1
        fast = np.zeros(len(grid), np.bool_)
        with np.errstate(invalid="ignore"):
            for place in np.flatnonzero(slope > WALL):
                fast[place : place + apart + 1] = True
        out |= fast
    return np.asarray(out)


def _blown(
    table: Table, run: Run, readings: Column, burnt: Times, base: float, uncounted: Times
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return where the spark blew out ([rpm, kPa] rows), and which readings it hides.

    `uncounted` are the times of gas that says nothing of the map: what is near to it may jump for its own reasons.
    """
    t, value = readings.t, without_spikes(readings.v)
    hidden = np.zeros(len(t), np.bool_)
    kpa, rpm = table.on("manifold_pressure", burnt), table.on("engine_speed", burnt)
    most = np.nanmax(kpa) if np.isfinite(kpa).any() else math.nan
    pressure = _pressure(table, burnt, base)
    first, last = np.searchsorted(uncounted, burnt - S // 2), np.searchsorted(uncounted, burnt + S // 4)
    since = np.searchsorted(t, t - JUMP_IN)
    with np.errstate(invalid="ignore"):
        may = (first == last) & (kpa >= NEAR_PEAK * most)
        if pressure is not None:
            may &= pressure >= NORMAL
    places: list[tuple[float, float]] = []
    usual = (run.rpm[1] - run.rpm[0]) / max(run.seconds, 0.1)
    until = -1
    for i in np.flatnonzero(may).tolist():
        if t[i] <= until or not i or value[i] - value[since[i] : i + 1].min() <= JUMP:
            continue
        after = value[i : int(np.searchsorted(t, t[i] + S // 2))]
        if len(after) < 4 or float(np.diff(after).std()) < RAGGED or not _dips(table, int(burnt[i]), usual):
            continue
        places.append((float(rpm[i]), float(kpa[i])))
        until = int(t[i]) + 7 * S // 10
        hidden |= (t >= t[i] - JUMP_IN) & (t < until)
    return np.array(places).reshape(-1, 2), hidden


def _dips(table: Table, t: int, usual: float) -> bool:
    """Whether the engine gains clearly less just then than it did just before (or, not known, than over the run)."""
    at = np.array([t - 4 * S // 10, t - S // 10, t, t + 3 * S // 10], np.int64)
    one, two, three, four = table.on("engine_speed", at).tolist()
    before = (two - one) / 0.3
    gains = (four - three) / 0.3
    return bool(gains < DIP * (before if math.isfinite(before) else usual))


def _knock(table: Table, run: Run) -> Floats:
    """Return where knock retard rose ([rpm, kPa] rows)."""
    series = table.get("knock_retard")
    if series is None:
        return np.empty((0, 2))
    good = series.good(run.begin, run.end)
    first = np.searchsorted(good.t, good.t - RISE_IN)
    rose = [i for i in range(len(good)) if good.v[i] - good.v[first[i] : i + 1].min() >= RISE]
    at = good.t[rose]
    return np.stack((table.on("engine_speed", at), table.on("manifold_pressure", at)), axis=1)


def _soaked(table: Table, run: Run) -> float:
    """Return the share by which a heat-soaked intake sensor may have leaned it: hot at first, and falling.

    A sensor that is hotter than the air lets the controller think the air thinner than it is (density goes with 1/T).
    """
    intake, outside = table.get("intake_air_temperature"), table.at("ambient_temperature", run.begin)
    if intake is None:
        return 0.0
    first, coolest = intake.at(run.begin), intake.least(run.begin, run.end)
    if not math.isfinite(first) or coolest is None or not first - outside > 25.0 or first - coolest.value < 5.0:
        return 0.0
    return (first + 273.15) / (coolest.value + 273.15) - 1.0


def unproved(table: Table, name: str) -> str:
    """Say why a lambda sensor has not proved itself in this session; empty if it has, or had no chance to fail."""
    series = table.get(name)
    if series is None:
        return "it is not measured"
    good = series.good(table.begin, table.end)
    if len(good) < 3:
        return f"it was never read ({series.why_at(table.end - 1) or 'nothing was heard of it'})"
    if float(np.ptp(good.v)) < MOVED:
        return f"it moved by {np.ptp(good.v):.3f} only, all the time it was read"
    seen = _overruns(table, series)
    failed = sum(not cut.air for cut in seen)
    if failed >= 2 and failed == len(seen):
        return f"on {failed} overrun fuel cuts it never passed lambda {OVERRUN_LEAN:g}: it is not believed"
    return ""


class Overrun(NamedTuple):
    """An overrun fuel cut: whether the sensor saw `air`, and how long after it lambda left, [least, most] s."""

    air: bool
    least: float
    most: float
    rpm: float


def _overruns(table: Table, series: Series) -> list[Overrun]:
    """Return the overrun fuel cuts of a second and more."""
    source = next((table.series[one] for one in ("cut_active", "injector_pulse_width") if one in table.series), None)
    if source is None:
        return []
    flag = source.good(table.begin, table.end)
    off = (flag.v == 1) if source.channel.name == "cut_active" else (flag.v <= 0)
    with np.errstate(invalid="ignore"):
        off &= (table.on("engine_speed", flag.t) > 1_200.0) & ~(table.on("throttle", flag.t) > 10.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], off, [False])).astype(np.int8)))
    found = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        begin = int(flag.t[a])
        if int(flag.t[b - 1]) - begin < OVERRUN_IN:
            continue
        late = series.delay(table.at("engine_speed", begin))[1] + 3 * series.channel.delay.time_constant
        before, seen = series.good(begin - S // 10, begin), series.good(begin, begin + OVERRUN_IN + late)
        if not len(seen):
            continue
        level = 1.0 / float(np.median(before.v)) if len(before) else math.nan
        left = np.flatnonzero(1.0 / seen.v < level - LEFT)
        least = most = math.nan
        if len(left) and left[0]:
            least = (int(seen.t[left[0] - 1]) - begin) / S
            most = (int(seen.t[left[0]]) - (int(flag.t[a - 1]) if a else begin)) / S
        found.append(Overrun(bool(seen.v.max() > OVERRUN_LEAN), least, most, table.at("engine_speed", begin)))
    return found


def delay_off(table: Table, name: str) -> float:
    """Return by how many s later than stated (negative: earlier) a sensor answers to overrun cuts; 0: as stated.

    A cut is when the mixture surely changed, wherever in the map the engine was. Told of two cuts and more that agree
    (the middle one), beyond `DELAY_SLACK`.
    """
    series = table.get(name)
    if series is None:
        return 0.0
    least, most, taus = lags(series)
    off = []
    for cut in _overruns(table, series):
        if not cut.air or not math.isfinite(cut.least) or not cut.rpm > 0:
            continue
        early = cut.most - (least.fixed + least.cycle / cut.rpm)
        late = cut.least - (most.fixed + most.cycle / cut.rpm + 0.5 * taus[-1])
        off.append(late if late > 0.0 else min(early, 0.0))
    if len(off) < 2:
        return 0.0
    middle = float(np.median(off))
    return middle if abs(middle) > DELAY_SLACK else 0.0
