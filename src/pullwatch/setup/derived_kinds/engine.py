"""Channels of engine, driveline and air: gear, slip, cuts, and barometric pressure from the manifold sensor."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import Field, FiniteFloat

from pullwatch.channels import QUANTITIES, Dimension, Quantity
from pullwatch.derived import cuts
from pullwatch.derived.cuts import Cut, Signs
from pullwatch.derived.engine import (
    LEAST_DRIVESHAFT,
    LEAST_KMH,
    BarometricChange,
    BarometricLatch,
    ConverterSlip,
    Gear,
    WheelSlip,
    road_turns,
)
from pullwatch.setup.derived_kinds.base import DerivedSection

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.channels import Channel
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking, KindOfDerived
    from pullwatch.setup.plan import Car

Ratios = Annotated[list[Annotated[FiniteFloat, Field(gt=0, le=20)]], Field(min_length=1, max_length=10)]
Wheels = Annotated[list[str], Field(min_length=1, max_length=2)]
Speed = Annotated[FiniteFloat, Field(gt=0, le=20_000)]
What = Literal["fuel", "ignition", "throttle"]

CODES: Final[Mapping[str, float]] = {"fuel": cuts.FUEL, "ignition": cuts.IGNITION, "throttle": cuts.THROTTLE}


class GearSection(DerivedSection):
    """kind = "gear": the gear, from engine speed and driveshaft or road speed."""

    kind: Literal["gear"] = "gear"
    speed: str = "driveshaft_speed"
    """The channel with the other speed."""
    ratios: Ratios
    """First gear first."""
    final_drive: Annotated[FiniteFloat, Field(gt=0, le=20)] | None = None
    tyre_circumference_m: Annotated[FiniteFloat, Field(gt=0.5, le=5)] | None = None
    tolerance: Annotated[FiniteFloat, Field(gt=0, le=0.2)] = 0.04
    """Share by which tyres, their growth and the sensors may be off (common practice, no source)."""


class ConverterSlipSection(DerivedSection):
    """kind = "converter-slip": engine speed less driveshaft speed times the ratio that is in."""

    kind: Literal["converter-slip"] = "converter-slip"
    ratios: Ratios


class WheelSlipSection(DerivedSection):
    """kind = "wheel-slip": driven over undriven wheels, in %."""

    kind: Literal["wheel-slip"] = "wheel-slip"
    driven: Wheels
    undriven: Wheels


class CutSection(DerivedSection):
    """kind = "cut": cut_active, inferred. What is not stated is not looked for."""

    kind: Literal["cut"] = "cut"
    dead_time_ms: Annotated[FiniteFloat, Field(ge=0, le=10)] | None = None
    """A pulse no longer than the injector's dead time injects nothing."""
    overrun: bool = True
    """Whether this controller cuts the fuel on the overrun."""
    limit_rpm: Speed | None = None
    limit_cuts: What = "fuel"
    launch_rpm: Speed | None = None
    launch_cuts: What = "ignition"
    shift_cuts: What | None = None
    """What is cut while the gear is changed with the foot down."""


class BarometricLatchSection(DerivedSection):
    """kind = "barometric-latch": what the manifold sensor said before the engine was started."""

    kind: Literal["barometric-latch"] = "barometric-latch"


class BarometricChangeSection(DerivedSection):
    """kind = "barometric-change": how much barometric pressure differs from that of the last run."""

    kind: Literal["barometric-change"] = "barometric-change"


@dataclass(frozen=True)
class Simple:
    """A kind whose inputs, quantity and operator follow from its section alone."""

    section: type[DerivedSection]
    makes: Quantity
    of: Callable[[Any], tuple[str, ...]]
    build: Callable[[Any], Operator]
    says: Callable[[Any], str]
    refuses: Callable[[DerivedChecking, Any], None] = lambda checking, section: None  # noqa: ARG005 - nothing to refuse

    def inputs(self, section: DerivedSection) -> tuple[str, ...]:
        """Return the names of the channels it is made from."""
        return self.of(section)

    def quantity(self, section: DerivedSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - the same for all
        """Return what it makes."""
        return self.makes

    def check(self, checking: DerivedChecking, section: DerivedSection) -> None:
        """Refuse a name that stands for something else, and what the kind itself cannot do with."""
        channel = checking.channel
        if channel.dimension is not self.makes.dimension or channel.unit != self.makes.unit:
            what = f"what this makes is {self.makes.dimension.value}, and {channel.name} is {channel.dimension.value}."
            checking.refuse("kind", what, "Give it another name.")
        self.refuses(checking, section)

    def operator(self, section: DerivedSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - same
        """Return a new operator."""
        return self.build(section)

    def describe(self, section: DerivedSection) -> str:
        """Return it in words."""
        return self.says(section)


class GearKind:
    """The gear. Whether the other speed is a shaft's or the road's is the channel's to say."""

    section = GearSection

    def inputs(self, section: GearSection) -> tuple[str, ...]:
        """Return the other speed, which triggers it, and engine speed."""
        return section.speed, "engine_speed"

    def quantity(self, section: GearSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - the same for all
        """Return that of a gear."""
        return QUANTITIES["gear"]

    def check(self, checking: DerivedChecking, section: GearSection) -> None:
        """Refuse speeds that are none, lengths that are missing or spare, and gears that cannot be told apart."""
        speed = checking.channels[section.speed]
        lengths = {"final_drive": section.final_drive, "tyre_circumference_m": section.tyre_circumference_m}
        if speed.dimension not in (Dimension.ROTATION, Dimension.SPEED) or speed.name == "engine_speed":
            checking.refuse(
                "speed", f"{speed.name} is no speed of the driveline.", "Name driveshaft_speed or a road speed."
            )
        for key, length in lengths.items():
            if length is None and speed.dimension is Dimension.SPEED:
                checking.refuse(key, "is missing.", f"{speed.name} is a road speed: the gear follows by way of it.")
            elif length is not None and speed.dimension is Dimension.ROTATION:
                checking.refuse(key, f"{speed.name} turns with the gearbox: this is not used.", "Take it out.")
        if checking.channel.dimension is not Dimension.NUMBER:
            what = f"a gear is a plain number, and {checking.name} is {checking.channel.dimension.value}."
            checking.refuse("kind", what, "Give it another name.")
        for first, second in pairwise(section.ratios):
            if second * (1.0 + section.tolerance) >= first * (1.0 - section.tolerance):
                what = f"{first:g} and {second:g} are not apart by twice the tolerance of {section.tolerance:.0%}."
                checking.refuse("ratios", what, "Write first gear first, or a smaller tolerance.")

    def operator(self, section: GearSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        if channels[section.speed].dimension is Dimension.ROTATION:
            return Gear(section.ratios, section.tolerance, LEAST_DRIVESHAFT)
        final, round_m = section.final_drive, section.tyre_circumference_m
        assert final is not None
        assert round_m is not None
        turns = [road_turns(ratio, final, round_m) for ratio in section.ratios]
        return Gear(turns, section.tolerance, LEAST_KMH)

    def describe(self, section: GearSection) -> str:
        """Return it in words."""
        ratios = ", ".join(f"{ratio:g}" for ratio in section.ratios)
        return f"the gear of {ratios} that explains engine_speed and {section.speed} within {section.tolerance:.0%}"


def _slip_refuses(checking: DerivedChecking, section: ConverterSlipSection) -> None:  # noqa: ARG001 - the gear decides
    made = checking.findings.setup.derived.get("gear")
    if isinstance(made, GearSection):
        what = "gear is made from the same two speeds, so that the slip would always be about nought."
        checking.refuse("kind", what, "Let a feed give gear.")


def _wheels_refuse(checking: DerivedChecking, section: WheelSlipSection) -> None:
    names = [*section.driven, *section.undriven]
    for key, wheels in (("driven", section.driven), ("undriven", section.undriven)):
        for name in wheels:
            if checking.channels[name].dimension is not Dimension.SPEED:
                checking.refuse(key, f"{name} is no road speed.", "Name wheel speeds, or another speed over ground.")
            if names.count(name) > 1:
                checking.refuse(key, f"{name} stands here twice.", "A wheel is driven or undriven.")


def _cut_inputs(section: CutSection) -> tuple[str, ...]:
    """Return the channels, in the order in which `Cut` takes them."""
    names = ["engine_speed", "throttle"]
    names += ["manifold_pressure"] if section.overrun else []
    names += [] if section.dead_time_ms is None else ["injector_pulse_width"]
    names += [] if section.launch_rpm is None and section.shift_cuts is None else ["vehicle_speed"]
    return tuple(names)


def _cut(section: CutSection) -> Operator:
    signs = Signs(
        dead_time=section.dead_time_ms,
        overrun=section.overrun,
        limit=section.limit_rpm,
        limit_cuts=CODES[section.limit_cuts],
        launch=section.launch_rpm,
        launch_cuts=CODES[section.launch_cuts],
        shift_cuts=None if section.shift_cuts is None else CODES[section.shift_cuts],
    )
    return Cut(signs)


def _cut_says(section: CutSection) -> str:
    signs = [f"pulse width up to {section.dead_time_ms:g} ms"] if section.dead_time_ms is not None else []
    signs += ["overrun"] if section.overrun else []
    signs += [f"limiter at {section.limit_rpm:,.0f} rpm"] if section.limit_rpm is not None else []
    signs += [f"launch at {section.launch_rpm:,.0f} rpm"] if section.launch_rpm is not None else []
    signs += ["step of the ratio in a shift"] if section.shift_cuts is not None else []
    return "inferred from " + ", ".join(signs)


def _cut_refuses(checking: DerivedChecking, section: CutSection) -> None:
    stated = (section.dead_time_ms, section.limit_rpm, section.launch_rpm, section.shift_cuts)
    if not section.overrun and all(each is None for each in stated):
        what = "with nothing else stated there is no cut to look for."
        checking.refuse("overrun", what, "State what is cut and how.")


ENGINE: Final[dict[str, KindOfDerived]] = {
    "gear": GearKind(),
    "converter-slip": Simple(
        ConverterSlipSection,
        QUANTITIES["converter_slip"],
        lambda _: ("engine_speed", "driveshaft_speed", "gear"),
        lambda section: ConverterSlip(section.ratios),
        lambda _: "engine_speed - driveshaft_speed × the ratio of the gear",
        _slip_refuses,
    ),
    "wheel-slip": Simple(
        WheelSlipSection,
        Quantity(Dimension.PERCENT, "%", -100.0, 1_000.0, 1),
        lambda section: (*section.driven, *section.undriven),
        lambda section: WheelSlip(len(section.driven)),
        lambda section: f"{' and '.join(section.driven)} over {' and '.join(section.undriven)}",
        _wheels_refuse,
    ),
    "cut": Simple(CutSection, QUANTITIES["cut_active"], _cut_inputs, _cut, _cut_says, _cut_refuses),
    "barometric-latch": Simple(
        BarometricLatchSection,
        QUANTITIES["barometric_pressure"],
        lambda _: ("manifold_pressure", "engine_speed"),
        lambda _: BarometricLatch(),
        lambda _: "manifold_pressure, as it was last steady while the engine stood",
    ),
    "barometric-change": Simple(
        BarometricChangeSection,
        Quantity(Dimension.PRESSURE_DIFFERENCE, "kPa", 0.0, 100.0, 1),
        lambda _: ("barometric_pressure", "engine_speed"),
        lambda _: BarometricChange(),
        lambda _: "barometric_pressure, now and when the engine last ran",
    ),
}
