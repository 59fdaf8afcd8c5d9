"""What boost would a duty give: from open-loop runs, by two models of the actuator, or why it cannot be told.

No duty is ever proposed. The owner asks for one (`pullwatch review --duty 41`); unasked, the answer says what the
duties driven gave, and what one step of the pick list beyond the highest of them would.

`data["groups"]`: for each gear and sweep rate its runs, the duties driven, the models and what they say of the duty
asked. `data["picture"]`: {"kind": "scatter", "x": "duty, %", "y": "boost, kPa gauge", "groups": [{"name", "points":
[[duty, boost, run], …], "curve": [[duty, line, balance, least, most], …]}]}, the curve only as far as it is told.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.review.answer import Answer
from pullwatch.review.boost import (
    BEYOND_DUTY,
    STEP_DUTY,
    Stretch,
    beyond,
    grouped,
    missing,
    refusal,
    stretches,
)
from pullwatch.review.boost_fit import usual_mean
from pullwatch.review.intervals import Interval, mean

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.boost import Group
    from pullwatch.review.boost_fit import Models, Predicted

QUESTION: Final = "What boost would a duty give?"
ACTUATOR: Final = "actuator_preload"
"""The item of the pick list that makes earlier runs another actuator's."""
CURVE: Final = 21
FACTS: Final = (
    ("spool", "s", 2, 0.03), ("spool_rpm", "rpm", 0, 40.0), ("overshoot", "kPa", 1, 0.5),
    ("drift", "kPa per 1,000 rpm", 1, 0.2),
)  # fmt: skip
"""How a run came to its boost: name, unit, digits, and what sampling alone leaves open (±; common practice, no source).

`spool` to 90 % of the settled boost, `drift` of it over engine speed: creep above 0, taper below."""
NOT_PROPOSED: Final = "figures only: which duty is driven is the owner's decision"


def answer(reviewed: Reviewed) -> Answer:
    """Return what the duties driven gave and what the one asked would; `refused` where no group can tell."""
    if reviewed.runs.why_not:
        return Answer(QUESTION, (), refused=reviewed.runs.why_not)
    lacking = missing(reviewed.table)
    if lacking:
        return Answer(QUESTION, (), refused=lacking)
    found, notes = _gathered(reviewed)
    groups = grouped(found)
    if not groups:
        why = "no run has settled boost under a full foot."
        return Answer(QUESTION, tuple(notes), {"groups": []}, refused=why)
    lines: list[str] = []
    data: list[dict[str, Any]] = []
    refusals: list[str] = []
    told = False
    for group in groups:
        said, row, refused = _group(reviewed, group)
        lines += said
        data.append(row)
        refusals += [refused] if refused else []
        told = told or not refused
    lines += [f"not used: {note}" for note in notes]
    if told:
        lines.append(NOT_PROPOSED)
    picture = {
        "kind": "scatter", "x": "duty, %", "y": "boost, kPa gauge",
        "groups": [{"name": row["name"], "points": row["points"], "curve": row["curve"]} for row in data],
    }  # fmt: skip
    whole = {"asked": reviewed.duty, "groups": data, "not_used": notes, "picture": picture}
    return Answer(QUESTION, tuple(lines), whole, refused="" if told else refusals[0])


def _gathered(reviewed: Reviewed) -> tuple[list[Stretch], list[str]]:
    """Return the stretches of all sessions in order of time, and why others were left out."""
    found: list[Stretch] = []
    notes: list[str] = []
    order = 0
    for session in (*reviewed.before, reviewed):
        table = session.table
        other = _other_car(reviewed, session)
        if other:
            notes.append(f"session {table.session}: {other}")
            continue
        for run in session.runs.runs:
            order += 1
            made, why = stretches(table, run, order)
            found += made
            notes += [one if session is reviewed else f"{one} (session {table.session})" for one in why]
    return found, notes


def _other_car(reviewed: Reviewed, session: Reviewed) -> str:
    """Say why an earlier session tells nothing of this one's actuator; empty if it may."""
    if session is reviewed:
        return ""
    if session.table.car.name != reviewed.table.car.name:
        return "another car"
    lacking = missing(session.table)
    if lacking:
        return lacking
    begin, end = session.table.wall_at(session.table.begin), reviewed.table.wall_at(reviewed.table.end)
    if begin is None or end is None:
        return "its time of day is not known, so neither is what was changed since"
    changed = [one for one in reviewed.given.changed_between(begin, end) if one.item == ACTUATOR]
    return f"since then: {changed[-1].line()}" if changed else ""


def _group(reviewed: Reviewed, group: Group) -> tuple[list[str], dict[str, Any], str]:
    """Return lines, data and refusal of one group."""
    row: dict[str, Any] = {"name": "", "points": [], "duties": [], "asked": None, "curve": [], "left_out": group.apart}
    if not group.stretches:
        why = "closed loop: in no run of this gear did the duty stand still or follow a known base."
        return [f"a gear: cannot tell, {why}", *(f"  {one}" for one in group.apart)], {**row, "refused": why}, why
    row["name"] = group.name
    row["points"] = [
        [duty, boost, one.run] for duty, boost, one in zip(group.duties, group.boosts, group.stretches, strict=True)
    ]
    speeds = group.speeds
    where = f", from {speeds[0]:,.0f} to {speeds[1]:,.0f} rpm" if speeds is not None else ""
    lines = [f"{group.name}, open loop{where}:"]
    for places in group.by_duty():
        said, facts = _driven(group, places)
        lines.append(f"  {said}")
        row["duties"].append(facts)
    models = group.models()
    refused, said_asked, asked = _asked(reviewed, group, models)
    lines += [f"  {one}" for one in said_asked]
    lines += [f"  not with them: {one}" for one in group.apart]
    row["asked"], row["refused"] = asked, refused
    if models is not None and not refused:
        row["models"] = {
            "line": {"at_kpa": models.line.at, "kpa_per_percent": _each(models.line.slope_interval(), 0.01)},
            "balance": {"spring_kpa": models.balance.spring, "gain": models.balance.gain},
            "scatter_share": models.line.s,
        }
        row["curve"] = list(_curve(group, models))
    return lines, row, refused


def _asked(reviewed: Reviewed, group: Group, models: Models | None) -> tuple[str, list[str], dict[str, Any] | None]:
    """Return refusal, lines and data of the duty asked, or of one step beyond the highest driven."""
    highest = max(group.duties)
    duty = reviewed.duty if reviewed.duty is not None else round(highest) + STEP_DUTY
    what = f"{duty:g} % duty" if reviewed.duty is not None else f"one step of the pick list, {duty:g} % duty"
    if reviewed.duty is None and duty > 100.0:
        return "", ["the highest duty driven is the highest there is"], None
    barometric = group.stretches[-1].barometric
    ceiling = _ceiling(reviewed, barometric)
    refused = refusal(group, duty, models, ceiling)
    if refused or models is None:
        return refused, [f"{what}: cannot tell, {refused}"], None
    said = models.next_run(duty)
    lines = [f"{what}: {_words(said)}"]
    absolute = said.most + barometric
    cuts = reviewed.table.protection.get("manifold_pressure", math.nan)
    if math.isfinite(absolute):
        more = f"; the controller itself cuts at {cuts:.0f} kPa absolute" if math.isfinite(cuts) else ""
        lines.append(f"its upper end is {absolute:.0f} kPa absolute at {barometric:.1f} kPa barometric{more}")
    data = {
        "duty": duty, "line": list(said.line), "balance": list(said.balance), "least": said.least, "most": said.most,
        "most_absolute": _known(absolute), "by_owner": reviewed.duty is not None,
    }  # fmt: skip
    return "", lines, data


def _words(said: Predicted) -> str:
    return (
        f"{said.least:.1f} to {said.most:.1f} kPa gauge in the next run (95 %, both models; a line gives "
        f"{said.line.value:.1f}, the balance of forces on the actuator {said.balance.value:.1f}; a line errs low)"
    )


def _ceiling(reviewed: Reviewed, barometric: float) -> float:
    """Return from which gauge boost on the sensor only says "at least this", infinite if it is not known to."""
    ceilings = reviewed.table.ceilings
    ends = [ceilings[name] - less for name, less in (("boost", 0.0), ("manifold_pressure", barometric))
            if name in ceilings and math.isfinite(less)]  # fmt: skip
    return min(ends, default=math.inf)


def _driven(group: Group, places: Sequence[int]) -> tuple[str, dict[str, Any]]:
    """Say what one duty gave, in words and as data."""
    runs = [group.stretches[i] for i in places]
    duty = float(np.mean([one.duty for one in runs]))
    settled = usual_mean([group.boosts[i] for i in places])
    numbers = ", ".join(str(one.run) for one in runs)
    parts = [f"settled {settled.text(1, 'kPa gauge')}"]
    facts: dict[str, Any] = {"duty": duty, "runs": [one.run for one in runs], "settled_kpa": _each(settled)}
    for key, unit, digits, floor in FACTS:
        known = [value for value in (getattr(one, key) for one in runs) if math.isfinite(value)]
        if not known:
            facts[key] = None
            continue
        span = mean(known).widened(floor)
        facts[key] = _each(span)
        parts.append(f"{_word(key, span)} {_span(span, digits, unit)}")
    one_run = "; one run cannot tell how much spool, overshoot and drift vary" if len(runs) == 1 else ""
    word = "run" if len(runs) == 1 else "runs"
    return f"{duty:.1f} % ({word} {numbers}): {', '.join(parts)}{one_run}", facts


def _word(key: str, span: Interval) -> str:
    if key != "drift":
        return {"spool": "spooled in", "spool_rpm": "by", "overshoot": "overshoot"}[key]
    if math.isfinite(span.half) and span.holds(0.0):
        return "neither creep nor taper to be told,"
    return "creep" if span.value > 0 else "taper"


def _span(span: Interval, digits: int, unit: str) -> str:
    """Write an interval; of one run, which none bounds, the value alone."""
    value, least, most = (f"{round(each, digits) + 0.0:,.{digits}f}" if math.isfinite(each) else "" for each in span)
    return f"{value} ({least} to {most}) {unit}" if least else f"{value} {unit}"


def _curve(group: Group, models: Models) -> Iterator[list[float]]:
    """Yield what a picture needs: duty, line, balance, least, most; only where something would be told."""
    low, high = min(group.duties) - BEYOND_DUTY, max(group.duties) + BEYOND_DUTY
    for duty in np.linspace(max(0.0, low), min(100.0, high), CURVE).tolist():
        said = models.next_run(duty)
        if not beyond(group, duty, models):
            yield [duty, said.line.value, said.balance.value, said.least, said.most]


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _each(span: Interval, factor: float = 1.0) -> list[float | None]:
    """Return value, least and most as plain JSON; what nothing bounds is null."""
    return [_known(value * factor) for value in span]
