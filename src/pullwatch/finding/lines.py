"""Lines of text: what stands between their fields, whether fields carry names, and what each of them held.

The outcome is said in the terms the line decoder is set up with: a separator, a decimal comma, a comment mark, and
fields by key or by column.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pullwatch.decoders.text import LONGEST
from pullwatch.finding.heard import rate_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.finding.heard import Heard

SEPARATORS: Final = (";", "\t", ",", "|", " ", ":")
"""In the order in which they are preferred where two fit equally. A space stands for any white space."""
ASSIGNS: Final = ("=", ":")
"""What may stand between a name and its value."""
COMMENTS: Final = ("#", "%", "//", "*", "!")
LEAST_LINES: Final = 3
"""Whole lines without which nothing is said of them."""
ALIKE: Final = 0.7
"""The share of lines that must be laid out alike."""
WORDS_KEPT: Final = 8
LARGEST_BEFORE_COMMA: Final = 30
"""Air-fuel numbers, lambda, volts and bar stay below it; two whole numbers side by side hardly do."""

_POINT: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA: Final = re.compile(r"[+-]?\d+,\d+")
_SUFFIXED: Final = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*([A-Za-z%/]+)")
_END: Final = re.compile(rb"[\r\n]+")
_UNIT_BESIDE: Final = re.compile(r"^(?P<name>.*?)\s*[\[(](?P<unit>[^\])]*)[\])]\s*$")


@dataclass(frozen=True, slots=True)
class Column:
    """One field of the lines. `key` if it carries its name, else `number`, counting from 1.

    `name` and `unit` are as the device wrote them (in the key or in a heading), empty where it did not. `least` and
    `most` are NaN where it held no number; `words` are what else it held, the most frequent first. `rate` in Hz.
    """

    key: str
    number: int
    name: str
    unit: str
    count: int
    numbers: int
    least: float
    most: float
    words: tuple[str, ...]
    rate: float
    suffix: str = ""
    """The text behind every one of its numbers ("psi" of 14.2psi)."""

    @property
    def still(self) -> bool:
        """Whether it always held the same number."""
        return self.least == self.most

    @property
    def is_state(self) -> bool:
        """Whether it holds words, few of them, and no numbers."""
        return self.numbers == 0 and 0 < len(self.words) < WORDS_KEPT


@dataclass(frozen=True, slots=True)
class Lines:
    """What the lines are like. `share` of them (0 to 1) is laid out so; `count` are whole lines, `rate` in Hz."""

    separator: str
    keyed: bool
    decimal_comma: bool
    comment: str
    heading: tuple[str, ...]
    columns: tuple[Column, ...]
    count: int
    share: float
    rate: float
    sample: str
    assign: str = "="
    doubtful_comma: bool = False
    """The comma, taken as the decimal comma of one number, may stand between two."""


@dataclass(frozen=True, slots=True)
class _Layout:
    separator: str
    assign: str
    """Between name and value; empty where fields carry no names."""
    comma: bool
    share: float
    numeric: float
    width: float

    @property
    def keyed(self) -> bool:
        """Whether fields carry names."""
        return self.assign != ""


def read_lines(heard: Heard) -> Lines | None:
    """Return what the lines are like, None if this is no text in lines."""
    whole = _whole(heard)
    if len(whole) < LEAST_LINES:
        return None
    texts = [(time, text) for time, line in whole if (text := _text(line)) is not None]
    comment = _comment([text for _, text in texts])
    bare = [(time, text) for time, text in texts if not comment or not text.startswith(comment)]
    layout = _layout([text for _, text in bare])
    if layout is None or layout.share * len(bare) < LEAST_LINES:
        return None
    fitting = [(time, parts) for time, text in bare if (parts := _fields(text, layout)) is not None]
    doubtful = _doubtful([parts for _, parts in fitting], layout)
    if doubtful:
        layout = replace(layout, separator=SEPARATORS[0], comma=True, width=1.0)
        fitting = [(time, parts) for time, text in bare if (parts := _fields(text, layout)) is not None]
    columns = _columns(fitting, layout, heard.seconds)
    heading: tuple[str, ...] = ()
    if not layout.keyed:
        heading, columns = _named(columns, [text for _, text in texts], comment, layout)
    return Lines(
        separator=layout.separator,
        keyed=layout.keyed,
        decimal_comma=layout.comma,
        comment=comment,
        heading=heading,
        columns=columns,
        count=len(whole),
        share=(len(fitting) + len(texts) - len(bare)) / len(whole),
        rate=rate_of([time for time, _ in fitting], heard.seconds),
        sample=_middle([text for _, text in bare]),
        assign=layout.assign or ASSIGNS[0],
        doubtful_comma=doubtful,
    )


def _whole(heard: Heard) -> list[tuple[int, bytes]]:
    """Return (time of its end, line) of every whole line. The first may have lost its beginning and is left out."""
    data = heard.data
    ends = list(_END.finditer(data))
    found = []
    for before, after in pairwise(ends):
        line = data[before.end() : after.start()]
        if line.strip():
            found.append((heard.time_of(after.start()), line))
    return found


def _text(line: bytes) -> str | None:
    if len(line) > LONGEST or not line.isascii():
        return None
    text = line.decode()
    return text.strip() if text.replace("\t", " ").isprintable() else None


def _middle(texts: Sequence[str]) -> str:
    return texts[len(texts) // 2]


def _comment(texts: Sequence[str]) -> str:
    """Return what begins some of the lines, but not the most of them."""
    for mark in COMMENTS:
        marked = sum(text.startswith(mark) for text in texts)
        if 0 < marked < len(texts) / 2:
            return mark
    return ""


def _split(text: str, separator: str) -> list[str]:
    return [part.strip() for part in text.split(None if separator == " " else separator)]


def _number(text: str, *, comma: bool) -> float | None:
    if comma:
        if _COMMA.fullmatch(text) or (_POINT.fullmatch(text) and "." not in text):
            return float(text.replace(",", "."))
        return None
    return float(text) if _POINT.fullmatch(text) else None


def _pairs(parts: Sequence[str], assign: str) -> list[tuple[str, str]] | None:
    """Return the fields of a line whose fields carry their names, None if it is no such line."""
    pairs = []
    for part in parts:
        if not part:
            continue
        key, found, value = part.partition(assign)
        if not found or assign in value or not key.strip():
            return None
        if assign != ASSIGNS[0] and _is_number(key.strip()):
            return None  # a time of day
        pairs.append((key.strip(), value.strip()))
    return pairs or None


def _layout(texts: Sequence[str]) -> _Layout | None:
    """Return how the most of the lines are laid out: names before columns, then most numbers, then most fields."""
    found = []
    for separator in SEPARATORS:
        split = [_split(text, separator) for text in texts]
        for assign in ASSIGNS:
            if assign != separator:
                named = [_pairs(parts, assign) for parts in split]
                pairs = [one for one in named if one is not None]
                found += _measured([[value for _, value in one] for one in pairs], len(texts), separator, assign)
        widths = Counter(len(parts) for parts in split if any(_is_number(part) for part in parts))
        if widths:
            width = widths.most_common(1)[0][0]
            found += _measured([parts for parts in split if len(parts) == width], len(texts), separator, "")
    # A colon stands in times of day too: it separates fields only where nothing else does.
    if any(layout.width > 1 for layout in found if layout.separator != ":"):
        found = [layout for layout in found if layout.separator != ":"]
    if not found:
        return None
    # max() keeps the first of equals: the order of SEPARATORS.
    return max(found, key=lambda layout: (layout.keyed, round(layout.numeric, 2), layout.width))


def _is_number(text: str) -> bool:
    plain = _number(text, comma=False) is not None or _number(text, comma=True) is not None
    return plain or _suffix([text]) != ""


def _suffix(values: Sequence[str]) -> str:
    """Return the one text that stands behind the number in every value, empty if there is none."""
    found = [_SUFFIXED.fullmatch(value) for value in values]
    suffixes = {one[2] if one is not None else "" for one in found}
    return suffixes.pop() if len(suffixes) == 1 else ""


def _measured(rows: Sequence[Sequence[str]], all_lines: int, separator: str, assign: str) -> list[_Layout]:
    if not rows or len(rows) / all_lines < ALIKE:
        return []
    values = [value for row in rows for value in row]
    commas = sum(_COMMA.fullmatch(value) is not None for value in values)
    points = sum("." in value and _POINT.fullmatch(value) is not None for value in values)
    comma = separator != "," and commas > 0 and points == 0
    numeric = sum(_number(value, comma=comma) is not None or _suffix([value]) != "" for value in values)
    if not numeric:
        return []
    share = len(rows) / all_lines
    return [_Layout(separator, assign, comma, share, numeric / len(values), len(values) / len(rows))]


def _fields(text: str, layout: _Layout) -> list[tuple[str, str]] | None:
    """Return (key or column number as text, value) of a line, None if it is not laid out so."""
    parts = _split(text, layout.separator)
    if layout.keyed:
        return _pairs(parts, layout.assign)
    if len(parts) != round(layout.width) or not any(_is_number(part) for part in parts):
        return None
    return [(str(number), part) for number, part in enumerate(parts, start=1)]


def _columns(
    fitting: Sequence[tuple[int, list[tuple[str, str]]]], layout: _Layout, seconds: float
) -> tuple[Column, ...]:
    seen: dict[str, list[tuple[int, str]]] = {}
    for time, parts in fitting:
        for place, value in parts:
            seen.setdefault(place, []).append((time, value))
    columns = []
    for place, held in seen.items():
        values = held
        suffix = _suffix([value for _, value in values])
        if suffix:
            values = [(time, value.removesuffix(suffix).strip()) for time, value in values]
        numbers = [number for _, value in values if (number := _number(value, comma=layout.comma)) is not None]
        others = Counter(value for _, value in values if value and _number(value, comma=layout.comma) is None)
        name, unit = _name_and_unit(place) if layout.keyed else ("", "")
        columns.append(
            Column(
                key=place if layout.keyed else "",
                number=0 if layout.keyed else int(place),
                name=name,
                unit=unit or suffix,
                count=len(values),
                numbers=len(numbers),
                least=min(numbers, default=math.nan),
                most=max(numbers, default=math.nan),
                words=tuple(word for word, _ in others.most_common(WORDS_KEPT)),
                rate=rate_of([time for time, _ in values], seconds),
                suffix=suffix,
            )
        )
    return tuple(columns)


def _name_and_unit(written: str) -> tuple[str, str]:
    """Return a heading or key without the unit in brackets beside it, and that unit."""
    found = _UNIT_BESIDE.match(written.strip())
    return (found["name"], found["unit"].strip()) if found else (written.strip(), "")


def _named(
    columns: tuple[Column, ...], texts: Sequence[str], comment: str, layout: _Layout
) -> tuple[tuple[str, ...], tuple[Column, ...]]:
    """Return the heading, if a line without numbers has one word for each column, and the columns with its names."""
    for text in texts:
        parts = _split(text.removeprefix(comment) if comment else text, layout.separator)
        if len(parts) != len(columns) or any(_is_number(part) for part in parts):
            continue
        if all(part and part[0].isalpha() for part in parts) and len(set(parts)) == len(parts):
            named = []
            for column, part in zip(columns, parts, strict=True):
                name, unit = _name_and_unit(part)
                named.append(replace(column, name=name, unit=unit or column.unit))
            return tuple(parts), tuple(named)
    return (), columns


def _doubtful(rows: Sequence[Sequence[tuple[str, str]]], layout: _Layout) -> bool:
    """Whether a line like 0,853 may be one number: small before the comma, always as many digits behind it."""
    if layout.separator != "," or layout.keyed or round(layout.width) != 2:
        return False
    if not all(row[0][1].isdigit() and row[1][1].isdigit() for row in rows):
        return False
    widths = {len(row[1][1]) for row in rows}
    return len(widths) == 1 and widths.pop() > 1 and max(int(row[0][1]) for row in rows) <= LARGEST_BEFORE_COMMA
