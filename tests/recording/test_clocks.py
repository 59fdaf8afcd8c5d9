"""Cards that stall, wall clocks that are set, machines that sleep: the recording holds, and nothing judged differs."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Batch
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair, SessionClock
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.replaying import verify

from .judged import LEAN, WELL, Judged
from .sessions import DEADLINE_S, FEEDS, RULES, WALL, Desk, Disk, HandClock, records_of, some_records, wait_for

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

HOUR = 3_600 * NS_PER_S
STALL_S = 0.5


@dataclass(frozen=True, slots=True)
class SetClock(HandClock):
    """A hand clock whose wall clock a test sets: `ahead` is how far it is from where it began."""

    ahead: list[int] = field(default_factory=lambda: [0])

    def pair(self) -> ClockPair:
        """Return session time and what the wall clock shows."""
        return ClockPair(self.stands[0], WALL + self.stands[0] + self.ahead[0], 1)


def evening(folder: Path, judged: Callable[..., Judged], clock: SetClock, steps: dict[int, int]) -> Judged:
    """Judge and record 6 s; before some steps the wall clock is set by so many ns."""
    one = judged(folder, clock=clock)
    for step in range(600):
        clock.ahead[0] += steps.get(step, 0)
        one.step(LEAN if 200 <= step < 240 else WELL, "acknowledge" if step == 300 else None)
        if step % 20 == 0:
            one.settle()
    one.recorder.close()
    return one


@pytest.mark.parametrize("way", [1, -1])
def test_a_wall_clock_set_by_an_hour_changes_nothing(tmp_path: Path, judged: Callable[..., Judged], way: int) -> None:
    """Every frame but clock pairs and the event is byte for byte what it is without; the event says by how much."""
    # The step falls into the run-up of an alarm.
    stepped = evening(tmp_path / "a", judged, SetClock(), {203: way * HOUR, 450: -way * HOUR})
    steady = evening(tmp_path / "b", judged, SetClock(), {})
    assert stepped.changes == steady.changes
    assert len(stepped.changes) > 2
    sessions = Session(stepped.folder), Session(steady.folder)
    told = [(t, event) for t, event in sessions[0].events() if event["event"] == "clock step"]
    assert [(t, event["step"]) for t, event in told] == [
        (204 * 10 * NS_PER_MS, way * HOUR),
        (451 * 10 * NS_PER_MS, -way * HOUR),
    ]
    assert ("forward" if way > 0 else "back") + " by 3600.000 s" in told[0][1]["says"]
    assert not any(event["event"] == "clock step" for _, event in sessions[1].events())
    for what in (Stream.CHANGE, Stream.CHECKPOINT, Stream.FEED_0, Stream.FEED_0 + 1):
        payloads = [
            [
                (frame.t, frame.now, frame.data[layout.HEADER.size :])
                for frame in session.frames()
                if frame.channel == what
            ]
            for session in sessions
        ]
        assert payloads[0] == payloads[1]
    assert sessions[0].ending.at_ns == sessions[1].ending.at_ns
    found = verify(sessions[0])
    assert found.agree
    assert found.unverified == []
    # What the wall showed is known to the flush in which it was set.
    wall = sessions[0].wall
    assert wall(2_020 * NS_PER_MS) == WALL + 2_020 * NS_PER_MS
    assert wall(2_050 * NS_PER_MS) == WALL + 2_050 * NS_PER_MS + way * HOUR
    assert wall(5_000 * NS_PER_MS) == WALL + 5_000 * NS_PER_MS


def test_a_clock_that_is_kept_right_is_not_called_set(tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """A wall clock that is slewed by 500 ppm for 6 s, or jumps by 20 ms, is no event."""
    clock = SetClock()
    one = evening(tmp_path / "a", judged, clock, dict.fromkeys(range(600), 5_000) | {300: 20 * NS_PER_MS})
    assert not any(event["event"] == "clock step" for _, event in Session(one.folder).events())


def test_the_real_wall_clock_set(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the recorder's own thread: an hour that the system's wall clock jumps by is an event within some flushes."""
    ahead = [0]
    real = time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: real() + ahead[0])
    disk = Disk(folder)
    clock = SessionClock()
    recorder = Recorder(folder, {}, FEEDS, RULES, clock, files=disk)
    try:
        now = clock.now()
        recorder.take(Batch(now, some_records(now, 3, 9, (1,))), [])
        wait_for(lambda: recorder._committed_now == now, disk.wrote)
        ahead[0] = HOUR
        began = clock.now()
        wait_for(lambda: bool(_told(folder)), disk.wrote)
        took = clock.now() - began
    finally:
        recorder.close()
    ((t, event),) = _told(folder)
    assert abs(event["step"] - HOUR) < NS_PER_S
    assert began <= t <= began + took


def _told(folder: Path) -> list[tuple[int, dict[str, int]]]:
    return [(t, event) for t, event in Session(folder).events() if event["event"] == "clock step"]


def test_a_suspend_is_silence_of_its_length(tmp_path: Path, judged: Callable[..., Judged]) -> None:
    """Session time goes on over an hour of sleep, the disk's time does not: no stall, no lag told, replay agrees."""
    disk = Disk(tmp_path / "a")
    one = judged(disk.home, files=disk, fallback=tmp_path / "memory")
    for step in range(100):
        one.step(WELL)
        if step % 20 == 19:
            one.settle()
    disk.gate.clear()
    disk.syncing.clear()
    one.step(WELL)
    assert disk.syncing.wait(DEADLINE_S), "a sync is under way when the machine falls asleep"
    one.now += HOUR
    one.clock.stands[0] = one.now
    one.step(WELL)
    assert one.recorder.sync_lag_ns <= 20 * NS_PER_MS
    disk.gate.set()
    for step in range(100):
        if step % 20 == 0:
            one.settle()
        one.step(WELL)
    assert not one.recorder.in_memory
    one.recorder.close()
    session = Session(one.folder)
    assert len(session.parts) == 1
    assert {event["event"] for _, event in session.events()} <= {"no reserve"}
    times = [record.t for record in records_of(list(session.blocks()))]
    assert max(later - before for before, later in pairwise(times)) >= HOUR
    assert session.ending.at_ns == one.now > HOUR
    found = verify(session)
    assert found.agree
    assert found.unverified == []
    assert found.changes == len(one.changes)


def test_a_sync_that_stalls_for_half_a_second_is_told_and_costs_nothing(
    desk: Callable[..., Desk], folder: Path, tmp_path: Path
) -> None:
    """Every sync takes 500 ms: one part, nothing dropped, the lag told when it passes 250 ms, and its end told too."""
    disk = Disk(folder)
    one = desk(files=disk, fallback=tmp_path / "memory")
    one.run(20)
    one.synced()
    for _ in range(4):
        disk.gate.clear()
        disk.syncing.clear()
        one.run(1)
        assert disk.syncing.wait(DEADLINE_S)
        one.run(24)
        assert one.recorder.sync_lag_ns == 250 * NS_PER_MS
        one.run(25)
        disk.gate.set()
        one.synced()
        one.run(1)
        one.synced()
    assert one.recorder.health.dropped == 0
    one.recorder.close()
    session = Session(one.folder)
    assert records_of(list(session.blocks())) == one.records
    assert len(session.parts) == 1
    lags = [event["lag"] for _, event in session.events() if event["event"] == "sync lag"]
    assert len(lags) == 4
    assert all(250 * NS_PER_MS < lag <= 270 * NS_PER_MS for lag in lags)
    assert len([event for _, event in session.events() if event["event"] == "sync well"]) == 4
    assert session.whole


class Stalling(Disk):
    """A disk of which every sync takes half a second, as a bad card's may."""

    def __init__(self, home: Path, seconds: float) -> None:
        super().__init__(home)
        self.seconds = seconds
        self.taken = 0

    def sync(self, fd: int) -> None:
        """Sync, slowly; nobody sets what it waits for."""
        threading.Event().wait(self.seconds)
        self.taken += 1
        super().sync(fd)


def latencies(root: Path, stall: float, seconds: float) -> tuple[list[int], Stalling, Session]:
    """Take a batch each 2 ms for a while; return how long each `take` took (ns), the disk, and the session."""
    root.mkdir()
    disk = Stalling(root / "session", stall)
    clock = SessionClock()
    recorder = Recorder(disk.home, {}, FEEDS, RULES, clock, root / "memory", files=disk)
    took: list[int] = []
    pace = threading.Event()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        now = clock.now()
        batch = Batch(now, some_records(now, 16, 25, (1, 2)))
        begun = time.perf_counter_ns()
        recorder.take(batch, [])
        if recorder.wants_checkpoint:
            recorder.checkpoint({"n": len(took)})
        took.append(time.perf_counter_ns() - begun)
        pace.wait(0.002)  # the pace of the data
    recorder.close()
    assert recorder.health.dropped == 0
    session = Session(disk.home)
    assert session.recorded == 16 * len(took)
    return sorted(took), disk, session


def test_the_path_does_not_feel_a_stalling_card(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """Side by side, with and without stalls: `take` costs the same, nothing is dropped, the lag is told.

    The times are printed always, and held to in a benchmark run only: a busy machine is no bug.
    """
    thorough = bool(request.config.getoption("benchmark_enable"))
    well, _, _ = latencies(tmp_path / "well", 0.0, 10.0 if thorough else 1.5)
    ill, disk, session = latencies(tmp_path / "ill", STALL_S, 10.0 if thorough else 1.5)
    assert disk.taken >= 2
    assert any(event["event"] == "sync lag" for _, event in session.events())
    for name, took in (("good card", well), ("stalls of 500 ms", ill)):
        half, most, top = (took[int(share * (len(took) - 1))] / 1e3 for share in (0.5, 0.99, 0.999))
        print(f"{name:17} take: median {half:.1f} µs, p99 {most:.1f} µs, p99.9 {top:.1f} µs of {len(took)}")
    if thorough:
        assert ill[len(ill) // 2] < 1.5 * well[len(well) // 2] + 5_000
        assert ill[int(0.99 * len(ill))] < 1_000_000
