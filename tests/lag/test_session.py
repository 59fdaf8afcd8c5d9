"""From the bytes of a recorded session to what is printed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from pullwatch.batch import Kind, Record
from pullwatch.cli import app
from pullwatch.clock import SessionClock
from pullwatch.lag.estimate import Interval
from pullwatch.lag.session import measure
from pullwatch.lag.words import in_ms, lines
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath

from .model import Truth, made

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"
cylinders = 4
displacement_cc = 1998

[[feed]]
name = "ecu"
kind = "serial-line"
port = "socket://127.0.0.1:47998"
fields = [
    {{ channel = "engine_speed", key = "n" }},
    {{ channel = "throttle", key = "th" }},
    {cut}
]

[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{{ channel = "lambda", key = "l" }}]

[channel.lambda]
believable = [0.6, 1.9]
rate_hz = 50
delay_ms = {delay}
time_constant_ms = {tau}

[[rule]]
name = "too fast"
trip = "engine_speed > 9000 rpm"
off_delay_ms = 0
priority = "caution"
says = "Too fast."
"""
CUT = '{ channel = "cut_active", key = "cut" },'


def record(
    tmp_path: Path, truth: Truth, *, cut: str = CUT, delay: str = "[60, 180]", tau: int = 60, more: str = "[[rule]]"
) -> Path:
    """Record what a car of that truth would send, two lines at 50 Hz, and return the session's folder."""
    (tmp_path / "setup.toml").write_text(
        SETUP.format(cut=cut, delay=delay, tau=tau).replace("[[rule]]", more), encoding="utf-8"
    )
    plan = load(tmp_path / "setup.toml")
    session = made(truth)
    cut_, throttle, speed = session.commanded.cut, session.commanded.throttle, session.commanded.speed
    assert cut_ is not None
    assert throttle is not None
    assert speed is not None
    rows = zip(cut_.t.tolist(), speed.v.tolist(), throttle.v.tolist(), cut_.v.tolist(), strict=False)
    heard = [(t, 1, f"n={n:.0f};th={th:.1f};cut={on:.0f}\n") for t, n, th, on in rows]
    heard += [
        (t, 2, f"l={v:.3f}\n") for t, v in zip(session.lambda_.t.tolist(), session.lambda_.v.tolist(), strict=True)
    ]
    start = {"car": "copper hatch", "clock": {"zero": 0, "wall": 0, "uncertainty": 0}, "plan": plan.to_dict()}
    folder = tmp_path / "session"
    path = WatchedPath(plan)
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    recorder = Recorder(folder, start, names, [rule.name for rule in plan.rules.rules], SessionClock())
    heard.sort()
    for first in range(0, len(heard), 50):
        records = [Record(t, feed, Kind.DATA, text.encode()) for t, feed, text in heard[first : first + 50]]
        recorder.take(*path.take(records[-1].end, records))
    recorder.close("stopped", "the test is over")
    return folder


def test_a_recorded_session_tells_how_late_its_sensor_speaks(tmp_path: Path) -> None:
    """Through the command: the interval, the events and their speeds, what is stated and that it holds; exit code 0."""
    truth = Truth(fixed=0.11, cuts=7)
    folder = record(tmp_path, truth)
    (measured,) = measure(Session(folder))
    lag = measured.lag
    assert lag.delay is not None
    assert lag.delay.least <= truth.fixed <= lag.delay.most
    assert lag.delay.middle == pytest.approx(truth.fixed, abs=0.015)
    assert lag.over_speed == (60.0, 120.0)
    said = CliRunner().invoke(app, ["lag", str(folder)])
    assert said.exit_code == 0, said.output
    assert f"delay_ms = {in_ms(lag.delay)}" in said.output
    assert "used: 7 fuel cuts, " in said.output
    assert "rpm" in said.output
    assert "stated: delay_ms = [60, 180]: holds the measured" in said.output
    assert "stated: time_constant_ms = 60: within the measured" in said.output
    assert "±10 ms on the simulator; ±30 ms expected on a car" in said.output


def test_a_wrong_stated_delay_is_noticed(tmp_path: Path) -> None:
    """One that holds nothing of it is wrong; one that holds a part of it is too narrow; the time constant likewise."""
    (measured,) = measure(Session(record(tmp_path, Truth(fixed=0.11, cuts=7), delay="[160, 220]", tau=200)))
    text = "\n".join(lines([measured]))
    assert "stated: delay_ms = [160, 220]: WRONG" in text
    assert "stated: time_constant_ms = 200: NOT within" in text
    narrow = replace(measured.channel.delay, least=105_000_000, most=115_000_000)
    text = "\n".join(lines([replace(measured, channel=replace(measured.channel, delay=narrow))]))
    assert "stated: delay_ms = [105, 115]: TOO NARROW" in text


def test_figures_that_hold_the_cycle_are_held_against_the_whole_delay(tmp_path: Path) -> None:
    """With `delay_per_cycle = false` nothing is taken off."""
    folder = record(tmp_path, Truth(fixed=0.11, cuts=7), delay="[60, 260]\ndelay_per_cycle = false")
    (measured,) = measure(Session(folder))
    assert measured.lag.over_speed == (0.0, 0.0)
    assert measured.lag.delay is not None
    assert measured.lag.delay.middle > 0.12


def test_the_way_to_the_sensor_is_taken_off_where_it_is_stated(tmp_path: Path) -> None:
    """With `exhaust_litres` the gas's way over engine speed goes off beside the cycle, by the plan's own figures."""
    folder = record(tmp_path, Truth(fixed=0.11, cuts=7), delay="[20, 260]\nexhaust_litres = 1.5")
    (measured,) = measure(Session(folder))
    delay = measured.channel.delay
    assert delay.transport_most > delay.transport_least > 0
    assert measured.lag.over_speed == (60.0 + delay.transport_least / 1e9, 120.0 + delay.transport_most / 1e9)
    assert measured.lag.delay is not None
    assert measured.lag.delay.middle < 0.11
    assert "the gas's way to the sensor) are taken off" in "\n".join(lines([measured]))


def test_a_display_that_averages_is_told(tmp_path: Path) -> None:
    """Only where it does: averaging is delay, and can be turned off."""
    for name, averages in (("cell", False), ("display", True)):
        (tmp_path / name).mkdir()
        (measured,) = measure(Session(record(tmp_path / name, Truth(cuts=7, in_lambda=averages))))
        assert measured.lag.delay is not None
        assert ("Averaging is delay" in "\n".join(lines([measured]))) is averages


def test_an_inferred_cut_measures_nothing(tmp_path: Path) -> None:
    """It is said to be inferred, and what is needed."""
    derived = '[derived.cut_active]\nkind = "cut"\n\n[[rule]]'
    folder = record(tmp_path, Truth(cuts=5), cut='{ channel = "manifold_pressure", key = "p" },', more=derived)
    (measured,) = measure(Session(folder))
    assert measured.lag.why_not.startswith("cut_active is inferred here")


def test_without_a_channel_that_tells_of_cuts_it_cannot_be_told(tmp_path: Path) -> None:
    """Exit code 1, which channels are missing, and what to do."""
    said = CliRunner().invoke(app, ["lag", str(record(tmp_path, Truth(cuts=5), cut=""))])
    assert said.exit_code == 1, said.output
    assert "no channel says when the mixture was changed: cut_active" in said.output
    assert "Record some ten overrun fuel cuts" in said.output


def test_few_events_are_shown_raw(tmp_path: Path) -> None:
    """With their time, kind, engine speed and whole delay."""
    said = CliRunner().invoke(app, ["lag", str(record(tmp_path, Truth(cuts=2)))])
    assert said.exit_code == 1, said.output
    assert "5 are needed" in said.output
    assert "raw: " in said.output
    assert "(fuel cuts) at " in said.output


def test_an_interval_is_written_outwards_in_whole_milliseconds() -> None:
    """And from 0 up, as the setup file takes it."""
    assert in_ms(Interval(0.0801, 0.1, 0.1209)) == "[80, 121]"
    assert in_ms(Interval(-0.004, 0.0, 0.01)) == "[0, 10]"
