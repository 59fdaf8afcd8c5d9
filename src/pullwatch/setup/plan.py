"""The plan: a setup with every default filled in, as the path takes it and as the recording keeps it.

`Plan.to_dict` is plain JSON with all that was used: channels, limits, rules, the DBC as a table, and the raw texts of
the setup and DBC files. `Plan.from_dict` builds the same plan from it alone, without the files and a DBC reader, so
that a recording is judged years later by the rules it was made with. Conditions are kept as they were written and are
read again.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self

from pullwatch.channels import DEFAULT_AIR_FUEL_SCALE, Channel, Delay, Dimension
from pullwatch.decoders.dbc import DbcTable
from pullwatch.errors import Problem, PullwatchError, SetupError
from pullwatch.feeds.options import OPTIONS, Options
from pullwatch.setup.deriving import DerivedPlan
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import (
    AllOf,
    AnyOf,
    Comparison,
    Condition,
    Lost,
    Names,
    Not,
    Surely,
    Term,
    parse,
    parse_trip,
)
from pullwatch.watchdog.limits import Curve
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

PLAN_VERSION: Final = 1
"""Changes when a plan written before could be misread."""


@dataclass(frozen=True, slots=True)
class Car:
    """What is known of the car. None: not stated."""

    name: str
    fuel: str = ""
    air_fuel_scale: float = DEFAULT_AIR_FUEL_SCALE
    cylinders: int | None = None
    displacement_cc: float | None = None
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """A named limit: of which channel, along which channel (none: the same everywhere), both in their stored units."""

    name: str
    limits: str
    value: tuple[float, ...]
    along: str | None = None
    at: tuple[float, ...] = ()
    hold: bool = True

    @property
    def constant(self) -> bool:
        """Whether it is one number everywhere."""
        return self.along is None


@dataclass(frozen=True, slots=True)
class RuleFacts:
    """A rule as the plan keeps it: `Rule` without what is read from its texts. Times are ns, `dose` as in `Rule`.

    `automatic` rules are ours, added so that silence of a channel is always an alarm of its own. `asked` is the
    priority the file asks for; where `priority` is another, `note` says why.
    """

    name: str
    trip: str
    while_: str = ""
    on_delay: int = 0
    dose: int = 0
    at_least_samples: int = 1
    off_delay: int = 500_000_000
    latch: bool = False
    priority: Priority = Priority.CAUTION
    asked: Priority = Priority.CAUTION
    group: str = "engine"
    says: str = ""
    automatic: bool = False
    note: str = ""
    silent_while: str = ""
    removed: bool = False
    near: float | None = None
    """How far from its limit a value is near it, in the unit of the trip's channel; None: the usual."""
    source: str = ""
    """Of a rule from the catalogue: where its numbers come from."""


@dataclass(frozen=True, slots=True)
class FeedPlan:
    """One feed: its number (from 1, as records carry it), its options, and for CAN the part of the DBC it uses."""

    number: int
    options: Options
    table: DbcTable | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that decides what is read, decoded and judged.

    `channels` are in order of their number (from 0), `rates` the stated sample rates in Hz (None: not stated) in the
    same order. `facts` are the rules in order of their number (from 0), `rules` the same as the watchdog takes them,
    made here. `derived` are the operators that make channels from others or doubt them, each after those it rests on.
    `unarmed` are the names of rules that the profile leaves out, `lacking` the rules of the catalogue that cannot be
    armed, each with what it needs. `protection` is what the controller itself cuts at, by channel name, in the
    channel's unit. `equipment` are the sections of what stands around the path, as plain JSON. `files` are the texts of
    the setup file and of the DBC files, by file name. Raises ExpressionError if a condition is wrong.
    """

    car: Car
    profile: str
    protection: Mapping[str, float]
    channels: tuple[Channel, ...]
    rates: tuple[float | None, ...]
    feeds: tuple[FeedPlan, ...]
    limits: tuple[Limit, ...]
    facts: tuple[RuleFacts, ...]
    derived: tuple[DerivedPlan, ...]
    unarmed: tuple[str, ...]
    setup_file: str
    files: Mapping[str, str] = field(repr=False)
    lacking: tuple[tuple[str, str], ...] = ()
    equipment: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    rules: RuleSet = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        channels = {channel.name: channel for channel in self.channels}
        names = Names(channels, *limit_names(self.limits, channels))
        object.__setattr__(self, "rules", rule_set(self.channels, self.limits, self.facts, names))

    def channel(self, name: str) -> Channel:
        """Return the channel of that name; KeyError if there is none."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise KeyError(name)

    def feed_of(self, name: str) -> FeedPlan:
        """Return the feed that gives the channel of that name, or what triggers it; KeyError if there is none."""
        for derived in self.derived:
            if derived.channel == name and not derived.amends:
                return self.feed_of(derived.inputs[0])
        for feed in self.feeds:
            if name in feed.options.gives:
                return feed
        raise KeyError(name)

    def to_dict(self) -> dict[str, Any]:
        """Return the whole plan as plain JSON values (infinite bounds are null)."""
        return {
            "plan": PLAN_VERSION,
            "car": asdict(self.car),
            "profile": self.profile,
            "protection": dict(self.protection),
            "channels": [
                _channel_to_dict(channel, rate) for channel, rate in zip(self.channels, self.rates, strict=True)
            ],
            "feeds": [
                {
                    "number": feed.number,
                    "options": feed.options.model_dump(mode="json"),
                    "table": None if feed.table is None else feed.table.to_dict(),
                }
                for feed in self.feeds
            ],
            "derived": [derived.to_dict() for derived in self.derived],
            "limits": [{**asdict(limit), "at": list(limit.at), "value": list(limit.value)} for limit in self.limits],
            "rules": [
                {**asdict(rule), "priority": rule.priority.name.lower(), "asked": rule.asked.name.lower()}
                for rule in self.facts
            ],
            "unarmed": list(self.unarmed),
            "lacking": [list(each) for each in self.lacking],
            "equipment": {name: dict(said) for name, said in self.equipment.items()},
            "setup_file": self.setup_file,
            "files": dict(self.files),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Build the plan that `to_dict` wrote. Raises SetupError if it is no plan or of a version not known here."""
        version = data.get("plan")
        if version != PLAN_VERSION:
            raise _not_read(f"it is of version {version}, this pullwatch reads version {PLAN_VERSION}.")
        try:
            return cls(
                car=Car(**data["car"]),
                profile=data["profile"],
                protection=dict(data["protection"]),
                channels=tuple(_channel_from_dict(channel) for channel in data["channels"]),
                rates=tuple(channel["rate_hz"] for channel in data["channels"]),
                feeds=tuple(_feed_from_dict(feed) for feed in data["feeds"]),
                limits=tuple(_limit_from_dict(limit) for limit in data["limits"]),
                facts=tuple(_rule_from_dict(rule) for rule in data["rules"]),
                derived=tuple(DerivedPlan.from_dict(derived) for derived in data.get("derived", ())),
                unarmed=tuple(data.get("unarmed", ())),
                equipment=data.get("equipment", {}),
                lacking=tuple((name, why) for name, why in data.get("lacking", ())),
                setup_file=data["setup_file"],
                files=dict(data["files"]),
            )
        except (KeyError, TypeError, ValueError, PullwatchError) as error:
            raise _not_read(f"{type(error).__name__}: {error}.") from error


def _not_read(what: str) -> SetupError:
    return SetupError("the recorded plan", [Problem(0, "plan", what)])


def limit_names(
    limits: Iterable[Limit], channels: Mapping[str, Channel]
) -> tuple[dict[str, Curve], dict[str, Dimension]]:
    """Return the limits as curves by name, and the dimension of what each limits, as `Names` takes them.

    A limit that is the same everywhere stands here as a curve of one point; `fold` puts its number in its place.
    """
    curves: dict[str, Curve] = {}
    dimensions: dict[str, Dimension] = {}
    for limit in limits:
        along = channels[limit.along].number if limit.along is not None else channels[limit.limits].number
        curves[limit.name] = Curve(limit.name, along, limit.at or (0.0,), limit.value, limit.hold)
        dimensions[limit.name] = channels[limit.limits].dimension
    return curves, dimensions


def fold(condition: Condition, constants: Mapping[str, float]) -> Condition:
    """Put the number of every limit that is the same everywhere in the place of its name."""
    match condition:
        case Comparison(left, op, right, deadband):
            terms = tuple(
                Term(term.factor * constants[term.curve])
                if term.curve is not None and term.curve in constants
                else term
                for term in right
            )
            return Comparison(left, op, terms, deadband)
        case Lost():
            return condition
        case Not(part):
            return Not(fold(part, constants))
        case Surely(part):
            return Surely(fold(part, constants))
        case AllOf(parts):
            return AllOf(tuple(fold(part, constants) for part in parts))
        case AnyOf(parts):
            return AnyOf(tuple(fold(part, constants) for part in parts))


def rule_of(number: int, facts: RuleFacts, names: Names, constants: Mapping[str, float]) -> Rule:
    """Read a rule's texts and return it as the watchdog takes it. Raises ExpressionError."""
    trip = fold(parse_trip(facts.trip, names), constants)
    gates: list[Condition] = [fold(parse(facts.while_, names), constants)] if facts.while_ else []
    if facts.silent_while:
        gates.append(Not(Surely(fold(parse(facts.silent_while, names), constants))))
    assert isinstance(trip, Comparison | Lost)
    if facts.removed:  # never yes and never unknown
        gates = [Surely(AllOf((trip, Not(trip))))]
    return Rule(
        number=number,
        name=facts.name,
        trip=trip,
        gate=None if not gates else gates[0] if len(gates) == 1 else AllOf(tuple(gates)),
        on_delay=facts.on_delay,
        dose=facts.dose,
        at_least_samples=facts.at_least_samples,
        off_delay=facts.off_delay,
        latch=facts.latch,
        priority=facts.priority,
        group=facts.group,
        says=facts.says,
        trip_text=facts.trip,
        while_text=facts.while_,
        removed=facts.removed,
    )


def constants_of(limits: Iterable[Limit]) -> dict[str, float]:
    """Return the numbers of the limits that are the same everywhere."""
    return {limit.name: limit.value[0] for limit in limits if limit.constant}


def rule_set(
    channels: tuple[Channel, ...], limits: Sequence[Limit], facts: Sequence[RuleFacts], names: Names
) -> RuleSet:
    """Read every condition and return what the watchdog judges by. Raises ExpressionError."""
    constants = constants_of(limits)
    speed = names.channels.get("engine_speed")
    return RuleSet(
        channels=channels,
        rules=tuple(rule_of(number, rule, names, constants) for number, rule in enumerate(facts)),
        curves={name: curve for name, curve in names.limits.items() if name not in constants},
        blinds={
            channel.number: fold(parse(channel.blind_while, names), constants)
            for channel in channels
            if channel.blind_while
        },
        engine_speed=None if speed is None else speed.number,
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _channel_to_dict(channel: Channel, rate: float | None) -> dict[str, Any]:
    return {
        **asdict(channel),
        "dimension": channel.dimension.value,
        "low": _finite(channel.low),
        "high": _finite(channel.high),
        "rate_hz": rate,
    }


def _channel_from_dict(data: Mapping[str, Any]) -> Channel:
    facts = {key: value for key, value in data.items() if key != "rate_hz"}
    facts["dimension"] = Dimension(data["dimension"])
    facts["low"] = -math.inf if data["low"] is None else data["low"]
    facts["high"] = math.inf if data["high"] is None else data["high"]
    facts["delay"] = Delay(**data["delay"])
    return Channel(**facts)


def _limit_from_dict(data: Mapping[str, Any]) -> Limit:
    return Limit(**{**data, "at": tuple(data["at"]), "value": tuple(data["value"])})


def _rule_from_dict(data: Mapping[str, Any]) -> RuleFacts:
    priorities = {key: Priority[data[key].upper()] for key in ("priority", "asked")}
    return RuleFacts(**{**data, **priorities})


def _feed_from_dict(data: Mapping[str, Any]) -> FeedPlan:
    model = OPTIONS[data["options"]["kind"]]
    table = data["table"]
    return FeedPlan(
        number=data["number"],
        options=model.model_validate(data["options"]),
        table=None if table is None else DbcTable.from_dict(table),
    )
