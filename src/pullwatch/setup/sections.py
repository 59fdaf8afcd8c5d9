"""The shape of the setup file: one small class a section. What the words in it mean is for `resolve`.

Feeds are not here: each kind states its own options (`pullwatch.feeds.options`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat

from pullwatch.channels import DEFAULT_AIR_FUEL_SCALE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup.plan import Plan

SENTENCE_LENGTH = 80
"""More than this nobody reads or hears in time."""


class Section(BaseModel):
    """Common to all: no key is passed over, no value is bent into the type that is wanted, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)


def _alone_is_one(value: object) -> object:
    """Let a limit that is the same everywhere be written as one number."""
    return [value] if isinstance(value, int | float) and not isinstance(value, bool) else value


Name: TypeAlias = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
Pair: TypeAlias = Annotated[list[FiniteFloat], Field(min_length=2, max_length=2)]
Milliseconds: TypeAlias = Annotated[FiniteFloat, Field(ge=0, le=600_000)]
Sentence: TypeAlias = Annotated[str, Field(min_length=1, max_length=SENTENCE_LENGTH, pattern=r"^[^\x00-\x1f\x7f]+$")]
Points: TypeAlias = Annotated[list[FiniteFloat], Field(min_length=1, max_length=256), BeforeValidator(_alone_is_one)]


class CarSection(Section):
    """[car]: what the arithmetic and the names of recordings need to know of the car."""

    name: Name
    fuel: str = ""
    """Serves mass and injector arithmetic and plausibility; never the scale of shown air-fuel numbers."""
    air_fuel_scale: Annotated[FiniteFloat, Field(ge=5, le=20)] = DEFAULT_AIR_FUEL_SCALE
    """What the owner's gauges and tables show at lambda 1. Lambda is what is stored and judged."""
    cylinders: Annotated[int, Field(ge=1, le=16)] | None = None
    displacement_cc: Annotated[FiniteFloat, Field(gt=0, le=20_000)] | None = None
    mass_kg: Annotated[FiniteFloat, Field(gt=0, le=10_000)] | None = None


class ProfileSection(Section):
    """[profile]: where the car runs, which decides what is expected and who is told."""

    kind: Literal["dyno", "strip", "street"] = "dyno"


class ChannelSection(Section):
    """[channel.NAME]: what is to be believed of one channel, and how late it speaks."""

    unit: str | None = None
    kind: str | None = None
    """For a channel that is not in the catalogue: `absolute`, `gauge`, `difference`, or a dimension."""
    believable: Pair | None = None
    stale_after_ms: Annotated[FiniteFloat, Field(gt=0, le=60_000)] | None = None
    rate_hz: Annotated[FiniteFloat, Field(gt=0, le=10_000)] | None = None
    delay_ms: Pair | None = None
    delay_per_cycle: bool | None = None
    exhaust_litres: Annotated[FiniteFloat, Field(gt=0, le=50)] | None = None
    """Volume between the exhaust valves and a lambda sensor: how long the gas is under way follows from it."""
    time_constant_ms: Annotated[FiniteFloat, Field(ge=0, le=10_000)] = 0.0
    blind_while: str | None = None
    """None: the default for a lambda channel. Empty: never blind."""
    slew_per_s: Annotated[list[FiniteFloat], Field(max_length=2)] | None = None
    """[fastest fall, fastest rise] a second, beyond which a sample is not believed. None: the usual. Empty: none."""
    frozen_with: str | None = None
    """What drives this channel: when it moved and this did not, it is not believed. None: the usual. Empty: none."""
    frozen_between: Pair | None = None
    """[low, high] of that partner, in its unit: between the two this channel must have moved ..."""
    frozen_moves: Annotated[FiniteFloat, Field(gt=0)] | None = None
    """... by at least this, in its own unit ..."""
    frozen_settle_ms: Milliseconds | None = None
    """... once the partner stayed so long at either end. None: 1000."""
    proof: bool = False
    """A lambda sensor: not believed before it has shown, in the running engine, that it answers."""
    lean_rail: FiniteFloat | None = None
    """The leanest that a lambda sensor can say: a reading there is believed all the same."""
    full_scale: Annotated[FiniteFloat, Field(gt=0)] | None = None
    """The most that the sensor or its link can say, in the channel's unit: a reading there means "at least this"."""


class LimitSection(Section):
    """[limit.NAME]: a number with a name, or one that moves along another channel."""

    limits: str | None = None
    along: str | None = None
    at: Points | None = None
    at_unit: str | None = None
    value: Points
    unit: str | None = None
    beyond: Literal["hold", "unknown"] = "hold"
    starting: bool = False
    """It is a starting value and not this engine's: rules of the catalogue that rest on it run as cautions."""


class RuleSection(Section):
    """[[rule]]: a gate and a trip, how long, and what is said."""

    name: Name
    while_: str | None = Field(default=None, alias="while")
    trip: str
    on_delay_ms: Milliseconds | None = None
    dose: str | None = None
    at_least_samples: Annotated[int, Field(ge=1, le=1_000)] = 1
    off_delay_ms: Milliseconds = 500.0
    latch: bool = False
    priority: Literal["critical", "caution", "note"] = "caution"
    group: Name = "engine"
    silent_while: str | None = None
    """Suppressed by design while this is known to be so: a condition that is not known never silences."""
    profiles: Annotated[list[Literal["dyno", "strip", "street"]], Field(min_length=1)] | None = None
    """Where the rule is armed; None: everywhere."""
    says: Sentence | None = None
    near: str | None = None
    """How far from its limit a value is near it, a quantity with its unit: what is shown and reviewed as close.
    None: the usual for what is measured. It decides nothing about the alarm."""


class CatalogueSection(Section):
    """[catalogue]: ready rules to take, by name or all for which there are channels."""

    rules: Annotated[list[Name], Field(min_length=1)] | None = None
    take: Literal["all that my channels allow"] | None = None
    leave_out: list[Name] = Field(default_factory=list)
    """Of `take`: rules that are not wanted."""


class EquipmentSection(Section):
    """A section of what stands around the path and decides no verdict (`pullwatch.setup.equipment`)."""

    def problems(self, plan: Plan) -> Iterator[tuple[str, str, str]]:  # noqa: ARG002 - for those that look at it
        """Yield what is wrong with it beside the rest of the setup: the key, what is wrong, what to do."""
        yield from ()

    def wary(self, plan: Plan) -> Iterator[str]:  # noqa: ARG002 - for those that look at it
        """Yield what to be wary of, in sentences: `check` tells it."""
        yield from ()


SECTIONS = ("car", "profile", "protection", "feed", "channel", "derived", "catalogue", "limit", "rule")
"""Every section there is, in the order in which a file usually has them."""
