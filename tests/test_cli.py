"""The command line: what it says, and the exit codes a script can rely on."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from pullwatch.cli import app

ROOT = Path(__file__).parents[1]
COMMANDS = tuple(
    command.name or command.callback.__name__ for command in app.registered_commands if command.callback is not None
)
CAUTION = "never replaces the ECU's own protections"


def pullwatch(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line as a person would."""
    return subprocess.run(
        [sys.executable, "-m", "pullwatch", *arguments],
        capture_output=True, text=True, check=False, cwd=cwd, stdin=subprocess.DEVNULL,
    )  # fmt: skip


def test_help_lists_every_command_and_says_what_it_is_not() -> None:
    """`--help` names all commands and carries the caution."""
    done = pullwatch("--help")
    assert done.returncode == 0
    assert all(re.search(rf"^\s+{command}\b", done.stdout, re.MULTILINE) for command in COMMANDS)
    assert CAUTION in " ".join(done.stdout.split())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_and_stands_in_the_readme(command: str) -> None:
    """Each command has help of its own, and the README shows it."""
    assert pullwatch(command, "--help").returncode == 0
    assert f"pullwatch {command}" in (ROOT / "README.md").read_text().replace("pullwatch\n", "pullwatch ")


def test_a_wrong_setup_is_refused_whole_with_every_line(tmp_path: Path) -> None:
    """Both mistakes are told at once, each with its line and the nearest valid name; the exit code is 2."""
    setup = tmp_path / "setup.toml"
    setup.write_text(
        '[car]\nname = "x"\n\n[[feed]]\nname = "wideband"\nkind = "serial-line"\nport = "socket://127.0.0.1:9"\n'
        'bawd = 9600\nfields = [{ channel = "lambda", key = "lambda" }]\n\n'
        '[[rule]]\nname = "lean"\ntrip = "lamda > 0.9 lambda"\nsays = "Lean."\n'
    )
    for command in ("check", "watch"):
        done = pullwatch(command, str(setup), cwd=tmp_path)
        assert done.returncode == 2
        assert "line 8" in done.stderr
        assert "baud" in done.stderr
        assert "line 13" in done.stderr
        assert "lambda" in done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", ["replay", "repair"])
def test_what_is_no_session_is_refused_in_words(command: str, tmp_path: Path) -> None:
    """A folder without a recording, a name that is not there, a file of something else: exit code 2, no traceback."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "text.mcap").write_text("no recording")
    for name in ("folder", "text.mcap", "nowhere"):
        done = pullwatch(command, name, "--sessions", str(tmp_path / "none"), cwd=tmp_path)
        assert done.returncode == 2
        assert name in done.stderr
        assert "Traceback" not in done.stderr


def test_a_speed_that_is_none_is_refused(tmp_path: Path) -> None:
    """`--speed` takes a number above 0 or max."""
    done = pullwatch("replay", str(tmp_path), "--speed", "-3")
    assert done.returncode == 2
    assert "above 0" in done.stderr


def test_acting_on_nothing_is_refused_in_words(tmp_path: Path) -> None:
    """There is no session to acknowledge in."""
    done = pullwatch("acknowledge", "--sessions", str(tmp_path))
    assert done.returncode == 2
    assert "nothing is being watched" in done.stderr


def test_an_empty_list_says_how_to_begin(tmp_path: Path) -> None:
    """With no session there is a hint, not an empty screen."""
    done = pullwatch("sessions", "--sessions", str(tmp_path))
    assert done.returncode == 0
    assert "pullwatch watch" in done.stdout
