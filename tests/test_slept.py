"""A monitor that did not watch for a while says so on waking, and every replay of the recording says the same."""

from __future__ import annotations

import asyncio
import io
import json
from dataclasses import dataclass, field, replace
from datetime import UTC
from typing import TYPE_CHECKING

import pytest

from pullwatch.annunciators.console import Console
from pullwatch.batch import Batch, Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair, SessionClock, steady_ns
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.replaying import verify
from pullwatch.setup import Plan, load
from pullwatch.setup.reloading import reloaded
from pullwatch.setup.watcher_rules import watched
from pullwatch.station import SLEPT_AFTER, Path, Station, watch
from pullwatch.watchdog.acts import SLEPT
from pullwatch.watchdog.alarms import Change, Event, Priority, State
from pullwatch.watchdog.judge import Watchdog

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path as FilePath

    from pullwatch.watchdog.rules import RuleSet

PATIENCE = 20.0
SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "/nowhere/dash"
fields = [{ channel = "oil_pressure", key = "oil" }]

[[rule]]
name = "oil pressure low"
trip = "oil_pressure < 100 kPa"
"""


@dataclass(frozen=True, slots=True)
class SleepyClock(SessionClock):
    """A session clock that can be put forward, as CLOCK_BOOTTIME is while the machine is suspended."""

    slept: list[int] = field(default_factory=list)
    """The spans slept through, ns."""

    def now(self) -> int:
        """Return session ns, what was slept through among them."""
        return steady_ns() - self.zero + sum(self.slept)


class Ear:
    """A sink that keeps what it is told."""

    def __init__(self) -> None:
        self.steps: list[tuple[int, list[Record]]] = []
        self.changes: list[Change] = []
        self.moved = asyncio.Event()

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Keep it."""
        self.steps.append((batch.now, list(batch.records)))
        self.changes += changes
        self.moved.set()

    def rules_are(self, rules: RuleSet) -> None:
        """Nothing here changes rules."""

    def close(self) -> None:
        """Keep all of it."""

    async def until(self, there: Callable[[], bool]) -> None:
        """Wait until `there`."""
        async with asyncio.timeout(PATIENCE):
            while not there():
                self.moved.clear()
                await self.moved.wait()


@pytest.fixture
def plan(tmp_path: FilePath) -> Plan:
    """Return a plan as it is watched."""
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    return watched(load(tmp_path / "setup.toml"))


def of_sleep(plan: Plan, changes: Sequence[Change]) -> list[Change]:
    """Return the changes of the watcher's own rule."""
    return [change for change in changes if plan.rules.rules[change.rule].name == SLEPT]


async def sleeps(plan: Plan, folder: FilePath, *spans: int) -> tuple[Ear, FilePath]:
    """Watch, sleep for these spans (ns), and return what was told and the recording."""
    clock, ear = SleepyClock(), Ear()
    names = [rule.name for rule in plan.rules.rules]
    pair = clock.pair()
    start = {"plan": plan.to_dict(), "car": "copper hatch", "clock": {"wall": pair.wall, "uncertainty": 0}}
    recorder = Recorder(folder / "session", start, {1: "dash"}, names, clock)
    station = Station(plan, (recorder, ear), clock=clock, base=folder, recorder=recorder)
    running = asyncio.create_task(station.run())
    await ear.until(lambda: len(ear.steps) > 3)
    for span in spans:
        clock.slept.append(span)
        turns = len(ear.steps)
        await ear.until(lambda turns=turns: len(ear.steps) > turns + 2)  # type: ignore[misc] # bound at once
    station.stop("done")
    await running
    recorder.close("stopped", "done")
    return ear, folder / "session"


async def test_waking_is_an_alarm(plan: Plan, tmp_path: FilePath) -> None:
    """After a suspend of an hour the alarm is raised on waking, once, at the instant it was noticed."""
    ear, _ = await sleeps(plan, tmp_path, 3_600 * NS_PER_S)
    (change,) = of_sleep(plan, ear.changes)
    assert (change.was, change.state, change.event) == (State.NORMAL, State.UNACKNOWLEDGED, Event.RAISE)
    assert change.first_out
    assert plan.rules.rules[change.rule].priority is Priority.CAUTION
    (record,) = [record for _, records in ear.steps for record in records if record.kind is Kind.ACT]
    said = json.loads(record.data)
    assert (said["act"], said["who"]) == ("slept", "monitor")
    assert said["text"] == "nothing was watched for 3600.0 s"
    assert change.t == record.t > 3_600 * NS_PER_S
    before = max(now for now, _ in ear.steps if now < record.t)
    assert said["slept_ns"] == pytest.approx(record.t - before, abs=50 * NS_PER_MS)


async def test_a_replay_of_the_recording_raises_it_at_the_same_nanosecond(plan: Plan, tmp_path: FilePath) -> None:
    """The sleep is a record: the recording verifies, in one piece and cut anew."""
    ear, folder = await sleeps(plan, tmp_path, 5 * NS_PER_S, 7 * NS_PER_S)
    session = Session(folder)
    found = verify(session)
    assert found.agree, (found.missing, found.added)
    assert not found.unverified
    assert len([change for change in session.changes() if change.name == SLEPT]) >= 1
    again = [change for _, changes in watch(ear.steps, Path(plan)) for change in changes]
    assert list(map(repr, again)) == list(map(repr, ear.changes))


async def test_a_moment_is_no_sleep(plan: Plan, tmp_path: FilePath) -> None:
    """Nine tenths of a second, thrice, are a busy machine; what went stale meanwhile is told by its own rule."""
    ear, _ = await sleeps(plan, tmp_path, *(3 * (SLEPT_AFTER * 9 // 10,)))
    assert not of_sleep(plan, ear.changes)


def slept(t: int) -> Record:
    """Return the record that nothing was watched."""
    said = {"act": "slept", "rule": None, "text": "nothing was watched for 9.0 s", "slept_ns": 9, "who": "monitor"}
    return Record(t, 0, Kind.ACT, json.dumps(said).encode())


@pytest.mark.parametrize("way", ["stepping", "columns"])
def test_it_sounds_for_a_while_and_is_then_latched(plan: Plan, way: str) -> None:
    """Active for ten seconds, then latched until somebody has acknowledged and reset it; both ways of judging agree."""
    watchdog = Watchdog(plan.rules, way=way)  # type: ignore[arg-type] # one of the two
    records = [
        slept(2 * NS_PER_S),
        Record(20 * NS_PER_S, 0, Kind.ACT, b'{"act": "acknowledge", "rule": null}'),
        Record(30 * NS_PER_S, 0, Kind.ACT, b'{"act": "reset", "rule": null}'),
    ]
    changes: list[Change] = []
    for record in records:
        changes += watchdog.judge(Batch(record.t + 5, [record]))
    changes += watchdog.judge(Batch(60 * NS_PER_S))
    assert [(change.t, change.state) for change in of_sleep(plan, changes)] == [
        (2 * NS_PER_S, State.UNACKNOWLEDGED),
        (12 * NS_PER_S, State.LATCHED_UNACKNOWLEDGED),
        (20 * NS_PER_S, State.LATCHED_ACKNOWLEDGED),
        (30 * NS_PER_S, State.NORMAL),
    ]


def test_nothing_else_ever_raises_it(plan: Plan) -> None:
    """Neither readings nor their loss, at any time."""
    path = Path(plan)
    changes = path.take(NS_PER_S, [Record(1, 1, Kind.DATA, b"oil=50\noil=350\n")])[1]
    changes += path.take(100 * NS_PER_S, [])[1]
    changes += path.take(200 * NS_PER_S, [Record(150 * NS_PER_S, 1, Kind.DATA, b"oil=350\n")])[1]
    assert {plan.rules.rules[change.rule].name for change in changes} == {"oil pressure low", "oil_pressure lost"}


def test_the_rule_is_added_once_and_survives_changed_rules(plan: Plan, tmp_path: FilePath) -> None:
    """A reload brings it along, so that a latch of it stands on."""
    assert watched(plan) is plan
    other = tmp_path / "other.toml"
    other.write_text(SETUP.replace("100 kPa", "120 kPa"), encoding="utf-8")
    merged = reloaded(plan, watched(load(other)))
    assert [(facts.name, facts.removed) for facts in merged.facts] == [(facts.name, False) for facts in plan.facts]


def test_the_console_says_it_in_words(plan: Plan) -> None:
    """What was noticed, and the alarm, without a reading that tripped nothing."""
    stream = io.StringIO()
    console = Console(plan.rules, ClockPair(0, 0, 0), stream, zone=UTC)
    path = Path(plan)
    for step in watch([(9, [slept(5)])], path):
        console.take(*step)
    console.close()
    lines = stream.getvalue().splitlines()
    assert "act      slept nothing was watched for 9.0 s" in lines[0]
    assert "CAUTION  Monitor slept.  FIRST OUT  unacknowledged  [monitor slept]" in lines[1]


def test_an_old_recording_without_the_rule_is_read_as_ever(plan: Plan) -> None:
    """The act changes nothing where no such rule is."""
    older = Path(replace(plan, facts=plan.facts[:-1]))
    assert older.take(9, [slept(5)])[1] == []
