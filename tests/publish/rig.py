"""A real mosquitto on a free port, a session written as fast as a test likes, and a subscriber that writes down all."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest
from tests.recording.sessions import OPEN, HandClock, Stepped

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S, steady_ns
from pullwatch.publish.link import access
from pullwatch.publish.publisher import Patience, Publisher
from pullwatch.setup import load
from pullwatch.setup.equipment.broker import BrokerSection
from pullwatch.station import Path as WatchedPath
from pullwatch.watchdog.alarms import STATE_WORDS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.setup import Plan

DEADLINE_S = 20.0
HURRY = Patience(look=0.005, kept_every=0.0, state_every=0.5, linger=5.0, seat=2.0, retry=(0.02, 0.05))

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "PROFILE"

[[feed]]
name = "gauge"
kind = "serial-line"
port = "socket://127.0.0.1:9"
fields = [
  { channel = "lambda", key = "lambda" },
  { channel = "oil_pressure", key = "oil" },
  { channel = "engine_speed", key = "rpm" },
  { channel = "vehicle_speed", key = "kmh" },
  { channel = "latitude", key = "lat" },
]

[channel.lambda]
believable = [0.5, 2.0]
stale_after_ms = 300
delay_ms = [0, 0]
delay_per_cycle = false
blind_while = ""

[[rule]]
name = "oil pressure low"
trip = "oil_pressure < 100 kPa"
on_delay_ms = 100
off_delay_ms = 100
priority = "critical"
says = "Oil pressure. Lift."

[[rule]]
name = "lean"
trip = "lambda > 0.95 lambda"
off_delay_ms = 100
priority = "caution"
says = "Lean."

[[rule]]
name = "too fast"
trip = "vehicle_speed > 100 km/h"
off_delay_ms = 100
priority = "note"
says = "Fast."
"""


def mosquitto() -> str:
    """Return the broker program; skip where it is missing, unless everything must be there."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if found is None:
        if os.environ.get("PULLWATCH_COMPLETE"):
            pytest.fail("mosquitto is missing, and PULLWATCH_COMPLETE asks for every test.")
        pytest.skip("mosquitto is not installed: nothing can be published to it.")
    return found


def free_port() -> int:
    """Return a port nobody listens at just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Broker:
    """A mosquitto that can be killed and started again, at the same port. Retained messages are lost with it."""

    def __init__(self, folder: Path, *lines: str) -> None:
        self.program = mosquitto()
        self.folder = folder
        self.port = free_port()
        self.lines = lines or ("allow_anonymous true",)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens."""
        config = self.folder / "mosquitto.conf"
        config.write_text(
            "\n".join([f"listener {self.port} 127.0.0.1", *self.lines, "user root", "log_type error", ""])
        )
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen([self.program, "-c", str(config)], stdout=log, stderr=log)
        until = time.monotonic() + DEADLINE_S
        while True:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
                return
            assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
            assert time.monotonic() < until
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(0.01)

    def kill(self) -> None:
        """End it as a power cut does."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


def section(broker: Broker | Gate, **more: Any) -> BrokerSection:
    """Return a [broker] that leads to it."""
    return BrokerSection(host="127.0.0.1", port=broker.port, **more)


def plan_in(folder: Path, profile: str = "dyno", more: str = "") -> Plan:
    """Return the plan of the test's setup."""
    (folder / "setup.toml").write_text(SETUP.replace("PROFILE", profile) + more, encoding="utf-8")
    return load(folder / "setup.toml")


class Drive:
    """A session that is being recorded, without ports: lines are given at session times of the test's own.

    Everything goes through the real path and the real recorder, block by block as the test says.
    """

    def __init__(
        self, folder: Path, plan: Plan, *, ends_at_s: float = 0.0, name: str = "2026-05-01_18-00-00_copper"
    ) -> None:
        self.folder = folder / "sessions" / name
        self.plan = plan
        self.path = WatchedPath(plan)
        self.now = 0
        zero = steady_ns() - int(ends_at_s * NS_PER_S)
        self.clock = HandClock(zero=zero)
        self.steady = [0]
        names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
        start = {
            "plan": plan.to_dict(), "car": plan.car.name, "profile": plan.profile,
            "clock": {"name": "test", "zero": zero, "wall": 1_777_000_000_000_000_000, "uncertainty": 1},
        }  # fmt: skip
        rules = [rule.name for rule in plan.rules.rules]
        self.recorder = Stepped(
            self.folder, start, names, rules, self.clock, limits=OPEN, steady=lambda: self.steady[0]
        )
        self.changes: list[Any] = []
        self.ended = False

    def block(self, after_ms: float, *lines: str, records: tuple[tuple[Kind, bytes], ...] = ()) -> None:
        """Let session time pass, then take lines of text, and other records, as one block."""
        self.now += int(after_ms * NS_PER_MS)
        self.clock.stands[0] = self.now
        self.steady[0] = self.now
        t = self.now - NS_PER_MS
        taken = []
        for kind, data in (*records, *((Kind.DATA, f"{line}\n".encode()) for line in lines)):
            feed = ACTS_FEED if kind in (Kind.ACT, Kind.CARRIED) else 1
            taken.append(Record(t, feed, kind, data))
            t += len(data) + 1
        batch, changes = self.path.take(self.now, taken)
        self.recorder.take(batch, changes)
        self.changes += changes
        self.recorder.step()
        if self.recorder.wants_checkpoint:
            self.recorder.checkpoint(self.path.checkpoint())

    def run(self, seconds: float, *, lean_at: Callable[[int], bool] = lambda _: False, each_ms: float = 100.0) -> None:
        """Go on for so long, a line each `each_ms`; lambda is lean where `lean_at(step)` says so."""
        for step in range(round(seconds * 1000 / each_ms)):
            self.block(each_ms, line(0.99 if lean_at(step) else 0.85, oil=300 + step % 7))

    def end(self, status: str = "stopped", reason: str = "the test ends") -> None:
        """End the session in order."""
        self.recorder.step()
        self.ended = True
        self.recorder.close(status, reason)

    def close(self) -> None:
        """Let go, in order if not ended."""
        if not self.ended:
            self.end()


def line(lam: float = 0.85, oil: float = 300.0, rpm: float = 3000.0, kmh: float = 50.0, lat: float = 51.5) -> str:
    """Return what the gauge prints."""
    return f"lambda={lam:.3f};oil={oil:.1f};rpm={rpm:.0f};kmh={kmh:.1f};lat={lat:.6f}"


@dataclass
class Ear:
    """A subscriber that writes down what it gets: (topic, what it says, whether the broker had kept it)."""

    port: int
    heard: list[tuple[str, dict[str, Any], bool]] = field(default_factory=list)
    raw: list[tuple[str, bytes]] = field(default_factory=list)
    more: asyncio.Event = field(default_factory=asyncio.Event)
    linked: asyncio.Event = field(default_factory=asyncio.Event)
    filter: str = "pullwatch/#"

    async def listen(self) -> None:
        """Listen until cancelled, through every outage."""
        while True:
            with suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", self.port, identifier="ear", clean_session=False) as client:
                    await client.subscribe(self.filter, qos=1)
                    self.linked.set()
                    async for message in client.messages:
                        assert isinstance(message.payload, bytes)
                        self.raw.append((str(message.topic), message.payload))
                        with suppress(ValueError):
                            self.heard.append((str(message.topic), json.loads(message.payload), bool(message.retain)))
                        self.more.set()
            self.linked.clear()
            await asyncio.sleep(0.02)

    async def until(self, what: Callable[[], bool]) -> None:
        """Wait until something has been heard."""
        async with asyncio.timeout(DEADLINE_S):
            while not what():
                self.more.clear()
                with suppress(TimeoutError):
                    await asyncio.wait_for(self.more.wait(), 0.5)

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Return what was said under one kind of topic, in order, kept messages and doubles left out."""
        seen: set[int] = set()
        out = []
        for topic, body, kept in self.heard:
            if topic.split("/")[3] == kind and not kept and body.get("seq") not in seen:
                seen.add(body.get("seq", -1))
                out.append(body)
        return out

    def states(self) -> list[str]:
        """Return the states of the session that were told, in order, repetitions left out."""
        out: list[str] = []
        for topic, body, _ in self.heard:
            if topic.endswith("/state") and (not out or out[-1] != body["state"]):
                out.append(body["state"])
        return out


class Gate:
    """What stands between a publisher and the broker: a network that can be gone without anybody ending anything."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._open: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self.port = free_port()
        self.thaws = asyncio.Event()
        """While it is not set nothing passes, and no connection ends."""
        self.thaws.set()

    async def open(self) -> None:
        """Let traffic through."""
        self._server = await asyncio.start_server(self._pass, "127.0.0.1", self.port)

    async def shut(self) -> None:
        """Cut every connection, and let none come about."""
        server, self._server = self._server, None
        self.thaws.set()
        if server is not None:
            server.close()
        for writer in list(self._open):
            writer.transport.abort()
        for task in list(self._tasks):
            await task
        if server is not None:
            await server.wait_closed()

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        try:
            on_reader, on_writer = await asyncio.open_connection("127.0.0.1", self._to)
        except OSError:
            writer.close()
            return
        ends = {writer, on_writer}
        self._open |= ends
        await asyncio.gather(self._one_way(reader, on_writer), self._one_way(on_reader, writer))
        for end in ends:
            with suppress(OSError):
                await end.wait_closed()
        self._open -= ends

    async def _one_way(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await reader.read(65_536):
                await self.thaws.wait()
                writer.write(data)
                await writer.drain()
        writer.close()


def publisher(drive: Drive, said: BrokerSection, words: list[str] | None = None, **patience: Any) -> Publisher:
    """Return a publisher in a hurry; what it says goes into `words`."""
    say = (words if words is not None else []).append
    return Publisher(drive.folder, said, access(said), say=say, patience=replace(HURRY, **patience))


async def until(what: Callable[[], Any]) -> None:
    """Wait until something is so, looking again and again."""
    async with asyncio.timeout(DEADLINE_S):
        while not what():  # noqa: ASYNC110 - a file, or words of another task: nothing to wait on
            await asyncio.sleep(0.01)


def recorded_changes(drive: Drive) -> list[tuple[int, str, str]]:
    """Return what the alarms did: (t, rule, state in words)."""
    rules = drive.plan.rules.rules
    return [(change.t, rules[change.rule].name, STATE_WORDS[change.state]) for change in drive.changes]
