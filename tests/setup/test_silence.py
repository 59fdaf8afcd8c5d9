"""What silences a rule in the setup file: a condition that is known, and the profile."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from pullwatch.checks import report
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.watchdog.conditions import AllOf, Not, Surely

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "strip"

[[feed]]
name = "ecu"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "engine_speed", key = "rpm" }, { channel = "launch_active", key = "launch" }]

[channel.launch_active]
unit = ""

[[rule]]
name = "over-speed"
trip = "engine_speed > 7000 rpm"
"""


def plan_of(folder: Path, more: str) -> Plan:
    """Return the plan of the setup above with more keys of its rule."""
    path = folder / "setup.toml"
    path.write_text(SETUP + more)
    return load(path)


def test_a_rule_is_silent_only_while_it_is_known_to_be_so(tmp_path: Path) -> None:
    """The condition is taken into the gate, what is not known counting as no; its channel need not be known."""
    plan = plan_of(tmp_path, 'silent_while = "launch_active == 1"\n')
    gate = plan.rules.rules[0].gate
    assert isinstance(gate, Not)
    assert isinstance(gate.part, Surely)
    assert [facts.name for facts in plan.facts] == ["over-speed", "engine_speed lost"]
    assert "silent, by design, while it is known that launch_active == 1" in report(plan).text()
    assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan


def test_a_gate_and_a_silence_stand_side_by_side(tmp_path: Path) -> None:
    """Both have to let the rule speak."""
    plan = plan_of(tmp_path, 'while = "engine_speed > 500 rpm"\nsilent_while = "launch_active == 1"\n')
    assert isinstance(plan.rules.rules[0].gate, AllOf)


def test_the_profile_leaves_rules_out_and_says_so(tmp_path: Path) -> None:
    """A rule of another profile is not armed, and `check` names it."""
    plan = plan_of(tmp_path, 'profiles = ["dyno", "street"]\n')
    assert (plan.facts, plan.unarmed) == ((), ("over-speed",))
    assert "Rules not armed in the profile strip\n  over-speed" in report(plan).text()
    assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan
    assert plan_of(tmp_path, 'profiles = ["strip"]\n').unarmed == ()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            'silent_while = "lunch_active == 1"',
            'silent_while: in "lunch_active == 1" at column 1: "lunch_active" is no',
        ),
        ('profiles = ["drift"]', 'rule "over-speed" profiles'),
        ("profiles = []", 'rule "over-speed" profiles'),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, more: str, said: str) -> None:
    """A wrong condition or profile is refused with its key."""
    with pytest.raises(SetupError) as found:
        plan_of(tmp_path, more)
    assert said in str(found.value)
