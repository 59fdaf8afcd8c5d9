"""The record of a session's alarms: counted, timed, and held against the figures alarm systems are judged by."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pullwatch.alarm_record import AlarmRecord, RuleRecord, alarm_record, chatters, in_flood, lines, spans
from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_S, SessionClock
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.setup import Plan, load
from pullwatch.station import Path as WatchedPath
from pullwatch.watchdog.alarms import Change, Event, Priority, State

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "coolant_temperature", key = "t" }]

[channel.coolant_temperature]
stale_after_ms = 60000

[[rule]]
name = "coolant hot"
trip = "coolant_temperature > 110 °C"
off_delay_ms = 0
priority = "critical"
says = "Coolant hot. Lift."
"""


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    """Source: ANSI/ISA-18.2-2016 / IEC 62682:2014, alarm flood (the definition seen, this trace computed)."""
    assert in_flood([2, 11, 7, 6, 4, 12, 3]) == (False, True, True, True, False, True, False)
    assert in_flood([10]) == (False,)
    assert in_flood([]) == ()


def test_three_activations_within_a_minute_are_chatter() -> None:
    """Source: ANSI/ISA-18.2-2016 clause 16 (from memory): three or more in one minute."""
    assert chatters([0, 30 * NS_PER_S, 60 * NS_PER_S])
    assert not chatters([0, 30 * NS_PER_S, 60 * NS_PER_S + 1])
    assert not chatters([0, 1])


def test_an_alarm_is_active_from_raise_to_clear_acknowledged_or_not() -> None:
    """An acknowledgement ends nothing; what is still active ends with the session."""
    moves = [(10, State.UNACKNOWLEDGED), (20, State.ACKNOWLEDGED), (30, State.NORMAL), (50, State.UNACKNOWLEDGED)]
    changes = [Change(t, 0, State.NORMAL, state, Event.RAISE, math.nan, math.nan) for t, state in moves]
    assert spans(changes, 100) == {0: [(10, 30), (50, 100)]}


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Return the plan of the small setup."""
    path = tmp_path / "setup.toml"
    path.write_text(SETUP, encoding="utf-8")
    return load(path)


def recorded(tmp_path: Path, plan: Plan, heard: list[tuple[float, float]], end: float) -> AlarmRecord:
    """Record temperatures (s, °C) as they would come in, and return the record of the alarms."""
    start = {"car": "copper hatch", "clock": {"zero": 0, "wall": 0, "uncertainty": 0}, "plan": plan.to_dict()}
    path = WatchedPath(plan)
    folder = tmp_path / "session"
    names = {0: "acts", 1: "dash"}
    recorder = Recorder(folder, start, names, ["coolant hot", "coolant_temperature lost"], SessionClock())
    for seconds, value in heard:
        record = Record(int(seconds * NS_PER_S), 1, Kind.DATA, f"t={value}\n".encode())
        recorder.take(*path.take(record.end, [record]))
    recorder.take(*path.take(int(end * NS_PER_S), []))
    recorder.close("stopped", "the test is over")
    return alarm_record(Session(folder))


def test_a_session_is_counted_timed_and_its_worst_value_found(tmp_path: Path, plan: Plan) -> None:
    """Two activations of 10 s and 40 s; the worst value while active, not the one at the raise."""
    heard = [(1, 90), (10, 111), (15, 118), (20, 90), (30, 112), (50, 113), (70, 90), (100, 90)]
    record = recorded(tmp_path, plan, [(float(t), float(v)) for t, v in heard], 110)
    (one,) = record.rules
    assert (one.rule.name, one.count, one.chatters) == ("coolant hot", 2, False)
    assert one.longest == pytest.approx(40 * NS_PER_S, abs=100)
    assert one.active == pytest.approx(50 * NS_PER_S, abs=200)
    assert one.worst == 118.0
    assert (record.per_interval, record.flood, record.priorities) == ((2,), (False,), {Priority.CRITICAL: 2})
    text = "\n".join(lines(record, plan))
    assert "coolant hot (critical, at worst 118°C)" in text
    assert "shorter than ten minutes" in text


def test_too_many_are_called_too_many(plan: Plan) -> None:
    """The average, a flood and chatter are said in words, and so is that silence proves nothing."""
    one = RuleRecord(plan.rules.rules[0], 30, 5, 5, math.nan, chatters=True)
    many = AlarmRecord((one,), {Priority.CRITICAL: 30}, (30, 0), (True, False), 1_200 * NS_PER_S)
    text = "\n".join(lines(many, plan))
    assert "15.0 alarms in ten minutes on average: more than one person heeds" in text
    assert "Alarm flood (more than ten in ten minutes) from minute 0 on." in text
    assert "CHATTERS" in text
    few = replace(many, per_interval=(2, 0), flood=(False, False))
    assert "1.0 alarms in ten minutes on average: few enough to heed" in "\n".join(lines(few, plan))
    none = AlarmRecord((), {}, (0,), (False,), 5)
    assert list(lines(none, plan)) == ["No alarm was raised. That says what was judged, not that all was well."]
