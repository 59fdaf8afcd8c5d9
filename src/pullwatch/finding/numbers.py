"""The five numbers a turbocharged engine is watched by, and what its controller cuts at: read with their units.

    highest manifold pressure      absolute; a gauge pressure is brought to it by the barometric pressure that is said
    lambda limit                   along the absolute manifold pressure
    oil pressure                   hot, along engine speed; gauge
    highest engine speed
    base fuel pressure             what the regulator holds across the injector

What makes no sense is refused in words: a number that is wrong here is an alarm that never comes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pullwatch.channels import QUANTITIES, UNITS, Dimension, Unit, bring, unit_named
from pullwatch.errors import PullwatchError, UnitError

if TYPE_CHECKING:
    from collections.abc import Callable

_NUMBER: Final = re.compile(r"\s*([+-]?(?:\d{1,3}(?:,\d{3})+|\d+(?:_\d+)*)(?:\.\d+)?)\s*(.*?)\s*", re.DOTALL)
_BETWEEN_POINTS: Final = re.compile(r"\s*;\s*|,\s+")
_AT: Final = re.compile(r"\s+at\s+|\s*@\s+")
_FROM: Final = {"gauge": "g", "g": "g", "absolute": "a", "abs": "a", "a": "a"}
UNKNOWN: Final = frozenset({"", "unknown", "?", "not known", "don't know"})

LEAST_BOOST: Final = 10.0
"""kPa: an engine whose highest manifold pressure is not so much above the air around it is not turbocharged."""


class Nonsense(PullwatchError):  # noqa: N818 - it names what was said, and reads so where it is caught
    """An answer that cannot be meant, and what was expected."""


@dataclass(frozen=True, slots=True)
class Points:
    """A limit that moves: `value` at `at`, both in stored units; without `at` the same everywhere."""

    at: tuple[float, ...]
    value: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that is asked. `start` is what careful people begin with where nobody knows better, as text."""

    key: str
    asks: str
    start: str
    why: str


FIVE: Final = (
    Question(
        "highest_manifold_pressure",
        "The highest manifold pressure this engine may see (absolute: 205 kPa, 29 psia; gauge: 1.0 bar, 15 psi)",
        "200 kPa",
        "about 1 bar of boost at sea level; common practice, no source",
    ),
    Question(
        "lambda_limit",
        "The leanest mixture allowed, along absolute manifold pressure (0.90 at 120, 0.83 at 240 kPa; or 12.5 AFR@14.7 "
        "at 160 kPa: an air-fuel number needs its scale)",
        "0.90 at 120, 0.86 at 160, 0.84 at 200, 0.83 at 240 kPa",
        "common practice, no source",
    ),
    Question(
        "oil_pressure",
        "The least oil pressure when hot, along engine speed (25 psi at 2500, 57 psi at 5700 rpm)",
        "25 at 2500, 40 at 4000, 57 psi at 5700 rpm",
        "10 psi for each 1,000 rpm; common practice, no source",
    ),
    Question("highest_engine_speed", "The highest engine speed (7000 rpm)", "6500 rpm", "common practice, no source"),
    Question(
        "base_fuel_pressure",
        "The base fuel pressure, across the injector (300 kPa, 3 bar, 43.5 psi)",
        "300 kPa",
        "common practice, no source",
    ),
)
BAROMETRIC: Final = Question(
    "barometric_pressure",
    "The barometric pressure where you are: of the place itself, not brought to sea level (98 kPa, 980 hPa)",
    "",
    "gauge pressures count from it",
)
CUTS: Final = (
    Question("cut_manifold_pressure", "At which manifold pressure does the controller itself cut?", "", ""),
    Question("cut_engine_speed", "At which engine speed does the controller itself cut?", "", ""),
    Question("cut_lambda", "At which lambda under boost does the controller itself cut?", "", ""),
)
KEYS: Final = tuple(question.key for question in (BAROMETRIC, *FIVE, *CUTS))


def is_unknown(text: str) -> bool:
    """Whether an answer says that nobody knows."""
    return text.strip().lower() in UNKNOWN


def amount(text: str, unit: Unit | None = None) -> tuple[float, Unit]:
    """Return a number and its unit; `unit` stands in where none is written. Raises Nonsense."""
    found = _NUMBER.fullmatch(text)
    if found is None or found[2].startswith(","):
        raise Nonsense(
            f'"{text.strip()}" is no number with a unit. Write for example 205 kPa, with a point: 2.05 bara.'
        )
    number = float(found[1].replace(",", "").replace("_", ""))
    word = found[2]
    base, _, where = word.rpartition(" ")
    if base and where.lower() in _FROM:
        word = base + _FROM[where.lower()]
    if not word:
        if unit is None:
            raise Nonsense(f'"{text.strip()}" has no unit: nobody can tell what {number:g} means.')
        return number, unit
    try:
        return number, unit_named(word, number=number)
    except UnitError as error:
        raise Nonsense(f'"{text.strip()}": {error.what.rstrip(".")}.') from error


def _brought(text: str, dimension: Dimension, unit: Unit | None = None) -> float:
    number, unit = amount(text, unit)
    if dimension not in unit.dimensions:
        raise Nonsense(f'"{text.strip()}": {unit.word} is no unit of {dimension.value}.')
    return bring(number, unit)


def barometric(text: str) -> float:
    """Read a barometric pressure: kPa. Raises Nonsense."""
    found = _brought(text, Dimension.ABSOLUTE_PRESSURE)
    known = QUANTITIES["barometric_pressure"]
    if not known.low <= found <= known.high:
        raise Nonsense(
            f"{found:g} kPa is no barometric pressure: {known.low:g} to {known.high:g} kPa are. Is it in another unit?"
        )
    return found


def absolute_pressure(text: str, around: float | None, unit: Unit | None = None) -> float:
    """Read a manifold pressure: kPa absolute. A gauge pressure counts from `around`, the barometric pressure in kPa.

    Raises Nonsense, also for a gauge pressure when the barometric pressure is not known.
    """
    number, unit = amount(text, unit)
    if Dimension.ABSOLUTE_PRESSURE in unit.dimensions:
        return bring(number, unit)
    if Dimension.GAUGE_PRESSURE not in unit.dimensions:
        raise Nonsense(f'"{text.strip()}": {unit.word} is no unit of pressure.')
    if around is None:
        raise Nonsense(
            f'"{text.strip()}" is gauge: it counts from the air around, which is not known here. Say '
            f"barometric_pressure too, or write it absolute ({unit.word}a, kPa)."
        )
    return bring(number, unit) + around


def highest_pressure(text: str, around: float | None) -> float:
    """Read the highest manifold pressure: kPa absolute. Raises Nonsense."""
    found = absolute_pressure(text, around)
    top = QUANTITIES["manifold_pressure"].high
    least = (around or QUANTITIES["barometric_pressure"].high) + LEAST_BOOST
    if not least <= found < top:
        hint = "Was gauge meant? Write kPag, bar or psi." if found < least else "Look at the unit."
        raise Nonsense(
            f"{found:.0f} kPa absolute cannot be the highest manifold pressure of a turbocharged engine: "
            f"{least:.0f} to {top:.0f} kPa are expected. {hint}"
        )
    return found


def _points(
    text: str, value: Callable[[str, Unit | None], float], at: Callable[[str, Unit | None], float], example: str
) -> Points:
    """Read `VALUE at PLACE, VALUE at PLACE unit`: a unit written at one point goes for those before it."""
    value_unit: Unit | None = None
    at_unit: Unit | None = None
    values: list[float] = []
    places: list[float] = []
    points = [part for part in _BETWEEN_POINTS.split(text.strip()) if part]
    for point in reversed(points):
        parts = _AT.split(point)
        if len(parts) > 2 or (len(parts) == 1 and len(points) > 1):
            raise Nonsense(f'"{point}" is no point of a curve. Write for example {example}.')
        number, _, _ = parts[0].strip().partition(" ")
        value_unit = _unit_of(parts[0]) or value_unit
        values.insert(0, value(parts[0] if _unit_of(parts[0]) else number, value_unit))
        if len(parts) == 2:
            at_unit = _unit_of(parts[1]) or at_unit
            places.insert(0, at(parts[1], at_unit))
    if any(after <= before for before, after in pairwise(places)):
        raise Nonsense(f'"{text.strip()}": the points must rise from one to the next. Write for example {example}.')
    return Points(tuple(places), tuple(values))


def _unit_of(text: str) -> Unit | None:
    found = _NUMBER.fullmatch(text)
    return amount(text)[1] if found is None or found[2] else None


def lambda_limit(text: str, around: float | None) -> Points:
    """Read the leanest mixture along manifold pressure (kPa absolute). Raises Nonsense."""

    def value(text: str, unit: Unit | None) -> float:
        if unit is None:
            found = _NUMBER.fullmatch(text)
            if found is not None and float(found[1].replace(",", "")) > 2:
                unit = unit_or_nonsense("AFR", float(found[1].replace(",", "")))
            unit = UNITS["lambda"]
        lean = _brought(text, Dimension.LAMBDA, unit)
        if not 0.6 <= lean <= 1.05:
            raise Nonsense(
                f'"{text.strip()}" is lambda {lean:.3f}: no leanest mixture under boost. 0.75 to 0.95 are usual '
                "(common practice, no source); from 1.05 on nothing is guarded."
            )
        return lean

    points = _points(
        text, value, lambda text, unit: absolute_pressure(text, around, unit), "0.90 at 120, 0.83 at 240 kPa"
    )
    if any(after > before for before, after in pairwise(points.value)):
        raise Nonsense(
            f'"{text.strip()}" allows a leaner mixture at a higher pressure: the other way round is expected. Are two '
            "points swapped?"
        )
    return points


def unit_or_nonsense(word: str, number: float) -> Unit:
    """Return the unit of a word. Raises Nonsense with what is wrong with it."""
    try:
        return unit_named(word, number=number)
    except UnitError as error:
        raise Nonsense(f"{error.what.rstrip('.')}.") from error


def oil_pressure(text: str) -> Points:
    """Read the least hot oil pressure (kPa gauge) along engine speed (rpm). Raises Nonsense."""

    def value(text: str, unit: Unit | None) -> float:
        found = _brought(text, Dimension.GAUGE_PRESSURE, unit)
        if not 30 <= found <= 1_000:
            raise Nonsense(
                f'"{text.strip()}" is {found:.0f} kPa: 30 to 1,000 kPa (0.3 to 10 bar) are expected of hot oil.'
            )
        return found

    points = _points(text, value, engine_speed, "25 psi at 2500, 57 psi at 5700 rpm")
    if any(after < before for before, after in pairwise(points.value)):
        raise Nonsense(f'"{text.strip()}" falls with engine speed: oil pressure rises with it. Are two points swapped?')
    return points


def engine_speed(text: str, unit: Unit | None = None) -> float:
    """Read an engine speed: rpm. Raises Nonsense."""
    found = _brought(text, Dimension.ROTATION, unit)
    if not 500 <= found <= QUANTITIES["engine_speed"].high:
        raise Nonsense(f'"{text.strip()}" is no engine speed: 500 to 12,000 rpm are expected.')
    return found


def highest_speed(text: str) -> float:
    """Read the highest engine speed: rpm. Raises Nonsense."""
    found = engine_speed(text)
    if not 3_000 <= found < QUANTITIES["engine_speed"].high:
        raise Nonsense(f'"{text.strip()}" cannot be the highest engine speed: 3,000 to 12,000 rpm are expected.')
    return found


def base_fuel_pressure(text: str) -> float:
    """Read the base fuel pressure: kPa across the injector. Raises Nonsense."""
    found = _brought(text, Dimension.PRESSURE_DIFFERENCE)
    if not 150 <= found <= 1_200:
        raise Nonsense(
            f'"{text.strip()}" is {found:.0f} kPa: 150 to 1,200 kPa (1.5 to 12 bar) are expected across the '
            "injector of port injection."
        )
    return found


def cut_lambda(text: str) -> float:
    """Read the lambda the controller cuts at. Raises Nonsense."""
    found = _brought(text, Dimension.LAMBDA)
    if not 0.6 <= found <= 1.5:
        raise Nonsense(f'"{text.strip()}" is lambda {found:.3f}: no lean cut is set there.')
    return found


@dataclass(slots=True)
class Numbers:
    """What was answered, in stored units; None: nobody knows yet. `said` holds the answers as they were given."""

    barometric: float | None = None
    highest_pressure: float | None = None
    lambda_limit: Points | None = None
    oil_pressure: Points | None = None
    highest_speed: float | None = None
    base_fuel: float | None = None
    cut_pressure: float | None = None
    cut_speed: float | None = None
    cut_lambda: float | None = None

    def take(self, key: str, text: str) -> None:
        """Take the answer to one question; the barometric pressure comes first. Raises Nonsense."""
        if is_unknown(text):
            return
        match key:
            case "barometric_pressure":
                self.barometric = barometric(text)
            case "highest_manifold_pressure":
                self.highest_pressure = highest_pressure(text, self.barometric)
            case "lambda_limit":
                self.lambda_limit = lambda_limit(text, self.barometric)
            case "oil_pressure":
                self.oil_pressure = oil_pressure(text)
            case "highest_engine_speed":
                self.highest_speed = highest_speed(text)
            case "base_fuel_pressure":
                self.base_fuel = base_fuel_pressure(text)
            case "cut_manifold_pressure":
                self.cut_pressure = highest_pressure(text, self.barometric)
            case "cut_engine_speed":
                self.cut_speed = highest_speed(text)
            case "cut_lambda":
                self.cut_lambda = cut_lambda(text)
            case _:
                raise AssertionError(key)

    def doubts(self) -> list[str]:
        """Return what to be wary of when the answers are held against each other."""
        out = []
        if self.highest_pressure and self.cut_pressure and self.cut_pressure <= self.highest_pressure:
            out.append(
                f"The controller cuts at {self.cut_pressure:.0f} kPa, not above the highest manifold pressure "
                f"({self.highest_pressure:.0f} kPa): the cut comes first, and the overboost alarm after it."
            )
        if self.highest_speed and self.cut_speed and self.highest_speed <= self.cut_speed:
            out.append(
                f"The highest engine speed ({self.highest_speed:.0f} rpm) is not above the limiter "
                f"({self.cut_speed:.0f} rpm): every touch of the limiter may alarm. An over-speed alarm is for what "
                "the limiter cannot prevent, a missed gear: set it 200 rpm above (common practice, no source)."
            )
        return out


def started() -> Numbers:
    """Return the numbers careful people begin with: none of them is this engine's own."""
    numbers = Numbers()
    for question in FIVE:
        numbers.take(question.key, question.start)
    return numbers
