"""Sensors that a feed gives as volts or ohms: what the file has to say of each kind, and what it may not say."""

from __future__ import annotations

import abc
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias

from pydantic import BeforeValidator, Field, FiniteFloat
from pydantic_core import PydanticCustomError

from pullwatch.channels import Dimension, Quantity, bring, unit_named
from pullwatch.derived.sensor_tables import Table
from pullwatch.derived.sensors import Direct, ShareOfSupply, Window
from pullwatch.setup.derived_kinds.base import DerivedSection
from pullwatch.setup.sections import Pair  # noqa: TC001 - pydantic reads it when it runs

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pullwatch.channels import Channel
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking
    from pullwatch.setup.plan import Car


def _number_or_channel(value: object) -> object:
    """Let only a number or a channel's name through: one plain sentence where neither stands."""
    if isinstance(value, str) and value:
        return value
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < float("inf"):
        return float(value)
    raise PydanticCustomError("number_or_channel", "write a number, or the name of a channel in quotes")


NumberOrChannel: TypeAlias = Annotated[float | str, BeforeValidator(_number_or_channel)]
Several: TypeAlias = Annotated[list[FiniteFloat], Field(min_length=2, max_length=256)]
AboveZero: TypeAlias = Annotated[FiniteFloat, Field(gt=0)]

WHOLE_FROM, WHOLE_TO = 0.25, 4.75
"""V: where the usual sensor of 0.5 to 4.5 V on 5 V has no business any more (common practice, no source)."""

LARGEST_SUPPLY = 60.0
"""V: above it somebody has written millivolts (common practice, no source)."""


class SensorSection(DerivedSection):
    """What all these kinds have: the channel of raw volts or ohms, which stays recorded as it is."""

    from_: str = Field(alias="from", min_length=1)


class _Pulled(SensorSection):
    """An input that a resistor pulls to one side: an open circuit goes there, a shorted one to the other."""

    pulled: Literal["up", "down"] = "down"


class LinearSection(_Pulled):
    """kind = "linear": volts on a straight line through two points."""

    kind: Literal["linear"] = "linear"
    volts: Pair
    values: Pair
    unit: str = ""
    """Of `values`. Empty: the channel's own."""
    fault_below: FiniteFloat = WHOLE_FROM
    fault_above: FiniteFloat = WHOLE_TO


class RatiometricSection(_Pulled):
    """kind = "ratiometric": volts as a share of the sensor's supply, on a straight line through two points."""

    kind: Literal["ratiometric"] = "ratiometric"
    supply: NumberOrChannel
    """V, stated or measured."""
    shares: Pair = Field(default_factory=lambda: [0.1, 0.9])
    """Of the supply: 0.5 and 4.5 V of 5 V (common practice, no source)."""
    values: Pair
    unit: str = ""
    fault_below: FiniteFloat = 0.05
    fault_above: FiniteFloat = 0.95


class TableSection(_Pulled):
    """kind = "table": volts on straight lines through any number of points."""

    kind: Literal["table"] = "table"
    volts: Several
    values: Several
    unit: str = ""
    fault_below: FiniteFloat | None = None
    """None: 0.25 V, or the table's lower end if that is lower."""
    fault_above: FiniteFloat | None = None
    """None: 4.75 V, or the table's upper end if that is higher."""


def check_input(
    checking: DerivedChecking, section: SensorSection, dimension: Dimension = Dimension.VOLTAGE, unit: str = "V"
) -> None:
    """Refuse to convert anything but volts (or ohms, which are plain numbers)."""
    channel = checking.channels[section.from_]
    if channel.dimension is not dimension:
        raw = "volts" if unit else "ohms, a plain number"
        what = f"what is converted here is {raw}; {channel.name} is {channel.dimension.value}."
        checking.refuse("from", what, f'Give the raw reading a name of its own, and [channel.NAME] unit = "{unit}".')


def check_other(checking: DerivedChecking, section: SensorSection, key: str, dimension: Dimension) -> None:
    """Refuse a channel that cannot be what `key` asks for."""
    stated = getattr(section, key)
    if not isinstance(stated, str):
        return
    channel = checking.channels[stated]
    if channel.name == section.from_:
        checking.refuse(key, f"{channel.name} is what is converted, and cannot be its own {key.replace('_', ' ')}.")
    elif channel.dimension is not dimension:
        what = f"{channel.name} is {channel.dimension.value}, not {dimension.value}."
        checking.refuse(key, what, "Name another channel, or write the number if it never changes.")


def check_supply(checking: DerivedChecking, section: SensorSection, supply: float | str) -> None:
    """Refuse a supply that is none."""
    if isinstance(supply, float) and not 0 < supply <= LARGEST_SUPPLY:
        todo = f"Write its volts, above 0 and at most {LARGEST_SUPPLY:g}."
        checking.refuse("supply", f"{supply:g} V is no supply of a sensor.", todo)
    check_other(checking, section, "supply", Dimension.VOLTAGE)


def check_window(checking: DerivedChecking, low: float, high: float, unit: str) -> bool:
    """Refuse a window in which nothing is left."""
    if low < high:
        return True
    what = f"{low:g}{unit} is not below fault_above, {high:g}{unit}: every reading would be a fault."
    checking.refuse("fault_below", what)
    return False


def _inside(checking: DerivedChecking, key: str, points: Sequence[float], ends: tuple[float, float], unit: str) -> None:
    """Refuse points that could never be read, because the circuit would be told as broken there."""
    low, high = ends
    if not check_window(checking, low, high, unit):
        return
    for point in points:
        if not low <= point <= high:
            fault = "fault_below" if point < low else "fault_above"
            bound = f"{fault.removeprefix('fault_')} {fault}, {low if point < low else high:g}{unit}"
            todo = f"Set {fault} beyond every good reading, to where the circuit is surely broken."
            checking.refuse(key, f"{point:g}{unit} is {bound}, and would be told as a broken circuit.", todo)
            return


def stated(value: float | str, unit: str) -> str:
    """Return what a number or a channel is called."""
    return value if isinstance(value, str) else f"{value:g} {unit}"


def _brought(values: Sequence[float], unit: str) -> tuple[float, ...]:
    """Return numbers in `unit` in the one their channel is kept in; empty: they are."""
    return tuple(bring(value, unit_named(unit)) if unit else float(value) for value in values)


class SensorKind(abc.ABC):
    """What most of these kinds say alike."""

    def inputs(self, section: Any) -> tuple[str, ...]:
        """Return the channel of raw numbers, and the supply or cold junction if that is one too."""
        others = (getattr(section, key, None) for key in ("supply", "cold_junction"))
        return (section.from_, *(other for other in others if isinstance(other, str)))

    def quantity(self, section: Any, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - the protocol's
        """Return None: volts may become anything, and the setup must say what."""
        return None

    def operator(self, section: Any, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the section says all
        """Return a new operator."""
        return self.build(section)

    @abc.abstractmethod
    def build(self, section: Any) -> Operator:
        """Return a new operator of a section."""


class Linear(SensorKind):
    """Two points, of volts or of shares of the supply."""

    def __init__(self, section: type[LinearSection | RatiometricSection], key: str, unit: str) -> None:
        self.section: type[DerivedSection] = section
        self._key = key
        self._unit = unit

    def check(self, checking: DerivedChecking, section: LinearSection | RatiometricSection) -> None:
        """Refuse what makes no line, or one in the wrong unit."""
        points = getattr(section, self._key)
        check_input(checking, section)
        checking.unit(section.unit, "unit")
        if points[0] == points[1]:
            what = f"both points are at {points[0]:g}{self._unit}."
            checking.refuse(self._key, what, "A line needs two different points.")
        elif section.values[0] == section.values[1]:
            what = f"both points mean {section.values[0]:g}: whatever is measured, the reading would be the same."
            checking.refuse("values", what, "Write the value at each of the two points.")
        if isinstance(section, RatiometricSection):
            check_supply(checking, section, section.supply)
            if not all(0 <= share <= 1 for share in points):
                what = f"{points[0]:g} and {points[1]:g} are not shares of the supply, 0 to 1."
                checking.refuse("shares", what, 'For volts on a fixed supply take kind = "linear".')
                return
        _inside(checking, self._key, points, (section.fault_below, section.fault_above), self._unit)

    def build(self, section: LinearSection | RatiometricSection) -> Operator:
        """Return a new operator."""
        values = _brought(section.values, section.unit)
        (x0, y0), (x1, y1) = sorted(zip(getattr(section, self._key), values, strict=True))
        table = Table((float(x0), float(x1)), (y0, y1))
        window = Window.pulled(section.fault_below, section.fault_above, up=section.pulled == "up")
        if isinstance(section, LinearSection):
            return Direct(table, window, line=True)
        supply = section.supply if isinstance(section.supply, float) else None
        return ShareOfSupply(table, window, supply=supply, line=True)

    def describe(self, section: LinearSection | RatiometricSection) -> str:
        """Return the two points."""
        points = getattr(section, self._key)
        unit = f" {section.unit}" if section.unit else ""
        ends = [f"{x:g}{self._unit} is {y:g}{unit}" for x, y in zip(points, section.values, strict=True)]
        share = f" as a share of {stated(section.supply, 'V')}" if isinstance(section, RatiometricSection) else ""
        return f"{section.from_}{share}: {ends[0]}, {ends[1]}"


class Tabled(SensorKind):
    """Any number of points."""

    section: type[DerivedSection] = TableSection

    def check(self, checking: DerivedChecking, section: TableSection) -> None:
        """Refuse what makes no table, or one in the wrong unit."""
        check_input(checking, section)
        checking.unit(section.unit, "unit")
        if len(section.volts) != len(section.values):
            checking.refuse("values", f"has {len(section.values)} values for {len(section.volts)} volts.")
            return
        for key in ("volts", "values"):
            numbers = getattr(section, key)
            rising = numbers[1] > numbers[0]
            for first, second in pairwise(numbers):
                if first == second or (second > first) is not rising:
                    what = f"after {first:g} comes {second:g}: a table rises all the way, or falls all the way."
                    checking.refuse(key, what, "Without that one reading would mean two things, or two the same.")
                    return
        _inside(checking, "volts", section.volts, _table_ends(section), " V")

    def build(self, section: TableSection) -> Operator:
        """Return a new operator."""
        points = sorted(zip(section.volts, _brought(section.values, section.unit), strict=True))
        table = Table(tuple(float(x) for x, _ in points), tuple(y for _, y in points))
        return Direct(table, Window.pulled(*_table_ends(section), up=section.pulled == "up"))

    def describe(self, section: TableSection) -> str:
        """Return how long the table is."""
        low, high = min(section.volts), max(section.volts)
        return f"{section.from_} by a table of {len(section.volts)} points, {low:g} to {high:g} V"


def _table_ends(section: TableSection) -> tuple[float, float]:
    low = min(WHOLE_FROM, *section.volts) if section.fault_below is None else section.fault_below
    high = max(WHOLE_TO, *section.volts) if section.fault_above is None else section.fault_above
    return low, high


VOLTS: dict[str, Linear | Tabled] = {
    "linear": Linear(LinearSection, "volts", " V"),
    "ratiometric": Linear(RatiometricSection, "shares", ""),
    "table": Tabled(),
}
