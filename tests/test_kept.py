"""What a session keeps for the next one: the air pressure latched before the engine was started."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.annunciators.console import Console
from pullwatch.batch import ACTS_FEED, Batch, Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair, SessionClock
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.recording.session import end_of
from pullwatch.replaying import verify
from pullwatch.setup import Plan, load
from pullwatch.station import Path as WatchedPath

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "manifold_pressure", key = "map" }, { channel = "engine_speed", key = "n" }]

[derived.barometric_pressure]
kind = "barometric-latch"

[[rule]]
name = "boost"
trip = "boost > 20 kPa"
"""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Return the plan of a car without a barometer."""
    path = tmp_path / "setup.toml"
    path.write_text(SETUP, encoding="utf-8")
    return load(path)


def line(seconds: float, kpa: float, rpm: float) -> Record:
    """Return the record of one line."""
    return Record(int(seconds * NS_PER_S), 1, Kind.DATA, f"map={kpa};n={rpm}\n".encode())


def carried(kept: Any) -> Record:
    """Return the record with which a session begins."""
    return Record(0, ACTS_FEED, Kind.CARRIED, json.dumps({"alarms": [], "kept": kept}).encode())


def barometric(path: WatchedPath) -> tuple[float, int] | None:
    """Return value and why of the latched pressure."""
    latest = path.watchdog.latest(path.plan.channel("barometric_pressure").number)
    return None if latest is None else (latest[1], latest[2])


def session(tmp_path: Path, plan: Plan, records: list[Record]) -> Path:
    """Record what comes, with a checkpoint at the end and no stop record, as after kill -9; return the folder."""
    folder = tmp_path / "session"
    start = {"car": "copper hatch", "clock": {"zero": 0, "wall": 0, "uncertainty": 0}, "plan": plan.to_dict()}
    names = [rule.name for rule in plan.rules.rules]
    recorder = Recorder(folder, start, {0: "acts", 1: "dash"}, names, SessionClock())
    path = WatchedPath(plan)
    for record in records:
        recorder.take(*path.take(record.end, [record]))
    recorder.checkpoint(path.checkpoint())
    recorder.close("stopped", "the test is over")
    return folder


def test_what_was_latched_is_kept_for_the_next_session(tmp_path: Path, plan: Plan) -> None:
    """Key on, engine off for two seconds: the pressure is in the checkpoint and found from the end backwards."""
    folder = session(tmp_path, plan, [line(tenth / 10, 97.5, 0) for tenth in range(1, 22)])
    assert end_of(folder).kept == {"barometric_pressure": 97.5}


def test_a_kept_pressure_is_known_from_the_first_sample_on(tmp_path: Path, plan: Plan) -> None:
    """With the engine running already boost is known at once, and a replay of that session is the same."""
    records = [carried({"barometric_pressure": 97.5}), line(0.1, 150, 3000), line(0.2, 100, 3000)]
    path = WatchedPath(plan)
    raised = [change.t for record in records for change in path.take(record.end, [record])[1] if change.rule == 0]
    assert barometric(path) == (97.5, 0)
    assert raised == [records[1].end - 1]
    found = verify(Session(session(tmp_path, plan, records)))
    assert found.agree
    assert found.changes


def test_the_engines_own_stop_tells_better(plan: Plan) -> None:
    """What the manifold says with the engine off takes the place of what was kept; three kPa of change are told."""
    path = WatchedPath(plan)
    changes = []
    kept = {"barometric_pressure": 97.5, "barometric_change": 97.5}
    for record in [carried(kept), *(line(tenth / 10, 101.0, 0) for tenth in range(1, 22))]:
        changes += path.take(record.end, [record])[1]
    assert barometric(path) == (101.0, 0)
    assert "barometric pressure changed" in [path.plan.facts[change.rule].name for change in changes]


@pytest.mark.parametrize("kept", [None, 5, [], {"barometric_pressure": "97"}, {"barometric_pressure": 300}, {"x": 1}])
def test_what_cannot_be_kept_is_left(plan: Plan, kept: Any) -> None:
    """A damaged or nonsensical value is not taken up: the pressure is not known, and never a usual figure."""
    path = WatchedPath(plan)
    for record in (carried(kept), line(0.1, 150, 3000)):
        path.take(record.end, [record])
    found = barometric(path)
    assert found is not None
    assert found[1]
    path.take(NS_PER_S, [Record(NS_PER_S - 10, ACTS_FEED, Kind.CARRIED, b"{")])


def test_the_console_says_what_was_kept(plan: Plan) -> None:
    """The person sees the value with its unit, and that it is of an earlier session."""
    out = io.StringIO()
    console = Console(plan.rules, ClockPair(0, 0, 0), out)
    record = carried({"barometric_pressure": 97.5, "nonsense": 3})
    console.take(Batch(NS_PER_MS, [record]), [])
    console.close()
    assert "kept from the session before: barometric_pressure 97.5 kPa absolute" in out.getvalue()
    assert "nonsense" not in out.getvalue()
