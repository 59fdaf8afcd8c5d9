"""Sensors of temperature: thermistors by volts or ohms, thermocouples by the volts of an amplifier."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, FiniteFloat

from pullwatch.channels import Dimension, Quantity
from pullwatch.columns import Why
from pullwatch.derived.sensor_tables import (
    Table,
    Thermistor,
    by_beta,
    by_points,
    steinhart_hart,
    thermistor_by_ohms,
    thermistor_by_share,
    thermistor_points,
    type_k_tables,
)
from pullwatch.derived.sensors import Direct, ShareOfSupply, TypeK, Window
from pullwatch.setup.derived_kinds.sensors import (
    AboveZero,
    NumberOrChannel,
    SensorKind,
    SensorSection,
    check_input,
    check_other,
    check_supply,
    check_window,
    stated,
)
from pullwatch.setup.sections import Pair  # noqa: TC001 - pydantic reads it when it runs

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking, DerivedSection

COLDEST_JUNCTION, HOTTEST_JUNCTION = -60.0, 150.0
"""°C: where a connector or an amplifier can be (common practice, no source)."""

AT_REST = 20.0
"""°C that every thermistor on a car shows some day (common practice, no source)."""


class _Thermistor(SensorSection):
    """What a thermistor is, in exactly one of three ways."""

    steinhart_hart: Annotated[list[FiniteFloat], Field(min_length=3, max_length=3)] | None = None
    """A, B and C of 1/T = A + B ln R + C (ln R)³."""
    points: Annotated[list[Pair], Field(min_length=3, max_length=3)] | None = None
    """Three of [°C, ohms]."""
    r25: AboveZero | None = None
    """Ohms at 25 °C, with `beta`."""
    beta: Annotated[FiniteFloat, Field(gt=0, le=20_000)] | None = None
    """K."""


class ThermistorSection(_Thermistor):
    """kind = "thermistor": the volts of a divider made of a thermistor and a resistor."""

    kind: Literal["thermistor"] = "thermistor"
    resistor: AboveZero
    """Ohms."""
    supply: NumberOrChannel
    """V of the divider, stated or measured."""
    pulled: Literal["up", "down"] = "up"
    """Where the resistor goes: to the supply, or to ground."""
    fault_below: FiniteFloat = 0.01
    """As a share of the supply, this and the next one (common practice, no source)."""
    fault_above: FiniteFloat = 0.99


class ThermistorOhmsSection(_Thermistor):
    """kind = "thermistor-ohms": a thermistor whose ohms the feed gives, as plain numbers."""

    kind: Literal["thermistor-ohms"] = "thermistor-ohms"
    fault_below: FiniteFloat | None = None
    """Ohms. None: those at the hot end of the table, 250 °C."""
    fault_above: FiniteFloat | None = None
    """Ohms. None: those at the cold end of the table, -60 °C."""


class ThermocoupleSection(SensorSection):
    """kind = "thermocouple": type K behind an amplifier without cold junction compensation of its own."""

    kind: Literal["thermocouple"] = "thermocouple"
    gain: AboveZero
    """Volts out for each volt of the thermocouple."""
    offset: FiniteFloat = 0.0
    """Volts out at no voltage in."""
    cold_junction: NumberOrChannel
    """°C where the thermocouple's own wire ends, stated or measured."""
    fault_below: FiniteFloat
    """Volts just inside the lower rail of the amplifier: an open thermocouple drives it to a rail."""
    fault_above: FiniteFloat
    """Volts just inside its upper rail."""


def _temperature(checking: DerivedChecking) -> None:
    """Refuse to make anything but a temperature."""
    channel = checking.channel
    if channel.dimension is not Dimension.TEMPERATURE:
        what = f"makes a temperature; {channel.name} is {channel.dimension.value}."
        checking.refuse("kind", what, "Rename the channel, or take another kind.")


class _Temperature(SensorKind):
    """What the kinds that make a temperature say alike."""

    def quantity(self, section: Any, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - the protocol's
        """Return a temperature in °C."""
        return Quantity(Dimension.TEMPERATURE, "°C", float("-inf"), float("inf"), 1)


_WAYS = ("steinhart_hart", "points", "r25", "beta")


def _thermistor(section: _Thermistor) -> Thermistor:
    """Return the thermistor of a section that says one. Raises ValueError as `by_points`."""
    if section.steinhart_hart is not None:
        a, b, c = section.steinhart_hart
        return steinhart_hart(a, b, c)
    if section.points is not None:
        return by_points([(celsius, ohms) for celsius, ohms in section.points])
    assert section.r25 is not None
    assert section.beta is not None
    return by_beta(section.r25, section.beta)


def _thermistor_key(checking: DerivedChecking, section: _Thermistor) -> str:
    """Return the key that says what the thermistor is; empty, with the problem noted, if that is not clear."""
    ways = [key for key in _WAYS if getattr(section, key) is not None]
    if ways in (["steinhart_hart"], ["points"], ["r25", "beta"]):
        return ways[0]
    shown = tuple(f"derived.{checking.name} {key}" for key in _WAYS)
    if any(problem.key.startswith(shown) for problem in checking.findings.problems):
        return ""  # The key that says it stands there, but was wrong and has been told already.
    todo = "Write steinhart_hart = [A, B, C], or points = three of [°C, ohms], or r25 and beta."
    if not ways:
        checking.refuse("", "nothing says how ohms and temperature go together.", todo)
    elif ways in (["r25"], ["beta"]):
        checking.refuse(ways[0], f"{'beta' if ways == ['r25'] else 'r25'} is missing beside it.", todo)
    else:
        what = f"{' and '.join(ways)} say the same thing in different ways, and need not agree."
        checking.refuse(ways[1], what, "Keep one of them.")
    return ""


def _curve(checking: DerivedChecking, section: _Thermistor) -> Thermistor | None:
    """Return the thermistor of a section; None, with the problem noted, if it is none."""
    key = _thermistor_key(checking, section)
    if not key:
        return None
    try:
        thermistor = _thermistor(section)
        thermistor_points(thermistor)
    except ValueError as error:
        checking.refuse(key, str(error), 'One whose ohms rise with temperature is a kind = "table".')
        return None
    return thermistor


def _reach(table: Table, low: float, high: float) -> tuple[float, float] | None:
    """Return the coldest and hottest °C that a table gives within a window; None if there are none."""
    first, last = max(low, table.x[0]), min(high, table.x[-1])
    if first > last:
        return None
    coldest, hottest = sorted((table.one(first), table.one(last)))
    return coldest, hottest


def _reads(reach: tuple[float, float] | None) -> str:
    return ", reads nothing" if reach is None else f", reads {reach[0]:.0f} to {reach[1]:.0f} °C"


def _readable(checking: DerivedChecking, key: str, circuit: str, reach: tuple[float, float] | None) -> None:
    """Refuse a circuit that would be told as broken at a stand on a mild day."""
    if reach is not None and reach[0] <= AT_REST <= reach[1]:
        return
    what = f"{circuit} {AT_REST:g} °C would be told as a broken circuit{_reads(reach)}."
    checking.refuse(key, what, "All are ohms, not kilohms: look at what the thermistor is, and at the fault bounds.")


class DividedThermistor(_Temperature):
    """A thermistor in a divider."""

    section: type[DerivedSection] = ThermistorSection

    def check(self, checking: DerivedChecking, section: ThermistorSection) -> None:
        """Refuse a thermistor that is none, and a divider that cannot tell its temperatures."""
        check_input(checking, section)
        _temperature(checking)
        check_supply(checking, section, section.supply)
        if not check_window(checking, section.fault_below, section.fault_above, " of the supply"):
            return
        if section.fault_below < 0 or section.fault_above > 1:
            key = "fault_below" if section.fault_below < 0 else "fault_above"
            what = f"{getattr(section, key):g} is not a share of the supply, 0 to 1."
            checking.refuse(key, what, "Write 0.99 for 99 %.")
            return
        if _curve(checking, section) is None:
            return
        try:
            table = self._table(section)
        except ValueError as error:
            checking.refuse("resistor", str(error), "Write its ohms: some thousand are usual.")
            return
        low, high = section.fault_below, section.fault_above
        _readable(checking, "resistor", f"with {section.resistor:g} ohms", _reach(table, low, high))

    def build(self, section: ThermistorSection) -> Operator:
        """Return a new operator."""
        window = Window.pulled(section.fault_below, section.fault_above, up=section.pulled == "up")
        supply = section.supply if isinstance(section.supply, float) else None
        return ShareOfSupply(self._table(section), window, supply=supply)

    def describe(self, section: ThermistorSection) -> str:
        """Return the divider."""
        end = stated(section.supply, "V")
        circuit = f"{section.from_} of a thermistor pulled {section.pulled} by {section.resistor:g} ohms, on {end}"
        return circuit + _reads(_reach(self._table(section), section.fault_below, section.fault_above))

    def _table(self, section: ThermistorSection) -> Table:
        return thermistor_by_share(_thermistor(section), section.resistor, up=section.pulled == "up")


class ThermistorByOhms(_Temperature):
    """A thermistor whose ohms are sent."""

    section: type[DerivedSection] = ThermistorOhmsSection

    def check(self, checking: DerivedChecking, section: ThermistorOhmsSection) -> None:
        """Refuse a thermistor that is none."""
        check_input(checking, section, Dimension.NUMBER, "")
        _temperature(checking)
        thermistor = _curve(checking, section)
        if thermistor is not None:
            table = thermistor_by_ohms(thermistor)
            low, high = _ohms_ends(section, table)
            if check_window(checking, low, high, " ohms"):
                _readable(checking, "fault_below", "at these ohms", _reach(table, low, high))

    def build(self, section: ThermistorOhmsSection) -> Operator:
        """Return a new operator."""
        table = thermistor_by_ohms(_thermistor(section))
        return Direct(table, Window(*_ohms_ends(section, table), below=Why.SHORT, above=Why.OPEN))

    def describe(self, section: ThermistorOhmsSection) -> str:
        """Return where the ohms come from."""
        table = thermistor_by_ohms(_thermistor(section))
        return f"{section.from_}, the ohms of a thermistor" + _reads(_reach(table, *_ohms_ends(section, table)))


def _ohms_ends(section: ThermistorOhmsSection, table: Table) -> tuple[float, float]:
    low = table.x[0] if section.fault_below is None else section.fault_below
    return low, table.x[-1] if section.fault_above is None else section.fault_above


class Thermocouple(_Temperature):
    """A thermocouple of type K behind a plain amplifier."""

    section: type[DerivedSection] = ThermocoupleSection

    def check(self, checking: DerivedChecking, section: ThermocoupleSection) -> None:
        """Refuse what would be read as an open thermocouple for ever, and a cold junction that is none."""
        check_input(checking, section)
        _temperature(checking)
        check_other(checking, section, "cold_junction", Dimension.TEMPERATURE)
        cold = section.cold_junction
        if isinstance(cold, float) and not COLDEST_JUNCTION <= cold <= HOTTEST_JUNCTION:
            what = f"{cold:g} °C is not between {COLDEST_JUNCTION:g} and {HOTTEST_JUNCTION:g} °C."
            checking.refuse("cold_junction", what, "Write how warm the place is where the thermocouple's wire ends.")
        low, high = section.fault_below, section.fault_above
        if check_window(checking, low, high, " V") and not low <= section.offset <= high:
            what = f"with both ends equally warm the amplifier shows {section.offset:g} V, which would be a fault."
            checking.refuse("offset", what, "fault_below and fault_above are the volts just inside its rails.")

    def build(self, section: ThermocoupleSection) -> Operator:
        """Return a new operator."""
        cold = section.cold_junction if isinstance(section.cold_junction, float) else None
        window = Window(section.fault_below, section.fault_above)
        return TypeK(section.gain, section.offset, window, cold_junction=cold)

    def describe(self, section: ThermocoupleSection) -> str:
        """Return the amplifier, and how hot it can see from a cold junction at 25 °C."""
        millivolts, celsius = type_k_tables()
        top = (section.fault_above - section.offset) * 1e3 / section.gain + millivolts.one(25.0)
        reach = celsius.one(min(max(top, celsius.x[0]), celsius.x[-1]))
        cold = stated(section.cold_junction, "°C")
        amplified = f"{section.from_} of a type K thermocouple times {section.gain:g}"
        return f"{amplified}, cold junction {cold}, up to {reach:.0f} °C"


TEMPERATURES: dict[str, DividedThermistor | ThermistorByOhms | Thermocouple] = {
    "thermistor": DividedThermistor(),
    "thermistor-ohms": ThermistorByOhms(),
    "thermocouple": Thermocouple(),
}
