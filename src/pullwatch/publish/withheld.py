"""What is not sent unless asked: where the car is, and how fast it went on a street.

A channel is known by its name, its parts (`gps_lat`), and what it measures. What is made from a withheld channel is
withheld too, whatever it is called: a mean of the road speed is a road speed, and with engine speed a gear tells it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import Dimension
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.channels import Channel
    from pullwatch.setup import Plan
    from pullwatch.setup.equipment.broker import BrokerSection
    from pullwatch.watchdog.rules import Rule

POSITION_WORDS: Final = frozenset(
    {
        "lat",
        "latitude",
        "lon",
        "lng",
        "long",
        "longitude",
        "alt",
        "altitude",
        "course",
        "heading",
        "position",
        "bearing",
    }
)
SPEED_WORDS: Final = frozenset(
    {"speed", "velocity", "kmh", "kph", "mph", "driveshaft", "propshaft", "wheel", "odometer"}
)
ROAD_SPEED: Final = frozenset({Dimension.SPEED, Dimension.SPEED_RATE})
NOT_THE_ROAD: Final = frozenset({"engine_speed", "turbo_speed"})


@dataclass(frozen=True, slots=True)
class Withheld:
    """Numbers of the channels and rules that are not sent. Such a rule compares a withheld channel with something."""

    channels: frozenset[int]
    rules: frozenset[int]


def withheld(plan: Plan, section: BrokerSection) -> Withheld:
    """Return what of a plan is not sent to this broker."""
    street = plan.profile == "street" and not section.street_speed
    names = {
        channel.name
        for channel in plan.channels
        if channel.name in section.leave_out
        or (not section.position and _tells_where(channel))
        or (street and _tells_road_speed(channel))
    }
    for derived in plan.derived:  # each after those it rests on
        if not derived.amends and names.intersection(derived.inputs):
            names.add(derived.channel)
    channels = frozenset(plan.channel(name).number for name in names)
    rules = frozenset(rule.number for rule in plan.rules.rules if channels.intersection(_compared(plan, rule)))
    return Withheld(channels, rules)


def _tells_where(channel: Channel) -> bool:
    return bool(POSITION_WORDS.intersection(channel.name.split("_")))


def _tells_road_speed(channel: Channel) -> bool:
    if channel.dimension in ROAD_SPEED:
        return True
    return channel.name not in NOT_THE_ROAD and bool(SPEED_WORDS.intersection(channel.name.split("_")))


def _compared(plan: Plan, rule: Rule) -> Iterator[int]:
    """Yield the channels whose values an alarm of the rule would tell. A lost reading tells none."""
    if not isinstance(rule.trip, Comparison):
        return
    yield rule.trip.left
    for term in rule.trip.right:
        if term.channel is not None:
            yield term.channel
        if term.curve is not None:
            yield plan.rules.curves[term.curve].along
