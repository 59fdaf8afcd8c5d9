"""What a text table is like: encoding, separator, decimal comma, heading, units, comments. From its first lines alone.

Nothing here knows any program's files. A table is lines of equally many cells, most of them numbers; the line of words
above them is its heading; a line of units may stand between; whatever is above that is passed over.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import UNITS
from pullwatch.errors import PullwatchError
from pullwatch.finding.guesses import unit_in
from pullwatch.finding.lines import COMMENTS, SEPARATORS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

HEAD: Final = 256 * 1024
"""Bytes of the beginning that are looked at."""
LEAST_ROWS: Final = 2
ALIKE: Final = 0.5
"""The share of the lines at the end of the head that must have equally many cells."""
EMPTY: Final = frozenset(
    {"", "-", "--", "---", "nan", "NaN", "NAN", "n/a", "N/A", "NA", "na", "null", "NULL", "None", "none", "?"}
)
"""Cells that say there is no value (common practice, no source)."""
YES_AND_NO: Final = {
    "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0, "yes": 1.0, "no": 0.0, "active": 1.0, "inactive": 0.0,
}  # fmt: skip
"""Words that are numbers for us, in small letters."""
_POINT: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?inf(?:inity)?", re.IGNORECASE)
_COMMA: Final = re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?")
_WITH_COMMA: Final = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_CLOCK: Final = re.compile(r"(?:\d+:)?\d{1,2}:\d{1,2}(?:[.,]\d*)?\s*(?:[aApP][mM])?Z?")
_DATE: Final = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}([T ].*)?")
_BESIDE: Final = re.compile(
    r"(?P<name>.*?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*(?:\([^()]*\)[^()]*)?)\)|\{(?P<curly>[^{}]*)\})\s*"
)
_ODD_UNITS: Final = frozenset({
    "afr", "a/f", ":1", "ratio", "sec", "secs", "seconds", "msec", "msecs", "millis", "usec", "min", "minutes",
    "h", "hours", "hh:mm:ss", "hz", "bool", "on/off", "0/1", "state", "steps", "count", "counts", "raw", "gear",
    "number", "#", "enum", "text", "deg/s", "l/h", "l/min", "cc/min", "g/s", "kg/h", "mg", "mg/stroke", "nm", "kw",
    "hp", "ps", "km", "l", "kmh", "kph", "hpa", "degrees", "°btdc", "btdc", "degbtdc", "deg.c", "deg.f", "psi(g)",
    "kpa(a)", "kpa(abs)", "bool.", "none", "unit", "units",
})  # fmt: skip
"""What else stands in lines of units (the trade's own, not any program's), in small letters."""


class NoTable(PullwatchError):  # noqa: N818 - it names what the file is not
    """The file is no table of numbers in text."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How a text table is written. `names` and `units` are one for each column; a name is empty without a heading.

    `skip` lines stand above the first row of numbers; `heading` are the cells of the heading and of the line of units
    as they stand there, so that they are known again when they come in the middle of the file.
    """

    encoding: str
    separator: str
    decimal_comma: bool
    comment: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    skip: int
    heading: tuple[tuple[str, ...], ...]
    sample: tuple[tuple[str, ...], ...]
    """The first rows, cell by cell."""

    @property
    def width(self) -> int:
        """How many columns it has."""
        return len(self.names)


def read_layout(path: Path) -> Layout:
    """Return how the table in `path` is written. Raises NoTable in words if there is none, OSError if unreadable."""
    with path.open("rb") as file:
        head = file.read(HEAD)
        whole = len(head) < HEAD
    if not head.strip(b"\x00\r\n\t "):
        raise NoTable(f"{path} is empty.")
    encoding = encoding_of(head)
    lines = lines_of(head, encoding)
    if not whole and len(lines) > 1:
        lines.pop()
    layout = _layout(lines, encoding)
    if layout is None:
        raise NoTable(
            f"{path} holds no table that can be made out: {LEAST_ROWS} lines and more with equally many cells, most of "
            'them numbers, are expected, with ";", a tab, "," or "|" between the cells.'
        )
    return layout


def encoding_of(head: bytes) -> str:
    """Return the encoding of a text by its first bytes: its mark, else what fits."""
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return name
    even, odd = head[0:4096:2].count(0), head[1:4096:2].count(0)
    if max(even, odd) > len(head[:4096]) // 8:
        return "utf-16-le" if odd > even else "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def lines_of(head: bytes, encoding: str) -> list[str]:
    """Return the lines of the beginning of a text."""
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head)
    return re.split(r"\r\n|\n|\r", text.removesuffix("\n").removesuffix("\r"))


def cells_of(line: str, separator: str) -> tuple[str, ...]:
    """Return the cells of one line, quotes taken off; a space separates as any run of white space."""
    if separator == " ":
        return tuple(line.split())
    row: list[str] = []
    try:
        row = next(csv.reader([line], delimiter=separator, skipinitialspace=True), row)
    except csv.Error:
        row = line.split(separator)
    return tuple(cell.strip() for cell in row)


def number_of(cell: str, *, comma: bool) -> float | None:
    """Return the number in a cell, NaN for one that says there is none, None for words."""
    text = cell.strip()
    if text in EMPTY:
        return float("nan")
    if (_COMMA if comma else _POINT).fullmatch(text):
        return float(text.replace(",", ".") if comma else text)
    return YES_AND_NO.get(text.lower())


def is_numeric(cell: str, *, comma: bool) -> bool:
    """Whether a cell holds a number, not nothing and no word."""
    text = cell.strip()
    return text not in EMPTY and (_COMMA if comma else _POINT).fullmatch(text) is not None


def is_time(cell: str) -> bool:
    """Whether a cell holds a clock time or a date."""
    text = cell.strip()
    return _CLOCK.fullmatch(text) is not None or _DATE.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to read the lines."""

    separator: str
    comma: bool
    width: int
    share: float
    numeric: float


def _layout(lines: Sequence[str], encoding: str) -> Layout | None:
    numbered = [(place, line) for place, line in enumerate(lines) if line.strip()]
    comment = _comment([line for _, line in numbered])
    bare = [(place, line) for place, line in numbered if not comment or not line.lstrip().startswith(comment)]
    way = _way([line for _, line in bare])
    if way is None:
        return None
    separator, width = way.separator, way.width
    rows = [(place, cells_of(line, separator)) for place, line in bare]
    first = _first_row(rows, way)
    if first is None:
        return None
    start = rows[first][0]
    above = [line for place, line in numbered if place < start]
    heading, units, kept = _heading(above, comment, way)
    names, said = _names(heading, units, width)
    return Layout(
        encoding=encoding,
        separator=separator,
        decimal_comma=way.comma,
        comment=comment,
        names=tuple(names),
        units=tuple(said),
        skip=start,
        heading=kept,
        sample=tuple(cells for _, cells in rows[first:] if len(cells) == width),
    )


def _comment(lines: Sequence[str]) -> str:
    """Return what begins some of the lines, but not the most of them."""
    for mark in COMMENTS:
        marked = sum(line.lstrip().startswith(mark) for line in lines)
        if 0 < marked < max(len(lines) / 2, 2):
            return mark
    return ""


def _way(lines: Sequence[str]) -> _Way | None:
    """Return how the later lines are best read: most numbers, then most cells."""
    tail = lines[len(lines) // 4 :][-400:]
    found = []
    for separator in (*(one for one in SEPARATORS if one != ":"),):
        split = [cells_of(line, separator) for line in tail]
        widths = Counter(len(cells) for cells in split if any(_counts(cell) for cell in cells))
        if not widths:
            continue
        width, count = widths.most_common(1)[0]
        if count < LEAST_ROWS or count < ALIKE * len(tail):
            continue
        values = [cell for cells in split if len(cells) == width for cell in cells]
        commas = sum(_WITH_COMMA.fullmatch(value) is not None for value in values)
        points = sum("." in value and _POINT.fullmatch(value) is not None for value in values)
        comma = commas > points
        numeric = sum(_counts(value, comma=comma) or value in EMPTY for value in values)
        found.append(_Way(separator, comma, width, count / len(tail), numeric / len(values)))
    if any(way.width > 1 and way.separator != " " for way in found):
        # White space separates only where nothing else does: it stands within dates and names.
        found = [way for way in found if way.separator != " "]
    found = [way for way in found if way.width > 1 or way.numeric > ALIKE]
    if not found:
        return None
    return max(found, key=lambda way: (way.width > 1, round(way.numeric * way.share, 1), way.width))


def _counts(cell: str, *, comma: bool | None = None) -> bool:
    if comma is None:
        return is_numeric(cell, comma=False) or is_numeric(cell, comma=True) or is_time(cell)
    return is_numeric(cell, comma=comma) or is_time(cell)


def _first_row(rows: Sequence[tuple[int, tuple[str, ...]]], way: _Way) -> int | None:
    """Return the first line of the table itself: with its width, and numbers in half the places that have them."""
    fitting = [cells for _, cells in rows if len(cells) == way.width]
    usual = [
        sum(_counts(cells[place], comma=way.comma) for cells in fitting) * 2 > len(fitting)
        for place in range(way.width)
    ]
    least = max(1, sum(usual) / 2)
    for at, (_, cells) in enumerate(rows):
        if len(cells) == way.width:
            numbers = sum(usual[place] and _counts(cell, comma=way.comma) for place, cell in enumerate(cells))
            words = sum(
                usual[place] and not _counts(c, comma=way.comma) and c not in EMPTY for place, c in enumerate(cells)
            )
            if numbers >= least and numbers > words:
                return at
    return None


def _heading(
    above: Sequence[str], comment: str, way: _Way
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the cells of the heading, of the line of units, and of both as they stand there; empty where none is."""
    rows = []
    for line in above[-4:]:
        text = line.lstrip()
        bare = text[len(comment) :].lstrip() if comment and text.startswith(comment) else line
        rows.append(cells_of(bare, way.separator))
    fitting = [cells for cells in rows if way.width - 1 <= len(cells) <= way.width and any(cells)]
    if not fitting:
        return (), (), ()
    last = fitting[-1]
    if len(fitting) > 1 and _are_units(last):
        return fitting[-2], last, (fitting[-2], last)
    if _are_units(last) and not any(_is_named(cell) for cell in last):
        return (), last, (last,)
    return last, (), (last,)


def _is_named(cell: str) -> bool:
    return len(cell) > 3 and not _is_unit(cell)


def _are_units(cells: Sequence[str]) -> bool:
    """Whether most of what stands in a line is units."""
    full = [cell for cell in cells if cell]
    units = sum(_is_unit(cell) for cell in full)
    return bool(full) and units * 2 > len(full)


def _is_unit(cell: str) -> bool:
    bare = cell.strip().strip("[](){}").strip()
    return (
        bare in {"", "-", "%"}
        or bare.startswith("AFR@")
        or bare.lower() in _ODD_UNITS
        or bare in UNITS
        or unit_in("", bare) is not None
    )


def _names(heading: Sequence[str], units: Sequence[str], width: int) -> tuple[list[str], list[str]]:
    """Return a name and a unit for each column; a name that stands twice gets its number behind it."""
    names, said = [], []
    for place in range(width):
        name = heading[place] if place < len(heading) else ""
        unit = units[place].strip().strip("[](){}").strip() if place < len(units) else ""
        beside = _BESIDE.fullmatch(name)
        if beside is not None and beside["name"]:
            written = beside["square"] or beside["round"] or beside["curly"] or ""
            name, unit = beside["name"], unit or written.strip()
        names.append(name.strip())
        said.append("" if unit in {"-", "--"} else unit)
    counts = Counter(names)
    seen: Counter[str] = Counter()
    for place, name in enumerate(names):
        if name and counts[name] > 1:
            seen[name] += 1
            names[place] = f"{name} #{seen[name]}"
    return names, said
