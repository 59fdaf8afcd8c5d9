"""The programs as programs: started, listened to over the wire, ended."""

from __future__ import annotations

import select
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import cantools
import pytest
import serial
from can.interfaces.slcan import slcanBus

from pullwatch_sim import can_node, serial_lambda
from pullwatch_sim.can_frames import DBC

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pullwatch_sim.truth import Truth

DEADLINE_S = 20.0


@contextmanager
def program(module: str, *arguments: str) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """Start a program, wait until it says where it listens, and end it afterwards."""
    command = [sys.executable, "-m", f"pullwatch_sim.{module}", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as started:
        try:
            yield started, line_of(started).split()
        finally:
            started.terminate()
            started.wait(DEADLINE_S)


def line_of(started: subprocess.Popen[str]) -> str:
    """Read one line of a program's output, within the deadline."""
    assert started.stdout is not None
    assert select.select([started.stdout], [], [], DEADLINE_S)[0], "the program said nothing"
    return started.stdout.readline().strip()


def test_can_node_over_tcp_with_python_can(short_pull: Truth) -> None:
    """A stranger's slcan client gets frames of the evening, and they decode to what truly was."""
    arguments = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--start-at", "client", "--speed", "10")
    with program("can_node", *arguments, "--frames-per-second", "310") as (_, words):
        assert words[:2] == ["listening", "127.0.0.1"]
        bus = slcanBus(f"socket://{words[1]}:{words[2]}", bitrate=500_000, sleep_after_open=0, listen_only=True)
        try:
            database: Any = cantools.database.load_file(DBC)
            speeds: list[float] = []
            deadline = time.monotonic() + DEADLINE_S
            while len(speeds) < 600 and time.monotonic() < deadline:
                message = bus.recv(timeout=2.0)
                if message is not None and message.arbitration_id == 0x2A1:
                    speeds.append(float(database.decode_message(message.arbitration_id, message.data)["Speed"]))
        finally:
            bus.shutdown()
    assert len(speeds) == 600
    # 600 frames at 100 Hz from soon after the start: the start and half of the pull.
    true = short_pull.values["engine_speed"]
    assert max(speeds) == pytest.approx(float(true[5_500:6_500].max()), rel=0.1)


def speeds_of(lines: list[bytes]) -> list[float]:
    """Take the engine speeds out of slcan lines by hand: the low 15 bits of frame 2A1, half a turn a step."""
    whole = [line for line in lines if line.startswith(b"t2A18") and len(line) == 21]
    return [(int.from_bytes(bytes.fromhex(line[5:].decode()), "little") & 0x7FFF) / 2 for line in whole]


def test_start_at_places_the_evening_in_time(tmp_path: Path, short_pull: Truth) -> None:
    """With a start given, whoever listens sees the evening at the moment that the clock says, here on a terminal."""
    start, speed = time.monotonic_ns(), 2
    arguments = ("--scenario", "short-pull", "--start-at", str(start), "--speed", str(speed))
    with (
        program("can_node", *arguments, "--pty", str(tmp_path / "can")) as (_, words),
        serial.Serial(words[1], timeout=0) as bus,
    ):
        assert words == ["listening", str(tmp_path / "can")]
        bus.write(b"C\rS6\rL\r")
        held, found, before, after = b"", 0.0, 0, time.monotonic_ns()
        deadline = time.monotonic() + DEADLINE_S
        while not found and time.monotonic() < deadline:
            select.select([bus.fileno()], [], [], 0.5)
            before, after = after, time.monotonic_ns()
            *lines, held = (held + bus.read(65_536)).split(b"\r")
            found = max((rpm for rpm in speeds_of(lines) if rpm > 3_000), default=0.0)
    begin = round(short_pull.moment("start of pull 1") * 1_000)
    moment_s = (begin + int((short_pull.values["engine_speed"][begin:] > found - 10.0).argmax())) / 1_000
    earliest, latest = ((t - start) * speed / 1e9 for t in (before, after))
    # It was sent between the two looks; a busy machine may have sent it late.
    assert earliest - 0.5 < moment_s < latest + 0.05


def test_lambda_program_cable_off_and_back() -> None:
    """The line falls silent while the connection stays, then goes on."""
    arguments = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--start-at", "client", "--speed", "10")
    with (
        program("serial_lambda", *arguments, "--fault", "lambda_cable_off 2 9") as (_, words),
        socket.create_connection((words[1], int(words[2])), timeout=DEADLINE_S) as wideband,
    ):
        gaps, last, got = [], time.monotonic(), b""
        while got.count(b"\n") < 200 and (data := wideband.recv(4_096)):
            gaps.append(time.monotonic() - last)
            last = time.monotonic()
            got += data
    assert got.count(b"\n") >= 200
    assert max(gaps) == pytest.approx(0.7, abs=0.25)


def test_lambda_program_cable_off_can_close() -> None:
    """With the option, the connection ends with the cable and can be made again afterwards."""
    arguments = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--start-at", "client", "--speed", "10")
    extra = ("--fault", "lambda_cable_off 2 6", "--cable-off-closes")
    with program("serial_lambda", *arguments, *extra) as (_, words):
        where = (words[1], int(words[2]))
        with socket.create_connection(where, timeout=DEADLINE_S) as wideband:
            while wideband.recv(4_096):
                pass
        deadline = time.monotonic() + DEADLINE_S
        again = b""
        while not again and time.monotonic() < deadline:
            try:
                with socket.create_connection(where, timeout=DEADLINE_S) as wideband:
                    again = wideband.recv(4_096)
            except ConnectionError:
                # Not there yet: come again, until the deadline.
                select.select([], [], [], 0.02)
    assert again.startswith(b"lambda=")


def test_a_program_ends_by_itself_and_leaves_no_link(tmp_path: Path) -> None:
    """After the evening and its lingering a program says so, takes its link away, and ends well."""
    link = tmp_path / "wideband"
    arguments = ("--scenario", "short-pull", "--pty", str(link), "--speed", "500", "--linger", "0")
    with program("serial_lambda", *arguments) as (started, words):
        assert words == ["listening", str(link)]
        assert line_of(started) == "ended"
        assert started.wait(DEADLINE_S) == 0
    assert not link.is_symlink()


def test_full_bus_loses_nothing() -> None:
    """8,000 frames a second arrive whole: the running number in the filler frames has no hole."""
    arguments = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--start-at", "client", "--full-bus")
    with (
        program("can_node", *arguments) as (_, words),
        socket.create_connection((words[1], int(words[2])), timeout=DEADLINE_S) as bus,
    ):
        bus.sendall(b"S8\rL\r")
        got, begin = bytearray(), time.monotonic()
        while got.count(b"\r") < 8_000 and (data := bus.recv(65_536)):
            got += data
        took = time.monotonic() - begin
    counts = [int(line[5:13], 16) for line in bytes(got).split(b"\r")[2:-1] if line[:4] not in b"t2A1t2A4t2B1t2C3T1C0"]
    assert counts == list(range(counts[0], counts[0] + len(counts)))
    assert len(counts) > 7_000
    assert took > 0.9


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--listen", "127.0.0.1"], "expected HOST:PORT"),
        (["--listen", "127.0.0.1:0", "--speed", "0"], "--speed 0: expected"),
        (["--listen", "127.0.0.1:0", "--repeat", "0"], "--repeat 0: expected"),
        (["--listen", "127.0.0.1:0", "--scenario", "dyno"], 'no scenario "dyno"'),
        (["--pty", "/proc/nowhere/link"], "cannot open /proc/nowhere/link"),
        ([], "one of the arguments --listen --pty is required"),
        (["--listen", "127.0.0.1:0", "--start-at", "noon"], "invalid"),
    ],
)
def test_wrong_command_lines(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be done is said in a sentence, before anything listens."""
    with pytest.raises(SystemExit) as caught:
        serial_lambda.main(["--scenario", "short-pull", *arguments])
    assert caught.value.code == 2
    output = capsys.readouterr()
    assert says in output.err
    assert output.out == ""


def test_too_few_frames(capsys: pytest.CaptureFixture[str]) -> None:
    """The car's own frames alone are 310 a second."""
    with pytest.raises(SystemExit):
        can_node.main(["--scenario", "short-pull", "--listen", "127.0.0.1:0", "--frames-per-second", "100"])
    assert "expected 310" in capsys.readouterr().err
