"""Hearing real bytes over a pseudo terminal and TCP, the adapter's commands, and the search for the speed of a line."""

from __future__ import annotations

import asyncio
import os
import random
import tty
from contextlib import suppress
from pathlib import Path

import pytest

from pullwatch.errors import PortError
from pullwatch.feeds.kinds import build
from pullwatch.feeds.options import CanOptions
from pullwatch.finding.frames import read_bus
from pullwatch.finding.heard import Heard
from pullwatch.finding.hearing import SURE, USUAL_SPEEDS, find_speed, hear, stream
from pullwatch.finding.sorting import Sort, sort
from pullwatch.finding.telling import tell_speeds

from .hearings import LAMBDA_LINES, Talker, heard, heard_lines

TEXT = "\r\n".join(["ail", *LAMBDA_LINES, ""]).encode()


async def test_a_serial_line_is_only_read() -> None:
    """Over a pseudo terminal real lines are heard until the cable is pulled, and not one byte is written to it."""
    far, near = os.openpty()
    tty.setraw(near)  # else the terminal itself echoes until the feed has set it up
    os.set_blocking(far, False)
    loop = asyncio.get_running_loop()
    left = [TEXT * 40]
    told = b""
    name = os.ttyname(near)

    def write() -> None:
        nonlocal told
        with suppress(BlockingIOError):
            told += os.read(far, 4096)
        with suppress(BlockingIOError):
            left[0] = left[0][os.write(far, left[0][:1024]) :]
        if not left[0]:
            loop.remove_writer(far)
            os.close(far)

    # The near end is held open until the feed has it too: else the far end would be hung up before.
    loop.add_writer(far, write)
    try:
        found = await hear(stream(name, 57_600), name, 20.0)
    finally:
        os.close(near)
    assert found.lost
    assert name in found.place
    talk = sort(found)
    assert talk.sort is Sort.LINES
    assert told == b""


def test_over_tcp_the_same_and_nothing_is_written() -> None:
    """A port of a TCP server gives what a serial port would; it is hung up early, and that is kept."""
    with Talker(TEXT) as device:
        found = asyncio.run(hear(stream(device.port, 115_200), device.port, 20.0))
    assert found.data == TEXT
    assert found.lost
    assert device.told == b""


def test_a_port_that_is_not_there_is_said_at_once() -> None:
    """What is missing is an error in words, not a silence."""
    with pytest.raises(PortError, match="is not there"):
        asyncio.run(hear(stream("/dev/no-such-port", 9_600), "/dev/no-such-port", 20.0))


def test_hearing_ends_in_time() -> None:
    """Silence is heard for as long as was asked, and is a hearing of nothing."""
    far, near = os.openpty()
    try:
        name = os.ttyname(near)
        found = asyncio.run(hear(stream(name, 9_600), name, 0.05))
    finally:
        os.close(far)
        os.close(near)
    assert (found.size, found.lost) == (0, "")
    assert found.seconds >= 0.05


def can_feed(port: str) -> CanOptions:
    """Return the options of an slcan adapter, listen-only."""
    return CanOptions.model_validate({"name": "heard", "kind": "can", "port": port, "dbc": "", "channels": {}})


def test_an_slcan_adapter_is_told_only_to_listen() -> None:
    """All that is written are its own commands: close, the bit rate, open listen-only."""
    with Talker(b"".join(b"t2A12%02X07\r" % n for n in range(50)), after=b"L\r") as device:
        found = asyncio.run(hear(build(can_feed(device.port), 1, Path()), device.port, 20.0))
    bus = read_bus(found, slcan=True)
    assert bus is not None
    assert (bus.frames, bus.identifiers[0].can_id) == (50, 0x2A1)
    assert device.told == b"C\rS6\rL\r"


def test_an_adapter_that_refuses_to_listen_only_is_not_heard() -> None:
    """A refused command ends the hearing with its reason: what it answered is no sign of a bus."""
    with Talker(b"", after=b"L\r", answer=b"\a") as device, pytest.raises(PortError, match="refused"):
        asyncio.run(hear(build(can_feed(device.port), 1, Path()), device.port, 20.0))


class Line:
    """A serial line that is readable at one speed, and gives noise at the others. Never is one opened."""

    def __init__(self, right: int, at_right: Heard) -> None:
        self.right = right
        self.at_right = at_right
        self.asked: list[tuple[int, float]] = []

    async def hear_at(self, speed: int, seconds: float) -> Heard:
        """Hear it."""
        self.asked.append((speed, seconds))
        if speed == self.right:
            return self.at_right
        noise = random.Random(speed)
        return heard([noise.randbytes(32) for _ in range(60)])


async def test_the_speed_of_text_is_found_and_no_further_one_tried() -> None:
    """The first speed that gives lines is it."""
    line = Line(19_200, heard_lines(LAMBDA_LINES))
    tried = await find_speed(line.hear_at, 5.0)
    assert tried[0].speed == 19_200
    assert tried[0].talk.sure >= SURE
    assert [speed for speed, _ in line.asked] == list(USUAL_SPEEDS[:4])
    assert "19,200 Bd: lines of text" in tell_speeds(tried)[0]


async def test_what_only_repeats_is_never_sure() -> None:
    """Packets end no search: a wrong speed can repeat too, and it is said so."""
    packets = heard([bytes([0xAA, 0x55, n, 255 - n, n ^ 90, 7]) for n in range(150)])
    line = Line(USUAL_SPEEDS[0], packets)
    tried = await find_speed(line.hear_at, 5.0)
    assert len(line.asked) == len(USUAL_SPEEDS)
    assert (tried[0].speed, tried[0].talk.sort) == (USUAL_SPEEDS[0], Sort.PACKETS)
    assert "not a sure one" in tell_speeds(tried)[0]


async def test_silence_is_silence_at_every_speed() -> None:
    """Where no byte comes no further speed is tried, but it is heard for the whole time first."""
    line = Line(USUAL_SPEEDS[0], Heard((), 0, 1))
    tried = await find_speed(line.hear_at, 5.0)
    assert line.asked == [(USUAL_SPEEDS[0], 1.0), (USUAL_SPEEDS[0], 5.0)]
    assert tried[0].talk.sort is Sort.NOTHING


async def test_a_line_nobody_can_read_is_said_so() -> None:
    """Noise at every speed is not taken for anything."""
    line = Line(0, Heard())
    tried = await find_speed(line.hear_at, 5.0)
    assert all(one.talk.sort is Sort.UNREADABLE for one in tried)
    assert "No usual speed" in tell_speeds(tried)[0]


async def test_a_slow_line_is_heard_for_longer() -> None:
    """One sentence a second is too little for a trial: where all of it is printable, it is heard for the whole time."""
    short, long = heard([b"lambda=0.85\r\n"]), heard_lines(LAMBDA_LINES)
    asked: list[float] = []

    async def hear_at(speed: int, seconds: float) -> Heard:
        assert speed == USUAL_SPEEDS[0]
        asked.append(seconds)
        return short if len(asked) == 1 else long

    tried = await find_speed(hear_at, 5.0)
    assert asked == [1.0, 5.0]
    assert tried[0].talk.sort is Sort.LINES
