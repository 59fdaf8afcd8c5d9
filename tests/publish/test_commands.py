"""The commands as a person starts them, against a real broker."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner, Result

from pullwatch.cli import app
from pullwatch.publish import start as starting
from pullwatch.publish.start import start

from .rig import DEADLINE_S, Broker, Drive, plan_in

if TYPE_CHECKING:
    from pathlib import Path

    from .rig import Ear


def command(*words: str) -> list[str]:
    """Return a command line of ours."""
    return [sys.executable, "-m", "pullwatch", *words]


def run(*words: str) -> Result:
    """Run a command of ours to its end in this process, because starting one costs a second."""
    return CliRunner().invoke(app, words)


def sent(tmp_path: Path, drive: Drive, broker: Broker) -> str:
    """Publish a whole recording with `publish`, in a process of its own; return what it printed."""
    setup = tmp_path / "with_broker.toml"
    setup.write_text(f'{(tmp_path / "setup.toml").read_text()}\n[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n')
    words = command("publish", str(drive.folder), "--setup", str(setup))
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


async def test_watch_starts_a_publisher_that_outlives_it(tmp_path: Path, broker: Broker, ear: Ear) -> None:
    """What `watch` starts runs at nice 19 in a session of its own, and ends by itself when the recording has ended."""
    plan = plan_in(tmp_path, more=f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n')
    drive = Drive(tmp_path, plan)
    drive.run(2.0, lean_at=lambda step: step == 12)
    before = len(starting._started)
    words = start(drive.folder, plan)
    assert words is not None
    assert words.startswith("publishing to 127.0.0.1; ")
    (process,) = starting._started[before:]
    try:
        await ear.until(lambda: bool(ear.of("values")))
        assert os.getsid(process.pid) == process.pid
        assert os.getpriority(os.PRIO_PROCESS, process.pid) == 19
        drive.end()
        await ear.until(lambda: ear.states()[-1] == "ended")
        assert process.wait(DEADLINE_S) == 0
    finally:
        process.kill()
        process.wait()
        starting._started.remove(process)
    (log,) = (drive.folder.parent / ".published").glob("*.log")
    assert "publishing" in log.read_text()


def test_a_setup_without_a_broker_starts_nothing(tmp_path: Path) -> None:
    """Nobody who did not ask for it publishes anything."""
    assert start(tmp_path / "session", plan_in(tmp_path)) is None
    assert not (tmp_path / ".published").exists()


def test_a_recording_is_published_and_seen_in_plain_lines(tmp_path: Path, drive: Drive, broker: Broker) -> None:
    """`publish` sends a recording as a replay; `far` shows it, alarms and all, without a terminal."""
    drive.run(2.0, lean_at=lambda step: step >= 12)
    drive.end()
    assert "from message 1 on" in sent(tmp_path, drive, broker)
    seen = run("far", "127.0.0.1", "--port", str(broker.port), "--seconds", "0.6")
    assert seen.exit_code == 0, seen.output
    assert "copper hatch: REPLAY of 2026-05-01_18-00-00_copper. This is not live." in seen.output
    assert re.search(r"CAUTION  Lean\.  .*lambda 0\.990 > limit 0\.950  unacknowledged  \[lean\]", seen.output)
    nobody = run("far", "127.0.0.1", "--port", str(broker.port), "--car", "red one", "--seconds", "0.3")
    assert nobody.exit_code == 1
    assert "nothing of a car has come" in nobody.output


def test_a_terminal_is_drawn_anew(drive: Drive, broker: Broker, tmp_path: Path) -> None:
    """On a terminal the picture is refreshed in place, and the cursor is there again at the end."""
    drive.run(2.0, lean_at=lambda step: step >= 12)
    drive.end()
    sent(tmp_path, drive, broker)
    ours, theirs = pty.openpty()
    words = command("far", "--setup", str(tmp_path / "with_broker.toml"), "--seconds", "1.0")
    shown = b""
    colours = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    with subprocess.Popen(words, stdout=theirs, stdin=theirs, env=colours) as process:
        os.close(theirs)
        until = time.monotonic() + 3 * DEADLINE_S
        with suppress(OSError):  # how Linux says that the other side is closed
            while time.monotonic() < until and (select.select([ours], [], [], 1.0)[0] or process.poll() is None):
                shown += os.read(ours, 65_536)
        assert process.wait(DEADLINE_S) == 0
    os.close(ours)
    text = shown.decode()
    assert "REPLAY" in text
    assert "\x1b[2K" in text
    assert "\x1b[?25h" in text[-200:], "the cursor was hidden, and is not shown again"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("far",), "Name a broker"),
        (("far", "mqtt://x"), "host"),
        (("far", "127.0.0.1", "--user", "x", "--password-env", "NOT_SET_AT_ALL"), "NOT_SET_AT_ALL"),
        (("publish", "nothing-there"), "nothing-there"),
    ],
)
def test_what_cannot_be_done_is_said(words: tuple[str, ...], says: str) -> None:
    """Exit code 2, and a sentence."""
    done = run(*words)
    assert done.exit_code == 2
    assert says in done.output


def test_a_session_without_a_broker_is_refused(drive: Drive) -> None:
    """It says how to give one."""
    drive.run(0.5)
    done = run("publish", str(drive.folder))
    assert done.exit_code == 2
    assert "has no [broker]" in done.output
    assert "--setup" in done.output
