"""Did the launch improve: 60 ft by the slip first, by the car's own speed next, and what was different in how it left.

The last launches, since something was last changed, are held against those before it; where nothing was changed, the
last one against all the others. `data["runs"]`: each launch with its times and facts. `data["comparison"]`: the
difference in s (below 0: better) with its interval, what it rests on, and the facts that differ. `data["picture"]`:
{"kind": "scatter", "x", "y", "groups": [{"name", "points": [[place, seconds, run], …], "bars": [[place, seconds, least,
most], …]}]}, a group a state; the bars are what the slip's last digit, or the rollout, leaves open.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.review.answer import Answer
from pullwatch.review.intervals import Interval, difference
from pullwatch.review.launch import FACTS, POINT, SLIP_DIGIT, Hit, changed, differ, hits, states
from pullwatch.review.run import Class

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.launch import Difference, Fact

QUESTION: Final = "Did the launch improve?"
WORDS: Final = {"slip": "60 ft by the slips", "car": "60 ft by the car's own speed"}
NO_SURFACE: Final = "the surface is not measured: what it did is in this difference too"


def answer(reviewed: Reviewed) -> Answer:
    """Return how the last launches stand against those before; `refused` where that is no more than chance."""
    if reviewed.runs.why_not:
        return Answer(QUESTION, (), refused=reviewed.runs.why_not)
    found, notes = _gathered(reviewed)
    here = [one for one in found if one.session == reviewed.table.session]
    lines: list[str] = []
    for one in here:
        lines += _hit_lines(one)
    data: dict[str, Any] = {
        "runs": [_plain(one) for one in found], "comparison": None, "picture": _picture(reviewed, found),
    }  # fmt: skip
    if not here:
        return Answer(QUESTION, (*_practised(reviewed), *notes), data, refused=_why_none(reviewed))
    said = _compare(reviewed, found)
    if isinstance(said, str):
        return Answer(QUESTION, (*lines, *notes), data, refused=said)
    line = f"{WORDS[said.by]}, {_named(said.new)} against {_named(said.old)}: {said.line()}"
    first = [line] if said.told else []
    why, facts = _why(reviewed, said)
    basis = [said.scatter.line()]
    if said.by == "car":
        least, most = reviewed.table.rollout
        basis.append(
            f"by the car's speed: with a rollout of {least:.2f} to {most:.2f} m in either run; slip of the wheels that "
            "the speed is taken from is not taken off. A slip's 60 ft tells more (`pullwatch logbook add slip`)"
        )
    data["comparison"] = {
        "by": said.by, "new": [[one.session, one.run] for one in said.new],
        "old": [[one.session, one.run] for one in said.old], "seconds": list(said.seconds), "told": said.told,
        "scatter_s": said.scatter.s, "scatter_own": said.scatter.own, "why": facts,
    }  # fmt: skip
    return Answer(QUESTION, (*first, *why, *basis, *lines, *notes), data, refused="" if said.told else line)


def _gathered(reviewed: Reviewed) -> tuple[list[Hit], list[str]]:
    """Return the launches of all sessions of this car in order of time, and what is to be said of them."""
    found: list[Hit] = []
    notes: list[str] = []
    for session in (*reviewed.before, reviewed):
        if session.table.car.name != reviewed.table.car.name:
            continue
        made = hits(session.table, session.runs.runs, reviewed.given)
        if made and session.table.wall is None and (found or len(made) > 1):
            notes.append(
                f"session {session.table.session} has no time of day: what was changed before, in and after it is not "
                "known"
            )
        found += made
    return found, notes


def _why_none(reviewed: Reviewed) -> str:
    if reviewed.table.profile == "dyno":
        return "there is no pass: on a dyno the car goes nowhere, and 60 ft mean nothing."
    return "there is no launch that went 60 ft."


def _practised(reviewed: Reviewed) -> list[str]:
    """Say how practice launches left, for what that is worth."""
    return [
        f"run {run.number}, {run.kind}: released at {run.launch.rpm:,.0f} rpm"
        + (f", boost {run.launch.boost:.0f} kPa gauge" if math.isfinite(run.launch.boost) else "")
        + f", held {run.launch.held:.1f} s; one run by itself cannot tell"
        for run in reviewed.runs.runs
        if run.launch is not None and run.kind is Class.LAUNCH_PRACTICE and math.isfinite(run.launch.rpm)
    ]


def _compare(reviewed: Reviewed, found: Sequence[Hit]) -> Difference | str:
    """Return the comparison, or why there is none with the raw fact beside it."""
    last = found[-1]
    fine = [one for one in found if not one.lifted]
    if last.lifted:
        return f"pedalled: {last.name}, {last.lifted}; its 60 ft{_time(last)} are no launch to compare."
    if len(fine) < 2:
        more = "" if len(found) == 1 else " that was not pedalled"
        return f"one run{more}: there is nothing to hold it against; 60 ft{_time(last)}."
    split = states(fine, reviewed.given)
    new, old = split[-1], split[-2] if len(split) > 1 else []
    if not old:
        new, old = new[-1:], new[:-1]
    for by in WORDS:
        a = [one for one in new if math.isfinite(one.seconds(by))]
        b = [one for one in old if math.isfinite(one.seconds(by))]
        if a and b:
            return differ(a, b, by, split if len(split) > 1 else [b])
    return (
        "no two of these launches have a 60 ft time of one kind: neither slips of both, nor a road speed from the "
        f"release to 60 ft in both; 60 ft{_time(last)}."
    )


def _time(one: Hit) -> str:
    if math.isfinite(one.slip):
        return f" in {one.slip:.3f} s by the slip"
    if one.car is not None:
        return f" in {one.car[0]:.2f} to {one.car[1]:.2f} s by the car's own speed"
    return ": not known, neither by a slip nor by a road speed"


def _named(found: Sequence[Hit]) -> str:
    """Name launches: `run 3 of tonight`, `runs 1, 2 of tonight and run 4 of yesterday`."""
    by_session: dict[str, list[str]] = {}
    for one in found:
        by_session.setdefault(one.session, []).append(str(one.run))
    return " and ".join(
        f"{'run' if len(runs) == 1 else 'runs'} {', '.join(runs)}{f' of {session}' if session else ''}"
        for session, runs in by_session.items()
    )


def _hit_lines(one: Hit) -> list[str]:
    parts = [f"60 ft{_time(one)}"]
    if math.isfinite(one.slip) and one.car is not None:
        parts.append(f"{one.car[0]:.2f} to {one.car[1]:.2f} s by the car's own speed")
        if not one.car[0] - SLIP_DIGIT <= one.slip <= one.car[1] + SLIP_DIGIT:
            longer = one.slip > one.car[1]
            off, why = ("longer", "slipping wheels") if longer else ("shorter", "a speed that lags")
            parts.append(f"the slip's is {off} than that allows: {why}, or another run's slip")
    if one.lifted:
        parts.append(f"pedalled: {one.lifted}")
    elif one.kind is Class.PEDALLED_PASS:
        parts.append("lifted after 60 ft, so these count")
    lines = [f"run {one.run}: {'; '.join(parts)}"]
    farther = [f"{point} {low:.2f} to {high:.2f} s" for point, (low, high) in one.times.items() if point != POINT]
    if farther:
        lines.append(f"  by the car's own speed: {', '.join(farther)}")
    facts = [
        f"{fact.says} {one.facts[fact.name]:,.{fact.digits}f} {fact.unit}"
        for fact in FACTS
        if math.isfinite(one.facts.get(fact.name, math.nan))
    ]
    unknown = [fact.says for fact in FACTS if not math.isfinite(one.facts.get(fact.name, math.nan))]
    if facts:
        lines.append(f"  {', '.join(facts)}")
    if unknown:
        lines.append(f"  not known: {', '.join(unknown)}")
    return lines


def _why(reviewed: Reviewed, said: Difference) -> tuple[list[str], list[dict[str, Any]]]:
    """Say what was changed and what differs in how they left, as facts: no cause is named where several stand."""
    changes = changed(reviewed.given, said.old[-1], said.new[0])
    lines = [f"changed between them: {one.line()}" for one in changes]
    told: list[str] = []
    facts: list[dict[str, Any]] = []
    for fact in FACTS:
        found = _fact(fact, said)
        if found is None:
            continue
        words, row = found
        facts.append(row)
        if row["differs"]:
            told.append(words)
    if told:
        lines.append(f"different in how they left: {'; '.join(told)}")
    else:
        lines.append("in how they left nothing that is measured differs by more than it usually does")
    several = len(changes) + len(told)
    if several > 1:
        lines.append(f"which of these {several} it was cannot be told: they came together")
    lines.append(NO_SURFACE)
    return lines, facts


def _fact(fact: Fact, said: Difference) -> tuple[str, dict[str, Any]] | None:
    new = [one.facts[fact.name] for one in said.new if math.isfinite(one.facts.get(fact.name, math.nan))]
    old = [one.facts[fact.name] for one in said.old if math.isfinite(one.facts.get(fact.name, math.nan))]
    if not new or not old:
        return None
    a, b = float(np.mean(new)), float(np.mean(old))
    span = difference(new, old)
    bounded = math.isfinite(span.half)
    differs = abs(a - b) >= fact.counts and (not bounded or not span.holds(0.0))
    words = f"{fact.says} {a:,.{fact.digits}f} {fact.unit} against {b:,.{fact.digits}f} ({_by(span, fact)})"
    row = {"name": fact.name, "unit": fact.unit, "new": a, "old": b, "difference": _bounds(span), "differs": differs}
    return words, row


def _by(span: Interval, fact: Fact) -> str:
    if not math.isfinite(span.half):
        return f"{span.value:+,.{fact.digits}f}; two runs give no interval"
    return f"{span.value:+,.{fact.digits}f}, 95 % {span.least:+,.{fact.digits}f} to {span.most:+,.{fact.digits}f}"


def _bounds(span: Interval) -> list[float | None]:
    return [value if math.isfinite(value) else None for value in span]


def _plain(one: Hit) -> dict[str, Any]:
    """Return a launch as plain JSON values; what is not known is null."""
    return {
        "session": one.session, "run": one.run, "kind": str(one.kind), "lifted": one.lifted,
        "slip_60ft_s": one.slip if math.isfinite(one.slip) else None,
        "car_s": {point: list(span) for point, span in one.times.items()},
        "facts": {name: value if math.isfinite(value) else None for name, value in one.facts.items()},
    }  # fmt: skip


def _picture(reviewed: Reviewed, found: Sequence[Hit]) -> dict[str, Any]:
    groups: list[dict[str, Any]] = []
    place = 0
    for number, state in enumerate(states(found, reviewed.given)):
        points: list[list[Any]] = []
        bars: list[list[float]] = []
        for one in state:
            place += 1
            by = "slip" if math.isfinite(one.slip) else "car"
            seconds = one.seconds(by)
            if not math.isfinite(seconds):
                continue
            points.append([place, seconds, one.run])
            if by == "car" and one.car is not None:
                bars.append([place, seconds, *one.car])
            else:
                bars.append([place, seconds, seconds - SLIP_DIGIT, seconds + SLIP_DIGIT])
        name = "before anything was changed" if not number else f"after change {number}"
        groups.append({"name": name, "points": points, "bars": bars})
    if len(groups) == 1:
        groups[0]["name"] = "nothing changed between them that was written down"
    return {"kind": "scatter", "x": "launch, in order", "y": {"name": "60 ft", "unit": "s"}, "groups": groups}
