"""Rules that are allowed and cannot mean what their owner thinks are named, each with its line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.checks import report
from pullwatch.setup import load
from pullwatch.setup.linting import remarks

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """[car]
name = "copper hatch"

[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:47998"
fields = [{ channel = "lambda", key = "lambda" }]

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "engine_speed", key = "n" }, { channel = "oil_pressure", key = "p" },
          { channel = "battery_voltage", key = "u" }]
"""


def said(folder: Path, *rules: str) -> list[str]:
    """Return the remarks on rules; the first stands at line 17."""
    path = folder / "setup.toml"
    text = SETUP
    for number, rule in enumerate(rules):
        text += f'\n[[rule]]\nname = "rule {number}"\n{rule}\n'
    path.write_text(text, encoding="utf-8")
    return [str(remark) for remark in remarks(load(path))]


CRITICAL = '\npriority = "critical"\nsays = "Wrong. Lift."'


WRONG: list[tuple[list[str], int, str]] = [
    (
        ['while = "lambda > 1.1 lambda and lambda < 1 lambda"\ntrip = "oil_pressure < 100 kPa"'],
        0,
        "is never armed: its while asks for what cannot be at one time (lambda > 1.1 lambda and lambda < 1 lambda).",
    ),
    (
        ['while = "engine_speed < 1000 rpm"\ntrip = "engine_speed > 7000 rpm"'],
        0,
        "can never be raised: engine_speed > 7000 rpm is never so while engine_speed < 1000 rpm.",
    ),
    (
        ['trip = "battery_voltage < 12.8 V deadband 10 V"'],
        0,
        "can never clear: with its deadband the way back is 22.8 V, beyond what is believed of battery_voltage.",
    ),
    (
        ['trip = "engine_speed > 7000 rpm"', f'trip = "engine_speed > 6800 rpm"{CRITICAL}'],
        0,
        'says nothing new: rule "rule 1", more urgent, is always there first or at the same time.',
    ),
    (
        ['trip = "engine_speed > 7000 rpm"', 'trip = "engine_speed > 7000 rpm"'],
        1,
        'asks the same as rule "rule 0": one of them is enough.',
    ),
    (
        ['trip = "oil_pressure is lost"', 'trip = "oil_pressure is lost"\non_delay_ms = 100'],
        1,
        'says nothing new: rule "rule 0", as urgent, is always there first or at the same time.',
    ),
]


@pytest.mark.parametrize(("rules", "which", "words"), WRONG)
def test_what_cannot_be_meant_is_named_with_its_line(tmp_path: Path, rules: list[str], which: int, words: str) -> None:
    """Never armed, never raised, never cleared, shadowed, and the same twice."""
    assert said(tmp_path, *rules) == [f'line {17 + 4 * which}: rule "rule {which}" {words}']


@pytest.mark.parametrize(
    "rules",
    [
        # Tiers, the milder first; the same limit later but more urgent; another way, another gate, another channel.
        ['trip = "engine_speed > 6800 rpm"', f'trip = "engine_speed > 7000 rpm"{CRITICAL}'],
        ['trip = "engine_speed > 7000 rpm"', f'trip = "engine_speed > 7000 rpm"\non_delay_ms = 300{CRITICAL}'],
        ['trip = "oil_pressure < 100 kPa"', 'trip = "oil_pressure > 900 kPa"'],
        [
            'trip = "oil_pressure < 100 kPa"\non_delay_ms = 1000',
            'while = "engine_speed > 2500 rpm"\ntrip = "oil_pressure < 200 kPa"',
        ],
        ['while = "engine_speed > 500 rpm or engine_speed < 400 rpm"\ntrip = "battery_voltage < 12 V deadband 1 V"'],
        ['while = "not (engine_speed > 500 rpm)"\ntrip = "engine_speed > 600 rpm"'],
        ['trip = "oil_pressure < 100 kPa"', 'trip = "oil_pressure < 100 kPa"\ndose = "1 s"'],
    ],
)
def test_what_may_be_meant_is_left_alone(tmp_path: Path, rules: list[str]) -> None:
    """Nothing is said that does not follow from the numbers."""
    assert said(tmp_path, *rules) == []


def test_a_critical_rule_on_the_controllers_sensors_alone_is_named(tmp_path: Path) -> None:
    """What misleads the controller misleads the rule; one that has a sensor of its own besides is left alone."""
    text = SETUP.replace('"dash"\nkind = "serial-line"\nport = "socket://127.0.0.1:47999"', '"dash"\nkind = "X"')
    assert text != SETUP
    path = tmp_path / "setup.toml"
    (tmp_path / "ecu.dbc").write_text(DBC, encoding="utf-8")
    path.write_text(
        SETUP.partition('[[feed]]\nname = "dash"')[0]
        + '[[feed]]\nname = "ecu"\nkind = "can"\nport = "socket://127.0.0.1:47999"\ndbc = "ecu.dbc"\n'
        + 'channels = { engine_speed = "Engine.Speed" }\n'
        + f'\n[[rule]]\nname = "fast"\ntrip = "engine_speed > 7000 rpm"{CRITICAL}\n'
        + f'\n[[rule]]\nname = "lean"\nwhile = "engine_speed > 2000 rpm"\ntrip = "lambda > 1.0 lambda"{CRITICAL}\n',
        encoding="utf-8",
    )
    plan = load(path)
    assert remarks(plan) == []
    assert 'On the controller\'s own sensors alone (feed "ecu") rest: "fast" (line 17). What' in report(plan).text()


DBC = """VERSION ""

BU_: Ecu

BO_ 256 Engine: 8 Ecu
 SG_ Speed : 0|16@1+ (1,0) [0|12000] "rpm" Ecu
"""
