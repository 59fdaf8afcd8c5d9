"""Plain formulas: what follows from channels that are there, without anything to set but their names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, FiniteFloat

from pullwatch.derived.formulas import Boost, FuelDifferential, InjectorDuty, PressureRatio
from pullwatch.setup.derived_kinds.base import DerivedSection

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.channels import Channel, Quantity
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking
    from pullwatch.setup.plan import Car


class BoostSection(DerivedSection):
    """kind = "boost": manifold pressure less barometric pressure."""

    kind: Literal["boost"] = "boost"


class PressureRatioSection(DerivedSection):
    """kind = "pressure-ratio": manifold pressure over barometric pressure."""

    kind: Literal["pressure-ratio"] = "pressure-ratio"


class FuelDifferentialSection(DerivedSection):
    """kind = "fuel-differential": what the injector sees of the fuel pressure."""

    kind: Literal["fuel-differential"] = "fuel-differential"


class InjectorDutySection(DerivedSection):
    """kind = "injector-duty": the share of the cycle in which the injector is open."""

    kind: Literal["injector-duty"] = "injector-duty"
    injections_per_cycle: Annotated[FiniteFloat, Field(gt=0, le=4)] = 1.0
    """Sequential injection opens once in a cycle of two turns, batch injection usually twice."""


@dataclass(frozen=True)
class Formula:
    """A kind that is one formula of catalogued channels, the first of which triggers it."""

    section: type[DerivedSection]
    channels: tuple[str, ...]
    says: str
    build: Callable[[DerivedSection], Operator]

    def inputs(self, section: DerivedSection) -> tuple[str, ...]:  # noqa: ARG002 - the same for every section
        """Return the names of the channels it is made from."""
        return self.channels

    def quantity(self, section: DerivedSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - same
        """Return None: what a formula gives is in the catalogue, or the setup must say what it is."""
        return None

    def check(self, checking: DerivedChecking, section: DerivedSection) -> None:
        """Nothing is left to check."""

    def operator(self, section: DerivedSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - same
        """Return a new operator."""
        return self.build(section)

    def describe(self, section: DerivedSection) -> str:  # noqa: ARG002 - same
        """Return the formula in words."""
        return self.says


def _duty(section: DerivedSection) -> Operator:
    assert isinstance(section, InjectorDutySection)
    return InjectorDuty(section.injections_per_cycle)


FORMULAS = {
    "boost": Formula(
        BoostSection,
        ("manifold_pressure", "barometric_pressure"),
        "manifold_pressure - barometric_pressure",
        lambda _: Boost(),
    ),
    "pressure-ratio": Formula(
        PressureRatioSection,
        ("manifold_pressure", "barometric_pressure"),
        "manifold_pressure / barometric_pressure",
        lambda _: PressureRatio(),
    ),
    "fuel-differential": Formula(
        FuelDifferentialSection,
        ("fuel_pressure", "barometric_pressure", "manifold_pressure"),
        "fuel_pressure + barometric_pressure - manifold_pressure",
        lambda _: FuelDifferential(),
    ),
    "injector-duty": Formula(
        InjectorDutySection,
        ("injector_pulse_width", "engine_speed"),
        "injector_pulse_width × engine_speed × injections per cycle / 1200",
        _duty,
    ),
}
