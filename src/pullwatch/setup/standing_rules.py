"""Rules of ours besides those for lost readings: a sensor at its ceiling, and air that is not what it was.

* A reading within 2 % of `full_scale` means "at least this". No rule may ask it a question it cannot answer: a limit
  above 95 % of full scale is refused. A limit that moves with another channel can get there all the same, and so can
  the engine; that the sensor is at its ceiling is then an alarm of its own.
* Barometric pressure that was latched from the manifold sensor moves everything that is held against it. A latch that
  differs from that of the last run by more than 3 kPa is told until somebody has reset it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.errors import ExpressionError
from pullwatch.setup.defaults import in_words
from pullwatch.setup.plan import RuleFacts
from pullwatch.setup.rule_facts import LOST_GROUP, LOST_OFF_DELAY
from pullwatch.watchdog.conditions import Comparison, leaves, parse

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.setup.deriving import DerivedPlan
    from pullwatch.setup.findings import Findings
    from pullwatch.watchdog.conditions import Names

AT_CEILING: Final = 0.98
"""From this share of full scale on a reading means "at least this" (common practice, no source)."""
HIGHEST_LIMIT: Final = 0.95
"""A limit above this share leaves no room between itself and the ceiling (common practice, no source)."""
CHANGED_KPA: Final = 3.0
"""A weather front in an evening moves the air by less; a hill, or a sensor that drifts, by more (common practice)."""


def ceiling_rules(findings: Findings, channels: Mapping[str, Channel], names: Names) -> list[RuleFacts]:
    """Return a rule for every channel with a full scale; limits that it cannot answer are refused."""
    scales = {
        name: section.full_scale
        for name, section in findings.setup.channels.items()
        if section is not None and section.full_scale is not None and name in channels
    }
    facts = []
    for name, scale in scales.items():
        channel = channels[name]
        if channel.high < scale:
            what = (
                f"only readings up to {channel.format(channel.high)} are believed: one at the ceiling would be a fault."
            )
            shown = f"channel.{name} full_scale"
            todo = f"Write believable = [{channel.low:g}, {scale:g}], or the full scale that is meant."
            findings.refuse(("channel", name, "full_scale"), shown, what, todo)
        facts.append(_fact(f"{name} at ceiling", _trip(channel, scale), f"{in_words(name).capitalize()} at ceiling."))
    if scales:
        by_number = {channels[name].number: name for name in scales}
        for index, key, shown, text in _conditions(findings):
            for name, most in _asked_above(text, names, by_number, scales):
                channel = channels[name]
                what = (
                    f"the limit {channel.format(most)} is above {HIGHEST_LIMIT:.0%} of what the sensor can say "
                    f"({channel.format(scales[name])}): at its ceiling it could not tell."
                )
                findings.refuse(("rule", index, key), f"{shown} {key}", what, "A sensor with a wider range is needed.")
    return facts


def air_rules(derived: Iterable[DerivedPlan], channels: Mapping[str, Channel]) -> list[RuleFacts]:
    """Return the rule that tells of another barometric pressure, if it is latched."""
    latched = any(made.section.kind == "barometric-latch" for made in derived)
    if not latched or "barometric_change" not in channels:
        return []
    says = "Barometric pressure changed."
    return [_fact("barometric pressure changed", f"barometric_change > {CHANGED_KPA:g} kPa", says, latch=True)]


def _fact(name: str, trip: str, says: str, *, latch: bool = False) -> RuleFacts:
    return RuleFacts(
        name=name, trip=trip, off_delay=LOST_OFF_DELAY, latch=latch, group=LOST_GROUP, says=says, automatic=True
    )


def _trip(channel: Channel, scale: float) -> str:
    return f"{channel.name} >= {round(AT_CEILING * scale, 6):g} {channel.unit}".rstrip()


def _conditions(findings: Findings) -> Iterator[tuple[int, str, str, str]]:
    """Yield every condition of every rule: index of the rule, its key, how the rule is shown, its text."""
    for index, section in enumerate(findings.setup.rules):
        if section is None:
            continue
        for key, text in (("trip", section.trip), ("while", section.while_), ("silent_while", section.silent_while)):
            if text is not None and not findings.haunted(text):
                yield index, key, f'rule "{section.name}"', text


def _asked_above(
    text: str, names: Names, by_number: Mapping[int, str], scales: Mapping[str, float]
) -> Iterator[tuple[str, float]]:
    """Yield the channels that a condition holds against a limit too near the ceiling, and that limit."""
    try:
        condition = parse(text, names)
    except ExpressionError:
        return  # told by whoever reads the rule
    for leaf in leaves(condition):
        name = by_number.get(leaf.left)
        if name is None or not isinstance(leaf, Comparison) or any(term.channel is not None for term in leaf.right):
            continue
        curves = [(1.0,) if term.curve is None else names.limits[term.curve].value for term in leaf.right]
        most = sum(max(term.factor * at for at in values) for term, values in zip(leaf.right, curves, strict=True))
        if most > HIGHEST_LIMIT * scales[name]:
            yield name, most
