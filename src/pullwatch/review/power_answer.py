"""Does power fall away: each run in % of its own smooth trend, with its band, and whether it looks like valve float.

`data["picture"]`: {"kind": "scatter", "x": "rpm", "y": "% of own trend", "series": [{"run", "session", "points":
[[rpm, percent, least, most], …]}, …]}.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.review.answer import Answer
from pullwatch.review.comparing import comparable
from pullwatch.review.intervals import Interval, mean, student
from pullwatch.review.power import MOST_UNSEEN, WINDOW, valve_force
from pullwatch.review.table import S
from pullwatch.review.valves import REPEATS, RUNS, Fallen, looked_at, repeating

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.power import Windows

QUESTION: Final = "Does power fall away?"
BEFORE: Final = 3
"""Runs before the last from which on it is held against them."""
INSPECT: Final = (
    "look at: valve springs (force seated and open, installed height, broken or tired ones), retainers and keepers, "
    "followers or lifters, cam lobes; then a leak-down test for valves that have touched"
)


def answer(reviewed: Reviewed) -> Answer:
    """Return power along engine speed for every run, where it breaks off, and what speaks for and against valve float.

    Refuses with one run, and where all runs slip.
    """
    if reviewed.runs.why_not:
        return Answer(QUESTION, (), refused=reviewed.runs.why_not)
    seen = looked_at(reviewed)
    lines = [f"mean of windows of {WINDOW / S:g} s, always; 100 % is the run's own smooth curve through what is below"]
    for one in seen:
        lines += _run_lines(one, reviewed)
    told = [one for one in seen if one.course is not None]
    data: dict[str, Any] = {
        "window_s": WINDOW / S,
        "runs": [_plain(one) for one in seen],
        "picture": _picture(told),
        "valve_float": "cannot tell",
    }
    if not seen:
        return Answer(QUESTION, (), data, refused="there is no run at full load.")
    if not told:
        return Answer(QUESTION, tuple(lines), data, refused=f"no run can be looked at: {seen[-1].why_not}.")
    sources = sorted({one.course.windows.source for one in told if one.course is not None})
    lines.insert(1, f"power is from {'; '.join(sources)}")
    if len(told) == 1:
        return Answer(QUESTION, tuple(lines), data, refused="one run: what does not come again may be chance.")
    lines += _together(told, data)
    lines += _level(told, reviewed, data)
    lines += _force(reviewed, data)
    return Answer(QUESTION, tuple(lines), data)


def name_of(one: Fallen, reviewed: Reviewed) -> str:
    """Name a run: by its number, and its session where it is an earlier one."""
    elsewhere = "" if one.session == reviewed.table.session else f" of {one.session}"
    return f"run {one.run.number}{elsewhere}"


def _run_lines(one: Fallen, reviewed: Reviewed) -> list[str]:
    name = name_of(one, reviewed)
    made = one.course
    if made is None:
        return [f"{name}: cannot tell: {one.why_not}"]
    rpm = made.windows.rpm
    over = f"{rpm[0]:,.0f} to {rpm[-1]:,.0f} rpm in {made.windows.gear}"
    if made.broken is None:
        if made.least_seen > MOST_UNSEEN:
            return [f"{name}: cannot tell: {over} is too short a stretch to show where power falls away"]
        least = f"a fall of less than {made.least_seen:.0f} % at the top would not show"
        return [f"{name}: follows its own trend over {over}; {least}"]
    onset = made.broken.onset
    top = made.percent[-1]
    head = "power falls away" if one.falls else "power bends down, less than can be told from a healthy shape,"
    place = f"from {onset.value:,.0f} ({onset.least:,.0f} to {onset.most:,.0f}) rpm"
    lines = [f"{name}: {head} {place}; at {rpm[-1]:,.0f} rpm it is {top.text(0, '% of its trend')}, over {over}"]
    if one.falls:
        said = [f"{sign.says}{'' if sign.holds is not None else ' (cannot tell)'}" for sign in one.signs]
        lines.append(f"  beside it: {'; '.join(said)}")
        if one.against:
            lines.append(f"  this alone could take the power: {'; '.join(each.says for each in one.against)}")
    return lines


def _together(told: Sequence[Fallen], data: dict[str, Any]) -> list[str]:
    """Say what the runs have in common."""
    falling = [one for one in told if one.falls]
    if not falling:
        return [f"in none of {len(told)} runs does power surely fall away; that says nothing of speeds not driven"]
    group = repeating(told)
    onsets = [one.onset for one in group]
    courses = [one.course for one in group if one.course is not None]
    common = min((float(one.windows.rpm[-1]) for one in courses), default=math.nan)
    tops = [float(np.interp(common, one.windows.rpm, [each.value for each in one.percent])) for one in courses]
    lines = []
    if len(group) >= 2:
        depth, place = mean(tops), mean(onsets)
        data["onset_rpm"] = list(place)
        data["top_percent"], data["top_rpm"] = list(depth), common
        many = f"in {len(group)} of {len(told)} runs the onset comes again at {place.value:,.0f} rpm"
        lines.append(
            f"{many} (single runs {min(onsets):,.0f} to {max(onsets):,.0f}); at {common:,.0f} rpm power is "
            f"{depth.text(0, '% of the trend')}"
        )
    else:
        lines.append(f"in {len(falling)} of {len(told)} runs power falls away, not at the same speed twice")
    signed = repeating([one for one in group if one.signature()])
    if len(signed) >= RUNS:
        data["valve_float"] = "fits"
        lines.append(
            f"this fits valves that float: {len(signed)} runs within ± {REPEATS:.0f} rpm with steady pressure at "
            "constant duty, richer than commanded, timing steady, no slip. It is no proof."
        )
        lines.append(INSPECT)
        lines.append("until then every run beyond that speed risks a valve on a piston")
        return lines
    explained = [one for one in falling if one.against]
    if explained:
        first = {cause.name: cause.says for one in explained for cause in one.against}.values()
        lines.append(f"look for this first: {'; '.join(first)}")
        data["valve_float"] = "something else first"
    open_ = sorted({sign.says for one in falling for sign in one.signs if sign.holds is None})
    missing = f"; what is missing: {'; '.join(open_)}" if open_ else ""
    lines.append(
        f"whether valves float: cannot tell; the whole signature stands in {len(signed)} runs, {RUNS} within "
        f"± {REPEATS:.0f} rpm are needed{missing}"
    )
    return lines


def _level(told: Sequence[Fallen], reviewed: Reviewed, data: dict[str, Any]) -> list[str]:
    """Hold the last run against those before it that it may be held against: the pull of the trend in mid-range."""
    last = told[-1]
    assert last.course is not None
    own = last.course.windows
    others = [
        one.course
        for one in told[:-1]
        if one.course is not None
        and _unit(one.course.windows) == _unit(own)
        and comparable(last.run, one.run).answer != "no"
    ]
    if len(others) < BEFORE:
        needed = f"{BEFORE} comparable ones before the last are needed (there are {len(others)})"
        return [f"against the car's own runs: cannot tell, {needed}"]
    rpm = (max(one.windows.rpm[0] for one in others) + min(one.windows.rpm[-1] for one in others)) / 2.0
    level = against([one.trend(rpm) for one in others], last.course.trend(rpm))
    data["level_percent"], data["level_rpm"] = list(level), float(rpm)
    than = f"of what {len(others)} comparable runs before it did at {rpm:,.0f} rpm, for the same manifold pressure"
    return [f"{name_of(last, reviewed)} pulls {level.text(0, '%')} {than}"]


def _unit(found: Windows) -> tuple[str, str, bool]:
    """Return what must be the same for two pulls to be in one unit."""
    return found.source, found.gear, math.isfinite(found.pressure[0])


def against(before: Sequence[float], now: float) -> Interval:
    """Return one run in % of the mean of others, with the scatter of single runs: ± t·s·√(1 + 1/n)."""
    middle = float(np.mean(before))
    spread = float(np.std(before, ddof=1)) * math.sqrt(1.0 + 1.0 / len(before))
    half = 100.0 * student(len(before) - 1) * spread / middle
    value = 100.0 * now / middle
    return Interval(value, value - half, value + half)


def _force(reviewed: Reviewed, data: dict[str, Any]) -> list[str]:
    """Say what boost does to the intake valve."""
    boosts = [card.numbers["peak boost"] for card in reviewed.cards if "peak boost" in card.numbers]
    if not boosts or max(boosts) <= 0:
        return []
    most, diameter = max(boosts), reviewed.table.car.intake_valve_mm
    if diameter is None:
        return ["how hard boost opens the intake valves: cannot tell, [review] intake_valve_mm is not stated"]
    force = valve_force(most, diameter)
    data["valve_force_n"] = force
    force_text = f"boost of {most:.0f} kPa gauge opens an intake valve of {diameter:g} mm with {force:.0f} N"
    return [f"{force_text}; the springs have to hold that beside the mass of the valve"]


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _plain(one: Fallen) -> dict[str, Any]:
    """Return a run as plain JSON values."""
    row: dict[str, Any] = {"run": one.run.number, "session": one.session, "why_not": one.why_not, "falls": one.falls}
    made = one.course
    if made is None:
        return row
    row["least_seen_percent"] = made.least_seen
    row["onset_rpm"] = None if made.broken is None else list(made.broken.onset)
    row["top_percent"] = [_known(value) for value in made.percent[-1]]
    row["signs"] = [{"name": sign.name, "holds": sign.holds, "says": sign.says} for sign in one.signs]
    row["against"] = [each.says for each in one.against]
    row["signature"] = one.signature()
    return row


def _picture(told: Sequence[Fallen]) -> dict[str, Any]:
    series = [
        {
            "run": one.run.number,
            "session": one.session,
            "points": [
                [rpm, *map(float, percent)]
                for rpm, percent in zip(one.course.windows.rpm.tolist(), one.course.percent, strict=True)
            ],
        }
        for one in told
        if one.course is not None
    ]
    return {"kind": "scatter", "x": "rpm", "y": "% of own trend", "series": series}
