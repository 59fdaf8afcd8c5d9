"""Was that knock: every rise of the retard with what stood beside it. Treated as real, whatever the evidence.

`data["picture"]`: {"kind": "scatter", "x": "rpm", "y": "kPa absolute", "series": [{"run", "session", "points":
[[rpm, kPa, degrees], …]}, …]}.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.answer import Answer
from pullwatch.review.knock import GAS, Heard, at_one_speed, first_mode, heard, not_mechanical, runs_of
from pullwatch.review.valves import looked_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.knock import Evidence, Knock

QUESTION: Final = "Was that knock?"
TOLD: Final = 6
"""Events told one by one, the largest first; the others are counted, and stand whole in the data."""
REAL: Final = "treat it as real"
SAME_ACT: Final = (
    "Treat it as real all the same: valves that float ask for the same act. Lift, and do not go there again."
)
NO_SPECTRUM: Final = (
    "what is recorded is what the controller made of its sensor; of its spectrum nothing can be told from this"
)


def answer(reviewed: Reviewed) -> Answer:
    """Return the events of this session; those of earlier ones only help to see whether they come at one speed.

    Refuses where the controller's knock retard is not recorded.
    """
    band, data = _band(reviewed)
    if reviewed.runs.why_not:
        return Answer(QUESTION, band, data, refused=reviewed.runs.why_not)
    table = reviewed.table
    if "knock_retard" not in table.series:
        there = [name for name in ("knock_level", "ignition_advance") if name in table.series]
        raw = f" ({' and '.join(there)} alone says nothing of it)" if there else ""
        return Answer(QUESTION, band, data, refused=f"the controller's knock retard is not recorded{raw}.")
    if not reviewed.runs.runs:
        return Answer(QUESTION, band, data, refused="there is no run.")
    here = [heard(table, run) for run in reviewed.runs.runs]
    events = [one for each in here for one in each.events]
    data |= {"runs": [_plain(one) for one in here], "picture": _picture(here), "verdict": "none seen"}
    lines = [_run_line(one) for one in here]
    if not events:
        lines.append("no rise of 1 deg within 0.2 s was seen. That proves nothing about another load, speed or fuel.")
        return Answer(QUESTION, (*lines, *band), data)
    for one in sorted(events, key=lambda event: -event.rise)[:TOLD]:
        lines += _event_lines(one)
    if len(events) > TOLD:
        lines.append(f"and {len(events) - TOLD} smaller ones")
    lines += _verdict(reviewed, here, data)
    lines.append("a load or a speed at which none was seen proves nothing")
    return Answer(QUESTION, (*lines, NO_SPECTRUM, *band), data)


def _band(reviewed: Reviewed) -> tuple[tuple[str, ...], dict[str, Any]]:
    """Say where a knock sensor can be tuned."""
    bore = reviewed.table.car.bore_mm
    if bore is None:
        return ("where a knock sensor can be tuned: cannot tell, [review] bore_mm is not stated",), {}
    low, high = (first_mode(bore, gas) for gas in GAS)
    words = f"first mode across a bore of {bore:g} mm: {low / 1e3:.1f} to {high / 1e3:.1f} kHz"
    by = f"by Draper's formula, burned gas at {GAS[0]:,.0f} to {GAS[1]:,.0f} m/s; for tuning a sensor that can be"
    return (f"{words} ({by})",), {"first_mode_hz": [low, high]}


def _run_line(one: Heard) -> str:
    word = {0: "no rise", 1: "1 rise"}.get(len(one.events), f"{len(one.events)} rises")
    unheard = one.boosted - one.heard
    deaf = f"; not heard for {unheard:.1f} s" if unheard >= 0.05 else ""
    return f"run {one.run.number}: {word} of retard in {one.boosted:.1f} s under boost{deaf}"


def _event_lines(one: Knock) -> list[str]:
    low, high = one.rpm
    speed = f"{low:,.0f} to {high:,.0f} rpm" if math.isfinite(low + high) else "a speed not known"
    load = f", {one.pressure:.0f} kPa absolute" if math.isfinite(one.pressure) else ""
    lines = [f"run {one.run}: + {one.rise:.1f} deg (to {one.top:.1f} removed) from {speed}{load}: {REAL}"]
    for head, evidence in (("for knock", one.real), ("for other noise", one.mechanical)):
        said = [each.says for each in evidence if each.known]
        if said:
            lines.append(f"  {head}: {'; '.join(said)}")
    unseen = [each.says for each in one.real if not each.known]
    if unseen:
        lines.append(f"  cannot tell {' and '.join(unseen)}: not measured there")
    return lines


def _verdict(reviewed: Reviewed, here: Sequence[Heard], data: dict[str, Any]) -> list[str]:
    """Say whether all of it is consistent with mechanical noise, and what is missing if not."""
    everything = [one for each in here for one in each.events]
    for earlier in reviewed.before:
        if earlier.table.car.name == reviewed.table.car.name and "knock_retard" in earlier.table.series:
            everything += [one for run in earlier.runs.runs for one in heard(earlier.table, run).events]
    group = at_one_speed(everything)
    floated = [one for one in looked_at(reviewed) if one.signature(but=("timing",))]
    missing = not_mechanical(group, everything, floated)
    data["verdict"] = "treat as real" if missing else "consistent with mechanical noise"
    data["missing"] = missing
    if missing:
        return [f"{REAL.capitalize()}. It cannot be told from mechanical noise: that would need {'; '.join(missing)}"]
    speeds = [one.speed for one in group]
    where = f"{min(speeds):,.0f} to {max(speeds):,.0f} rpm in {runs_of(group)} runs, whatever the timing or the load"
    return [f"consistent with mechanical noise: {where}, with the signature of floating valves. {SAME_ACT}"]


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _evidence(evidence: Sequence[Evidence]) -> list[dict[str, Any]]:
    return [{"what": one.what, "says": one.says, "known": one.known} for one in evidence]


def _plain(one: Heard) -> dict[str, Any]:
    events = [
        {
            "t": [each.least, each.most], "rise_deg": each.rise, "top_deg": each.top,
            "rpm": [_known(rpm) for rpm in each.rpm], "pressure_kpa": _known(each.pressure),
            "advance_deg": _known(each.advance), "real": _evidence(each.real), "mechanical": _evidence(each.mechanical),
        }
        for each in one.events
    ]  # fmt: skip
    return {"run": one.run.number, "boosted_s": one.boosted, "heard_s": one.heard, "events": events}


def _picture(here: Sequence[Heard]) -> dict[str, Any]:
    series = [
        {
            "run": one.run.number,
            "session": one.session,
            "points": [[_known(each.speed), _known(each.pressure), each.rise] for each in one.events],
        }
        for one in here
    ]
    return {"kind": "scatter", "x": "rpm", "y": "kPa absolute", "series": series}
