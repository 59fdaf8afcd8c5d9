"""Binary packets and lines from programs on the wire, watched, recorded, and proved by the recording alone."""

from __future__ import annotations

import subprocess
import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from pullwatch.recording.reader import Follower, Session
from pullwatch.replaying import plan_of, replayed, verify
from pullwatch.watchdog.alarms import Event

from .evening import PATIENCE_S, interrupt, program

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "box"
kind = "serial-packet"
port = "{box}"
sync = "C3 3C"
byte_order = "big"
length_field = {{ at = 2, adds = 3, least = 21, most = 25 }}
checksum = {{ kind = "CRC-16/CCITT-FALSE", covers = [2, -2] }}
fields = [
  {{ channel = "engine_speed", at = 4, type = "u16", scale = 0.25 }},
  {{ channel = "manifold_pressure", at = 6, type = "u16", scale = 0.02 }},
  {{ channel = "lambda", at = 8, type = "u16", scale = 0.0001, not_available = [0xFFFF], error = [0xFFFE] }},
  {{ channel = "cut_active", at = 10, mask = 0x10 }},
  {{ channel = "throttle", at = 11, scale = 0.5 }},
  {{ channel = "coolant_temperature", at = 14, offset = -40 }},
  {{ channel = "barometric_pressure", at = 17, type = "u16", scale = 0.02 }},
  {{ channel = "exhaust_gas_temperature", at = 19, type = "f32" }},
]
ready = {{ at = 10, mask = 0x0F, good = [2] }}

[[feed]]
name = "second"
kind = "serial-line"
port = "{wideband}"
fields = [{{ channel = "lambda_bank2", key = "lambda" }}]
ready = {{ key = "state", good = ["ready"] }}

[[rule]]
name = "fast"
trip = "engine_speed > 4500 rpm deadband 100 rpm"
off_delay_ms = 20
priority = "critical"
says = "Speed. Lift."

[[rule]]
name = "boost"
trip = "manifold_pressure > 120 kPa deadband 5 kPa"
off_delay_ms = 20
"""


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Watch the box (a tenth of its packets damaged) and the wideband at four times real time, until after the pull."""
    folder = tmp_path_factory.mktemp("packets")
    with ExitStack() as stack:
        playing = ("--scenario", "short-lean", "--start-at", "client", "--speed", "4")
        link = folder / "box"
        damaged = ("--fault", "bus_garbage 0 60 share=0.1")
        box = program(stack, "pullwatch_sim.serial_packet", *playing, "--pty", str(link), *damaged)
        wideband = program(stack, "pullwatch_sim.serial_lambda", *playing, "--listen", "127.0.0.1:0")
        words = []
        for node in (box, wideband):
            assert node.stdout is not None
            words.append(node.stdout.readline().decode().split())
        assert words[0] == ["listening", str(link)]
        setup = folder / "setup.toml"
        setup.write_text(SETUP.format(box=link, wideband=f"socket://{words[1][1]}:{words[1][2]}"))
        sessions = folder / "sessions"
        command = ("pullwatch", "watch", str(setup), "--sessions", str(sessions), "--device", "null")
        with (folder / "printed.txt").open("wb") as printed:
            watcher = program(stack, *command, stdout=printed)
        session = _until_raised_and_cleared(sessions, watcher)
        assert interrupt(watcher) in (0, 1)
        yield session


def _until_raised_and_cleared(sessions: Path, watcher: subprocess.Popen[bytes]) -> Path:
    """Follow the session until the boost came and went; return its folder."""
    follower: Follower | None = None
    for _ in range(int(PATIENCE_S / 0.02)):
        assert watcher.poll() is None, "the watcher ended too early"
        if follower is None:
            begun = [part.parent for part in sessions.glob("*/0001.mcap")]
            follower = Follower(begun[0]) if begun else None
        elif any(
            change.name == "boost" and change.event is Event.CLEAR
            for block in follower.poll()
            for change in block.changes
        ):
            return follower.folder
        try:
            watcher.wait(0.02)
        except subprocess.TimeoutExpired:
            continue
    raise AssertionError("the boost did not come and go")


def test_the_recording_verifies_exactly(watched: Path) -> None:
    """`replay --verify` computes every change again from the recorded packets, to the nanosecond."""
    found = verify(Session(watched))
    assert found.agree
    assert not found.unverified
    assert found.changes >= 4
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "replay", str(watched), "--verify"],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL, timeout=PATIENCE_S,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"REPLAY verified: {found.changes} alarm changes" in done.stdout


def test_every_byte_is_accounted_for_and_the_damage_told(watched: Path) -> None:
    """A tenth of the packets is damaged and counted; the others are decoded, and nothing is lost between them."""
    session = Session(watched)
    steps = list(replayed(plan_of(session), session.blocks(join_ns=10**10)))
    box, wideband = steps[-1].path.decoders[1].ledger, steps[-1].path.decoders[2].ledger
    assert box.balances
    assert wideband.balances
    assert box.messages > 300
    assert 0.02 < box.bad_messages / (box.messages + box.bad_messages) < 0.3
    assert wideband.messages > 150
    assert wideband.bad_messages == 0
