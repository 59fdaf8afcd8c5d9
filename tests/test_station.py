"""The station: the path on one thread, fed from real ports, turning whether or not anything comes."""

from __future__ import annotations

import asyncio
import os
import tty
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_MS, SessionClock
from pullwatch.setup import load
from pullwatch.station import TICK, Path, Station, watch
from pullwatch.watchdog.alarms import State

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path as FilePath

    from pullwatch.batch import Batch
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

SETUP = """
[car]
name = "bench"

[[feed]]
name = "oil"
kind = "serial-line"
port = "{port}"
fields = [{{ channel = "oil_pressure", key = "oil" }}]

[[rule]]
name = "low"
trip = "oil_pressure < 100 kPa"
priority = "critical"
says = "Oil low. Lift."
"""
PATIENCE_S = 20.0


class Listener:
    """A sink and a sentinel's ear: remembers changes and beats, and wakes whoever waits for something among them."""

    def __init__(self) -> None:
        self.changes: list[Change] = []
        self.turns: list[int] = []
        self.beats = 0
        self.rules: RuleSet | None = None
        self.moved = asyncio.Event()

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Remember."""
        self.turns.append(batch.now)
        self.changes += changes
        self.moved.set()

    def rules_are(self, rules: RuleSet) -> None:
        """Remember that rules were changed, and which they are now."""
        self.rules = rules

    def beat(self) -> None:
        """Count."""
        self.beats += 1

    def bye(self) -> None:
        """Nothing to say."""

    def close(self) -> None:
        """Nothing is held."""

    async def until(self, what: object) -> None:
        """Wait until `what()` is true."""
        async with asyncio.timeout(PATIENCE_S):
            while not what():  # type: ignore[operator] # a callable
                self.moved.clear()
                await self.moved.wait()


@pytest.fixture
def port() -> Iterator[tuple[int, str]]:
    """Open a pseudo terminal: the end that plays the device, and the name of the other."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    yield master, name
    os.close(master)
    os.close(slave)


def plan_for(folder: FilePath, port: str) -> Plan:
    """Return the plan of a setup that watches oil pressure on `port`."""
    setup = folder / "setup.toml"
    setup.write_text(SETUP.format(port=port))
    return load(setup)


async def test_bytes_on_a_port_become_an_alarm(port: tuple[int, str], tmp_path: FilePath) -> None:
    """A line on a real serial port raises the alarm; the change carries the instant of the line's last byte."""
    master, name = port
    listener = Listener()
    station = Station(plan_for(tmp_path, name), (listener,), clock=SessionClock(), base=tmp_path)
    running = asyncio.create_task(station.run())
    try:
        await listener.until(lambda: station.feeds[0].health.open)
        os.write(master, b"oil=350\noil=80\n")
        await listener.until(lambda: any(change.rule == 0 for change in listener.changes))
    finally:
        station.stop("done")
        assert await running == "done"
    first = next(change for change in listener.changes if change.rule == 0)
    assert first.state is State.UNACKNOWLEDGED
    assert first.value == 80.0
    assert station.path.decoders[1].ledger.balances


async def test_silence_is_judged_though_nothing_comes(tmp_path: FilePath) -> None:
    """A port that is not there: the channel is lost at its very deadline, and the loop keeps turning and beating."""
    listener = Listener()
    plan = plan_for(tmp_path, str(tmp_path / "nothing-here"))
    station = Station(plan, (listener,), clock=SessionClock(), base=tmp_path, sentinel=listener)  # type: ignore[arg-type] # an ear
    running = asyncio.create_task(station.run())
    try:
        await listener.until(lambda: listener.changes and len(listener.turns) > 20)
    finally:
        station.stop("done")
        await running
    assert listener.changes[0].t == plan.channels[0].stale_after
    assert plan.rules.rules[listener.changes[0].rule].name == "oil_pressure lost"
    assert listener.beats >= 20
    assert TICK <= 25 * NS_PER_MS


async def test_a_fault_in_judging_ends_the_watching_at_once(tmp_path: FilePath) -> None:
    """A turn that raises is not survived in silence: `run` raises it, so that the sentinel says the monitor is gone."""
    listener = Listener()
    station = Station(plan_for(tmp_path, str(tmp_path / "nothing")), (listener,), clock=SessionClock(), base=tmp_path)

    def broken(_now: int, _records: object) -> None:
        raise RuntimeError("on purpose")

    station.path.take = broken  # type: ignore[assignment,method-assign] # the fault under test
    async with asyncio.timeout(PATIENCE_S):
        with pytest.raises(RuntimeError, match="on purpose"):
            await station.run()


async def test_an_acknowledgement_is_a_record_and_a_replay_repeats_it(tmp_path: FilePath) -> None:
    """What a person did has a path time; the same records through another path give the same changes."""
    listener = Listener()
    records = []

    class Keeper(Listener):
        def take(self, batch: Batch, changes: Sequence[Change]) -> None:
            records.append((batch.now, list(batch.records)))
            super().take(batch, changes)

    keeper = Keeper()
    plan = plan_for(tmp_path, str(tmp_path / "nothing"))
    station = Station(plan, (keeper, listener), clock=SessionClock(), base=tmp_path)
    running = asyncio.create_task(station.run())
    try:
        await keeper.until(lambda: keeper.changes)
        station.intake.put(ACTS_FEED, Kind.ACT, b'{"act": "acknowledge", "rule": null, "who": "test"}')
        await keeper.until(lambda: keeper.changes[-1].state is State.ACKNOWLEDGED)
    finally:
        station.stop("done")
        await running
    again = [change for _, changes in watch(records, Path(plan)) for change in changes]
    assert list(map(repr, again)) == list(map(repr, keeper.changes))
    assert [change.state for change in again] == [State.UNACKNOWLEDGED, State.ACKNOWLEDGED]


async def test_memory_is_tidied_up_only_while_the_engine_is_known_to_stand(tmp_path: FilePath) -> None:
    """A speed of 0 that is fresh and good is a standing engine; no speed, an old one and a garbled one are not."""
    setup = tmp_path / "setup.toml"
    setup.write_text(
        SETUP.format(port="socket://127.0.0.1:9").replace('key = "oil" }', 'key = "oil" }, '
        '{ channel = "engine_speed", key = "rpm" }')
    )  # fmt: skip
    plan = load(setup)
    station = Station(plan, (), clock=SessionClock(), base=tmp_path)
    assert not station._stands(0)
    station.path.take(100, [Record(1, 1, Kind.DATA, b"oil=300;rpm=0\n")])
    assert station._stands(100)
    assert not station._stands(100 + plan.channel("engine_speed").stale_after)
    station.path.take(300, [Record(200, 1, Kind.DATA, b"oil=300;rpm=x0\n")])
    assert not station._stands(300)
    station.path.take(500, [Record(400, 1, Kind.DATA, b"oil=300;rpm=900\n")])
    assert not station._stands(500)
    station.path.take(700, [Record(600, 1, Kind.DATA, b"oil=50;rpm=0\n")])
    assert not station._stands(700), "an alarm is active"
