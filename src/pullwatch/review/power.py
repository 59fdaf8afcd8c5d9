"""Power against the car's own trend: windows of one gear under full load, the smooth trend, and where it breaks off.

No figure here is a power in kilowatts. What is compared is the pull for the pressure in the manifold, window by window,
with the smooth curve the same run follows below: a drag, a mass or a roller that is not quite known falls out of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.review.finding import FULL
from pullwatch.review.intervals import Interval, student
from pullwatch.review.table import STEP, S, spans_where

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch.review.run import Run
    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

WINDOW: Final = 300_000_000
"""ns: every figure is the mean of so long, never less and never chosen after the fact."""
FEWEST: Final = 10
"""Windows from which on a trend and a break in it can be told apart."""
SAMPLES: Final = 6
"""Of engine speed in a window, from which on its slope is one."""
SETTLED: Final = 0.90
"""Share of its highest manifold pressure from which on the run counts: before, the turbocharger is spooling up."""
LIMITER: Final = 250.0
"""rpm below the rev limit in which a soft limiter may already act (common practice, no source)."""
SLIPS: Final = 0.03
"""Share by which engine speed over road speed may wander in one gear (common practice, no source) ..."""
SMOOTH: Final = 10
"""... in the mean of so many steps."""
MOST_UNSEEN: Final = 30.0
"""% of power: a stretch that would hide a fall of more is too short to say anything."""
FALLS: Final = 0.04
"""Share of the trend by which power must surely be down at the top: so far a healthy one may bend (common practice)."""
BREAK_LEVEL: Final = 0.998
"""How sure a break must be against a smooth trend; it was looked for in many places."""
MIDDLE: Final = 4_000.0
"""rpm about which the trend is written."""
GRID: Final = 10.0
"""rpm between the places at which a break is tried."""
MASS_TURNING: Final = (0.04, 0.0025)
"""What turning parts add to the mass: 0.04 + 0.0025·ratio², ratio from engine to wheel (from memory)."""
TYRE: Final = 0.31
"""m, to bring rpm per km/h to a ratio (usual size; it moves what turning parts add by a few per cent of itself)."""
ROLLING: Final = 0.013
DRAG_AREA: Final = 0.66
AIR: Final = 1.2
"""Rolling resistance, drag area m², air kg/m³ of a usual car: no more than a smooth part of the trend."""
GRAVITY: Final = 9.80665


def road_load_power(
    speed: float, acceleration: float, mass: float, turning: float = 0.0, grade: float = 0.0, *,
    rolling: float = ROLLING, drag_area: float = DRAG_AREA, air: float = AIR,
) -> float:  # fmt: skip
    """Return the power at the wheels, W: v[m(1 + e)a + mg(C_r + sin θ) + ½·air·C_dA·v²] (Newton; usual road load).

    `speed` m/s, `acceleration` m/s², `mass` kg, `turning` e, `grade` θ in radians, `drag_area` C_dA in m², `air` kg/m³.
    """
    inertia = mass * (1.0 + turning) * acceleration
    return speed * (inertia + mass * GRAVITY * (rolling + math.sin(grade)) + 0.5 * air * drag_area * speed * speed)


def valve_force(boost: float, diameter: float) -> float:
    """Return the force, N, with which boost (kPa gauge) opens a closed intake valve of so many mm: p·π/4·D²."""
    return boost * 1e3 * math.pi / 4.0 * (diameter * 1e-3) ** 2


class Windows(NamedTuple):
    """The windows of one run, arrays of shape (n,) in order: begin (session ns), rpm, kPa absolute, and `pull`.

    `pull` is the power over speed and manifold pressure (over speed alone where that is not known), in no unit.
    `source` says what power is from, `gear` which it was in words.
    """

    begin: NDArray[np.int64]
    rpm: Floats
    pressure: Floats
    pull: Floats
    source: str
    gear: str = "one gear"


class Break(NamedTuple):
    """Where the pull leaves its smooth trend: onset rpm, slope of the fall per 1,000 rpm, and how sure (t)."""

    onset: Interval
    slope: float
    t: float


@dataclass(frozen=True, slots=True)
class Course:
    """Power along engine speed in one run, in % of its own trend: `percent[i]` at `windows.rpm[i]`.

    `broken` is None where it follows the trend; `least_seen` is the fall at the top, %, that would have been told.
    `smooth` are the trend's three numbers, see `trend`.
    """

    windows: Windows
    percent: tuple[Interval, ...]
    broken: Break | None
    least_seen: float
    smooth: tuple[float, float, float]

    @property
    def falls(self) -> bool:
        """Whether power is surely down at the top by more than a healthy shape can be."""
        return self.broken is not None and self.percent[-1].most < 100.0 * (1.0 - FALLS)

    def trend(self, rpm: float) -> float:
        """Return the pull that the trend has at a speed; between runs of one car, gear and source it compares."""
        x = (rpm - MIDDLE) / 1_000.0
        return self.smooth[0] + self.smooth[1] * x + self.smooth[2] * x * x


def windows(table: Table, run: Run) -> Windows | str:
    """Return the windows of a run, or why there are none."""
    speed = table.get("engine_speed")
    if speed is None:
        return "engine speed is not recorded"
    t = table.grid(run.begin, run.end, STEP)
    stretch = _stretch(table, t)
    if stretch is None:
        return "no stretch in one gear at full load without a cut lasts long enough"
    gripping = _gripping(table, *stretch)
    if gripping is None:
        return "engine speed and road speed part: wheelspin, or slip of converter or clutch"
    begin, end = gripping
    slip = table.on("converter_slip", table.grid(begin, end, STEP))
    if np.isfinite(slip).any() and np.nanmax(np.abs(slip)) > SLIPS * np.nanmedian(table.on("engine_speed", t)):
        return "the converter slips"
    begins: list[int] = []
    rows: list[tuple[float, float, float]] = []
    for at in range(begin, end - WINDOW + 1, WINDOW):
        good = speed.good(at, at + WINDOW)
        if len(good) < SAMPLES:
            continue
        seconds = (good.t - good.t[0]) / S
        slope = float(np.polyfit(seconds - seconds.mean(), good.v, 1)[0])
        begins.append(at)
        rows.append((float(good.v.mean()), _mean(table, "manifold_pressure", at), slope))
    if len(rows) < FEWEST:
        return f"{len(rows)} windows of {WINDOW / S:g} s in one gear at full load: {FEWEST} are needed"
    rpm, pressure, slope_of = (np.array(column) for column in zip(*rows, strict=True))
    at_ns = np.array(begins, np.int64)
    power, source = _power(table, at_ns, rpm, slope_of)
    below = pressure if np.isfinite(pressure).all() else np.ones(len(rpm))
    pull = power / (rpm * below)
    if not np.isfinite(pull).all() or not (pull > 0).all():
        return "the engine did not gain speed throughout"
    gear = table.at("gear", begin)
    return Windows(at_ns, rpm, pressure, pull, source, f"gear {gear:.0f}" if gear >= 1 else "one gear")


def _stretch(table: Table, t: NDArray[np.int64]) -> tuple[int, int] | None:
    """Return the stretch in one gear, at full load and settled pressure, over the most speed and time."""
    rpm = table.on("engine_speed", t)
    use = np.isfinite(rpm)
    for name in ("pedal", "throttle"):
        if name in table.series:
            use &= table.on(name, t) >= FULL
            break
    use &= ~(table.on("cut_active", t) > 0) & ~(table.on("launch_active", t) > 0)
    use &= ~(rpm > table.protection.get("engine_speed", math.inf) - LIMITER)
    pressure = table.on("manifold_pressure", t)
    if np.isfinite(pressure[use]).any():
        use &= pressure >= SETTLED * float(np.nanmax(pressure[use]))
    gear = table.on("gear", t) if "gear" in table.series else np.zeros(len(t))
    changes = np.concatenate(([True], gear[1:] != gear[:-1]))
    edges = np.flatnonzero(np.concatenate(([True], (use[1:] != use[:-1]) | changes[1:], [True])))
    best: tuple[float, int, int] | None = None
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if use[first] and last - first > 2:
            worth = float(rpm[last - 1] - rpm[first]) * (last - first)
            if best is None or worth > best[0]:
                best = (worth, int(t[first]), int(t[last - 1]) + STEP)
    return None if best is None or best[0] <= 0 else best[1:]


def _ratio(table: Table, t: NDArray[np.int64]) -> Floats:
    """Return engine speed over road or roller speed, rpm per km/h; NaN where not known."""
    name = "roller_speed" if "roller_speed" in table.series else "vehicle_speed"
    speed = table.on(name, t)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(speed > 10.0, table.on("engine_speed", t) / speed, math.nan)


def _gripping(table: Table, begin: int, end: int) -> tuple[int, int] | None:
    """Return the part of a stretch over which engine and road speed keep their ratio; None if that is less than half.

    A clutch that is still taking hold after a shift is left out so. Without a road speed nothing can be.
    """
    t = table.grid(begin, end, STEP)
    ratio = _ratio(table, t)
    if np.isfinite(ratio).sum() * 2 < len(t):
        return begin, end
    middle = float(np.nanmedian(ratio))
    off = np.nan_to_num(ratio / middle - 1.0)
    if len(off) >= 2 * SMOOTH:
        off = np.convolve(np.pad(off, SMOOTH // 2, mode="edge"), np.ones(SMOOTH) / SMOOTH, "same")[SMOOTH // 2 :]
    holds = np.abs(off[: len(t)]) <= SLIPS / 2.0
    longest = max(spans_where(t, holds, end), key=lambda span: span.end - span.begin, default=None)
    if longest is None or (longest.end - longest.begin) * 2 < end - begin:
        return None
    return longest.begin, longest.end


def _mean(table: Table, name: str, begin: int) -> float:
    """Return the mean of a channel over a window; NaN where it is not known throughout."""
    values = table.on(name, table.grid(begin, begin + WINDOW, STEP))
    return float(values.mean())


def _power(table: Table, begin: NDArray[np.int64], rpm: Floats, slope: Floats) -> tuple[Floats, str]:
    """Return power in any unit for each window, and what it is from. `slope` of engine speed, rpm/s."""
    torque = np.array([_mean(table, "roller_torque", at) for at in begin.tolist()])
    if np.isfinite(torque).all():
        return torque * rpm, "roller torque times speed"
    if table.profile == "dyno":
        return rpm * slope, "how fast the engine speeds up the roller in one gear"
    speed = np.array([_mean(table, "vehicle_speed", at) for at in begin.tolist()])
    mass = table.car.mass_kg
    if mass is None or not np.isfinite(speed).all():
        return rpm * slope, "how fast the engine speeds up the car in one gear; air drag is not taken out"
    per = float(np.median(rpm / speed))
    ratio = per * 3.6 * TYRE * math.pi / 30.0
    turning = MASS_TURNING[0] + MASS_TURNING[1] * ratio * ratio
    each = [road_load_power(n / per / 3.6, a / per / 3.6, mass, turning) for n, a in zip(rpm, slope, strict=True)]
    return np.array(each), "mass, acceleration and the road load of a usual car, level road taken for granted"


def course(found: Windows) -> Course:
    """Return power along engine speed against its own smooth trend.

    The pull follows a curve of second order; at some speed a straight fall may come on top. Where it does best, by
    least squares, is the onset, and every place that does not do surely worse its interval. All five numbers are free.
    """
    order = np.argsort(found.rpm)
    x = (found.rpm[order] - MIDDLE) / 1_000.0
    unit = float(np.median(found.pull))
    y = found.pull[order] / unit
    n = len(x)
    curve = np.stack((np.ones(n), x, x * x), axis=1)
    plain = np.asarray(np.linalg.lstsq(curve, y, rcond=None)[0], dtype=np.float64)
    alone = y - curve @ plain
    error = float(alone @ alone)
    # What a break at each place would explain beyond the curve: its hinge, less what the curve has of it already.
    places = np.arange(x[4], x[-3], GRID / 1_000.0)
    hinges = np.maximum(x[:, None] - places, 0.0)
    hinges -= curve @ (np.linalg.pinv(curve) @ hinges)
    slopes = (alone @ hinges) / (hinges**2).sum(axis=0)
    errors = np.where(slopes < 0.0, error - slopes * (alone @ hinges), error)
    best, k = float(errors.min()), float(places[int(errors.argmin())])
    best = max(best, 1e-12 * n)
    sure = math.sqrt(max(error - best, 0.0) / 2.0 / (best / (n - 5)))
    ordered = found._replace(
        begin=found.begin[order], rpm=found.rpm[order], pressure=found.pressure[order], pull=found.pull[order]
    )
    seen = _seen(x, curve, error / (n - 3))
    if sure < student(n - 5, BREAK_LEVEL):
        return Course(ordered, _percent(y, curve, curve, plain, n - 3), None, seen, _three(plain, unit))
    within = places[errors <= best * (1.0 + student(n - 5) ** 2 / (n - 5))] * 1_000.0 + MIDDLE
    onset = Interval(MIDDLE + 1_000.0 * k, float(within[0]) - GRID / 2.0, float(within[-1]) + GRID / 2.0)
    hinge = np.column_stack((curve, np.maximum(x - k, 0.0)))
    beta = np.asarray(np.linalg.lstsq(hinge, y, rcond=None)[0], dtype=np.float64)
    broken = Break(onset, float(beta[3] / (curve[-1] @ beta[:3])), sure)
    # The onset is free too: a fifth column, how the curve changes with it.
    design = np.column_stack((hinge, -beta[3] * (x > k)))
    only = np.column_stack((curve, np.zeros((n, 2))))
    percent = _percent(y, design, only, np.append(beta, 0.0), n - 5)
    return Course(ordered, percent, broken, seen, _three(beta, unit))


def _three(beta: Floats, unit: float) -> tuple[float, float, float]:
    a, b, c = (beta[:3] * unit).tolist()
    return a, b, c


def _percent(y: Floats, design: Floats, trend: Floats, beta: Floats, freedom: int) -> tuple[Interval, ...]:
    """Return each window in % of the trend with the scatter of both."""
    rest = y - design @ beta
    s = math.sqrt(float(rest @ rest) / freedom)
    own = trend @ beta
    spread = np.sqrt(((np.eye(len(y)) - trend @ np.linalg.pinv(design)) ** 2).sum(axis=1))
    half = 100.0 * student(freedom) * s * spread / own
    shares = 100.0 * y / own
    return tuple(Interval(p, p - h, p + h) for p, h in zip(shares.tolist(), half.tolist(), strict=True))


def _seen(x: Floats, curve: Floats, variance: float) -> float:
    """Return the fall, % at the top, that a break 500 rpm below the top must have had to be told."""
    design = np.column_stack((curve, np.maximum(x - (x[-1] - 0.5), 0.0)))
    scatter = math.sqrt(variance * float(np.linalg.pinv(design.T @ design)[3, 3]))
    return 100.0 * (student(len(x) - 4, BREAK_LEVEL) * scatter * 0.5 + FALLS)
