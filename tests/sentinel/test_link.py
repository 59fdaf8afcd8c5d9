"""The watching process's end: it never waits, notices a dead sentinel, starts it again, says so."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.sentinel import link as link_module
from pullwatch.sentinel.link import SentinelLink
from pullwatch.sentinel.wire import Report, What
from pullwatch.watchdog.alarms import Priority, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

UNACK = State.UNACKNOWLEDGED


class Loop:
    """A link, and a loop that goes round as the path's does."""

    def __init__(self, **settings: Any) -> None:
        self.link = SentinelLink(**{"device": "null", "stderr": subprocess.DEVNULL, **settings})
        self.link.start()
        self._came: list[Report] = []

    def until(self, what: What, seconds: float = 20.0) -> Report:
        """Go round until a report of `what` comes; those before it are passed over, those after it kept."""
        passed = []
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            self.link.beat()
            self._came += self.link.poll()
            while self._came:
                report = self._came.pop(0)
                if report.what is what:
                    return report
                passed.append(report)
            select.select([self.link], [], [], 0.010)
        raise AssertionError(f"no {what} came; what came: {passed}")

    def send(self, how: signal.Signals) -> int:
        """Send a signal to the sentinel; return its process number."""
        pid = self.link.pid
        assert pid is not None
        os.kill(pid, how)
        return pid


@pytest.fixture
def start() -> Iterator[Callable[..., Loop]]:
    """Start links; closed after the test."""
    with contextlib.ExitStack() as stack:

        def make(**settings: Any) -> Loop:
            made = Loop(**settings)
            stack.callback(made.link.close)
            return made

        yield make


def test_it_starts_and_says_so(start: Callable[..., Loop]) -> None:
    """The sentinel says that it listens, and that the null device was asked for."""
    loop = start()
    loop.until(What.READY)
    assert loop.until(What.DEVICE_NULL).words.startswith("null device")
    assert loop.link.alive


def test_the_first_frame_of_an_alarm_is_reported(start: Callable[..., Loop]) -> None:
    """The first frame comes within 100 ms of the message, and the report says that nobody heard it."""
    loop = start()
    loop.until(What.DEVICE_NULL)
    seq = loop.link.alarm(Priority.CRITICAL, 3, UNACK)
    report = loop.until(What.FIRST_FRAME)
    assert report.seq == seq
    assert 0 < report.ns <= 100_000_000
    assert "nobody heard it" in report.words


def test_a_missing_device_is_reported_in_words(
    start: Callable[..., Loop], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where no sound device can be opened this is said, on stderr and to the link, and signals keep their time."""
    for name in ("ALSA_CONFIG_PATH", "PULSE_SERVER", "XDG_RUNTIME_DIR", "PIPEWIRE_RUNTIME_DIR"):
        monkeypatch.setenv(name, str(tmp_path / "nothing"))
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    with (tmp_path / "stderr").open("w+b") as stderr:
        loop = start(device="default", stderr=stderr.fileno())
        report = loop.until(What.DEVICE_MISSING)
        assert report.trouble
        assert "no signal can be heard" in report.words
        loop.link.alarm(Priority.CRITICAL, 0, UNACK)
        loop.until(What.FIRST_FRAME)
        loop.link.close()
        stderr.seek(0)
        said = stderr.read().decode()
    assert said.count("\n") == 1, "one line of ours, and none of a sound library's"
    assert report.words[:60] in said


def test_a_killed_sentinel_is_noticed_told_and_started_again(start: Callable[..., Loop]) -> None:
    """After kill -9 the link says so and starts another, which takes up the alarm that still sounds."""
    loop = start()
    loop.until(What.DEVICE_NULL)
    loop.link.alarm(Priority.CRITICAL, 3, UNACK)
    loop.until(What.FIRST_FRAME)
    first = loop.send(signal.SIGKILL)
    report = loop.until(What.SENTINEL_LOST)
    assert report.trouble
    assert "nobody would notice if the monitor went" in report.words
    loop.until(What.READY)
    assert loop.link.restarts == 1
    assert loop.link.pid != first
    assert "critical" in loop.until(What.FIRST_FRAME).words


def test_a_silenced_alarm_is_not_taken_up_by_the_next_sentinel(start: Callable[..., Loop]) -> None:
    """What was acknowledged before the sentinel died stays silent after."""
    loop = start()
    loop.until(What.DEVICE_NULL)
    loop.link.alarm(Priority.CRITICAL, 3, UNACK)
    loop.until(What.FIRST_FRAME)
    loop.link.silence()
    loop.send(signal.SIGKILL)
    loop.until(What.DEVICE_NULL)
    seq = loop.link.alarm(Priority.NOTE, 1, UNACK)
    assert loop.until(What.FIRST_FRAME).seq == seq


def test_a_stopped_sentinel_is_noticed(start: Callable[..., Loop]) -> None:
    """One that takes heartbeats but answers none hangs: after a second of them it is killed and replaced."""
    loop = start()
    loop.until(What.READY)
    began = time.monotonic()
    loop.send(signal.SIGSTOP)
    report = loop.until(What.SENTINEL_LOST)
    assert "does not answer" in report.words
    assert time.monotonic() - began < 3.0
    loop.until(What.READY)


def test_our_own_pause_is_not_taken_for_its_death(start: Callable[..., Loop]) -> None:
    """Heartbeats are counted, not seconds: a loop that was stuck finds its sentinel alive, and hears of it."""
    loop = start()
    loop.until(What.READY)
    stand_still(2.0)
    loop.until(What.GONE)
    assert 1.5e9 < loop.until(What.BACK).ns < 5e9
    assert loop.link.restarts == 0


def stand_still(seconds: float) -> None:
    """Let the loop stand still: wait so long on a descriptor on which nothing comes."""
    read, write = os.pipe()
    try:
        assert not select.select([read], [], [], seconds)[0]
    finally:
        os.close(read)
        os.close(write)


def test_a_full_pipe_is_a_hanging_sentinel(start: Callable[..., Loop]) -> None:
    """A sentinel that reads nothing is lost as soon as a write would have to wait; the caller never waits."""
    loop = start()
    loop.until(What.READY)
    loop.send(signal.SIGSTOP)
    slowest = 0.0
    while loop.link.alive:
        began = time.monotonic()
        loop.link.alarm(Priority.CAUTION, 1, UNACK)
        slowest = max(slowest, time.monotonic() - began)
    assert "pipe is full" in loop.until(What.SENTINEL_LOST).words
    assert slowest < 1.0
    loop.until(What.READY)


def test_one_that_cannot_be_started_is_told_and_tried_again(
    start: Callable[..., Loop], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broken installation does not stop the watch: it is told, tried less and less often, and works once it can."""
    monkeypatch.setattr(link_module, "RETRY_AFTER", (0, 1_000_000))
    good = sys.executable
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    loop = start()
    assert "cannot be started" in loop.until(What.SENTINEL_LOST).words
    assert "cannot be started" in loop.until(What.SENTINEL_LOST).words
    assert not loop.link.alive
    monkeypatch.setattr(sys, "executable", good)
    loop.until(What.READY)
    assert loop.link.restarts >= 2


def test_attempts_to_start_are_spaced(start: Callable[..., Loop], monkeypatch: pytest.MonkeyPatch) -> None:
    """A sentinel that dies as soon as it starts is not started in a tight circle."""
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    loop = start()
    for _ in range(1000):
        loop.link.beat()
        loop.link.poll()
    assert loop.link.restarts == 1, "the first again is at once, the next half a second later"


def test_it_has_a_session_of_its_own_and_ignores_ctrl_c(start: Callable[..., Loop]) -> None:
    """SIGINT is for us: the sentinel outlives it, whether from the terminal's group or sent to it directly."""
    loop = start()
    loop.until(What.DEVICE_NULL)
    assert loop.link.pid is not None
    assert os.getsid(loop.link.pid) == loop.link.pid != os.getsid(0)
    os.kill(loop.link.pid, signal.SIGINT)
    seq = loop.link.alarm(Priority.NOTE, 0, UNACK)
    assert loop.until(What.FIRST_FRAME).seq == seq
    assert loop.link.restarts == 0


def test_no_other_child_inherits_the_pipe(start: Callable[..., Loop]) -> None:
    """A child started carelessly by somebody else does not keep the pipe open, which would hide our death."""
    loop = start()
    pipe = os.fstat(loop.link._hear).st_ino
    child = subprocess.Popen(["cat"], stdin=subprocess.PIPE, close_fds=False)
    try:
        held = []
        for entry in Path(f"/proc/{child.pid}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):
                held.append(entry.stat().st_ino)
    finally:
        child.communicate()
    assert held
    assert pipe not in held


def test_heartbeats_are_spaced_however_often_it_is_called(start: Callable[..., Loop]) -> None:
    """A busy loop may call `beat` with every batch: at most one byte each 25 ms is written."""
    loop = start()
    began = time.monotonic()
    while time.monotonic() - began < 0.3:
        loop.link.beat()
    took = time.monotonic() - began
    assert 2 <= loop.link.beats <= took / 0.025 + 1


def test_its_descriptor_stays_the_same(start: Callable[..., Loop]) -> None:
    """A loop that waits on the descriptor need not know that the sentinel was replaced."""
    loop = start()
    before = loop.link.fileno()
    loop.until(What.READY)
    loop.send(signal.SIGKILL)
    loop.until(What.SENTINEL_LOST)
    loop.until(What.READY)
    assert loop.link.fileno() == before


def test_after_goodbye_nothing_is_sent_or_started(start: Callable[..., Loop]) -> None:
    """Goodbye is the last word: later calls do nothing, and an ended sentinel is no loss."""
    loop = start()
    loop.until(What.READY)
    loop.link.bye()
    loop.link.bye()
    loop.link.alarm(Priority.CRITICAL, 0, UNACK)
    loop.link.beat()
    assert [report for report in loop.link.poll() if report.trouble] == []
    loop.link.close()
    assert not loop.link.alive
    assert loop.link.restarts == 0
    assert loop.link.poll() == []


def test_a_volume_beyond_full_is_refused() -> None:
    """A wrong setting stops the start, here and not in a process that nobody sees."""
    with pytest.raises(ValueError, match="not between 0 and 1"):
        SentinelLink(volume=1.5)
