"""Whatever stands in a setup file, it is either used or refused in words, and what is used survives the recording."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.checks import report
from pullwatch.errors import Problem, SetupError
from pullwatch.setup import Plan, decoders_for, load

WHOLE = """\
[car]
name = "copper hatch"
cylinders = 4
[profile]
kind = "strip"
[protection]
engine_speed = "7200 rpm"
[[feed]]
name = "box"
kind = "serial-line"
port = "serial:FT5678"
baud = 57_600
fields = [
  { channel = "lambda", key = "lambda", unit = "AFR@14.7" },
  { channel = "engine_speed", key = "rpm" },
  { channel = "manifold_pressure", key = "map", unit = "psia" },
  { channel = "throttle", key = "tps" },
  { channel = "plenum", key = "pl" },
]
ready = { key = "state", good = ["ready"] }
[channel.plenum]
unit = "kPa"
kind = "gauge"
believable = [-100, 300]
[channel.lambda]
rate_hz = 20
stale_after_ms = 300
delay_ms = [60, 180]
delay_per_cycle = true
time_constant_ms = 100
blind_while = "throttle < 5 % and engine_speed > 1500 rpm"
[limit.leanest]
along = "manifold_pressure"
at = [120, 240]
value = [0.90, 0.83]
beyond = "hold"
[limit.top]
limits = "manifold_pressure"
value = 30
unit = "psia"
[[rule]]
name = "lean"
while = "manifold_pressure > 120 kPa deadband 5 kPa or not throttle < 50 %"
trip = "lambda > leanest"
dose = "0.008 s"
at_least_samples = 2
latch = true
priority = "critical"
says = "Lean under boost. Lift."
[[rule]]
name = "over"
trip = "manifold_pressure > top + 10 kPa"
on_delay_ms = 20
off_delay_ms = 800
"""
LINES = WHOLE.splitlines()
WORDS = [
    "",
    "0",
    "-1",
    "1e400",
    "nan",
    "true",
    '""',
    "[]",
    "{}",
    '"x"',
    "[1, 2]",
    "[2, 1]",
    '"lambda"',
    '"top"',
    "1979-05-27",
    "'kPa'",
]


@st.composite
def edited(draw: st.DrawFn) -> str:
    """Return the whole setup with a few lines lost, doubled, moved or given another value."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.integers(0, 4)):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))])
            case 2:
                key = lines[at].partition("=")[0]
                lines[at] = f"{key}= {draw(st.sampled_from(WORDS))}"
            case 3:
                line = lines[at]
                place = draw(st.integers(0, len(line)))
                lines[at] = line[:place] + draw(st.text(max_size=3)) + line[place + draw(st.integers(0, 3)) :]
            case _:
                other = draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
    return "\n".join(lines)


def plan_or_problems(path: Path) -> tuple[Plan | None, tuple[Problem, ...]]:
    """Return the plan of a file, or what is wrong with it."""
    try:
        return load(path), ()
    except SetupError as refused:
        return None, refused.problems


@given(edited())
def test_used_or_refused(text: str) -> None:
    """An edited file gives a plan that survives its recording and can be reported on, or a SetupError; nothing else."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "setup.toml")
        path.write_text(text, encoding="utf-8", errors="replace")
        plan, problems = plan_or_problems(path)
        count = path.read_text(encoding="utf-8").count("\n") + 1
    assert all(0 <= problem.line <= count and problem.what for problem in problems)
    if plan is None:
        assert problems
        return
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict(), allow_nan=False)))
    assert again == plan
    assert again.rules == plan.rules
    assert set(decoders_for(again)) == {feed.number for feed in plan.feeds}
    assert report(plan).text()


def test_whole_is_right(tmp_path: Path) -> None:
    """The file the edits start from is right."""
    path = tmp_path / "setup.toml"
    path.write_text(WHOLE, encoding="utf-8")
    assert [facts.name for facts in load(path).facts[:2]] == ["lean", "over"]


@pytest.mark.parametrize("number", range(len(LINES)))
def test_each_line_lost(tmp_path: Path, number: int) -> None:
    """With any one line missing the file is used, or refused with problems."""
    path = tmp_path / "setup.toml"
    path.write_text("\n".join(LINES[:number] + LINES[number + 1 :]), encoding="utf-8")
    plan, problems = plan_or_problems(path)
    assert (plan is None) == bool(problems)
