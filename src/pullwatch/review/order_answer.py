"""What came first: the onsets of what went wrong, each an interval, and whether one of them surely was the first.

`data["stories"]` holds every onset with its interval. `data["picture"]` is what a picture needs of each story, from 5 s
before its first onset to 5 s after its last:

    {"kind": "traces", "stories": [{"run": 2, "t0": session ns of the first onset's begin, "traces": [{"name": "lambda",
     "unit": "lambda", "says": "", "t": [s from t0, …], "v": [value or null, …]}, …], "onsets": [{"name": …,
     "kind": …, "from": s, "to": s, "channel": …}, …]}, …]}

The values of a trace are held from one time to the next; null is not known. Onsets are drawn as spans from `from` to
`to`, not as lines: nobody knows them better.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.review.answer import Answer
from pullwatch.review.order import stories
from pullwatch.review.table import S

if TYPE_CHECKING:
    from pullwatch.review.answer import Reviewed
    from pullwatch.review.order import Onset, Story
    from pullwatch.review.table import Table

QUESTION: Final = "What came first?"
AROUND: Final = 5 * S
MOST_NAMED: Final = 5
ALWAYS: Final = (
    "engine_speed", "manifold_pressure", "lambda", "lambda_bank1", "lambda_bank2", "lambda_target", "pedal", "throttle",
    "cut_active", "wastegate_duty", "fuel_differential_pressure", "injector_pulse_width", "knock_retard",
)  # fmt: skip
"""Drawn where the car has them, besides what the onsets were seen in."""


def answer(reviewed: Reviewed) -> Answer:
    """Return, for everything that went wrong, in which order it began, as far as that can be told."""
    table = reviewed.table
    found = stories(table, reviewed.runs.runs)
    if not found:
        return Answer(QUESTION, ("Nothing was told that was critical or a caution, and no cut came unasked.",))
    lines: list[str] = []
    for story in found:
        lines += _lines(table, story)
    undecided = [story for story in found if story.first is None]
    refused = _cannot(undecided[0]) if len(undecided) == len(found) == 1 else ""
    data = {
        "stories": [_plain(story) for story in found],
        "picture": {"kind": "traces", "stories": [_picture(table, story) for story in found]},
    }
    return Answer(QUESTION, tuple(lines), data, refused)


def _cannot(story: Story) -> str:
    """Say between which onsets it cannot tell, and within how much time they lie."""
    names = [said(onset) for onset in story.candidates]
    if len(names) > MOST_NAMED:
        names = [*names[: MOST_NAMED - 1], f"{len(names) - MOST_NAMED + 1} others"]
    ms = math.ceil(story.within / 1e6)
    return f"{', '.join(names[:-1])} and {names[-1]} began within {ms:,} ms of each other: cannot tell which was first"


def said(onset: Onset) -> str:
    """Name an onset, with the situation it was in."""
    return f"{onset.name} ({onset.note})" if onset.note else onset.name


def _lines(table: Table, story: Story) -> list[str]:
    origin = story.onsets[0].begin
    where = f"run {story.run}" if story.run else "outside of a run"
    rpm = table.at("engine_speed", story.onsets[0].end)
    at = f" at {rpm:,.0f} rpm" if math.isfinite(rpm) else ""
    first = story.first
    if len(story.onsets) == 1:
        head = f"{where}: {said(story.onsets[0])}{at}; nothing else went wrong within {AROUND // S} s of it"
    elif first is not None:
        head = f"{where}: first came {said(first)}{at}"
    else:
        head = f"{where}{at}: {_cannot(story)}"
    return [head, *(f"  {_line(onset, origin)}" for onset in story.onsets)]


def _line(onset: Onset, origin: int) -> str:
    one, two = (onset.begin - origin) / S, (onset.end - origin) / S
    began = f"began between {one:+.2f} and {two:+.2f} s"
    if onset.told is None:
        return f"{said(onset)}: {began} (seen in {onset.channel})"
    return f"{said(onset)}: {began} (seen in {onset.channel}; told at {(onset.told - origin) / S:+.2f} s)"


def _plain(story: Story) -> dict[str, Any]:
    first = story.first
    return {
        "run": story.run,
        "first": None if first is None else first.name,
        "may_be_first": [onset.name for onset in story.candidates],
        "within_ms": None if first is not None else story.within / 1e6,
        "onsets": [
            {
                "name": onset.name, "kind": onset.kind, "begin": onset.begin, "end": onset.end, "told": onset.told,
                "channel": onset.channel, "note": onset.note, "priority": onset.priority.name.lower(),
                "surely_after": [other.name for other in story.onsets if other.before(onset)],
            }
            for onset in story.onsets
        ],
    }  # fmt: skip


def _picture(table: Table, story: Story) -> dict[str, Any]:
    origin = story.onsets[0].begin
    grid = table.grid(
        max(origin - AROUND, table.begin), min(max(onset.end for onset in story.onsets) + AROUND, table.end)
    )
    names = dict.fromkeys([*(onset.channel for onset in story.onsets), *ALWAYS])
    traces = []
    for name in names:
        series = table.get(name)
        if series is None:
            continue
        values = np.round(series.on(grid), series.channel.digits + 1)
        if not np.isfinite(values).any():
            continue
        traces.append(
            {
                "name": name, "unit": series.channel.unit, "says": series.channel.says,
                "t": np.round((grid - origin) / S, 3).tolist(),
                "v": [value if math.isfinite(value) else None for value in values.tolist()],
            }
        )  # fmt: skip
    onsets = [
        {
            "name": said(onset), "kind": onset.kind, "channel": onset.channel, "from": (onset.begin - origin) / S,
            "to": (onset.end - origin) / S,
        }
        for onset in story.onsets
    ]  # fmt: skip
    return {"run": story.run, "t0": origin, "traces": traces, "onsets": onsets}
