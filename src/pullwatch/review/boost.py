"""What was driven at which wastegate duty: settled boost and how it came there, gear by gear.

Only open loop counts: a controller that moves the duty against a target makes more duty where there is less boost, and
a line through such runs slopes the wrong way. A run counts where the duty stood still while the boost had settled, or
stayed at the base duty of the map where that is known (`wastegate_duty_base`).

All figures here are common practice with no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.review.boost_fit import Models, fitted
from pullwatch.review.comparing import SWEEP_SHARE
from pullwatch.review.intervals import KNOWN
from pullwatch.review.run import RATIO, Class
from pullwatch.review.table import STEP, S, Span

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.review.run import Run
    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

FULL: Final = 80.0
"""% of pedal or throttle: below, the throttle holds the boost down, not the wastegate."""
LEAST_BOOST: Final = 20.0
"""kPa gauge below which a wastegate governs nothing."""
SETTLES: Final = 0.95
SETTLED_FOR: Final = S // 2
"""Boost has settled from this share of its peak on, if at least so long was left."""
THERE: Final = 0.90
"""Spool time ends at this share of the settled boost."""
SMOOTHED: Final = 5
"""Grid steps (0.1 s) over which a peak is taken: noise is no overshoot."""
MOVED: Final = 1.0
"""% duty: what moves more while the boost has settled is moved by a controller."""
COMMON_RPM: Final = 300.0
"""rpm that all runs of a group must share to be held against each other in the same speeds."""
BEYOND_DUTY: Final = 3.0
BEYOND_BOOST: Final = 10.0
"""% duty and kPa beyond what was driven for which nothing is told."""
TWO: Final = 0.7
"""% duty: so far apart two duties are two."""
STEP_DUTY: Final = 1.0
"""% duty: the step of the pick list."""
NO_FOOT: Final = "the foot was not fully down for half a second without a cut"
LEAK_CHANCE: Final = 0.01
"""How often sound runs of one group may be taken for a leak."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a run in one gear under a full foot in which the boost settled.

    `order` puts runs in time. `gear` is None where only the `ratio` (rpm per km/h) is known. `rpm`, `boost` (kPa
    gauge): the settled part, each of shape (n,). `spool`: s from the foot to 90 % of it, `spool_rpm` the speed there;
    NaN where the run was launched or shifted into. `overshoot` kPa above the settled boost; `drift` kPa per 1,000 rpm
    (above 0: creep, below: taper). `closed`: why it does not count as open loop; empty if it does.
    """

    session: str
    run: int
    order: int
    gear: int | None
    ratio: float
    held: bool
    sweep: float
    span: Span
    duty: float
    rpm: Floats
    boost: Floats
    spool: float
    spool_rpm: float
    overshoot: float
    drift: float
    barometric: float
    at_ceiling: bool
    closed: str

    @property
    def settled(self) -> float:
        """Middle of the settled boost, kPa gauge."""
        return float(np.median(self.boost))

    def alike(self, other: Stretch) -> str:
        """Say why the two may not be held against each other; empty if they may."""
        if self.gear is not None and other.gear is not None:
            if self.gear != other.gear:
                return "another gear"
        elif not abs(self.ratio / other.ratio - 1.0) <= RATIO:
            return "another ratio of engine to road speed"
        if self.held != other.held:
            return "one was held at a speed, one swept"
        if not self.held and not abs(self.sweep - other.sweep) <= SWEEP_SHARE * max(abs(self.sweep), abs(other.sweep)):
            return f"swept at {self.sweep:,.0f} and {other.sweep:,.0f} rpm/s"
        return ""


def missing(table: Table) -> str:
    """Say which channels a table lacks for any of this; empty if it has them."""
    if table.get("wastegate_duty") is None:
        return "wastegate_duty is not measured, so nobody knows which duty gave the boost or who moved it. Feed it."
    if table.get("boost") is None:  # made where manifold and barometric pressure are there
        return "gauge boost is not measured: feed boost, or manifold_pressure with barometric_pressure."
    return ""


def stretches(table: Table, run: Run, order: int) -> tuple[list[Stretch], list[str]]:
    """Return where boost settled in a run, one stretch a gear, and why others gave none. Needs what `missing` names."""
    t = table.grid(run.begin, run.end)
    boost = table.boost_on(t)
    pedal = table.on("pedal", t)
    foot = np.where(np.isnan(pedal), table.on("throttle", t), pedal)
    fine = np.isfinite(boost) & ~(foot < FULL) & ~(table.on("cut_active", t) > 0)
    gears = table.on("gear", t)
    parts: list[tuple[int | None, float, NDArray[np.bool_]]]
    if np.isfinite(gears).any():
        kinds = sorted({int(one) for one in gears[fine & (gears >= 1)].tolist()})
        parts = [(gear, math.nan, fine & (gears == gear)) for gear in kinds]
    elif len(run.ratios) == 1:
        parts = [(None, run.ratios[0], fine)]
    else:
        return [], [f"run {run.number}: the gear is not known"]
    if not parts:
        return [], [f"run {run.number}: {NO_FOOT}"]
    found: list[Stretch] = []
    why: list[str] = []
    for gear, ratio, where in parts:
        made = _settled(table, run, order, gear, ratio, t, boost, where)
        if isinstance(made, str):
            why.append(f"run {run.number}{f' in gear {gear}' if gear else ''}: {made}")
        else:
            found.append(made)
    return found, why


def _longest(where: NDArray[np.bool_]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], where, [False])).astype(np.int8)))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return max(pairs, key=lambda pair: pair[1] - pair[0], default=(0, 0))


def _settled(
    table: Table, run: Run, order: int, gear: int | None, ratio: float, t: NDArray[np.int64], boost: Floats,
    where: NDArray[np.bool_],
) -> Stretch | str:  # fmt: skip
    first, last = _longest(where)
    if (last - first) * STEP < SETTLED_FOR:
        return NO_FOOT
    b = boost[first:last]
    smooth = np.convolve(b, np.full(SMOOTHED, 1.0 / SMOOTHED), mode="valid")
    peak = float(smooth.max())
    if peak < LEAST_BOOST:
        return f"boost came to {peak:.0f} kPa gauge, which is none"
    begin = int(np.flatnonzero(smooth >= SETTLES * peak)[0]) + SMOOTHED // 2
    if (len(b) - begin) * STEP < SETTLED_FOR:
        return f"boost had not settled when it ended (peak {peak:.1f} kPa gauge)"
    times, part = t[first + begin : last], b[begin:]
    rpm = table.on("engine_speed", times)
    duty = table.on("wastegate_duty", times)
    if not np.isfinite(duty).all() or not np.isfinite(rpm).all():
        return "the duty or the engine speed was not known throughout"
    settled = float(np.median(part))
    spool, spool_rpm = math.nan, math.nan
    if run.launch is None and first * STEP < SETTLED_FOR:
        reached = int(np.flatnonzero(b >= THERE * settled)[0])
        spool = (int(t[first + reached]) - run.begin) / S
        spool_rpm = table.at("engine_speed", int(t[first + reached]))
    held = run.kind is Class.LOAD_HOLD
    sweep = run.sweeps.get(gear or 0, math.nan)
    if not held and not math.isfinite(sweep):
        return "the sweep rate is not known"
    late = slice(len(part) // 4, None)  # what swings after an overshoot is no drift
    drift = math.nan
    if np.ptp(rpm[late]) > COMMON_RPM:
        drift = float(np.polyfit(rpm[late] / 1_000.0, part[late], 1)[0])
    span = Span(int(times[0]), int(times[-1]) + STEP)
    return Stretch(
        table.session, run.number, order, gear, ratio, held, sweep, span, float(duty.mean()), rpm, part, spool,
        spool_rpm, max(0.0, peak - settled), drift, table.at("barometric_pressure", span.begin),
        _at_ceiling(table, span), _closed(duty, table.on("wastegate_duty_base", times)),
    )  # fmt: skip


def _at_ceiling(table: Table, span: Span) -> bool:
    for name in ("boost", "manifold_pressure"):
        series = table.get(name)
        most = series.most(span.begin, span.end) if series is not None and name in table.ceilings else None
        if most is not None and most.value >= table.ceilings[name]:
            return True
    return False


def _closed(duty: Floats, base: Floats) -> str:
    """Say why a stretch is no open loop: the duty left its base, or moved where no base is known."""
    if np.isfinite(base).all():
        off = float(np.percentile(np.abs(duty - base), 95))
        return f"the controller corrected its base duty by up to {off:.1f} %" if off > MOVED else ""
    low, high = np.percentile(duty, (5, 95)).tolist()
    if high - low > MOVED:
        return f"the duty moved from {low:.0f} to {high:.0f} % while the boost had settled, and no base duty is known"
    return ""


@dataclass(frozen=True, slots=True)
class Group:
    """Runs that may be held against each other, in order of time: one gear, one sweep rate, open loop.

    `boosts`: kPa gauge of each, the mean over the `speeds` (rpm) that all of them drove through (None: each its own).
    `apart`: what of this gear was left out, in words.
    """

    stretches: tuple[Stretch, ...]
    boosts: tuple[float, ...]
    speeds: tuple[float, float] | None
    apart: tuple[str, ...]

    @property
    def duties(self) -> tuple[float, ...]:
        """Duty of each, %."""
        return tuple(one.duty for one in self.stretches)

    @property
    def name(self) -> str:
        """Gear and sweep rate in words."""
        last = self.stretches[-1]
        gear = f"gear {last.gear}" if last.gear is not None else f"{last.ratio:.1f} rpm per km/h"
        how = "held" if last.held else f"{last.sweep:,.0f} rpm/s" if math.isfinite(last.sweep) else "sweep not known"
        return f"{gear}, {how}"

    def by_duty(self) -> list[list[int]]:
        """Return the places of the runs of each duty, the least duty first; less than `TWO` apart is one duty."""
        order = sorted(range(len(self.stretches)), key=lambda i: self.duties[i])
        out: list[list[int]] = []
        for i in order:
            if out and self.duties[i] - self.duties[out[-1][0]] < TWO:
                out[-1].append(i)
            else:
                out.append([i])
        return out

    def models(self) -> Models | None:
        """Return both models; None of fewer than two duties."""
        return fitted(self.duties, self.boosts) if len(self.by_duty()) >= 2 else None


def grouped(found: Sequence[Stretch]) -> list[Group]:
    """Return for each gear the runs like its last one, open loop. `found` in order of time."""
    out: list[Group] = []
    left = list(found)
    while left:
        last = left[-1]
        gear = [one for one in left if last.alike(one) not in ("another gear", "another ratio of engine to road speed")]
        left = [one for one in left if one not in gear]
        fine = [one for one in gear if not one.closed]
        apart = [f"run {one.run} of {one.session}: {one.closed}" for one in gear if one.closed]
        if not fine:
            out.append(Group((), (), None, tuple(apart)))
            continue
        like = [one for one in fine if not fine[-1].alike(one)]
        apart += [f"run {one.run} of {one.session}: {why}" for one in fine if (why := fine[-1].alike(one))]
        out.append(_group(like, apart))
    return out[::-1]


def _group(like: Sequence[Stretch], apart: Sequence[str]) -> Group:
    low = max(float(one.rpm.min()) for one in like)
    high = min(float(one.rpm.max()) for one in like)
    speeds = (low, high) if high - low >= COMMON_RPM else None
    boosts = []
    for one in like:
        part = one.boost if speeds is None else one.boost[(one.rpm >= low) & (one.rpm <= high)]
        boosts.append(float(np.median(part)) if len(part) else one.settled)
    return Group(tuple(like), tuple(boosts), speeds, tuple(apart))


def leak(group: Group) -> str:
    """Say which run had less boost than the others say its duty gives; empty if none had.

    Each run is held against those before it, and against all others: a leak that came and stayed shows in the first.
    The scatter is the usual one unless theirs contradicts it: what leaks among the others must not hide a leak.
    """
    n = len(group.stretches)
    # One side of two looks at every run.
    level = 1.0 - LEAK_CHANCE / n
    for i, one in enumerate(group.stretches):
        for others in (range(i), [k for k in range(n) if k != i]):
            models = fitted([group.duties[k] for k in others], [group.boosts[k] for k in others], KNOWN)
            if len(others) < 2 or models is None:
                continue
            said = models.known().next_run(one.duty, level)
            if group.boosts[i] < said.least:
                return (
                    f"run {one.run} of {one.session} had {group.boosts[i]:.1f} kPa gauge at {one.duty:.1f} % duty, "
                    f"where the other runs give {said.least:.1f} at least"
                )
    return ""


def refusal(group: Group, duty: float, models: Models | None, ceiling: float = math.inf) -> str:
    """Say why nothing is told of a duty (%) from these runs; empty if something is. `ceiling`: kPa gauge."""
    if models is None:
        return f"{_counted(len(group.by_duty()))} driven so far; two are the least, {STEP_DUTY:g} % apart."
    slope = models.line.slope
    if slope <= 0:
        return (
            "more duty gave no more boost in these runs: a controller that corrects from run to run, duties too close, "
            "or an exhaust that gives no more. No model of the actuator holds for that."
        )
    if any(one.at_ceiling for one in group.stretches):
        return "the pressure sensor was at its ceiling: what the boost was is not known, only that it was at least that"
    suspected = leak(group)
    if suspected:
        return f"leak suspected: {suspected}. Find that first; a sticking wastegate or a slipping hose look the same."
    return beyond(group, duty, models, ceiling)


def beyond(group: Group, duty: float, models: Models, ceiling: float = math.inf) -> str:
    """Say how a duty (%), or what it may give, lies too far from what was driven; empty if it does not."""
    low, high = min(group.duties), max(group.duties)
    if duty > high + BEYOND_DUTY + 1e-9 or duty < low - BEYOND_DUTY - 1e-9:
        return (
            f"{duty:g} % lies more than {BEYOND_DUTY:g} % duty beyond what was driven ({low:.0f} to {high:.0f} %): "
            "nothing measured reaches there"
        )
    said, driven = models.next_run(duty), max(group.boosts)
    if said.most > driven + BEYOND_BOOST:
        most = f"{said.most:.1f}" if math.isfinite(said.most) else "without a bound"
        return (
            f"more than {BEYOND_BOOST:g} kPa beyond the {driven:.1f} kPa gauge that were driven cannot be excluded "
            f"at {duty:g} % (upper end: {most})"
        )
    if said.most >= ceiling:
        return f"the pressure sensor ends at {ceiling:.0f} kPa gauge, within what {duty:g} % may give"
    return ""


def _counted(n: int) -> str:
    return "one duty was" if n == 1 else f"{n or 'no'} duties were"
