"""A swept number gives for each value what a whole replay under it gives, though only what it touches is judged."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.watchdog.strategies import Builder, Drawn, Example, Pick, Seeded, chance, one_of
from typer.testing import CliRunner

from pullwatch.batch import ACTS_FEED, Batch
from pullwatch.cli import app
from pullwatch.clock import NS_PER_S
from pullwatch.columns import to_columns
from pullwatch.recording.reader import Session
from pullwatch.replaying import replayed
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.conditions import AllOf, Comparison, Term
from pullwatch.watchdog.judge import Watchdog
from pullwatch.whatif.kept import Decoded, channels_of, keep, meaning, only, outcomes
from pullwatch.whatif.numbers import NoSuchNumber, find, values
from pullwatch.whatif.sweeping import rows, sweep

from .sessions import SETUP, act, plan_in, pulls, write

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.conditions import Condition
    from pullwatch.watchdog.rules import Rule, RuleSet


# ---- any rule, any trace ---------------------------------------------------------------------------------------------


def moved(condition: Condition, by: float) -> Condition:
    """Return a condition whose first comparison is held against a number more."""
    match condition:
        case Comparison(left, op, right, deadband):
            return Comparison(left, op, (*right, Term(by)), deadband)
        case AllOf(parts):
            return AllOf((moved(parts[0], by), *parts[1:]))
        case _:
            return condition


def varied(pick: Pick, rules: RuleSet) -> RuleSet:
    """Return a rule set in which one number is another, of any kind a sweep knows."""
    place = pick.whole(0, len(rules.rules) - 1)
    rule = rules.rules[place]
    kind = pick.whole(0, 6)
    if kind == 0 and rules.curves:
        name = one_of(pick, sorted(rules.curves))
        curve = rules.curves[name]
        by = one_of(pick, (0.05, -0.1, 0.2))
        return replace(rules, curves={**rules.curves, name: replace(curve, value=tuple(v + by for v in curve.value))})
    new: Rule
    if kind == 1:
        new = replace(rule, off_delay=one_of(pick, (0, 1, 7, 30)))
    elif kind == 2 and rule.dose:
        new = replace(rule, dose=max(1, rule.dose + 100_000 * pick.whole(-5, 9)))
    elif kind == 3:
        new = replace(rule, on_delay=one_of(pick, (0, 2, 9, 21))) if not rule.dose else rule
    elif kind == 4 and isinstance(rule.trip, Comparison):
        new = replace(rule, trip=replace(rule.trip, deadband=one_of(pick, (0.0, 0.05, 0.15))))
    elif kind == 5 and rule.gate is not None:
        new = replace(rule, gate=moved(rule.gate, one_of(pick, (0.1, -0.1))))
    elif isinstance(rule.trip, Comparison):
        trip = rule.trip
        new = replace(rule, trip=replace(trip, right=(*trip.right, Term(one_of(pick, (0.1, -0.1, 0.05))))))
    else:
        new = replace(rule, at_least_samples=one_of(pick, (1, 2, 3)))
    if chance(pick, 15):
        new = replace(new, at_least_samples=one_of(pick, (1, 2)))
    return replace(rules, rules=(*rules.rules[:place], new, *rules.rules[place + 1 :]))


def whole(example: Example, rules: RuleSet, names: set[str]) -> dict[str, list[Change]]:
    """Return what a watchdog makes of everything, for the rules of those names."""
    changes = Watchdog(rules).judge(Batch(example.end, example.records, list(example.samples)))
    return {
        name: [replace(c, first_out=False, rule=0) for c in changes if rules.rules[c.rule].name == name]
        for name in names
    }


def hold(pick: Pick) -> int:
    """Hold kept judging against whole judging; return how many changes were compared."""
    example = Builder(pick).build()
    base = example.rules
    variants = [varied(pick, base) for _ in range(3)]
    meant = {rule.name: meaning(rule, base) for rule in base.rules}
    touched = {r.name for rules in variants for r in rules.rules if meaning(r, rules) != meant[r.name]}
    if not touched:
        return 0
    needed = {n for rules in (base, *variants) for r in rules.rules if r.name in touched for n in channels_of(r, rules)}
    columns = {number: column for number, column in to_columns(example.samples).items() if number in needed}
    acts = tuple(record for record in example.records if record.feed == ACTS_FEED)
    store = keep(Decoded(columns, acts, example.end), only(base, touched))
    compared = 0
    for rules in (base, variants[0], base, *variants[1:]):
        kept = outcomes(only(rules, touched), store)
        made = {name: [replace(c, rule=0) for c in outcome.changes] for name, outcome in kept.items()}
        expected = whole(example, rules, touched)
        assert {n: list(map(repr, c)) for n, c in made.items()} == {n: list(map(repr, c)) for n, c in expected.items()}
        compared += sum(map(len, made.values()))
    return compared


@settings(max_examples=20)
@given(st.data())
def test_kept_judging_is_whole_judging(data: st.DataObject) -> None:
    """Doses, delays, windows, blind channels, gates, acts, latches: to the nanosecond, whatever was kept."""
    hold(Drawn(data.draw))


def test_kept_judging_is_whole_judging_for_many_seeds() -> None:
    """The same over seeded sets, in which alarms do happen."""
    compared = sum(hold(Seeded(random.Random(seed))) for seed in range(60))
    assert compared > 120


@pytest.mark.long
def test_kept_judging_is_whole_judging_for_very_many_seeds() -> None:
    """The same over a hundred thousand."""
    assert sum(hold(Seeded(random.Random(seed))) for seed in range(1_000, 101_000)) > 100_000


# ---- through a session -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Return the plan of the small setup."""
    return plan_in(tmp_path_factory.mktemp("setup"))


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory, plan: Plan) -> Session:
    """Return a minute of pulls, lean and hot, with a person's acts in it."""
    records = pulls(43.0, hot=101.0, lean=0.09)
    records += [
        act(9 * NS_PER_S + 500, act="acknowledge", rule=None, who="helper"),
        act(15 * NS_PER_S + 500, act="shelve", rule="lean under boost", for_ns=10 * NS_PER_S, who="helper"),
        act(31 * NS_PER_S + 500, act="reset", rule="coolant hot", who="helper"),
        act(40 * NS_PER_S + 500, act="out-of-service", rule="over 6.2 thousand", who="helper"),
    ]
    return Session(write(tmp_path_factory.mktemp("kept") / "session", plan, records))


@pytest.mark.parametrize(
    ("name", "span"),
    [
        ("limit.leanest.shift", ("-0.05", "0.06", "0.01")),
        ("limit.leanest.point.2", ("0.80", "1.00", "0.04")),
        ("limit.hottest", ("98", "108", "1")),
        ("rule.lean under boost.dose", ("0.001", "0.031", "0.003")),
        ("rule.lean under boost.while.1", ("90", "200", "10")),
        ("rule.lean under boost.while.2", ("1000", "6000", "500")),
        ("rule.lean under boost.deadband", ("0", "0.05", "0.01")),
        ("rule.lean under boost.at_least_samples", ("1", "40", "3")),
        ("rule.lean under boost.off_delay_ms", ("0", "3000", "300")),
        ("rule.coolant hot.on_delay_ms", ("0", "2000", "125")),
        ("rule.over 6.2 thousand.trip", ("5000", "6500", "100")),
    ],
)
def test_every_value_is_what_a_whole_replay_under_it_gives(
    session: Session, plan: Plan, name: str, span: tuple[str, str, str]
) -> None:
    """Decoded once and judged in part, against bytes to alarms anew under a plan with that number."""
    found = sweep(session, plan, name, values(*span))
    assert len({tuple(one[found.rules[0]].changes) for one in found.outcomes}) > 1, "the number makes no difference"
    for value, each in list(zip(found.values, found.outcomes, strict=True))[::4]:
        variant = find(plan, name).put(value)
        numbers = {rule.name: rule.number for rule in variant.rules.rules}
        steps = replayed(variant, session.blocks(join_ns=7 * NS_PER_S))
        changes = [replace(change, first_out=False) for step in steps for change in step.changes]
        for rule in found.rules:
            expected = [repr(replace(change, rule=0)) for change in changes if change.rule == numbers[rule]]
            assert [repr(replace(change, rule=0)) for change in each[rule].changes] == expected


def test_limits_that_end_and_limits_that_hold_are_told_apart(tmp_path: Path) -> None:
    """Two right sides along one channel are known at different instants; nothing looked up for one is the other's."""
    more = """
[limit.narrow]
limits = "lambda"
along = "manifold_pressure"
at = [150, 190]
value = [0.90, 0.89]
beyond = "unknown"

[[rule]]
name = "lean in the middle"
trip = "lambda > 0.5 * leanest + 0.5 * narrow"
off_delay_ms = 100
priority = "note"
"""
    plan = plan_in(tmp_path, SETUP + more)
    session = Session(write(tmp_path / "session", plan, pulls(13.0, lean=0.09)))
    found = sweep(session, plan, "limit.leanest.shift", values("-0.04", "0.04", "0.02"))
    assert found.rules == ("lean under boost", "lean in the middle")
    for value, each in zip(found.values, found.outcomes, strict=True):
        variant = find(plan, "limit.leanest.shift").put(value)
        names = {rule.number: rule.name for rule in variant.rules.rules}
        changes = [change for step in replayed(variant, session.blocks()) for change in step.changes]
        for rule in found.rules:
            expected = [repr(replace(c, rule=0, first_out=False)) for c in changes if names[c.rule] == rule]
            assert [repr(replace(change, rule=0)) for change in each[rule].changes] == expected
    assert len({tuple(one["lean in the middle"].changes) for one in found.outcomes}) > 1


def test_a_sweep_is_a_table_of_counts_first_times_and_margins(session: Session, plan: Plan) -> None:
    """Fewer alarms as the limit rises, later, with less beyond it; where the count changes is said."""
    found = sweep(session, plan, "limit.hottest", values("103", "108", "0.5"))
    assert found.rules == ("coolant hot",)
    counts = [len(one["coolant hot"].raised) for one in found.outcomes]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1] == 0
    margins = [one["coolant hot"].margin for one in found.outcomes]
    assert margins == sorted(margins)
    assert margins[0] == pytest.approx(103 - 106.2, abs=0.2)
    assert margins[-1] == pytest.approx(108 - 106.2, abs=0.2)
    table = rows(found, "coolant hot")
    assert [row.count for row in table] == sorted(set(counts), reverse=True)
    assert len(rows(found, "coolant hot", every=True)) == 11
    said = CliRunner().invoke(
        app, ["whatif", str(session.folder), "--vary", "limit.hottest", "--from", "103", "--to", "108", "--step", "0.5"]
    )
    assert said.exit_code == 1, said.output
    assert "limit.hottest were 103.0 °C to 108.0 °C (11 values; it is 105.0 °C)" in said.output
    assert f"{margins[-1]:.1f} °C short of the limit" in said.output
    turn = next(place for place in range(1, 11) if counts[place] != counts[place - 1])
    a, b = found.values[turn - 1], found.values[turn]
    assert f"Between {a} °C and {b} °C: {counts[turn - 1]} become {counts[turn]}." in said.output


def test_the_alarms_of_the_number_as_it_is_are_the_recorded_ones(session: Session, plan: Plan) -> None:
    """What is swept through its own value tells what was told."""
    found = sweep(session, plan, "rule.lean under boost.dose", values("0.004", "0.006", "0.001"))
    recorded = [c.t for c in session.changes() if c.name == "lean under boost" and c.event is Event.RAISE]
    assert len(recorded) > 3
    assert list(found.outcomes[0]["lean under boost"].raised) == recorded


def test_a_limit_of_several_rules_is_swept_in_all_of_them(tmp_path: Path) -> None:
    """One table for each rule the number touches, and none for the others."""
    more = '\n[[rule]]\nname = "much too lean"\ntrip = "lambda > leanest + 0.05 lambda"\npriority = "note"\n'
    plan = plan_in(tmp_path, SETUP + more)
    session = Session(write(tmp_path / "session", plan, pulls(13.0, lean=0.12)))
    found = sweep(session, plan, "limit.leanest.point.1", values("0.9", "0.95", "0.01"))
    assert found.rules == ("lean under boost", "much too lean")


def test_processes_share_the_values_out(tmp_path: Path, plan: Plan, session: Session) -> None:
    """In another process, from what it is handed alone, the same comes out."""
    from pullwatch.whatif import sweeping

    wanted = values("98", "106", "1")
    found = sweep(session, plan, "limit.hottest", wanted)
    shared = sweeping.Shared(plan.to_dict(), "limit.hottest", ("coolant hot",), found.decoded)
    assert tuple(sweeping.Judging(shared).of(wanted)) == found.outcomes


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("limit.lenest", 'there is no limit "lenest" (did you mean "leanest"?)'),
        ("limit.leanest", "leanest goes along manifold_pressure: write limit.leanest.point.1 to .3"),
        ("limit.leanest.point.4", "point.1 to .3"),
        ("limit.hottest.shift", "one number everywhere"),
        ("rule.coolant hott.dose", 'there is no rule "coolant hott" (did you mean "coolant hot"?)'),
        ("rule.coolant hot.dose", "an on-delay and no dose"),
        ("rule.lean under boost.on_delay_ms", "a dose and no on-delay"),
        ("rule.lean under boost.while", "2 numbers stand in"),
        ("rule.lean under boost.while.3", "2 numbers stand in"),
        ("rule.coolant hot.trip", "no such number stands in"),
        ("rule.coolant hot.tripp", '"tripp" is no number of a rule (did you mean "trip"?)'),
        ("lambda", "begins with limit. or rule."),
    ],
)
def test_a_number_there_is_not_is_refused_in_words(plan: Plan, name: str, said: str) -> None:
    """With the nearest there is, or how it is written."""
    with pytest.raises(NoSuchNumber) as refused:
        find(plan, name)
    assert said in str(refused.value)


def test_numbers_are_found_where_they_stand(plan: Plan) -> None:
    """Its value and unit as written; a rule's name may hold spaces and dots."""
    number = find(plan, "rule.over 6.2 thousand.trip")
    assert (number.now, number.unit) == (Decimal(6200), "rpm")
    assert find(plan, "rule.over 6.2 thousand.deadband").now == 100
    assert find(plan, "rule.lean under boost.while.1").written(Decimal("130.5")) == "130.5 kPa"
    varied_plan = find(plan, "rule.lean under boost.deadband").put(Decimal("0.02"))
    facts = next(each for each in varied_plan.facts if each.name == "lean under boost")
    assert facts.trip == "lambda > leanest deadband 0.02 lambda"
    for value, written in (("6200.1234567", "6200.1234567"), ("1E-7", "0.0000001"), ("1E+4", "10000")):
        facts = find(plan, "rule.over 6.2 thousand.trip").put(Decimal(value)).facts[2]
        assert facts.trip == f"engine_speed > {written} rpm deadband 100 rpm"


def test_values_are_counted_in_decimals() -> None:
    """No value is off by a rounding, the last is in it, and nonsense is refused."""
    assert [str(v) for v in values("0.80", "0.95", "0.05")] == ["0.80", "0.85", "0.90", "0.95"]
    for wrong in (("1", "0", "0.1"), ("0", "1", "0"), ("0", "1", "x"), ("0", "1", "0.00001")):
        with pytest.raises(NoSuchNumber):
            values(*wrong)


@pytest.mark.parametrize(
    ("name", "span", "said"),
    [
        ("rule.coolant hot.on_delay_ms", ("-5", "5", "1"), "a time is not below 0"),
        ("rule.lean under boost.at_least_samples", ("1", "2", "0.5"), "whole numbers from 1"),
        ("rule.lean under boost.dose", ("0", "1", "1"), "a dose is above 0"),
        ("limit.hottest", ("105", "105", "1"), "nothing is judged otherwise"),
    ],
)
def test_values_that_cannot_be_are_refused(
    session: Session, plan: Plan, name: str, span: tuple[str, str, str], said: str
) -> None:
    """Before anything is printed."""
    with pytest.raises(NoSuchNumber, match=said):
        sweep(session, plan, name, values(*span))
