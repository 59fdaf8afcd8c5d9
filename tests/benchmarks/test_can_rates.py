"""How many frames a second each CAN driver brings in without loss, and how late. `--benchmark-enable -s` prints it.

A process beside this one plays the adapter (for `virtual`, which lives within one process, a thread). It writes frames
with the time of writing in their data; the feed stamps them. A driver's rate is the highest of the ladder at which no
frame is missing, the sender was not held up, and 99 of 100 frames are stamped within 1 ms. Nothing is held to it: a
busy machine is no bug. The figures in the hardware notes are made with it.
"""

from __future__ import annotations

import asyncio
import os
import socket
import struct
import sys
import threading
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import can
import pytest

from pullwatch.batch import Kind
from pullwatch.clock import SessionClock
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import Packed
from pullwatch.decoders.slcan import Slcan
from pullwatch.feeds.can_bus import CanBusFeed
from pullwatch.feeds.intake import Intake
from pullwatch.feeds.kinds import build
from pullwatch.feeds.options import CanOptions

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from pullwatch.feeds.base import Feed

SENDER: Final = Path(__file__).with_name("can_sender.py")
LADDER: Final = (500, 1_000, 2_000, 3_000, 4_000, 6_000, 8_000)
"""Frames a second. A full classic bus of 1 Mbit/s carries about 8,000 of 8 bytes."""
SECONDS: Final = 1.0
TRIES: Final = 3
"""Runs of each rate, of which the best counts: what else the machine does is no property of a driver."""
PATIENCE: Final = 30.0
NOT_HERE: Final = ("socketcan", "every USB adapter's own driver")


@dataclass(frozen=True)
class Step:
    """What came of one rate: frames sent and taken, seconds it took to send them, latencies in ms, in order."""

    rate: int
    sent: int
    taken: int
    took: float
    late: list[float]

    @property
    def p99(self) -> float:
        """What 99 of 100 frames were not later than, ms."""
        return self.late[int(0.99 * (len(self.late) - 1))] if self.late else float("nan")

    @property
    def whole(self) -> bool:
        """Whether nothing is missing and the sender was not held up."""
        return self.sent == self.taken and self.took * self.rate < 1.1 * self.sent

    @property
    def good(self) -> bool:
        """Whether nothing is missing, nobody was held up, and all but one of 100 frames came within 1 ms."""
        return self.whole and self.p99 <= 1.0

    @property
    def order(self) -> tuple[bool, float]:
        """What the best of several runs is the least of."""
        return not self.whole, self.p99


Opened: TypeAlias = "tuple[Feed, Callable[[int, float], Awaitable[tuple[int, float]]], Callable[[], None]]"
"""A feed, what sends frames at a rate for some seconds and returns (sent, seconds), and what closes the hardware."""


async def told(wire: int, form: str, rate: int, seconds: float) -> tuple[int, float]:
    """Have the process beside this one send; return how many frames, and how long it took."""
    arguments = (str(SENDER), str(wire), form, str(rate), str(seconds))
    process = await asyncio.create_subprocess_exec(
        sys.executable, *arguments, pass_fds=(wire,), stdout=asyncio.subprocess.PIPE
    )
    said, _ = await asyncio.wait_for(process.communicate(), PATIENCE)
    sent, took = said.split()
    return int(sent), float(took)


def options(port: str, adapter: str, **more: Any) -> CanOptions:
    return CanOptions(name="ecu", kind="can", adapter=adapter, port=port, dbc="x.dbc", channels={}, **more)


def on_pty(adapter: str, form: str, **more: Any) -> Callable[[], Opened]:
    """Return what opens a driver of a serial adapter, on a pseudo terminal."""

    def opened() -> Opened:
        far, near = os.openpty()
        tty.setraw(near)
        feed = build(options(os.ttyname(near), adapter, **more), 1, Path())

        def close() -> None:
            os.close(far)
            os.close(near)

        return feed, lambda rate, seconds: told(far, form, rate, seconds), close

    return opened


def slcan_of_python_can() -> Opened:
    """Open python-can's own slcan driver, for comparison: pullwatch itself never takes it."""
    far, near = os.openpty()
    tty.setraw(near)
    feed = CanBusFeed(1, options(os.ttyname(near), "slcan", adapter_options={"sleep_after_open": 0}))

    def close() -> None:
        os.close(far)
        os.close(near)

    return feed, lambda rate, seconds: told(far, "slcan", rate, seconds), close


def socketcand() -> Opened:
    """Open python-can's socketcand driver at a server on 127.0.0.1."""
    server = socket.create_server(("127.0.0.1", 0))
    served: list[socket.socket] = []

    def serve() -> None:
        for _ in range(2):  # the feed looks whether somebody greets, then the driver comes
            client, _ = server.accept()
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client.sendall(b"< hi >")
            served.append(client)
        for _ in range(2):
            served[-1].recv(64)
            served[-1].sendall(b"< ok >")

    threading.Thread(target=serve, daemon=True).start()
    where = {"host": "127.0.0.1", "port": server.getsockname()[1]}
    feed = build(options("can0", "socketcand", adapter_options=where), 1, Path())

    def close() -> None:
        server.close()
        for client in served:
            client.close()

    return feed, lambda rate, seconds: told(served[-1].fileno(), "socketcand", rate, seconds), close


def virtual() -> Opened:
    """Open python-can's virtual bus; its other node is a thread here, as it cannot be elsewhere."""
    feed = build(options("bench", "virtual"), 1, Path())

    def send(rate: int, seconds: float) -> tuple[int, float]:
        begun = time.monotonic()
        count, clock = int(rate * seconds), getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
        with can.Bus(channel="bench", interface="virtual", ignore_config=True) as bus:
            for number in range(count):
                wait = begun + number / rate - time.monotonic()
                if wait > 0:
                    time.sleep(wait)
                data = struct.pack(">Q", time.clock_gettime_ns(clock))
                bus.send(can.Message(arbitration_id=0x100, is_extended_id=False, data=data))
        return count, time.monotonic() - begun

    return feed, lambda rate, seconds: asyncio.to_thread(send, rate, seconds), lambda: None


DRIVERS: Final[dict[str, Callable[[], Opened]]] = {
    "slcan (pullwatch's own), pty": on_pty("slcan", "slcan"),
    "slcan by python-can, pty": slcan_of_python_can,
    "serial by python-can, pty": on_pty("serial", "serial"),
    "socketcand by python-can, TCP": socketcand,
    "virtual, within the process": virtual,
}


async def measured(opened: Callable[[], Opened], rate: int, seconds: float = SECONDS) -> Step:
    """Send at one rate through one driver, and take the records as they come."""
    feed, send, close = opened()
    clock, woken = SessionClock(), asyncio.Event()
    intake = Intake(clock, woken.set)
    framing: Any = Slcan() if not isinstance(feed, CanBusFeed) else Packed()
    ledger, late, taken = Ledger(), [], 0
    feed.start(intake)
    try:
        found = False
        while not found:
            await asyncio.wait_for(woken.wait(), PATIENCE)
            woken.clear()
            found = any(record.kind is Kind.FOUND for record in intake.take()[1])
        sending = asyncio.ensure_future(send(rate, seconds))
        idle = 0
        while not sending.done() or idle < 3:
            try:
                await asyncio.wait_for(woken.wait(), 0.1)
            except TimeoutError:
                idle += sending.done()
            woken.clear()
            for record in intake.take()[1]:
                if record.kind is not Kind.DATA:
                    continue
                for _, word, data, _ in framing.few(record.t, record.data, ledger):
                    if word == 0x100 and len(data) == 8:
                        taken += 1
                        late.append((record.t + clock.zero - struct.unpack(">Q", data)[0]) / 1e6)
        sent, took = await sending
    finally:
        await feed.stop()
        close()
    return Step(rate, sent, taken, took, sorted(late))


@pytest.mark.parametrize("driver", DRIVERS)
async def test_frames_a_second(driver: str, request: pytest.FixtureRequest) -> None:
    """The ladder of one driver, from the bottom up until frames are missing or late to be sent; printed only."""
    if not request.config.getoption("benchmark_enable"):
        step = await measured(DRIVERS[driver], 100, 0.2)
        assert step.taken == step.sent > 0
        return
    best: Step | None = None
    whole = 0
    for rate in LADDER:
        step = min([await measured(DRIVERS[driver], rate) for _ in range(TRIES)], key=lambda step: step.order)
        print(
            f"\n{driver:31} {rate:6,} frames/s: {step.sent - step.taken:6,} lost, "
            f"p50 {step.late[len(step.late) // 2]:7.3f} p99 {step.p99:8.3f} most {step.late[-1]:8.3f} ms, "
            f"sent in {step.took:4.1f} s",
            end="",
        )
        best = step if step.good else best
        if not step.whole:
            break
        whole = rate
    held = "none" if best is None else f"{best.rate:,} frames/s, p99 {best.p99:.2f} ms"
    print(f"\n{driver:31} within 1 ms: {held}; without loss: {whole:,} frames/s")
    print(f"not measured here: {', '.join(NOT_HERE)}")
