"""The catalogue over whole evenings of the engine simulator: quiet while all is well, and in order when it is not.

Every starting value of the catalogue is common practice with no published source; the evenings are simulated.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from tests.derived.evenings import evening, readings

from pullwatch.batch import Batch
from pullwatch.setup import Plan, deriving_for, load
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.judge import Watchdog
from pullwatch_sim.evening import HERE

if TYPE_CHECKING:
    from pathlib import Path

TAKEN = """
[catalogue]
take = "all that my channels allow"

[limit.highest_speed]
value = 7000
"""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Return the demonstration's plan with the catalogue's rules in the place of its own."""
    text = (HERE / "demo_setup.toml").read_text(encoding="utf-8")
    own, rules, _ = text.partition("# The gate of everything that matters")
    assert rules
    (tmp_path / "setup.toml").write_text(own + TAKEN, encoding="utf-8")
    (tmp_path / "copper_hatch.dbc").write_bytes((HERE / "copper_hatch.dbc").read_bytes())
    return load(tmp_path / "setup.toml")


def raised(plan: Plan, name: str) -> list[tuple[float, str]]:
    """Return (seconds, rule) of every alarm of an evening, of whatever rule."""
    truth = evening(name)
    batch = Batch(int(truth.duration_s * 1e9), (), readings(truth, plan))
    deriving_for(plan).extend(batch)
    changes = Watchdog(plan.rules).judge(batch)
    return [(each.t / 1e9, plan.facts[each.rule].name) for each in changes if each.event is Event.RAISE]


@pytest.mark.parametrize("name", ["clean-evening", "short-pull", "strip-pass"])
def test_a_healthy_evening_is_quiet(plan: Plan, name: str) -> None:
    """Starts, tip-ins, launches on the limiter, shifts, lifts, spool-ups and idling raise nothing, at any priority."""
    assert sum(facts.source != "" for facts in plan.facts) > 30
    assert raised(plan, name) == []


def test_a_pump_that_gives_up_is_told_before_the_mixture_shows_it(plan: Plan) -> None:
    """Sagging, falling, low, and last the lean mixture: ahead by the whole delay of the lambda sensor."""
    times = raised(plan, "dyno-evening")
    assert [rule for _, rule in times] == [
        "fuel pressure sagging",
        "fuel pressure falling",
        "fuel differential pressure low",
        "lean under boost",
    ]
    assert times[-1][0] - times[0][0] > 0.3


def test_the_plan_needs_no_catalogue_any_more(plan: Plan) -> None:
    """As recorded and read again it judges the same: all that was taken stands in it."""
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict())))
    assert again == plan
    assert raised(again, "short-lean") == raised(plan, "short-lean") != []
