"""Which runs were driven, in which conditions, how each ended, and which may be held against each other."""

from __future__ import annotations

import math
from dataclasses import asdict
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.answer import Answer
from pullwatch.review.run import CONDITIONS, Class
from pullwatch.review.runs import comparable

if TYPE_CHECKING:
    from pullwatch.review.answer import Reviewed
    from pullwatch.review.run import Run

QUESTION: Final = "Which runs were there, and which may be compared?"
WORDS: Final = dict(zip(CONDITIONS, ("intake air", "oil", "coolant", "barometric", "outside"), strict=True))


def answer(reviewed: Reviewed) -> Answer:
    """Return the runs in words, and whether each may be held against the one before it of its class."""
    found = reviewed.runs
    if found.why_not:
        return Answer(QUESTION, (), refused=found.why_not)
    if not found.runs:
        return Answer(QUESTION, ("No run was found: no full load, boost or launch of a second or more.",))
    lines: list[str] = []
    data: list[dict[str, Any]] = []
    compared = {two.number: (one, comparable(two, one)) for one, two in _neighbours(found.runs)}
    for run in found.runs:
        lines += [run.line(), f"  {_conditions(reviewed, run)}"]
        row = plain(run)
        if run.number in compared:
            before, said = compared[run.number]
            lines.append(f"  with run {before.number}: {said.line()}")
            row["compared"] = {"with": before.number, "answer": said.answer, "why": list(said.why)}
        data.append(row)
    lines += [f"left out by the owner: {run.line()}" for run in found.left_out]
    return Answer(QUESTION, tuple(lines), {"runs": data, "left_out": [plain(run) for run in found.left_out]})


def _neighbours(runs: tuple[Run, ...]) -> list[tuple[Run, Run]]:
    """Return each run with the one before it of its class."""
    by_class: dict[str, list[Run]] = {}
    for run in runs:
        by_class.setdefault(run.kind, []).append(run)
    return [pair for same in by_class.values() for pair in pairwise(same)]


def _conditions(reviewed: Reviewed, run: Run) -> str:
    parts = []
    for name, word in WORDS.items():
        if reviewed.table.get(name) is None:
            continue
        one, two = run.start[name], run.finish[name]
        if not math.isfinite(one) and not math.isfinite(two):
            parts.append(f"{word} not known")
            continue
        unit = " kPa absolute" if name == "barometric_pressure" else " °C"
        digits = 1 if name == "barometric_pressure" else 0
        texts = [f"{value:.{digits}f}" if math.isfinite(value) else "not known" for value in (one, two)]
        same = name == "barometric_pressure" or texts[0] == texts[1]
        parts.append(f"{word} {texts[0]}{unit}" if same else f"{word} {texts[0]} to {texts[1]}{unit}")
    return ", ".join(parts) if parts else "conditions: none of them is measured"


def plain(run: Run) -> dict[str, Any]:
    """Return a run as plain JSON values; what is not known is null."""
    said = asdict(run)
    said["kind"], said["ended"] = str(run.kind), str(run.ended)
    if run.kind is Class.STREET_PULL:
        said["metres"], said["ratios"] = None, []  # no street speeds in what is handed on
    said["sweeps"] = {str(gear): rate for gear, rate in run.sweeps.items()}
    return _known(said)  # type: ignore[no-any-return]  # a dictionary in, a dictionary out


def _known(value: Any) -> Any:
    """Return a value with every number that is not one as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _known(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_known(one) for one in value]
    return value
