"""How close did it get: the least margin to every rule in every run, and how that moved over the day."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.answer import Answer
from pullwatch.review.margins import NOT_ARMED, amount, lines, trend

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.margins import Margin
    from pullwatch.review.table import Table

QUESTION: Final = "How close did it get?"
FEWEST: Final = 3
"""Runs with a margin from which on its way over the day is told."""


def answer(reviewed: Reviewed) -> Answer:
    """Return the margins of every run, the nearest first, and each rule's margins over the runs."""
    if reviewed.runs.why_not:
        return Answer(QUESTION, (), refused=reviewed.runs.why_not)
    if not reviewed.cards:
        return Answer(QUESTION, ("There is no run to measure margins in.",))
    table = reviewed.table
    told: list[str] = []
    for card in reviewed.cards:
        told.append(f"run {card.run.number}, {card.run.kind}:")
        told += [f"  {line}" for line in _run_lines(table, card.margins)]
    units = {one.rule: one.channel for card in reviewed.cards for one in card.margins}
    near = {one.rule for card in reviewed.cards for one in card.margins if one.is_near}
    ways = trend([card.margins for card in reviewed.cards])
    days = {rule: way for rule, way in ways.items() if rule in near and len(way) >= FEWEST}
    if days:
        told.append("over the runs (negative is beyond the limit; runs that are not comparable stand side by side):")
    for rule, way in days.items():
        steps = ", ".join(f"run {run} {amount(table, units[rule], least)}" for run, least in way)
        told.append(f"  {rule}: {steps}")
    data = {
        "runs": [{"run": card.run.number, "margins": [plain(one) for one in card.margins]} for card in reviewed.cards]
    }
    return Answer(QUESTION, tuple(told), data)


def _run_lines(table: Table, margins: Sequence[Margin]) -> list[str]:
    """Say what came near or could not be told; the others are named, and stand whole in the JSON."""
    if not margins:
        return ["no rule holds a value against a limit"]
    unarmed = [one.rule for one in margins if one.why_not == NOT_ARMED]
    far = [one.rule for one in margins if not one.why_not and not one.is_near]
    told = lines(table, [one for one in margins if one.is_near or (one.why_not and one.why_not != NOT_ARMED)])
    if far:
        told.append(f"not near: {', '.join(far)}")
    if unarmed:
        told.append(f"{NOT_ARMED}: {', '.join(unarmed)}")
    return told


def plain(one: Margin) -> dict[str, Any]:
    """Return a margin as plain JSON values; what is not known is null."""
    numbers = {
        "least": one.least, "value": one.value, "limit": one.limit, "near": one.near, "near_s": one.near_s,
        "armed_s": one.armed_s, "blind_s": one.blind_s, "unknown_s": one.unknown_s, "rpm": one.rpm,
        "pressure_kpa": one.pressure, "accuracy": one.accuracy,
    }  # fmt: skip
    return {
        "rule": one.rule, "channel": one.channel, "priority": one.priority.name.lower(), "t": one.t,
        "at_most": one.at_most, "why_not": one.why_not,
        **{name: value if math.isfinite(value) else None for name, value in numbers.items()},
    }  # fmt: skip
