"""Taking ready rules: by name or all that the channels allow; what is lacking, and what only the owner can give."""

from __future__ import annotations

import json
import tomllib
from importlib.resources import files
from typing import TYPE_CHECKING

import pytest

from pullwatch.checks import report
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{{ channel = "engine_speed", key = "n" }}, {{ channel = "manifold_pressure", key = "map" }},
          {{ channel = "barometric_pressure", key = "baro" }}, {{ channel = "lambda", key = "lambda" }}]

[channel.lambda]
rate_hz = 20
delay_ms = [60, 180]

[channel.manifold_pressure]
rate_hz = 50

[channel.engine_speed]
rate_hz = 50

[catalogue]
{}
"""
LEANEST = """
[limit.leanest]
along = "manifold_pressure"
at = [120, 200]
value = [0.90, 0.84]
"""
ALL = 'take = "all that my channels allow"'


def plan_of(folder: Path, catalogue: str, more: str = "") -> Plan:
    """Return the plan of the small setup with a [catalogue]."""
    path = folder / "setup.toml"
    path.write_text(SETUP.format(catalogue) + more, encoding="utf-8")
    return load(path)


def fact(plan: Plan, name: str) -> tuple[Priority, str]:
    """Return the priority and the sentence of a rule."""
    return next((facts.priority, facts.says) for facts in plan.facts if facts.name == name)


def test_a_rule_is_taken_by_name_with_what_it_rests_on(tmp_path: Path) -> None:
    """Its limit and the channels it is made from come along; nothing else does."""
    plan = plan_of(tmp_path, 'rules = ["lean under boost"]')
    assert [facts.name for facts in plan.facts if not facts.automatic] == ["lean under boost"]
    assert [limit.name for limit in plan.limits] == ["leanest"]
    assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan


def test_a_critical_rule_is_a_caution_until_its_number_is_given(tmp_path: Path) -> None:
    """It says no "Lift." on a starting value, and `check` says what to give; once given it is critical."""
    taken = 'rules = ["lean under boost"]'
    plan = plan_of(tmp_path, taken)
    assert fact(plan, "lean under boost") == (Priority.CAUTION, "Lean under boost.")
    assert "until [limit.leanest] is set to this engine's own numbers" in report(plan).text()
    assert fact(plan_of(tmp_path, taken, LEANEST), "lean under boost") == (Priority.CRITICAL, "Lean under boost. Lift.")


def test_a_starting_value_is_no_number_of_this_engine(tmp_path: Path) -> None:
    """A limit that says of itself that it is a starting value leaves what rests on it a caution."""
    plan = plan_of(tmp_path, 'rules = ["lean under boost"]', LEANEST + "starting = true\n")
    assert fact(plan, "lean under boost") == (Priority.CAUTION, "Lean under boost.")
    assert next(limit.value for limit in plan.limits if limit.name == "leanest") == (0.90, 0.84)


def test_all_that_the_channels_allow(tmp_path: Path) -> None:
    """What cannot be armed is named with what it needs; what is left out, or the owner's own, is not taken."""
    plan = plan_of(tmp_path, ALL)
    names = {facts.name for facts in plan.facts}
    assert {"lean under boost", "no mixture reading", "over-speed", "no boost reading"} <= names
    lacking = dict(plan.lacking)
    assert "needs oil_pressure" in lacking["oil pressure low"]
    assert "oil pressure low: not armed, needs oil_pressure" in report(plan).text()
    assert not names & set(lacking)
    less = plan_of(tmp_path, ALL + '\nleave_out = ["over-speed"]')
    assert "over-speed" not in {facts.name for facts in less.facts} | set(dict(less.lacking))
    own = '\n[[rule]]\nname = "over-speed"\ntrip = "engine_speed > 5000 rpm"\n'
    mine = plan_of(tmp_path, ALL, own)
    assert [facts.trip for facts in mine.facts if facts.name == "over-speed"] == ["engine_speed > 5000 rpm"]


def test_the_loss_of_a_reading_has_the_priority_of_the_moment(tmp_path: Path) -> None:
    """Manifold pressure lost under boost, or a moment after, is critical; else it is a caution."""
    plan = plan_of(tmp_path, ALL, LEANEST + '[limit.highest_pressure]\nlimits = "manifold_pressure"\nvalue = 205\n')
    lost = {facts.name: facts for facts in plan.facts if facts.trip == "manifold_pressure is lost"}
    assert lost["no boost reading"].priority is Priority.CRITICAL
    assert lost["manifold pressure lost"].priority is Priority.CAUTION
    assert lost["no boost reading"].says.endswith("Lift.")


def test_one_broken_wire_is_not_ten_alarms(tmp_path: Path) -> None:
    """What is made from a reading is not told lost beside it, nor is a window that only fills: the reading is.

    Here that is boost, its trend and least, the pressure ratio and what the two pressures are apart, the jumps of
    lambda, and the slowest of the last seconds.
    """
    plan = plan_of(tmp_path, ALL)
    assert {"boost", "boost_trend", "boost_held", "pressure_ratio", "standing_apart"} <= {
        made.channel for made in plan.derived
    }
    assert {facts.name for facts in plan.facts if facts.automatic} == {"engine_speed lost", "barometric_pressure lost"}


def test_what_is_made_is_told_lost_where_its_sources_are_not(tmp_path: Path) -> None:
    """A rule on boost alone: boost is told lost, and neither pressure it is made from."""
    path = tmp_path / "setup.toml"
    rule = '[[rule]]\nname = "boost"\ntrip = "boost > 100 kPa"\n'
    path.write_text(SETUP.partition("[catalogue]")[0].format() + rule, encoding="utf-8")
    assert [facts.name for facts in load(path).facts if facts.automatic] == ["boost lost"]


def test_no_name_stands_twice_in_the_catalogue() -> None:
    """A second limit, channel or rule of one name would silently take the place of the first."""
    names: list[tuple[str, str]] = []
    for file in (files("pullwatch") / "catalogue").iterdir():
        if not file.name.endswith(".toml"):
            continue
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        assert set(data) <= {"gate", "limit", "derived", "rule"}, file.name
        names += [(kind, name) for kind in ("gate", "limit", "derived") for name in data.get(kind, ())]
        names += [("rule", rule["name"]) for rule in data.get("rule", ())]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("catalogue", "words"),
    [
        ('rules = ["lean under bost"]', 'is no rule of the catalogue (did you mean "lean under boost"?)'),
        (ALL + '\nleave_out = ["overspeed"]', 'leave_out[1]: "overspeed" is no rule of the catalogue'),
        ("", "does not say which rules"),
        (ALL + '\nrules = ["over-speed"]', "says which rules twice"),
        ('rules = ["over-speed"]\nleave_out = ["over-speed"]', "has a meaning only beside take"),
        ('take = "everything"', "catalogue take"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, catalogue: str, words: str) -> None:
    """A wrong section is refused with its key."""
    with pytest.raises(SetupError) as found:
        plan_of(tmp_path, catalogue)
    assert words in str(found.value)
