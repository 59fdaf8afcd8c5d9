"""Everything a review says of one session, as plain JSON: what `--json` prints is what the report is drawn from.

One source for both, so that neither can hold a fact that the other lacks. What is not known is null.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.card import differences
from pullwatch.review.comparing import comparable
from pullwatch.review.open_answer import NAME as OPEN
from pullwatch.review.open_answer import answer as open_answer
from pullwatch.review.open_answer import shown_text
from pullwatch.review.open_changes import steps, timed
from pullwatch.review.runs_answer import plain
from pullwatch.reviewing.answers import ANSWERS
from pullwatch.reviewing.pictures import finished
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.review.answer import Answer, Reviewed
    from pullwatch.review.open_changes import Step, Timed
    from pullwatch.review.table import Table
    from pullwatch.setup import Plan

DECISION: Final = (
    "What was measured is told here, not whether to drive: the decision stays with the owner. "
    "What was blind or not known was not seen."
)
STARTING: Final = "a starting value until you give"
LAMBDA_CAUTION: Final = (
    "Lambda: one sensor sees the mean of its bank (cylinders differ by 3 to 5 %, common practice). Back-pressure makes "
    "it read rich, which hides a lean mixture; an exhaust leak makes it read lean at low flow."
)
INTERVALS: Final = (
    "An interval holds in 95 of 100 cases, as long as what stands beside it is so. A number without an interval is "
    "what was read, no more."
)


def answers(
    reviewed: Reviewed, chosen: Sequence[str] = (), say: Callable[[str], None] | None = None
) -> list[tuple[str, Answer]]:
    """Return the answers asked for (none named: all), in their order. `say` is told which is being made.

    The one that tells what is open is given what the others said, so with it all are made.
    """
    found: dict[str, Answer] = {}
    everything = not chosen or OPEN in chosen
    for name in ANSWERS:
        if everything or name in chosen:
            if say is not None:
                say(f"answering: {name}")
            found[name] = ANSWERS[name](replace(reviewed, answered=dict(found)) if name == OPEN else reviewed)
    return [(name, answer) for name, answer in found.items() if not chosen or name in chosen]


def facts(
    reviewed: Reviewed,
    chosen: Sequence[str] = (),
    last: int | None = None,
    plan: Plan | None = None,
    *,
    private: bool = False,
    say: Callable[[str], None] | None = None,
) -> dict[str, Any]:
    """Return a session's review as plain JSON. `plan`: by which it was judged; `private`: with position and speeds."""
    table = reviewed.table
    made = answers(reviewed, chosen, say)
    told: dict[str, Any] = {}
    for name, answer in made:
        data = dict(answer.data)
        picture = finished(reviewed, name, data.pop("picture", None), private=private)
        if picture is not None:
            data["picture"] = picture
        told[name] = {"question": answer.question, "refused": answer.refused, "lines": list(answer.lines), "data": data}
    said = {
        "session": table.session,
        "car": table.car.name,
        "seconds": table.end / 1e9,
        "live": table.live,
        "notes": list(table.notes),
        "gaps": [list(gap) for gap in table.gaps],
        "cards": [
            {**card.to_dict(), "about": plain(card.run)}
            for card in (reviewed.cards[-last:] if last else reviewed.cards)
        ],
        "sentences": sentences(reviewed, dict(made)),
        "answers": told,
        "cautions": cautions(table, plan),
        "rests_on": rests_on(reviewed, plan),
    }
    if private:
        said["private"] = whereabouts(reviewed)
    return said


# ---- three sentences -------------------------------------------------------------------------------------------------


def sentences(reviewed: Reviewed, made: dict[str, Answer]) -> dict[str, str]:
    """Return what changed, what it did and what is open, a sentence each."""
    opened = made.get(OPEN) or open_answer(replace(reviewed, answered=made))
    runs, untimed = timed(reviewed)
    if len(runs) < 2:
        few = (
            "There is no run yet."
            if not reviewed.cards
            else "There is one run, and none before it to tell a change by."
        )
        if untimed:
            few = f"What was changed cannot be told: the time of day of {', '.join(untimed)} is not known."
        return {"changed": few, "did": "What a change did cannot be told.", "open": _open(opened)}
    before, now = runs[-2], runs[-1]
    changes = reviewed.given.changed_between(before.end, now.begin)
    waiting = [change for change in reviewed.given.changes if change.at > now.end]
    called = _called(before, now.session)
    if changes:
        several = len({(change.item, change.speed, change.pressure) for change in changes})
        at_once = f" ({several} things at once: not separable)" if several > 1 else ""
        changed = f"Since {called} was changed: {'; '.join(change.line() for change in changes)}{at_once}"
    else:
        changed = f"Nothing that was written down was changed between {called} and run {now.card.run.number}"
    if waiting:
        changed += f"; changed after it, and not driven yet: {'; '.join(change.line() for change in waiting)}"
    step = next((one for one in steps(changes, runs) if one.changes), None)
    return {"changed": f"{changed}.", "did": _did(before, now, step, called), "open": _open(opened)}


def _called(run: Timed, session: str) -> str:
    return f"run {run.card.run.number}" + ("" if run.session == session else f" of {run.session}")


def _did(before: Timed, now: Timed, step: Step | None, called: str) -> str:
    if step is not None and step.enough:
        shown = [shown_text(one) for one in step.numbers if one.shown]
        over = f"over {len(step.before)} comparable runs before and {len(step.since)} since"
        if shown:
            return f"Different {over}: {', '.join(shown)}; of the rest no difference is shown."
        return f"No difference is shown {over}."
    raw = differences(now.card.numbers, before.card.numbers)
    said = comparable(now.card.run, before.card.run)
    if said.answer == "no":
        return f"What it did cannot be told, {called} is not comparable ({'; '.join(said.why)}); read was {raw}."
    doubt = "" if said.answer == "yes" else f", and whether they are comparable cannot be told ({'; '.join(said.why)})"
    return f"Against {called}: {raw}; two runs cannot tell that from chance{doubt}."


def _open(opened: Answer) -> str:
    data = opened.data
    if not data["open"]:
        return "Nothing open was found in what was recorded; what is not measured was not looked at."
    in_runs = [one for one in data["alarms"] if one["runs"] or not one["automatic"]]  # a key turned off is told below
    stands = [one["rule"] for one in in_runs if one["stands"]]
    over = [one["rule"] for one in in_runs if not one["stands"] and not one["notes"]]
    lately = max((one["run"] for one in data["readings"]), default=0)
    unread = list(dict.fromkeys(one["channel"] for one in data["readings"] if one["run"] == lately))
    lost = [one["feed"] for one in data["ports"]]
    refused = [one["answer"] for one in data["refused"]]
    parts = [
        f"{word} {_some(names)}"
        for word, names in (
            ("alarms that stand:", stands), ("alarms nobody wrote about:", over),
            (f"not read in run {lately}:", unread), ("feeds that were lost:", lost), ("cannot tell:", refused),
        )
        if names
    ]  # fmt: skip
    if data["dropped"] or data["not_recorded"]:
        parts.append("parts were not recorded")
    if not parts:
        parts = ["readings that are silent as the recording ends"]
    return f"Open: {'; '.join(parts)}."


def _some(names: Sequence[str], most: int = 3) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


# ---- cautions, and what it rests on ----------------------------------------------------------------------------------


def cautions(table: Table, plan: Plan | None) -> list[str]:
    """Return what makes the numbers doubtful, whatever they are."""
    told = [DECISION, INTERVALS]
    if any(name in table.series for name in ("lambda", "lambda_bank1", "lambda_bank2")):
        told.append(LAMBDA_CAUTION)
    held = {rule.trip.left for rule in table.rules.rules if isinstance(rule.trip, Comparison)}
    unstated = [one.name for one in table.rules.channels if one.number in held and one.name not in table.accuracy]
    if unstated:
        told.append(f"Sensor accuracy is not stated ([review] accuracy) of: {', '.join(unstated)}.")
    if table.ceilings:
        each = ", ".join(f"{name} from {table.format(name, value)}" for name, value in table.ceilings.items())
        told.append(f'A sensor at its ceiling says only "at least this": {each}.')
    starting = _starting(plan)
    if starting:
        told.append(f"These rules rest on starting values that are not this engine's: {', '.join(starting)}.")
    return told


def _starting(plan: Plan | None) -> list[str]:
    return [] if plan is None else [fact.name for fact in plan.facts if STARTING in fact.source]


def rests_on(reviewed: Reviewed, plan: Plan | None) -> dict[str, Any]:
    """Return which recordings and rules it rests on, and what of them is missing."""
    table = reviewed.table
    lost = [(one.feed, one.what, one.t / 1e9, one.text) for one in table.events]
    return {
        "sessions": [_session(one.table) for one in (*reviewed.before, reviewed)],
        "profile": table.profile,
        "channels": sorted(table.series),
        "rules": len([rule for rule in table.rules.rules if rule.name not in table.automatic]),
        "lost": [{"feed": feed, "what": what, "at_s": t, "text": text} for feed, what, t, text in lost],
        "starting_values": _starting(plan),
        "not_armed": [] if plan is None else list(plan.unarmed),
        "lacking": [] if plan is None else [f"{name}: {why}" for name, why in plan.lacking],
        "left_out": [run.number for run in reviewed.runs.left_out],
        "corrected": [run.number for run in reviewed.runs.runs if run.corrected],
        "logbook": {
            "changes": len(reviewed.given.changes), "slips": len(reviewed.given.slips),
            "weather": len(reviewed.given.weather), "oil": len(reviewed.given.oil), "notes": len(reviewed.given.notes),
        },
        "marks": [{"at_s": mark.t / 1e9, "text": mark.text, "who": mark.who} for mark in table.marks],
    }  # fmt: skip


def _session(table: Table) -> dict[str, Any]:
    wall = None if table.wall is None else datetime.fromtimestamp(table.wall / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC")
    return {
        "session": table.session, "began": wall, "seconds": table.end / 1e9, "live": table.live,
        "missing_s": [[gap.begin / 1e9, gap.end / 1e9] for gap in table.gaps], "notes": list(table.notes),
    }  # fmt: skip


def whereabouts(reviewed: Reviewed) -> list[dict[str, Any]]:
    """Return where each run began and ended, and how fast it was on the road: only for who asks for it."""
    table = reviewed.table

    def known(name: str, t: int) -> float | None:
        value = table.at(name, t)
        return value if math.isfinite(value) else None

    out = []
    for run in reviewed.runs.runs:
        series = table.get("vehicle_speed")
        most = None if series is None else series.most(run.begin, run.end)
        out.append(
            {
                "run": run.number,
                "from": [known("latitude", run.begin), known("longitude", run.begin)],
                "to": [known("latitude", run.end - 1), known("longitude", run.end - 1)],
                "speed_kmh": [known("vehicle_speed", run.begin), known("vehicle_speed", run.end - 1)],
                "highest_kmh": None if most is None else most.value,
                "metres": run.metres if math.isfinite(run.metres) else None,
            }
        )
    return out
