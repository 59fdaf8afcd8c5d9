"""Started by the ignition: no terminal, no sound, standard input closed, a lamp as the only output; killed and back."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
import tty
from contextlib import ExitStack
from typing import TYPE_CHECKING

from pullwatch.batch import Kind
from pullwatch.feeds.written import ledger
from pullwatch.recording.reader import Session
from pullwatch.replaying import verify

from .evening import PATIENCE_S, program

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "strip"

[[feed]]
name = "dash"
kind = "serial-line"
port = "{dash}"
fields = [{{ channel = "oil_pressure", key = "oil" }}, {{ channel = "button", key = "b" }}]

[channel.oil_pressure]
stale_after_ms = 20_000

[channel.button]
unit = ""
stale_after_ms = 20_000

[sound]
device = "no such device"

[lamp]
port = "{lamp}"
dark = "D\\n"
dim = "M\\n"
bright = "B\\n"

[switch.mark]
channel = "button"
pressed_above = 0.5
text = "steering wheel"

[[rule]]
name = "oil pressure low"
trip = "oil_pressure < 100 kPa"
priority = "critical"
says = "Oil pressure low. Lift."
"""


class Garage:
    """A lamp board, a dash on a pseudo terminal, and the watcher as a service manager would start it."""

    def __init__(self, stack: ExitStack, folder: Path) -> None:
        self._stack = stack
        self._folder = folder
        self.sessions = folder / "sessions"
        self.far, near = os.openpty()
        tty.setraw(near)
        stack.callback(os.close, self.far)
        stack.callback(os.close, near)
        self.board = program(stack, "pullwatch_sim.lamp_board", "--pty", str(folder / "lamp"))
        self.shown: list[tuple[str, str]] = []
        self.changed = 0.0
        self._half = b""
        assert self.board.stdout is not None
        assert self.board.stdout.readline().split() == [b"listening", str(folder / "lamp").encode()]
        os.set_blocking(self.board.stdout.fileno(), False)
        setup = SETUP.format(dash=os.ttyname(near), lamp=folder / "lamp")
        (folder / "setup.toml").write_text(setup, encoding="utf-8")

    def ignition(self) -> subprocess.Popen[bytes]:
        """Start the watcher: a session of its own, nothing of this environment, all three standard files closed."""
        words = ("-m", "pullwatch", "watch", str(self._folder / "setup.toml"), "--sessions", str(self.sessions))
        closed = 'exec "$@" 0<&- 1>&- 2>&-'
        watcher = subprocess.Popen(
            ["/bin/sh", "-c", closed, "sh", sys.executable, *words],
            env={"XDG_RUNTIME_DIR": str(self._folder / "run"), "PATH": "/usr/bin:/bin"},
            start_new_session=True,
        )
        self._stack.callback(watcher.wait)
        self._stack.callback(watcher.kill)
        return watcher

    def says(self, line: str, watcher: subprocess.Popen[bytes], until: Callable[[], bool]) -> None:
        """Have the dash say a line 20 times a second until something is so; the lamp is looked at meanwhile."""
        assert self.board.stdout is not None
        deadline = time.monotonic() + PATIENCE_S
        while not until():
            assert time.monotonic() < deadline, self.shown
            assert watcher.poll() in (None, -signal.SIGKILL), self.shown
            os.write(self.far, line.encode() + b"\n")
            if select.select([self.board.stdout], [], [], 0.05)[0]:
                *lines, self._half = (self._half + (self.board.stdout.read() or b"")).split(b"\n")
                for told in lines:
                    _, light, why = told.decode().split()
                    self.shown.append((light, why))
                    self.changed = time.monotonic()

    def showed(self, *lights: str) -> Callable[[], bool]:
        """Return what says whether the lamp has shown these one after the other, from now on."""
        first = len(self.shown)
        return lambda: lights == tuple(light for light, _ in self.shown[first:])[-len(lights) :]


def test_from_ignition_to_power_loss_with_a_lamp_alone(tmp_path: Path) -> None:
    """Armed, "Lift", a mark by switch, killed: dark; started again it arms anew and ends in order; all is on record."""
    with ExitStack() as stack:
        garage = Garage(stack, tmp_path)
        watcher = garage.ignition()
        garage.says("oil=350;b=0", watcher, garage.showed("medium", "bright", "medium"))
        garage.says("oil=350;b=1", watcher, garage.showed("bright"))
        garage.says("oil=50;b=0", watcher, garage.showed("bright", "dark", "bright", "dark"))
        # Nothing tells whether the car stands: over, the light is steady to the end.
        steady = lambda: garage.shown[-1][0] == "bright" and time.monotonic() - garage.changed > 0.4  # noqa: E731
        garage.says("oil=350;b=0", watcher, steady)
        assert {why for _, why in garage.shown} == {"told"}
        watcher.kill()
        garage.says("oil=350;b=0", watcher, lambda: garage.shown[-1] == ("dark", "silence"))

        watcher = garage.ignition()
        garage.says("oil=350;b=0", watcher, garage.showed("medium", "bright", "medium"))
        watcher.send_signal(signal.SIGTERM)
        assert watcher.wait(PATIENCE_S) in (0, 1)
        garage.says("oil=350;b=0", garage.board, lambda: garage.shown[-1] == ("dark", "told"))

    killed, ended = (Session(part.parent) for part in sorted(garage.sessions.glob("*/0001.mcap")))
    acts = [json.loads(r.data) for block in killed.blocks() for r in block.records if r.kind is Kind.ACT]
    assert acts == [{"act": "mark", "rule": None, "text": "steering wheel", "who": "switch button"}]
    for session in (killed, ended):
        found = verify(session)
        assert found.agree, (found.missing, found.added)
        assert b"M\n" in b"".join(write.data for write in ledger(session.events()))
    raised = [change.name for change in killed.changes()]
    assert "oil pressure low" in raised
    assert ended.ending.reason == "stopped: asked to end (SIGTERM)"
    lamp = [event["says"] for _, event in ended.events() if event.get("event") == "lamp"]
    assert lamp == [f"the lamp is there: {tmp_path / 'lamp'}"]
