"""A session recorded as slowly or quickly as a test wants: a plan, its path, a recorder, a clock by hand."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tests.recording.sessions import HandClock, Stepped

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording.session import boot_id
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.recording.recorder import Recorder
    from pullwatch.watchdog.alarms import Change

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [
  { channel = "engine_speed", key = "n" }, { channel = "manifold_pressure", key = "map" },
  { channel = "lambda", key = "lambda" }, { channel = "coolant_temperature", key = "t" },
]

[channel.lambda]
blind_while = ""

[limit.leanest]
along = "manifold_pressure"
at = [120, 200]
value = [0.90, 0.84]

[[rule]]
name = "lean under boost"
while = "manifold_pressure > 120 kPa"
trip = "lambda > leanest"
on_delay_ms = 50
latch = true
priority = "critical"
says = "Lean under boost. Lift."
near = "0.04 lambda"

[[rule]]
name = "coolant hot"
trip = "coolant_temperature > 105 °C"
"""


class LiveSession:
    """One session under a test's hand: `line` gives a line of the feed, `pass_ms` lets time go by, `write` records."""

    def __init__(self, folder: Path, setup: str = SETUP, *, start: dict[str, Any] | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        text = folder.parent / f"{folder.name}.setup.toml"
        text.write_text(setup, encoding="utf-8")
        self.folder = folder
        self.plan = load(text)
        self.clock = HandClock()
        self.path = WatchedPath(self.plan)
        self.steady = [0]
        names = {0: "acts", **{feed.number: feed.options.name for feed in self.plan.feeds}}
        pair = self.clock.pair()
        said: dict[str, Any] = {
            "pullwatch": "test",
            "car": self.plan.car.name,
            "profile": self.plan.profile,
            "boot_id": boot_id(),
            "clock": {"name": "by hand", "zero": 0, "wall": pair.wall, "uncertainty": 1},
            "plan": self.plan.to_dict(),
            **(start or {}),
        }
        rules = [rule.name for rule in self.plan.rules.rules]
        self.recorder: Recorder = Stepped(
            folder, said, names, rules, self.clock, folder.parent / "memory", steady=lambda: self.steady[0]
        )
        self.now = 0
        self.changes: list[Change] = []
        self._waiting: list[Record] = []

    def line(self, text: str, *, feed: int = 1) -> None:
        """Let a line arrive now."""
        data = f"{text}\n".encode()
        self._put(Record(self.now + 1, feed, Kind.DATA, data), len(data))

    def act(self, act: str, rule: str | None = None, **more: Any) -> None:
        """Let a person do something now."""
        data = json.dumps({"act": act, "rule": rule, "who": "test", **more}).encode()
        self._put(Record(self.now + 1, ACTS_FEED, Kind.ACT, data), len(data))

    def _put(self, record: Record, length: int) -> None:
        self._waiting.append(record)
        self.now += length + 2

    def pass_ms(self, ms: float) -> None:
        """Judge what waits, and let time pass."""
        self.now += int(ms * NS_PER_MS)
        self.steady[0] = self.clock.stands[0] = self.now
        records, self._waiting = self._waiting, []
        batch, changes = self.path.take(self.now, records)
        self.changes += changes
        self.recorder.take(batch, changes)
        if self.recorder.wants_checkpoint:
            self.recorder.checkpoint(self.path.checkpoint())

    def write(self) -> None:
        """Write what was judged, as the writer does every 10 ms."""
        assert isinstance(self.recorder, Stepped)
        self.recorder.step()

    def drive(self, seconds: float, *, every_ms: float = 20.0, **values: float) -> None:
        """Let lines with these values (by key of the feed) come for a time, each judged and written."""
        text = ";".join(f"{key}={value:g}" for key, value in values.items())
        for _ in range(round(seconds * NS_PER_S / NS_PER_MS / every_ms)):
            self.line(text)
            self.pass_ms(every_ms)
            self.write()

    def close(self, status: str = "stopped", reason: str = "the test is over") -> None:
        """End the recording in order."""
        self.recorder.close(status, reason)
