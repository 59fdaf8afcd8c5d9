"""Channels: what is measured, in which unit, gauge or absolute by name, and what is to be believed of it.

Every channel has one unit, in which it is stored and judged. Numbers typed by people carry units and are brought to it
by `to_unit`. Air-fuel ratio is a way of writing lambda and always names its scale (`12.0 AFR@14.7`).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from pullwatch.errors import UnitError, nearest

if TYPE_CHECKING:
    from collections.abc import Mapping


NS_PER_MS = 1_000_000


class Dimension(Enum):
    """What kind of quantity a number is; only like may be compared with like."""

    ABSOLUTE_PRESSURE = "absolute pressure"
    GAUGE_PRESSURE = "gauge pressure"
    PRESSURE_DIFFERENCE = "pressure difference"
    LAMBDA = "lambda"
    ROTATION = "rotational speed"
    SPEED = "road speed"
    PERCENT = "percent"
    TIME = "time"
    ANGLE = "angle"
    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature difference"
    VOLTAGE = "voltage"
    ACCELERATION = "acceleration"
    RATIO = "ratio"
    TORQUE = "torque"
    LENGTH = "length"
    NUMBER = "plain number"
    PRESSURE_RATE = "pressure per second"
    LAMBDA_RATE = "lambda per second"
    ROTATION_RATE = "rotational speed per second"
    SPEED_RATE = "road speed per second"
    PERCENT_RATE = "percent per second"
    TIME_RATE = "time per second"
    ANGLE_RATE = "angle per second"
    TEMPERATURE_RATE = "temperature per second"
    VOLTAGE_RATE = "voltage per second"
    ACCELERATION_RATE = "acceleration per second"
    TORQUE_RATE = "torque per second"
    LENGTH_RATE = "length per second"
    NUMBER_RATE = "plain number per second"


_D = Dimension
_PRESSURES = frozenset({_D.ABSOLUTE_PRESSURE, _D.GAUGE_PRESSURE, _D.PRESSURE_DIFFERENCE})

PSI_IN_KPA = 6.894757293168361
"""1 lbf/in² in kPa (NIST SP 811, appendix B.8: 6.894 757 kPa; here from the exact pound, inch and standard gravity)."""


@dataclass(frozen=True, slots=True)
class Unit:
    """How a written unit is brought to the stored one: stored = number × factor + offset."""

    word: str
    stored: str
    factor: float
    offset: float
    dimensions: frozenset[Dimension]


def _unit(word: str, stored: str, factor: float, *dimensions: Dimension, offset: float = 0.0) -> Unit:
    return Unit(word, stored, factor, offset, frozenset(dimensions))


_ALL_UNITS = (
    # A bare pressure unit says how much, not from where: the channel it is held against says whether it is gauge.
    _unit("kPa", "kPa", 1.0, *_PRESSURES),
    _unit("bar", "kPa", 100.0, _D.GAUGE_PRESSURE, _D.PRESSURE_DIFFERENCE),
    _unit("mbar", "kPa", 0.1, *_PRESSURES),
    _unit("hPa", "kPa", 0.1, *_PRESSURES),
    _unit("psi", "kPa", PSI_IN_KPA, _D.GAUGE_PRESSURE, _D.PRESSURE_DIFFERENCE),
    _unit("psia", "kPa", PSI_IN_KPA, _D.ABSOLUTE_PRESSURE),
    _unit("psig", "kPa", PSI_IN_KPA, _D.GAUGE_PRESSURE),
    _unit("bara", "kPa", 100.0, _D.ABSOLUTE_PRESSURE),
    _unit("barg", "kPa", 100.0, _D.GAUGE_PRESSURE),
    _unit("kPaa", "kPa", 1.0, _D.ABSOLUTE_PRESSURE),
    _unit("kPag", "kPa", 1.0, _D.GAUGE_PRESSURE),
    _unit("lambda", "lambda", 1.0, _D.LAMBDA),
    _unit("rpm", "rpm", 1.0, _D.ROTATION),
    _unit("km/h", "km/h", 1.0, _D.SPEED),
    _unit("mph", "km/h", 1.609344, _D.SPEED),
    _unit("m/s", "km/h", 3.6, _D.SPEED),
    _unit("%", "%", 1.0, _D.PERCENT),
    _unit("ms", "ms", 1.0, _D.TIME),
    _unit("s", "ms", 1000.0, _D.TIME),
    _unit("us", "ms", 0.001, _D.TIME),
    _unit("deg", "deg", 1.0, _D.ANGLE),
    _unit("°", "deg", 1.0, _D.ANGLE),
    _unit("°C", "°C", 1.0, _D.TEMPERATURE, _D.TEMPERATURE_DIFFERENCE),
    _unit("degC", "°C", 1.0, _D.TEMPERATURE, _D.TEMPERATURE_DIFFERENCE),
    _unit("C", "°C", 1.0, _D.TEMPERATURE, _D.TEMPERATURE_DIFFERENCE),
    _unit("K", "°C", 1.0, _D.TEMPERATURE_DIFFERENCE),
    _unit("°F", "°C", 5.0 / 9.0, _D.TEMPERATURE, offset=-32.0 * 5.0 / 9.0),
    _unit("degF", "°C", 5.0 / 9.0, _D.TEMPERATURE, offset=-32.0 * 5.0 / 9.0),
    _unit("F", "°C", 5.0 / 9.0, _D.TEMPERATURE, offset=-32.0 * 5.0 / 9.0),
    _unit("V", "V", 1.0, _D.VOLTAGE),
    _unit("mV", "V", 0.001, _D.VOLTAGE),
    _unit("g", "g", 1.0, _D.ACCELERATION),
    _unit("m/s2", "g", 1.0 / 9.80665, _D.ACCELERATION),
    _unit("Nm", "Nm", 1.0, _D.TORQUE),
    _unit("m", "m", 1.0, _D.LENGTH),
    _unit("km", "m", 1_000.0, _D.LENGTH),
    _unit("ft", "m", 0.3048, _D.LENGTH),
    _unit("mi", "m", 1_609.344, _D.LENGTH),
)
UNITS: Mapping[str, Unit] = {unit.word: unit for unit in _ALL_UNITS}

RATE_OF: Mapping[Dimension, Dimension] = {
    **dict.fromkeys(_PRESSURES, _D.PRESSURE_RATE),
    _D.LAMBDA: _D.LAMBDA_RATE,
    _D.ROTATION: _D.ROTATION_RATE,
    _D.SPEED: _D.SPEED_RATE,
    _D.PERCENT: _D.PERCENT_RATE,
    _D.TIME: _D.TIME_RATE,
    _D.ANGLE: _D.ANGLE_RATE,
    _D.TEMPERATURE: _D.TEMPERATURE_RATE,
    _D.TEMPERATURE_DIFFERENCE: _D.TEMPERATURE_RATE,
    _D.VOLTAGE: _D.VOLTAGE_RATE,
    _D.ACCELERATION: _D.ACCELERATION_RATE,
    _D.TORQUE: _D.TORQUE_RATE,
    _D.LENGTH: _D.LENGTH_RATE,
    _D.RATIO: _D.NUMBER_RATE,
    _D.NUMBER: _D.NUMBER_RATE,
}
"""How fast a quantity changes is a quantity of its own. From where it is measured matters no more. No rate has one."""

_FROM_WHERE = frozenset({"psia", "psig", "bara", "barg", "kPaa", "kPag"})
RATE_UNITS: Mapping[str, Unit] = {
    f"{unit.word}/s": Unit(
        f"{unit.word}/s", f"{unit.stored}/s", unit.factor, 0.0, frozenset(RATE_OF[d] for d in unit.dimensions)
    )
    for unit in _ALL_UNITS
    if unit.word not in _FROM_WHERE and f"{unit.word}/s" not in UNITS  # m/s is a speed, and stays one
} | {"/s": _unit("/s", "/s", 1.0, _D.NUMBER_RATE)}
"""Units of rates: any unit with /s behind it; a plain number changes by so many /s."""

_SCALED_AIR_FUEL = re.compile(r"AFR@(\d+(?:\.\d+)?)")
DEFAULT_AIR_FUEL_SCALE = 14.7
"""What the gauges and tables around the user show, for every fuel (common practice, no source)."""


def unit_named(word: str, text: str = "", column: int = 0, number: float = 12.0) -> Unit:
    """Return the unit written `word`; `text` and `column` place the error, `number` is what stands before the unit.

    `AFR@14.7` is a unit of lambda (number ÷ scale). A bare `AFR` is refused: it does not say what is meant.
    """
    unit = UNITS.get(word) or RATE_UNITS.get(word)
    if unit is not None:
        return unit
    scaled = _SCALED_AIR_FUEL.fullmatch(word)
    if scaled:
        scale = float(scaled.group(1))
        if not 5.0 <= scale <= 20.0:
            raise UnitError(text or word, column, f"air-fuel scale {scale:g} is not between 5 and 20")
        return Unit(word, "lambda", 1.0 / scale, 0.0, frozenset({_D.LAMBDA}))
    if word.upper() == "AFR":
        raise UnitError(
            text or word,
            column,
            f"an air-fuel number says nothing without its scale: write {number:g} AFR@14.7 if your gauge shows 14.7 at "
            f"lambda 1, or write lambda. {number:g} could mean lambda {number / 14.7:.3f} on 14.7, "
            f"{number / 14.08:.3f} on the true ratio of E10, {number / 9.81:.2f} on that of E85.",
        )
    known = RATE_UNITS if word.endswith("/s") else [*UNITS, "AFR@14.7"]
    raise UnitError(text or word, column, f'unit "{word}" is not known{nearest(word, known)}')


def bring(number: float, unit: Unit) -> float:
    """Return `number` in the stored unit. Air-fuel numbers are divided by their scale: 12.5/14.7."""
    if unit.word.startswith("AFR@"):
        return number / float(unit.word[4:])
    return number * unit.factor + unit.offset


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a channel name stands for: its dimension, stored unit and the widest range anyone should believe."""

    dimension: Dimension
    unit: str
    low: float
    high: float
    digits: int = 0
    says: str = ""


def _q(dimension: Dimension, unit: str, low: float, high: float, digits: int = 0, says: str = "") -> Quantity:
    return Quantity(dimension, unit, low, high, digits, says)


_ABS, _GAUGE, _DIFF = _D.ABSOLUTE_PRESSURE, _D.GAUGE_PRESSURE, _D.PRESSURE_DIFFERENCE
QUANTITIES: Mapping[str, Quantity] = {
    # Believable ranges are common practice, no source: starting values that [channel.NAME] overrides.
    "engine_speed": _q(_D.ROTATION, "rpm", 0, 12_000),
    "manifold_pressure": _q(_ABS, "kPa", 5, 500, 1, "absolute"),
    "boost": _q(_GAUGE, "kPa", -100, 400, 1, "gauge"),
    "barometric_pressure": _q(_ABS, "kPa", 70, 105, 1, "absolute"),
    "boost_target": _q(_ABS, "kPa", 5, 500, 1, "absolute"),
    "wastegate_dome_pressure": _q(_GAUGE, "kPa", -100, 700, 1, "gauge"),
    "exhaust_back_pressure": _q(_GAUGE, "kPa", -20, 500, 1, "gauge"),
    "pressure_ratio": _q(_D.RATIO, "", 0.3, 6, 2),
    "lambda": _q(_D.LAMBDA, "lambda", 0.5, 2.0, 3),
    "lambda_bank1": _q(_D.LAMBDA, "lambda", 0.5, 2.0, 3),
    "lambda_bank2": _q(_D.LAMBDA, "lambda", 0.5, 2.0, 3),
    "lambda_target": _q(_D.LAMBDA, "lambda", 0.5, 2.0, 3),
    "fuel_correction_short": _q(_D.PERCENT, "%", -100, 100, 1),
    "fuel_correction_long": _q(_D.PERCENT, "%", -100, 100, 1),
    "ethanol_content": _q(_D.PERCENT, "%", 0, 100, 0),
    "throttle": _q(_D.PERCENT, "%", -5, 110, 0),
    "pedal": _q(_D.PERCENT, "%", -5, 110, 0),
    "wastegate_duty": _q(_D.PERCENT, "%", 0, 100, 0),
    "wastegate_duty_base": _q(_D.PERCENT, "%", 0, 100, 0),
    "ignition_advance": _q(_D.ANGLE, "deg", -40, 60, 1, "before top dead centre"),
    "knock_retard": _q(_D.ANGLE, "deg", 0, 30, 1, "removed"),
    "knock_level": _q(_D.VOLTAGE, "V", 0, 10, 2),
    "injector_pulse_width": _q(_D.TIME, "ms", 0, 100, 2),
    "injector_duty": _q(_D.PERCENT, "%", 0, 150, 0),
    "fuel_pressure": _q(_GAUGE, "kPa", -50, 1_500, 0, "gauge"),
    "fuel_differential_pressure": _q(_DIFF, "kPa", -50, 1_500, 0, "across the injector"),
    "oil_pressure": _q(_GAUGE, "kPa", -50, 1_200, 0, "gauge"),
    "oil_temperature": _q(_D.TEMPERATURE, "°C", -40, 180),
    "coolant_temperature": _q(_D.TEMPERATURE, "°C", -40, 150),
    "coolant_pressure": _q(_GAUGE, "kPa", -50, 400, 0, "gauge"),
    "crankcase_pressure": _q(_GAUGE, "kPa", -60, 100, 1, "gauge"),
    "intake_air_temperature": _q(_D.TEMPERATURE, "°C", -40, 200),
    "ambient_temperature": _q(_D.TEMPERATURE, "°C", -40, 60),
    "exhaust_gas_temperature": _q(_D.TEMPERATURE, "°C", -40, 1_250),
    "gearbox_temperature": _q(_D.TEMPERATURE, "°C", -40, 200),
    "battery_voltage": _q(_D.VOLTAGE, "V", 3, 20, 1),
    "vehicle_speed": _q(_D.SPEED, "km/h", 0, 400),
    "roller_speed": _q(_D.SPEED, "km/h", 0, 400),
    "roller_torque": _q(_D.TORQUE, "Nm", -500, 5_000),
    "wheel_speed_fl": _q(_D.SPEED, "km/h", 0, 400),
    "wheel_speed_fr": _q(_D.SPEED, "km/h", 0, 400),
    "wheel_speed_rl": _q(_D.SPEED, "km/h", 0, 400),
    "wheel_speed_rr": _q(_D.SPEED, "km/h", 0, 400),
    "driveshaft_speed": _q(_D.ROTATION, "rpm", 0, 12_000),
    "turbo_speed": _q(_D.ROTATION, "rpm", 0, 350_000),
    "converter_slip": _q(_D.ROTATION, "rpm", -2_000, 8_000),
    "gear": _q(_D.NUMBER, "", -1, 10),
    "acceleration": _q(_D.ACCELERATION, "g", -3, 3, 2),
    "pitch": _q(_D.ANGLE, "deg", -45, 45, 1),
    "latitude": _q(_D.ANGLE, "deg", -90, 90, 6, "north positive"),
    "longitude": _q(_D.ANGLE, "deg", -180, 180, 6, "east positive"),
    "course": _q(_D.ANGLE, "deg", 0, 360, 1, "from true north"),
    "altitude": _q(_D.LENGTH, "m", -500, 9_000, 1, "above mean sea level"),
    "satellites": _q(_D.NUMBER, "", 0, 99),
    "hdop": _q(_D.NUMBER, "", 0, 50, 1, "horizontal dilution of precision"),
    "fix_quality": _q(_D.NUMBER, "", 0, 8, 0, "0 is no fix"),
    "utc_time": _q(_D.TIME, "ms", 0, 86_401_000, 0, "since midnight"),
    "utc_date": _q(_D.NUMBER, "", 19_800_101, 20_991_231, 0, "YYYYMMDD"),
    "relative_humidity": _q(_D.PERCENT, "%", 0, 100),
    "fuel_level": _q(_D.PERCENT, "%", 0, 100),
    "cut_active": _q(_D.NUMBER, "", 0, 255, 0, "0 is no cut"),
    "launch_active": _q(_D.NUMBER, "", 0, 255),
    "clutch": _q(_D.NUMBER, "", 0, 255),
    "brake": _q(_D.NUMBER, "", 0, 255),
}
"""The catalogue. A channel that is not in it must state `unit` (and, for a pressure, `kind`) in the setup file."""

CHANNEL_NAME = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Delay:
    """How long after the cylinder a sensor speaks, as an interval: ns from the gas leaving the cylinder to the sample.

    With `per_cycle`, 60/N to 120/N seconds at N rpm are added to least and most (the middle, 90/N s, is three quarters
    of the two turns of a four-stroke cycle; source: domain knowledge of this project, common practice). The gas needs
    `transport_least / N` to `transport_most / N` to get from the exhaust valve to the sensor (ns × rpm). After a cut
    the sensor needs three of its `time_constant` (ns) more to come back.
    """

    least: int = 0
    most: int = 0
    per_cycle: bool = False
    time_constant: int = 0
    transport_least: int = 0
    transport_most: int = 0

    @property
    def is_none(self) -> bool:
        """Whether there is nothing to look back for."""
        return self.most == 0 and not self.turns

    @property
    def turns(self) -> bool:
        """Whether it follows engine speed."""
        return self.per_cycle or self.transport_most > 0

    @property
    def over_speed(self) -> tuple[float, float]:
        """What is divided by engine speed and added to least and most, ns × rpm."""
        cycle = self.per_cycle
        return (60e9 if cycle else 0.0) + self.transport_least, (120e9 if cycle else 0.0) + self.transport_most


NO_DELAY = Delay()

SLOWEST_RPM = 300.0
"""Below this speed, and while the speed is not known, the cycle is taken this long for the most ..."""
FASTEST_RPM = 12_000.0
"""... and, while the speed is not known, this short for the least."""


def delay_window(delay: Delay, rpm: float | None) -> tuple[int, int]:
    """Return (least, most) ns of `delay` at engine speed `rpm`; None: not known, the widest window."""
    if not delay.turns:
        return delay.least, delay.most
    least, most = delay.over_speed
    slow = SLOWEST_RPM if rpm is None or rpm < SLOWEST_RPM else rpm
    fast = FASTEST_RPM if rpm is None else slow
    return delay.least + int(least / fast), delay.most + int(most / slow) + 1


def longest_window(delay: Delay) -> int:
    """Return the longest `most` (ns) that `delay_window` can give: how far back the ring must reach."""
    return delay_window(delay, None)[1]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity of this car, with everything the path needs to know of it.

    `low` and `high` bound what is believed (in `unit`, both ends believed); a sample is stale at the instant it is
    `stale_after` ns old; `blind_while` is a condition (rule language) during which the reading says nothing.
    """

    number: int
    name: str
    unit: str
    dimension: Dimension
    low: float = -math.inf
    high: float = math.inf
    stale_after: int = 250 * NS_PER_MS
    delay: Delay = NO_DELAY
    blind_while: str = ""
    digits: int = 2
    says: str = ""

    def format(self, value: float) -> str:
        """Write a value with its unit, and for pressures what it is measured from."""
        if math.isnan(value):
            return "not known"
        unit = (
            f" {self.unit}"
            if self.unit not in ("", "%", "°C", "lambda")
            else self.unit
            if self.unit != "lambda"
            else ""
        )
        says = f" {self.says}" if self.dimension in _PRESSURES and self.says else ""
        lead = "lambda " if self.unit == "lambda" else ""
        return f"{lead}{value:.{self.digits}f}{unit}{says}"


def suits(unit: Unit, dimension: Dimension) -> bool:
    """Whether a number in `unit` may be held against a channel of `dimension`."""
    return dimension in unit.dimensions
