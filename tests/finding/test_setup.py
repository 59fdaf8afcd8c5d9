"""`pullwatch setup`: the five numbers, read for sense, and the rules that rest on them."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from pullwatch.checks import CANNOT_PREVENT as SAID_BY_CHECK
from pullwatch.errors import PullwatchError
from pullwatch.finding.files import replace_whole, write_new
from pullwatch.finding.numbers import KEYS, Nonsense, Numbers, started
from pullwatch.finding.questions import run_setup
from pullwatch.finding.telling import CANNOT_PREVENT, MARK
from pullwatch.setup import load
from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

PSI_IN_KPA = 6.894757
"""NIST SP 811 conversion factors (computed)."""

FEED = """[car]
name = "copper hatch"

[[feed]]
name = "all"
kind = "serial-line"
port = "serial:FT5678"
fields = [
{fields}
]
"""
ALL = ("lambda", "manifold_pressure", "barometric_pressure", "engine_speed", "oil_pressure", "fuel_pressure")
ANSWERS = (
    "barometric_pressure=98 kPa",
    "highest_manifold_pressure=1.1 bar",
    "lambda_limit=0.90 at 120, 0.84 at 200 kPa",
    "oil_pressure=25 psi at 2500, 57 psi at 5700 rpm",
    "highest_engine_speed=7,400 rpm",
    "base_fuel_pressure=3 bar",
    "cut_manifold_pressure=225 kPa",
    "cut_engine_speed=7200 rpm",
)
CRITICAL = {
    "lean under boost",
    "no mixture reading",
    "overboost",
    "overboost, far",
    "oil pressure low",
    "over-speed",
    "fuel differential pressure low",
}


def begun(folder: Path, channels: tuple[str, ...] = ALL, guessed: tuple[str, ...] = (), more: str = "") -> Path:
    """Write a setup with one feed that gives `channels`, some of them still guesses."""
    fields = "\n".join(
        f'    {{ channel = "{name}", key = "{name}" }},' + (f"  # {MARK}" if name in guessed else "")
        for name in channels
    )
    path = folder / "setup.toml"
    path.write_text(FEED.format(fields=fields) + more, encoding="utf-8")
    return path


def critical(plan: Plan) -> set[str]:
    """Return the critical rules."""
    return {facts.name for facts in plan.facts if facts.priority is Priority.CRITICAL}


def test_five_answers_arm_every_rule(tmp_path: Path) -> None:
    """All numbers known and nothing guessed: every rule that rests on them is critical, in the units of the plan."""
    path = begun(tmp_path)
    run_setup(path, said=ANSWERS)
    plan = load(path)
    assert critical(plan) == CRITICAL
    limits = {limit.name: limit for limit in plan.limits}
    assert limits["highest_pressure"].value == (208.0,)
    assert (limits["leanest"].at, limits["leanest"].value) == ((120.0, 200.0), (0.90, 0.84))
    assert limits["least_oil"].value == pytest.approx((25 * PSI_IN_KPA, 57 * PSI_IN_KPA), abs=0.5)
    assert limits["highest_speed"].value == (7_400.0,)
    assert limits["base_fuel_pressure"].value == (300.0,)
    assert plan.protection == {"manifold_pressure": 225.0, "engine_speed": 7_200.0}


def test_what_is_not_known_is_a_caution_with_its_reason(tmp_path: Path) -> None:
    """Without an answer the rules stand, tell, and never say "Lift"; only the lost mixture needs no number."""
    path = begun(tmp_path)
    run_setup(path, said=("highest_engine_speed=7400 rpm", "lambda_limit=unknown"))
    plan = load(path)
    assert critical(plan) == {"over-speed", "no mixture reading"}
    assert all("Lift" not in facts.says for facts in plan.facts if facts.priority is not Priority.CRITICAL)
    text = path.read_text(encoding="utf-8")
    assert "A caution only: the lambda limit is not known yet" in text
    assert '# When that is settled: priority = "critical", says = "Lean under boost. Lift."' in text


def test_ready_rules_are_no_more_armed_on_a_starting_value(tmp_path: Path) -> None:
    """What is not known is marked in its limit, so that rules taken from the catalogue beside it are cautions too."""
    path = begun(tmp_path)
    run_setup(path, said=("highest_engine_speed=7400 rpm", "base_fuel_pressure=3 bar"))
    text = path.read_text(encoding="utf-8")
    assert text.count("starting = true") == 3
    path.write_text(text + '\n[catalogue]\ntake = "all that my channels allow"\n', encoding="utf-8")
    plan = load(path)
    asked = {facts.name for facts in plan.facts if facts.asked is Priority.CRITICAL}
    assert {"lean under boost, far", "no boost reading"} <= asked
    assert {"fuel differential pressure low", "over-speed", "no boost reading"} <= critical(plan)
    assert "lean under boost, far" not in critical(plan)


def test_no_rule_is_armed_on_a_guess(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A channel whose line bears the mark of a guess leaves each rule on it, gates and all, a caution."""
    path = begun(tmp_path, guessed=("barometric_pressure", "oil_pressure"))
    run_setup(path, said=ANSWERS)
    assert critical(load(path)) == {"overboost", "overboost, far", "over-speed"}
    assert "barometric_pressure is a guess so far" in capsys.readouterr().out


def test_what_is_made_of_a_guess_is_one(tmp_path: Path) -> None:
    """A differential pressure made of a fuel pressure nobody confirmed arms nothing either."""
    path = begun(tmp_path, guessed=("fuel_pressure",))
    run_setup(path, said=ANSWERS)
    assert critical(load(path)) == CRITICAL - {"fuel differential pressure low"}


def test_a_file_somebody_wrote_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    """Writing looks at the last moment whether the file is there."""
    path = begun(tmp_path)
    before = path.read_text()
    with pytest.raises(PullwatchError, match="not overwritten"):
        write_new(path, FEED.format(fields='{ channel = "lambda", key = "lambda" }'))
    assert path.read_text() == before
    with pytest.raises(PullwatchError, match="stays as it was"):
        replace_whole(path, "[car]")
    assert path.read_text() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_confirmed_guess_arms_and_loses_its_mark(tmp_path: Path) -> None:
    """`confirmed` names channels a person has held against the device; the file says so from then on."""
    path = begun(tmp_path, guessed=ALL)
    run_setup(path, said=(*ANSWERS, "confirmed=oil_pressure, engine_speed"))
    assert critical(load(path)) == {"oil pressure low", "over-speed"}
    lines = path.read_text(encoding="utf-8").splitlines()
    (oil,) = [line for line in lines if '"oil_pressure", key' in line]
    assert MARK not in oil
    assert sum(MARK in line and "channel = " in line for line in lines) == 4


def test_all_guesses_may_be_confirmed_at_once(tmp_path: Path) -> None:
    """`confirmed=all` is every guess of the file."""
    path = begun(tmp_path, guessed=ALL)
    run_setup(path, said=(*ANSWERS, "confirmed=all"))
    assert critical(load(path)) == CRITICAL


def test_what_stands_in_the_file_is_left_as_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Limits, rules and cuts that are there already keep their numbers; comments and all else stay byte for byte."""
    own = (
        '\n[protection]\nengine_speed = "6900 rpm"   # mine\n\n[limit.highest_speed]\nlimits = "engine_speed"\n'
        'value = 6700\n\n[[rule]]\nname = "over-speed"\ntrip = "engine_speed > highest_speed"\n'
    )
    path = begun(tmp_path, more=own)
    before = path.read_text(encoding="utf-8")
    run_setup(path, said=ANSWERS)
    plan = load(path)
    assert plan.protection == {"manifold_pressure": 225.0, "engine_speed": 6_900.0}
    assert {limit.name: limit.value for limit in plan.limits}["highest_speed"] == (6_700.0,)
    printed = capsys.readouterr().out
    assert 'rule "over-speed"' in printed
    assert "[protection] has engine_speed already, line" in printed
    after = path.read_text(encoding="utf-8").replace('manifold_pressure = "225 kPa"\n', "", 1)
    assert after.startswith(before)
    again = path.read_text(encoding="utf-8")
    run_setup(path, said=ANSWERS)
    assert load(path).facts == plan.facts
    assert path.read_text(encoding="utf-8").startswith(again.rstrip("\n"))


def test_rules_without_their_channels_are_left_out_and_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A setup with lambda and pressure only gets what can be judged by them; the rest is named."""
    path = begun(tmp_path, ("lambda", "manifold_pressure"))
    run_setup(path, said=ANSWERS)
    assert critical(load(path)) == {"lean under boost", "no mixture reading", "overboost", "overboost, far"}
    printed = capsys.readouterr().out
    assert "oil pressure: left out, no feed gives oil_pressure and engine_speed" in printed
    assert 'while = "manifold_pressure > 118 kPa deadband 10 kPa"' in path.read_text(encoding="utf-8")


def test_a_setup_with_boost_only_needs_the_barometric_pressure(tmp_path: Path) -> None:
    """Absolute answers are brought to gauge by the barometric pressure that is said; without it nothing is written."""
    path = begun(tmp_path, ("lambda", "boost"))
    before = path.read_text()
    with pytest.raises(PullwatchError, match="barometric_pressure"):
        run_setup(path, said=("highest_manifold_pressure=208 kPa",))
    assert path.read_text() == before
    run_setup(path, said=("barometric_pressure=98 kPa", *ANSWERS[1:3]))
    limits = {limit.name: limit for limit in load(path).limits}
    assert limits["highest_pressure"].value == pytest.approx((110.0,))
    assert limits["leanest"].at == pytest.approx((22.0, 102.0))


def test_a_new_file_loads_and_arms_nothing(tmp_path: Path) -> None:
    """A setup begun from nothing is to be filled in: every field is a guess, so no rule of it is critical."""
    path = tmp_path / "setup.toml"
    run_setup(path, said=(*ANSWERS, "car=copper hatch", "port=serial:FT5678"), lister=list)
    plan = load(path)
    assert plan.car.name == "copper hatch"
    assert plan.feeds[0].options.port == "serial:FT5678"
    assert critical(plan) == set()
    assert plan.protection["engine_speed"] == 7_200.0
    run_setup(path, said=(*ANSWERS, "confirmed=all"))
    assert load(path).feeds[0].options.port == "serial:FT5678"


@pytest.mark.parametrize(
    ("key", "text", "says"),
    [
        ("highest_manifold_pressure", "105 kPa", "gauge meant"),
        ("highest_manifold_pressure", "1.2 bar", "barometric_pressure"),
        ("highest_manifold_pressure", "205", "no unit"),
        ("highest_manifold_pressure", "2000 kPa", "Look at the unit"),
        ("highest_manifold_pressure", "much", "no number"),
        ("highest_manifold_pressure", "205 rpm", "no unit of pressure"),
        ("lambda_limit", "12.0 at 160 kPa", "scale"),
        ("lambda_limit", "1.1", "nothing is guarded"),
        ("lambda_limit", "0.83 at 120, 0.90 at 240 kPa", "swapped"),
        ("lambda_limit", "0.90 at 240, 0.83 at 120 kPa", "rise"),
        ("lambda_limit", "0,90 at 120 kPa", "with a point"),
        ("lambda_limit", "0.90, 0.83", "no point of a curve"),
        ("lambda_limit", "0.9 at 120", "no unit"),
        ("oil_pressure", "57 psi at 2500, 25 psi at 5700 rpm", "swapped"),
        ("oil_pressure", "57 kPaa", "no unit of gauge pressure"),
        ("oil_pressure", "40 bar at 3000 rpm", "expected of hot oil"),
        ("highest_engine_speed", "700 rpm", "3,000 to 12,000"),
        ("highest_engine_speed", "7000", "no unit"),
        ("base_fuel_pressure", "3 psi", "across the injector"),
        ("barometric_pressure", "30 kPa", "no barometric pressure"),
        ("cut_lambda", "14.7 AFR", "scale"),
    ],
)
def test_nonsense_is_refused_in_words(key: str, text: str, says: str) -> None:
    """What cannot be meant is not taken, and the words say what was expected."""
    numbers = Numbers()
    with pytest.raises(Nonsense, match=says):
        numbers.take(key, text)
    assert numbers == Numbers()


@pytest.mark.parametrize(
    ("text", "kpa"),
    [
        ("208 kPa", 208.0),
        ("1.1 bar", 208.0),
        ("1.1 bar gauge", 208.0),
        ("2.08 bara", 208.0),
        ("2.08 bar absolute", 208.0),
        ("110 kPa gauge", 208.0),
        ("15 psi", 98 + 15 * PSI_IN_KPA),
        ("30 psia", 30 * PSI_IN_KPA),
    ],
)
def test_gauge_and_absolute_are_brought_together(text: str, kpa: float) -> None:
    """A gauge pressure counts from the barometric pressure that was said (NIST SP 811 for the psi)."""
    numbers = Numbers()
    numbers.take("barometric_pressure", "980 hPa")
    numbers.take("highest_manifold_pressure", text)
    assert numbers.highest_pressure == pytest.approx(kpa, abs=1e-3)


def test_an_air_fuel_limit_is_divided_by_its_scale() -> None:
    """12.5 on a scale of 14.7 is lambda 0.850 (computed: lambda = air-fuel number / scale)."""
    numbers = Numbers()
    numbers.take("lambda_limit", "12.5 AFR@14.7 at 160 kPa; 12.0 AFR@14.7 at 240 kPa")
    assert numbers.lambda_limit is not None
    assert numbers.lambda_limit.value == pytest.approx((12.5 / 14.7, 12.0 / 14.7))


def test_every_starting_value_makes_sense() -> None:
    """What is shown as a start passes the same questions as an answer."""
    numbers = started()
    assert None not in (numbers.highest_pressure, numbers.lambda_limit, numbers.oil_pressure)
    assert None not in (numbers.highest_speed, numbers.base_fuel)
    assert numbers.doubts() == []


def test_answers_are_held_against_each_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A cut below the highest pressure, or a limiter above the highest speed, is told."""
    path = begun(tmp_path)
    run_setup(
        path,
        said=(
            "highest_manifold_pressure=230 kPa",
            "cut_manifold_pressure=225 kPa",
            "highest_engine_speed=7000 rpm",
            "cut_engine_speed=7200 rpm",
        ),
    )
    printed = capsys.readouterr().out
    assert "the cut comes first" in printed
    assert "every touch of the limiter" in printed


def test_all_wrong_answers_are_told_at_once_and_nothing_is_written(tmp_path: Path) -> None:
    """An answers file is refused whole."""
    path = begun(tmp_path)
    before = path.read_text()
    answers = tmp_path / "answers.toml"
    answers.write_text('highest_engine_speed = "70 rpm"\nbase_fuel_pressure = "3 psi"\n')
    with pytest.raises(PullwatchError, match=r"2 answers(?s:.)*highest_engine_speed(?s:.)*base_fuel_pressure"):
        run_setup(path, answers=answers)
    answers.write_text('oil_presure = "4 bar"\nbase_fuel_pressure = 3\n')
    with pytest.raises(PullwatchError, match=r'did you mean "oil_pressure"(?s:.)*not in quotes'):
        run_setup(path, answers=answers)
    with pytest.raises(PullwatchError, match="no channel is called lamda"):
        run_setup(path, said=("confirmed=lamda",))
    assert path.read_text() == before


def test_the_questions_are_asked_one_by_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nonsense is asked again with its reason, Enter alone is "not known", guesses are shown and confirmed."""
    path = begun(tmp_path, guessed=("engine_speed",))
    asked: list[str] = []
    answers = iter(["yes", "98 kPa", "", "7200 rpm", "", "1.1 bar", "", "", "7000", "7400 rpm", "3 bar"])

    def ask(words: str) -> str:
        asked.append(words)
        return next(answers)

    run_setup(path, ask=ask)
    assert critical(load(path)) == CRITICAL - {"lean under boost", "oil pressure low"}
    assert load(path).protection == {"engine_speed": 7_200.0}
    assert 'channel = "engine_speed"' in asked[0]
    assert sum("A starting value:" in words for words in asked) == 6
    printed = capsys.readouterr().out
    assert '"7000" has no unit' in printed
    assert CANNOT_PREVENT in printed


def test_the_sentence_is_that_of_check() -> None:
    """Two commands say it in one wording."""
    assert CANNOT_PREVENT == SAID_BY_CHECK


def test_without_a_terminal_the_keys_are_told(tmp_path: Path) -> None:
    """A script that forgot its answers is told what can be answered; a wrong setup is refused by its line."""
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "setup", str(tmp_path / "setup.toml")],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 2
    assert all(key in done.stderr for key in KEYS)
    assert not list(tmp_path.iterdir())


def test_from_the_command_line(tmp_path: Path) -> None:
    """`setup --set`, then `check`: what was written is accepted whole; `listen` at nothing is refused in words."""
    path = tmp_path / "setup.toml"

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "pullwatch", *arguments],
            capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    assert (
        run("setup", str(path), "--set", "highest_engine_speed=7400 rpm", "--set", "car=copper hatch").returncode == 0
    )
    assert run("check", str(path)).returncode == 0
    lost = run("listen", str(tmp_path / "no-port"))
    assert lost.returncode == 2
    assert "is not there" in lost.stderr
    assert "Traceback" not in lost.stderr
