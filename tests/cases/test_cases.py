"""Files of cases: run, compared, refused in words; and the cases of the catalogue, all of which come as expected."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.cases import beside, read_cases, run, run_cases
from pullwatch.cases.judging import spoken
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.setup.catalogue import catalogue, shipped_cases

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "engine_speed", key = "n" }, { channel = "oil_pressure", key = "p" }]

[channel.engine_speed]
rate_hz = 100
slew_per_s = []

[[rule]]
name = "oil pressure low"
while = "engine_speed > 2500 rpm"
trip = "oil_pressure < 100 kPa"
on_delay_ms = 200
priority = "critical"
says = "Oil pressure low. Lift."

[[rule]]
name = "over-speed"
trip = "engine_speed > 7000 rpm"
"""

CASE = """
[healthy]
engine_speed = 3000
oil_pressure = 300

[[case]]
name = "the pump gives up"
rule = "oil pressure low"
series.oil_pressure = "300 for 1 s, 50 for 0.5 s, 300 for 0.5 s"
expect = ["{at}"]
"""


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    """Write the small setup."""
    path = tmp_path / "setup.toml"
    path.write_text(SETUP, encoding="utf-8")
    return path


@pytest.fixture
def plan(setup: Path) -> Plan:
    """Return its plan."""
    return load(setup)


def write(folder: Path, text: str) -> Path:
    """Write a file of cases."""
    path = folder / "setup.cases.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_case_comes_as_expected(tmp_path: Path, plan: Plan) -> None:
    """The alarm comes 200 ms after the first sample below the limit, give or take 20 ms."""
    (case,) = read_cases(write(tmp_path, CASE.format(at="1.2 s")), plan)
    outcome = run(plan, case)
    assert (outcome.differs, outcome.lines) == (False, ("oil pressure low: spoke at 1.2 s as expected",))
    assert [change.t for change in spoken(plan, case)] == [1_200_000_000]


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("1.5 s", "spoke at 1.2 s (oil_pressure 50 kPa gauge against 100 kPa gauge), expected at 1.5 s ± 0.02 s: 0.3"),
        ("1 s", "0.2 s too late"),
    ],
)  # fmt: skip
def test_a_case_that_comes_otherwise_is_told(tmp_path: Path, plan: Plan, at: str, words: str) -> None:
    """When, with which value, and by how much it is off."""
    (case,) = read_cases(write(tmp_path, CASE.format(at=at)), plan)
    outcome = run(plan, case)
    assert outcome.differs
    assert words in outcome.lines[0]


def test_quiet_and_speaking_are_told_apart(tmp_path: Path, plan: Plan) -> None:
    """What should be quiet and speaks, and what should speak and is quiet, both differ."""
    loud = CASE.format(at="1.2 s").replace('["1.2 s"]', '"quiet"')
    (case,) = read_cases(write(tmp_path, loud), plan)
    assert "was expected to stay quiet" in run(plan, case).lines[0]
    mute = CASE.format(at="1.2 s").replace("50 for", "150 for")
    (case,) = read_cases(write(tmp_path, mute), plan)
    assert run(plan, case).lines == ("oil pressure low: expected at 1.2 s ± 0.02 s, and it stayed quiet",)


def test_the_command_says_how_many(setup: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file beside the setup is taken when none is named; the answer is whether all came as expected."""
    with pytest.raises(SetupError, match=r"there is no setup.cases.toml beside it"):
        run_cases(setup)
    write(setup.parent, CASE.format(at="1.2 s"))
    assert beside(setup).exists()
    assert run_cases(setup)
    assert "1 cases, all as expected." in capsys.readouterr().out
    write(setup.parent, CASE.format(at="1.4 s"))
    assert not run_cases(setup)
    assert "1 cases, 1 not as expected." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[healthy]", "[heathy]", 'heathy: this key is not known (did you mean "healthy"?)'),
        ("engine_speed = 3000", "engin_speed = 3000", '"engin_speed" is no channel of this setup'),
        ('rule = "oil pressure low"', 'rule = "oil presure low"', "is no rule of this setup"),
        ('expect = ["1.2 s"]', 'expect = ["2.2 s"]', "2.2 s is after the end of the case (2 s)"),
        ('expect = ["1.2 s"]', "expect = []", "does not say what is to come"),
        ('expect = ["1.2 s"]', 'expect = [{ at = "1 h" }]', '"1 h" is no time'),
        ('expect = ["1.2 s"]', 'expect = [{ rule = "over-speed" }]', "is not among the rules the case is about"),
        ('rule = "oil pressure low"\n', "", "The case is about more than one rule"),
        ("[[case]]", "[case]", "one case alone is still one of several"),
        ('"300 for 1 s', '"300 for 1', "is no time"),
        ('name = "the pump gives up"\n', 'name = "the pump gives up"\nlasts = "900 s"\n', "up to 600 s"),
        ('name = "the pump gives up"\n', 'name = "x"\nrate_hz.oil_pressure = 0\n', "rate_hz"),
    ],
)
def test_a_wrong_file_is_refused_with_its_line(tmp_path: Path, plan: Plan, old: str, new: str, words: str) -> None:
    """Whatever is wrong is told with the key; nothing is run."""
    text = CASE.format(at="1.2 s")
    assert old in text
    with pytest.raises(SetupError) as found:
        read_cases(write(tmp_path, text.replace(old, new)), plan)
    assert words in str(found.value)
    assert re.search(r"line \d+", str(found.value))


def test_all_shipped_cases_come_as_expected(capsys: pytest.CaptureFixture[str]) -> None:
    """Every rule of the catalogue is tried with nothing but written series: what speaks, what stays quiet, and when."""
    assert run_cases(None), capsys.readouterr().out


def test_every_rule_of_the_catalogue_has_a_loud_and_a_quiet_case() -> None:
    """One case in which it speaks and one in which it is asked and stays quiet."""
    loud: set[str] = set()
    quiet: set[str] = set()
    with shipped_cases() as (setup, paths):
        plan = load(setup)
        names = [rule.name for rule in plan.rules.rules]
        for path in paths:
            for case in read_cases(path, plan):
                speaks = {names[each.rule] for each in case.expect}
                loud |= speaks
                quiet |= {names[number] for number in case.rules} - speaks
    every = {rule.name for rule in catalogue().rules}
    assert every - loud == set()
    assert every - quiet == set()


def test_the_catalogues_numbers_are_those_of_the_trade() -> None:
    """Starting values from outside: about 12.5:1 on the 14.7 scale, 10 psi of oil for each 1,000 rpm, 12.8 V.

    Source: common practice, no source.
    """
    limits: dict[str, Any] = {}
    for each in (files("pullwatch") / "catalogue").iterdir():
        if each.name.endswith(".toml"):
            limits |= tomllib.loads(each.read_text(encoding="utf-8")).get("limit", {})
    leanest, oil = limits["leanest"], limits["least_oil"]
    assert min(leanest["value"]) <= 12.5 / 14.7 <= max(leanest["value"])
    assert (leanest["at"], leanest["value"]) == ([120, 160, 200, 240], [0.90, 0.86, 0.84, 0.83])
    assert [10.0 * rpm / 1_000.0 for rpm in oil["at"]] == oil["value"]
    assert oil["unit"] == "psi"
    assert limits["least_battery"]["value"] == 12.8
