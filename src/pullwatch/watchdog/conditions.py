"""Conditions: verdicts, and the rule language that a person writes them in.

    condition  = either { "or" either }
    either     = part { "and" part }
    part       = "not" part | "(" condition ")" | comparison | lost
    comparison = CHANNEL OP sum [ "deadband" NUMBER UNIT ]
    lost       = CHANNEL "is" "lost"
    sum        = term { ("+" | "-") term }
    term       = NUMBER [UNIT] | NUMBER "*" NAME | NAME            NAME: a channel or a named limit
    OP         = ">" | ">=" | "<" | "<=" | "==" | "!="

Total and bounded in cost: no loops, no functions, no eval; at most `MOST_PARTS` comparisons in one condition.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final, TypeAlias

from pullwatch.channels import Channel, Dimension, bring, suits, unit_named
from pullwatch.errors import ExpressionError, UnitError, nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.watchdog.limits import Curve


class Verdict(IntEnum):
    """What a condition answers, in the order that makes `and` the least of its parts."""

    NO = 0
    FAULT = 1
    """A value is there but not to be believed."""
    STALE = 2
    """There is no value, or it is too old."""
    BLIND = 3
    """A cut (or what the sensor still breathes of it) hides what is asked for."""
    YES = 4


SWAPPED: Final = (Verdict.YES, Verdict.FAULT, Verdict.STALE, Verdict.BLIND, Verdict.NO)
"""`not`: yes and no change places, not knowing stays what it is."""

MOST_PARTS = 64


def any_of(verdicts: Iterator[Verdict] | list[Verdict]) -> Verdict:
    """`or`: yes if one is yes, no if all are no, else the least of those that do not know."""
    return SWAPPED[min(SWAPPED[verdict] for verdict in verdicts)]


@dataclass(frozen=True, slots=True)
class Term:
    """`factor` × a channel's value, a curve's value, or (both None) one."""

    factor: float
    channel: int | None = None
    curve: str | None = None


Sum: TypeAlias = tuple[Term, ...]
"""Added up from left to right, starting with the first term (a subtraction is a negative factor)."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """`left` (a channel number) against the sum `right`; `deadband` ≥ 0, in the left channel's unit."""

    left: int
    op: str
    right: Sum
    deadband: float = 0.0

    @property
    def upward(self) -> bool:
        """Whether more of the left side is what the comparison looks for."""
        return self.op in (">", ">=")


@dataclass(frozen=True, slots=True)
class Lost:
    """Whether a channel is stale or faulty: yes or no, and stale only until its first deadline."""

    left: int


@dataclass(frozen=True, slots=True)
class Not:
    """Yes for no and no for yes."""

    part: Condition


@dataclass(frozen=True, slots=True)
class AllOf:
    """The least of the parts: one clear no decides, whatever the others do."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """Yes if one part is yes, no if all are no."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Surely:
    """Yes if the part is yes, no for everything else: what is not known does not count.

    It has no word in the language: it stands only where a condition silences a rule, so that silence needs knowing.
    """

    part: Condition


Leaf: TypeAlias = Comparison | Lost
Condition: TypeAlias = Comparison | Lost | Not | AllOf | AnyOf | Surely


def leaves(condition: Condition) -> Iterator[Leaf]:
    """Yield every comparison and lost-test of a condition, from left to right."""
    match condition:
        case Comparison() | Lost():
            yield condition
        case Not(part) | Surely(part):
            yield from leaves(part)
        case AllOf(parts) | AnyOf(parts):  # pragma: no branch - every condition is one of these
            for part in parts:
                yield from leaves(part)


@dataclass(frozen=True, slots=True)
class Names:
    """What a condition may name: the channels by name, the limits by name with the dimension of what they limit."""

    channels: Mapping[str, Channel]
    limits: Mapping[str, Curve]
    limit_dimensions: Mapping[str, Dimension]


_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:_\d+)*(?:\.\d+)?)|(?P<name>[A-Za-z][A-Za-z0-9_]*)|(?P<op>>=|<=|==|!=|>|<)|(?P<sign>[()+*-]))"
)
_UNIT = re.compile(r"\s*(AFR@\d+(?:\.\d+)?|(?:km/h|m/s2|m/s|%|°C|°F|°|[A-Za-z]+)(?:/s\b)?|/s\b)")
_WORDS = frozenset({"and", "or", "not", "is", "lost", "deadband"})

_ABS, _GAUGE, _DIFF = Dimension.ABSOLUTE_PRESSURE, Dimension.GAUGE_PRESSURE, Dimension.PRESSURE_DIFFERENCE


class _Parser:
    """Recursive descent over one text. Every error names its column."""

    def __init__(self, text: str, names: Names) -> None:
        self.text = text
        self.names = names
        self.at = 0
        self.kind = ""
        self.word = ""
        self.start = 0
        self.parts = 0
        self.depth = 0
        self.step()

    def step(self) -> None:
        rest = self.text[self.at :]
        if not rest.strip():
            self.kind, self.word, self.start = "end", "the end", len(self.text)
            return
        found = _TOKEN.match(self.text, self.at)
        if not found:
            column = self.at + len(rest) - len(rest.lstrip()) + 1
            raise ExpressionError(self.text, column, f'"{self.text[column - 1]}" has no meaning here')
        self.kind = str(found.lastgroup)
        self.word = found.group(self.kind)
        self.start = found.start(self.kind)
        self.at = found.end()

    def refuse(self, what: str) -> ExpressionError:
        return ExpressionError(self.text, self.start + 1, what)

    def is_word(self, word: str) -> bool:
        return self.kind == "name" and self.word == word

    def condition(self) -> Condition:
        self.depth += 1
        if self.depth > MOST_PARTS:
            raise self.refuse(f"more than {MOST_PARTS} levels of brackets")
        parts = [self.either()]
        while self.is_word("or"):
            self.step()
            parts.append(self.either())
        self.depth -= 1
        return parts[0] if len(parts) == 1 else AnyOf(tuple(parts))

    def either(self) -> Condition:
        parts = [self.part()]
        while self.is_word("and"):
            self.step()
            parts.append(self.part())
        return parts[0] if len(parts) == 1 else AllOf(tuple(parts))

    def part(self) -> Condition:
        swap = False
        while self.is_word("not"):
            self.step()
            swap = not swap
        inner: Condition
        if self.kind == "sign" and self.word == "(":
            self.step()
            inner = self.condition()
            if not (self.kind == "sign" and self.word == ")"):
                raise self.refuse(f'")" was expected, not {self.word}')
            self.step()
        else:
            inner = self.leaf()
        return Not(inner) if swap else inner

    def leaf(self) -> Leaf:
        self.parts += 1
        if self.parts > MOST_PARTS:
            raise self.refuse(f"more than {MOST_PARTS} comparisons in one condition")
        if self.kind != "name" or self.word in _WORDS:
            raise self.refuse(f"a channel was expected, not {self.word}")
        channel = self.names.channels.get(self.word)
        if channel is None:
            what = (
                "is a limit; the channel it limits comes first" if self.word in self.names.limits else "is no channel"
            )
            raise self.refuse(f'"{self.word}" {what}{nearest(self.word, self.names.channels)}')
        self.step()
        if self.is_word("is"):
            self.step()
            if not self.is_word("lost"):
                raise self.refuse(f'"lost" was expected after "is", not {self.word}')
            self.step()
            return Lost(channel.number)
        if self.kind != "op":
            raise self.refuse(
                f'a comparison (> >= < <= == !=) or "is lost" was expected after {channel.name}, not {self.word}'
            )
        op = self.word
        self.step()
        right = self.sum(channel)
        deadband = 0.0
        if self.is_word("deadband"):
            if op in ("==", "!="):
                raise self.refuse(f"a deadband has no meaning with {op}")
            self.step()
            deadband = self.deadband(channel)
        return Comparison(channel.number, op, right, deadband)

    def sum(self, left: Channel) -> Sum:
        sign = 1.0
        if self.kind == "sign" and self.word == "-":
            sign = -1.0
            self.step()
        begin = self.start
        terms: list[tuple[Term, Dimension | None]] = [self.term(left, sign, first=True)]
        while self.kind == "sign" and self.word in "+-":
            sign = 1.0 if self.word == "+" else -1.0
            self.step()
            terms.append(self.term(left, sign, first=False))
        self.check_dimensions(left, [(term.factor, dim) for term, dim in terms], begin)
        return tuple(term for term, _ in terms)

    def term(self, left: Channel, sign: float, *, first: bool) -> tuple[Term, Dimension | None]:
        """Return the term and its dimension (None: a typed number, which takes what the place asks for)."""
        if self.kind == "number":
            number = float(self.word.replace("_", ""))
            start, self_at = self.start, self.at
            if self.text[self.at :].lstrip().startswith("*"):
                self.step()
                self.step()
                return self.named(sign * number)
            alone = first and not self.sum_goes_on_after_unit(self_at)
            return Term(self.in_unit(sign * number, left, start, difference=not alone)), None
        return self.named(sign)

    def sum_goes_on_after_unit(self, at: int) -> bool:
        found = _UNIT.match(self.text, at)
        rest = self.text[found.end() if found and found.group(1) not in _WORDS else at :].lstrip()
        return rest[:1] in ("+", "-")

    def in_unit(self, number: float, left: Channel, start: int, *, difference: bool) -> float:
        found = _UNIT.match(self.text, self.at)
        if found is None or found.group(1) in _WORDS:
            if left.unit:
                raise UnitError(self.text, start + 1, f"{number:g} needs a unit; {left.name} is in {left.unit}")
            self.step()
            return number
        column = found.start(1) + 1
        unit = unit_named(found.group(1), self.text, column, number)
        self.at = found.end()
        self.check_unit(unit.word, left, column, difference=difference)
        value = number * unit.factor if difference and unit.offset else bring(number, unit)
        self.step()
        return value

    def check_unit(self, word: str, left: Channel, column: int, *, difference: bool) -> None:
        unit = unit_named(word, self.text, column)
        wanted = left.dimension
        allowed = {wanted}
        if difference and wanted in (_ABS, _GAUGE, _DIFF):
            allowed = {_DIFF, wanted} if wanted is not _ABS else {_DIFF}
        if difference and wanted is Dimension.TEMPERATURE:
            allowed = {Dimension.TEMPERATURE_DIFFERENCE}
        if any(suits(unit, dimension) for dimension in allowed):
            return
        pressures = {_ABS, _GAUGE, _DIFF}
        if unit.dimensions & pressures and wanted in pressures:
            kind = {_ABS: "absolute", _GAUGE: "gauge", _DIFF: "a difference of pressures"}[wanted]
            hint = {
                _ABS: f"write {word}a if absolute is meant, or {left.name} > barometric_pressure + … if gauge is meant"
                if word in ("psi", "bar")
                else "write it absolute (kPa, psia, bara)",
                _GAUGE: "write it gauge (kPa, psi, bar)",
                _DIFF: "write it as a difference (kPa, psi, bar)",
            }[wanted]
            raise UnitError(self.text, column, f"{left.name} is {kind}, and {word} does not say so: {hint}")
        raise UnitError(
            self.text,
            column,
            f"{left.name} is in {left.unit or 'plain numbers'}; {word} is not a unit of {wanted.value}",
        )

    def named(self, factor: float) -> tuple[Term, Dimension | None]:
        if self.kind != "name" or self.word in _WORDS:
            raise self.refuse(f"a number, a channel or a limit was expected, not {self.word}")
        name = self.word
        channel = self.names.channels.get(name)
        if channel is not None:
            self.step()
            return Term(factor, channel=channel.number), channel.dimension
        if name in self.names.limits:
            self.step()
            return Term(factor, curve=name), self.names.limit_dimensions[name]
        known = [*self.names.channels, *self.names.limits]
        raise self.refuse(f'"{name}" is neither a channel nor a limit{nearest(name, known)}')

    def check_dimensions(self, left: Channel, terms: list[tuple[float, Dimension | None]], begin: int) -> None:
        """Refuse sums that mean nothing: pressures count how often absolute and gauge stand in them."""
        pressures = {_ABS, _GAUGE, _DIFF}
        named = [(factor, dim) for factor, dim in terms if dim is not None]
        if left.dimension in pressures:
            for _, dim in named:
                if dim not in pressures:
                    raise UnitError(
                        self.text, begin + 1, f"{left.name} is a pressure and cannot be held against {dim.value}"
                    )
            absolute = sum(factor for factor, dim in named if dim is _ABS)
            gauge = sum(factor for factor, dim in named if dim is _GAUGE)
            if any(dim is None for _, dim in terms) and not named:
                return
            kind_ok = {
                _ABS: math.isclose(absolute, 1.0) and gauge == 0.0,
                _GAUGE: (absolute == 0.0 and gauge != 0.0)
                or (absolute == 0.0 and not any(d is _GAUGE for _, d in named)),
                _DIFF: absolute == 0.0 or not any(d is _ABS for _, d in named),
            }[left.dimension]
            if not kind_ok:
                kind = {_ABS: "absolute", _GAUGE: "gauge", _DIFF: "a difference"}[left.dimension]
                raise UnitError(
                    self.text,
                    begin + 1,
                    f"{left.name} is {kind}, the other side is not: gauge = absolute - barometric_pressure, "
                    "and the two cannot be compared directly",
                )
            return
        for _, dim in named:
            if dim is not left.dimension:
                raise UnitError(
                    self.text, begin + 1, f"{left.name} is {left.dimension.value}, the other side is {dim.value}"
                )

    def deadband(self, channel: Channel) -> float:
        if self.kind != "number":
            raise self.refuse(f"a number was expected after deadband, not {self.word}")
        return self.in_unit(float(self.word.replace("_", "")), channel, self.start, difference=True)


def parse(text: str, names: Names) -> Condition:
    """Read a condition. Raises ExpressionError or UnitError with the column and the nearest valid name."""
    parser = _Parser(text, names)
    if parser.kind == "end":
        raise ExpressionError(text, 0, "nothing is asked for")
    found = parser.condition()
    if parser.kind != "end":
        raise parser.refuse(f'"{parser.word}" was not expected here')
    return found


def parse_trip(text: str, names: Names) -> Leaf:
    """Read a trip: one comparison (not == or !=) or one lost-test, so that it has a margin, a unit and one number."""
    found = parse(text, names)
    if isinstance(found, Lost):
        return found
    if not isinstance(found, Comparison):
        raise ExpressionError(text, 0, "a trip is one comparison; conditions joined by and, or, not belong in while")
    if found.op in ("==", "!="):
        raise ExpressionError(
            text, 0, f"a trip needs a side to be on: {found.op} has none; use > or <, or put it in while"
        )
    return found


def quantity(text: str, dimension: Dimension, unit: str) -> float:
    """Read one number with its unit (`2.5 bar`) as a quantity of `dimension`, in its stored `unit`."""
    return _one_number(text, Channel(0, "it", unit, dimension), difference=False)


def distance(text: str, channel: Channel) -> float:
    """Read one number with its unit (`5 kPa`, `10 °C`) as a distance between two values of a channel, in its unit."""
    return _one_number(text, channel, difference=True)


def _one_number(text: str, channel: Channel, *, difference: bool) -> float:
    parser = _Parser(text, Names({}, {}, {}))
    sign = 1.0
    if parser.kind == "sign" and parser.word == "-":
        sign = -1.0
        parser.step()
    if parser.kind != "number":
        raise parser.refuse(f"a number with a unit was expected, not {parser.word}")
    value = parser.in_unit(sign * float(parser.word.replace("_", "")), channel, parser.start, difference=difference)
    if parser.kind != "end":
        raise parser.refuse(f'"{parser.word}" was not expected here')
    return value
