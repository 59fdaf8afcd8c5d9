"""From a setup to a plan: every name looked up, every default filled in, every condition read, all problems at once."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pullwatch.channels import QUANTITIES
from pullwatch.errors import ExpressionError, SetupError, nearest
from pullwatch.setup import defaults
from pullwatch.setup.catalogue import take
from pullwatch.setup.deriving import DerivedReader
from pullwatch.setup.fed_channels import ChannelReader
from pullwatch.setup.feed_tables import read_feeds
from pullwatch.setup.findings import Findings
from pullwatch.setup.limit_values import LimitReader
from pullwatch.setup.plan import Car, Plan, limit_names, rule_set
from pullwatch.setup.rule_facts import RuleReader, demoted, lost_rules
from pullwatch.setup.standing_rules import air_rules, ceiling_rules
from pullwatch.watchdog.conditions import Names, leaves, parse, quantity

if TYPE_CHECKING:
    from pullwatch.channels import Channel
    from pullwatch.setup.reading import Setup


def resolve(setup: Setup) -> Plan:
    """Return the plan of a setup. Raises SetupError with everything that is wrong in the whole setup file."""
    findings = Findings(setup)
    taken = take(findings)
    findings.setup = setup = taken.setup
    reader = ChannelReader(findings)
    reader.read()
    derived = DerivedReader(findings, reader).read()
    reader.unclaimed()
    channels = reader.channels
    feed_plans, dbc_texts = read_feeds(findings, channels)
    limits = LimitReader(findings, channels).read()
    read_blinds(findings, channels, Names(channels, *limit_names(limits.values(), channels)))
    names = Names(channels, *limit_names(limits.values(), channels))
    protection = read_protection(findings, channels)
    rules = RuleReader(findings, names)
    facts = [taken.told(each) for each in rules.read()]
    facts += ceiling_rules(findings, channels, names)
    if findings.problems or setup.car is None:
        raise SetupError(setup.path, findings.problems)
    in_order = tuple(channels.values())
    facts += lost_rules(rule_set(in_order, list(limits.values()), facts, names), derived)
    facts += air_rules(derived, channels)
    kinds = {name: feed.options.kind for feed in setup.feeds if feed.options is not None for name in feed.gives or ()}
    for made in derived:
        kinds.setdefault(made.channel, kinds[made.inputs[0]])
    facts = demoted(facts, names, limits.values(), reader.rates, kinds)
    plan = Plan(
        car=Car(**setup.car.model_dump()),
        profile=setup.profile.kind,
        protection=protection,
        channels=in_order,
        rates=tuple(reader.rates),
        feeds=feed_plans,
        limits=tuple(limits.values()),
        facts=tuple(facts),
        derived=derived,
        unarmed=tuple(rules.unarmed),
        lacking=taken.lacking,
        equipment={name: section.model_dump(mode="json") for name, section in setup.equipment.items()},
        setup_file=setup.path.name,
        files={**dbc_texts, setup.path.name: setup.text},
    )
    for name, section in setup.equipment.items():
        for key, what, todo in section.problems(plan):
            findings.refuse((name, key), f"{name} {key}", what, todo)
    if findings.problems:
        raise SetupError(setup.path, findings.problems)
    return plan


def read_blinds(findings: Findings, channels: dict[str, Channel], names: Names) -> None:
    """Give every channel the condition that blinds it: the file's own, else the usual one for a lambda sensor."""
    for name, channel in channels.items():
        section = findings.setup.channels.get(name)
        text = None if section is None else section.blind_while
        if text is None:
            usual = defaults.blind_while(channels) if defaults.is_lambda_sensor(name, channel.dimension) else ""
            if usual:
                channels[name] = replace(channel, blind_while=usual)
            continue
        if not text.strip() or findings.haunted(text):
            continue
        try:
            parse(text, names)
        except ExpressionError as error:
            shown = f"channel.{name} blind_while"
            findings.refuse(("channel", name, "blind_while"), shown, f"{str(error).rstrip('.')}.")
            continue
        channels[name] = replace(channel, blind_while=text)
    blinded = {channel.number: name for name, channel in channels.items() if channel.blind_while}
    for name in blinded.values():
        for leaf in leaves(parse(channels[name].blind_while, names)):
            if leaf.left in blinded:
                what = f"{blinded[leaf.left]} is itself blind at times and cannot say when {name} is."
                todo = f'Use another channel, or set blind_while = "" for {blinded[leaf.left]}.'
                findings.refuse(("channel", name, "blind_while"), f"channel.{name} blind_while", what, todo)


def read_protection(findings: Findings, channels: dict[str, Channel]) -> dict[str, float]:
    """Return what the controller itself cuts at, by channel name, in the unit the channel is kept in."""
    good: dict[str, float] = {}
    for name, text in findings.setup.protection.items():
        shown = f"protection {name}"
        known = channels.get(name) or QUANTITIES.get(name)
        if known is None:
            if name not in findings.ghosts:
                what = f'"{name}" is no channel{nearest(name, [*channels, *QUANTITIES])}.'
                findings.refuse(("protection", name), shown, what, "Name the channel the controller cuts at.")
            continue
        try:
            good[name] = quantity(text, known.dimension, known.unit)
        except ExpressionError as error:
            findings.refuse(("protection", name), shown, f"{str(error).rstrip('.')}.")
    return good
