"""The satellite receiver on the wire, read by a stranger's library: where, how fast, how late, and when not known."""

from __future__ import annotations

import itertools
import socket
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pynmea2
import pytest
from geographiclib.geodesic import Geodesic

from pullwatch_sim import gps
from pullwatch_sim.gps import COURSES, RADIUS_M, START, STRAIGHT_M, Receiver, oval, record_gps, strip
from pullwatch_sim.scenarios import fault_on_command_line, load
from pullwatch_sim.truth import Truth, simulate

from .test_programs import DEADLINE_S, program

if TYPE_CHECKING:
    from collections.abc import Callable

    from pullwatch_sim.tape import Tape


def strip_with(*faults: str) -> Truth:
    """Play the strip pass with more faults."""
    return simulate(replace(load("strip-pass"), faults=tuple(map(fault_on_command_line, faults))))


def heard(tape: Tape) -> list[tuple[float, Any]]:
    """Return what the library reads in each line, and the scenario seconds at which it left."""
    return [(at / 1e9, pynmea2.parse(tape.slice(i, i + 1).decode(), check=True)) for i, at in enumerate(tape.times)]


def of_day(sentence: Any) -> float:
    """Return the scenario seconds that a sentence says it is of."""
    clock = sentence.timestamp
    return float((clock.hour - 12) * 3_600 + clock.minute * 60 + clock.second + clock.microsecond / 1e6)


def test_sentences_tell_speed_and_place_as_they_were(evening: Callable[[str], Truth]) -> None:
    """After the first fix every RMC says the true speed and place of its own moment, and comes the lag later."""
    truth = evening("strip-pass")
    speed, way = truth.values["speed_m_s"], np.cumsum(truth.values["speed_m_s"]) * 0.001
    receiver = Receiver(rate_hz=25.0, lag_ms=180.0, baud=115_200)
    found = [(at, line) for at, line in heard(record_gps(truth, receiver)) if line.sentence_type == "RMC"]
    assert len(found) == pytest.approx(truth.duration_s * 25, abs=1)
    fixes = 0
    for at, line in found:
        then = of_day(line)
        on_the_wire = len(str(line)) + 2
        assert at - then == pytest.approx(0.180 + on_the_wire * 10 / 115_200, abs=0.011)  # its time has two decimals
        if then < receiver.first_fix_s - 0.01:
            assert (line.status, line.mode_indicator, line.lat, line.spd_over_grnd) == ("V", "N", "", None)
            continue
        fixes += 1
        index = min(round(then * 1_000), len(way) - 1)
        assert line.spd_over_grnd * 1.852 / 3.6 == pytest.approx(speed[index], abs=0.35)
        gone = Geodesic.WGS84.Inverse(*START, line.latitude, line.longitude)["s12"]
        assert gone == pytest.approx(way[index], abs=2.0)
    assert fixes > 450


def test_under_a_bridge(evening: Callable[[str], Truth]) -> None:
    """For a second it reckons on and says so, then it has no fix, until half a second after the bridge."""
    truth = strip_with("fix_lost 10 13")
    states = {}
    for _, line in heard(record_gps(truth, Receiver())):
        if line.sentence_type == "GGA":
            states[of_day(line)] = line.gps_qual
        elif line.sentence_type == "RMC":
            assert (line.status == "A") is (line.mode_indicator == "A")
    assert {q for t, q in states.items() if 3.05 < t < 9.95 or t > 13.55} == {1}
    assert {q for t, q in states.items() if 10.05 < t < 10.95} == {6}
    assert {q for t, q in states.items() if 11.05 < t < 13.45} == {0}
    reckoned = [
        line.spd_over_grnd
        for _, line in heard(record_gps(truth, Receiver()))
        if line.sentence_type == "RMC" and line.mode_indicator == "E"
    ]
    changed = np.ptp(evening("strip-pass").values["speed_m_s"][10_000:11_000]) * 3.6 / 1.852
    assert changed > 5.0
    assert max(reckoned) - min(reckoned) < 0.5


def test_on_a_dyno_the_car_stands(short_pull: Truth) -> None:
    """The wheels turn, and the satellites see a car that stands: speed near 0, within a few metres of the start."""
    assert short_pull.values["speed_m_s"].max() > 20.0
    for _, line in heard(record_gps(short_pull, Receiver(first_fix_s=0.0))):
        if line.sentence_type == "RMC":
            assert line.spd_over_grnd < 0.5
            assert Geodesic.WGS84.Inverse(*START, line.latitude, line.longitude)["s12"] < 2.0


def test_damage_and_bundles() -> None:
    """Damage fails the library's check, but for the few an exclusive or lets pass; bundles come every 16 ms."""
    truth = strip_with("gps_garbage 5 9 share=1")
    tape = record_gps(truth, Receiver())
    whole = record_gps(strip_with("gps_garbage 5 9 share=0"), Receiver())
    passed = damaged = 0
    for i, at in enumerate(tape.times):
        line = tape.slice(i, i + 1)
        if not 5e9 <= at < 9e9:
            assert line == whole.slice(i, i + 1)
            continue
        damaged += 1
        try:
            pynmea2.parse(line.decode("latin-1"), check=True)
        except (pynmea2.ParseError, ValueError):
            continue
        passed += 1
    assert damaged == pytest.approx(120, abs=3)
    assert passed < 0.1 * damaged
    bundled = replace(truth, scenario=replace(truth.scenario, confounders=frozenset({"usb_bundles"})))
    assert all(at % 16_000_000 == 0 for at in record_gps(bundled, Receiver()).times)


def test_a_full_wire_comes_late() -> None:
    """More than the baud carries waits its turn: sentences come later and later, as with a real receiver."""
    found = heard(record_gps(strip_with(), Receiver(rate_hz=10.0, baud=9_600)))
    lags = [at - of_day(line) for at, line in found if line.sentence_type == "RMC"]
    assert lags[-1] > 5.0
    assert all(after > before - 0.2 for before, after in itertools.pairwise(lags))


@pytest.mark.parametrize("name", COURSES)
def test_courses_go_on_without_a_jump(name: str) -> None:
    """A step along a course is as long as it says, in the direction of its course."""
    for metres in np.arange(0.0, 4_000.0, 7.3).tolist():
        east, north, course = COURSES[name](metres)
        east2, north2, _ = COURSES[name](metres + 0.01)
        assert np.hypot(east2 - east, north2 - north) == pytest.approx(0.01, abs=1e-6)
        heading = np.degrees(np.arctan2(east2 - east, north2 - north)) % 360.0
        assert (heading - course + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.02)


def test_the_oval_is_closed() -> None:
    """After one lap the car is where it began; on the strip it is not."""
    lap = 2.0 * (STRAIGHT_M + np.pi * RADIUS_M)
    assert oval(float(lap)) == pytest.approx((0.0, 0.0, 90.0), abs=1e-6)
    assert strip(100.0) == (100.0, 0.0, 90.0)


def test_the_program_over_tcp() -> None:
    """A client hears sentences of the evening, whole; the port goes with the fault that unplugs it."""
    arguments = ("--scenario", "strip-pass", "--listen", "127.0.0.1:0", "--start-at", "client", "--speed", "20")
    extra = ("--rate-hz", "5", "--first-fix-s", "1", "--sentences", "RMC,VTG", "--fault", "gps_unplugged 12 13")
    with (
        program("gps", *arguments, *extra) as (_, words),
        socket.create_connection((words[1], int(words[2])), timeout=DEADLINE_S) as receiver,
    ):
        got = b""
        deadline = time.monotonic() + DEADLINE_S
        while (data := receiver.recv(4_096)) and time.monotonic() < deadline:
            got += data
    lines = got.decode().split("\r\n")[1:-1]
    kinds = [pynmea2.parse(line, check=True).sentence_type for line in lines]
    assert set(kinds) == {"RMC", "VTG"}
    assert 80 < len(kinds) <= 121  # 12 s × 5 Hz × 2


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--rate-hz", "50"], "--rate-hz 50: expected 1 to 25"),
        (["--lag-ms", "-1"], "expected --lag-ms"),
        (["--sentences", "RMC,GSV"], "expected RMC, GGA, VTG"),
        (["--course", "figure-eight"], "invalid choice"),
    ],
)
def test_wrong_command_lines(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be done is said in a sentence, before anything listens."""
    with pytest.raises(SystemExit):
        gps.main(["--scenario", "strip-pass", "--listen", "127.0.0.1:0", *arguments])
    assert says in capsys.readouterr().err
