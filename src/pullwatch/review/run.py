"""One run: what was driven, in which conditions, and how it ended."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pullwatch.review.table import S, Span

if TYPE_CHECKING:
    from collections.abc import Mapping


class Class(StrEnum):
    """What kind of run it is."""

    BURNOUT = "burnout"
    LAUNCH_PRACTICE = "launch practice"
    PASS = "pass"  # noqa: S105 - down the strip
    PEDALLED_PASS = "pedalled pass"  # noqa: S105 - same
    PULL = "pull"
    LOAD_HOLD = "load hold"
    STREET_PULL = "street pull"


class Ended(StrEnum):
    """How a run ended."""

    LIFT = "driver's lift"
    FUEL = "controller's fuel cut"
    IGNITION = "controller's ignition cut"
    THROTTLE = "controller's throttle cut"
    CUT = "controller's cut, which kind is not known"
    LIMITER = "limiter"
    OPERATOR = "operator"
    STOPPED = "engine stopped"
    LOST = "engine speed was lost"
    OPEN = "not over when the recording ends"
    UNKNOWN = "cannot tell: the foot is not measured"


CONDITIONS: Final = (
    "intake_air_temperature", "oil_temperature", "coolant_temperature", "barometric_pressure", "ambient_temperature",
)  # fmt: skip

RATIO: Final = 0.06
"""Share by which engine speed over road speed changes when a gear does."""


@dataclass(frozen=True, slots=True)
class Launch:
    """How a run left: `release` (session ns) is when the car moved, `held` s on the limiter or brake before it.

    `rpm`, `boost` (kPa gauge) at the release; NaN where not known.
    """

    release: int
    held: float
    rpm: float
    boost: float


@dataclass(frozen=True, slots=True)
class Run:
    """One run: `number` counts from 1 in its session; `begin` to `end` (the lift), session ns.

    `gears` in the order driven; empty where neither a gear nor a ratio is known. `ratios` are engine over road speed,
    rpm per km/h, in the same order. `sweeps`: gear (0: not known) to rpm/s. `start`, `finish`: conditions by channel,
    NaN where not known. `rpm`: least and most. `lifts` are those of the foot that were no shift. `cuts` are all spans
    in which the controller cut. `metres` is how far the road speed says it went, NaN where there is none. `corrected`
    names what the owner set.
    """

    number: int
    begin: int
    end: int
    kind: Class
    ended: Ended
    gears: tuple[int, ...] = ()
    ratios: tuple[float, ...] = ()
    sweeps: Mapping[int, float] = field(default_factory=dict)
    start: Mapping[str, float] = field(default_factory=dict)
    finish: Mapping[str, float] = field(default_factory=dict)
    rpm: tuple[float, float] = (math.nan, math.nan)
    lifts: tuple[Span, ...] = ()
    shifts: tuple[Span, ...] = ()
    cuts: tuple[Span, ...] = ()
    launch: Launch | None = None
    metres: float = math.nan
    corrected: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """How long it took."""
        return (self.end - self.begin) / S

    @property
    def span(self) -> Span:
        """From begin to end."""
        return Span(self.begin, self.end)

    @property
    def gear_text(self) -> str:
        """The gears in words."""
        if not self.gears:
            return "gear not known"
        return f"gear {self.gears[0]}" if len(self.gears) == 1 else f"gears {'-'.join(map(str, self.gears))}"

    @property
    def sweep_text(self) -> str:
        """The sweep rates in words."""
        return ", ".join(
            f"{rate:,.0f} rpm/s" + (f" in gear {gear}" if gear and len(self.sweeps) > 1 else "")
            for gear, rate in self.sweeps.items()
        )

    def line(self) -> str:
        """Say what it is, in one line."""
        low, high = self.rpm
        set_by = f" (set by the owner: {', '.join(self.corrected)})" if self.corrected else ""
        sweep = f", {self.sweep_text}" if self.sweeps else ""
        return (
            f"run {self.number}: {self.kind}, {self.gear_text}, {low:,.0f} to {high:,.0f} rpm in "
            f"{self.seconds:.1f} s{sweep}; ended by: {self.ended}{set_by}"
        )
