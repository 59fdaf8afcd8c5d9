"""Statistics: what a channel did in the last so many milliseconds, and how channels that should agree do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias

from pydantic import Field, FiniteFloat

from pullwatch.channels import RATE_OF, Dimension, Quantity
from pullwatch.clock import NS_PER_MS
from pullwatch.derived.statistics import (
    Ahead,
    Apart,
    Crossings,
    Difference,
    Least,
    Mean,
    Middle,
    Most,
    Rate,
    Rises,
    Spread,
    TimeBeyond,
    Trend,
)
from pullwatch.errors import ExpressionError
from pullwatch.setup.derived_kinds.base import DerivedSection
from pullwatch.watchdog.conditions import quantity as read_quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.channels import Channel
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking, KindOfDerived
    from pullwatch.setup.plan import Car

Window: TypeAlias = Annotated[FiniteFloat, Field(ge=1, le=60_000)]
"""ms. Longer than a minute is a trend over a session, and none of a rule's business."""


class OverSection(DerivedSection):
    """A window over one channel."""

    kind: Literal["mean", "least", "most", "spread", "rate", "trend"]
    of: str
    over_ms: Window
    least_known: Annotated[FiniteFloat, Field(gt=0, le=1)] = 1.0
    """The share of the window that must be known. What is known then stands for all of it."""


class AheadSection(OverSection):
    """kind = "ahead": the value that is to come if the channel goes on as it does."""

    kind: Literal["ahead"]  # type: ignore[assignment] # narrower on purpose: each kind has its own keys
    ahead_ms: Window


class BeyondSection(OverSection):
    """kind = "time-beyond": for how long of the window the channel was beyond a constant."""

    kind: Literal["time-beyond"]  # type: ignore[assignment] # same
    above: str | None = None
    below: str | None = None


class CrossingsSection(BeyondSection):
    """kind = "crossings": how often it went beyond one."""

    kind: Literal["crossings"]  # type: ignore[assignment] # same
    deadband: str | None = None


class RisesSection(OverSection):
    """kind = "rises": how often it rose by so much within so long."""

    kind: Literal["rises"]  # type: ignore[assignment] # same
    at_least: str
    within_ms: Window


class ApartSection(DerivedSection):
    """kind = "apart": the largest difference among channels that should say the same."""

    kind: Literal["apart"]
    of: Annotated[list[str], Field(min_length=2, max_length=16)]


class MiddleSection(DerivedSection):
    """kind = "middle": the vote of three channels that measure the same."""

    kind: Literal["middle"]
    of: Annotated[list[str], Field(min_length=3, max_length=3)]
    within: str


class DifferenceSection(DerivedSection):
    """kind = "difference": one channel less another."""

    kind: Literal["difference"]
    of: str
    less: str


def difference_of(quantity: Quantity) -> Quantity:
    """Return the quantity that two of `quantity` differ by."""
    dimension = _DIFFERENCES.get(quantity.dimension, quantity.dimension)
    return replace(quantity, dimension=dimension, says="")


_DIFFERENCES = {
    Dimension.ABSOLUTE_PRESSURE: Dimension.PRESSURE_DIFFERENCE,
    Dimension.GAUGE_PRESSURE: Dimension.PRESSURE_DIFFERENCE,
    Dimension.TEMPERATURE: Dimension.TEMPERATURE_DIFFERENCE,
}


def rate_of(quantity: Quantity) -> Quantity | None:
    """Return the quantity of how fast `quantity` changes; None for what is a rate already."""
    dimension = RATE_OF.get(quantity.dimension)
    if dimension is None:
        return None
    return replace(quantity, dimension=dimension, unit=f"{quantity.unit}/s", says="")


def _same(quantity: Quantity) -> Quantity:
    return quantity


def _count(quantity: Quantity) -> Quantity:  # noqa: ARG001 - whatever is counted
    return _number(Dimension.NUMBER, "")


def _milliseconds(quantity: Quantity) -> Quantity:  # noqa: ARG001 - whatever is timed
    return _number(Dimension.TIME, "ms")


def _number(dimension: Dimension, unit: str) -> Quantity:
    return Quantity(dimension, unit, float("-inf"), float("inf"))


def _of(channel: Channel) -> Quantity:
    """Return a channel's quantity, without bounds: what is made from believed values is believed."""
    return Quantity(channel.dimension, channel.unit, float("-inf"), float("inf"), channel.digits, channel.says)


def _ns(ms: float) -> int:
    return round(ms * NS_PER_MS)


def _fits(checking: DerivedChecking, wanted: Quantity | None) -> None:
    """Refuse a name that says, by the catalogue or a [channel.NAME], that the channel is something else."""
    channel = checking.channel
    if wanted is not None and channel.dimension is not wanted.dimension:
        what = f"what this makes is {wanted.dimension.value}, and {channel.name} is {channel.dimension.value}."
        checking.refuse("kind", what, "Give it a name of its own, or take its unit and kind out of [channel].")


def _amount(text: str | None, quantity: Quantity) -> float:
    """Return a typed amount in the stored unit, nought for none. Raises ExpressionError."""
    return 0.0 if text is None else read_quantity(text, quantity.dimension, quantity.unit)


def _read(checking: DerivedChecking, key: str, text: str | None, quantity: Quantity) -> float | None:
    """Return a typed amount; None if there is none, or none that can be read (which is noted)."""
    if text is None:
        return None
    try:
        return _amount(text, quantity)
    except ExpressionError as error:
        checking.refuse(key, f"{str(error).rstrip('.')}.")
        return None


def _read_above_nought(checking: DerivedChecking, key: str, text: str, quantity: Quantity) -> None:
    amount = _read(checking, key, text, quantity)
    if amount is not None and amount <= 0.0:
        checking.refuse(key, f'"{text}" is not possible: it must be above 0.')


@dataclass(frozen=True)
class Over:
    """A kind that looks at a window of one channel. `build` takes the section and the channel."""

    section: type[DerivedSection]
    says: str
    gives: Callable[[Quantity], Quantity | None]
    build: Callable[[Any, Channel], Operator]

    def inputs(self, section: OverSection) -> tuple[str, ...]:
        """Return the name of the channel."""
        return (section.of,)

    def quantity(self, section: OverSection, channels: Mapping[str, Channel]) -> Quantity | None:
        """Return what it stands for, from what the channel does. The change of a rate stays one (and is refused)."""
        source = _of(channels[section.of])
        return self.gives(source) or source

    def check(self, checking: DerivedChecking, section: OverSection) -> None:
        """Refuse amounts that are none of the channel's, and a name that is something else."""
        channel = checking.channels[section.of]
        source = _of(channel)
        gives = self.gives(source)
        if gives is None:
            checking.refuse("of", f"{channel.name} is {channel.dimension.value} already.", "Take what it is a rate of.")
        _fits(checking, gives)
        if isinstance(section, BeyondSection):
            given = [key for key in ("above", "below") if getattr(section, key) is not None]
            if len(given) != 1:
                what = "is missing." if not given else "a channel is beyond one side only."
                checking.refuse("above", what, "Write above = … or below = …, with its unit.")
            for key in given:
                _read(checking, key, getattr(section, key), source)
        if isinstance(section, CrossingsSection):
            deadband = _read(checking, "deadband", section.deadband, difference_of(source))
            if deadband is not None and deadband < 0.0:
                checking.refuse("deadband", f'"{section.deadband}" is not possible: it must be at least 0.')
        if isinstance(section, RisesSection):
            _read_above_nought(checking, "at_least", section.at_least, difference_of(source))

    def operator(self, section: OverSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        return self.build(section, channels[section.of])

    def describe(self, section: OverSection) -> str:
        """Return it in words."""
        says = self.says.format(section=section)
        known = f", {section.least_known:.0%} of it known" if section.least_known < 1 else ""
        return f"{says} over {section.over_ms:g} ms{known}"


def _window(operator: Callable[[int, int, float], Operator]) -> Callable[[OverSection, Channel], Operator]:
    """Return what builds an operator that has no more to it than its window."""
    return lambda section, channel: operator(_ns(section.over_ms), channel.stale_after, section.least_known)


def _ahead(section: AheadSection, channel: Channel) -> Operator:
    return Ahead(_ns(section.over_ms), _ns(section.ahead_ms), channel.stale_after, section.least_known)


def _beyond(section: BeyondSection, channel: Channel) -> Operator:
    limit = _amount(section.above if section.above is not None else section.below, _of(channel))
    above = section.above is not None
    return TimeBeyond(_ns(section.over_ms), limit, channel.stale_after, section.least_known, above=above)


def _crossings(section: CrossingsSection, channel: Channel) -> Operator:
    limit = _amount(section.above if section.above is not None else section.below, _of(channel))
    deadband = _amount(section.deadband, difference_of(_of(channel)))
    above = section.above is not None
    return Crossings(_ns(section.over_ms), limit, deadband, channel.stale_after, section.least_known, above=above)


def _rises(section: RisesSection, channel: Channel) -> Operator:
    at_least = _amount(section.at_least, difference_of(_of(channel)))
    return Rises(_ns(section.over_ms), at_least, _ns(section.within_ms), channel.stale_after, section.least_known)


@dataclass(frozen=True)
class Among:
    """A kind that holds several channels of one quantity against each other at the instants of the first."""

    section: type[DerivedSection]
    gives: Callable[[Quantity], Quantity]
    build: Callable[[Any, Channel], Operator]
    says: str

    def inputs(self, section: Any) -> tuple[str, ...]:
        """Return the names of the channels."""
        return (section.of, section.less) if isinstance(section, DifferenceSection) else tuple(section.of)

    def quantity(self, section: Any, channels: Mapping[str, Channel]) -> Quantity | None:
        """Return what it stands for, from what its channels do."""
        return self.gives(_of(channels[self.inputs(section)[0]]))

    def check(self, checking: DerivedChecking, section: Any) -> None:
        """Refuse channels that cannot be held against each other."""
        names = self.inputs(section)
        first = checking.channels[names[0]]
        key = "less" if isinstance(section, DifferenceSection) else "of"
        for at, name in enumerate(names[1:], 1):
            other = checking.channels[name]
            if name in names[:at]:
                checking.refuse(key, f"{name} stands here twice.", "It agrees with itself whatever it says.")
            elif other.dimension is not first.dimension or other.unit != first.unit:
                what = f"{first.name} is {first.dimension.value}, {name} is {other.dimension.value}."
                checking.refuse(key, what, "Only like can be held against like.")
        _fits(checking, self.gives(_of(first)))
        if isinstance(section, MiddleSection):
            _read_above_nought(checking, "within", section.within, difference_of(_of(first)))

    def operator(self, section: Any, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        return self.build(section, channels[self.inputs(section)[0]])

    def describe(self, section: Any) -> str:
        """Return it in words."""
        return self.says.format(section=section, channels=", ".join(self.inputs(section)))


def _middle(section: MiddleSection, channel: Channel) -> Operator:
    return Middle(_amount(section.within, difference_of(_of(channel))))


STATISTICS: dict[str, KindOfDerived] = {
    "mean": Over(OverSection, "mean of {section.of}", _same, _window(Mean)),
    "least": Over(OverSection, "least of {section.of}", _same, _window(Least)),
    "most": Over(OverSection, "most of {section.of}", _same, _window(Most)),
    "spread": Over(OverSection, "most less least of {section.of}", difference_of, _window(Spread)),
    "rate": Over(OverSection, "change per second of {section.of}", rate_of, _window(Rate)),
    "trend": Over(OverSection, "slope per second of {section.of}", rate_of, _window(Trend)),
    "ahead": Over(
        AheadSection, "{section.of} in {section.ahead_ms:g} ms if it goes on changing as it did", _same, _ahead
    ),
    "time-beyond": Over(BeyondSection, "time of {section.of} beyond its constant", _milliseconds, _beyond),
    "crossings": Over(CrossingsSection, "crossings of {section.of} beyond its constant", _count, _crossings),
    "rises": Over(
        RisesSection,
        "rises of {section.of} by {section.at_least} or more within {section.within_ms:g} ms",
        _count,
        _rises,
    ),
    "apart": Among(ApartSection, difference_of, lambda _section, _channel: Apart(), "largest difference of {channels}"),
    "middle": Among(MiddleSection, _same, _middle, "vote of {channels}, two of them within {section.within}"),
    "difference": Among(
        DifferenceSection, difference_of, lambda _section, _channel: Difference(), "{section.of} - {section.less}"
    ),
}
