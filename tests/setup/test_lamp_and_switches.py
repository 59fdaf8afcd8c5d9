"""[lamp] and [switch]: what is taken, what is refused in words, and what `check` says of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.acts import Acts
from pullwatch.annunciators.lamp import Level
from pullwatch.batch import Batch
from pullwatch.checks import report
from pullwatch.clock import NS_PER_MS, SessionClock
from pullwatch.errors import SetupError
from pullwatch.feeds.intake import Intake
from pullwatch.feeds.switches import Switches
from pullwatch.setup import Plan, load
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.lamp import NEVER_WIRED, LampSection
from pullwatch.setup.equipment.switches import SwitchSection

if TYPE_CHECKING:
    from pathlib import Path

BASE = """
[car]
name = "copper hatch"

[profile]
kind = "{profile}"

[[feed]]
name = "dash"
kind = "serial-line"
port = "serial:DASH01"
fields = [{{ channel = "oil_pressure", key = "oil" }}, {{ channel = "button", key = "b" }}{more}]

[channel.button]
unit = ""
believable = [0, 1]

[[rule]]
name = "oil low"
trip = "oil_pressure < 100 kPa"
"""
LAMP = """
[lamp]
port = "serial:LAMP01"
dark = "D\\n"
dim = "M\\n"
bright = "B\\n"
"""
SPEED = ', { channel = "vehicle_speed", key = "v" }'


def plan_of(folder: Path, text: str, *, profile: str = "strip", more: str = "") -> Plan:
    """Return the plan of the setup with something added."""
    file = folder / "setup.toml"
    file.write_text(BASE.format(profile=profile, more=more) + text, encoding="utf-8")
    return load(file)


def refused(folder: Path, text: str, *, profile: str = "strip") -> str:
    """Return what is said when such a setup is refused."""
    with pytest.raises(SetupError) as caught:
        plan_of(folder, text, profile=profile)
    return str(caught.value)


def test_a_lamp_is_read_back_from_the_recorded_plan(tmp_path: Path) -> None:
    """Texts and lists of bytes are what is written; the plan of a recording gives the same board."""
    text = LAMP.replace('dark = "D\\n"', "dark = [0xA0, 0x01, 0x00, 0xA1]") + "every_ms = 200\nbaud = 19_200\n"
    plan = Plan.from_dict(plan_of(tmp_path, text).to_dict())
    section = of(plan.equipment, "lamp", LampSection)
    assert section is not None
    board = section.board()
    assert (board.port, board.baud, board.every) == ("serial:LAMP01", 19_200, 200 * NS_PER_MS)
    assert board.lines == {Level.DARK: b"\xa0\x01\x00\xa1", Level.DIM: b"M\n", Level.BRIGHT: b"B\n"}


@pytest.mark.parametrize(
    ("change", "by", "words"),
    [
        ('"serial:LAMP01"', '"serial:DASH01"', 'serial:DASH01 is the port of feed "dash". A port has one owner.'),
        ('"serial:LAMP01"', '"tcp://x"', '"tcp://" is not a way pullwatch opens ports.'),
        ('dim = "M\\n"', 'dim = "B\\n"', "dim: is the same as bright: nobody could tell the two."),
        ('dim = "M\\n"', 'dim = "µ"', "dim: is no plain ASCII. Write the bytes: dim = [0xA0, 0x01, 0xA1]."),
        ('dim = "M\\n"', "dim = [256]", "lamp dim"),
        ('dim = "M\\n"', "dim = []", "lamp dim"),
        ('dim = "M\\n"\n', "", "lamp dim"),
        ('dim = "M\\n"', f'dim = "{64 * "M"}"', "64 bytes take 67 ms at 9,600 Bd, and one is sent each 100 ms."),
        ('dim = "M\\n"', 'dim = "M\\n"\nevery_ms = 10', "every_ms"),
        ('dim = "M\\n"', 'dim = "M\\n"\nblink = true', "blink"),
    ],
)
def test_a_lamp_that_cannot_be_is_refused_in_words(tmp_path: Path, change: str, by: str, words: str) -> None:
    """Each problem names its key, what is wrong and what to do."""
    assert change in LAMP
    said = refused(tmp_path, LAMP.replace(change, by))
    assert words in said
    assert "line " in said


def test_check_says_what_a_lamp_is_never_wired_to(tmp_path: Path) -> None:
    """The caution is said wherever there is a lamp, with what an unlit board means; and nowhere else."""
    cautions = report(plan_of(tmp_path, LAMP, more=SPEED)).cautions
    assert f"[lamp]: {NEVER_WIRED}" in cautions
    assert "fuel, spark, pump or controller" in NEVER_WIRED
    assert "a fuel cut under boost is itself a lean event" in NEVER_WIRED
    assert any("goes dark by itself" in caution for caution in cautions)
    assert not any("no feed tells whether the car stands" in caution for caution in cautions)
    assert not any("[lamp]" in caution for caution in report(plan_of(tmp_path, "")).cautions)


def test_check_says_that_a_lamp_cannot_know_a_standing_car(tmp_path: Path) -> None:
    """Without a speed "Lift" stays lit to the end; on a dyno somebody acknowledges instead."""
    words = "no feed tells whether the car stands"
    assert any(words in caution for caution in report(plan_of(tmp_path, LAMP)).cautions)
    assert not any(words in caution for caution in report(plan_of(tmp_path, LAMP, profile="dyno")).cautions)


@pytest.mark.parametrize("profile", ["strip", "street"])
def test_no_driver_is_asked_to_acknowledge(tmp_path: Path, profile: str) -> None:
    """A switch for it is refused where the driver is alone, and taken on the dyno."""
    text = '\n[switch.acknowledge]\nchannel = "button"\npressed_above = 0.5\n'
    said = refused(tmp_path, text, profile=profile)
    assert f"on the {profile} the driver is alone, and a driver is never asked to acknowledge." in said
    assert "bind the switch to mark" in said
    assert plan_of(tmp_path, text, profile="dyno").equipment["switch"]["acknowledge"]["channel"] == "button"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('channel = "buton"\npressed_above = 0.5', 'there is no channel "buton" (did you mean "button"?).'),
        ('channel = "button"', "does not say once when it is pressed."),
        ('channel = "button"\npressed_above = 0.5\npressed_below = 0.2', "does not say once when it is pressed."),
        ('channel = "button"\npressed_above = 5', "is beyond what is believed of button: never pressed."),
        (
            'channel = "button"\npressed_above = 0.5\nsettle_ms = 400',
            "settle_ms = 400 is longer than a value of button",
        ),
        ('channel = "button"\npressed_above = 0.5\nbounce = 5', "bounce"),
    ],
)
def test_a_switch_that_cannot_be_is_refused_in_words(tmp_path: Path, text: str, words: str) -> None:
    """Each problem names its key, what is wrong and what to do."""
    assert words in refused(tmp_path, f"\n[switch.mark]\n{text}\n")


def test_a_bound_switch_does_its_act(tmp_path: Path) -> None:
    """A press of each puts one act on the record, in the name of the switch."""
    text = (
        '\n[switch.mark]\nchannel = "button"\npressed_above = 0.5\ntext = "shifted"\n'
        '\n[switch.acknowledge]\nchannel = "button"\npressed_below = 0.5\n'
    )
    plan = Plan.from_dict(plan_of(tmp_path, text, profile="dyno").to_dict())
    section = of(plan.equipment, "switch", SwitchSection)
    assert section is not None
    intake = Intake(SessionClock(), lambda: None)
    switches = Switches(section.bound(plan, Acts(intake)))
    number = plan.channel("button").number
    for place, value in enumerate((0.0, 1.0, 0.0)):
        t = place * 200 * NS_PER_MS
        for step in range(10):
            at = t + step * 20 * NS_PER_MS
            switches.take(Batch(at, (), [(at, number, value, 0)]), [])
    assert [record.data for record in intake.take()[1]] == [
        b'{"act": "mark", "rule": null, "text": "shifted", "who": "switch button"}',
        b'{"act": "acknowledge", "rule": null, "who": "switch button"}',
    ]
