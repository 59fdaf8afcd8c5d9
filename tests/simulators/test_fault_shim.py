"""The bad cable as a program: real bytes through it, with a field stuck, with garbage, unplugged and back."""

from __future__ import annotations

import socket
import time
from contextlib import closing

import pytest

from pullwatch_sim import fault_shim

from .test_programs import DEADLINE_S, program

LAMBDA = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--start-at", "client")


def connected(host: str, port: str) -> socket.socket:
    """Connect, as soon as somebody listens."""
    deadline = time.monotonic() + DEADLINE_S
    while True:
        try:
            client = socket.create_connection((host, int(port)), timeout=DEADLINE_S)
        except ConnectionRefusedError:
            assert time.monotonic() < deadline, "nobody listens again"
        else:
            return client


def heard(client: socket.socket, lines: int) -> list[bytes]:
    """Return what comes, cut at line ends, until there are so many lines or the other end is gone."""
    out = b""
    while out.count(b"\n") < lines:
        try:
            data = client.recv(65_536)
        except ConnectionResetError:  # a pulled cable may end a connection so
            break
        if not data:
            break
        out += data
    return out.split(b"\n")[:-1]


def through(*faults: str) -> tuple[str, ...]:
    """Return the arguments of the program for these faults."""
    return ("--listen", "127.0.0.1:0", "--format", "lines", "--start-at", "client", *faults)


def test_a_field_is_stuck_and_then_garbage_comes() -> None:
    """For a second one number stays and the rest goes on; for half a second nothing can be read; then all is well."""
    faults = ("--fault", "stuck 0 1 field=lambda", "--fault", "garbage 1 1.5")
    with program("serial_lambda", *LAMBDA) as (_, far), program(
        "fault_shim", "--from", f"{far[1]}:{far[2]}", *through(*faults)
    ) as (_, near), closing(connected(near[1], near[2])) as client:  # fmt: skip
        client.settimeout(DEADLINE_S)
        lines = heard(client, 140)
    whole = [line.startswith(b"lambda=") and b";state=" in line for line in lines]
    stuck = {line.partition(b";")[0] for line in lines[5:35]}
    assert all(whole[5:35])
    assert len(stuck) == 1
    assert not all(whole[45:100])
    assert all(whole[-20:])


def test_a_cable_is_pulled_and_plugged_in_again() -> None:
    """The connection ends, and is there again half a second later."""
    with program("serial_lambda", *LAMBDA) as (_, far), program(
        "fault_shim", "--from", f"{far[1]}:{far[2]}", *through("--fault", "unplugged 0.5 1")
    ) as (_, near):  # fmt: skip
        with closing(connected(near[1], near[2])) as client:
            client.settimeout(DEADLINE_S)
            before = heard(client, 10_000)
        assert 5 < len(before) < 60
        deadline, after = time.monotonic() + DEADLINE_S, 0
        while after < 20 and time.monotonic() < deadline:  # while it is pulled a connection ends as soon as it is there
            with closing(connected(near[1], near[2])) as client:
                client.settimeout(DEADLINE_S)
                after = len(heard(client, 20))
        assert after >= 20


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--format", "lines", "--listen", "127.0.0.1:0"], "--from"),
        (["--from", "127.0.0.1:1", "--format", "morse", "--listen", "127.0.0.1:0"], "invalid choice"),
        (["--from", "127.0.0.1:1", "--format", "lines", "--listen", "x", "--fault", "off 1 2"], "x"),
        (["--from", "127.0.0.1:1", "--format", "lines", "--listen", "127.0.0.1:0", "--fault", "of 1 2"], "of"),
    ],
)
def test_wrong_arguments_are_refused(arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is started on arguments that cannot be."""
    with pytest.raises(SystemExit) as ended:
        fault_shim.main(arguments)
    assert ended.value.code
    assert words in capsys.readouterr().err + str(ended.value.code)
