"""Rules that are allowed and yet cannot mean what their owner thinks: each with its line.

* never: gate and trip, or the parts of a gate, can never be so at one time
* shadowed: another rule, no less urgent, is always there first
* twice: two rules ask the same
* never clears: the way back lies beyond what is believed
* one source: a critical rule rests on one feed alone, or on the controller's own sensors

Only what follows from the numbers in the file is said. A condition that moves with other channels is left alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.setup.locate import line_of, locate
from pullwatch.setup.rule_facts import essential
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Lost, Not, Surely

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup.plan import Plan
    from pullwatch.watchdog.conditions import Condition
    from pullwatch.watchdog.rules import Rule


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to look at: the rule, its line in the setup file (0: not known), and what is to be said of it."""

    rule: str
    line: int
    words: str

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line else ""
        return f'{where}rule "{self.rule}" {self.words}'


EVERYTHING: Final = (-math.inf, math.inf)
Ranges = dict[int, tuple[float, float]]
"""Channel number to the values (open interval) within which a condition can be so."""


def remarks(plan: Plan) -> list[Remark]:
    """Return everything to look at in the rules of a setup file, in order of their lines."""
    lines = rule_lines(plan)
    rules = [
        rule for rule, facts in zip(plan.rules.rules, plan.facts, strict=True) if not (facts.automatic or rule.removed)
    ]
    found: list[tuple[Rule, str]] = []
    for rule in rules:
        found += [(rule, words) for words in (*_never(rule, plan), *_never_clears(rule, plan))]
    for rule in rules:
        other = next((other for other in rules if other is not rule and _first(other, rule)), None)
        if other is not None:
            found.append((rule, _shadow(rule, other)))
    return sorted(
        (Remark(rule.name, lines.get(rule.name, 0), words) for rule, words in found),
        key=lambda one: (one.line, one.rule),
    )


def rule_lines(plan: Plan) -> dict[str, int]:
    """Return the line of every [[rule]] of the setup file by the rule's name; empty if the text is not there."""
    text = plan.files.get(plan.setup_file, "")
    located = locate(text)
    out: dict[str, int] = {}
    rows = text.splitlines()
    for path in located:
        match path:
            case ("rule", int(index), "name"):
                line = located[path]
                for facts in plan.facts:
                    if facts.name not in out and f'"{facts.name}"' in rows[line - 1]:
                        out[facts.name] = line_of(located, ("rule", index))
            case _:
                pass
    return out


def _number(comparison: Comparison) -> float | None:
    """Return the number a comparison is with, None if its right side moves."""
    if any(term.channel is not None or term.curve is not None for term in comparison.right):
        return None
    total = 0.0
    for term in comparison.right:
        total += term.factor
    return total


def ranges(condition: Condition) -> Ranges | None:
    """Return the range of each channel within which a condition can be so; None: it can never be so.

    What cannot be told from numbers alone, and every `or` and `not`, is taken as possible everywhere.
    """
    match condition:
        case Comparison(left, op, _, _):
            number = _number(condition)
            if number is None or op == "!=":
                return {}
            within = {">": (number, math.inf), ">=": (number, math.inf), "==": (number, number)}
            return {left: within.get(op, (-math.inf, number))}
        case AllOf(parts):
            out: Ranges = {}
            for part in parts:
                inner = ranges(part)
                if inner is None:
                    return None
                for channel, (low, high) in inner.items():
                    least, most = out.get(channel, EVERYTHING)
                    out[channel] = (max(least, low), min(most, high))
                    if out[channel][0] > out[channel][1]:
                        return None
            return out
        case AnyOf(parts):
            return None if all(ranges(part) is None for part in parts) else {}
        case Lost() | Not() | Surely():
            return {}


def _never(rule: Rule, plan: Plan) -> Iterator[str]:
    if rule.gate is not None and ranges(rule.gate) is None:
        yield f"is never armed: its while asks for what cannot be at one time ({rule.while_text})."
        return
    # A windowed gate looks back: it may have been armed when the reading was made.
    at_one_time = rule.gate is not None and plan.channels[rule.trip.left].delay.is_none
    if rule.gate is not None and at_one_time and ranges(AllOf((rule.gate, rule.trip))) is None:
        yield f"can never be raised: {rule.trip_text} is never so while {rule.while_text}."


def _never_clears(rule: Rule, plan: Plan) -> Iterator[str]:
    trip = rule.trip
    if not isinstance(trip, Comparison) or not trip.deadband:
        return
    number = _number(trip)
    channel = plan.channels[trip.left]
    if number is None:
        return
    back = number - trip.deadband if trip.upward else number + trip.deadband
    if back < channel.low if trip.upward else back > channel.high:
        yield (
            f"can never clear: with its deadband the way back is {channel.format(back)}, beyond what is believed of "
            f"{channel.name}."
        )


def one_source(plan: Plan) -> Iterator[str]:
    """Yield, for each feed of the controller's own, the critical rules that rest on it alone, with their lines."""
    if len(plan.feeds) < 2:
        return
    lines = rule_lines(plan)
    by_feed: dict[str, list[str]] = {}
    for rule in plan.rules.rules:
        if rule.priority is not Priority.CRITICAL:
            continue
        names = [plan.channels[number].name for number in essential(rule, plan.rules)]
        feeds = {plan.feed_of(name).options.name: plan.feed_of(name).options.kind for name in names}
        if len(feeds) == 1 and set(feeds.values()) <= CONTROLLERS:
            line = f" (line {lines[rule.name]})" if rule.name in lines else ""
            by_feed.setdefault(next(iter(feeds)), []).append(f'"{rule.name}"{line}')
    for feed, rules in by_feed.items():
        yield (
            f'On the controller\'s own sensors alone (feed "{feed}") rest: {", ".join(rules)}. What misleads the '
            "controller misleads these rules too."
        )


CONTROLLERS: Final = frozenset({"can", "diagnostics"})
"""Kinds of feed that usually speak for the engine's controller (common practice, no source)."""


def _first(other: Rule, rule: Rule) -> bool:
    """Whether `other` is always raised no later than `rule`, and is no less urgent; of two alike the first counts."""
    if other.priority > rule.priority or other.trip.left != rule.trip.left or not _armed_whenever(other, rule):
        return False
    if _run_up(other) > _run_up(rule) or other.at_least_samples > rule.at_least_samples:
        return False
    if isinstance(other.trip, Lost) or isinstance(rule.trip, Lost):
        alike = other.trip == rule.trip
        return alike and (
            _run_up(other) < _run_up(rule) or other.number < rule.number or other.priority < rule.priority
        )
    if other.trip.op != rule.trip.op or (other.dose > 0) != (rule.dose > 0):
        return False
    if other.trip.right == rule.trip.right:
        return other.number < rule.number or _run_up(other) < _run_up(rule) or other.priority < rule.priority
    mine, theirs = _number(rule.trip), _number(other.trip)
    if mine is None or theirs is None or rule.trip.op in ("==", "!="):
        return False
    return theirs <= mine if rule.trip.upward else theirs >= mine


def _armed_whenever(other: Rule, rule: Rule) -> bool:
    return other.gate is None or other.gate == rule.gate


def _run_up(rule: Rule) -> int:
    return rule.dose or rule.on_delay


def _shadow(rule: Rule, other: Rule) -> str:
    if other.trip == rule.trip and other.gate == rule.gate and _run_up(other) == _run_up(rule):
        return f'asks the same as rule "{other.name}": one of them is enough.'
    urgent = "more urgent" if other.priority < rule.priority else "as urgent"
    return f'says nothing new: rule "{other.name}", {urgent}, is always there first or at the same time.'
