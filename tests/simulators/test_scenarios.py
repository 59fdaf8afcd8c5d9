"""Scenario files: read whole or refused with a sentence that says where and what was expected."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from pullwatch_sim import truth
from pullwatch_sim.scenarios import ScenarioError, fault_on_command_line, load, names, read

if TYPE_CHECKING:
    from pathlib import Path

GOOD: dict[str, Any] = {
    "name": "a",
    "stage": [{"do": "start"}, {"do": "pull", "name": "pull 1"}],
    "fault": [{"kind": "lambda_cable_off", "start": {"stage": "pull 1"}}],
    "expected": [{"rule": "no mixture reading", "after": "lambda_cable_off", "until_s": 1.0}],
}


def test_the_scenarios_that_come_along() -> None:
    """Each file is named as its scenario, and says what it is about."""
    assert {"dyno-evening", "clean-evening", "short-pull", "short-lean", "strip-pass"} <= set(names())
    for name in names():
        scenario = load(name)
        assert scenario.name == name
        assert scenario.says
    assert load("clean-evening").faults == ()
    assert load("clean-evening").expected == ()


def test_defaults_are_filled_in() -> None:
    """What a stage or a fault leaves out has its default."""
    scenario = read(GOOD)
    assert scenario.stages[1].options["to_rpm"] == 6_500.0
    assert scenario.faults[0].name == "lambda_cable_off"
    assert scenario.place["barometric_kpa"] == 98.9
    assert scenario.expected[0].required


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"stages": []}, 'key of the scenario: "stages" is not known; did you mean "stage"?'),
        ({"stage": [{"do": "pul"}]}, 'do of stage 1: "pul" is not known; did you mean "pull"?'),
        (
            {"stage": [{"do": "idle", "fro_s": 2}]},
            'option of stage 1 (idle): "fro_s" is not known; did you mean "for_s"?',
        ),
        ({"stage": [{"do": "idle", "for_s": "2"}]}, "for_s of stage 1 (idle) should be a number, not '2'"),
        (
            {"stage": [{"do": "idle"}, {"do": "idle"}]},
            "stages of one name cannot be told apart: idle; give each its name",
        ),
        ({"stage": [{"do": "shift", "cut": "air"}]}, 'cut of stage 1: "air" is not known'),
        ({"on": "water"}, 'on = "water": expected "dyno" or "road"'),
        ({"confounders": ["wall_fil"]}, 'confounder: "wall_fil" is not known; did you mean "wall_film"?'),
        ({"place": {"ambient": 3}}, 'key of place: "ambient" is not known; did you mean "ambient_c"?'),
        ({"fault": [{"kind": "gremlins", "start": {}}]}, 'kind of fault 1: "gremlins" is not known'),
        ({"fault": [{"kind": "charging_lost"}]}, "fault 1 needs kind and start"),
        ({"fault": [{"kind": "charging_lost", "start": 3}]}, "start of fault 1 should be a table"),
        (
            {"fault": [{"kind": "charging_lost", "start": {"stage": "pull 2"}}]},
            'stage of fault charging_lost: "pull 2" is not known; did you mean "pull 1"?',
        ),
        ({"fault": [{"kind": "boost_leak", "start": {}, "shar": 1}]}, 'did you mean "share"?'),
        ({"expected": [{"rule": "lean"}]}, 'expected 1 lacks "after"'),
        (
            {"expected": [{"rule": "lean", "after": "x", "until_s": 1, "priority": "loud"}]},
            'priority of expected 1: "loud" is not known; expected one of critical, caution, note',
        ),
    ],
)
def test_what_is_wrong_is_said(change: dict[str, Any], says: str) -> None:
    """A scenario that cannot be played names the place and the nearest word."""
    with pytest.raises(ScenarioError) as caught:
        read({**GOOD, **change})
    assert says in str(caught.value)


def test_a_missing_part_is_named() -> None:
    """A scenario without stages is none."""
    with pytest.raises(ScenarioError, match='lacks "stage"'):
        read({"name": "a"})


def test_a_wrong_file_is_named(tmp_path: Path) -> None:
    """Errors in a file begin with its path; a name that is no scenario lists those that are."""
    path = tmp_path / "evening.toml"
    path.write_text("name = ", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"evening\.toml: "):
        load(str(path))
    with pytest.raises(ScenarioError, match=r'no scenario "dyno"; there are clean-evening, dyno-evening'):
        load("dyno")


def test_a_lift_must_name_a_fault() -> None:
    """A driver cannot lift after a fault that the scenario does not have."""
    wrong = {**GOOD, "stage": [{"do": "pull", "name": "pull 1", "lift_after_fault": "cable"}]}
    with pytest.raises(ScenarioError, match='lift_after_fault of pull 1: "cable" is not known'):
        read(wrong)


def test_moments_that_never_come_are_told() -> None:
    """A fault that never begins, and an alarm after something that never happens, are mistakes in the scenario."""
    idle = {"name": "a", "stage": [{"do": "start"}]}
    late = {**idle, "fault": [{"kind": "charging_lost", "start": {"rpm_above": 9_000}}]}
    with pytest.raises(ScenarioError, match="the moment of these faults never came: charging_lost"):
        truth.simulate(read(late))
    vain = {**idle, "expected": [{"rule": "lean", "after": "lean in start", "until_s": 1.0}]}
    with pytest.raises(ScenarioError, match='nothing called "lean in start" happened'):
        truth.simulate(read(vain)).expected()


def test_a_pull_that_cannot_end_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pull to a speed behind the limiter would last for ever: refused after the longest evening there is."""
    monkeypatch.setattr(truth, "LONGEST_S", 20.0)
    endless = {"name": "a", "stage": [{"do": "start"}, {"do": "pull", "to_rpm": 9_000}]}
    with pytest.raises(ScenarioError, match="a: stage pull does not end"):
        truth.simulate(read(endless))


@pytest.mark.parametrize("text", ["lambda_garbage 3", "lambda_garbage a b", "lambda_garbage 1 2 share"])
def test_fault_on_the_command_line_is_checked(text: str) -> None:
    """A fault that cannot be read shows the form expected."""
    with pytest.raises(ScenarioError, match='expected "KIND FROM_S UNTIL_S option=value'):
        fault_on_command_line(text)


def test_fault_on_the_command_line() -> None:
    """Numbers and words are read by the option's kind."""
    fault = fault_on_command_line("sensor_value 2 4.5 channel=throttle value=7")
    assert (fault.kind, fault.options) == ("sensor_value", {"channel": "throttle", "value": 7.0})
    assert fault.stop is not None
    assert (fault.start.at_s, fault.stop.at_s) == (2.0, 4.5)
    with pytest.raises(ScenarioError, match="value should be a number, not high"):
        fault_on_command_line("sensor_value 2 4 channel=throttle value=high")


def test_truth_program_writes_both_forms(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same curves come out as CSV and NPZ, and the story as JSON."""
    text, packed = tmp_path / "t.csv", tmp_path / "t.npz"
    assert truth.main(["--scenario", "short-lean", "--out", str(text), "--step-ms", "100", "--expected"]) == 0
    assert truth.main(["--scenario", "short-lean", "--out", str(packed), "--step-ms", "100"]) == 0
    story = json.loads(capsys.readouterr().out)
    assert [row["rule"] for row in story["expected"] if row["required"]] == [
        "fuel pressure falling",
        "lean under boost",
    ]
    assert story["faults"][0]["name"] == "fuel pump"
    head, *rows = text.read_text(encoding="utf-8").splitlines()
    with np.load(packed) as file:
        assert head.split(",")[0] == "t_s"
        assert set(head.split(",")) == set(file.files)
        assert len(rows) == len(file["t_s"]) == round(story["duration_s"] * 10 + 0.4999)
        column = head.split(",").index("engine_speed")
        assert float(rows[50].split(",")[column]) == pytest.approx(file["engine_speed"][50], rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "nothing to do"),
        (["--out", "x.txt"], "expected a name that ends in .csv or .npz"),
        (["--out", "x.csv", "--step-ms", "0"], "expected 1 or more"),
        (["--expected", "--confounders", "gremlins"], '"gremlins" is not known'),
    ],
)
def test_truth_program_says_what_is_wrong(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong command line ends with a sentence."""
    with pytest.raises(SystemExit):
        truth.main(["--scenario", "short-pull", *arguments])
    assert says in capsys.readouterr().err
