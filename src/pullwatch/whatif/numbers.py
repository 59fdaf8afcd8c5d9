"""The numbers of a setup that can be swept, each by a plain name, and the plan with one of them changed.

    limit.NAME                 a limit that is the same everywhere
    limit.NAME.point.K         the K-th point of a limit along a channel (counted from 1)
    limit.NAME.shift           so much on top of every point of it
    rule.NAME.trip             the number in a rule's trip (trip.K: the K-th, if there are several)
    rule.NAME.deadband         the number behind `deadband` in its trip
    rule.NAME.while            the number in its gate (while.K)
    rule.NAME.dose             its dose, in the unit of the trip times seconds
    rule.NAME.on_delay_ms      rule.NAME.off_delay_ms      rule.NAME.at_least_samples

A number in a text is put where the old one stood, in the unit written behind it, and the text is read again: a variant
is what would have been judged had the setup file said so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_MS
from pullwatch.errors import PullwatchError, nearest
from pullwatch.watchdog.rules import DOSE_PER_UNIT_SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from pullwatch.setup import Plan
    from pullwatch.setup.plan import Limit, RuleFacts

MOST_VALUES: Final = 10_000
"""A sweep of more values is asked for by mistake."""
_NUMBER: Final = re.compile(
    r"(?<![\w@.])\d+(?:_\d+)*(?:\.\d+)?(?![\w.])(?P<unit>\s*(?:AFR@[\d.]+|[%°]?[A-Za-z]\w*(?:/\w+)?|[%°])?)"
)
_SIGN_BEFORE: Final = re.compile(r"[<>=]\s*(-\s*)$")
"""A sign that belongs to the number: nothing stands before it that it could be taken from."""
_WORDS: Final = frozenset({"and", "or", "not", "deadband"})
_RULE_KEYS: Final = ("dose", "on_delay_ms", "off_delay_ms", "at_least_samples", "deadband", "trip", "while")


class NoSuchNumber(PullwatchError):  # noqa: N818 - it names what is asked for, and reads so where it is caught
    """A number that was asked to be swept is none of the setup, or cannot have that value."""


@dataclass(frozen=True, slots=True)
class Number:
    """One number of a plan: its name, what it is there, its unit ("" if it has none), and the plan with another."""

    name: str
    now: Decimal
    unit: str
    put: Callable[[Decimal], Plan]

    def written(self, value: Decimal) -> str:
        """Write a value with its unit."""
        return f"{plain(value)}{' ' if self.unit and self.unit != '%' else ''}{self.unit}"


def plain(value: Decimal) -> str:
    """Write a number without an exponent."""
    return f"{value:f}"


def values(first: str, last: str, step: str) -> tuple[Decimal, ...]:
    """Return the numbers from `first` to `last` (in it if it is hit) by `step`. Raises NoSuchNumber in words."""
    try:
        low, high, by = Decimal(first), Decimal(last), Decimal(step)
    except InvalidOperation:
        raise NoSuchNumber(
            f"from {first} to {last} by {step}: three plain numbers are expected (0.80 0.95 0.01)."
        ) from None
    if not (low.is_finite() and high.is_finite() and by.is_finite()) or by <= 0 or high < low:
        raise NoSuchNumber(f"from {first} to {last} by {step}: the step is above 0, and the range goes up.")
    count = int((high - low) / by) + 1
    if count > MOST_VALUES:
        raise NoSuchNumber(f"from {first} to {last} by {step} are {count:,} values; {MOST_VALUES:,} are the most.")
    return tuple(low + by * place for place in range(count))


def find(plan: Plan, name: str) -> Number:
    """Return the number of that name. Raises NoSuchNumber, with the names there are, when there is none."""
    head, _, rest = name.partition(".")
    if head == "limit":
        return _of_limit(plan, name, rest)
    if head == "rule":
        return _of_rule(plan, name, rest)
    raise NoSuchNumber(
        f'"{name}": what can be swept begins with limit. or rule.{nearest(name, listed(plan))}. '
        f"In this setup: {', '.join(listed(plan)[:12])}, ..."
    )


def listed(plan: Plan) -> list[str]:
    """Return the names of all numbers of a plan that can be swept."""
    out: list[str] = []
    for limit in plan.limits:
        if limit.constant:
            out.append(f"limit.{limit.name}")
        else:
            out += [f"limit.{limit.name}.point.{place}" for place in range(1, len(limit.value) + 1)]
            out.append(f"limit.{limit.name}.shift")
    for facts in plan.facts:
        if not facts.removed:
            out += [f"rule.{facts.name}.{key}" for key in _keys_of(facts)]
    return out


def _keys_of(facts: RuleFacts) -> Iterator[str]:
    yield "dose" if facts.dose else "on_delay_ms"
    yield "off_delay_ms"
    yield "at_least_samples"
    trips, bands = _places(facts.trip)
    yield from _numbered("trip", len(trips))
    if bands:
        yield "deadband"
    gates, _ = _places(facts.while_)
    yield from _numbered("while", len(gates))


def _numbered(key: str, count: int) -> Iterator[str]:
    if count == 1:
        yield key
    else:
        yield from (f"{key}.{place}" for place in range(1, count + 1))


def _of_limit(plan: Plan, name: str, rest: str) -> Number:
    limits = {limit.name: limit for limit in plan.limits}
    word, _, key = rest.partition(".")
    limit = limits.get(word)
    if limit is None:
        raise NoSuchNumber(f'"{name}": there is no limit "{word}"{nearest(word, limits)}.')
    unit = plan.channel(limit.limits).unit
    if limit.constant:
        if key:
            raise NoSuchNumber(f'"{name}": {word} is one number everywhere: write limit.{word}.')
        return Number(name, Decimal(repr(limit.value[0])), unit, _limit_put(plan, limit, lambda v: (float(v),)))
    if key == "shift":
        old = [Decimal(repr(value)) for value in limit.value]
        put = _limit_put(plan, limit, lambda v: tuple(float(value + v) for value in old))
        return Number(name, Decimal(0), unit, put)
    part, _, count = key.partition(".")
    if part == "point" and count.isdecimal() and 1 <= int(count) <= len(limit.value):
        at = int(count) - 1
        put = _limit_put(plan, limit, lambda v: (*limit.value[:at], float(v), *limit.value[at + 1 :]))
        return Number(name, Decimal(repr(limit.value[at])), unit, put)
    points = f"limit.{word}.point.1 to .{len(limit.value)}"
    raise NoSuchNumber(f'"{name}": {word} goes along {limit.along}: write {points}, or limit.{word}.shift.')


def _limit_put(plan: Plan, limit: Limit, make: Callable[[Decimal], tuple[float, ...]]) -> Callable[[Decimal], Plan]:
    def put(value: Decimal) -> Plan:
        new = replace(limit, value=make(value))
        return replace(plan, limits=tuple(new if each.name == limit.name else each for each in plan.limits))

    return put


def _of_rule(plan: Plan, name: str, rest: str) -> Number:
    rules = {facts.name: facts for facts in plan.facts if not facts.removed}
    # A rule's name may hold spaces and dots: the longest that fits is meant.
    fits = [word for word in rules if rest.startswith(f"{word}.")]
    if not fits:
        word = rest.rpartition(".")[0] or rest
        raise NoSuchNumber(f'"{name}": there is no rule "{word}"{nearest(word, rules)}.')
    facts = rules[max(fits, key=len)]
    key = rest[len(facts.name) + 1 :]
    makers: Mapping[str, tuple[Decimal, str, Callable[[Decimal], RuleFacts]]] = {
        "on_delay_ms": (_ms(facts.on_delay), "ms", lambda v: replace(facts, on_delay=_ns(name, v))),
        "off_delay_ms": (_ms(facts.off_delay), "ms", lambda v: replace(facts, off_delay=_ns(name, v))),
        "at_least_samples": (
            Decimal(facts.at_least_samples),
            "samples",
            lambda v: replace(facts, at_least_samples=_whole(name, v)),
        ),
        "dose": (
            Decimal(facts.dose) / DOSE_PER_UNIT_SECOND,
            f"{plan.rules.channels[_left(plan, facts)].unit} s".strip(),
            lambda v: replace(facts, dose=_dose(name, v)),
        ),
    }
    if key in makers:
        if key == "on_delay_ms" and facts.dose:
            raise NoSuchNumber(f'"{name}": this rule has a dose and no on-delay: write rule.{facts.name}.dose.')
        if key == "dose" and not facts.dose:
            raise NoSuchNumber(f'"{name}": this rule has an on-delay and no dose: write rule.{facts.name}.on_delay_ms.')
        now, unit, make = makers[key]
        return Number(name, now, unit, _rule_put(plan, facts, make))
    return _in_text(plan, facts, name, key)


def _in_text(plan: Plan, facts: RuleFacts, name: str, key: str) -> Number:
    part, _, count = key.partition(".")
    text = facts.while_ if part == "while" else facts.trip
    numbers, bands = _places(text)
    found = bands if part == "deadband" else numbers
    if part not in ("trip", "while", "deadband") or (count and not count.isdecimal()):
        raise NoSuchNumber(
            f'"{name}": "{key}" is no number of a rule{nearest(key, _RULE_KEYS)}. There are: '
            f"{', '.join(_keys_of(facts))}."
        )
    if not found:
        raise NoSuchNumber(f'"{name}": no such number stands in "{text}". There are: {", ".join(_keys_of(facts))}.')
    if not count and len(found) > 1:
        raise NoSuchNumber(f'"{name}": {len(found)} numbers stand in "{text}": write {key}.1 to {key}.{len(found)}.')
    if count and not 1 <= int(count) <= len(found):
        raise NoSuchNumber(f'"{name}": {len(found)} numbers stand in "{text}".')
    first, last, unit = found[int(count) - 1 if count else 0]

    def make(value: Decimal) -> RuleFacts:
        new = f"{text[:first]}{plain(value)}{text[last:]}"
        return replace(facts, while_=new) if part == "while" else replace(facts, trip=new)

    now = Decimal(text[first:last].replace("_", "").replace(" ", ""))
    return Number(name, now, unit, _rule_put(plan, facts, make))


def _places(text: str) -> tuple[list[tuple[int, int, str]], list[tuple[int, int, str]]]:
    """Return where numbers stand in a condition (first, behind, unit): those held against, and the deadbands."""
    numbers: list[tuple[int, int, str]] = []
    bands: list[tuple[int, int, str]] = []
    for found in _NUMBER.finditer(text):
        unit = found.group("unit").strip()
        first, last = found.start(), found.start("unit")
        sign = _SIGN_BEFORE.search(text[:first])
        first = sign.start(1) if sign else first
        place = (first, last, "" if unit in _WORDS else unit)
        (bands if text[:first].rstrip().endswith("deadband") else numbers).append(place)
    return numbers, bands


def _rule_put(plan: Plan, facts: RuleFacts, make: Callable[[Decimal], RuleFacts]) -> Callable[[Decimal], Plan]:
    def put(value: Decimal) -> Plan:
        new = make(value)
        return replace(plan, facts=tuple(new if each.name == facts.name else each for each in plan.facts))

    return put


def _left(plan: Plan, facts: RuleFacts) -> int:
    return next(rule.trip.left for rule in plan.rules.rules if rule.name == facts.name)


def _ms(ns: int) -> Decimal:
    return Decimal(ns) / NS_PER_MS


def _ns(name: str, value: Decimal) -> int:
    if value < 0:
        raise NoSuchNumber(f"{name} cannot be {plain(value)}: a time is not below 0.")
    return round(value * NS_PER_MS)


def _dose(name: str, value: Decimal) -> int:
    dose = round(value * DOSE_PER_UNIT_SECOND)
    if dose <= 0:
        raise NoSuchNumber(f"{name} cannot be {plain(value)}: a dose is above 0.")
    return dose


def _whole(name: str, value: Decimal) -> int:
    if value != value.to_integral_value() or value < 1:
        raise NoSuchNumber(f"{name} cannot be {plain(value)}: samples are counted in whole numbers from 1.")
    return int(value)
