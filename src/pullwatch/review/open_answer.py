"""Before the next run: what is unresolved, what was changed and is not yet shown, how far it has cooled down.

It lists facts and leaves the weighing to the owner. `data`:

    {"alarms": [...], "readings": [...], "silent_at_end": [...], "ports": [...], "dropped": n, "not_recorded": [...],
     "refused": [{"answer", "question", "why"}], "changes": [...], "temperatures": [...], "open": n,
     "against": {"session", "run"} or null}

every number that cannot be bounded has null for its interval. What other answers could not tell is taken from
`reviewed.answered`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.answer import Answer
from pullwatch.review.open_changes import ENOUGH, steps, timed
from pullwatch.review.open_items import (
    Away,
    Doubt,
    Standing,
    Temperature,
    away,
    doubts,
    dropped,
    last_driven,
    standing,
    state_words,
    temperatures,
    unknown_at_end,
)  # fmt: skip
from pullwatch.review.table import S
from pullwatch.watchdog.alarms import Priority, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.open_changes import Shown, Step, Timed
    from pullwatch.review.table import Table

QUESTION: Final = "What is open before the next run?"
NAME: Final = "open"
MATTER: Final = frozenset({"order", "lean", "margins", "knock", "oil", "power"})
"""Answers of which not to know may cost an engine; the others may cost a tenth of a second."""
DECIDES: Final = "Whether to run again is the owner's decision; what stands here is what was found, not all there is."
MOST_NAMED: Final = 6
STILL: Final = 0.3
"""Seconds from which on the age of a temperature is told."""


def answer(reviewed: Reviewed) -> Answer:
    """Return everything open, in words and as plain data; it refuses nothing, for a list needs no model."""
    table = reviewed.table
    alarms = standing(reviewed)
    runs = reviewed.runs.runs
    unread = doubts(table, runs)
    silent = unknown_at_end(table)
    ports = away(table, runs)
    lost = dropped(table)
    all_runs, untimed = timed(reviewed)
    changed = steps(reviewed.given.changes, all_runs)
    cooled, against = _cooled(reviewed)
    refused = [
        {"answer": name, "question": one.question, "why": one.refused}
        for name, one in reviewed.answered.items()
        if one.refused
    ]
    refused.sort(key=lambda one: one["answer"] not in MATTER)

    lines = [*_alarm_lines(alarms), *_reading_lines(unread, silent, runs[-1].number if runs else 0)]
    lines += _port_lines(ports, lost, table)
    lines += [f"cannot tell ({one['answer']}): {one['why']}" for one in refused if one["answer"] in MATTER]
    open_ = len(lines)
    if not open_:
        lines.append(
            "Nothing open was found: no alarm was raised or stands, every reading was there in every run. "
            "What is not measured was not looked at."
        )
    others = [one["answer"] for one in refused if one["answer"] not in MATTER]
    if others:
        lines.append(f"cannot tell either: {', '.join(others)}")
    lines += _change_lines(reviewed, changed, untimed, all_runs)
    lines += _temperature_lines(table, cooled, against)
    lines.append(DECIDES)
    data = {
        "alarms": [_alarm(one) for one in alarms],
        "readings": [_doubt(one) for one in unread],
        "silent_at_end": [_doubt(one) for one in silent],
        "ports": [
            {"feed": one.feed, "times": one.times, "seconds": one.seconds, "still": one.still, "runs": list(one.runs)}
            for one in ports
        ],
        "dropped": lost,
        "not_recorded": [list(gap) for gap in table.gaps],
        "refused": refused,
        "changes": [_changed(one) for one in changed],
        "temperatures": [_temperature(one) for one in cooled],
        "against": None if against is None else {"session": against[0], "run": against[1]},
        "open": open_,
    }
    return Answer(QUESTION, tuple(lines), data)


# ---- alarms, readings, ports -----------------------------------------------------------------------------------------


def _seconds(t: int) -> str:
    return f"{t / S:,.1f} s"


def _alarm_lines(alarms: Iterable[Standing]) -> list[str]:
    told = []
    alone, together = _grouped(alarms)
    for one in alone:
        what = f"{one.priority.name.lower()} alarm {one.rule}: {state_words(one)}"
        if one.first is not None:
            again = f", {one.raised} times, last at {_seconds(one.last or 0)}" if one.raised > 1 else ""
            runs = f" (run {', '.join(map(str, one.runs))})" if one.runs else " (in no run)"
            what += f"; raised at {_seconds(one.first)}{again}{runs}"
        if one.carried:
            what += "; it stood before this session began"
        if one.state is State.OUT_OF_SERVICE:
            what += "; nothing is told of it until it is put back"
        noted = "; ".join(f'"{note.text}"' for note in one.notes[-2:])
        what += f"; noted: {noted} (whether that explains it is yours to say)" if noted else "; nothing is noted of why"
        told.append(what)
    for (state, carried), each in together.items():
        begins = sorted(one.first for one in each if one.first is not None)
        when = "" if not begins else f"; raised from {_seconds(begins[0])} to {_seconds(begins[-1])}, in no run"
        before = "; they stood before this session began" if carried else ""
        names = _list([one.rule for one in each])
        told.append(f"readings lost, {state}: {names}{when}{before}; nothing is noted of why")
    return told


def _grouped(
    alarms: Iterable[Standing],
) -> tuple[list[Standing], dict[tuple[str, bool], list[Standing]]]:
    """Return the alarms told one by one, and those of lost readings in no run: a key turned off is not forty alarms."""
    alone: list[Standing] = []
    together: dict[tuple[str, bool], list[Standing]] = {}
    for one in alarms:
        if one.automatic and not one.runs and not one.notes and one.priority is not Priority.CRITICAL:
            together.setdefault((state_words(one), one.carried), []).append(one)
        else:
            alone.append(one)
    return alone, together


def _reading_lines(unread: Sequence[Doubt], silent: Sequence[Doubt], last: int) -> list[str]:
    """Say what could not be read: by run and reason, the last run first; then what is silent at the end."""
    told = []
    numbers = sorted({one.run for one in unread}, reverse=True)
    for number in numbers:
        for why, each in _by_reason([one for one in unread if one.run == number]):
            which = "the last run" if number == last else f"run {number}"
            told.append(f"not read in {which}: {_named(each)}: {why}")
    for why, each in _by_reason(silent):
        names = [one.channel for one in each]
        told.append(f"not read as the recording ends: {_list(names)}: {why}")
    return told


def _by_reason(found: Sequence[Doubt]) -> list[tuple[str, list[Doubt]]]:
    by: dict[str, list[Doubt]] = {}
    for one in found:
        by.setdefault(one.why, []).append(one)
    return list(by.items())


def _named(found: Sequence[Doubt]) -> str:
    return _list([f"{one.channel} {one.seconds:.1f} of {one.of:.1f} s" for one in found])


def _list(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def _port_lines(ports: Iterable[Away], lost: int, table: Table) -> list[str]:
    told = []
    for one in ports:
        times = "once" if one.times == 1 else f"{one.times} times"
        still = "; it is still away as the recording ends" if one.still else "; it came back"
        runs = f"; in run {', '.join(map(str, one.runs))}" if one.runs else ""
        told.append(f"feed {one.feed} was lost {times}, {one.seconds:.1f} s in all{runs}{still}")
    if lost:
        told.append(f"bytes were dropped {lost} time{'s' if lost != 1 else ''}: what they said was not seen")
    told += [f"not recorded: {_seconds(gap.begin)} to {_seconds(gap.end)}" for gap in table.gaps]
    return told


# ---- changes ---------------------------------------------------------------------------------------------------------


def _change_lines(
    reviewed: Reviewed, changed: Sequence[Step], untimed: Sequence[str], runs: Sequence[Timed]
) -> list[str]:
    told = []
    if untimed and reviewed.given.changes:
        names = ", ".join(untimed)
        told.append(f"changes: cannot tell which lie around the runs of {names}: its time of day is not known")
    if not changed and not untimed:
        told.append("changed since the first of these runs: nothing that was written down" if runs else "no run yet")
    for step in changed:
        told.append(f"changed: {'; '.join(change.line() for change in step.changes)}")
        if not step.separable:
            told.append(
                f"  NOT SEPARABLE: {step.things} things were changed at once; what differs is laid to none of them"
            )
        told.append(f"  {_proof(step)}")
        told += [f"  {shown_text(one)}" for one in step.numbers]
    return told


def _proof(step: Step) -> str:
    """Say how much the runs since can show."""
    if not step.runs:
        return "not yet proven: no run since"
    left = []
    if step.unlike:
        left.append(f"{step.unlike} not comparable")
    if step.untold:
        left.append(f"{step.untold} of which it cannot be told")
    out = f" ({' and '.join(left)} left out)" if left else ""
    counts = f"{len(step.before)} comparable run{_s(step.before)} before and {len(step.since)} since{out}"
    if not step.enough:
        return f"not yet proven: {counts}; {ENOUGH} on each side are the least that tell a difference from chance"
    return f"{counts}; intervals hold for all of these together, 95 %"


def _s(items: Sequence[object]) -> str:
    return "" if len(items) == 1 else "s"


def shown_text(one: Shown) -> str:
    """Write one number's difference with its interval, or the raw difference and that nothing bounds it."""
    value, least, most = one.difference
    d = one.digits
    if math.isinf(least):
        return f"{one.name} {value:+.{d}f} {one.unit}: cannot tell from chance"
    told = "" if one.shown else ": no difference is shown"
    return f"{one.name} {value:+.{d}f} ({least:+.{d}f} to {most:+.{d}f}) {one.unit}{told}"


# ---- temperatures ----------------------------------------------------------------------------------------------------


def _cooled(reviewed: Reviewed) -> tuple[list[Temperature], tuple[str, int] | None]:
    driven = last_driven(reviewed)
    if driven is None:
        return [], None
    of, run = driven
    return temperatures(reviewed.table, of.table, run), (of.table.session, run.number)


def _temperature_lines(table: Table, found: Sequence[Temperature], against: tuple[str, int] | None) -> list[str]:
    if against is None:
        return ["cool-down: cannot tell, there is no run to begin like"]
    if not found:
        return ["cool-down: cannot tell, no temperature is measured"]
    session, number = against
    name = f"run {number}" if session == table.session else f"run {number} of {session}"
    when = "now" if table.live else "as the recording ends (what they are by now is not known)"
    return [f"temperatures {when}, against the begin of {name}:", *(f"  {_temperature_line(one)}" for one in found)]


def _temperature_line(one: Temperature) -> str:
    start = f"{one.start:.0f} °C then" if math.isfinite(one.start) else "not known then"
    if math.isnan(one.now):
        if math.isnan(one.last):
            return f"{one.word}: cannot tell, it was never read; {start}"
        return f"{one.word}: cannot tell, not read for {one.age:.1f} s (last {one.last:.0f} °C); {start}"
    ago = f" ({one.age:.1f} s before the end)" if one.age >= STILL else ""
    before = f", {one.before:.0f} °C a minute before that" if math.isfinite(one.before) else ""
    said = f"{one.word}: {one.now:.0f} °C{ago}{before}; {start}"
    if math.isnan(one.start):
        return said
    value, least, most = one.difference
    bounds = f" ({least:+.0f} to {most:+.0f})" if math.isfinite(least) else ""
    said += f": {value:+.0f}{bounds} °C"
    if math.isinf(least):
        said += " (sensor accuracy not stated)"
    words = {
        "yes": "; a run begun like this would not be comparable", "no": "",
        "yes by the readings": "; by the readings a run begun like this would not be comparable",
        "no by the readings": "", "cannot tell": "; cannot tell whether a run begun like this would be comparable",
    }  # fmt: skip
    return said + words.get(one.apart, "")


# ---- plain data ------------------------------------------------------------------------------------------------------


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _alarm(one: Standing) -> dict[str, Any]:
    return {
        "rule": one.rule, "priority": one.priority.name.lower(), "state": state_words(one), "stands": one.stands,
        "raised": one.raised, "first": one.first, "last": one.last, "runs": list(one.runs), "carried": one.carried,
        "notes": [note.text for note in one.notes], "automatic": one.automatic,
    }  # fmt: skip


def _doubt(one: Doubt) -> dict[str, Any]:
    return {"channel": one.channel, "run": one.run, "seconds": one.seconds, "of": one.of, "why": one.why}


def _changed(step: Step) -> dict[str, Any]:
    return {
        "changes": [
            {
                "uid": one.uid, "at": one.at, "item": one.item, "was": one.was, "now": one.now, "unit": one.unit,
                "where": one.where, "note": one.note,
            }
            for one in step.changes
        ],
        "separable": step.separable, "runs_since": step.runs, "enough": step.enough,
        "before": [[run.session, run.card.run.number] for run in step.before],
        "since": [[run.session, run.card.run.number] for run in step.since],
        "not_comparable": step.unlike, "cannot_tell": step.untold,
        "numbers": [
            {
                "name": one.name, "unit": one.unit, "difference": one.difference.value,
                "least": _number(one.difference.least), "most": _number(one.difference.most), "shown": one.shown,
            }
            for one in step.numbers
        ],
    }  # fmt: skip


def _temperature(one: Temperature) -> dict[str, Any]:
    value, least, most = one.difference
    return {
        "channel": one.channel, "now": _number(one.now), "last": _number(one.last), "age_s": _number(one.age),
        "a_minute_before": _number(one.before), "start": _number(one.start), "accuracy": _number(one.accuracy),
        "difference": _number(value), "least": _number(least), "most": _number(most),
        "not_comparable_then": one.apart,
    }  # fmt: skip
