"""Hours of watching in minutes: the sentinel's own program on clocks that are moved by hand, beside a modelled watcher.

The real parts are `process.Sentinel` with its vigil, listener and player. What is modelled is when a heartbeat is
written and when the sentinel gets its turn: a loop that goes round every 3 to 20 ms, under load late by up to 100 ms;
20-40 ms of tidying memory a minute; ports that drop out and hold the loop for up to 40 ms; a machine paused by its
hypervisor, or suspended with the two clocks coming apart, each process waking in its own time. The truth is known:
every real silence must be told once and in time, and nothing else ever.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.sentinel import process
from pullwatch.sentinel.link import BEAT_EVERY
from pullwatch.sentinel.process import Options, Sentinel, Voice
from pullwatch.sentinel.vigil import GONE_AFTER
from pullwatch.sentinel.wire import BEAT, Report, What

if TYPE_CHECKING:
    from collections.abc import Iterator

MS = NS_PER_MS
REQUIRED = 250 * MS
LATEST = 100 * MS
"""What load delays a healthy loop, or the sentinel, by at the most. (More than that is what the sentinel is for.)"""


class Said:
    """Takes what the sentinel says."""

    def __init__(self) -> None:
        self.reports: list[Report] = []

    def tell(self, report: Report) -> None:
        """Keep it, if it says something of the watching."""
        self.reports.append(report)

    def aloud(self, words: str) -> None:
        """Not looked at."""

    def answer(self, count: int) -> None:
        """Not looked at."""


class Machine:
    """One machine with both processes. Times are ns of CLOCK_MONOTONIC; `slept` is how far the other clock is ahead."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.now = NS_PER_S
        self.slept = 0
        self.said = Said()
        self.sentinel = Sentinel(Options(-1, -1), cast("Voice", self.said))
        self.looked = self.now
        self.turn = self.now + 5 * MS
        """When the watcher's loop goes round next."""
        self.due = 0
        """When it may write its next heartbeat."""
        self.beat_at = self.now
        """When it last wrote one."""
        self.held = False
        """Whether something held it that is no healthy lateness: stuck, paused, waking."""
        self.longest = 0
        """Longest time between two heartbeats of a loop that nothing held for good, ns."""
        self.load = 1.0
        self.looks = 0
        self.happened: Counter[str] = Counter()

    def late(self) -> int:
        """Return by how much somebody gets a turn too late, ns."""
        return min(int(self.rng.expovariate(1 / (self.load * MS))), LATEST)

    def run(self, until: int) -> None:
        """Let both go on until then."""
        sentinel = self.sentinel
        while self.now < until:
            wait = self.looked + -(-sentinel.vigil.sleep_at_most() // MS) * MS
            look = None
            beats = 0
            # The watcher goes round until the sentinel has had its turn.
            while look is None or self.turn <= look:
                if look is None and self.turn > wait:
                    look = wait + self.late()
                    continue
                if self.turn >= self.due:
                    self.due = max(self.due + BEAT_EVERY, self.turn) if self.due else self.turn + BEAT_EVERY
                    if self.due <= self.turn:
                        self.due = self.turn + BEAT_EVERY
                    if not self.held:
                        self.longest = max(self.longest, self.turn - self.beat_at)
                    self.held = False
                    self.beat_at = self.turn
                    beats += 1
                    if look is None:
                        look = self.turn + self.late() // 2
                self.turn += self.rng.randint(3 * MS, 20 * MS) + self.late()
            self.now = look
            if beats:
                sentinel.obey(BEAT * beats)
            sentinel.look(heard=bool(beats))
            self.looked = look
            self.looks += 1

    def hold(self, what: str, ns: int) -> None:
        """Let the watcher stand still, and nobody else."""
        self.happened[what] += 1
        self.held = self.held or what == "stuck"
        self.turn = max(self.turn, self.now + ns)

    def pause(self, ns: int) -> None:
        """Let both stand still while both clocks go on; each comes back in its own time."""
        self.happened["pauses"] += 1
        self.held = True
        self.now += ns
        self.turn = max(self.turn + ns, self.now) + self.late()
        self.looked += ns + self.late() // 2

    def suspend(self, ns: int) -> None:
        """Sleep: only CLOCK_BOOTTIME goes on. On waking the ports hold the watcher for up to 0.8 s."""
        self.happened["suspends"] += 1
        self.held = True
        self.slept += ns
        self.turn = max(self.turn, self.now) + self.rng.randint(0, 800 * MS)


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Iterator[Machine]:
    """Make a machine whose sentinel reads its clocks."""
    clocks: list[Machine] = []
    monkeypatch.setattr(process, "time", SimpleNamespace(monotonic_ns=lambda: clocks[0].now if clocks else NS_PER_S))
    monkeypatch.setattr(process, "steady_ns", lambda: clocks[0].now + clocks[0].slept if clocks else NS_PER_S)
    clocks.append(Machine(request.param))
    yield clocks[0]
    for fd in (clocks[0].sentinel.wake_read, clocks[0].sentinel.wake_write):
        os.close(fd)


def an_hour(machine: Machine) -> list[tuple[int, int]]:
    """Live through an hour; return each real silence: the last heartbeat before it, and when it was told (0: not)."""
    rng = machine.rng
    silences = []
    end = machine.now + 3600 * NS_PER_S
    while machine.now < end:
        machine.load = rng.choice([0.3, 0.3, 1.0, 8.0, 20.0])
        machine.run(machine.now + rng.randint(2 * NS_PER_S, 18 * NS_PER_S))
        what = rng.choices(["tidy", "drop-out", "pause", "suspend", "stuck", "nothing"], [20, 20, 10, 3, 3, 44])[0]
        if what == "tidy":
            machine.hold("tidying memory", rng.randint(20 * MS, 40 * MS))
        elif what == "drop-out":
            for _ in range(rng.randint(1, 20)):
                machine.hold("drop-outs", rng.randint(0, 40 * MS))
                machine.run(machine.now + rng.randint(50 * MS, 500 * MS))
        elif what == "pause":
            machine.pause(rng.randint(100 * MS, 10 * NS_PER_S))
        elif what == "suspend":
            machine.suspend(rng.randint(NS_PER_S, 8 * 3600 * NS_PER_S))
        elif what == "stuck":
            machine.load = rng.choice([0.3, 1.0])
            machine.run(machine.now + 2 * NS_PER_S)
            machine.hold("stuck", rng.randint(400 * MS, 3 * NS_PER_S))
            before = len(machine.said.reports)
            last = machine.beat_at
            machine.run(machine.turn + NS_PER_S)
            told = [r.t - machine.slept for r in machine.said.reports[before:] if r.what is What.GONE]
            silences.append((last, told[0] if len(told) == 1 else 0))
    return silences


HOURS = [pytest.param(1, 1, id="1 h"), pytest.param(72, 2, id="72 h", marks=pytest.mark.long)]


@pytest.mark.parametrize(("hours", "machine"), HOURS, indirect=["machine"])
def test_no_false_monitor_gone_and_none_missed(hours: int, machine: Machine) -> None:
    """Through load, drop-outs, pauses and suspends nothing is told but the real silences, each once, within 250 ms."""
    silences: list[tuple[int, int]] = []
    told: Counter[What] = Counter()
    for _ in range(hours):
        silences += an_hour(machine)
        told.update(report.what for report in machine.said.reports)
        machine.said.reports.clear()
    took = sorted((at - last) / MS if at else -1.0 for last, at in silences)
    print(
        f"\n{hours} simulated h, {machine.looks:,} looks, {dict(machine.happened)}: {told[What.GONE]} told of "
        f"{len(silences)} silences, {took[0]:.0f} to {took[-1]:.0f} ms after the last heartbeat; a healthy loop's "
        f"heartbeats were up to {machine.longest / MS:.0f} ms apart"
    )
    assert silences
    assert told[What.GONE] == told[What.BACK] == len(silences), "a false one, or one missed"
    assert machine.longest < GONE_AFTER, "the model itself was silent for too long"
    assert told[What.SLEPT] == machine.happened["suspends"]
    assert took[0] >= GONE_AFTER / MS
    assert took[-1] <= REQUIRED / MS
    assert set(told) <= {What.GONE, What.BACK, What.SLEPT}
