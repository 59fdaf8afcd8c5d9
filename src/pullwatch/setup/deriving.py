"""The derived channels of a setup, and the operators of a plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Self

from pullwatch.derived import Deriving, Wired
from pullwatch.errors import nearest
from pullwatch.setup.derived_kinds import AMENDING, ASKED, COMES_WITH, KINDS, STANDARD, DerivedChecking
from pullwatch.setup.fed_channels import ns
from pullwatch.setup.findings import words_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.setup.derived_kinds import DerivedSection, KindOfDerived
    from pullwatch.setup.fed_channels import ChannelReader
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.plan import Plan


@dataclass(frozen=True, slots=True)
class DerivedPlan:
    """One operator of a plan: the channel it makes or amends, by which kind, with every default filled in.

    `automatic`: nobody asked for it by a section of its own.
    """

    channel: str
    section: DerivedSection
    automatic: bool = False

    @property
    def kind(self) -> KindOfDerived:
        """Its kind."""
        return KINDS.get(self.section.kind) or AMENDING[self.section.kind]

    @property
    def amends(self) -> bool:
        """Whether it amends the channel's own samples instead of making them."""
        return self.section.kind in AMENDING

    @property
    def inputs(self) -> tuple[str, ...]:
        """The names of the channels it rests on, the trigger first."""
        return (self.channel, *self.kind.inputs(self.section)) if self.amends else self.kind.inputs(self.section)

    def describe(self) -> str:
        """Return how it is made, in half a sentence."""
        return self.kind.describe(self.section)

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "channel": self.channel,
            "options": self.section.model_dump(mode="json", by_alias=True),
            "automatic": self.automatic,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Build what `to_dict` wrote. Raises KeyError or ValueError if it is none."""
        kind = data["options"]["kind"]
        model = (KINDS.get(kind) or AMENDING[kind]).section
        return cls(data["channel"], model.model_validate(data["options"], strict=False), data["automatic"])


def deriving_for(plan: Plan) -> Deriving:
    """Return new operators for all derived channels of the plan: live and replay build the same ones."""
    channels = {channel.name: channel for channel in plan.channels}
    wired = []
    for derived in plan.derived:
        trigger, *others = (channels[name].number for name in derived.inputs)
        operator = derived.kind.operator(derived.section, derived.channel, channels, plan.car)
        wired.append(Wired(channels[derived.channel].number, trigger, tuple(others), operator))
    return Deriving(plan.channels, wired)


class DerivedReader:
    """Finds every derived channel, adds it to the channels, and brings all operators into order."""

    def __init__(self, findings: Findings, reader: ChannelReader) -> None:
        self.findings = findings
        self.reader = reader
        self.channels = reader.channels
        self._wanted: dict[str, DerivedPlan] = {}
        self._done: dict[str, bool] = {}
        """Channels looked at: False while what they rest on is being looked at."""
        self._plans: list[DerivedPlan] = []
        self._told: set[tuple[str, str]] = set()
        """Circles that are noted already."""

    def read(self) -> tuple[DerivedPlan, ...]:
        """Return the operators, each after those it rests on; what is wrong is noted."""
        setup = self.findings.setup
        for name, section in setup.derived.items():
            if name in self.channels:
                self.refuse(name, "", "a feed gives this channel already.", "Take one of them out, or rename this one.")
            elif section is None:
                self.findings.ghosts.add(name)
            else:
                self._wanted[name] = DerivedPlan(name, section)
        mentioned = self._mentioned()
        for name, standard in STANDARD.items():
            if name in mentioned and name not in self.channels and name not in setup.derived:
                self._wanted[name] = DerivedPlan(name, standard, automatic=True)
        for name in (*self.channels, *self._wanted):
            self._settle(name)
        return tuple(self._plans)

    def refuse(self, name: str, key: str, what: str, todo: str = "") -> None:
        """Note a problem with one key of a derived channel."""
        self.findings.refuse(("derived", name, key), f"derived.{name} {key}".rstrip(), what, todo)

    def _mentioned(self) -> set[str]:
        """Return every name that something in the setup asks for."""
        setup = self.findings.setup
        found = set(setup.channels)
        texts = [
            text
            for each in setup.channels.values()
            if each is not None
            for text in (each.blind_while, each.frozen_with)
        ]
        for rule in setup.rules:
            texts += [] if rule is None else [rule.trip, rule.while_, rule.silent_while]
        for limit in setup.limits.values():
            texts += [] if limit is None else [limit.along, limit.limits]
        for section in setup.derived.values():
            if section is not None:
                found |= {*KINDS[section.kind].inputs(section), *COMES_WITH.get(section.kind, ())}
        found |= words_of(" ".join(text for text in texts if text))
        # What a channel that is made by itself rests on may itself have to be made.
        more = True
        while more:
            rests = {n for name in found & set(STANDARD) for n in KINDS[STANDARD[name].kind].inputs(STANDARD[name])}
            more = not rests <= found
            found |= rests
        return found

    def _settle(self, name: str) -> bool:
        """Make a channel and amend it, after all it rests on; say whether it is there."""
        if name in self._done:
            if not self._done[name] and name in self._wanted and not self._wanted[name].automatic:
                self.refuse(name, "", "rests on itself by way of what it is made from.")
            return name in self.channels
        self._done[name] = False
        wanted = self._wanted.get(name)
        if wanted is not None and self._there(wanted) and self._add(wanted):
            self._keep(wanted)
        if name in self.channels:
            self._doubt(name)
        self._done[name] = True
        return name in self.channels

    def _doubt(self, name: str) -> None:
        """Amend a channel by every doubt that is asked for or usual."""
        for kind, ask in ASKED.items():
            asked = ask(name, self.findings.setup.channels.get(name), lambda other: self._partner(name, other))
            if asked is None:
                continue
            amends = DerivedPlan(name, asked.section, asked.automatic)
            # The channel in hand, named as its own partner, is for `check` to refuse.
            there = [self._partner(name, each) for each in AMENDING[kind].inputs(asked.section) if each != name]
            if all(there):
                self._keep(amends)
            else:
                self._missing(amends)

    def _partner(self, name: str, other: str) -> bool:
        """Whether a channel can be held against another: that one is there, and does not itself rest on this one."""
        if self._done.get(other) is not False:
            return self._settle(other)
        if (name, other) not in self._told:
            self._told.add((name, other))
            what = f"it is held against {other}, which itself rests on {name}."
            todo = 'Write frozen_with = "" for one of the two.'
            self.findings.refuse(("channel", name, "frozen_with"), f"channel.{name} frozen_with", what, todo)
        return False

    def _keep(self, plan: DerivedPlan) -> None:
        checking = DerivedChecking(self.findings, self.channels, plan.channel, amends=plan.amends)
        plan.kind.check(checking, plan.section)
        self._plans.append(plan)

    def _there(self, wanted: DerivedPlan) -> bool:
        """Whether all a derived channel rests on is there; if not, it is noted and the channel is a ghost."""
        there = [self._settle(name) for name in wanted.inputs]
        if all(there):
            return True
        self.findings.ghosts.add(wanted.channel)
        if wanted.automatic:
            # Whoever names the channel is told that it is none, and what it could be made from.
            self.findings.ghosts.discard(wanted.channel)
        else:
            self._missing(wanted)
        return False

    def _missing(self, wanted: DerivedPlan) -> None:
        """Say which channels a derived one or a doubt rests on that are not there."""
        known = [*self.channels, *self._wanted]
        table = "channel" if wanted.amends else "derived"
        for name in wanted.inputs:
            if name not in self.channels and name not in self.findings.ghosts:
                shown = f"{table}.{wanted.channel}"
                what = f'it rests on "{name}", which no feed gives{nearest(name, known)}.'
                self.findings.refuse((table, wanted.channel), shown, what, "Name it in a [[feed]], or derive it too.")

    def _add(self, wanted: DerivedPlan) -> bool:
        quantity = wanted.kind.quantity(wanted.section, self.channels)
        path = ("derived", wanted.channel)
        looks_back = ns(getattr(wanted.section, "over_ms", 0.0))  # every kind with a window calls it so
        trigger = self.channels[wanted.inputs[0]]
        held = ns(getattr(wanted.section, "held_ms", 0.0))  # and one that outlasts its trigger, that so
        if held:
            trigger = replace(trigger, stale_after=trigger.stale_after + held)
        return self.reader.derived(wanted.channel, path, quantity, trigger, looks_back)
