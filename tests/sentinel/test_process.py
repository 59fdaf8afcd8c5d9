"""The sentinel's program from inside: what it says, what it plays, how it takes a bad device."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch.clock import NS_PER_MS, steady_ns
from pullwatch.sentinel import process
from pullwatch.sentinel.patterns import RATE, Signal, render_all
from pullwatch.sentinel.process import Options, Seat, Sentinel, Voice, read_options
from pullwatch.sentinel.wire import GOODBYE, Alarm, Report, Silence, What, pack, read_report
from pullwatch.watchdog.alarms import Priority, State

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PATTERNS = render_all()


class Inside:
    """A sentinel with pipes in place of its surroundings; its device is never started, frames are taken by hand."""

    def __init__(self, tmp_path: Path) -> None:
        self.report_read, self.report_write = os.pipe()
        self.said_read, self.said_write = os.pipe()
        os.set_blocking(self.report_read, False)
        os.set_blocking(self.said_read, False)
        self.voice = Voice(self.said_write, self.report_write, str(tmp_path / "log"))
        self.sentinel = Sentinel(Options(-1, self.report_write), self.voice)

    def reports(self) -> list[Report]:
        """Everything reported since the last call."""
        try:
            data = os.read(self.report_read, 65536)
        except BlockingIOError:
            return []
        found = [read_report(line.lstrip(b".")) for line in data.split(b"\n")]
        return [report for report in found if report is not None]

    def said(self) -> str:
        """Everything said to people since the last call."""
        try:
            return os.read(self.said_read, 65536).decode()
        except BlockingIOError:
            return ""

    def play(self, ms: int) -> bytes:
        """Take `ms` of sound."""
        return self.sentinel.player.frames(ms * RATE // 1000)

    def close(self) -> None:
        """Close every pipe."""
        if self.voice._log is not None:
            self.voice._log.close()
        for fd in (self.report_read, self.report_write, self.said_read, self.said_write):
            os.close(fd)
        os.close(self.sentinel.wake_read)
        os.close(self.sentinel.wake_write)


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    """Make a sentinel taken apart."""
    made = Inside(tmp_path)
    yield made
    made.close()


def alarm(priority: Priority, seq: int = 1) -> bytes:
    return pack(Alarm(seq, priority, 0, State.UNACKNOWLEDGED, 0))


@pytest.mark.parametrize(
    ("priority", "signal"),
    [(Priority.CRITICAL, Signal.CRITICAL), (Priority.CAUTION, Signal.CAUTION), (Priority.NOTE, Signal.NOTE)],
)
def test_each_priority_has_its_signal(inside: Inside, priority: Priority, signal: Signal) -> None:
    """What is played is the signal of the priority that was sent, until silence is."""
    inside.sentinel.obey(alarm(priority))
    assert inside.play(100) == PATTERNS[signal].pcm[: 100 * RATE // 1000 * 2]
    inside.sentinel.obey(pack(Silence(2, finish=False)))
    assert not any(inside.play(100)[-9000:])


def test_the_first_frame_is_reported_with_its_delay(inside: Inside) -> None:
    """The report carries the message's number and the time from sending to handing over."""
    sent = steady_ns()
    inside.sentinel.obey(pack(Alarm(5, Priority.CRITICAL, 0, State.UNACKNOWLEDGED, sent)))
    inside.play(10)
    inside.sentinel.look(heard=True)
    (report,) = inside.reports()
    assert (report.what, report.seq) == (What.FIRST_FRAME, 5)
    assert report.ns == report.t - sent > 0


def test_heartbeats_are_answered(inside: Inside) -> None:
    """One answer for four heartbeats: the watching process knows that somebody listens."""
    inside.sentinel.obey(b"." * 3)
    inside.sentinel.obey(b"." * 7)
    assert os.read(inside.report_read, 100) == b".."


def test_lift_goes_on_when_the_monitor_dies_with_it(inside: Inside, monkeypatch: pytest.MonkeyPatch) -> None:
    """Critical sounding when the monitor died sounds on; "gone" takes its place later, and only between bursts."""
    inside.sentinel.obey(alarm(Priority.CRITICAL))
    heard = inside.play(100)
    inside.sentinel.pipe_closed()
    assert "MONITOR GONE" in inside.said()
    inside.sentinel.look(heard=False)
    heard += inside.play(200)
    assert heard == PATTERNS[Signal.CRITICAL].pcm[: 300 * RATE // 1000 * 2]
    later = inside.sentinel.looked + process.LIFT_FIRST
    monkeypatch.setattr("time.monotonic_ns", lambda: later)
    inside.sentinel.look(heard=False)
    heard += inside.play(1000)
    critical, gone = PATTERNS[Signal.CRITICAL].pcm, PATTERNS[Signal.GONE].pcm
    assert heard == (critical + gone)[: len(heard)]


@pytest.mark.parametrize("priority", [Priority.CAUTION, Priority.NOTE])
def test_gone_takes_the_place_of_anything_lower_at_once(inside: Inside, priority: Priority) -> None:
    """A caution does not keep "monitor gone" waiting."""
    inside.sentinel.obey(alarm(priority))
    inside.play(100)
    inside.sentinel.pipe_closed()
    assert PATTERNS[Signal.GONE].pcm[:9600] in inside.play(200)


def test_gone_falls_silent_after_its_time(inside: Inside, monkeypatch: pytest.MonkeyPatch) -> None:
    """The signal does not sound for ever in an empty garage."""
    inside.sentinel.pipe_closed()
    inside.play(100)
    later = inside.sentinel.quiet_at
    monkeypatch.setattr("time.monotonic_ns", lambda: later)
    inside.sentinel.look(heard=False)
    inside.play(1000)
    assert not any(inside.play(6000))


def test_goodbye_and_then_the_end_of_the_pipe_is_quiet(inside: Inside) -> None:
    """An end with goodbye is no "gone"."""
    inside.sentinel.obey(GOODBYE)
    inside.sentinel.pipe_closed()
    assert inside.said() == ""
    assert inside.reports() == []
    assert not any(inside.play(100))


def test_what_sounded_before_sounds_again_when_the_monitor_is_back(
    inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that was stuck takes its alarm up again where "gone" stood."""
    sentinel = inside.sentinel
    now = sentinel.looked
    sentinel.obey(b"." + alarm(Priority.CAUTION))
    sentinel.look(heard=True)
    for _ in range(8):
        now += 30 * NS_PER_MS
        monkeypatch.setattr("time.monotonic_ns", lambda now=now: now)
        monkeypatch.setattr(process, "steady_ns", lambda now=now: now)
        sentinel.look(heard=False)
    assert What.GONE in [report.what for report in inside.reports()]
    assert PATTERNS[Signal.GONE].pcm[:2000] in inside.play(100)
    sentinel.look(heard=True)
    assert "the monitor is back after 0." in inside.said()
    assert PATTERNS[Signal.CAUTION].pcm[:2000] in inside.play(100)


def test_a_device_that_takes_no_more_sound_is_lost(inside: Inside) -> None:
    """A sound card pulled out asks for nothing: after a second that is told, and it is opened again."""
    sentinel = inside.sentinel
    sentinel.output.playing = True
    for _ in range(30):
        sentinel.look_at_device(40 * NS_PER_MS, 0)
        sentinel.player.frames(480)
    assert inside.reports() == []
    for _ in range(30):
        sentinel.look_at_device(40 * NS_PER_MS, 0)
    assert [report.what for report in inside.reports()] == [What.DEVICE_LOST]
    assert sentinel.output._stir.is_set()
    assert "takes no sound any more" in inside.said()


def test_a_device_that_does_not_answer_is_told_once(inside: Inside) -> None:
    """An attempt to open that hangs in a sound server is told after three seconds."""
    sentinel = inside.sentinel
    sentinel.output.opening_since = 1
    for seconds in range(10):
        sentinel.look_at_device(0, seconds * 1000 * NS_PER_MS)
    assert [report.what for report in inside.reports()] == [What.DEVICE_MISSING]


def test_a_device_that_takes_large_pieces_is_told_as_slow(inside: Inside) -> None:
    """A device with 200 ms in one piece makes every signal that much later, and this is told once."""
    inside.play(200)
    inside.sentinel.look_at_device(0, 0)
    inside.sentinel.look_at_device(0, 0)
    (report,) = inside.reports()
    assert (report.what, report.ns) == (What.DEVICE_SLOW, 200 * NS_PER_MS)


def test_notes_of_the_devices_thread_are_passed_on(inside: Inside) -> None:
    """What the sound's thread notes wakes the watch, which reports it."""
    inside.sentinel.note(What.DEVICE_MISSING, "no card")
    assert os.read(inside.sentinel.wake_read, 10) == b"w"
    inside.sentinel.look(heard=True)
    assert [report.words for report in inside.reports()] == ["no card"]
    assert inside.said() == "pullwatch sentinel: no card\n"


def test_nobody_reading_never_stops_the_sentinel(inside: Inside) -> None:
    """With stderr and the report pipe full to the brim, it goes on and counts what was not said."""
    os.set_blocking(inside.said_write, True)
    for _ in range(2000):
        inside.sentinel.tell(What.DEVICE_MISSING, "x" * 400)
    assert inside.voice.unsaid > 0


def test_its_lines_are_kept_in_the_log(inside: Inside, tmp_path: Path) -> None:
    """What is said to people is also written to the log, with the wall time."""
    inside.voice.aloud("hello\nthere")
    line = (tmp_path / "log").read_text()
    assert line.endswith("pullwatch sentinel: hello there\n")
    assert line[:2] == "20"


def test_a_log_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """A wrong path for the log is said on stderr and stops nothing."""
    read, write = os.pipe()
    try:
        voice = Voice(write, write, str(tmp_path / "no" / "log"))
        assert b"cannot be written" in os.read(read, 1000)
        voice.aloud("still here")
        assert b"still here" in os.read(read, 1000)
    finally:
        os.close(read)
        os.close(write)


def test_a_seat_is_taken_by_one_at_a_time(tmp_path: Path) -> None:
    """Who holds the seat is not taken over; who left it sees the next one sit down; who never sat sees nothing."""
    path = str(tmp_path / "seat")
    first, second, third = Seat(path), Seat(path), Seat(path)
    assert (first.mine, second.mine) == (True, False)
    first.leave()
    assert not first.taken()
    second.take()
    assert second.mine
    assert first.taken()
    assert not third.taken()
    for seat in (first, second, third):
        os.close(seat._fd)


def test_without_a_seat_nobody_is_taken_over_from(tmp_path: Path) -> None:
    """No path, or one that cannot be opened, means that "gone" lasts its full time."""
    for path in ("", str(tmp_path / "no" / "seat")):
        seat = Seat(path)
        seat.leave()
        assert not seat.taken()


@pytest.mark.parametrize(
    ("argv", "what"),
    [
        ([], "are needed"),
        (["--hear", "3"], "are needed"),
        (["--hear", "3", "--report", "4", "--loud", "yes"], "--loud is not known"),
        (["--hear", "3", "--report", "4", "--volume", "2"], "not between 0 and 1"),
        (["--hear", "three", "--report", "4"], "invalid literal"),
    ],
)
def test_a_wrong_command_line_is_refused_in_words(
    argv: list[str], what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Started by hand or wrongly, it says so and ends with 2."""
    assert process.main(argv) == 2
    assert what in capsys.readouterr().err


def test_options_are_read() -> None:
    """Every option of the command line has its place."""
    argv = ["--hear", "3", "--report", "4", "--device", "null", "--volume", "0.5"]
    argv += ["--gone-for", "2.5", "--lock", "/l", "--log", "/g"]
    assert read_options(argv) == Options(3, 4, "null", 0.5, 2.5, "/l", "/g")


def test_frames_are_whole_samples(inside: Inside) -> None:
    """Any number of frames asked for is given exactly, as 16-bit samples."""
    inside.sentinel.obey(alarm(Priority.CRITICAL))
    assert np.frombuffer(inside.sentinel.player.frames(777), dtype=np.int16).shape == (777,)


def test_the_program_loads_nothing_heavy_before_it_listens() -> None:
    """Neither numpy nor asyncio nor the sound library is loaded until the sentinel listens."""
    code = "import sys, pullwatch.sentinel.process as p; print({'numpy', 'asyncio', 'miniaudio'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert done.stdout == "set()\n"
