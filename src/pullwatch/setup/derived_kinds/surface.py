"""A limit over two channels as a channel of its own, and lambda on the owner's air-fuel scale."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, FiniteFloat

from pullwatch.channels import Dimension, Quantity, bring, unit_named
from pullwatch.derived.surface import AirFuel, Surface
from pullwatch.errors import nearest
from pullwatch.setup.derived_kinds.base import DerivedSection

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking, KindOfDerived
    from pullwatch.setup.plan import Car

Axis = Annotated[list[FiniteFloat], Field(min_length=2, max_length=64)]


class SurfaceSection(DerivedSection):
    """kind = "surface": a value over two channels, to hold another channel against."""

    kind: Literal["surface"] = "surface"
    limits: str
    """The channel it is a limit of: its quantity and unit."""
    over: Annotated[list[str], Field(min_length=2, max_length=2)]
    """The two channels of the axes; it has a sample whenever the first has."""
    at: Annotated[list[Axis], Field(min_length=2, max_length=2)]
    """The points of either axis, in its channel's unit, rising."""
    value: Annotated[list[Axis], Field(min_length=2, max_length=64)]
    """A row for each point of the first axis, in it a value for each point of the second."""
    unit: str | None = None
    beyond: Literal["hold", "unknown"] = "hold"


class AirFuelSection(DerivedSection):
    """kind = "air-fuel": lambda as the owner's gauges show it. A rule is about lambda, not about this."""

    kind: Literal["air-fuel"] = "air-fuel"
    of: str = "lambda"
    scale: Annotated[FiniteFloat, Field(ge=5, le=20)] | None = None
    """None: air_fuel_scale of [car]."""


class SurfaceKind:
    """A limit over two channels."""

    section = SurfaceSection

    def inputs(self, section: SurfaceSection) -> tuple[str, ...]:
        """Return the channels of the axes."""
        return tuple(section.over)

    def quantity(self, section: SurfaceSection, channels: Mapping[str, Channel]) -> Quantity | None:
        """Return that of the channel it limits."""
        limited = channels.get(section.limits)
        if limited is None:  # refused by `check`, with the key that is wrong
            return Quantity(Dimension.NUMBER, "", float("-inf"), float("inf"))
        return Quantity(limited.dimension, limited.unit, float("-inf"), float("inf"), limited.digits, limited.says)

    def check(self, checking: DerivedChecking, section: SurfaceSection) -> None:
        """Refuse a table that is none, and a channel or unit that cannot be."""
        limited = checking.channels.get(section.limits)
        if limited is None:
            known = nearest(section.limits, checking.channels)
            what = f'"{section.limits}" is no channel{known}.'
            checking.refuse("limits", what, "Name the channel that is held against it.")
            checking.findings.ghosts.add(checking.name)  # nothing more is to be said of what rests on it
        else:
            checking.unit(section.unit or "", "unit", limited)
        if section.over[0] == section.over[1]:
            checking.refuse("over", "names one channel twice.", "Write [limit.NAME] along one channel.")
        for number, axis in enumerate(section.at):
            if any(low >= high for low, high in pairwise(axis)):
                checking.refuse("at", f"its {('first', 'second')[number]} axis does not rise from point to point.")
        rows, columns = len(section.at[0]), len(section.at[1])
        if len(section.value) != rows or any(len(row) != columns for row in section.value):
            what = f"is no table of {rows} rows of {columns} values."
            todo = (
                f"Write a row for each point of {section.over[0]}, in it a value for each point of {section.over[1]}."
            )
            checking.refuse("value", what, todo)

    def operator(self, section: SurfaceSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        unit = None if section.unit is None else unit_named(section.unit)
        values = [[value if unit is None else bring(value, unit) for value in row] for row in section.value]
        return Surface(section.at[0], section.at[1], values, hold=section.beyond == "hold")

    def describe(self, section: SurfaceSection) -> str:
        """Return it in words."""
        edge = "held beyond its edges" if section.beyond == "hold" else "not known beyond its edges"
        return f"a table over {section.over[0]} and {section.over[1]}, {edge}"


class AirFuelKind:
    """Lambda on the owner's scale."""

    section = AirFuelSection

    def inputs(self, section: AirFuelSection) -> tuple[str, ...]:
        """Return the lambda channel."""
        return (section.of,)

    def quantity(self, section: AirFuelSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - the protocol's
        """Return a plain number: the scale belongs to whoever shows it."""
        return Quantity(Dimension.NUMBER, "", 0.0, 60.0, 2)

    def check(self, checking: DerivedChecking, section: AirFuelSection) -> None:
        """Refuse what is no lambda."""
        source = checking.channels[section.of]
        if source.dimension is not Dimension.LAMBDA:
            checking.refuse("of", f"{source.name} is {source.dimension.value}, not lambda.", "Name a lambda channel.")

    def operator(self, section: AirFuelSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        return AirFuel(car.air_fuel_scale if section.scale is None else section.scale)

    def describe(self, section: AirFuelSection) -> str:
        """Return it in words, the scale with it."""
        scale = "the car's air_fuel_scale" if section.scale is None else f"{section.scale:g}"
        return f"{section.of} × {scale}, for showing; lambda is what is judged"


SURFACES: dict[str, KindOfDerived] = {"surface": SurfaceKind(), "air-fuel": AirFuelKind()}
