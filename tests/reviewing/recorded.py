"""Sessions recorded from the simulated car's own bytes: at once, or step by step while somebody follows."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from tests.faults.evenings import OWN_RATE, _reads, plan
from tests.recording.sessions import WALL, HandClock, Stepped

from pullwatch.batch import Record
from pullwatch.clock import NS_PER_S
from pullwatch.recording.session import boot_id
from pullwatch.station import Path as WatchedPath
from pullwatch_sim.can_frames import record_bus
from pullwatch_sim.play import away_spans
from pullwatch_sim.scenarios import load
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pullwatch.setup import Plan
    from pullwatch_sim.truth import Truth


@cache
def evening(name: str = "dyno-evening") -> Truth:
    """Return an evening of the simulators' own."""
    return simulate(load(name))


_RECORDS: dict[int, tuple[Truth, list[Record]]] = {}


def records_of(truth: Truth) -> list[Record]:
    """Return what the two ports gave, as records with path times; made once for each truth."""
    if id(truth) not in _RECORDS:
        _RECORDS[id(truth)] = truth, _records_of(truth)
    return _RECORDS[id(truth)][1]


def _records_of(truth: Truth) -> list[Record]:
    away = away_spans(truth, "")
    arrivals = sorted(
        [*_reads(record_bus(truth, OWN_RATE), 1, away), *_reads(record_lambda(truth), 2, away)],
        key=lambda one: one[:2],
    )
    records: list[Record] = []
    free = 0
    for t, feed, kind, data in arrivals:
        begin = max(t, free)
        records.append(Record(begin, feed, kind, data))
        free = begin + len(data) + 1
    return records


class Recording:
    """One session under a test's hand: `go` to a session second, and it is written."""

    def __init__(self, folder: Path, truth: Truth, setup: Plan | None = None) -> None:
        self.folder = folder
        self.plan = setup if setup is not None else plan()
        self._clock = HandClock()
        self._path = WatchedPath(self.plan)
        self._records = records_of(truth)
        self._at = 0
        names = {0: "acts", **{feed.number: feed.options.name for feed in self.plan.feeds}}
        start = {
            "car": self.plan.car.name,
            "boot_id": boot_id(),
            "clock": {"name": "by hand", "zero": 0, "wall": WALL, "uncertainty": 1},
            "plan": self.plan.to_dict(),
        }
        rules = [rule.name for rule in self.plan.rules.rules]
        self._recorder = Stepped(folder, start, names, rules, self._clock, steady=lambda: self._clock.stands[0])
        self.end = self._records[-1].end / NS_PER_S

    def go(self, seconds: float) -> None:
        """Judge and write everything up to a session second."""
        until = int(seconds * NS_PER_S)
        last = self._at
        while last < len(self._records) and self._records[last].end <= until:
            last += 1
        self._clock.stands[0] = until
        self._recorder.take(*self._path.take(until, self._records[self._at : last]))
        if self._recorder.wants_checkpoint:
            self._recorder.checkpoint(self._path.checkpoint())
        self._recorder.step()
        self._at = last

    def close(self) -> None:
        """End it."""
        self._recorder.close("stopped", "the test is over")

    def steps(self, every: float) -> Iterator[float]:
        """Go through all of it in steps of so many seconds, and yield each time reached; then close."""
        at = 0.0
        while at < self.end:
            at += every
            self.go(at)
            yield at
        self.close()


def record(folder: Path, truth: Truth, setup: Plan | None = None) -> Path:
    """Record a whole evening and return the session's folder."""
    recording = Recording(folder, truth, setup)
    for _ in recording.steps(5.0):
        pass
    return folder
