"""Real processes: a watching one is killed, stopped, stuck, and its sentinel must notice; or must not be fooled.

The latencies here are taken from outside, from the signal sent to the line read. The requirement is 250 ms; on a
machine shared with other work one measurement may be late for reasons of its own, so the middle one of three counts.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import statistics
import subprocess
import sys
import time
import wave
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from pullwatch.sentinel.patterns import RATE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

REQUIRED_MS = 250.0
GONE = "MONITOR GONE"


def ms_since(at: int) -> float:
    return (time.monotonic_ns() - at) / 1e6


def shown(took: list[float]) -> str:
    """Write latencies."""
    return f"after {', '.join(f'{ms:.0f}' for ms in sorted(took))} ms"


def nothing_for(watcher: Any, seconds: float) -> None:
    """Assert that nothing is said for so long."""
    ready, _, _ = select.select([watcher.said.fd], [], [], seconds)
    assert not ready, watcher.said.next()


def test_kill_9_is_noticed(watch: Callable[..., Any]) -> None:
    """A watching process killed with SIGKILL is told as gone within 250 ms, and its sentinel then ends by itself."""
    took = []
    for _ in range(3):
        watcher = watch()
        at = watcher.kill(signal.SIGKILL)
        watcher.said.until(f"{GONE}: the watching process has ended without goodbye")
        took.append(ms_since(at))
        assert watcher.said.rest() == []
    print(f"\nkill -9: told {shown(took)}")
    assert statistics.median(took) <= REQUIRED_MS, took


@pytest.mark.parametrize("command", ["SIGSTOP", "stuck 1.0", "gil 25_000_000"])
def test_stopped_stuck_or_without_the_gil_is_noticed_and_its_return_too(
    watch: Callable[..., Any], command: str
) -> None:
    """A process that lives but does not go round is gone within 250 ms, and back when it goes round again."""
    watcher = watch(gone_for=10.0)
    took = []
    for _ in range(3):
        at = time.monotonic_ns()
        if command == "SIGSTOP":
            watcher.kill(signal.SIGSTOP)
        else:
            watcher.tell(command)
        watcher.said.until(f"{GONE}: the watching process has been silent")
        took.append(ms_since(at))
        watcher.process.send_signal(signal.SIGCONT)
        watcher.said.until("the monitor is back after")
    watcher.tell("bye")
    assert watcher.said.rest() == []
    print(f"\n{command}: told {shown(took)}")
    assert statistics.median(took) <= REQUIRED_MS, took


def test_kill_9_is_noticed_although_a_forked_child_holds_the_pipe(watch: Callable[..., Any]) -> None:
    """A child forked by the watching process keeps its pipe open: its death is told all the same, and then it ends."""
    took = []
    for _ in range(3):
        watcher = watch()
        watcher.tell("fork")
        watcher.out.until("forked")
        nothing_for(watcher, 0.1)
        at = watcher.kill(signal.SIGKILL)
        watcher.said.until(f"{GONE}: the watching process has ended without goodbye")
        took.append(ms_since(at))
        assert watcher.said.rest() == [], "the sentinel ends although the pipe is still open"
    print(f"\nkill -9 with a forked child alive: told {shown(took)}")
    assert statistics.median(took) <= REQUIRED_MS, took


def ran(pid: int) -> int:
    """Return how long (ns) a process has run on a core, as the kernel counts it."""
    return int(Path(f"/proc/{pid}/schedstat").read_text(encoding="ascii").split()[0])


def starved(watcher: Any) -> float:
    """Take every turn on its core away from the watcher; return ms from its last turn to its being told as gone.

    It falls back to SCHED_IDLE beside many others on one core. The sentinel is another process and keeps its own turns.
    """
    core = max(os.sched_getaffinity(0))
    pin = f"import os; os.sched_setaffinity(0, [{core}])"
    with contextlib.ExitStack() as stack:
        for _ in range(12):
            hog = subprocess.Popen([sys.executable, "-c", f"{pin}\nwhile True: pass"])
            stack.callback(hog.wait)
            stack.callback(hog.kill)
        os.sched_setaffinity(watcher.process.pid, [core])
        os.sched_setscheduler(watcher.process.pid, os.SCHED_IDLE, os.sched_param(0))
        turns = [(time.monotonic_ns(), ran(watcher.process.pid))]
        until = time.monotonic() + 20.0
        while time.monotonic() < until:
            if select.select([watcher.said.fd], [], [], 0.002)[0]:
                told = time.monotonic_ns()
                watcher.said.until(f"{GONE}: the watching process has been silent")
                return (told - turns[-1][0]) / 1e6
            now = ran(watcher.process.pid)
            if now != turns[-1][1]:
                turns.append((time.monotonic_ns(), now))
    raise AssertionError(f"starved for 20 s and not told; it had {len(turns)} turns")


@pytest.mark.skipif(not hasattr(os, "SCHED_IDLE"), reason="this system has no SCHED_IDLE to starve a process with")
def test_a_process_without_its_turns_is_noticed(watch: Callable[..., Any]) -> None:
    """A watching process that gets no turn on its core is told within 250 ms of its last one."""
    took = []
    for _ in range(3):
        watcher = watch(gone_for=10.0)
        nothing_for(watcher, 0.1)
        took.append(starved(watcher))
    print(f"\nstarved: told {shown(took)} after the last turn")
    assert statistics.median(took) <= REQUIRED_MS, took


def test_goodbye_is_quiet(watch: Callable[..., Any]) -> None:
    """A process that ends on purpose is not gone: nothing is said, and both end."""
    watcher = watch()
    watcher.tell("bye")
    assert watcher.said.rest() == []
    assert watcher.process.wait(10) == 0


@pytest.fixture
def load() -> Iterator[None]:
    """Keep every core busy as followers do: at nice 19."""
    busy = [
        subprocess.Popen([sys.executable, "-c", "import os; os.nice(19)\nwhile True: pass"])
        for _ in range(2 * (os.cpu_count() or 1))
    ]
    yield
    for process in busy:
        process.kill()
        process.wait()


@pytest.mark.usefixtures("load")
def test_busy_neighbours_are_no_false_alarm(watch: Callable[..., Any]) -> None:
    """With twice as many busy followers as cores nothing is said while heartbeats come."""
    watcher = watch()
    nothing_for(watcher, 3.0)
    watcher.tell("bye")
    assert watcher.said.rest() == []


def test_everything_stopped_together_is_no_false_alarm(watch: Callable[..., Any]) -> None:
    """When neither process got a turn (a paused virtual machine), waking up is not "gone"."""
    watcher = watch()
    nothing_for(watcher, 0.1)
    watcher.kill(signal.SIGSTOP)
    os.kill(watcher.sentinel, signal.SIGSTOP)
    nothing_for(watcher, 0.7)
    os.kill(watcher.sentinel, signal.SIGCONT)
    watcher.kill(signal.SIGCONT)
    nothing_for(watcher, 0.3)
    watcher.tell("bye")
    assert watcher.said.rest() == []


def pitches(path: Path) -> list[int]:
    """Return the pitch of every 100 ms of a WAV file that sounds, to 10 Hz."""
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE)
        samples = np.frombuffer(file.readframes(file.getnframes()), dtype=np.int16).astype(float)
    pieces = samples[: len(samples) // 4800 * 4800].reshape(-1, 4800)
    spectra = np.abs(np.fft.rfft(pieces, axis=1))
    return [int(np.argmax(spectra[i]) * 10) for i in range(len(pieces)) if np.abs(pieces[i]).max() > 5000]


def test_gone_sounds_as_gone(watch: Callable[..., Any], tmp_path: Path) -> None:
    """What is played after kill -9 is the falling pair of "monitor gone", and nothing of "critical"."""
    watcher = watch(device=f"wav:{tmp_path / 'heard.wav'}", gone_for=1.2)
    watcher.out.until("device open")
    watcher.kill(signal.SIGKILL)
    watcher.said.rest()
    heard = pitches(tmp_path / "heard.wav")
    assert set(heard) & {640}
    assert set(heard) & {500}
    assert 750 not in heard


def test_a_new_watch_silences_the_sentinel_of_the_old_one(watch: Callable[..., Any], tmp_path: Path) -> None:
    """Started again after kill -9, the new monitor's sentinel takes the seat, and the old one falls silent and ends."""
    old = watch(gone_for=600.0, lock=str(tmp_path / "seat"))
    old.kill(signal.SIGKILL)
    old.said.until(GONE)
    new = watch(lock=str(tmp_path / "seat"))
    assert old.said.rest() == []
    nothing_for(new, 0.2)


def test_a_second_watch_beside_the_first_is_not_mistaken_for_its_return(
    watch: Callable[..., Any], tmp_path: Path
) -> None:
    """The sentinel that never had the seat goes on saying "gone" although another one sits there."""
    first = watch(lock=str(tmp_path / "seat"))
    second = watch(lock=str(tmp_path / "seat"), gone_for=600.0)
    second.kill(signal.SIGKILL)
    second.said.until(GONE)
    nothing_for(second, 0.5)
    nothing_for(first, 0.0)
