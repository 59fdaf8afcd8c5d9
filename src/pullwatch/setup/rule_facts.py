"""The rules of a setup: [[rule]] read and checked, and the rules of ours that follow them.

* Silence is always an alarm of its own. Every channel a rule rests on (its trip, what that is held against, its gate,
  what blinds it, the engine speed its delay follows) and for which no rule asks `is lost` gets a rule of ours after the
  file's own: a caution, in a group of its own, so that a sensor that was never there cannot hide what came first.
* A critical rule whose chain from cylinder to sound is stated to take longer than 500 ms is told for the record: it
  becomes a caution without its act, and its note says why: "Lift" must not be said of something long past. Three
  things never demote a rule: a link that is only bounded (a rate nobody stated), a quantity that moves in seconds (a
  temperature), and a lost reading (protection that is gone stays gone). `check` shows every chain all the same.
"""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from pullwatch.channels import Dimension
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import ExpressionError
from pullwatch.setup.chain import LONGEST_CHAIN_MS, SLOW, chain
from pullwatch.setup.defaults import in_words
from pullwatch.setup.fed_channels import ns
from pullwatch.setup.plan import RuleFacts, constants_of, rule_of
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import (
    AllOf,
    AnyOf,
    Comparison,
    Lost,
    Not,
    Surely,
    distance,
    leaves,
    parse,
    parse_trip,
)
from pullwatch.watchdog.rules import DOSE_PER_UNIT_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from pullwatch.channels import Channel
    from pullwatch.setup.derived_kinds import DerivedSection
    from pullwatch.setup.deriving import DerivedPlan
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.plan import Limit
    from pullwatch.setup.sections import RuleSection
    from pullwatch.watchdog.conditions import Condition, Leaf, Names
    from pullwatch.watchdog.rules import Rule, RuleSet

_DOSE: Final = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(ms|s)\s*")
_BETWEEN_SENTENCES: Final = re.compile(r"(?<=[.!])\s+")
MOST_WORDS: Final = 4
MOST_ACT_WORDS: Final = 2
LARGEST_DOSE: Final = 1 << 62
LOST_GROUP: Final = "readings"
LOST_OFF_DELAY: Final = 500 * NS_PER_MS


class RuleReader:
    """Reads the rules of the file, in file order."""

    def __init__(self, findings: Findings, names: Names) -> None:
        self.findings = findings
        self.names = names
        self.index = 0
        self.shown = ""
        self.unarmed: list[str] = []
        """Names of the rules the profile leaves out."""

    def read(self) -> list[RuleFacts]:
        """Return the facts of every rule that is right; what is wrong is noted."""
        facts: list[RuleFacts] = []
        first: dict[str, int] = {}
        for index, section in enumerate(self.findings.setup.rules):
            if section is None:
                continue
            self.index = index
            self.shown = f'rule "{section.name}"'
            if section.name in first:
                line = self.findings.setup.line("rule", first[section.name], "name")
                self.refuse("name", f"line {line} has a rule of this name already.")
            first.setdefault(section.name, index)
            read = self.one(section)
            if section.profiles is None or self.findings.setup.profile.kind in section.profiles:
                facts.append(read)
            else:
                self.unarmed.append(section.name)
        return facts

    def refuse(self, key: str, what: str, todo: str = "") -> None:
        """Note a problem with one key of the rule in hand."""
        self.findings.refuse(("rule", self.index, key), f"{self.shown} {key}", what, todo)

    def one(self, section: RuleSection) -> RuleFacts:
        """Return one rule's facts, noting what is wrong with it."""
        trip = self.condition("trip", section.trip)
        if section.while_ is not None:
            self.condition("while", section.while_)
        if section.silent_while is not None:
            self.condition("silent_while", section.silent_while)
        if isinstance(trip, Lost) and section.at_least_samples > 1:
            self.refuse("at_least_samples", "silence has no samples: the alarm would never come.", "Take the key out.")
        priority = Priority[section.priority.upper()]
        return RuleFacts(
            name=section.name,
            trip=section.trip,
            while_=section.while_ or "",
            on_delay=ns(section.on_delay_ms or 0.0),
            dose=self.dose(section, trip),
            at_least_samples=section.at_least_samples,
            off_delay=ns(section.off_delay_ms),
            latch=section.latch,
            priority=priority,
            asked=priority,
            group=section.group,
            says=self.says(section, priority),
            silent_while=section.silent_while or "",
            near=self.near(section, trip),
        )

    def near(self, section: RuleSection, trip: Condition | None) -> float | None:
        """Return how far from the limit is near it, in the unit of the trip's channel; None if nothing is said."""
        if section.near is None or trip is None:
            return None
        if not isinstance(trip, Comparison):
            self.refuse("near", "silence has no limit that a value could be near.", "Take the key out.")
            return None
        channel = next(each for each in self.names.channels.values() if each.number == trip.left)
        try:
            value = distance(section.near, channel)
        except ExpressionError as error:
            self.refuse("near", f"{str(error).rstrip('.')}.")
            return None
        if value <= 0:
            self.refuse(
                "near", f'"{section.near}" is no distance.', f"Write one above 0 {channel.unit}.".replace(" .", ".")
            )
            return None
        return value

    def condition(self, key: str, text: str) -> Condition | None:
        """Read a condition; None if it is wrong (noted) or rests on something that is."""
        if self.findings.haunted(text):
            return None
        try:
            return parse_trip(text, self.names) if key == "trip" else parse(text, self.names)
        except ExpressionError as error:
            self.refuse(key, f"{str(error).rstrip('.')}.")
            return None

    def dose(self, section: RuleSection, trip: Condition | None) -> int:
        """Return the dose in 10⁻⁶ of the trip's unit, times ns, 0 if there is none."""
        if section.dose is None:
            return 0
        found = _DOSE.fullmatch(section.dose)
        if found is None:
            todo = (
                'Write excess times time, the excess in the unit of the trip: "0.008 s" is lambda 0.10 over for 80 ms.'
            )
            self.refuse("dose", f'"{section.dose}" is no dose.', todo)
            return 0
        seconds = Decimal(found.group(1)) / (1000 if found.group(2) == "ms" else 1)
        dose = round(seconds * DOSE_PER_UNIT_SECOND)
        if not 0 < dose < LARGEST_DOSE:
            self.refuse(
                "dose", f'"{section.dose}" is {"nothing" if dose <= 0 else "too much"}.', "Write a dose above 0 s."
            )
            return 0
        if section.on_delay_ms is not None:
            self.refuse("dose", "a rule has a dose or an on-delay, not both.", "Take dose or on_delay_ms out.")
        if isinstance(trip, Lost):
            self.refuse("dose", "a lost reading has no excess to add up.", "Take dose out; on_delay_ms may stand.")
        return dose

    def says(self, section: RuleSection, priority: Priority) -> str:
        """Return what the alarm says; without a sentence of its own an alarm says its name."""
        if section.says is None:
            if priority is Priority.CRITICAL:
                self.refuse(
                    "says", "is missing.", 'A critical alarm says what and what to do: "Lean under boost. Lift."'
                )
            return section.name[:1].upper() + section.name[1:] + "."
        if priority is Priority.CRITICAL:
            sentences = [sentence.split() for sentence in _BETWEEN_SENTENCES.split(section.says.strip())]
            short = len(sentences) == 2 and len(sentences[0]) <= MOST_WORDS and len(sentences[1]) <= MOST_ACT_WORDS
            if not short:
                what = f'"{section.says}" cannot be taken in at speed.'
                todo = f'A critical alarm says at most {MOST_WORDS} words and one act: "Lean under boost. Lift."'
                self.refuse("says", what, todo)
        return section.says


def without_act(says: str) -> str:
    """Return what a critical alarm says without what it asks for."""
    return _BETWEEN_SENTENCES.split(says.strip())[0]


def essential(rule: Rule, rules: RuleSet) -> tuple[int, ...]:
    """Return the numbers of the channels in a rule's trip and gate, in order: without one it may know nothing."""
    return tuple(sorted(set().union(*(_named(leaf, rules) for leaf in _written(rule)))))


def needed(rule: Rule, rules: RuleSet) -> tuple[int, ...]:
    """Return the numbers of all channels a rule rests on, in order: the essential ones, and those that only help.

    Without what blinds it, a rule takes a cut for lean; without engine speed, a delay is as wide as it can be.
    """
    found = set(essential(rule, rules))
    for leaf in _written(rule):
        if not isinstance(leaf, Comparison):
            continue
        if leaf.left in rules.blinds:
            for part in leaves(rules.blinds[leaf.left]):
                found |= _named(part, rules)
        if rules.engine_speed is not None and rules.channels[leaf.left].delay.turns:
            found.add(rules.engine_speed)
    return tuple(sorted(found))


def _written(rule: Rule) -> list[Leaf]:
    """Return the leaves that hold a rule up when they are not known: not those that can only silence it."""
    return [*leaves(rule.trip), *(() if rule.gate is None else armed_by(rule.gate))]


def armed_by(gate: Condition) -> Iterator[Leaf]:
    """Yield the leaves of a gate but for those under `Surely`, which are never waited for."""
    match gate:
        case Surely():
            return
        case Not(part):
            yield from armed_by(part)
        case AllOf(parts) | AnyOf(parts):
            for part in parts:
                yield from armed_by(part)
        case _:
            yield gate


def _named(leaf: Leaf, rules: RuleSet) -> set[int]:
    found = {leaf.left}
    if isinstance(leaf, Comparison):
        found |= {term.channel for term in leaf.right if term.channel is not None}
        found |= {rules.curves[term.curve].along for term in leaf.right if term.curve is not None}
    return found


def told_lost(rules: Iterable[Rule]) -> set[int]:
    """Return the numbers of the channels whose loss is the trip of a rule."""
    return {rule.trip.left for rule in rules if isinstance(rule.trip, Lost)}


def lost_rules(rules: RuleSet, derived: Iterable[DerivedPlan] = ()) -> list[RuleFacts]:
    """Return a rule of ours for every channel that rules rest on and whose loss no rule tells, by channel number."""
    told = told_lost(rules.rules)
    numbers = {channel.name: channel.number for channel in rules.channels}
    made = {
        numbers[each.channel]: (each.section, {numbers[name] for name in each.inputs})
        for each in derived
        if not each.amends
    }
    rested = _sources({channel for rule in rules.rules for channel in needed(rule, rules)}, made)
    for number in sorted(rested - told):
        if number in made and made[number][0].kind in FOLLOWS and _sources(made[number][1], made) <= rested | told:
            rested.discard(number)
    taken = {rule.name for rule in rules.rules}
    facts = []
    for number in sorted(rested - told):
        channel = rules.channels[number].name
        # "No cut active." would be a statement about cuts.
        reading = " reading" if rules.channels[number].dimension is Dimension.NUMBER else ""
        name = f"{channel} lost"
        while name in taken:
            name += " (automatic)"
        facts.append(
            RuleFacts(
                name=name,
                trip=f"{channel} is lost",
                off_delay=LOST_OFF_DELAY,
                group=LOST_GROUP,
                says=f"No {in_words(channel)}{reading}.",
                automatic=True,
            )
        )
    return facts


FOLLOWS: Final = frozenset({"boost", "pressure-ratio", "fuel-differential", "injector-duty", "apart", "difference"})
"""Kinds of derived channels that are lost only when one of those they are made from is: where all of those are told
lost, nothing more is to be said. (A vote of three, a gear or a cut can be lost by itself.)"""


def _sources(numbers: Iterable[int], made: Mapping[int, tuple[DerivedSection, set[int]]]) -> set[int]:
    """Return the channels whose loss is to be told: in the place of one that looks back, what it looks back at.

    A window is not known either while it fills, at every start: that is no loss. A channel of kind "lately" outlasts
    what it is made from, which was told lost long before.
    """
    found: set[int] = set()
    for number in numbers:
        found |= _sources(made[number][1], made) if _looks_back(number, made) else {number}
    return found


def _looks_back(number: int, made: Mapping[int, tuple[DerivedSection, set[int]]]) -> bool:
    if number not in made:
        return False
    section, inputs = made[number]
    return (
        section.kind == "lately"
        or hasattr(section, "over_ms")  # every kind with a window calls it so
        or (section.kind in FOLLOWS and any(_looks_back(each, made) for each in inputs))
    )


def demoted(
    facts: Sequence[RuleFacts],
    names: Names,
    limits: Iterable[Limit],
    rates: Sequence[float | None],
    feed_kinds: Mapping[str, str],
) -> list[RuleFacts]:
    """Return the rules with every critical one that comes too late told for the record."""
    by_number: dict[int, Channel] = {channel.number: channel for channel in names.channels.values()}
    constants = constants_of(limits)
    out = []
    for number, rule_facts in enumerate(facts):
        rule = rule_of(number, rule_facts, names, constants)
        channel = by_number[rule.trip.left]
        fast = isinstance(rule.trip, Comparison) and channel.dimension not in SLOW
        late = 0.0
        if fast and rule.priority is Priority.CRITICAL:
            late = chain(rule, channel, rates[channel.number], feed_kinds[channel.name]).stated_before_person
        if late > LONGEST_CHAIN_MS:
            note = (
                f"for the record: it takes up to {late:.0f} ms until it is heard, more than {LONGEST_CHAIN_MS:.0f} ms"
            )
            out.append(replace(rule_facts, priority=Priority.CAUTION, says=without_act(rule_facts.says), note=note))
        else:
            out.append(rule_facts)
    return out
