"""Faults on a real wire: simulator, bad cable, station and recorder, in real time; what was told, and when.

A pseudo-terminal carries the lambda lines, a TCP connection the CAN adapter. `-s` prints the measured times.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import pytest

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S, SessionClock, steady_ns
from pullwatch.feeds.misfit import Misfit
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.replaying import verify
from pullwatch.setup import decoders_for, load
from pullwatch.station import Station
from pullwatch.watchdog.alarms import Event
from pullwatch_sim.evening import HERE

from ..whole.evening import program  # noqa: TID252 - tests are no installed package: there is no absolute name

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pullwatch.batch import Batch
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

LEADS_S: Final = (4.0, 12.0, 40.0)
"""For the programs to start and work their evening out; a machine that was too slow is given the next one."""
SCENARIO: Final = """
name = "key on"
seed = 3
[car]
lambda_heats_s = 0.5
[[stage]]
do = "key_on"
for_s = 20
"""
LASTS: Final = {"unplugged": 1.0, "wrong_rate": 2.0}
USUALLY: Final = 0.4
"""How long each fault lasts, s."""
FAULTS: Final = {
    "wideband": {"off": 2.0, "garbage": 3.5, "nan": 5.0, "half_lines": 6.5, "unplugged": 8.0, "wrong_rate": 10.3},
    "ecu": {"garbage": 2.0, "off": 3.5, "unplugged": 5.0, "half_lines": 7.3, "flood": 8.8, "wrong_rate": 10.3},
}
"""Feed and fault: when it begins (s). Each is over, and its alarm cleared, before the next."""
LAST: Final = "wrong_rate"
UNTIL_S: Final = 13.5
BOUND: Final = 100 * NS_PER_MS
"""Three periods or 100 ms, whichever is longer: 50 Hz and 100 Hz."""
SLACK: Final = 200 * NS_PER_MS
"""What a machine with other things to do may add; the figure itself is printed."""
BACK: Final = 500 * NS_PER_MS

SETUP: Final = """
[car]
name = "bench"

[[feed]]
name = "wideband"
kind = "serial-line"
port = "{wideband}"
fields = [{{ channel = "lambda", key = "lambda" }}]
ready = {{ key = "state", good = ["ready"] }}

[[feed]]
name = "ecu"
kind = "can"
port = "{ecu}"
dbc = "copper_hatch.dbc"
channels = {{ manifold_pressure = "Engine.Map" }}

[channel.lambda]
stale_after_ms = 100
blind_while = ""

[channel.manifold_pressure]
stale_after_ms = 100
slew_per_s = []

[[rule]]
name = "standing lambda"
trip = "lambda > 0.1 lambda"
off_delay_ms = 0

[[rule]]
name = "standing pressure"
trip = "manifold_pressure > 20 kPa"
off_delay_ms = 0
"""
CHANNELS: Final = {"wideband": "lambda", "ecu": "manifold_pressure"}


@dataclass
class Notes:
    """A sink that notes what came and what changed, with the steady clock."""

    names: list[str]
    changes: list[tuple[int, str, Change]] = field(default_factory=list)
    came: list[tuple[int, int, Kind]] = field(default_factory=list)

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Note it."""
        now = steady_ns()
        self.changes += [(now, self.names[change.rule], change) for change in changes]
        self.came += [(now, record.feed, record.kind) for record in batch.records]

    def rules_are(self, rules: RuleSet) -> None:
        """Rules are not changed here."""

    def close(self) -> None:
        """Nothing is held."""


@dataclass
class Played:
    """What one run gave. `zero` is the steady ns at which second 0 of the faults was."""

    session: Path
    zero: int
    notes: Notes
    said: list[tuple[float, str]]
    health: dict[str, Any]


def _cable(stack: ExitStack, feed: str, begin: int, scenario: Path, where: tuple[str, str]) -> str:
    """Start a simulator and the cable behind it; return the port for the setup."""
    module, form = {"wideband": ("serial_lambda", "lines"), "ecu": ("can_node", "slcan")}[feed]
    shared = ("--start-at", str(begin))
    device = program(stack, f"pullwatch_sim.{module}", "--scenario", str(scenario), "--listen", "127.0.0.1:0", *shared)
    assert device.stdout is not None
    _, host, port = device.stdout.readline().decode().split()
    faults = []
    for kind, start in FAULTS[feed].items():
        more = f" field={CHANNELS[feed]}" if kind == "nan" else ""
        faults += ["--fault", f"{kind} {start} {start + LASTS.get(kind, USUALLY)}{more}"]
    sender = ("--from", f"{host}:{port}", "--format", form)
    cable = program(stack, "pullwatch_sim.fault_shim", *sender, *where, *shared, *faults)
    assert cable.stdout is not None
    words = cable.stdout.readline().decode().split()[1:]
    return words[0] if len(words) == 1 else f"socket://{words[0]}:{words[1]}"


async def _watched(folder: Path, plan: Plan, begin: int) -> Played:
    """Watch until all faults are over."""
    clock = SessionClock()
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    rules = [rule.name for rule in plan.rules.rules]
    recorder = Recorder(folder / "session", {"plan": plan.to_dict()}, names, rules, clock)
    notes = Notes(rules)
    misfit = Misfit(lambda: decoders_for(plan))
    station = Station(plan, (notes, recorder, misfit), clock=clock, base=folder, recorder=recorder)
    misfit.looks_at(station.feeds, station.path.decoders)
    zero = steady_ns() + begin - time.monotonic_ns()
    loop = asyncio.get_running_loop()
    said: list[tuple[float, str]] = []
    timers: list[asyncio.TimerHandle] = []

    def look() -> None:
        said.extend(((steady_ns() - zero) / NS_PER_S, words) for words, _ in misfit.news(clock.now()))
        timers[:] = [loop.call_later(0.25, look)]

    look()
    ending = loop.call_later(UNTIL_S - (steady_ns() - zero) / NS_PER_S, station.stop, "the faults are over")
    try:
        await station.run()
    finally:
        ending.cancel()
        timers[0].cancel()
        recorder.close("stopped", "the faults are over")
    return Played(folder / "session", zero, notes, said, station.health())


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Play all faults once, on both wires."""
    folder = tmp_path_factory.mktemp("wire")
    scenario = folder / "key-on.toml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    (folder / "copper_hatch.dbc").write_bytes((HERE / "copper_hatch.dbc").read_bytes())
    for lead in LEADS_S:
        begin = time.monotonic_ns() + int(lead * NS_PER_S)
        with ExitStack() as stack:
            ports = {
                "wideband": _cable(stack, "wideband", begin, scenario, ("--pty", str(folder / "wideband"))),
                "ecu": _cable(stack, "ecu", begin, scenario, ("--listen", "127.0.0.1:0")),
            }
            (folder / "setup.toml").write_text(SETUP.format(**ports), encoding="utf-8")
            plan = load(folder / "setup.toml")
            if time.monotonic_ns() < begin:
                return asyncio.run(_watched(folder, plan, begin))
    raise AssertionError(f"the programs did not start within {LEADS_S[-1]:g} s")


@pytest.mark.parametrize(("feed", "fault"), [(feed, fault) for feed in FAULTS for fault in FAULTS[feed]])
def test_each_fault_is_told_in_time(played: Played, feed: str, fault: str) -> None:
    """From the fault's first moment on the wire to the change in the hands of the sinks."""
    begin = played.zero + round(FAULTS[feed][fault] * NS_PER_S)
    lost = f"{CHANNELS[feed]} lost"
    told = next(
        at for at, name, change in played.notes.changes if at >= begin and name == lost and change.event is Event.RAISE
    )
    print(f"\n{feed}, {fault}: told after {(told - begin) / NS_PER_MS:.0f} ms of wall time")
    assert told - begin <= BOUND + SLACK


@pytest.mark.parametrize("feed", list(FAULTS))
def test_a_port_that_comes_back_gives_data_again_within_half_a_second(played: Played, feed: str) -> None:
    """From the port's return to the first bytes, through the waiting, the opening and, for CAN, the commands."""
    number = list(FAULTS).index(feed) + 1
    gone = played.zero + round(FAULTS[feed]["unplugged"] * NS_PER_S)
    back = gone + round(LASTS["unplugged"] * NS_PER_S)
    came = [(at, kind) for at, one, kind in played.notes.came if one == number and at >= gone]
    lost = next(at for at, kind in came if kind is Kind.LOST)
    found = next(at for at, kind in came if at > lost and kind is Kind.FOUND)
    data = next(at for at, kind in came if at > found and kind is Kind.DATA)
    print(
        f"\n{feed}: gone told after {(lost - gone) / NS_PER_MS:.0f} ms, data {(data - back) / NS_PER_MS:.0f} ms later"
    )
    assert data - back <= BACK


def test_no_fault_clears_what_stands(played: Played) -> None:
    """An alarm that stood before the first fault stands through all of them: none was a known no."""
    for name in ("standing lambda", "standing pressure"):
        events = [change.event for _, other, change in played.notes.changes if other == name]
        assert events == [Event.RAISE]


def test_a_wrong_rate_is_said_in_words(played: Played) -> None:
    """Bytes that nobody can read for longer than a second are told once, and so is their end."""
    for feed in FAULTS:
        about = [(at, words) for at, words in played.said if words.startswith(f"{feed}: ")]
        assert len(about) == 2, about
        (bad, words), (good, end) = about
        assert "none of them can be read as its setup says" in words
        assert FAULTS[feed][LAST] + 1.0 <= bad <= FAULTS[feed][LAST] + 2.0
        assert end.endswith("what arrives can be read now")
        assert good >= FAULTS[feed][LAST] + 2.0


def test_the_recording_holds_the_ledgers_and_they_fit_its_records(played: Played) -> None:
    """Once a second: bytes in are decoded, passed over, rejected or pending, and are those of the records so far."""
    session = Session(played.session)
    records = [record for block in session.blocks() for record in block.records]
    told = [event for _, event in session.events() if event["event"] == "health"]
    assert len(told) >= int(UNTIL_S) - 2
    for event in told:
        for number, feed in enumerate(FAULTS, 1):
            ledger = event["feeds"][feed]["ledger"]
            parts = sum(ledger[part] for part in ("decoded", "passed_over", "rejected", "pending"))
            until = [one for one in records if one.feed == number and one.kind is Kind.DATA and one.t <= event["t"]]
            assert ledger["taken"] == parts == sum(len(one.data) for one in until)
            assert event["feeds"][feed]["dropped"] == 0
    last = told[-1]["feeds"]
    assert all(last[feed]["ledger"]["rejected"] > 0 for feed in FAULTS), "there was damage, and it was counted"
    read = {feed.number: 0 for feed in load(played.session.parent / "setup.toml").feeds}
    for record in records:
        if record.kind is Kind.DATA and record.feed in read:
            read[record.feed] += len(record.data)
    assert list(read.values()) == [played.health["feeds"][feed]["bytes_read"] for feed in FAULTS]


def test_the_recording_of_all_this_verifies(played: Played) -> None:
    """Every change is computed again from the recorded bytes, garbage and all."""
    found = verify(Session(played.session))
    assert found.agree
    assert found.changes == len(played.notes.changes)
