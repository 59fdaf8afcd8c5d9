"""What a watched session writes to its ports: the ledger in the recording, against what the system saw (strace)."""

from __future__ import annotations

import os
import re
import select
import shutil
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, NamedTuple

import pytest

from pullwatch.feeds.written import ledger
from pullwatch.recording.reader import Session
from pullwatch_sim.can_frames import DBC

from .evening import interrupt, program

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

SETUP = """
[car]
name = "../../copper hatch"

[[feed]]
name = "ecu"
kind = "can"
adapter = "slcan"
port = "{ecu}"
bitrate = 500_000
listen_only = true
ask_status = true
dbc = "{dbc}"
channels = {{ engine_speed = "Engine.Speed", manifold_pressure = "Engine.Map" }}

[[feed]]
name = "wideband"
kind = "serial-line"
port = "{wideband}"
fields = [{{ channel = "lambda", key = "lambda" }}]

[[feed]]
name = "diagnostics"
kind = "diagnostics"
port = "{diagnostics}"
transmit = true
while_moving = true
channels = {{ boost_target = "70.commanded_a" }}

[channel.boost_target]
rate_hz = 5

[lamp]
port = "{lamp}"
dark = "D\\n"
dim = "M\\n"
bright = "B\\n"

[[rule]]
name = "turns"
trip = "engine_speed > 9000 rpm"
"""
PATIENCE_S = 60.0
WRITING = "write,writev,pwrite64,pwritev,pwritev2,sendto,sendmsg,sendmmsg,sendfile,splice,tee,vmsplice,copy_file_range"


def strace() -> str:
    """Return the path of strace; without it the test is skipped, or fails where every test is asked for."""
    found = shutil.which("strace")
    if found is None and os.environ.get("PULLWATCH_COMPLETE"):
        pytest.fail("strace is missing, and PULLWATCH_COMPLETE asks for every test.")
    if found is None:
        pytest.skip("strace is not installed, so nobody can see what the watcher writes.")
    return found


class Call(NamedTuple):
    """One system call on a descriptor: its name, what stands behind the descriptor, the text of the whole, bytes."""

    name: str
    behind: str
    text: str
    data: bytes


_CALL = re.compile(r"^\d+ +(\w+)\((?:\d+<(?P<behind>(?:->|[^<>])*)(?:<char [\d:]+>)?>)?")
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_RESULT = re.compile(r" = (-?\d+)(?: \w+ \(.*\))?$")


def calls_in(trace: str) -> Iterable[Call]:
    """Yield the calls of an strace log that succeeded, those of several threads put together again."""
    begun: dict[str, str] = {}
    for line in trace.splitlines():
        pid = line.split(" ", 1)[0]
        whole = line
        if line.endswith("<unfinished ...>"):
            begun[pid] = line.removesuffix("<unfinished ...>").rstrip()
            continue
        if " resumed>" in line:
            whole = begun.pop(pid) + line.split(" resumed>", 1)[1]
        found, result = _CALL.match(whole), _RESULT.search(whole)
        if found is None or result is None or int(result[1]) < 0:
            continue
        behind = unescaped(found["behind"] or "").decode("utf-8", "replace")
        data = b"".join(unescaped(text) for text in _STRING.findall(whole[found.end() :]))
        if found[1] in WRITING.split(","):
            data = data[: int(result[1])]
        yield Call(found[1], behind, whole, data)


def unescaped(text: str) -> bytes:
    """Return the bytes behind strace's hexadecimal text."""
    return re.sub(rb"\\x([0-9a-f]{2})", lambda found: bytes.fromhex(found[1].decode()), text.encode())


def listening(started: subprocess.Popen[bytes]) -> str:
    """Return the place a simulator says it listens at, as a setup names it."""
    assert started.stdout is not None
    word, *where = started.stdout.readline().decode().split()[:3]
    assert word == "listening"
    return where[0] if where[0].startswith("/") else f"socket://{where[0]}:{where[1]}"


def test_nothing_is_written_but_what_the_ledger_holds(tmp_path: Path) -> None:
    """Terminals and TCP: set-up commands, requests and the lamp's lines; each byte of it, and no other, is recorded.

    Nor does the watcher listen on the network, or reach for anybody but its feeds.
    """
    tracing = strace()
    log, trace = tmp_path / "log.txt", tmp_path / "trace.txt"
    with ExitStack() as stack:
        playing = ("--scenario", "short-pull", "--start-at", "client")
        ports = {
            "ecu": listening(program(stack, "pullwatch_sim.can_node", *playing, "--pty", str(tmp_path / "can"))),
            "wideband": listening(program(stack, "pullwatch_sim.serial_lambda", *playing, "--listen", "127.0.0.1:0")),
            "diagnostics": listening(
                program(stack, "pullwatch_sim.diagnostics_responder", *playing, "--listen", "127.0.0.1:0")
            ),
        }
        board = program(stack, "pullwatch_sim.lamp_board", "--pty", str(tmp_path / "lamp"))
        ports["lamp"] = listening(board)
        setup = tmp_path / "setup.toml"
        setup.write_text(SETUP.format(**ports, dbc=DBC), encoding="utf-8")
        behind = {
            name: os.path.realpath(port) if port.startswith("/") else port.removeprefix("socket://")
            for name, port in ports.items()
        }
        sessions = tmp_path / "sessions" / "here"
        command = [
            *(tracing, "-D", "-f", "-yy", "-xx", "-s", "65536", "-o", str(trace)),
            *("-e", f"trace={WRITING},listen,bind,connect,ioctl", "-e", "signal=none"),
            *(sys.executable, "-m", "pullwatch", "watch", str(setup), "--sessions", str(sessions), "--device", "null"),
        ]
        with log.open("wb") as stdout:
            watcher = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=stdout, stderr=subprocess.STDOUT)
            stack.callback(watcher.kill)
        assert board.stdout is not None
        deadline = time.monotonic() + PATIENCE_S
        for _ in range(4):  # two times bright and dim: some seconds
            while not select.select([board.stdout], [], [], 0.1)[0]:
                assert watcher.poll() is None, log.read_text()
                assert time.monotonic() < deadline, log.read_text()
            board.stdout.readline()
        interrupt(watcher)
        ended = f"\n{watcher.pid} +++ exited"
        deadline = time.monotonic() + PATIENCE_S
        while ended not in trace.read_text(encoding="utf-8") and time.monotonic() < deadline:
            with suppress(subprocess.TimeoutExpired):
                board.wait(0.05)
    calls = list(calls_in(trace.read_text(encoding="utf-8")))
    (folder,) = {part.parent for part in sessions.glob("*/0001.mcap")}
    session = Session(folder)
    recorded = {name: b"".join(w.data for w in ledger(session.events()) if w.to == name) for name in ports}

    seen = dict.fromkeys(ports, b"")
    others = set()
    for call in calls:
        if call.name not in WRITING.split(","):
            continue
        assert call.behind, call.text
        if call.behind.startswith(("/dev/null", "pipe:", "UNIX", "anon_inode:", "/proc/", str(tmp_path), "/dev/shm/")):
            continue
        name = next(
            (name for name, end in behind.items() if call.behind == end or call.behind.endswith(f"->{end}]")), ""
        )
        if name:
            seen[name] += call.data
        else:
            others.add(call.behind)
    assert others == set()
    assert seen == recorded
    assert seen["ecu"].startswith(b"C\rS6\rL\rF\r")
    assert set(seen["ecu"].split(b"\r")) == {b"C", b"S6", b"L", b"F", b""}
    assert seen["ecu"].endswith(b"C\r")
    assert seen["wideband"] == b""
    assert re.fullmatch(rb"C\rS6\rO\r(t7[0-9A-F]+\r|T18[0-9A-F]+\r)+C\r", seen["diagnostics"])
    assert set(seen["lamp"].split(b"\n")) == {b"M", b"B", b"D", b""}
    assert seen["lamp"].endswith(b"\nD\n")

    writes = ledger(session.events())
    assert {write.port for write in writes} == {ports[name] for name in ports if name != "wideband"}
    assert [write.t for write in writes] == sorted(write.t for write in writes)

    assert not [call.text for call in calls if call.name in ("listen", "bind") and "UNIX" not in call.behind]
    reached = {call.text for call in calls if call.name == "connect" and "AF_UNIX" not in call.text}
    assert all("127.0.0.1" in unescaped(text).decode("utf-8", "replace") for text in reached)
    # A byte can be pushed into a terminal by an ioctl too.
    assert not [call.text for call in calls if "TIOCSTI" in call.text]
    # The car is called "../../copper hatch", and its session lies where sessions lie.
    assert folder.parent == sessions
    assert re.fullmatch(r"[\d_-]+_copper-hatch", folder.name)
