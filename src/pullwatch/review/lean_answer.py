"""Why was it lean, where, and by how much fuel: what explains it first, then the map's cells, worst first.

`data["patches"]` holds every cell with all its numbers; `data["picture"]` what a picture of it needs:

    {"kind": "patches", "x": {"name": "engine speed", "unit": "rpm"},
     "y": {"name": "manifold pressure", "unit": "kPa absolute"}, "patches": [{"x": [from, to], "y": [from, to],
     "label": "+4.2 % (2.6 to 5.8), 3 runs", "side": "lean" | "rich" | "none shown" | "cannot tell",
     "outline": "solid" | "dashed" | "dotted"}, …]}

Each patch is an outline with its label within. Lean or rich is said by the sign in the label and by the outline (solid:
lean, dashed: rich, dotted: neither is shown), never by hue alone. `csv_text` gives the same list as CSV.
"""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.answer import Answer
from pullwatch.review.lean import COMMANDED, TELLS, study

if TYPE_CHECKING:
    from pullwatch.review.answer import Reviewed
    from pullwatch.review.lean import Cause, Patch, Study

QUESTION: Final = "Why was it lean, where, and by how much fuel?"
MOST_TOLD: Final = 12
"""Cells told in words; all of them are in `data` and in the CSV."""
FIND_FIRST: Final = "Find this first; adding fuel would hide it."
SENSOR: Final = (
    "one sensor sees the mean of its bank (cylinders differ by 3 to 5 %, common practice); back-pressure makes it read "
    "rich, the unsafe way; an exhaust leak makes it read lean at low flow"
)
COLUMNS: Final = (
    "sensor", "speed from (rpm)", "speed to (rpm)", "pressure from (kPa absolute)", "pressure to (kPa absolute)",
    "fuel the map lacks (%)", "least (%)", "most (%)", "runs", "days", "read leaner than commanded (%)",
    "commanded lambda", "explained by", "verdict", "why",
)  # fmt: skip


def answer(reviewed: Reviewed) -> Answer:
    """Return the cells of the owner's table that were lean or rich, what explains it, and the map's part."""
    found = study(reviewed)
    if found.why_not:
        return Answer(QUESTION, (), {"patches": []}, refused=found.why_not)
    lines = _lines(found)
    data = {
        "patches": [plain(patch) for patch in found.patches],
        "runs": list(found.runs),
        "axes": {
            "speed": list(found.axes.speed), "pressure": list(found.axes.pressure), "stated": found.axes_stated,
        },
        "notes": list(found.notes),
        "blow_outs": found.blown,
        "picture": picture(found),
    }  # fmt: skip
    return Answer(QUESTION, tuple(lines), data)


def _lines(found: Study) -> list[str]:
    told: list[str] = []
    if not found.patches:
        told.append("No reading counted: in no cell was the engine long enough in its middle, without a cut or a lift.")
    first = [patch for patch in found.patches if patch.verdict == "find first"]
    if first:
        told += _first(max(first, key=lambda patch: max(cause.percent for cause in patch.causes)))
    told += [_line(patch) for patch in found.patches if _worth(patch)][:MOST_TOLD]
    silent = [patch for patch in found.patches if not _worth(patch)]
    shown = [patch for patch in silent if patch.verdict == "none shown"]
    if shown:
        within = max(max(-patch.fuel.least, patch.fuel.most) for patch in shown)
        told.append(f"{_cells(len(shown))}: no error of the map is shown, and none beyond {within:.1f} %")
    rest = [patch for patch in silent if patch.verdict != "none shown"]
    if rest:
        why = ", ".join(list(dict.fromkeys(patch.why[0] for patch in rest))[:2])
        told.append(f"{_cells(len(rest))}: read within {TELLS:g} % of commanded; cannot tell more: {why}")
    if any(patch.verdict == "rich" for patch in found.patches):
        told.append("adding and removing are not alike: too rich costs power, too lean an engine")
    told += list(found.notes)
    told.append(SENSOR)
    return told


def _cells(count: int) -> str:
    return f"{count} other cell{'s' if count != 1 else ''}"


def _worth(patch: Patch) -> bool:
    """Whether a cell is told in words."""
    if patch.verdict == "cannot tell":
        return max(abs(patch.fuel.value), abs(patch.read)) >= TELLS
    return patch.verdict != "none shown"


def _first(patch: Patch) -> list[str]:
    """Say what explains the worst cell that fuel must not be added to."""
    told = []
    for cause in sorted(patch.causes, key=lambda cause: -cause.percent):
        if cause.percent > 0.0:
            says = cause.says if cause.name == COMMANDED else f"{cause.says}. {FIND_FIRST}"
            told.append(f"{explained(cause, patch)} at {where(patch)}: {says}")
            break
    return told


def explained(cause: Cause, patch: Patch) -> str:
    """Say how much of what was read a cause explains."""
    if cause.name == COMMANDED:
        return f"the target is {cause.percent:.1f} % leaner than the limit"
    up_to = "up to " if cause.at_most else ""
    return f"{cause.name} explains {up_to}{cause.percent:.1f} of {max(patch.read, cause.percent):.1f} % lean"


def where(patch: Patch) -> str:
    """Say where a cell lies."""
    one, two = patch.cell.speed
    low, high = patch.cell.pressure
    sensor = "" if patch.sensor == "lambda" else f"{patch.sensor}, "
    rim = " (read near its rim only)" if patch.rim else ""
    return f"{sensor}{one:,.0f} to {two:,.0f} rpm, {low:.0f} to {high:.0f} kPa absolute{rim}"


def amount(patch: Patch) -> str:
    """Write a cell's figure with its interval and runs."""
    runs = f"{len(patch.runs)} run{'s' if len(patch.runs) != 1 else ''}"
    if not patch.bounded:
        return f"{patch.fuel.value:+.1f} %, no interval, {runs}"
    return f"{patch.fuel.value:+.1f} % ({patch.fuel.least:+.1f} to {patch.fuel.most:+.1f}), {runs}"


def _line(patch: Patch) -> str:
    head = f"{where(patch)}: "
    parts = "; ".join(explained(cause, patch) for cause in patch.causes if cause.percent > 0.0)
    already = next((cause.says for cause in patch.causes if cause.name == "closed-loop trim" and cause.percent < 0), "")
    why = "; ".join(patch.why)
    match patch.verdict:
        case "add":
            text = f"the map lacks fuel: {amount(patch)}"
            return head + "; ".join(one for one in (text, parts, already) if one)
        case "rich":
            text = f"the map is rich: {amount(patch)}"
            if patch.removal > 0.0:
                return f"{head}{text}; take away {patch.removal:.1f} % at most in a step: half of it, never over 2 %"
            return f"{head}{text}; nothing is to be taken away: {why}"
        case "find first":
            left = f"what is left for the map is {amount(patch)}"
            return f"{head}read {patch.read:.1f} % lean of commanded in {patch.runs[patch.worst]}; {parts}; {left}"
        case _:
            return f"{head}cannot tell: {why}. Raw: read {patch.read:+.1f} % lean of commanded, {amount(patch)}"


def plain(patch: Patch) -> dict[str, Any]:
    """Return a cell as plain JSON; what is not known is null."""

    def known(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "sensor": patch.sensor, "speed_rpm": list(patch.cell.speed), "pressure_kpa_absolute": list(patch.cell.pressure),
        "fuel_percent": known(patch.fuel.value), "least": known(patch.fuel.least), "most": known(patch.fuel.most),
        "read_percent": known(patch.read), "read_in": patch.runs[patch.worst],
        "runs": list(patch.runs), "per_run": list(patch.per_run),
        "days": patch.days, "target": known(patch.target), "duty_percent": known(patch.duty),
        "pressure_over_base": known(patch.pressure), "verdict": patch.verdict, "why": list(patch.why),
        "removal_percent": patch.removal, "near_rim_only": patch.rim,
        "causes": [
            {"name": one.name, "percent": one.percent, "at_most": one.at_most, "says": one.says} for one in patch.causes
        ],
    }  # fmt: skip


def csv_text(found: Study) -> str:
    """Return the list as CSV (RFC 4180: commas, CRLF, quotes doubled), worst first; empty fields: not known."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)

    def number(value: float, digits: int = 2) -> str:
        return f"{value:.{digits}f}" if math.isfinite(value) else ""

    for patch in found.patches:
        causes = "; ".join(f"{one.name} {one.percent:.1f} %{' at most' if one.at_most else ''}" for one in patch.causes)
        writer.writerow((
            patch.sensor, *(number(edge, 0) for edge in patch.cell.speed),
            *(number(edge, 1) for edge in patch.cell.pressure), number(patch.fuel.value), number(patch.fuel.least),
            number(patch.fuel.most), len(patch.runs), patch.days, number(patch.read), number(patch.target, 3), causes,
            patch.verdict, "; ".join(patch.why),
        ))  # fmt: skip
    return out.getvalue()


def csv_of(reviewed: Reviewed) -> str:
    """Return a session's list as CSV. Raises ValueError with the reason where nothing can be told."""
    found = study(reviewed)
    if found.why_not:
        raise ValueError(found.why_not)
    return csv_text(found)


def picture(found: Study) -> dict[str, Any]:
    """Return what a picture of outlined patches needs (see above)."""
    outlines = {"add": ("lean", "solid"), "rich": ("rich", "dashed"), "none shown": ("none shown", "dotted")}
    patches = []
    for patch in found.patches:
        side, outline = outlines.get(patch.verdict, ("cannot tell", "dotted"))
        label = f"find first: {amount(patch)}" if patch.verdict == "find first" else amount(patch)
        patches.append(
            {
                "x": list(patch.cell.speed), "y": list(patch.cell.pressure), "label": label, "side": side,
                "outline": outline, "verdict": patch.verdict,
            }
        )  # fmt: skip
    return {
        "kind": "patches",
        "x": {"name": "engine speed", "unit": "rpm"},
        "y": {"name": "manifold pressure", "unit": "kPa absolute"},
        "patches": patches,
    }
