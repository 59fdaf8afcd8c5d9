"""Wrong diagnostics feeds: what is refused, in which words, and what is said of a right one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.checks import check
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

RIGHT = """\
[car]
name = "copper hatch"

[[feed]]
name = "diagnostics"
kind = "diagnostics"
port = "serial:CH42"
transmit = true
channels = { engine_speed = "0C", manifold_pressure = "0B", lambda = "34", lambda_target = "44" }

[channel.engine_speed]
rate_hz = 5
[channel.manifold_pressure]
rate_hz = 5
[channel.lambda]
rate_hz = 5
[channel.lambda_target]
rate_hz = 5
"""


def told(write: Callable[[str], Path], *changes: tuple[str, str]) -> list[str]:
    """Return what is told about the right setup after some changes."""
    text = RIGHT
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    with pytest.raises(SetupError) as found:
        load(write(text))
    return [str(problem) for problem in found.value.problems]


def test_a_right_one_is_taken_and_kept(write: Callable[[str], Path]) -> None:
    """The plan holds the feed whole, and gives it back from its record."""
    plan = load(write(RIGHT))
    again = Plan.from_dict(plan.to_dict())
    assert again.feeds == plan.feeds
    assert again.feeds[0].options.gives == ("engine_speed", "manifold_pressure", "lambda", "lambda_target")


def test_without_transmit_it_is_refused_with_what_that_means(write: Callable[[str], Path]) -> None:
    """Left out or false: it is said that it would send, that it gives nothing otherwise, and what to write."""
    for change in (("transmit = true\n", ""), ("transmit = true", "transmit = false")):
        (problem,) = told(write, change)
        assert 'feed "diagnostics" transmit' in problem
        assert "diagnostics give nothing that is not asked for" in problem
        assert "would put requests on the car's bus" in problem
        assert "Write transmit = true if it may, or take the feed out." in problem


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ('"0C"', '"C"', 9, '"C" does not begin with a PID'),
        ('"34"', '"34.amps"', 9, 'write one of "34.lambda", "34.current"'),
        ('"34"', '"34@7DF"', 9, '"@7DF" is no control unit'),
        ('"0C"', '"0B"', 9, "PID 0B is manifold pressure, absolute pressure; engine_speed is rotational speed."),
        ('manifold_pressure = "0B"', 'boost = "0B"', 9, "absolute pressure; boost is gauge pressure"),
        ('manifold_pressure = "0B"', 'manifold_pressure = "10"', 9, "in g/s; manifold_pressure is in kPa"),
        ('lambda = "34"', 'lambda = "44"', 9, "is what the controller wants, not what a sensor says"),
        ('manifold_pressure = "0B"', 'manifold_pressure = "70.commanded_a"', 9, "what the controller wants"),
        ('lambda_target = "44"', 'lambda_target = "34"', 9, "lambda is read from 34 already"),
        (
            "[channel.lambda]\nrate_hz = 5",
            "[channel.lambda]",
            9,
            "lambda is asked for 5 times a second and stale after",
        ),
        ('"serial:CH42"', '"http://CH42"', 7, "is not a way pullwatch opens ports"),
        ("transmit = true", 'transmit = true\nadapter = "slcam"', 9, 'no CAN adapter "slcam"'),
        ("transmit = true", "transmit = true\nbitrate = 83_000", 9, "no command for a bitrate of 83_000"),
        ("transmit = true", "transmit = true\nrates = { lamda = 4 }", 9, '"lamda" is no channel of this feed'),
        ("transmit = true", "transmit = true\nrates = { lambda = 40 }", 9, "must be at most 20"),
        ("transmit = true", "transmit = true\npids_per_request = 7", 9, "must be at most 6"),
        ("transmit = true", "transmit = true\ntransmits = true", 9, 'did you mean "transmit"?'),
    ],
)
def test_what_is_wrong_is_said_where(write: Callable[[str], Path], old: str, new: str, line: int, said: str) -> None:
    """Each fault is told at its line, with what was expected."""
    problems = told(write, (old, new))
    assert any(said in problem for problem in problems), problems
    assert any(f"line {line}," in problem for problem in problems if said in problem), problems


def test_no_channels(write: Callable[[str], Path]) -> None:
    """A feed that asks for nothing is refused."""
    text = RIGHT.partition("channels =")[0] + "channels = {}\n"
    with pytest.raises(SetupError, match="names no channel"):
        load(write(text))


def test_what_check_says_of_it(write: Callable[[str], Path]) -> None:
    """It is said that it sends, when it pauses, what it asks for how often, and that 255 kPa is the end."""
    report = check(write(RIGHT)).text()
    for said in (
        "SENDS requests on the bus",
        "pauses while the car moves; identifiers auto, to all control units, one PID each",
        "manifold_pressure: 0B, manifold pressure, asked for at 5 Hz",
        "it SENDS diagnostics requests on the bus of serial:CH42",
        "its adapter takes part in the bus: at a wrong bit rate it disturbs it",
        "wheels turning on a roller are a car that moves",
        "1 to 6 times a second, late and one after the other (common practice, no source)",
        "never the only source of a lean or an overboost alarm",
        "manifold_pressure from PID 0B ends at 255 kPa absolute",
    ):
        assert said in report, said
    moving = RIGHT.replace("transmit = true", "transmit = true\nwhile_moving = true")
    report = check(write(moving)).text()
    assert "It goes on while the car moves, because the setup says so." in report
    assert "wheels turning" not in report


def test_more_than_a_car_answers_is_said(write: Callable[[str], Path]) -> None:
    """More requests a second than cars answer are a caution; several PIDs a request make up for it."""
    fast = RIGHT.replace("transmit = true", "transmit = true\nrates = { lambda = 10 }")
    assert "it is to ask 25 times a second; few cars answer more than 20" in check(write(fast)).text()
    several = fast.replace("transmit = true", "transmit = true\npids_per_request = 4")
    assert "few cars answer more" not in check(write(several)).text()


def test_a_lean_rule_on_it_alone_is_for_the_record(write: Callable[[str], Path]) -> None:
    """A critical lean rule fed at 2 Hz comes too late to be critical, and check says so."""
    slow = RIGHT.replace("[channel.lambda]\nrate_hz = 5", "[channel.lambda]\nrate_hz = 2")
    slow = slow.replace("transmit = true", "transmit = true\nrates = { lambda = 2 }")
    rule = """
[[rule]]
name = "lean"
trip = "lambda > 0.90 lambda"
dose = "0.008 s"
priority = "critical"
says = "Lean. Lift."
"""
    report = check(write(slow + rule)).text()
    assert "asked to be critical" in report
