"""The setup of the demonstration car: right, whole, and in step with what its scenarios expect of it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pullwatch.setup import Plan, decoders_for, load
from pullwatch.setup.chain import LONGEST_CHAIN_MS, SLOW, chain
from pullwatch.watchdog.alarms import Priority

FOLDER = Path(__file__).parents[2] / "simulators" / "pullwatch_sim"
SCENARIOS = sorted((FOLDER / "scenarios").glob("*.toml"))


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Return the demonstration's plan."""
    return load(FOLDER / "demo_setup.toml")


def test_nothing_is_demoted(plan: Plan) -> None:
    """Every critical rule of the demonstration can be heard within 500 ms, but for those about temperatures."""
    assert [facts.name for facts in plan.facts if facts.note] == []
    for rule in plan.rules.rules:
        channel = plan.channels[rule.trip.left]
        if rule.priority is Priority.CRITICAL and channel.dimension not in SLOW:
            found = chain(rule, channel, plan.rates[channel.number], plan.feed_of(channel.name).options.kind)
            assert found.before_person[1] < LONGEST_CHAIN_MS, rule.name


def test_every_rule_is_armed_on_pressure_or_speed_alone(plan: Plan) -> None:
    """No gate of the demonstration rests on the throttle."""
    assert all("throttle" not in facts.while_ and "pedal" not in facts.while_ for facts in plan.facts)


def test_lean_rule_is_the_starting_form(plan: Plan) -> None:
    """The lean rule has the starting values: common practice, no source, from memory (0.75-0.85 is the range)."""
    rule = plan.rules.rules[0]
    curve = plan.rules.curves["leanest"]
    assert (rule.name, rule.latch, rule.at_least_samples) == ("lean under boost", True, 2)
    assert [curve.one(kpa) for kpa in (120.0, 160.0, 200.0, 240.0)] == [0.90, 0.86, 0.84, 0.83]


def test_oil_limit_is_ten_psi_for_each_thousand_turns(plan: Plan) -> None:
    """At 4,000 rpm at least 40 psi is the rule of thumb, and the limit trips well below it but above half.

    10 psi per 1,000 rpm is common practice with no single source, from memory: 20 psi = 137.9 kPa at 2,000 rpm.
    """
    curve = plan.rules.curves["least_oil"]
    assert curve.one(2_500.0) == pytest.approx(25 * 6.894757, abs=1e-3)
    assert curve.one(4_000.0) == pytest.approx(40 * 6.894757, abs=1e-3)
    assert curve.one(7_000.0) == pytest.approx(57 * 6.894757, abs=1e-3)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_scenarios_expect_rules_there_are(plan: Plan, path: Path) -> None:
    """Every alarm a scenario expects is one of the demonstration's rules, with the same priority and words."""
    rules = {facts.name: facts for facts in plan.facts}
    for expected in tomllib.loads(path.read_text(encoding="utf-8")).get("expected", []):
        facts = rules[expected["rule"]]
        assert facts.priority is Priority[expected["priority"].upper()]
        if expected["priority"] == "critical" and "says" in expected:
            assert facts.says == expected["says"]


def test_lambda_line_of_the_demonstration(plan: Plan) -> None:
    """The line of the invented lambda controller is believed when it says ready, and only then."""
    decoder = decoders_for(plan)[plan.feed_of("lambda").number]
    out: list[tuple[int, int, float, int]] = []
    decoder.few(0, b"lambda=0.853;state=ready\r\nlambda=0.860;state=heating\r\n", out)
    assert [(value, why == 0) for _, _, value, why in out] == [(0.853, True), (0.860, False)]
