"""Any split of the records into batches, any way of judging, any restart between: the changes of the definition."""

from __future__ import annotations

import json
import random
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, event, given, settings

from pullwatch.batch import Batch, Kind, Record
from pullwatch.channels import Delay  # noqa: TC001 - one line serves both
from pullwatch.watchdog.alarms import Change, Event, State
from pullwatch.watchdog.conditions import AllOf, AnyOf, Condition, Lost, Not, Surely, Verdict
from pullwatch.watchdog.judge import Watchdog

from .driving import engine
from .oracle import Oracle, judged
from .strategies import Builder, Example, Seeded, Step, examples
from .words import plain

LONG_PAIRS = 200_000


def seeded(seed: int) -> Example:
    """Return the random example of a seed."""
    return Builder(Seeded(random.Random(seed))).build()


def happenings(example: Example, oracle: Oracle) -> set[str]:
    """Return what happened in an example, by the names under which it is counted."""
    found = {change.event.name.lower() if change.event is not None else "carried" for change in oracle.changes}
    found |= {
        "told when its shelving was over" for c in oracle.changes if c.event is Event.RAISE and _hidden(c, oracle)
    }
    found |= {"latched" for change in oracle.changes if change.state is State.LATCHED_UNACKNOWLEDGED}
    found |= {"first-out" for change in oracle.changes if change.first_out}
    found |= {
        "raised again" for c in oracle.changes if c.event is Event.RAISE and c.was is not State.NORMAL and c.t > 0
    }
    for rule, moments in zip(example.rules.rules, oracle.moments, strict=True):
        found |= {f"trip {moment.trip.name.lower()}" for moment in moments}
        found |= {f"gate {moment.gate.name.lower()}" for moment in moments}
        kept = any(moment.run_up and moment.trip not in (Verdict.NO, Verdict.YES) for moment in moments)
        if kept:
            found.add("dose kept through a gap" if rule.dose else "run-up kept through a gap")
        if any(before.run_up and not after.run_up and after.trip is Verdict.NO for before, after in pairwise(moments)):
            found.add("run-up emptied")
    return found


def _hidden(change: Change, oracle: Oracle) -> bool:
    """Whether a raise came at the instant at which its rule was shown again."""
    shown = (Event.SHELF_OVER, Event.UNSHELVE, Event.PUT_BACK)
    return any(c.rule == change.rule and c.t == change.t and c.event in shown for c in oracle.changes)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(example=examples())
def test_the_engine_gives_the_changes_of_the_definition(example: Example) -> None:
    """Whatever the rules, the trace, the cut into batches, the forms and ways of judging, and restarts between."""
    oracle = Oracle(example.rules, example.samples, example.records, example.end)
    for name in sorted(happenings(example, oracle)):
        event(name)
    assert plain(engine(example)) == plain(oracle.changes)


LEAST_SHARES = {
    "raise": 0.40,
    "clear": 0.15,
    "clear_latched": 0.08,
    "acknowledge": 0.10,
    "reset": 0.005,
    "shelve": 0.02,
    "shelf_over": 0.01,
    "unshelve": 0.001,
    "take_out": 0.02,
    "put_back": 0.001,
    "carried": 0.10,
    "latched": 0.06,
    "first-out": 0.35,
    "raised again": 0.06,
    "trip yes": 0.60,
    "trip no": 0.60,
    "trip stale": 0.60,
    "trip fault": 0.40,
    "trip blind": 0.10,
    "gate stale": 0.40,
    "gate fault": 0.25,
    "gate blind": 0.04,
    "dose kept through a gap": 0.06,
    "run-up kept through a gap": 0.10,
    "run-up emptied": 0.03,
}
"""What share of the random examples must show what. A search that reaches nothing proves nothing."""


def test_the_random_search_reaches_what_it_is_for() -> None:
    """Alarms are raised, cleared, latched; trips go blind, stale and faulty; run-ups are kept through gaps."""
    size = 400
    counts: Counter[str] = Counter()
    for seed in range(size):
        example = seeded(seed)
        counts.update(happenings(example, Oracle(example.rules, example.samples, example.records, example.end)))
    shares = {name: counts[name] / size for name in LEAST_SHARES}
    assert {name: share for name, share in shares.items() if share < LEAST_SHARES[name]} == {}


def test_records_own_their_nanoseconds_in_random_traces() -> None:
    """The traces keep the rule of intake: no two records share an instant, and every sample stands in a record."""
    for seed in range(200):
        example = seeded(seed)
        for before, after in pairwise(example.records):
            assert before.end < after.t
        data = [record for record in example.records if record.kind is Kind.DATA]
        for t, *_ in example.samples:
            assert any(record.t <= t <= record.end for record in data)
        nows = [step.now for step in example.steps]
        assert nows == sorted(set(nows))
        assert nows[-1] == example.end


def test_nothing_changes_before_it_is_due() -> None:
    """`next_due` is when judging must happen if nothing comes: nothing changes before it, nor ever without it."""

    def look(watchdog: Watchdog, step: Step) -> None:
        due = watchdog.next_due
        twin = Watchdog(example.rules, way="stepping")
        twin.restore(watchdog.state())
        assert due is None or due > step.now
        assert twin.judge(Batch(step.now + 1_000_000 if due is None else max(due - 1, step.now))) == []

    for seed in range(200):
        example = seeded(seed)
        engine(example, look)


def standing(delay: Delay) -> Delay:
    """Return a delay without what follows engine speed."""
    return replace(delay, per_cycle=False, transport_least=0, transport_most=0)


def _longer(data: bytes, factor: int) -> bytes:
    """Return what a record says with the span of a shelving so many times as long."""
    said = json.loads(data) if b"for_ns" in data else None
    return data if said is None else json.dumps({**said, "for_ns": said["for_ns"] * factor}).encode()


def slower(example: Example, factor: int) -> Example:
    """Return the same example with every time and span so many times as long (doses are left out: they are rounded)."""
    rules = example.rules
    channels = tuple(
        replace(
            channel,
            stale_after=channel.stale_after * factor,
            delay=replace(
                channel.delay,
                least=channel.delay.least * factor,
                most=channel.delay.most * factor,
                time_constant=channel.delay.time_constant * factor,
            ),
        )
        for channel in rules.channels
    )
    watched = tuple(
        replace(rule, on_delay=rule.on_delay * factor, off_delay=rule.off_delay * factor) for rule in rules.rules
    )
    samples = tuple((t * factor, number, value, why) for t, number, value, why in example.samples)
    records = tuple(
        Record(record.t * factor, record.feed, record.kind, _longer(record.data, factor)) for record in example.records
    )
    return Example(
        replace(rules, channels=channels, rules=watched),
        samples,
        records,
        example.end * factor,
        tuple(
            replace(
                step,
                now=step.now * factor,
                records=tuple(record for record in records if record.t in {kept.t * factor for kept in step.records}),
            )
            for step in example.steps
        ),
    )


def test_milliseconds_are_judged_like_nanoseconds() -> None:
    """An hour is too long for the oracle; a trace stretched to the size of real ones gives the stretched changes."""
    factor = 1_000_003
    for seed in range(250):
        example = seeded(seed)
        rules = tuple(
            replace(rule, on_delay=rule.on_delay or rule.dose // 100_000, dose=0) for rule in example.rules.rules
        )
        channels = tuple(replace(c, delay=standing(c.delay)) for c in example.rules.channels)
        example = replace(example, rules=replace(example.rules, rules=rules, channels=channels))
        expected = [
            replace(change, t=change.t * factor)
            for change in judged(example.rules, example.samples, example.records, example.end)
        ]
        assert plain(engine(slower(example, factor))) == plain(expected), seed


def parts(condition: Condition) -> int:
    """Return how many conditions stand in a condition."""
    match condition:
        case Not(part) | Surely(part):
            return 1 + parts(part)
        case AllOf(inner) | AnyOf(inner):
            return 1 + sum(parts(part) for part in inner)
    return 1


def test_random_rule_sets_are_of_every_kind() -> None:
    """Nested gates, deadbands, curves, sums, windows following engine speed, blinds, lost trips and doses occur."""
    seen: Counter[str] = Counter()
    for seed in range(300):
        rules = seeded(seed).rules
        seen["nested"] += any(rule.gate is not None and parts(rule.gate) > 3 for rule in rules.rules)
        seen["lost"] += any(isinstance(rule.trip, Lost) for rule in rules.rules)
        seen["dose"] += any(rule.dose for rule in rules.rules)
        seen["samples"] += any(rule.at_least_samples > 1 for rule in rules.rules)
        seen["blinds"] += bool(rules.blinds)
        seen["curves"] += bool(rules.curves)
        seen["speed"] += rules.engine_speed is not None and any(c.delay.turns for c in rules.channels)
        trips = [rule.trip for rule in rules.rules if not isinstance(rule.trip, Lost)]
        seen["sum"] += any(len(trip.right) > 1 for trip in trips)
        seen["curve"] += any(term.curve is not None for trip in trips for term in trip.right)
        seen["deadband"] += any(trip.deadband for trip in trips)
    assert min(seen.values()) > 20, seen
    assert len(seen) == 10


def test_the_oracle_and_the_engine_both_see_a_changed_limit() -> None:
    """The comparison has teeth: an engine given another limit than the oracle is found out by most examples."""
    differ = 0
    for seed in range(60):
        example = seeded(seed)
        moved = tuple(
            replace(rule, off_delay=rule.off_delay + 1, on_delay=rule.on_delay + 1) for rule in example.rules.rules
        )
        other: list[Change] = engine(replace(example, rules=replace(example.rules, rules=moved)))
        differ += plain(other) != plain(judged(example.rules, example.samples, example.records, example.end))
    assert differ > 10


@pytest.mark.parametrize("seed", [1_004_119])
def test_what_once_differed_does_not_again(seed: int) -> None:
    """Seeds at which the engine once differed from the definition, found by the long run."""
    example = seeded(seed)
    assert plain(engine(example)) == plain(judged(example.rules, example.samples, example.records, example.end))


@pytest.mark.long
@pytest.mark.parametrize("first", range(1_000_000, 1_000_000 + LONG_PAIRS, 10_000))
def test_long(first: int) -> None:
    """The same property over 200,000 seeded pairs of rule set and trace."""
    for seed in range(first, first + 10_000):
        example = seeded(seed)
        expected = plain(judged(example.rules, example.samples, example.records, example.end))
        assert plain(engine(example)) == expected, seed
