"""What to know before a run: what will be watched, how long each critical alarm takes, what to be wary of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch.channels import QUANTITIES, Dimension, delay_window
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import PortError
from pullwatch.feeds import kinds
from pullwatch.setup import load
from pullwatch.setup.chain import REFERENCE_RPM, Chain, chain, dose_ms, firings, reference_excess
from pullwatch.setup.defaults import blind_while, is_lambda_sensor
from pullwatch.setup.derived_kinds.statistics import STATISTICS
from pullwatch.setup.equipment import EQUIPMENT
from pullwatch.setup.feed_kinds import KINDS
from pullwatch.setup.findings import words_of
from pullwatch.setup.linting import one_source, remarks
from pullwatch.setup.rule_facts import essential, told_lost
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import Comparison, Lost, leaves
from pullwatch.watchdog.rules import DOSE_PER_UNIT_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.channels import Channel, Delay
    from pullwatch.setup.plan import FeedPlan, Limit, Plan, RuleFacts
    from pullwatch.watchdog.conditions import Leaf, Term
    from pullwatch.watchdog.rules import Rule

CANNOT_PREVENT: Final = (
    "pullwatch shortens a lean moment; it cannot prevent the first half second. Only the controller's own cut can. "
    "Set it first."
)
NO_REPLACEMENT: Final = (
    "pullwatch does not replace the protections of the engine's own controller, and nothing it prints says that a run "
    "is safe."
)
REMEMBER: Final = (
    CANNOT_PREVENT,
    NO_REPLACEMENT,
    "A helper watches the screen, never the driver. The driver hears or sees one thing: lift.",
    "Use it on a closed course or a dyno.",
)
NEAR_THE_TOP: Final = 0.95
"""A limit above this share of the highest believed value leaves no room for a reading (common practice, no source)."""
STEERED: Final = ("throttle", "pedal")
"""Gates of this kind disarm a rule silently when the sensor reads low."""
DOSE_CURVE: Final = (0.2, 0.5, 1.0, 2.0)
"""Excesses at which a dose is told, in reference excesses."""


@dataclass(frozen=True, slots=True)
class Report:
    """What `check` found: sections of plain lines, the chain of every critical rule, and cautions. Nothing is wrong."""

    setup_file: str
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    chains: tuple[tuple[str, Chain], ...]
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Return the whole report as plain text."""
        out = [f"{self.setup_file}: read whole, nothing wrong in it."]
        for title, lines in self.sections:
            out += ["", title, *(f"  {line}" if line else "" for line in lines)]
        out += ["", "Be wary of", *(f"  - {caution}" for caution in self.cautions or ("nothing found by this check.",))]
        out += ["", *REMEMBER]
        return "\n".join(out)


def check(path: Path | str) -> Report:
    """Read a setup file and report on it. Raises SetupError with everything that is wrong in it."""
    return report(load(path))


def report(plan: Plan) -> Report:
    """Report on a plan: of a setup file, or of a recording."""
    chains = tuple(
        (rule.name, chain_of(plan, rule))
        for rule, facts in zip(plan.rules.rules, plan.facts, strict=True)
        if facts.asked is Priority.CRITICAL
    )
    automatic = tuple(line for rule, facts in _rules(plan, automatic=True) for line in _rule_lines(rule, facts, plan))
    sections = [
        ("Car", _car(plan)),
        ("Feeds", tuple(line for feed in plan.feeds for line in _feed(feed))),
        ("Channels", tuple(line for channel in plan.channels for line in _channel(channel, plan))),
        ("Limits", tuple(_limit(limit, plan) for limit in plan.limits) or ("none",)),
        ("Rules", tuple(line for rule, facts in _rules(plan) for line in _rule_lines(rule, facts, plan)) or ("none",)),
        *((f"Rules not armed in the profile {plan.profile}", plan.unarmed),) * bool(plan.unarmed),
        *(("Rules of the catalogue that are not armed", tuple(_lacking(plan))),) * bool(plan.lacking),
        ("Rules added by pullwatch, so that silence is always an alarm of its own", automatic or ("none",)),
        ("What the controller itself cuts at", _protection(plan)),
        (
            f"From cylinder to foot at {REFERENCE_RPM:,.0f} rpm: from the gas leaving the cylinder to a shut throttle",
            tuple(line for name, links in chains for line in _chain(name, links)) or ("no critical rule",),
        ),
    ]
    return Report(plan.setup_file, tuple(sections), chains, tuple(_cautions(plan)))


def chain_of(plan: Plan, rule: Rule) -> Chain:
    """Return the chain of one of the plan's rules."""
    channel = plan.channels[rule.trip.left]
    return chain(rule, channel, plan.rates[channel.number], plan.feed_of(channel.name).options.kind)


def _rules(plan: Plan, *, automatic: bool = False) -> Iterator[tuple[Rule, RuleFacts]]:
    for rule, facts in zip(plan.rules.rules, plan.facts, strict=True):
        if facts.automatic is automatic:
            yield rule, facts


# -- what will be watched


def _car(plan: Plan) -> tuple[str, ...]:
    car = plan.car
    facts = [car.name, f"fuel {car.fuel or 'not stated'}"]
    facts.append("cylinders not stated" if car.cylinders is None else f"{car.cylinders} cylinders")
    facts.append("displacement not stated" if car.displacement_cc is None else f"{car.displacement_cc:,.0f} cc")
    facts.append("mass not stated" if car.mass_kg is None else f"{car.mass_kg:,.0f} kg")
    scale = f"air-fuel numbers are shown on the scale {car.air_fuel_scale:g} at lambda 1; lambda is what is judged"
    return ", ".join(facts), scale, f"profile {plan.profile}"


def _feed(feed: FeedPlan) -> Iterator[str]:
    options = feed.options
    what, *more = KINDS[options.kind].describe(options)
    yield f"{feed.number} {options.name}: {what}"
    yield f"    port {options.port}, {len(options.gives)} channels"
    for line in (*more, *(() if feed.table is None else feed.table.notes)):
        yield f"    {line}"


def _believed(channel: Channel) -> str:
    if not (math.isfinite(channel.low) and math.isfinite(channel.high)):
        return f"in {channel.unit or 'plain numbers'}, believed whatever it is"
    return f"believed {channel.low:.{channel.digits}f} to {channel.format(channel.high).removeprefix('lambda ')}"


def _channel(channel: Channel, plan: Plan) -> Iterator[str]:
    rate = plan.rates[channel.number]
    sampled = "rate not stated" if rate is None else f"{rate:g} Hz"
    yield f"{channel.name}: {_believed(channel)}; {sampled}; stale after {channel.stale_after / NS_PER_MS:g} ms"
    for derived in plan.derived:
        if derived.channel == channel.name:
            yield f"    {'doubted' if derived.amends else 'made from other channels'}: {derived.describe()}"
    if not channel.delay.is_none:
        delay = channel.delay
        fixed = f"{delay.least / NS_PER_MS:g} to {delay.most / NS_PER_MS:g} ms"
        if delay.turns:
            least, most = delay_window(delay, REFERENCE_RPM)
            at = f"{least / NS_PER_MS:.0f} to {most / NS_PER_MS:.0f} ms at {REFERENCE_RPM:,.0f} rpm"
            fixed += f" and {_turning(delay)} ({at})"
        yield f"    speaks {fixed} after the cylinder"
    if channel.delay.time_constant:
        yield f"    time constant {channel.delay.time_constant / NS_PER_MS:g} ms"
    if channel.blind_while:
        yield f"    blind while {channel.blind_while}"
        if channel.blind_while == blind_while({other.name for other in plan.channels}):
            yield "    (the usual condition, common practice; blind_while in the setup file overrides it)"


def _turning(delay: Delay) -> str:
    cycle, way = "the cycle" * delay.per_cycle, "the gas's way to the sensor" * (delay.transport_most > 0)
    return " and ".join(filter(None, (cycle, way)))


def _limit(limit: Limit, plan: Plan) -> str:
    channel = plan.channel(limit.limits)
    if limit.along is None:
        return f"{limit.name}: {channel.format(limit.value[0])} ({limit.limits})"
    along = plan.channel(limit.along)
    points = ", ".join(
        f"{channel.format(value)} at {along.format(at)}" for at, value in zip(limit.at, limit.value, strict=True)
    )
    beyond = "held beyond the ends" if limit.hold else "not known beyond the ends"
    return f"{limit.name}: {points}; {beyond}"


def _rule_lines(rule: Rule, facts: RuleFacts, plan: Plan) -> Iterator[str]:
    channel = plan.channels[rule.trip.left]
    if facts.automatic:
        yield f'{facts.name}: {facts.trip}, {rule.priority.name.lower()}, "{facts.says}"'
        return
    latched = ", latched until reset" if facts.latch else ""
    yield f"{facts.name} ({rule.priority.name.lower()}{latched}, group {facts.group})"
    if facts.source:
        yield f"    from the catalogue: {facts.source}"
    if facts.note:
        yield f"    asked to be {facts.asked.name.lower()}; {facts.note}"
    if facts.while_:
        yield f"    while {facts.while_}"
    if facts.silent_while:
        yield f"    silent, by design, while it is known that {facts.silent_while}"
    yield f"    trip  {facts.trip}"
    after = "at once" if not facts.on_delay else f"after {facts.on_delay / NS_PER_MS:g} ms"
    if facts.dose:
        dose = facts.dose / DOSE_PER_UNIT_SECOND
        curve = ", ".join(
            f"{excess:g} over: {dose_ms(facts.dose, excess):.0f} ms"
            for excess in (share * reference_excess(channel.dimension) for share in DOSE_CURVE)
        )
        after = f"after a dose of {dose:g} {channel.unit}·s".replace(" ·s", " s") + f" ({curve})"
    if facts.at_least_samples > 1:
        after += f" and at least {facts.at_least_samples} samples"
    yield f"    {after}; clears after {facts.off_delay / NS_PER_MS:g} ms of known no"
    yield f'    says  "{facts.says}"'


def _lacking(plan: Plan) -> Iterator[str]:
    for name, why in plan.lacking:
        yield f"{name}: not armed, {why}"
    if any("cut_active" in why for _, why in plan.lacking):
        yield '([derived.cut_active] kind = "cut" infers cut_active where no feed gives it)'


def _protection(plan: Plan) -> tuple[str, ...]:
    known = {channel.name: channel for channel in plan.channels}
    return tuple(
        f"{name}: {known[name].format(value) if name in known else f'{value:g} {QUANTITIES[name].unit}'}".rstrip()
        for name, value in plan.protection.items()
    ) or ("not stated",)


# -- how long it takes


def _span(least: float, most: float) -> str:
    return f"{least:,.0f} ms" if round(least) == round(most) else f"{least:,.0f} to {most:,.0f} ms"


def _chain(name: str, links: Chain) -> Iterator[str]:
    least, most = links.whole
    fired = f"{firings(least):.0f} to {firings(most):.0f} firings per cylinder"
    yield f"{name}: {_span(least, most)}, {fired}"
    for part in links.parts:
        says = f" ({part.says})" if part.says else ""
        if part.name == "person":
            yield f"    {'= until it is heard':<20} {_span(*links.before_person)}"
        yield f"    {part.name:<20} {_span(part.least, part.most)}{says}"


# -- what to be wary of


def _cautions(plan: Plan) -> Iterator[str]:
    critical = [
        (rule, facts)
        for rule, facts in zip(plan.rules.rules, plan.facts, strict=True)
        if facts.asked is Priority.CRITICAL
    ]
    for feed in plan.feeds:
        yield from _port_cautions(feed)
    if all(facts.automatic for facts in plan.facts):
        yield "There are no rules: everything is recorded, nothing is judged."
    for _, facts in critical:
        if facts.note:
            yield f'Rule "{facts.name}" asks to be critical and is told as a caution, {facts.note}.'
    yield from (f"{str(remark)[:1].upper()}{str(remark)[1:]}" for remark in remarks(plan))
    yield from one_source(plan)
    rules = [rule for rule, _ in critical]
    yield from _gate_cautions(plan, rules)
    yield from _lost_cautions(plan, rules)
    for rule, _ in _rules(plan):
        yield from _reach_cautions(plan, rule)
    yield from _rate_cautions(plan, rules)
    for channel in plan.channels:
        yield from _channel_cautions(plan, channel)
    yield from _unprotected(plan)
    used = {term.curve for rule in plan.rules.rules for leaf in _leaves(rule) for term in _terms(leaf)}
    written = " ".join(f"{facts.trip} {facts.while_}" for facts in plan.facts)
    for limit in plan.limits:
        if limit.name not in used and limit.name not in words_of(written):
            yield f'Limit "{limit.name}" is used by no rule.'
    for name, said in plan.equipment.items():
        if name in EQUIPMENT:
            yield from EQUIPMENT[name].model_validate(said, strict=True).wary(plan)
    if not plan.protection:
        yield (
            "[protection] is not stated: nothing here can be compared with what the controller itself cuts at. Its own "
            "cuts come first; set them, then write them down."
        )


def _port_cautions(feed: FeedPlan) -> Iterator[str]:
    options = feed.options
    try:
        notes = kinds.build(options, feed.number, Path()).notes
    except PortError as error:
        # Of a recording made on another machine: here there may be no driver for its adapter.
        notes = (str(error),)
    for note in notes:
        yield f'Feed "{options.name}": {note}'
    for caution in KINDS[options.kind].cautions(options):
        yield f'Feed "{options.name}": {caution}'


def _leaves(rule: Rule) -> list[Leaf]:
    return [rule.trip] + ([] if rule.gate is None else list(leaves(rule.gate)))


def _terms(leaf: Leaf) -> tuple[Term, ...]:
    return leaf.right if isinstance(leaf, Comparison) else ()


def _gate_cautions(plan: Plan, rules: list[Rule]) -> Iterator[str]:
    """Yield what silently disarms critical rules: gates whose sensor fails to a value that looks right."""
    by_gate: dict[tuple[str, ...], list[str]] = {}
    for rule in rules:
        if rule.gate is None:
            continue
        numbers = {leaf.left for leaf in leaves(rule.gate)}
        numbers |= {term.channel for leaf in leaves(rule.gate) for term in _terms(leaf) if term.channel is not None}
        by_gate.setdefault(tuple(plan.channels[number].name for number in sorted(numbers)), []).append(rule.name)
    for channels, names in by_gate.items():
        steered = [name for name in channels if name in STEERED]
        if steered:
            yield (
                f"Critical {_rules_named(names)} armed by {' and '.join(steered)}: a sensor that reads low disarms "
                "silently. Arm on pressure alone (manifold_pressure > barometric_pressure + 20 kPa deadband 10 kPa)."
            )
        fails = "one sensor that fails to a plausible value"
        yield f"Critical {_rules_named(names)} disarmed by {fails}: {', '.join(channels)}."


def _rules_named(names: list[str]) -> str:
    quoted = ", ".join(f'"{name}"' for name in names)
    return f"rule {quoted} is" if len(names) == 1 else f"rules {quoted} are"


def _lost_cautions(plan: Plan, rules: list[Rule]) -> Iterator[str]:
    """Yield the channels critical rules rest on, whose loss is not told as urgently as the rule."""
    loud = told_lost(rules)
    loud |= {plan.channel(made.channel).number for made in plan.derived if made.section.kind == "lately"}
    resting: dict[tuple[int, ...], list[str]] = {}
    for rule in rules:
        quiet = tuple(number for number in essential(rule, plan.rules) if number not in loud)
        if quiet:
            resting.setdefault(quiet, []).append(rule.name)
    for numbers, names in resting.items():
        channels = ", ".join(plan.channels[number].name for number in numbers)
        yield (
            f"Critical {_rules_named(names)} held up when one of these is lost, which is told as a caution only: "
            f"{channels}."
        )
    always = {rule.trip.left for rule in plan.rules.rules if isinstance(rule.trip, Lost) and not rule.while_text}
    for rule in plan.rules.rules:
        if isinstance(rule.trip, Lost) and rule.gate is not None and rule.trip.left not in always:
            name = plan.channels[rule.trip.left].name
            yield f"That {name} is lost is told only while {rule.while_text}."


def _reach_cautions(plan: Plan, rule: Rule) -> Iterator[str]:
    """Yield limits that a believed reading cannot pass, or hardly."""
    if not isinstance(rule.trip, Comparison):
        return
    channel = plan.channels[rule.trip.left]
    bounds = _bounds(rule.trip, plan)
    if bounds is None:
        return
    least, most = bounds
    upward = rule.trip.upward
    end = channel.high if upward else channel.low
    believed = f"the {'highest' if upward else 'lowest'} believed {channel.name} is {channel.format(end)}"
    never = least >= end if upward else most <= end
    somewhere = most >= end if upward else least <= end
    if never or somewhere:
        where = "never" if never else "not everywhere"
        yield (
            f'Rule "{rule.name}" can {where} trip: its limit is {channel.format(most if upward else least)}, '
            f"{believed}; a reading beyond is a fault, not a number."
        )
    elif upward and channel.dimension in _TOPPED and most > NEAR_THE_TOP * end:
        yield (
            f'Rule "{rule.name}": its limit {channel.format(most)} is within {1 - NEAR_THE_TOP:.0%} of the end '
            f"({believed}): a sensor at its end may not get there."
        )
    protected = plan.protection.get(channel.name)
    if protected is not None and upward and least > protected:
        yield (
            f'Rule "{rule.name}": the controller itself cuts at {channel.format(protected)}, below the limit '
            f"{channel.format(least)}: the alarm comes after the cut."
        )


def _unprotected(plan: Plan) -> Iterator[str]:
    """Yield, in one line, the channels that are believed whatever they say within their range."""
    checked = {derived.channel for derived in plan.derived}
    checked |= {name for derived in plan.derived if derived.section.kind in _HELD_TOGETHER for name in derived.inputs}
    names = [channel.name for channel in plan.channels if channel.name not in checked]
    if names:
        yield (
            "Unprotected, with nothing to check a wrong but believable reading against (slew_per_s, frozen_with, "
            f"proof, a second sensor): {', '.join(names)}."
        )


_HELD_TOGETHER: Final = frozenset({"middle", "apart"})
"""Kinds of derived channels that hold sensors of one quantity against each other."""
_TOPPED: Final = frozenset({Dimension.ABSOLUTE_PRESSURE, Dimension.GAUGE_PRESSURE})


def _bounds(comparison: Comparison, plan: Plan) -> tuple[float, float] | None:
    """Return the least and the most that the right side can be, None if it follows a channel."""
    least = most = 0.0
    for term in comparison.right:
        if term.channel is not None:
            return None
        values = (1.0,) if term.curve is None else plan.rules.curves[term.curve].value
        scaled = [term.factor * value for value in values]
        least += min(scaled)
        most += max(scaled)
    return least, most


def _rate_cautions(plan: Plan, rules: list[Rule]) -> Iterator[str]:
    unstated = {rule.trip.left for rule in rules if plan.rates[rule.trip.left] is None}
    if unstated:
        names = ", ".join(plan.channels[number].name for number in sorted(unstated))
        yield f"rate_hz is not stated for {names}: in the chain it is bounded by stale_after alone."


def _channel_cautions(plan: Plan, channel: Channel) -> Iterator[str]:
    # What a statistic makes of believed values is believed.
    made = any(each.channel == channel.name and each.section.kind in STATISTICS for each in plan.derived)
    if not (made or (math.isfinite(channel.low) and math.isfinite(channel.high))):
        yield f"{channel.name}: nothing bounds what is believed; state believable = [lowest, highest]."
    if channel.delay.turns and plan.rules.engine_speed is None:
        yield f"{channel.name}: its delay follows engine_speed, which no feed gives: the widest delay is taken."
    if not is_lambda_sensor(channel.name, channel.dimension):
        return
    if channel.delay.is_none:
        yield (
            f"{channel.name}: delay_ms is not stated, so it is judged as if it spoke at once. 50 to 150 ms beside the "
            "cycle is usual (common practice, no source)."
        )
    if not channel.blind_while:
        yield f"{channel.name}: nothing blinds it. A fuel cut reads lean and will be told as lean."
    elif "cut_active" not in words_of(channel.blind_while):
        yield (
            f"{channel.name}: no feed tells of cuts (cut_active). A launch limiter or a cut shift reads lean and will "
            'be told as lean, unless [derived.cut_active] kind = "cut" infers it.'
        )
