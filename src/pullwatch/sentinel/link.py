"""The watching process's end of the sentinel: starts it, beats, passes alarms on, starts it again when it dies.

Nothing here waits (except `close`, which is for the very end) and nothing needs a thread: the path's own loop beats,
because only the path's own loop knows that it is not stuck.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_MS, NS_PER_S, steady_ns
from pullwatch.sentinel.wire import (
    ANSWER,
    ANSWER_EVERY,
    BEAT,
    BEAT_EVERY_MS,
    GOODBYE,
    Alarm,
    Report,
    Silence,
    What,
    pack,
    read_report,
)

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.watchdog.alarms import Priority, State

BEAT_EVERY: Final = BEAT_EVERY_MS * NS_PER_MS
HANGS_AFTER: Final = 40
"""Heartbeats without an answer (one second of them) after which the sentinel hangs ..."""
STARTS_WITHIN: Final = 400
"""... and as many until it says that it listens. Heartbeats are counted, not seconds: while we sleep we send none, so
our own sleep is not taken for its death."""
RETRY_AFTER: Final = (0, NS_PER_S // 2, NS_PER_S, 2 * NS_PER_S, 5 * NS_PER_S)
"""How long to wait before the first, second ... start after a death; the last goes on for ever."""
HEALTHY_AFTER: Final = 10 * NS_PER_S
"""A sentinel that lived this long starts the row of `RETRY_AFTER` anew."""


class SentinelLink:
    """One sentinel, kept running. Use from one thread, the path's own.

    `device`, `volume`, `gone_for` (seconds that "monitor gone" sounds after we died) are the sentinel's. `lock` is a
    file by which the sentinel of a dead process knows that a new one watches, and falls silent. `log` is a file for
    its lines. `stderr` is a descriptor for them instead of ours.
    """

    def __init__(
        self,
        *,
        device: str = "default",
        volume: float = 1.0,
        gone_for: float = 60.0,
        lock: Path | None = None,
        log: Path | None = None,
        stderr: int | None = None,
    ) -> None:
        if not 0.0 <= volume <= 1.0:
            raise ValueError(f"volume {volume:g} is not between 0 and 1")
        self.restarts = 0
        """How often it had to be started again."""
        self.beats = 0
        """Heartbeats sent to the one that runs now."""
        self._settings = ["--device", device, "--volume", f"{volume:g}", "--gone-for", f"{gone_for:g}"]
        self._settings += ["--lock", str(lock)] if lock is not None else []
        self._settings += ["--log", str(log)] if log is not None else []
        self._stderr = stderr
        self._report_read = -1
        self._report_write = -1
        self._hear = -1
        self._process: subprocess.Popen[bytes] | None = None
        self._dying: list[subprocess.Popen[bytes]] = []
        self._made: list[Report] = []
        self._rest = b""
        self._answers = 0
        self._listens = False
        self._next_beat = 0
        self._started_at = 0
        self._start_at = 0
        self._deaths = 0
        self._seq = 0
        self._wanted: Alarm | None = None
        self._ended = False

    @property
    def alive(self) -> bool:
        """Whether a sentinel runs, as far as is known."""
        return self._process is not None

    @property
    def pid(self) -> int | None:
        """Process number of the sentinel that runs."""
        return None if self._process is None else self._process.pid

    def fileno(self) -> int:
        """Descriptor that is readable when `poll` has something to give; stays the same until `close`."""
        return self._report_read

    def start(self) -> None:
        """Start the sentinel. One that cannot be started is told by `poll`, and tried again."""
        if self._report_read >= 0:
            return
        # One pipe for all sentinels there will be: its descriptor stays the same for whoever waits on it.
        self._report_read, self._report_write = os.pipe()
        os.set_blocking(self._report_read, False)
        self._spawn()

    def beat(self) -> None:
        """Say that the path's loop goes round. Call as often as you like: it writes each 25 ms at most.

        From the first call on, 175 ms without another are "monitor gone": begin when the loop has begun, not before.
        """
        now = time.monotonic_ns()
        if now < self._next_beat:
            return
        self._next_beat += BEAT_EVERY
        if self._next_beat <= now:
            self._next_beat = now + BEAT_EVERY
        if self._process is None:
            self._start_again(now)
        elif self._send(BEAT):
            self.beats += 1

    def alarm(self, priority: Priority, rule: int, state: State) -> int:
        """Sound the signal of `priority` until told otherwise; return the number its first frame is reported with."""
        self._seq += 1
        self._wanted = Alarm(self._seq, priority, rule, state, steady_ns())
        self._send(pack(self._wanted))
        return self._seq

    def silence(self, *, finish: bool = False) -> None:
        """Sound nothing; with `finish`, after the burst that is sounding."""
        self._seq += 1
        self._wanted = None
        self._send(pack(Silence(self._seq, finish)))

    def bye(self) -> None:
        """Say that we end on purpose. The sentinel ends too, quietly."""
        if self._ended:
            return
        self._send(GOODBYE)
        self._ended = True
        self._close_hear()

    def poll(self) -> list[Report]:
        """Return what there is to report, and see to a sentinel that died or hangs."""
        self._read()
        process = self._process
        if process is not None and not self._ended:
            unanswered = self.beats - self._answers * ANSWER_EVERY
            if process.poll() is not None:
                self._lose(_how_it_ended(process.returncode))
            elif unanswered > (HANGS_AFTER if self._listens else STARTS_WITHIN):
                self._lose(f"does not answer any more ({unanswered} heartbeats)")
        now = time.monotonic_ns()
        if self._process is not None and self._deaths and now - self._started_at > HEALTHY_AFTER:
            self._deaths = 0
        self._start_again(now)
        self._dying = [process for process in self._dying if process.poll() is None]
        made, self._made = self._made, []
        return made

    def close(self, seconds: float = 2.0) -> None:
        """Say goodbye and wait at most this long for the sentinel to end; kill it if it does not."""
        self.bye()
        for process in [*self._dying, *([self._process] if self._process is not None else [])]:
            try:
                process.wait(seconds)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self._process = None
        self._dying = []
        for fd in (self._report_read, self._report_write):
            if fd >= 0:
                os.close(fd)
        self._report_read = self._report_write = -1

    def _spawn(self) -> None:
        self._read()  # what the one before still said; its answers must not count for the new one
        hear_read, hear_write = os.pipe()
        os.set_blocking(hear_write, False)
        # -P: a file in the folder we were started in must not be taken for a module.
        command = [sys.executable, "-P", "-m", "pullwatch.sentinel", "--hear", str(hear_read)]
        command += ["--report", str(self._report_write), "--parent", str(os.getpid()), *self._settings]
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own program, no shell
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=self._stderr,
                pass_fds=(hear_read, self._report_write),
                start_new_session=True,  # Ctrl-C and a closed terminal are for us, not for it
            )
        except OSError as problem:
            os.close(hear_write)
            self._process = None
            self._told_lost(f"cannot be started ({problem.strerror})")
            return
        finally:
            os.close(hear_read)
        self._hear = hear_write
        self.beats = 0
        self._answers = 0
        self._listens = False
        self._started_at = time.monotonic_ns()
        self._next_beat = 0
        self._made.append(Report(What.SENTINEL_STARTED, steady_ns(), f"the sentinel is process {self._process.pid}."))
        if self._wanted is not None:
            self._send(pack(self._wanted))

    def _send(self, data: bytes) -> bool:
        """Write `data` whole or not at all. A sentinel that takes no more, or is not there, is lost."""
        if self._process is None or self._ended:
            return False
        try:
            os.write(self._hear, data)
        except BlockingIOError:
            self._lose("hangs: its pipe is full")
            return False
        except OSError:
            self._lose(_how_it_ended(self._process.poll()))
            return False
        return True

    def _read(self) -> None:
        if self._report_read < 0:
            return
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self._report_read, 65536):
                self._rest += data
        while self._rest:
            if self._rest[:1] == ANSWER:
                length = len(self._rest) - len(self._rest.lstrip(ANSWER))
                self._answers += length
                self._rest = self._rest[length:]
                continue
            line, newline, rest = self._rest.partition(b"\n")
            if not newline:
                return
            self._rest = rest
            report = read_report(line)
            if report is not None:
                self._listens = self._listens or report.what is What.READY
                self._made.append(report)

    def _lose(self, how: str) -> None:
        process = self._process
        self._process = None
        self._close_hear()
        if process is not None:
            process.kill()  # a stopped or stuck one must not come back and say that the monitor is gone
            self._dying.append(process)
        self._told_lost(how)

    def _told_lost(self, how: str) -> None:
        wait = RETRY_AFTER[min(self._deaths, len(RETRY_AFTER) - 1)]
        self._deaths += 1
        self._start_at = time.monotonic_ns() + wait
        words = f"the sentinel {how}: no sound, and nobody would notice if the monitor went. "
        words += f"It is started again in {wait / NS_PER_S:g} s." if wait else "It is started again now."
        self._made.append(Report(What.SENTINEL_LOST, steady_ns(), words))

    def _start_again(self, now: int) -> None:
        if self._process is None and not self._ended and self._report_read >= 0 and now >= self._start_at:
            self.restarts += 1
            self._spawn()

    def _close_hear(self) -> None:
        if self._hear >= 0:
            os.close(self._hear)
            self._hear = -1


def _how_it_ended(status: int | None) -> str:
    """Words for an exit status of subprocess (negative: a signal; None: not known yet)."""
    if status is None:
        return "has died"
    if status < 0:
        return (
            f"was killed by {signal.Signals(-status).name}"
            if -status in set(signal.Signals)
            else f"was killed ({-status})"
        )
    return f"has ended (status {status})"
