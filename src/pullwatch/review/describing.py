"""From a segment to a run: class, gears, sweep rates, launch, cuts and how it ended, told from its rows alone.

All figures here are common practice with no published source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import NS_PER_MS
from pullwatch.review.finding import BRIDGE, FULL, LIFTED, Rows, Segment
from pullwatch.review.run import CONDITIONS, RATIO, Class, Ended, Launch, Run
from pullwatch.review.table import STEP, S, Span

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

CUTS: Final = {1: Ended.FUEL, 2: Ended.IGNITION, 3: Ended.THROTTLE}
"""What `cut_active` says (0: no cut; anything else: a cut of a kind not known)."""
STANDS: Final = 5.0
"""km/h: a run that begins below begins at a stand ..."""
MOVES: Final = 2.0
"""... and from here on it moves."""
HELD_WITHIN: Final = 150.0
HELD_FOR: Final = 300 * NS_PER_MS
"""rpm and time: an engine held so under full load at a stand is on its limiter or its brake (a limiter swings)."""
STILL_HELD: Final = 1.0
"""s: of a car that never moved this is launch practice, and less is an engine revved."""
CLUTCH: Final = 200 * NS_PER_MS
"""What a clutch takes to pull the engine down before the car moves."""
PASS_METRES: Final = 100.0
"""A run from a stand that goes farther is a pass, else launch practice (330 ft are 100.6 m)."""
WHEELS_STOP: Final = 12.0
"""m/s²: what slows down faster than this after a lift is wheels, not a car (1.2 g)."""
STEADY_RPM: Final = 30.0
STEADY_SHARE: Final = 0.06
STEADY_FOR: Final = 2 * S
"""rpm/s and share of the speed: what gains less and stays within it for so long is held."""
CUT_BEFORE: Final = S
"""A cut that began less than so long before the lift, and lasted to it, ended the run."""
CUT_LASTS: Final = 60 * NS_PER_MS
NEAR_LIMIT: Final = 250.0
"""rpm below the rev limit from which on a cut is the limiter's."""
FALLS: Final = -150.0
"""rpm/s: an engine that slows down so under a full foot without a cut is braked by somebody."""
GEAR_FOR: Final = 200 * NS_PER_MS


def describe(segment: Segment, table: Table, number: int = 1) -> Run | None:
    """Return the run that a segment is; None for an engine that was only revved out of gear.

    Of the `table` only `profile` and `protection` are looked at, so one that still grows will do.
    """
    rows = segment.rows
    within = rows.between(segment.begin, segment.end)
    if not len(within.t):
        return None
    after = rows.between(segment.end, segment.end + BRIDGE + STEP)
    before = rows.between(segment.begin - S // 2, segment.begin + STEP)
    rpm = within["engine_speed"]
    standing = _stood(before, within)
    launch = _launch(within) if standing else None
    moving = within.between(launch.release, segment.end) if launch is not None else within
    metres = float(np.nansum(within.speed) / 3.6 * STEP / S) if np.isfinite(within.speed).any() else math.nan
    gears, ratios, by_place = _gears(moving)
    shifts, lifts = _sorted_lifts(segment.lifts, rows)
    cuts = _cuts(within)
    sweeps = _sweeps(moving, by_place)
    kind = _class(segment, table.profile, standing, metres, within, after, moving, launch, lifts)
    if kind is None:
        return None
    known = rpm[np.isfinite(rpm)]
    return Run(
        number, segment.begin, segment.end, kind, _ended(segment, within, after, cuts, shifts, table.protection),
        gears, ratios, sweeps,
        {name: _near(rows, name, segment.begin) for name in CONDITIONS},
        {name: _near(rows, name, segment.end) for name in CONDITIONS},
        (float(known.min()), float(known.max())) if len(known) else (math.nan, math.nan),
        tuple(lifts), tuple(shifts), tuple(cuts), launch, metres,
    )  # fmt: skip


def _near(rows: Rows, name: str, t: int) -> float:
    """Return a value at `t`, or the last known in the second before."""
    part = rows.between(t - S, t + STEP)[name]
    known = part[np.isfinite(part)]
    return float(known[-1]) if len(known) else math.nan


def _stood(before: Rows, within: Rows) -> bool:
    """Whether it began at a stand. Without road speed only a launch control that is on tells."""
    speed = before.speed
    if np.isfinite(speed).any():
        return bool(speed[np.isfinite(speed)][-1] < STANDS)
    first = within["launch_active"][: S // STEP]
    return bool((first[np.isfinite(first)] > 0).any())


def _launch(within: Rows) -> Launch:
    """Return when the car moved off, and what was before."""
    speed, t = within.speed, within.t
    if np.isfinite(speed).any():
        stood = np.flatnonzero(speed < MOVES)
        first = int(stood[-1]) + 1 if len(stood) else 0
    else:
        on = np.flatnonzero(within["launch_active"] > 0)
        first = int(on[-1]) + 1 if len(on) else 0
    first = min(first, len(t) - 1)
    held, rpm = _held(within["engine_speed"][:first])
    return Launch(int(t[first]), held, rpm, float(within.boost[max(first - 1, 0)]))


def _held(rpm: Floats) -> tuple[float, float]:
    """Return for how many seconds an engine was held before the car moved, and at which speed (NaN: not known).

    The last moments are the clutch's: the speed is the middle of what came before them.
    """
    known = rpm[np.isfinite(rpm)]
    if not len(known):
        return 0.0, math.nan
    before = known[: -CLUTCH // STEP] if len(known) > 2 * CLUTCH // STEP else known
    middle = float(np.median(before[-(S // STEP) :]))
    rows = int((np.abs(known - middle) <= 2.0 * HELD_WITHIN).sum())
    return (rows * STEP / S if rows * STEP >= HELD_FOR else 0.0), middle


def _gears(rows: Rows) -> tuple[tuple[int, ...], tuple[float, ...], Floats]:
    """Return gears and ratios in the order driven, and for each row the gear (0: ratio known alone; NaN: neither)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(rows.speed > 10.0, rows["engine_speed"] / rows.speed, math.nan)
    gear = rows["gear"]
    least = GEAR_FOR // STEP
    order: list[int] = []
    ratios: list[float] = []
    if np.isfinite(gear).any():
        for begin, end in _constant(gear):
            value = int(gear[begin])
            if value >= 1 and end - begin >= least and (not order or order[-1] != value):
                order.append(value)
                part = ratio[begin:end][np.isfinite(ratio[begin:end])]
                ratios.append(float(np.median(part)) if len(part) else math.nan)
        return tuple(order), tuple(ratios), np.where(gear >= 1, gear, math.nan)
    for begin, end in _steady(ratio):
        if end - begin >= least:
            middle = float(np.median(ratio[begin:end]))
            if not ratios or abs(middle / ratios[-1] - 1.0) > RATIO:
                ratios.append(middle)
    one = len(ratios) <= 1
    return (), tuple(ratios), np.zeros(len(rows.t)) if one else np.full(len(rows.t), math.nan)


def _constant(values: Floats) -> list[tuple[int, int]]:
    """Return the stretches (places, end not within) of one value, those of NaN left out."""
    edges = np.flatnonzero(np.diff(values, prepend=math.nan) != 0)
    ends = np.append(edges[1:], len(values))
    return [(int(a), int(b)) for a, b in zip(edges, ends, strict=True) if np.isfinite(values[a])]


def _steady(ratio: Floats) -> list[tuple[int, int]]:
    """Return the stretches in which a ratio stays within half of `RATIO` of where it began."""
    found: list[tuple[int, int]] = []
    begin = -1
    for i, value in enumerate(ratio.tolist()):
        if begin >= 0 and not abs(value / ratio[begin] - 1.0) <= RATIO / 2.0:
            found.append((begin, i))
            begin = -1
        if begin < 0 and math.isfinite(value):
            begin = i
    if begin >= 0:
        found.append((begin, len(ratio)))
    return found


def _sorted_lifts(lifts: Sequence[Span], rows: Rows) -> tuple[list[Span], list[Span]]:
    """Return those lifts in which the gear changed, and those in which only the foot did."""
    shifts: list[Span] = []
    others: list[Span] = []
    for lift in lifts:
        before = rows.between(lift.begin - S // 2, lift.begin)
        after = rows.between(lift.end, lift.end + S // 2)
        changed = None
        was, then = _middle(before["gear"]), _middle(after["gear"])
        if math.isfinite(was) and math.isfinite(then):
            changed = was != then
        else:
            with np.errstate(divide="ignore", invalid="ignore"):
                one = _middle(np.where(before.speed > 10.0, before["engine_speed"] / before.speed, math.nan))
                two = _middle(np.where(after.speed > 10.0, after["engine_speed"] / after.speed, math.nan))
            if math.isfinite(one) and math.isfinite(two):
                changed = abs(two / one - 1.0) > RATIO
        (shifts if changed else others).append(lift)
    return shifts, others


def _middle(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _cuts(within: Rows) -> list[Span]:
    cutting = np.where(np.isfinite(within["cut_active"]), within["cut_active"], 0.0) > 0
    edges = np.flatnonzero(np.diff(np.concatenate(([False], cutting, [False])).astype(np.int8)))
    ends = np.append(within.t, within.t[-1] + STEP)
    return [Span(int(ends[a]), int(ends[b])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _sweeps(moving: Rows, gear: Floats) -> dict[int, float]:
    """Return for each gear the rpm/s of its longest stretch under full load without a cut, by least squares."""
    rpm, foot = moving["engine_speed"], moving.foot
    fine = np.isfinite(rpm) & np.isfinite(gear) & ~(moving["cut_active"] > 0) & ~(foot < LIFTED)
    out: dict[int, float] = {}
    for value in sorted({int(one) for one in gear[fine].tolist()}):
        edges = np.flatnonzero(np.diff(np.concatenate(([False], fine & (gear == value), [False])).astype(np.int8)))
        longest = max(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True), key=lambda one: one[1] - one[0])
        first, last = longest
        if (last - first) * STEP < S // 2:
            continue
        seconds = moving.t[first:last] / S
        out[value] = float(np.polyfit(seconds - seconds[0], rpm[first:last], 1)[0])
    return out


def _class(
    segment: Segment,
    profile: str,
    standing: bool,
    metres: float,
    within: Rows,
    after: Rows,
    moving: Rows,
    launch: Launch | None,
    lifts: Sequence[Span],
) -> Class | None:
    if standing:
        if profile != "dyno" and _burns(within, after, metres):
            return Class.BURNOUT
        still = math.isfinite(metres) and metres < 1.0
        if still and (launch is None or launch.held < STILL_HELD):
            return None
        if profile == "dyno" or not metres >= PASS_METRES:
            far = not math.isfinite(metres) and profile != "dyno" and launch is not None
            if not far or segment.end - (launch.release if launch else 0) < 4 * S:
                return Class.LAUNCH_PRACTICE
        return Class.PEDALLED_PASS if lifts else Class.PASS
    if _holds(moving):
        return Class.LOAD_HOLD
    if math.isfinite(metres) and metres < 1.0:
        return None
    return Class.PULL if profile == "dyno" else Class.STREET_PULL


def _burns(within: Rows, after: Rows, metres: float) -> bool:
    """Whether wheels turned and no car: by wheel speeds, else because they stop faster than a car can."""
    spun = int(within.spin.sum()) * STEP
    if spun >= S // 2:
        slow = np.nanmin(np.stack([within[name] for name in ("wheel_speed_fl", "wheel_speed_fr")] + [within.speed]))
        return bool(slow < STANDS) and spun * 2 >= len(within.t) * STEP
    speed = np.concatenate((within.speed[-5:], after.speed)) / 3.6
    known = speed[np.isfinite(speed)]
    span = 15  # rows: 0.3 s
    if len(known) <= span or not math.isfinite(metres):
        return False
    fall = (known[:-span] - known[span:]).max() / (span * STEP / S)
    return bool(fall > WHEELS_STOP)


def _holds(rows: Rows) -> bool:
    """Whether the engine was held at one speed under load for most of the time."""
    rpm = rows["engine_speed"]
    known = rpm[np.isfinite(rpm)]
    n = STEADY_FOR // STEP
    if len(known) < n:
        return False
    middle = float(np.median(known))
    near = np.abs(known - middle) <= 0.5 * STEADY_SHARE * middle
    if near.sum() < max(n, len(known) // 2):
        return False
    part = np.flatnonzero(near)
    seconds = part * (STEP / S)
    return bool(abs(np.polyfit(seconds, known[part], 1)[0]) < STEADY_RPM)


def _ended(
    segment: Segment,
    within: Rows,
    after: Rows,
    cuts: Sequence[Span],
    shifts: Sequence[Span],
    protection: Mapping[str, float],
) -> Ended:
    match segment.cause:
        case "open":
            return Ended.OPEN
        case "lost":
            return Ended.LOST
        case "stopped":
            return Ended.STOPPED
    limit = protection.get("engine_speed", math.nan)
    rpm = within["engine_speed"]
    if cuts and not any(shift.begin <= cuts[-1].begin <= shift.end for shift in shifts):
        last = cuts[-1]
        if (
            last.end >= segment.end - 2 * STEP
            and last.end - last.begin >= CUT_LASTS
            and last.begin > segment.end - CUT_BEFORE
        ):
            at = within.between(last.begin - 5 * STEP, last.begin + 5 * STEP)
            top = np.nanmax(at["engine_speed"]) if np.isfinite(at["engine_speed"]).any() else math.nan
            if top >= limit - NEAR_LIMIT:
                return Ended.LIMITER
            code = at["cut_active"][at["cut_active"] > 0]
            return CUTS.get(int(code[0]), Ended.CUT) if len(code) else Ended.CUT
        recent = [cut for cut in cuts if cut.begin > segment.end - CUT_BEFORE]
        if len(recent) >= 2 and np.nanmax(rpm[-(S // STEP) :]) >= limit - NEAR_LIMIT:  # on and off, on and off
            return Ended.LIMITER
    foot = np.concatenate((within.foot[-10:], after.foot))
    if not np.isfinite(foot).any():
        return Ended.UNKNOWN
    late = rpm[-25:]
    if (
        len(late) >= 25
        and np.isfinite(late).all()
        and np.nanmin(within.foot[-25:]) >= FULL
        and np.polyfit(np.arange(len(late)) * (STEP / S), late, 1)[0] < FALLS
        and not any(cut.end > segment.end - S for cut in cuts)
    ):
        return Ended.OPERATOR
    return Ended.LIFT
