"""A satellite receiver from the wire to the recording and back: what was judged is judged again, to the nanosecond."""

from __future__ import annotations

import math
import subprocess
import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from pullwatch.columns import Why, to_samples
from pullwatch.decoders.geodesy import Track, distance_m
from pullwatch.recording.reader import Session
from pullwatch.replaying import plan_of, replayed, verify
from pullwatch.watchdog.alarms import Event

from .evening import PATIENCE_S, interrupt, program

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pullwatch.columns import Sample

SPEED = 6
"""How much faster than real time the pass is driven: 23 s in 4."""

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "strip"

[[feed]]
name = "gps"
kind = "nmea"
port = "socket://{port}"
rate_hz = 60
sentences = ["RMC", "GGA", "VTG"]

[feed.channels]
vehicle_speed = "speed"
course = "course"
latitude = "latitude"
longitude = "longitude"
fix_quality = "fix_quality"
satellites = "satellites"
utc_time = "time"

[channel.vehicle_speed]
delay_ms = [20, 80]

[[rule]]
name = "fast"
trip = "vehicle_speed > 100 km/h deadband 5 km/h"
off_delay_ms = 50

[[rule]]
name = "no fix"
trip = "fix_quality < 1"
off_delay_ms = 50
"""


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Drive the strip under a bridge, watched; give the session's folder."""
    folder = tmp_path_factory.mktemp("gps")
    with ExitStack() as stack:
        receiver = program(
            stack,
            *("pullwatch_sim.gps", "--scenario", "strip-pass", "--listen", "127.0.0.1:0", "--start-at", "client"),
            *("--speed", str(SPEED), "--first-fix-s", "2", "--baud", "115200", "--fault", "fix_lost 10 13"),
            *("--fault", "gps_garbage 5 7 share=0.2", "--linger", "0"),
        )
        assert receiver.stdout is not None
        _, host, port = receiver.stdout.readline().decode().split()
        setup = folder / "setup.toml"
        setup.write_text(SETUP.format(port=f"{host}:{port}"), encoding="utf-8")
        sessions = folder / "sessions"
        command = ("pullwatch", "watch", str(setup), "--sessions", str(sessions), "--device", "null")
        with (folder / "watch.txt").open("wb") as said:
            watcher = program(stack, *command, stdout=said)
            receiver.wait(PATIENCE_S)
            assert interrupt(watcher) == 1, "alarms that nobody has acknowledged are left"
        (session,) = {part.parent for part in sessions.glob("*/0001.mcap")}
        yield session


def test_replay_is_exact(driven: Path) -> None:
    """Every change recorded is computed again and none besides, also by the command a person types."""
    found = verify(Session(driven))
    assert found.agree
    assert found.changes >= 4
    assert not found.unverified
    command = [sys.executable, "-m", "pullwatch", "replay", str(driven), "--verify"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "REPLAY verified" in done.stdout


def test_alarms_come_and_go_with_what_was_driven(driven: Path) -> None:
    """No fix at first and under the bridge; fast after it; speed lost for as long as there is no fix."""
    changes = [change for block in Session(driven).blocks() for change in block.changes]
    raised = [change.name for change in changes if change.event is Event.RAISE]
    assert raised.count("no fix") == 2
    assert raised.count("fast") >= 1
    assert "vehicle_speed lost" in raised


def test_what_the_path_saw_is_what_was_driven(driven: Path) -> None:
    """Place, speed and distance come out of the recording; without a fix there is no number and no distance."""
    session = Session(driven)
    plan = plan_of(session)
    samples: list[Sample] = []
    for step in replayed(plan, session.blocks()):
        samples += step.batch.samples if step.batch.samples is not None else to_samples(step.batch.columns or {})
        ledger = step.path.decoders[1].ledger
        assert ledger.balances
    assert ledger.bad_messages > 0, "some sentences were damaged"
    of = {channel.name: channel.number for channel in plan.channels}
    speeds = [(value, why) for _, channel, value, why in samples if channel == of["vehicle_speed"]]
    assert {why for _, why in speeds} == {Why.GOOD, Why.NOT_AVAILABLE}
    assert 120.0 < max(value for value, why in speeds if why == Why.GOOD) < 200.0
    latitudes = {t: (value, why) for t, channel, value, why in samples if channel == of["latitude"]}
    longitudes = {t: (value, why) for t, channel, value, why in samples if channel == of["longitude"]}
    assert latitudes.keys() == longitudes.keys()
    track = Track(longest=1_000_000_000)
    places = []
    for t, (latitude, why) in sorted(latitudes.items()):
        longitude, _ = longitudes[t]
        assert (why == Why.GOOD) is (longitudes[t][1] == Why.GOOD)
        if why != Why.GOOD:
            track.lost()
            continue
        places.append((latitude, longitude))
        track.fix(t, latitude, longitude)
    assert track.gaps == 1
    assert math.isnan(track.metres), "after the bridge the distance driven is not known"
    # It is a straight, so with straight lines over the gaps the sum is the way from end to end, and the noise.
    straight = distance_m(*places[0], *places[-1])
    assert straight > 300.0
    assert straight - 1.0 < track.at_least < 1.15 * straight
