"""Diagnostics from the wire to the verified recording: control units as a program, watched, and replayed exactly."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

from pullwatch.batch import Kind
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import Packed
from pullwatch.recording.reader import Session

from .evening import interrupt, program

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "diagnostics"
kind = "diagnostics"
port = "{port}"
transmit = true
while_moving = true
pids_per_request = 3
rates = {{ engine_speed = 10, manifold_pressure = 10, boost_target = 5 }}
channels = {{ engine_speed = "0C", manifold_pressure = "0B", boost_target = "70.commanded_a", lambda = "34" }}

[channel.engine_speed]
rate_hz = 10
[channel.manifold_pressure]
rate_hz = 10
[channel.boost_target]
rate_hz = 5
[channel.lambda]
rate_hz = 5

[[rule]]
name = "turns"
trip = "engine_speed > 2500 rpm"
says = "The engine turns."
"""
PATIENCE_S = 60.0


def test_asked_watched_recorded_and_replayed(tmp_path: Path) -> None:
    """Two control units, long answers and a scale of their own: an alarm comes, and the replay repeats it exactly."""
    with ExitStack() as stack:
        node = program(
            stack,
            "pullwatch_sim.diagnostics_responder",
            *("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--start-at", "client", "--units", "2"),
            *("--wide-manifold", "--speed", "3"),
        )
        assert node.stdout is not None
        word, host, port = node.stdout.readline().decode().split()[:3]
        assert word == "listening"
        setup = tmp_path / "setup.toml"
        setup.write_text(SETUP.format(port=f"socket://{host}:{port}"), encoding="utf-8")
        log = tmp_path / "log.txt"
        sessions = tmp_path / "sessions"
        with log.open("wb") as stdout:
            command = ("pullwatch", "watch", str(setup), "--sessions", str(sessions), "--device", "null")
            watcher = program(stack, *command, stdout=stdout)
        deadline = time.monotonic() + PATIENCE_S
        while "The engine turns." not in log.read_text() and time.monotonic() < deadline:
            assert watcher.poll() is None, log.read_text()
            try:
                watcher.wait(0.05)
            except subprocess.TimeoutExpired:
                continue
        interrupt(watcher)
    said = log.read_text()
    assert "The engine turns." in said
    assert "SENDS diagnostics requests on the bus" in " ".join(said.split())
    (folder,) = {part.parent for part in sessions.glob("*/0001.mcap")}
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "replay", str(folder), "--verify"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"verified: [1-9]\d* alarm changes", done.stdout)

    framing, ledger = Packed(), Ledger()
    words = set()
    for block in Session(folder).blocks():
        for record in block.records:
            if record.kind is Kind.DATA and record.feed == 1:
                words |= {word for _, word, _, _ in framing.few(record.t, record.data, ledger)}
    assert words == {0x7DF, 0x7E0, 0x7E8, 0x7E9}, "requests, flow control and the answers of both units"
    assert ledger.bad_messages == 0
