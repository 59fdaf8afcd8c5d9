"""Is the oil doing its job: pressure brought to one temperature and speed, session against session; laboratory trends.

`data["picture"]`: {"kind": "scatter", "x": "session", "y": "kPa gauge", "series": [{"session", "points": [[place, kPa,
least, most]]}, …]}.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.review.answer import Answer
from pullwatch.review.intervals import Interval, line
from pullwatch.review.oil import RUNS_AT, STEP_C, Compared, Level, Session, changed, compare, session_of, thinning
from pullwatch.review.table import S

if TYPE_CHECKING:
    from pullwatch.review.answer import Reviewed
    from pullwatch.review.given import Given, OilReport

QUESTION: Final = "Is the oil doing its job?"
STARTS: Final = 2 * S
"""ns after the start and before the stop of the engine in which the pressure comes and goes."""
LOOK: Final = (
    "look at: oil level, pickup and its seal, relief valve and spring, filter, fuel in the oil, bearing clearance; "
    "hold a mechanical gauge against the sensor"
)
REPORTS: Final = 3
"""Reports of the laboratory from which on a figure has a trend."""
METAL, OTHER = 0.10, 0.02
"""± share by which a laboratory differs from itself: metals in ppm, and all other figures (common practice)."""


def answer(reviewed: Reviewed) -> Answer:
    """Return the oil pressure at one speed and temperature, what became of it since earlier sessions, and the figures.

    Refuses without an oil temperature to ± 3 °C; what the laboratory found is told all the same.
    """
    figures, trends = _figures(reviewed.given)
    here = session_of(reviewed.table, reviewed.runs, reviewed.given)
    data: dict[str, Any] = {"laboratory": trends}
    if isinstance(here, str):
        return Answer(QUESTION, (*_raw(reviewed), *figures), data, refused=f"{here}.")
    sessions: list[Session] = []
    left_out: list[str] = []
    for one in reviewed.before:
        if one.table.car.name != reviewed.table.car.name:
            continue
        earlier = session_of(one.table, one.runs, reviewed.given)
        if isinstance(earlier, str):
            left_out.append(f"{one.table.session} is left out: {earlier}")
        else:
            sessions.append(earlier)
    compared = compare([*sessions, here])
    if isinstance(compared, str):
        return Answer(QUESTION, (*_raw(reviewed), *figures), data, refused=f"{compared}.")
    lines = _lines(compared, data)
    return Answer(QUESTION, (*lines, *left_out, *figures), data)


def _raw(reviewed: Reviewed) -> list[str]:
    """Say the raw fact: the least pressure of the running engine."""
    table = reviewed.table
    pressure = table.get("oil_pressure")
    if pressure is None:
        return []
    good = pressure.good(table.begin, table.end)
    rpm = table.on("engine_speed", good.t)
    running = rpm > RUNS_AT
    for off in (-STARTS, STARTS):  # not while it is started or comes to a stop
        running &= table.on("engine_speed", good.t + off) > RUNS_AT
    if not running.any():
        return []
    v, t, n = good.v[running], good.t[running], rpm[running]
    place = int(np.argmin(v))
    oil = table.at("oil_temperature", int(t[place]))
    warm = f", oil shown at {oil:.0f} °C" if math.isfinite(oil) else ""
    return [f"least oil pressure with the engine running: {v[place]:.0f} kPa gauge at {n[place]:,.0f} rpm{warm}"]


def _lines(compared: Compared, data: dict[str, Any]) -> list[str]:
    new = compared.levels[-1]
    at = f"{compared.rpm:,.0f} rpm and {compared.celsius:.0f} °C"
    pressure = compared.pressure(new)
    oil = new.session.oil
    grade = f"oil {oil.text}" if oil.text else "which oil is in it was not written down"
    relief = new.session.relief
    seen = f"; the highest above 3,000 rpm is {relief:.0f} kPa gauge" if math.isfinite(relief) else ""
    over = f"over {len(new.stretches)} steady stretches"
    lines = [f"oil pressure at {at}: {pressure.text(0, 'kPa gauge')} {over}; {grade}{seen}"]
    data |= {
        "rpm": compared.rpm,
        "celsius": compared.celsius,
        "exponent": [compared.exponent, compared.doubt],
        "sessions": [_plain(compared, one) for one in compared.levels],
        "changes": [],
        "picture": _picture(compared),
    }
    earlier = compared.levels[:-1]
    if not earlier:
        return [*lines, "whether it is less than it was: cannot tell, no earlier session can be held against it"]
    for old in earlier[:1] + earlier[1:][-1:]:
        lines += _change(compared, new, old, data)
    if len(compared.levels) >= 4:
        lines += _trend(compared, data)
    return lines


def _change(compared: Compared, new: Level, old: Level, data: dict[str, Any]) -> list[str]:
    """Say what became of it since an earlier session."""
    change = compared.change(new, old)
    other = changed(new.session, old.session) and new.session.oil.text != old.session.oil.text
    data["changes"].append({"against": old.session.name, "percent": list(change), "other_oil": other})
    head = f"against {old.session.name}"
    if other and not (new.session.oil.known and old.session.oil.known):
        return [f"{head}: cannot tell, the oil is another and its grade is not known"]
    said = f"{head}, at the same temperature and speed: {change.text(0, '%')}"
    lines = []
    if change.most < 0.0:
        degrees = -math.log1p(change.value / 100.0) / thinning(compared.celsius)
        lines.append(
            f"{said}: less than it was, as much as oil {degrees:.0f} °C hotter or {degrees / STEP_C:.1f} of a step of "
            "grade thinner would do; fuel in the oil thins it too"
        )
        lines.append(LOOK)
    elif change.least > 0.0:
        lines.append(f"{said}: more than it was; a relief valve that sticks, or thicker oil than written down, does so")
    else:
        lines.append(f"{said}: no difference that can be told")
    if changed(new.session, old.session):
        was = f"{old.session.oil.text or 'not known'} to {new.session.oil.text or 'not known'}"
        lines.append(f"  the oil was changed between ({was}): fresh oil and wear cannot be told apart here")
    return lines


def _trend(compared: Compared, data: dict[str, Any]) -> list[str]:
    """Say how it went over the sessions of one filling."""
    new = compared.levels[-1].session
    same = [one for one in compared.levels if not changed(new, one.session)]
    if len(same) < 4:
        return []
    found = line(range(len(same)), [float(np.mean(one.stretches)) for one in same])
    slope = Interval(*(100.0 * math.expm1(one) for one in found.slope_interval()))
    data["trend_percent_a_session"] = list(slope)
    word = "no trend that can be told" if slope.holds(0.0) else "falling" if slope.value < 0 else "rising"
    return [f"over {len(same)} sessions of this oil: {slope.text(1, '% a session')}: {word}"]


def _figures(given: Given) -> tuple[list[str], list[dict[str, Any]]]:
    """Return what the laboratory found, figure by figure in order of time, as lines and as plain data."""
    by_name: dict[tuple[str, str], list[tuple[OilReport, float]]] = {}
    for report in given.oil:
        for name, (value, unit) in report.figures.items():
            by_name.setdefault((name, unit), []).append((report, value))
    lines: list[str] = []
    data: list[dict[str, Any]] = []
    for (name, unit), found in by_name.items():
        values = [value for _, value in found]
        row: dict[str, Any] = {"name": name, "unit": unit, "values": values, "per_1000_km": None}
        said = f"laboratory, {name}: {', '.join(f'{value:g}' for value in values)} {unit}".rstrip()
        rates = [
            1_000.0 * value / report.distance_km for report, value in found if report.distance_km and unit == "ppm"
        ]
        if len(rates) == len(found) and rates:
            row["per_1000_km"] = rates
            said += f" ({', '.join(f'{rate:.1f}' for rate in rates)} for every 1,000 km on the oil)"
        if len(found) < REPORTS:
            said += f"; {REPORTS} reports are needed for a trend"
        else:
            told = rates if row["per_1000_km"] else values
            fitted = line(range(len(found)), told)
            own = (METAL if unit == "ppm" else OTHER) * abs(float(np.mean(told))) / math.sqrt(fitted.xx)
            slope = fitted.slope_interval().widened(own)
            row["slope"] = list(slope)
            word = "no trend that can be told" if slope.holds(0.0) else "rising" if slope.value > 0 else "falling"
            said += f"; {slope.text(1, 'a report')}: {word}"
        lines.append(said)
        data.append(row)
    return lines, data


def _plain(compared: Compared, one: Level) -> dict[str, Any]:
    session = one.session
    return {
        "session": session.name, "pressure_kpa": list(compared.pressure(one)), "stretches": len(one.stretches),
        "oil": session.oil.text, "relief_kpa": session.relief if math.isfinite(session.relief) else None,
        "temperature_accuracy": session.accuracy,
    }  # fmt: skip


def _picture(compared: Compared) -> dict[str, Any]:
    series = [
        {"session": one.session.name, "points": [[place, *map(float, compared.pressure(one))]]}
        for place, one in enumerate(compared.levels)
    ]
    return {"kind": "scatter", "x": "session", "y": "kPa gauge", "series": series}
