"""Showing what becomes of each column of a log, and asking the person about what is open."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pullwatch.channels import DEFAULT_AIR_FUEL_SCALE, QUANTITIES
from pullwatch.exchange.column_words import Answer, WrongAnswer, read_answer
from pullwatch.exchange.mapping import decide
from pullwatch.finding.telling import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from typing import TextIO

    from pullwatch.exchange.mapping import Decision
    from pullwatch.exchange.survey import Survey

YES: Final = frozenset({"y", "yes"})
NO: Final = frozenset({"n", "no"})
WIDTH: Final = 132
_NUMBER: Final = re.compile(r"\d+(?:\.\d+)?")


class NotConfirmed(WrongAnswer):
    """The person did not confirm what was found out: nothing is imported."""


def table_of(survey: Survey, decisions: Sequence[Decision]) -> Table:
    """Return the columns of a log and what becomes of them."""
    table = Table(box=None, pad_edge=False, header_style="bold", expand=False)
    for heading, overflow in (
        ("column", "fold"),
        ("held", "fold"),
        ("samples", "fold"),
        ("becomes", "fold"),
        ("because", "fold"),
    ):
        table.add_column(heading, overflow=overflow)  # type: ignore[arg-type] # a literal of rich's
    for one in decisions:
        seen = survey.columns[one.column]
        low, high = seen.all.least, seen.all.most
        held = shown(low) if low == high else f"{shown(low)} to {shown(high)}"
        name = f"{seen.name} [{seen.unit}]" if seen.unit else seen.name
        table.add_row(Text(name), Text(held), Text(how_often(survey, one)), Text(becomes(one)), Text(because(one)))
    return table


def how_often(survey: Survey, one: Decision) -> str:
    """Return how often a column has samples, in words."""
    period = survey.columns[one.column].period
    if not period.rate:
        return ""
    if not period.held:
        return f"{period.rate:.3g} Hz"
    if not period.shown:
        return f"hardly changes, taken as {period.rate:.3g} Hz"
    return f"{period.rate:.3g} Hz, repeated at {1e9 / period.row:.3g}"


def becomes(one: Decision) -> str:
    """Return what a column becomes, in words."""
    if not one.channel:
        return "left out"
    if one.plain:
        return f"{one.channel} (a plain number)"
    unit = QUANTITIES[one.channel].unit
    written = one.unit or unit
    return f"{one.channel} [{written}]" if written and written != one.channel else one.channel


def because(one: Decision) -> str:
    """Return why, or what is open."""
    return f"QUESTION: {one.question}" if one.question else one.why


def show(survey: Survey, decisions: Sequence[Decision], out: TextIO) -> None:
    """Print the table, and how to answer what is open."""
    console = Console(file=out, width=WIDTH, highlight=False, soft_wrap=False)
    console.print(table_of(survey, decisions))


def open_questions(survey: Survey, decisions: Iterable[Decision]) -> list[str]:
    """Return what is open and how it would be answered on the command line."""
    out = []
    for one in decisions:
        if one.question:
            name = survey.columns[one.column].name
            ways = " or ".join(f"--set '{name}={choice}'" for choice in one.choices) or f"--set '{name}=channel[unit]'"
            out.append(f'"{name}": {one.question.rstrip(".")}. {ways}')
    return out


def ask_all(
    survey: Survey, answers: dict[str, Answer], ask: Callable[[str], str], out: TextIO
) -> tuple[list[Decision], dict[str, Answer]]:
    """Ask what is open, then whether all of it is right. Return the decisions and all that was said.

    Raises NotConfirmed when the person says no.
    """
    said = dict(answers)
    asked: set[str] = set()
    while True:
        decisions = decide(survey, said)
        left = [one for one in decisions if one.question and survey.columns[one.column].name not in asked]
        if not left:
            break
        one = left[0]
        name = survey.columns[one.column].name
        asked.add(name)
        answer = _ask_one(survey, one, ask, out)
        if answer is not None:
            _try(survey, said, name, answer, out)
    while True:
        decisions = decide(survey, said)
        show(survey, decisions, out)
        text = ask("Is that right? yes, no, or a correction: COLUMN=channel[unit] > ").strip()
        if text.lower() in YES:
            return decisions, said
        if text.lower() in NO:
            raise NotConfirmed("Nothing is imported. The columns can be said by --set COLUMN=channel[unit].")
        name, equals, rest = text.rpartition("=")
        if not equals:
            print("  yes, no, or COLUMN=channel[unit] is expected.", file=out)
            continue
        try:
            answer = read_answer(rest)
        except WrongAnswer as error:
            print(f"  {error}", file=out)
            continue
        _try(survey, said, name.strip(), answer, out)


def _try(survey: Survey, said: dict[str, Answer], name: str, answer: Answer, out: TextIO) -> None:
    """Take an answer if everything can be decided with it, else say why not."""
    try:
        decide(survey, {**said, name: answer})
    except WrongAnswer as error:
        print(f"  {error}", file=out)
    else:
        said[name] = answer


def _ask_one(survey: Survey, one: Decision, ask: Callable[[str], str], out: TextIO) -> Answer | None:
    name = survey.columns[one.column].name
    choices = "".join(f"\n    {number}  {choice}" for number, choice in enumerate(one.choices, start=1))
    while True:
        words = f'"{name}": {one.question}{choices}\n  A number, channel[unit], or Enter alone: a plain number > '
        text = ask(words).strip()
        if not text:
            return None
        if text.isdecimal() and 1 <= int(text) <= len(one.choices):
            return read_answer(one.choices[int(text) - 1])
        scale = one.choices and "[AFR@" in one.choices[0] and _NUMBER.fullmatch(text)
        if scale:
            text = one.choices[0].replace(f"AFR@{DEFAULT_AIR_FUEL_SCALE:g}", f"AFR@{text}")
        try:
            return read_answer(text)
        except WrongAnswer as error:
            print(f"  {error}", file=out)
