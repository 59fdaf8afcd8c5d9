"""What a column or a signal may be, by the words in its name, the unit beside it, and the numbers it held.

The words are those of the trade, not those of any program. Every outcome is a guess: whoever uses one says so, and
leaves the decision to a person.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import DEFAULT_AIR_FUEL_SCALE, QUANTITIES, UNITS, Dimension, Unit, bring, suits

if TYPE_CHECKING:
    from collections.abc import Mapping

AIR_FUEL: Final = "air-fuel"
"""What `Guess.question` is about when a column may be an air-fuel number: its scale cannot be guessed."""

BY_NUMBERS: Final = "its numbers"
"""Why a column without a name is guessed at."""
_SAME: Final[Mapping[str, str]] = {
    "press": "pressure", "pres": "pressure", "prs": "pressure",
    "temp": "temperature", "tmp": "temperature", "temps": "temperature",
    "rev": "rpm", "revs": "rpm", "baro": "barometric", "barometer": "barometric", "atmospheric": "barometric",
    "batt": "battery", "vbat": "battery", "volts": "voltage", "volt": "voltage",
    "water": "coolant", "clt": "coolant", "ect": "coolant", "lam": "lambda", "lamda": "lambda", "tps": "throttle",
    "inj": "injector", "injection": "injector", "ign": "ignition", "spark": "ignition", "inlet": "intake",
    "charge": "intake", "diff": "differential", "delta": "differential", "goal": "target", "demand": "target",
    "desired": "target", "transmission": "gearbox", "accelerator": "pedal", "flex": "ethanol", "wg": "wastegate",
    "pulsewidth": "pulse", "mapp": "map", "roadspeed": "road",
}  # fmt: skip
"""Words and short forms that mean the same."""

# Each: the channel, then groups of words; every group must have one of its words in the name. Those with more groups
# are asked first, so that "oil temperature" is not taken for "oil".
_NAMES: Final[tuple[tuple[str, tuple[frozenset[str], ...]], ...]] = tuple(
    (channel, tuple(frozenset(group.split()) for group in groups))
    for channel, *groups in (
        ("lambda_target", "lambda", "target"),
        ("boost_target", "boost", "target"),
        ("wastegate_duty", "wastegate boost", "duty"),
        ("fuel_differential_pressure", "fuel", "differential"),
        ("exhaust_back_pressure", "exhaust back", "pressure"),
        ("crankcase_pressure", "crankcase", "pressure"),
        ("coolant_pressure", "coolant", "pressure"),
        ("oil_pressure", "oil", "pressure"),
        ("fuel_pressure", "fuel", "pressure"),
        ("barometric_pressure", "ambient barometric", "pressure"),
        ("manifold_pressure", "intake", "pressure"),
        ("oil_temperature", "oil", "temperature"),
        ("coolant_temperature", "coolant engine", "temperature"),
        ("exhaust_gas_temperature", "exhaust egt", "temperature"),
        ("ambient_temperature", "ambient outside", "temperature"),
        ("gearbox_temperature", "gearbox", "temperature"),
        ("intake_air_temperature", "intake air", "temperature"),
        ("engine_speed", "engine motor", "speed"),
        ("turbo_speed", "turbo", "speed rpm"),
        ("vehicle_speed", "vehicle road car", "speed"),
        ("injector_pulse_width", "injector pulse", "width time"),
        ("injector_duty", "injector", "duty"),
        ("knock_retard", "knock", "retard"),
        ("knock_level", "knock", "level voltage"),
        ("ignition_advance", "ignition", "advance angle timing"),
        ("fuel_level", "fuel", "level"),
        ("battery_voltage", "battery", "voltage"),
        ("engine_speed", "rpm"),
        ("manifold_pressure", "map manifold"),
        ("boost", "boost"),
        ("barometric_pressure", "barometric"),
        ("lambda", "lambda"),
        ("throttle", "throttle"),
        ("pedal", "pedal"),
        ("battery_voltage", "battery"),
        ("exhaust_gas_temperature", "egt"),
        ("intake_air_temperature", "iat"),
        ("ignition_advance", "advance timing"),
        ("knock_retard", "retard"),
        ("ethanol_content", "ethanol"),
        ("gear", "gear"),
        ("cut_active", "cut"),
        ("launch_active", "launch"),
        ("clutch", "clutch"),
        ("brake", "brake"),
        ("vehicle_speed", "kph kmh mph road"),
    )
)  # fmt: skip
_LOOSE: Final[Mapping[str, tuple[str, ...]]] = {
    "oil": ("oil_pressure", "oil_temperature"),
    "fuel": ("fuel_pressure",),
    "coolant": ("coolant_temperature",),
    "intake": ("intake_air_temperature", "manifold_pressure"),
    "air": ("intake_air_temperature",),
    "exhaust": ("exhaust_gas_temperature",),
    "voltage": ("battery_voltage",),
    "ambient": ("ambient_temperature", "barometric_pressure"),
}
"""Words that say where, but not what."""
_SET: Final = frozenset({"target", "duty", "limit", "error", "correction", "trim"})
"""Words that turn a measured thing into something else, which a rule for the bare word must not take for it."""

_USUAL: Final[Mapping[str, tuple[float, float]]] = {
    "engine_speed": (0, 10_000),
    "manifold_pressure": (15, 350),
    "boost": (-95, 250),
    "boost_target": (15, 350),
    "barometric_pressure": (75, 106),
    "lambda": (0.55, 1.7),
    "lambda_target": (0.55, 1.3),
    "oil_pressure": (-10, 900),
    "fuel_pressure": (-10, 1_000),
    "fuel_differential_pressure": (-10, 1_000),
    "coolant_pressure": (-10, 250),
    "oil_temperature": (-30, 160),
    "coolant_temperature": (-30, 130),
    "intake_air_temperature": (-30, 120),
    "ambient_temperature": (-30, 55),
    "exhaust_gas_temperature": (-30, 1_100),
    "battery_voltage": (6, 16.5),
}
"""Where readings usually lie, in the stored unit (common practice, no source); elsewhere what is believed at all."""
_WRITTEN: Final[Mapping[Dimension, tuple[str, ...]]] = {
    Dimension.ABSOLUTE_PRESSURE: ("kPa", "bara", "psia", "mbar"),
    Dimension.GAUGE_PRESSURE: ("kPa", "bar", "psi"),
    Dimension.PRESSURE_DIFFERENCE: ("kPa", "bar", "psi"),
    Dimension.TEMPERATURE: ("°C", "°F"),
    Dimension.SPEED: ("km/h", "mph"),
}
"""Units devices write such quantities in (common practice, no source); elsewhere the stored one."""
_LEAST_MBAR: Final = 600
"""A pressure in mbar gets at least so high, key on or running; a lower number is in another unit."""
_SPELLED: Final[Mapping[str, str]] = {
    "c": "°C", "degc": "°C", "f": "°F", "degf": "°F", "kph": "km/h", "kmh": "km/h", "pct": "%", "percent": "%",
    "volt": "V", "volts": "V", "degrees": "deg",
}  # fmt: skip
_AIR_FUEL_RANGE: Final = (7.0, 22.4)
"""Air-fuel numbers of petrol scales between lambda 0.5 and 1.5 (computed on 14.7), rounded."""
_WORD: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|°[CF]|%")


@dataclass(frozen=True, slots=True)
class Guess:
    """What a column may be. `units` are those in which its numbers would be usual, the likeliest first.

    `question` is what a person must answer before it can be taken for that, empty if only the guess itself.
    """

    channel: str
    units: tuple[str, ...]
    why: str
    question: str = ""

    @property
    def clear(self) -> bool:
        """Whether it could be taken as it stands, once confirmed: one channel, one unit, nothing asked."""
        return len(self.units) == 1 and self.question != AIR_FUEL


def words_in(name: str) -> tuple[str, ...]:
    """Return the words of a name, in small letters, short forms written out: `OilPress_bar` is oil, pressure, bar."""
    return tuple(_SAME.get(word.lower(), word.lower()) for word in _WORD.findall(name))


def unit_in(name: str, unit: str = "") -> Unit | None:
    """Return the unit written beside a name, or as the last word of it, None if there is none."""
    written = [unit] if unit else []
    words = _WORD.findall(name)
    written += words[-1:] if len(words) > 1 else []
    for word in written:
        found = UNITS.get(word.strip()) or UNITS.get(_SPELLED.get(word.strip().lower(), ""))
        if found is None:
            found = {known.lower(): each for known, each in UNITS.items()}.get(word.strip().lower())
        # A last letter of a name is hardly a unit: k, g, s and m stand for much else.
        if found is not None and (unit or len(word) > 1 or word in ("C", "F", "V")):
            return found
    return None


def guess(name: str, unit: str, least: float, most: float, *, loose: bool = True) -> tuple[Guess, ...]:
    """Return what a column named so, with numbers from `least` to `most`, may be: none, one, or several to choose from.

    Without a name the numbers alone decide, and that is never more than a hint. `loose` lets a word that only says
    where (oil, fuel) stand for what is usually measured there.
    """
    words = set(words_in(name))
    if not words:
        return _by_numbers(least, most)
    known = unit_in(name, unit)
    if "afr" in words or {"air", "fuel"} <= words:
        return _air_fuel(words, least, most)
    found = []
    for channel in _named(words, known, loose=loose):
        units = _units(channel, known, least, most)
        if units:
            found.append(Guess(channel, units, f'named "{name}"', _asked(channel, least)))
    return tuple(found)


def _named(words: set[str], unit: Unit | None, *, loose: bool) -> tuple[str, ...]:
    """Return the channels a name with these words may mean; a unit says what it is a pressure or temperature of."""
    told = words | ({_FROM_UNIT[unit.stored]} if unit is not None and unit.stored in _FROM_UNIT else set())
    fitting = [
        (channel, groups)
        for channel, groups in _NAMES
        if all(group & told for group in groups)
        and not (len(groups) == 1 and words & _SET - groups[0])
        and (unit is None or suits(unit, QUANTITIES[channel].dimension))
    ]
    if fitting:
        most = max(len(groups) for _, groups in fitting)
        return (next(channel for channel, groups in fitting if len(groups) == most),)
    if words & _SET or not loose:
        return ()
    may_be = [channel for word in sorted(words) for channel in _LOOSE.get(word, ())]
    return tuple(channel for channel in may_be if unit is None or suits(unit, QUANTITIES[channel].dimension))


_FROM_UNIT: Final[Mapping[str, str]] = {"kPa": "pressure", "°C": "temperature", "rpm": "speed", "V": "voltage"}


def _units(channel: str, unit: Unit | None, least: float, most: float) -> tuple[str, ...]:
    """Return the units in which numbers of this channel are usual; the one that was written, whatever they are."""
    quantity = QUANTITIES[channel]
    if unit is not None:
        same = unit.factor == 1.0 and not unit.offset  # "C" is °C, "kPa" kPa; "psia" has to stay
        return (unit.stored if same else unit.word,) if suits(unit, quantity.dimension) else ()
    written = _WRITTEN.get(quantity.dimension, (quantity.unit,))
    if math.isnan(least):
        return written
    low, high = _USUAL.get(channel, (quantity.low, quantity.high))
    return tuple(
        word
        for word in written
        if all(low <= (bring(number, UNITS[word]) if word else number) <= high for number in (least, most))
        and (word != "mbar" or most >= _LEAST_MBAR)
    )


def _asked(channel: str, least: float) -> str:
    dimension = QUANTITIES[channel].dimension
    if dimension is Dimension.ABSOLUTE_PRESSURE:
        doubt = " It was below 0, so it can hardly be absolute." if least < 0 else ""
        return f"absolute or gauge? Key on, engine off: absolute reads about 100 kPa, gauge 0.{doubt}"
    if dimension is Dimension.GAUGE_PRESSURE:
        return "gauge or absolute? Key on, engine off: gauge reads 0, absolute about 100 kPa (1 bar)."
    return ""


def _air_fuel(words: set[str], least: float, most: float) -> tuple[Guess, ...]:
    channel = "lambda_target" if "target" in words else "lambda"
    if _inside((least, most), _USUAL["lambda"]):
        # Named as an air-fuel ratio, but the numbers are those of lambda.
        return (Guess(channel, ("lambda", f"AFR@{DEFAULT_AIR_FUEL_SCALE:g}"), "named air-fuel", AIR_FUEL),)
    return (Guess(channel, (f"AFR@{DEFAULT_AIR_FUEL_SCALE:g}",), "named air-fuel", AIR_FUEL),)


def _by_numbers(least: float, most: float) -> tuple[Guess, ...]:
    """Return what numbers without a name may be. It is never more than a hint."""
    if math.isnan(least):
        return ()
    here = (least, most)
    found = []
    if _inside(here, _USUAL["lambda"]) and not float(least).is_integer():
        found.append(Guess("lambda", ("lambda",), BY_NUMBERS))
    if _inside(here, _AIR_FUEL_RANGE):
        found.append(Guess("lambda", (f"AFR@{DEFAULT_AIR_FUEL_SCALE:g}",), BY_NUMBERS, AIR_FUEL))
    if _inside(here, _USUAL["battery_voltage"]) and least > 9:
        found.append(Guess("battery_voltage", ("V",), BY_NUMBERS))
    if _inside(here, _USUAL["barometric_pressure"]) and most - least < 2:
        found.append(Guess("barometric_pressure", ("kPa",), BY_NUMBERS, _asked("barometric_pressure", least)))
    if _inside(here, _USUAL["manifold_pressure"]) and most > 60:
        found.append(Guess("manifold_pressure", ("kPa",), BY_NUMBERS, _asked("manifold_pressure", least)))
    if _inside(here, _USUAL["coolant_temperature"]) and most > 10:
        found.append(Guess("coolant_temperature", ("°C",), BY_NUMBERS))
    if _inside(here, (0, 10_000)) and most > 500:
        found.append(Guess("engine_speed", ("rpm",), BY_NUMBERS))
    return tuple(found)


def _inside(numbers: tuple[float, float], bounds: tuple[float, float]) -> bool:
    return all(bounds[0] <= number <= bounds[1] for number in numbers)
