"""A real path in front of a stepped recorder: lines of a feed, judged by real rules, recorded step by step."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tests.live_session import SETUP

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_MS
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath

from .sessions import FEEDS, HandClock, Stepped

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.watchdog.alarms import Change

LEAN = "n=5200;map=185;lambda=0.95;t=90"
WELL = "n=5200;map=185;lambda=0.80;t=90"


class Judged:
    """One session under a test's hand, on a disk of its choice. `changes`, `acts`, `lines` are what went through it."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        folder.parent.mkdir(parents=True, exist_ok=True)
        text = folder.parent / "setup.toml"
        text.write_text(settings.pop("setup", SETUP), encoding="utf-8")
        self.folder = folder
        self.plan = load(text)
        self.path = WatchedPath(self.plan)
        self.clock = settings.pop("clock", None) or HandClock()
        self.steady = [0]
        self.now = 0
        self.changes: list[Change] = []
        self.acts: list[Record] = []
        self.lines = 0
        rules = [rule.name for rule in self.plan.rules.rules]
        start = {"car": self.plan.car.name, "plan": self.plan.to_dict()}
        self.recorder = Stepped(
            folder, start, {1: FEEDS[1]}, rules, self.clock, steady=lambda: self.steady[0], **settings
        )

    def step(self, line: str | None = None, act: str | None = None, *, ms: int = 10) -> None:
        """Let a line arrive and a person act, `ms` later; judge, record, write."""
        records = []
        at = self.now + 1
        if line is not None:
            records.append(Record(at, 1, Kind.DATA, f"{line}\n".encode()))
            at = records[-1].end + 1
            self.lines += 1
        if act is not None:
            data = json.dumps({"act": act, "rule": None, "who": "test"}).encode()
            records.append(Record(at, ACTS_FEED, Kind.ACT, data))
            self.acts.append(records[-1])
        self.now += ms * NS_PER_MS
        self.steady[0] += ms * NS_PER_MS
        self.clock.stands[0] = self.now
        batch, changes = self.path.take(self.now, records)
        self.changes += changes
        self.recorder.take(batch, changes)
        if self.recorder.wants_checkpoint:
            self.recorder.checkpoint(self.path.checkpoint())
        self.recorder.step()

    def settle(self) -> None:
        """Wait until everything written is on the disk, which goes by its own time."""
        self.recorder._store.settle(self.recorder._seq - 1)
