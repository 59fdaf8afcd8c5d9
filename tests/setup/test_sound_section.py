"""[sound]: what may be written, what is refused, and what is said at every start."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.sound import LEAST_VOLUME, SoundSection

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "{profile}"

{sound}

[[feed]]
name = "box"
kind = "serial-line"
port = "socket://127.0.0.1:9"
fields = [{{ channel = "oil_pressure", key = "oil" }}]

[[rule]]
name = "low"
trip = "oil_pressure < 100 kPa"
"""


def plan_with(folder: Path, sound: str, profile: str = "strip") -> Plan:
    """Return the plan of a setup with these lines."""
    (folder / "setup.toml").write_text(SETUP.format(sound=sound, profile=profile), encoding="utf-8")
    return load(folder / "setup.toml")


def test_it_is_in_the_plan_as_it_was_written(tmp_path: Path) -> None:
    """The plan, recorded and read again, says how it was told."""
    plan = plan_with(tmp_path, '[sound]\ndevice = "USB Headset"\nvolume = 0.8\nhearer = "crew"')
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict())))
    assert of(again.equipment, "sound", SoundSection) == SoundSection(device="USB Headset", volume=0.8, hearer="crew")


def test_without_it_there_is_the_default_device_at_full_scale(tmp_path: Path) -> None:
    """Nobody has to write it."""
    assert of(plan_with(tmp_path, "").equipment, "sound", SoundSection) is None
    assert (SoundSection().device, SoundSection().volume) == ("default", 1.0)
    assert SoundSection().cautions() == []


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("volume = 1.5", "sound volume"),
        ("volume = -1", "sound volume"),
        ("volume = nan", "sound volume"),
        ("volume = 0.0", "nobody hears it"),
        ("volume = 0.09", "the least is 0.1"),
        ('volume = "loud"', "sound volume"),
        ('device = ""', "sound device"),
        ("divice = 'x'", "device"),
        ('hearer = "dog"', "driver"),
    ],
)
def test_what_is_wrong_stops_the_start(tmp_path: Path, line: str, what: str) -> None:
    """A volume that nobody hears, or a word that means nothing, is refused with the line it stands on."""
    with pytest.raises(SetupError) as caught:
        plan_with(tmp_path, f"[sound]\n{line}")
    assert what in str(caught.value)
    assert "line 9" in str(caught.value)


@pytest.mark.parametrize(
    ("profile", "hearer", "driver"),
    [
        ("strip", None, True), ("street", None, True), ("dyno", None, False),
        ("strip", "crew", False), ("dyno", "driver", True),
    ],
)  # fmt: skip
def test_the_profile_says_who_hears_it_unless_it_is_written(profile: str, hearer: str | None, driver: bool) -> None:
    """A driver on strip and street, a crew on the dyno."""
    section = SoundSection.model_validate({"hearer": hearer})
    assert section.for_driver(profile) is driver


def test_softened_lift_is_said_in_decibels() -> None:
    """From half the volume on a caution says what became of "Lift": 20 log10 of it (0.5: 6 dB, 0.1: 20 dB)."""
    assert SoundSection(volume=0.51).cautions() == []
    assert '6 dB softer, "Lift" too' in SoundSection(volume=0.5).cautions()[0]
    assert "20 dB softer" in SoundSection(volume=LEAST_VOLUME).cautions()[0]
    assert "no alarm will be heard" in SoundSection(device="null").cautions()[0]
    assert "no alarm will be heard" in SoundSection().cautions("null")[0]
    assert SoundSection(device="null").cautions("default") == []
