"""Which channel each column of a log is: said, remembered, told by name and unit, proved by its numbers, or asked.

Nothing that changes what a number means is guessed: not the scale of an air-fuel number, not whether a pressure is
gauge or absolute, not which sign a knock retard has, not which of two columns is meant. What is open is asked; without
an answer the column is kept as a plain number under a name of its own, on which no rule rests.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pullwatch.channels import CHANNEL_NAME, DEFAULT_AIR_FUEL_SCALE, QUANTITIES, UNITS, Dimension, suits
from pullwatch.errors import nearest
from pullwatch.exchange import pressures
from pullwatch.exchange.column_words import LEFT_OUT, PLAIN, Answer, WrongAnswer, unit_of
from pullwatch.finding.guesses import guess, words_in
from pullwatch.setup.defaults import RESERVED

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pullwatch.channels import Unit
    from pullwatch.exchange.survey import Seen, Survey

_AIR_FUEL_NUMBERS: Final = (8.0, 22.4)
_LAMBDA_NUMBERS: Final = (0.5, 2.5)
"""Where the hundredth and the ninety-ninth hundredth of such columns lie: the two do not meet."""
SHARE: Final = 100.0
"""Percent in one, for a column that holds a share of 1."""
_MANIFOLD: Final = frozenset({"manifold_pressure", "boost"})
_IN_SEVERAL_UNITS: Final = frozenset(
    {
        Dimension.ABSOLUTE_PRESSURE,
        Dimension.GAUGE_PRESSURE,
        Dimension.PRESSURE_DIFFERENCE,
        Dimension.TEMPERATURE,
        Dimension.SPEED,
    }
)
"""What logs are written in more than one unit of."""
_WARM: Final = ("coolant_temperature", "oil_temperature")
_WARMED: Final = 60.0
"""°C that coolant or oil reach in an engine that was run hard; in °F such a reading would be a cold engine's."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What becomes of one column: number × scale + offset in `unit` is `channel`, for the reason `why`.

    `channel` is empty for one that is left out. `question` is what is open, `plain` says that it is kept as a plain
    number; `choices` are answers that would settle it.
    """

    column: int
    channel: str
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    why: str = ""
    plain: bool = False
    question: str = ""
    choices: tuple[str, ...] = ()
    turned: bool = False
    from_air: str = ""
    """The absolute unit of a column that is kept as gauge, less the air around."""

    @property
    def answer(self) -> Answer:
        """Return it as a person would have said it: of another file with this heading it means the same."""
        if not self.channel:
            return Answer(LEFT_OUT)
        if self.plain:
            return Answer(PLAIN)
        unit = self.from_air or ("1" if self.scale == SHARE else self.unit or QUANTITIES[self.channel].unit)
        return Answer(self.channel, unit, self.turned)


def decide(
    survey: Survey, answers: Mapping[str, Answer] | None = None, remembered: Mapping[str, Answer] | None = None
) -> list[Decision]:
    """Return what becomes of each column that has numbers. `answers` are by the column's name.

    `remembered` ones, of another file with this heading, stand where there is no answer; they must not contradict what
    this file proves. Raises WrongAnswer if one does, and for an answer to a column that is not there.
    """
    return _Deciding(
        survey, {**(remembered or {}), **(answers or {})}, set(remembered or {}) - set(answers or {})
    ).all()


class _Deciding:
    def __init__(self, survey: Survey, answers: Mapping[str, Answer], remembered: set[str]) -> None:
        self.columns = survey.columns
        self.remembered = remembered
        self.answers = {name.casefold(): answer for name, answer in answers.items()}
        names = [column.name for column in self.columns]
        unknown = [name for name in answers if name.casefold() not in {one.casefold() for one in names}]
        if unknown:
            raise WrongAnswer(
                f'there is no column "{unknown[0]}"{nearest(unknown[0], names)}. Columns: {", ".join(names)}.'
            )

    def all(self) -> list[Decision]:
        found = [self.one(at, column) for at, column in enumerate(self.columns) if column.all.count]
        found = self.temperatures(found)
        found = self.banks(found)
        found = self.apart(found)
        return self.named(found)

    def one(self, at: int, column: Seen) -> Decision:
        said = self.answers.get(column.name.casefold())
        if said is not None:
            return self.said(at, column, said)
        low, high = column.usual
        written, unit = unit_of(column.unit)
        words = {*words_in(column.name), *words_in(column.unit)}
        if column.name in QUANTITIES and (unit is None or suits(unit, QUANTITIES[column.name].dimension)):
            word = "" if unit is None or unit.word == QUANTITIES[column.name].unit else unit.word
            if written and unit is None:
                return self.unknown_unit(at, column, column.name)
            return Decision(at, column.name, word, why="its name is that of the channel")
        guesses = guess(column.name, unit.word if unit is not None else "", low, high)
        if "afr" in words or {"air", "fuel"} <= words or any(one.channel.startswith("lambda") for one in guesses):
            return self.mixture(at, column, unit, target="target" in words)
        if "lambda" in words and not guesses:
            return self.mixture(at, column, unit, target="target" in words)
        if written and unit is None:
            named = guess(column.name, "", float("nan"), float("nan"))
            return self.unknown_unit(at, column, named[0].channel) if named else Decision(at, PLAIN, plain=True)
        if unit is None:
            # The numbers are held against the units below; by its name alone it may be a pressure in any.
            guesses = guess(column.name, "", float("nan"), float("nan")) if words_in(column.name) else ()
        if not guesses and unit is not None and unit.stored == "kPa":
            # Bare psi and bar are gauge for us, psia is not: what its name means may count from elsewhere in this log.
            named = guess(column.name, "", float("nan"), float("nan"))
            guesses = tuple(one for one in named if QUANTITIES[one.channel].unit == "kPa")
        if not guesses:
            return Decision(at, PLAIN, plain=True, why="nothing here knows its name")
        if len(guesses) > 1:
            choices = tuple(one.channel for one in guesses)
            return self.open(at, f"{' or '.join(choices)}?", choices, f'named "{column.name}"')
        channel = guesses[0].channel
        dimension = QUANTITIES[channel].dimension
        why = f'named "{column.name}"' + (f" in {written}" if written else "")
        if dimension in (Dimension.ABSOLUTE_PRESSURE, Dimension.GAUGE_PRESSURE):
            return self.pressure(at, column, channel, unit, why)
        if channel == "knock_retard":
            return self.retard(at, column, unit, why)
        if unit is not None:
            word = "" if unit.factor == 1.0 and not unit.offset else unit.word
            return Decision(at, channel, word, why=why)
        return self.unwritten(at, column, channel, why)

    def open(self, at: int, question: str, choices: Sequence[str], why: str) -> Decision:
        return Decision(at, PLAIN, plain=True, question=question, choices=tuple(choices), why=why)

    def unknown_unit(self, at: int, column: Seen, channel: str) -> Decision:
        known = [word for word in pressures.FACTORS if QUANTITIES[channel].unit == "kPa"] or [
            QUANTITIES[channel].unit or "plain"
        ]
        question = f'{channel}, in a unit that is not known here ("{column.unit}"): in which of ours are its numbers?'
        return self.open(at, question, [f"{channel}[{word}]" for word in known], f'named "{column.name}"')

    # -- what was said

    def said(self, at: int, column: Seen, said: Answer) -> Decision:
        if said.channel == LEFT_OUT:
            return Decision(at, "", why="you leave it out")
        if said.channel == PLAIN:
            return Decision(at, PLAIN, plain=True, why="a plain number, as you said")
        quantity = QUANTITIES[said.channel]
        word = said.unit
        if word == "1":
            return Decision(at, said.channel, "", scale=SHARE, why="a share of 1, as you said")
        scale = -1.0 if said.turned else 1.0
        why = "as you said"
        word = word or self.written_unit(column, said)
        if word and quantity.dimension is Dimension.GAUGE_PRESSURE and not suits(UNITS[word], quantity.dimension):
            return self.less_air(at, column, said)
        why += self.against(column, said, word or quantity.unit)
        word = "" if word == quantity.unit else word
        return Decision(at, said.channel, word, scale=scale, why=why, turned=said.turned)

    def against(self, column: Seen, said: Answer, word: str) -> str:
        """Return what in this log speaks against what was said of a pressure; refuse a remembered answer for it."""
        base = word[:-1] if word[:-1] in pressures.FACTORS else word
        if said.channel not in _MANIFOLD or base not in pressures.FACTORS:
            return ""
        ways = pressures.manifold(column, (base,))
        absolute = said.channel == "manifold_pressure"
        if len(ways) != 1 or not ways[0].proof or ways[0].absolute is absolute:
            return ""
        kind = "absolute" if ways[0].absolute else "gauge"
        if column.name in self.remembered:
            raise WrongAnswer(
                f'"{column.name}" was said to be {said.channel} in a file with the same heading; here it is {kind}: '
                f"{ways[0].proof}. Say which it is: --set '{column.name}=channel[unit]'."
            )
        return f"; BUT it looks {kind}: {ways[0].proof}"

    def written_unit(self, column: Seen, said: Answer) -> str:
        """Return the unit the file has for a column of which only the channel was said. Raises WrongAnswer."""
        quantity = QUANTITIES[said.channel]
        written, unit = unit_of(column.unit)
        if unit is not None and suits(unit, quantity.dimension):
            return unit.word
        if unit is not None and quantity.dimension is Dimension.ABSOLUTE_PRESSURE and unit.word in ("psi", "bar"):
            return f"{unit.word}a"
        low, high = column.usual
        many = quantity.dimension in _IN_SEVERAL_UNITS
        scaled = quantity.dimension is Dimension.LAMBDA and not _LAMBDA_NUMBERS[0] <= high <= _LAMBDA_NUMBERS[1]
        if written or many or scaled:
            known = (
                f'in "{written}", which is no unit of {said.channel} here' if written else "in no unit that is written"
            )
            example = f"AFR@{DEFAULT_AIR_FUEL_SCALE:g}" if scaled else quantity.unit
            raise WrongAnswer(
                f'"{column.name}" ({low:.4g} to {high:.4g}) is {known}: say the unit too, as in '
                f"{said.channel}[{example}]."
            )
        return ""

    def less_air(self, at: int, column: Seen, said: Answer) -> Decision:
        """Return a gauge channel out of an absolute column, by what it read with the engine off."""
        factor = UNITS[said.unit].factor
        air = column.stood.mean * factor
        if column.stood.count < pressures.LEAST_ROWS or not pressures.AIR[0] <= air <= pressures.AIR[1]:
            raise WrongAnswer(
                f'"{column.name}" as {said}: {said.channel} is kept as gauge, and what the air around was is not in '
                "this log (it has no stretch with the engine off). Leave it out, or take the air off before."
            )
        gauge = {"psia": "psig", "bara": "barg"}.get(said.unit, "kPag")
        why = f"absolute, as you said; less {column.stood.mean:.4g}, what it read with the engine off"
        return Decision(at, said.channel, gauge, offset=-column.stood.mean, why=why, from_air=said.unit)

    # -- mixture

    def mixture(self, at: int, column: Seen, unit: Unit | None, *, target: bool) -> Decision:
        channel = "lambda_target" if target else "lambda"
        if unit is not None and unit.word.startswith("AFR@"):
            return Decision(at, channel, unit.word, why=f"its scale is written in the file ({unit.word})")
        low, high = column.usual
        if _LAMBDA_NUMBERS[0] <= low and high <= _LAMBDA_NUMBERS[1]:
            return Decision(at, channel, "", why="its numbers are those of lambda")
        if unit is not None and unit.word == "lambda" and not _AIR_FUEL_NUMBERS[0] <= low:
            return Decision(at, channel, "", why="in lambda")
        default = f"{channel}[AFR@{DEFAULT_AIR_FUEL_SCALE:g}]"
        question = (
            f"an air-fuel number ({low:.4g} to {high:.4g}): on which scale, what does it show at lambda 1? It cannot "
            f"be guessed from the fuel. Often {DEFAULT_AIR_FUEL_SCALE:g}: then {default}"
        )
        return self.open(at, question, [default], f'named "{column.name}"')

    # -- pressures

    def pressure(self, at: int, column: Seen, channel: str, unit: Unit | None, why: str) -> Decision:
        if unit is not None and unit.word[-1] in "ag" and unit.word[:-1] in pressures.FACTORS:
            return self.told(at, column, channel, unit, why)
        if channel == "barometric_pressure":
            return self.barometric(at, column, unit, why)
        units = (
            (unit.word if unit.word in pressures.FACTORS else "mbar",) if unit is not None else tuple(pressures.FACTORS)
        )
        if unit is not None and unit.word == "hPa":
            units = ("mbar",)
        ways = pressures.manifold(column, units) if channel in _MANIFOLD else pressures.other(column, units)
        if channel not in _MANIFOLD and unit is None:
            fitting = (
                set(guess(column.name, "", *column.usual)[0].units) if guess(column.name, "", *column.usual) else set()
            )
            ways = [way for way in ways if way.unit in fitting]
        if channel == "boost_target":
            ways = []
        if len(ways) == 1 and ways[0].proof:
            return self.proved(at, channel, ways[0], why)
        choices = self.choices(
            channel,
            ways
            or [
                pressures.Reading(word, absolute=absolute, proof="") for word in units[:3] for absolute in (True, False)
            ],
        )
        question = "gauge or absolute?" if unit is not None else "in which unit, and gauge or absolute?"
        seen = "nothing in this log proves it (no stretch with the engine off or at idle that does)"
        low, high = column.usual
        return self.open(at, f"{channel}: {question} {low:.4g} to {high:.4g}; {seen}", choices, why)

    def choices(self, channel: str, ways: Sequence[pressures.Reading]) -> list[str]:
        out = []
        for way in ways:
            name = channel
            if channel in _MANIFOLD:
                name = "manifold_pressure" if way.absolute else "boost"
            out.append(f"{name}[{_word(way.unit, absolute=way.absolute)}]")
        return list(dict.fromkeys(out))

    def told(self, at: int, column: Seen, channel: str, unit: Unit, why: str) -> Decision:
        """Return a pressure whose unit says from where it counts."""
        absolute = suits(unit, Dimension.ABSOLUTE_PRESSURE)
        if channel in _MANIFOLD:
            channel = "manifold_pressure" if absolute else "boost"
        if absolute is (QUANTITIES[channel].dimension is Dimension.ABSOLUTE_PRESSURE):
            return Decision(at, channel, unit.word, why=why)
        if absolute:
            try:
                return self.less_air(at, column, Answer(channel, unit.word))
            except WrongAnswer as error:
                return self.open(at, str(error), ["-"], why)
        return self.open(at, f"{channel} is kept absolute, and this is gauge: it is left a plain number", ["-"], why)

    def barometric(self, at: int, column: Seen, unit: Unit | None, why: str) -> Decision:
        low, high = column.usual
        words = [unit.word] if unit is not None else list(pressures.FACTORS)
        fits = [
            word
            for word in words
            if pressures.AIR[0] <= low * _factor(word) and high * _factor(word) <= pressures.AIR[1]
        ]
        if len(fits) == 1:
            word = fits[0] if fits[0] not in pressures.FACTORS else _word(fits[0], absolute=True)
            return Decision(
                at, "barometric_pressure", "" if word == "kPa" else word, why=f"{why}, and its numbers are the air's"
            )
        return self.open(
            at, f"barometric_pressure in which unit? {low:.4g} to {high:.4g}", ["barometric_pressure[kPa]"], why
        )

    def proved(self, at: int, channel: str, way: pressures.Reading, why: str) -> Decision:
        word = _word(way.unit, absolute=way.absolute)
        kind = "absolute" if way.absolute else "gauge"
        why = f"{kind}, proved: {way.proof}"
        if channel in _MANIFOLD:
            name = "manifold_pressure" if way.absolute else "boost"
            return Decision(at, name, "" if word == "kPa" else word, why=why)
        if way.absolute:
            gauge = _word(way.unit, absolute=False)
            off = way.air / pressures.FACTORS[way.unit]
            why = f"{why}: kept as gauge, less that"
            absolute = "kPaa" if word in ("kPa", "mbar") else word
            scale = pressures.FACTORS["mbar"] if way.unit == "mbar" else 1.0
            gauge = "kPa" if way.unit == "mbar" else gauge
            off *= scale
            unit = "" if gauge == "kPa" else gauge
            return Decision(at, channel, unit, scale, offset=-off, why=why, from_air="" if scale != 1.0 else absolute)
        return Decision(at, channel, "" if word == "kPa" else word, why=why)

    # -- others

    def retard(self, at: int, column: Seen, unit: Unit | None, why: str) -> Decision:
        word = "" if unit is None or unit.word in ("deg", "°") else unit.word
        if column.below and column.above:
            low, high = column.all.least, column.all.most
            question = f"knock_retard: which sign takes degrees out? It goes from {low:.4g} to {high:.4g}"
            return self.open(at, question, ["knock_retard[deg]", "knock_retard[-deg]"], why)
        if column.below:
            why = f"{why}; never above 0, so what is taken out is written below 0: turned"
            return Decision(at, "knock_retard", word or "deg", scale=-1.0, why=why, turned=True)
        return Decision(
            at, "knock_retard", word, why=f"{why}; never below 0" if column.above else f"{why}; 0 throughout"
        )

    def unwritten(self, at: int, column: Seen, channel: str, why: str) -> Decision:
        """Return a channel whose unit is not written: taken where only one is usual, else asked."""
        quantity = QUANTITIES[channel]
        low, high = column.usual
        if quantity.dimension is Dimension.PERCENT and column.all.most <= 1.5 and column.all.most > column.all.least:
            question = f"{channel}: a share of 1, or percent? {low:.4g} to {high:.4g}"
            return self.open(at, question, [f"{channel}[1]", f"{channel}[%]"], why)
        fitting = [one for one in guess(column.name, "", low, high) if one.channel == channel]
        units = fitting[0].units if fitting else ()
        if quantity.dimension is Dimension.SPEED:
            units = ("km/h", "mph")
        if len(units) == 1:
            word = "" if units[0] == quantity.unit else units[0]
            shown = units[0] or "a plain number"
            return Decision(at, channel, word, why=f"{why}, in {shown} by its numbers")
        known = units or ((quantity.unit,) if quantity.unit else ())
        question = f"{channel}: in which unit? {low:.4g} to {high:.4g}"
        return self.open(at, question, [f"{channel}[{word}]" for word in known] or [channel], why)

    def temperatures(self, found: list[Decision]) -> list[Decision]:
        """Settle °C or °F where a warm engine shows it: all temperatures of a log are in the same."""
        written = {
            unit.word
            for column in self.columns
            if (unit := unit_of(column.unit)[1]) is not None and unit.stored == "°C"
        }
        shown = ""
        for one in found:
            if one.question and one.choices and one.choices[0].split("[")[0] in _WARM:
                high = self.columns[one.column].usual[1]
                if high >= _WARMED and (high - 32) * 5 / 9 < _WARMED:
                    shown = "°C"
        if written or not shown:
            return found
        out = []
        for one in found:
            channel = one.choices[0].split("[")[0] if one.question and one.choices else ""
            if channel and QUANTITIES[channel].dimension is Dimension.TEMPERATURE and f"{channel}[°C]" in one.choices:
                why = f"{one.why}, in °C: in °F this engine would never have been warm"
                out.append(Decision(one.column, channel, why=why))
            else:
                out.append(one)
        return out

    def banks(self, found: list[Decision]) -> list[Decision]:
        """Tell two lambda columns apart by the 1 and the 2 in their names."""
        both = [one for one in found if one.channel == "lambda" and not one.plain]
        if len(both) != 2:
            return found
        numbers = [re.findall(r"\d", self.columns[one.column].name) for one in both]
        if sorted(number[-1] for number in numbers if number) != ["1", "2"]:
            return found
        banks = {
            one.column: replace(one, channel=f"lambda_bank{number[-1]}", why=f"{one.why}; of two, bank {number[-1]}")
            for one, number in zip(both, numbers, strict=True)
        }
        return [banks.get(one.column, one) for one in found]

    def apart(self, found: list[Decision]) -> list[Decision]:
        """Ask where two columns would be one channel; one that was said has it."""
        counts = Counter(one.channel for one in found if one.channel and not one.plain)
        out = []
        for one in found:
            if not one.plain and counts[one.channel] > 1:
                others = [each for each in found if each.channel == one.channel and each is not one]
                said = self.columns[one.column].name.casefold() in self.answers
                named = [self.columns[each.column].name for each in others]
                taken = [each for each in others if self.columns[each.column].name.casefold() in self.answers]
                if said and taken:
                    raise WrongAnswer(
                        f'"{self.columns[one.column].name}" and "{named[0]}" are both said to be {one.channel}.'
                    )
                if not said:
                    question = f'which of them is {one.channel}, "{self.columns[one.column].name}" or "{named[0]}"?'
                    out.append(self.open(one.column, question, [str(one.answer)], one.why))
                    continue
            out.append(one)
        return out

    def named(self, found: list[Decision]) -> list[Decision]:
        """Give every plain number a name of its own."""
        taken: set[str] = {one.channel for one in found if not one.plain}
        out = []
        for one in found:
            if one.plain:
                name = plain_name(self.columns[one.column].name, one.column, taken)
                taken.add(name)
                out.append(replace(one, channel=name))
            else:
                out.append(one)
        return out


def plain_name(name: str, column: int, taken: set[str]) -> str:
    """Return a name for a plain number: `raw_` and the words of the column's own."""
    words = "_".join(re.findall(r"[a-z0-9]+", re.sub(r"([a-z])([A-Z])", r"\1_\2", name).lower()))
    made = f"raw_{words or f'column_{column + 1}'}"[:60]
    base, count = made, 1
    while made in taken or made in QUANTITIES or made in RESERVED or not CHANNEL_NAME.fullmatch(made):
        count += 1
        made = f"{base}_{count}"
    return made


def _word(unit: str, *, absolute: bool) -> str:
    """Return a unit of `FACTORS` as it is written for an absolute or a gauge channel."""
    return f"{unit}a" if absolute and unit in ("bar", "psi") else unit


def _factor(word: str) -> float:
    return UNITS[word].factor


def speed_column(names: Sequence[str], units: Sequence[str]) -> int | None:
    """Return the column that has the engine speed in rpm by its name, None if none or several have."""
    found = []
    for at, (name, unit) in enumerate(zip(names, units, strict=True)):
        word, known = unit_of(unit)
        if (word and known is None) or (known is not None and known.stored != "rpm"):
            continue
        guesses = guess(name, "rpm" if known is not None else "", float("nan"), float("nan"))
        if name == "engine_speed" or [one.channel for one in guesses] == ["engine_speed"]:
            found.append(at)
    return found[0] if len(found) == 1 else None
