"""The box that writes binary packets: its bytes against an independent reading, its faults, the program on the wire."""

from __future__ import annotations

import os
import select
import socket
import struct
import time
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest
import serial
from crccheck.crc import Crc16Ibm3740

from pullwatch_sim import serial_packet
from pullwatch_sim.play import away_spans
from pullwatch_sim.scenarios import fault_on_command_line, load
from pullwatch_sim.sensors import ERROR, HEATING, READY, Readings
from pullwatch_sim.serial_packet import CUT, LAMBDA_AT_FAULT, NO_LAMBDA, packet, record_packets
from pullwatch_sim.truth import Truth, simulate

from .test_programs import DEADLINE_S, line_of, program

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch_sim.tape import Tape


class Read(NamedTuple):
    """One packet, taken apart by hand."""

    number: int
    speed: int
    manifold: int
    mixture: int
    state: int
    throttle: int
    oil: int
    coolant: int
    battery: int
    barometric: int
    exhaust: float | None


def taken_apart(data: bytes) -> Read:
    """Take one packet apart, and hold its checksum against the library's bitwise reckoning."""
    assert data[:2] == b"\xc3\x3c"
    assert len(data) == data[2] + 3
    assert int.from_bytes(data[-2:], "big") == Crc16Ibm3740.calc(data[2:-2])
    exhaust = struct.unpack(">f", data[19:23])[0] if len(data) == 25 else None
    assert len(data) in (21, 25)
    number, speed, manifold, mixture, state, throttle, oil, coolant, battery, barometric = struct.unpack(
        ">BHHHBBhBHH", data[3:19]
    )
    return Read(number, speed, manifold, mixture, state, throttle, oil, coolant, battery, barometric, exhaust)


def all_of(tape: Tape) -> list[Read]:
    return [taken_apart(tape.slice(i, i + 1)) for i in range(len(tape))]


def pull_with(text: str) -> Truth:
    scenario = load("short-pull")
    return simulate(replace(scenario, faults=(*scenario.faults, fault_on_command_line(text))))


def test_the_checksum_of_a_packet() -> None:
    """The checksum is CRC-16/IBM-3740, whose check figure in the CRC catalogue is 0x29B1 (from memory)."""
    body = b"23456789"
    made = packet(body)
    assert made[2] == len(body) + 2
    assert Crc16Ibm3740.calc(b"123456789") == 0x29B1
    assert int.from_bytes(made[-2:], "big") == Crc16Ibm3740.calc(bytes([10]) + body)


def test_packets_carry_the_readings(short_pull: Truth) -> None:
    """Every number of every packet is what the sensor said at its time, to half a step."""
    tape = record_packets(short_pull)
    times = np.array(tape.times) / 1e9
    packets = all_of(tape)
    readings = Readings(short_pull)
    assert len(packets) == pytest.approx(short_pull.duration_s * 100, abs=3)
    # The readings carry noise that hangs on how often one asks, so that the truth is asked, with room for it.
    for values, channel, step, offset, room in (
        ([p.speed for p in packets], "engine_speed", 0.25, 0, 15),
        ([p.manifold for p in packets], "manifold_pressure", 0.02, 0, 2.0),
        ([p.oil for p in packets], "oil_pressure", 0.1, 0, 7),
        ([p.coolant for p in packets], "coolant_temperature", 1.0, 40, 0.6),
        ([p.battery for p in packets], "battery_voltage", 0.001, 0, 0.1),
        ([p.barometric for p in packets], "barometric_pressure", 0.02, 0, 0.2),
    ):
        true = readings.truth.values[channel][(times * 1_000).astype(np.int64)]
        assert np.array(values) * step - offset == pytest.approx(true, abs=room), channel
    ready = [i for i, p in enumerate(packets) if p.state & 0x0F == READY]
    true = short_pull.values["lambda"][(times[ready] * 1_000).astype(np.int64)]
    assert np.array([packets[i].mixture for i in ready]) * 1e-4 == pytest.approx(true, abs=0.02)
    exhaust = [(times[i], p.exhaust) for i, p in enumerate(packets) if p.exhaust is not None]
    assert len(exhaust) == pytest.approx(len(packets) / 10, abs=1)
    for t, celsius in exhaust:
        assert celsius == pytest.approx(short_pull.values["exhaust_gas_temperature"][int(t * 1_000)], abs=6)
    assert {p.number for p in packets} == set(range(256))
    assert any(p.state & CUT for p in packets)
    assert max(p.throttle for p in packets) == pytest.approx(200, abs=2)


def test_what_stands_for_lambda() -> None:
    """While it heats there is none, or with that confounder a likely number; a sensor at fault says so."""
    plain = simulate(load("short-pull", None, []))
    heating = {p.mixture for p in all_of(record_packets(plain)) if p.state & 0x0F == HEATING}
    assert heating == {NO_LAMBDA}
    looks = simulate(load("short-pull", None, ["heating_value"]))
    likely = {p.mixture for p in all_of(record_packets(looks)) if p.state & 0x0F == HEATING}
    assert min(likely) >= 8_400
    assert max(likely) <= 8_800
    wrong = {p.mixture for p in all_of(record_packets(pull_with("lambda_error 5 7"))) if p.state & 0x0F == ERROR}
    assert wrong == {LAMBDA_AT_FAULT}


def test_faults_of_the_bus_are_the_boxs() -> None:
    """Silence is silence, garbage damages this share of the packets, unplugged is gone."""
    silent = record_packets(pull_with("bus_silent 5 7"))
    assert not any(5.0e9 <= t < 7.0e9 for t in silent.times)
    assert any(t >= 7.0e9 for t in silent.times)
    whole = record_packets(pull_with("bus_garbage 5 7 share=0"))
    bad = record_packets(pull_with("bus_garbage 5 7 share=0.5"))
    changed = [whole.slice(i, i + 1) != bad.slice(i, i + 1) for i in range(len(whole))]
    assert 0.4 < sum(changed) / 200 < 0.6
    assert not any(changed[i] for i, t in enumerate(whole.times) if not 5.0e9 <= t < 7.0e9)
    assert away_spans(pull_with("can_unplugged 5 7"), "can_unplugged") == [(5_000_000_000, 7_000_000_000)]


def test_bundles_and_jitter_move_packets() -> None:
    """The confounders of every wire are this one's too."""
    times = {
        name: list(record_packets(simulate(load("short-pull", None, [name]))).times)
        for name in ("frame_jitter", "usb_bundles", "wall_film")
    }
    assert all(t % 16_000_000 == 0 for t in times["usb_bundles"])
    assert 0 < max(abs(a - b) for a, b in zip(times["frame_jitter"], times["wall_film"], strict=True)) <= 400_000


def test_the_program_over_tcp_and_on_a_terminal(tmp_path: Path) -> None:
    """Whoever connects gets whole packets, over TCP and on a terminal, whose bytes nothing translates."""
    link = tmp_path / "box"
    arguments = ("--scenario", "short-pull", "--start-at", "client", "--speed", "10", "--linger", "0")
    with (
        program("serial_packet", *arguments, "--listen", "127.0.0.1:0") as (_, words),
        socket.create_connection((words[1], int(words[2])), timeout=DEADLINE_S) as box,
    ):
        got = b""
        while len(got) < 4_000 and (data := box.recv(4_096)):
            got += data
    with (
        program("serial_packet", *arguments, "--pty", str(link)) as (_, words),
        serial.Serial(words[1], timeout=0) as port,
    ):
        same, deadline = b"", time.monotonic() + DEADLINE_S
        while len(same) < 4_000 and time.monotonic() < deadline:
            if select.select([port.fileno()], [], [], 0.5)[0]:
                same += os.read(port.fileno(), 65_536)
    assert same[:4_000] == got[:4_000]
    numbers = []
    at = 0
    while at + 25 < 4_000:
        numbers.append(taken_apart(got[at : at + got[at + 2] + 3]).number)
        at += got[at + 2] + 3
    assert numbers == [(numbers[0] + i) & 0xFF for i in range(len(numbers))]


def test_the_program_ends_by_itself() -> None:
    """After the evening it says so and ends well."""
    arguments = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--speed", "500", "--linger", "0")
    with program("serial_packet", *arguments) as (started, _):
        assert line_of(started) == "ended"
        assert started.wait(DEADLINE_S) == 0


def test_wrong_command_lines(capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be done is said in a sentence, before anything listens."""
    with pytest.raises(SystemExit):
        serial_packet.main(["--scenario", "short-pull", "--listen", "127.0.0.1:0", "--speed", "0"])
    assert "--speed 0: expected" in capsys.readouterr().err
