"""How it is said what a column of a log is, and how units are written in logs."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import QUANTITIES, Dimension, suits, unit_named
from pullwatch.errors import PullwatchError, UnitError, nearest
from pullwatch.finding.guesses import unit_in

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Unit

LEFT_OUT: Final = "-"
PLAIN: Final = "plain"
"""What an answer says that leaves a column out, or keeps it as a plain number."""
_SPEC: Final = re.compile(r"\s*([a-z][a-z0-9_]*|-)\s*(?:\[\s*(-?)\s*([^\]]*?)\s*\])?\s*")
_KINDLESS: Final = frozenset({"", "-", "none", "raw", "state", "#", "number", "unit", "units", "bool", "0/1", "on/off"})
_SPELLED: Final[Mapping[str, str]] = {
    "kpa(a)": "kPaa", "kpaabs": "kPaa", "kpaa": "kPaa", "kpa(abs)": "kPaa", "kpa(g)": "kPag", "kpag": "kPag",
    "bar(a)": "bara", "barabs": "bara", "bar(abs)": "bara", "bar(g)": "barg", "psi(a)": "psia", "psiabs": "psia",
    "psi(g)": "psig", "psi(abs)": "psia", "deg.c": "°C", "celsius": "°C", "deg.f": "°F", "fahrenheit": "°F",
    "λ": "lambda", "lam": "lambda", "rpm": "rpm", "1/min": "rpm", "min-1": "rpm", "u/min": "rpm", "degbtdc": "deg",
    "°btdc": "deg", "btdc": "deg", "°ca": "deg", "degrees": "deg", "kmh": "km/h", "msec": "ms", "volts": "V",
}  # fmt: skip
"""Ways in which units are written (the trade's own), in small letters without spaces."""


class WrongAnswer(PullwatchError):  # noqa: N818 - it names what was said
    """An answer names no column, no channel, or a unit that cannot be."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a column is, as a person said it: `channel[unit]`, a minus before a unit for the other sign, or `-`."""

    channel: str
    unit: str = ""
    turned: bool = False

    def __str__(self) -> str:
        minus = "-" if self.turned else ""
        return f"{self.channel}[{minus}{self.unit}]" if self.unit or self.turned else self.channel


def read_answer(text: str) -> Answer:
    """Read `channel[unit]`, `-` or `plain`. Raises WrongAnswer in words."""
    found = _SPEC.fullmatch(text)
    if found is None:
        raise WrongAnswer(
            f'"{text.strip()}" is no answer. Write channel[unit], as in manifold_pressure[kPa] or lambda[AFR@14.7]; '
            "- leaves the column out, plain keeps it as a plain number."
        )
    name, minus, word = found[1], found[2], found[3] or ""
    if name in (LEFT_OUT, PLAIN, "time"):
        return Answer(name, word)
    if name not in QUANTITIES:
        raise WrongAnswer(f'"{name}" is no channel of the catalogue{nearest(name, QUANTITIES)}.')
    quantity = QUANTITIES[name]
    if word and not (word == "1" and quantity.dimension is Dimension.PERCENT):
        try:
            unit = unit_named(word)
        except UnitError as error:
            raise WrongAnswer(f"{text.strip()}: {error.what.rstrip('.')}.") from error
        to_gauge = quantity.dimension is Dimension.GAUGE_PRESSURE and suits(unit, Dimension.ABSOLUTE_PRESSURE)
        if not suits(unit, quantity.dimension) and not to_gauge:
            raise WrongAnswer(
                f"{text.strip()}: {word} is no unit of {name}, which is {quantity.dimension.value}."
                + (" Absolute: write psia, bara or kPa." if quantity.dimension is Dimension.ABSOLUTE_PRESSURE else "")
            )
    return Answer(name, word, bool(minus))


def unit_of(text: str) -> tuple[str, Unit | None]:
    """Return how a unit written in a file is written here, and it; ("", None) for none, (text, None) if unknown."""
    bare = text.strip()
    if bare.lower() in _KINDLESS:
        return "", None
    word = _SPELLED.get(bare.lower().replace(" ", ""), bare)
    try:
        return word, unit_named(word)
    except UnitError:
        found = unit_in("", word) or unit_in("", word.replace(" ", ""))
        return (bare, None) if found is None else (found.word, found)
