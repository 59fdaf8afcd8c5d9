"""What the logbook's commands do beside the logbook itself: asking on a terminal, reading words, printing."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import bring, unit_named
from pullwatch.errors import LogbookError, UnitError, nearest
from pullwatch.logbook.items import ITEMS
from pullwatch.logbook.tables import KINDS
from pullwatch.logbook.times import in_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from typing import Any, NoReturn

    from pullwatch.logbook.logbook import Logbook

_NUMBER: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(\S+)?")
_FIGURE: Final = re.compile(r"([^=]+)=\s*(-?\d+(?:\.\d+)?)\s*(.*)")
_INSIDE: Final = frozenset({"uid", "car", "at", "written", "struck", "struck_why"})


def done(work: Callable[[], str], refuse: Callable[[str], NoReturn], word: str = "written down as") -> None:
    """Do something to the logbook and say what came of it; what it refuses ends the program."""
    try:
        print(f"{word} {work()[:8]}" if word == "written down as" else f"{word}: {work()}")
    except LogbookError as error:
        refuse(str(error))


def ask(question: str) -> str:
    """Ask on the terminal; an empty text where there is none, or nothing was said."""
    if not sys.stdin.isatty():
        return ""
    try:
        return input(question).strip()
    except EOFError:
        return ""


def ask_change(book: Logbook, car: str | None, item: str | None, value: str | None) -> tuple[str, str]:
    """Return item and value of a change; what was not said is asked for on a terminal. Raises LogbookError."""
    if item is None and sys.stdin.isatty():
        print("\n".join(pick_lines(book, car)))
    item = item or ask("what was changed (its name): ")
    if not item:
        raise LogbookError(book.path, "what was changed?", f"Name one of: {', '.join(ITEMS)}")
    if value is None:
        last = next((pick.last for pick in book.pick_list(car) if pick.item.name == item), "")
        value = ask(f"{item.replace('_', ' ')}, was {last or 'not noted'}, is now: ")
    if not value:
        raise LogbookError(book.path, f"{item}: it was changed to what?")
    return item, value


@dataclass(frozen=True, slots=True)
class SlipNumbers:
    """The numbers of a slip: s, and km/h."""

    reaction: float | None
    times: dict[str, float]
    speeds: dict[str, float]


def ask_slip(
    book: Logbook, reaction: float | None, times: Mapping[str, float | None], speeds: Mapping[str, str | None]
) -> SlipNumbers:
    """Return a slip's numbers; if none was said, each is asked for on a terminal. Raises LogbookError."""
    said = {point: value for point, value in times.items() if value is not None}
    shown = {point: text for point, text in speeds.items() if text is not None}
    if not said and not shown and sys.stdin.isatty():
        print("Leave empty what the slip does not show.")
        for point in times:
            text = ask(f"{point}, s: ")
            if text:
                said[point] = _seconds(book, point, text)
            if point in speeds and (text := ask(f"speed at {point}, with km/h or mph: ")):
                shown[point] = text
    return SlipNumbers(reaction, said, {point: _speed(book, point, text) for point, text in shown.items()})


def _seconds(book: Logbook, point: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise LogbookError(book.path, f'{point}: "{text}" is no time in seconds.') from None


def _speed(book: Logbook, point: str, text: str) -> float:
    """Return km/h. A speed without its unit is refused: 100 could be either."""
    found = _NUMBER.fullmatch(text.strip())
    if not found or not found.group(2):
        raise LogbookError(book.path, f'speed at {point}: "{text}" needs its unit.', "Write 162km/h or 100.7mph.")
    try:
        unit = unit_named(found.group(2), text)
    except UnitError as error:
        raise LogbookError(book.path, f"speed at {point}: {error}.") from error
    if unit.stored != "km/h":
        raise LogbookError(book.path, f"speed at {point}: {unit.word} is no speed.", "Write 162km/h or 100.7mph.")
    return bring(float(found.group(1)), unit)


def read_figures(book: Logbook, texts: Sequence[str]) -> dict[str, tuple[float, str]]:
    """Return laboratory figures written NAME=VALUE with a unit. Raises LogbookError."""
    out: dict[str, tuple[float, str]] = {}
    for text in texts:
        found = _FIGURE.fullmatch(text.strip())
        if not found:
            raise LogbookError(book.path, f'"{text}" is no figure.', "Write it like iron=18ppm.")
        name = found.group(1).strip().lower().replace(" ", "_")
        if name in out:
            raise LogbookError(book.path, f"{name} stands there twice.")
        out[name] = (float(found.group(2)), found.group(3).strip())
    return out


# ---- printing --------------------------------------------------------------------------------------------------------


def pick_lines(book: Logbook, car: str | None) -> Iterator[str]:
    """Yield the pick list of a car, one line an item."""
    for pick in book.pick_list(car):
        unit = f" {pick.item.unit}" if pick.item.unit else ""
        last = f"{pick.last}{unit}" if pick.last else "not noted"
        step = f"; a step: {pick.less} or {pick.more}{unit}" if pick.more else ""
        ranged = "; may have --speed and --pressure" if pick.item.mapped else ""
        yield f"{pick.item.name:<19} {pick.item.says}: {last}{step}{ranged}"


def row_lines(book: Logbook, kind: str | None, car: str | None, *, struck: bool) -> Iterator[str]:
    """Yield what was written down, the newest last. Raises LogbookError for a kind or car there is none of."""
    if kind is not None and kind not in KINDS:
        what = f'"{kind}" is no kind of row{nearest(kind, KINDS)}.'
        raise LogbookError(book.path, what, f"Kinds are {', '.join(KINDS)}.")
    name = book.car(car) if car is not None else None
    rows = [
        (row["at"], one, row) for one in KINDS if kind in (None, one) for row in book.rows(one, name, struck=struck)
    ]
    if not rows:
        yield "Nothing was written down."
    for at, one, row in sorted(rows, key=lambda each: each[0]):
        out = f"  STRUCK OUT: {row['struck_why']}" if row["struck"] is not None else ""
        yield f"{row['uid'][:8]}  {in_words(at)}  {row['car']:<16} {one:<10} {_content(row)}{out}"


def _content(row: Mapping[str, Any]) -> str:
    said = {name: value for name, value in row.items() if name not in _INSIDE and value is not None}
    return ", ".join(f"{name} {value[:8] if name == 'slip' else value}" for name, value in said.items())


def state_lines(book: Logbook, car: str | None, at: int | None) -> Iterator[str]:
    """Yield how a car stands. Raises LogbookError for a car there is none of."""
    name = book.car(car)
    facts = next(one for one in book.cars() if one.name == name)
    parts = [name, *([facts.fuel] if facts.fuel else []), *([f"{facts.mass_kg:g} kg"] if facts.mass_kg else [])]
    yield ", ".join(parts)
    state = book.state(name, at)
    if not state:
        yield "  nothing was noted yet"
    for one in state.values():
        unit = f" {one.unit}" if one.unit else ""
        where = f" ({one.where})" if one.where else ""
        yield f"  {one.item.replace('_', ' ')}: {one.now}{unit}{where}, since {in_words(one.at)}"
