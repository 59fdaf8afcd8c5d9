"""The unit file of the notes: it is whole, it starts what there is, and it stays on this machine."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pullwatch.cli import app

PAGE = Path(__file__).resolve().parents[1] / "hardware_notes" / "headless.md"


def unit() -> str:
    """Return the unit file of the page."""
    (text,) = re.findall(r"^```ini\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    return str(text)


def settings(text: str) -> dict[str, str]:
    """Return what the unit sets, by key."""
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))


def test_the_service_starts_a_command_there_is() -> None:
    """Its command and options are those of `pullwatch watch`, and the folders it names are those it is given."""
    said = settings(unit())
    program, command, *words = shlex.split(said["ExecStart"])
    assert (Path(program).name, command) == ("pullwatch", "watch")
    told = " ".join(CliRunner().invoke(app, ["watch", "--help"], env={"COLUMNS": "200"}).output.split())
    assert [word for word in words if word.startswith("--") and word not in told] == []
    assert words[words.index("--sessions") + 1] == f"/var/lib/{said['StateDirectory']}"
    assert said["Environment"] == f"XDG_RUNTIME_DIR=/run/{said['RuntimeDirectory']}"


def test_the_service_waits_for_no_network_and_reaches_none() -> None:
    """It is armed offline, comes back by itself, and is ended as `watch` expects it."""
    said = settings(unit())
    assert "network" not in said["After"]
    assert (said["IPAddressDeny"], said["IPAddressAllow"]) == ("any", "localhost")
    assert (said["Restart"], said["KillSignal"]) == ("always", "SIGTERM")
    assert float(said["RestartSec"]) <= 1.0


def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    """Every key is known to systemd and every value one it takes."""
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.skip("systemd-analyze is not installed, so nobody can say whether systemd takes the unit.")
    text = unit().replace(settings(unit())["ExecStart"].split()[0], shutil.which("true") or "/bin/true")
    file = tmp_path / "pullwatch.service"
    file.write_text(text.replace("User=pullwatch", "User=root"), encoding="utf-8")
    done = subprocess.run([found, "verify", str(file)], capture_output=True, text=True, check=False, timeout=60)
    assert "pullwatch.service" not in done.stderr, done.stderr
