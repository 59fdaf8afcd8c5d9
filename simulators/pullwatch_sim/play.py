"""Play a tape through a port in real time (or faster), and what the programs share on their command lines."""

from __future__ import annotations

import gc
import select
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from pullwatch_sim.ports import PtyPort, TcpPort
from pullwatch_sim.scenarios import ScenarioError
from pullwatch_sim.truth import scenario_of, simulate, with_arguments

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Sequence

    from pullwatch_sim.ports import Port
    from pullwatch_sim.tape import Tape
    from pullwatch_sim.truth import Truth

MS = 1_000_000
LONGEST_NAP = 20 * MS
"""A terminal does not tell when somebody opens it: look this often (real ns)."""


class Clock(Protocol):
    """Scenario time, and waiting on it."""

    def now(self) -> int:
        """Scenario ns."""
        ...

    def begin(self) -> None:
        """Start the scenario now, if it waits for a client."""
        ...

    def wait(self, readers: list[int], writers: list[int], until: int) -> list[int]:
        """Wait until a descriptor is ready or scenario time `until` has come; return the readable ones."""
        ...


class RealClock:
    """Scenario time on CLOCK_MONOTONIC: `start_at` ns is its zero (None: `begin` is), `speed` how fast it runs."""

    def __init__(self, start_at: int | None, speed: float = 1.0) -> None:
        self._start_at = start_at
        self._speed = speed

    def now(self) -> int:
        """Scenario ns; below zero before the start."""
        if self._start_at is None:
            return -1
        return int((time.monotonic_ns() - self._start_at) * self._speed)

    def begin(self) -> None:
        """Start the scenario now, if it waits for a client."""
        if self._start_at is None:
            self._start_at = time.monotonic_ns()

    def wait(self, readers: list[int], writers: list[int], until: int) -> list[int]:
        """Wait, at least 1 ms of real time unless a descriptor is ready, and 20 ms at most."""
        nap = min(max((until - self.now()) / self._speed, MS), LONGEST_NAP)
        return select.select(readers, writers, [], nap / 1e9)[0]


class Cursor:
    """Where a tape is: gives what has fallen due since the last time. The evening may be played several times over."""

    def __init__(self, tape: Tape, duration: int, repeats: int = 1) -> None:
        self.tape = tape
        self.end = duration * repeats
        self._duration = duration
        self._repeats = repeats
        self._at = 0

    def _position(self, now: int) -> int:
        lap = min(max(now // self._duration, 0), self._repeats - 1)
        before = lap * len(self.tape)
        first = max(self._at - before, 0)
        return before + self.tape.after(now - lap * self._duration, min(first, len(self.tape)))

    def skip_to(self, now: int) -> None:
        """Go on from `now` without giving what lies before."""
        self._at = 0
        self._at = self._position(now)

    def take(self, now: int) -> tuple[bytes, int]:
        """Return the lines that fell due by `now`, and how many they are."""
        beyond = self._position(now)
        first, n = self._at, len(self.tape)
        if beyond <= first:
            return b"", 0
        self._at = beyond
        if first // n == (beyond - 1) // n:
            return self.tape.slice(first % n, (beyond - 1) % n + 1), beyond - first
        parts = [self.tape.slice(first % n, n)]
        parts += [self.tape.slice(0, n)] * ((beyond - 1) // n - first // n - 1)
        parts.append(self.tape.slice(0, (beyond - 1) % n + 1))
        return b"".join(parts), beyond - first

    def next_due(self) -> int:
        """Scenario ns of the next line; the end when there is none."""
        n = len(self.tape)
        if not n or self._at >= n * self._repeats:
            return self.end
        return self._at // n * self._duration + self.tape.times[self._at % n]


class Device(Protocol):
    """What stands behind a port."""

    away: Sequence[tuple[int, int]]
    """Spans of scenario ns in which it is unplugged."""

    def met(self, now: int) -> None:
        """Take note of a new client."""
        ...

    def answer(self, data: bytes, now: int) -> bytes:
        """Hear what the client sent; return what is said to it."""
        ...

    def due(self, now: int) -> tuple[bytes, int]:
        """Return what is to be sent by itself up to now, and how many lines that is."""
        ...

    def next_due(self) -> int:
        """Scenario ns at which there is something to send again."""
        ...

    def lost(self, lines: int) -> None:
        """So many lines found no room on the way to the client."""
        ...


def serve(port: Port, device: Device, clock: Clock, end: int) -> None:
    """Play until scenario time `end`: take in clients, answer them, send what falls due, in bursts of 1 ms at most."""
    known = 0
    ready: list[int] = []
    while (now := clock.now()) < end:
        if device.away:
            away = any(begin <= now < until for begin, until in device.away)
            if away and port.plugged:
                port.unplug()
            elif not away and not port.plugged:
                port.plug()
        heard = port.receive(ready)
        if port.clients != known:
            known = port.clients
            clock.begin()
            now = clock.now()
            device.met(now)
        if heard:
            said = device.answer(heard, now)
            if said:
                port.send(said)
        data, lines = device.due(now)
        if data and port.connected and not port.send(data):
            device.lost(lines)
        ready = clock.wait(port.readers(), port.writers(), min(device.next_due(), end))


def away_spans(truth: Truth, kind: str) -> list[tuple[int, int]]:
    """Spans of scenario ns in which an adapter is unplugged: by faults of `kind`, or while the starter turns."""
    spans = [(round(h.begin_s * 1e9), round(h.end_s * 1e9)) for h in truth.happenings if h.kind == kind]
    if "crank_brown_out" in truth.scenario.confounders:
        turning = truth.values["engine_speed"] > 30.0
        if turning.any():
            begin = int(turning.argmax()) * MS
            spans.append((begin, begin + 400 * MS))
    return spans


def _moment(text: str) -> int | str:
    if text in ("ready", "client"):
        return text
    return int(text)


def arguments_of(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Add what both programs take."""
    with_arguments(parser)
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--listen", metavar="HOST:PORT", help="TCP address to listen on; port 0: any free one")
    where.add_argument("--pty", type=Path, metavar="LINK", help="make a pseudo-terminal and a link to it here")
    parser.add_argument(
        "--start-at",
        type=_moment,
        default="ready",
        help="monotonic ns at which the scenario begins, `ready` (when this program is), `client` (when one comes)",
    )
    parser.add_argument("--speed", type=float, default=1.0, help="how much faster than real time")
    parser.add_argument("--repeat", type=int, default=1, help="play the evening so many times over")
    parser.add_argument("--linger", type=float, default=5.0, help="seconds that the port stays after the end")
    return parser


def open_port(parser: argparse.ArgumentParser, chosen: argparse.Namespace) -> Port:
    """Open the port that the arguments ask for; ends the program with a sentence when that cannot be."""
    try:
        if chosen.pty is not None:
            return PtyPort(chosen.pty)
        host, colon, number = chosen.listen.rpartition(":")
        if not colon or not number.isdigit() or int(number) > 65_535:
            parser.error(f"--listen {chosen.listen}: expected HOST:PORT, such as 127.0.0.1:0")
        return TcpPort(host, int(number))
    except OSError as error:
        parser.error(f"cannot open {chosen.pty or chosen.listen}: {error.strerror}")


def play(
    parser: argparse.ArgumentParser,
    chosen: argparse.Namespace,
    build: Callable[[Truth], tuple[Device, int]],
) -> int:
    """Make the evening, open the port, play to the end. `build` returns the device and how long it plays (ns)."""
    if not 0.01 <= chosen.speed <= 1_000.0:
        parser.error(f"--speed {chosen.speed:g}: expected 0.01 to 1000")
    if chosen.repeat < 1:
        parser.error(f"--repeat {chosen.repeat}: expected 1 or more")
    try:
        device, end = build(simulate(scenario_of(chosen)))
    except ScenarioError as error:
        parser.error(str(error))
    port = open_port(parser, chosen)
    # The tape is the program's only large thing and never changes: keep the collector from walking it.
    gc.collect()
    gc.freeze()
    start = {"ready": time.monotonic_ns(), "client": None}.get(chosen.start_at, chosen.start_at)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        print(f"listening {port.where}", flush=True)
        serve(port, device, RealClock(start, chosen.speed), end + int(chosen.linger * 1e9 * chosen.speed))
        print("ended", flush=True)
    except KeyboardInterrupt:
        pass
    finally:
        port.unplug()
    return 0
