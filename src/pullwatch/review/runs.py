"""Runs: all that was driven in a session, with the owner's corrections on top.

`runs(table)` finds and describes them; while recording, `finding.Finder` gives segments and `describe` makes runs of
them, which are the same runs. What the owner corrects comes on top and is never lost in what was found.

Classes: burnout, launch practice, pass, pedalled pass, pull (dyno), load hold, street pull.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pullwatch.review.comparing import Comparison, comparable
from pullwatch.review.describing import describe
from pullwatch.review.finding import BEFORE, BRIDGE, NAMES, Finder, Rows, Segment, cannot
from pullwatch.review.run import Class, Ended, Launch, Run
from pullwatch.review.table import STEP, S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.table import Table

__all__ = ["Class", "Comparison", "Correction", "Ended", "Launch", "Run", "Runs", "comparable", "describe", "runs"]


@dataclass(frozen=True, slots=True)
class Runs:
    """The runs of a session in order, or why none can be found (`why_not`, empty if they can)."""

    runs: tuple[Run, ...] = ()
    why_not: str = ""
    left_out: tuple[Run, ...] = ()
    """Runs that the owner says are none."""


def runs(table: Table, corrections: Sequence[Correction] = ()) -> Runs:
    """Return the runs of a table, the owner's corrections applied."""
    why_not = cannot(table.series)
    if why_not:
        return Runs(why_not=why_not)
    finder = Finder({name: series.channel for name, series in table.series.items()}, table.profile, table.begin)
    samples = {name: series.samples for name, series in table.series.items() if name in NAMES}
    segments = finder.take(samples, table.end) + finder.finish()
    return numbered([run for segment in segments if (run := describe(segment, table)) is not None], table, corrections)


def numbered(found: Sequence[Run], table: Table, corrections: Sequence[Correction] = ()) -> Runs:
    """Give runs their numbers from 1 in order of time, and apply the corrections meant for this session."""
    counted = [replace(run, number=number) for number, run in enumerate(found, 1)]
    kept: list[Run] = []
    left_out: list[Run] = []
    for run in counted:
        out, is_run = corrected(run, corrections, table)
        (kept if is_run else left_out).append(out)
    return Runs(tuple(kept), "", tuple(left_out))


@dataclass(frozen=True, slots=True)
class Correction:
    """What the owner says of a run: of `session` (empty: any), the run that `at` (session ns) lies in.

    `what` is one of `CORRECTABLE`: class, ended and gears take the words of this module, begin and end session seconds,
    "no run" nothing.
    """

    session: str
    at: int
    what: str
    value: str = ""


CORRECTABLE: Final = ("class", "ended", "gears", "begin", "end", "no run")


def check_correction(what: str, value: str) -> str:
    """Say what is wrong with a correction; empty if it can be applied."""
    match what:
        case "class":
            words = [one.value for one in Class]
        case "ended":
            words = [one.value for one in Ended]
        case "begin" | "end":
            try:
                return "" if math.isfinite(float(value)) and float(value) >= 0 else f"{what} {value}: not a time"
            except ValueError:
                return f'{what} "{value}": session seconds are expected, such as 73.4'
        case "gears":
            fine = all(part.isdigit() for part in value.split("-"))
            return "" if fine else f'gears "{value}": numbers with - between are expected, such as 2-3'
        case "no run":
            return "" if not value else f'"no run" takes no value, not "{value}"'
        case _:
            return f'"{what}" cannot be corrected; these can: {", ".join(CORRECTABLE)}'
    return "" if value in words else f'{what} "{value}" is not known; expected one of: {", ".join(words)}'


def corrected(run: Run, corrections: Sequence[Correction], table: Table) -> tuple[Run, bool]:
    """Return the run as the owner has it, and whether it is one; later corrections come on top of earlier ones.

    With another begin or end everything is described anew between them. Raises ValueError for a correction that
    `check_correction` refuses.
    """
    mine = [one for one in corrections if one.session in ("", table.session) and run.begin - S <= one.at < run.end + S]
    said: dict[str, str] = {}
    for one in mine:
        wrong = check_correction(one.what, one.value)
        if wrong:
            raise ValueError(wrong)
        said[one.what] = one.value
    out = run
    if "begin" in said or "end" in said:
        begin = int(float(said["begin"]) * S) if "begin" in said else run.begin
        end = int(float(said["end"]) * S) if "end" in said else run.end
        out = between(table, begin, end, run)
    if "class" in said:
        out = replace(out, kind=Class(said["class"]))
    if "ended" in said:
        out = replace(out, ended=Ended(said["ended"]))
    if "gears" in said:
        out = replace(out, gears=tuple(int(part) for part in said["gears"].split("-")))
    return replace(out, corrected=tuple(said)), "no run" not in said


def between(table: Table, begin: int, end: int, run: Run) -> Run:
    """Describe a stretch of the table that the owner says is the run; class and number stay where they were."""
    if not begin < end:
        raise ValueError(f"a run from {begin / S:g} s to {end / S:g} s has no length")
    t = table.grid(begin - BEFORE, end + BRIDGE + STEP)
    rows = Rows(t, {name: table.on(name, t) for name in NAMES})
    lifts = tuple(lift for lift in (*run.lifts, *run.shifts) if begin <= lift.begin and lift.end <= end)
    made = describe(Segment(begin, end, lifts, "lift", rows), table, run.number)
    return replace(run, begin=begin, end=end) if made is None else replace(made, kind=run.kind)
