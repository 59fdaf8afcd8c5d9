"""Every signal once, for ears: named before it sounds, on the device asked for, and plainly when there is none."""

from __future__ import annotations

import signal
import subprocess
import sys
import wave
from typing import TYPE_CHECKING

import numpy as np

from pullwatch.sentinel import trial
from pullwatch.sentinel.patterns import RATE, WORDS, Signal, render_all
from pullwatch.sentinel.trial import play_all

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "strip"

[sound]
device = "null"
volume = 0.5

[[feed]]
name = "box"
kind = "serial-line"
port = "socket://127.0.0.1:9"
fields = [{ channel = "manifold_pressure", key = "map" }, { channel = "engine_speed", key = "rpm" }]

[[rule]]
name = "overboost"
trip = "manifold_pressure > 250 kPa"
"""


def test_every_signal_is_played_whole_named_and_in_turn(tmp_path: Path) -> None:
    """What the device takes is each burst, sample by sample, with quiet between; each is named before it."""
    lines: list[str] = []
    path = tmp_path / "heard.wav"
    assert play_all(f"wav:{path}", 1.0, lines.append)
    with wave.open(str(path)) as file:
        heard = file.readframes(file.getnframes())
    at = 0
    for one, pattern in render_all().items():
        found = heard.find(pattern.pcm, at)
        assert found >= 0, one
        at = found + len(pattern.pcm)
        assert not any(heard[at : at + RATE // 5 * 2]), "quiet after it"
    named = [line for line in lines if line.split(":")[0] in {s.value for s in Signal}]
    assert named == [f"{one.value}: {WORDS[one]}." for one in Signal]
    assert np.abs(np.frombuffer(heard, dtype=np.int16)).max() == 30_000


def test_no_device_is_said_plainly(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without a device nothing is played, the reason is given, and that nobody would hear an alarm."""
    for name in ("ALSA_CONFIG_PATH", "PULSE_SERVER", "XDG_RUNTIME_DIR", "PIPEWIRE_RUNTIME_DIR"):
        monkeypatch.setenv(name, str(tmp_path / "nothing"))
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    lines: list[str] = []
    assert not play_all("default", 1.0, lines.append)
    assert lines[0].startswith("sound device default: none could be opened (")
    assert lines[1:] == ["Nobody would hear an alarm."]


def test_a_device_that_does_not_answer_is_said_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sound server that hangs is told after a while, not waited for for ever."""

    class Hangs:
        def __init__(self, *_: object) -> None: ...

        def start(self) -> None: ...

        def close(self, seconds: float) -> None: ...

    monkeypatch.setattr(trial, "Output", Hangs)
    monkeypatch.setattr(trial, "ANSWERS_WITHIN", 0.05)
    lines: list[str] = []
    assert not play_all("default", 1.0, lines.append)
    assert lines == ["the sound device has not answered for 0.05 s. Nobody would hear an alarm."]


def sound_check(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would."""
    return subprocess.run(
        [sys.executable, "-m", "pullwatch", "sound-check", *arguments], capture_output=True, text=True, check=False
    )


def test_the_command_plays_what_the_setup_says(tmp_path: Path) -> None:
    """Device, volume and profile are the setup's; with the null device nobody hears it, and that is said."""
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    done = sound_check(str(tmp_path / "setup.toml"))
    assert done.returncode == 0
    assert "Profile strip: a driver hears it, never asked to acknowledge; a pass is known by manifold_pressure" in (
        done.stdout
    )
    assert "Device null, volume 0.5." in done.stdout
    assert "no alarm will be heard" in done.stdout
    assert all(f"{one.value}: " in done.stdout for one in Signal)
    assert done.stderr == ""


def test_the_command_ends_with_1_when_nothing_can_be_heard(tmp_path: Path) -> None:
    """A device given on the command line takes the place of the setup's; one that cannot play is exit code 1."""
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    done = sound_check(str(tmp_path / "setup.toml"), "--device", "wav:/nowhere/at/all.wav")
    assert done.returncode == 1
    assert "/nowhere/at/all.wav cannot be written" in done.stdout
    assert "Nobody would hear an alarm." in done.stdout


def test_the_command_refuses_a_wrong_setup(tmp_path: Path) -> None:
    """A volume nobody could hear is refused with its line and what to write instead; exit code 2."""
    (tmp_path / "setup.toml").write_text(SETUP.replace("0.5", "0.05"), encoding="utf-8")
    done = sound_check(str(tmp_path / "setup.toml"))
    assert done.returncode == 2
    assert "line 10, sound volume: 0.05 would soften" in done.stderr
    assert 'device = "null"' in done.stderr


def watched(folder: Path, *arguments: str) -> str:
    """Watch until armed, end it, and return what it said."""
    command = [sys.executable, "-m", "pullwatch", "watch", str(folder / "setup.toml"), "--sessions", str(folder / "s")]
    with subprocess.Popen([*command, *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True) as watch:
        assert watch.stdout is not None
        said = ""
        while "armed" not in said:
            line = watch.stdout.readline()
            assert line, said
            said += line
        watch.send_signal(signal.SIGINT)
        return said + watch.stdout.read()


def test_watching_takes_the_setups_device_and_the_command_line_before_it(tmp_path: Path) -> None:
    """What follows for ears is said at the start: that no sound is asked for, or by how much it is softened."""
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    assert "sound: no sound is made, as asked for: no alarm will be heard." in watched(tmp_path)
    said = watched(tmp_path, "--device", f"wav:{tmp_path / 'heard.wav'}")
    assert 'sound: volume 0.5 makes every signal 6 dB softer, "Lift" too.' in said
    assert (tmp_path / "heard.wav").exists()
