"""The sentinel's program: listens for heartbeats, plays signals, says when the monitor is gone.

It is started by `pullwatch.sentinel.link` with the two pipes as `--hear FD` and `--report FD`. It restarts nothing and
decides nothing: what sounds is what the watching process last said, and "gone" is silence or a pipe closed without
goodbye. It ends with goodbye (0), or some time after the pipe was closed without (3).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import signal
import sys
import time
from collections import deque
from typing import TYPE_CHECKING, Final, NamedTuple

from pullwatch.clock import NS_PER_MS, NS_PER_S, steady_ns
from pullwatch.sentinel.devices import DEFAULT, PERIOD_MS, Output
from pullwatch.sentinel.patterns import RATE, Signal, render_all
from pullwatch.sentinel.player import Player
from pullwatch.sentinel.vigil import ATTENTION, Finding, Found, Vigil
from pullwatch.sentinel.wire import ANSWER, ANSWER_EVERY, Alarm, Bye, Listener, Report, Silence, What, write_report
from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from collections.abc import Sequence
    from io import TextIOWrapper

SIGNAL_OF: Final = {
    Priority.CRITICAL: Signal.CRITICAL,
    Priority.CAUTION: Signal.CAUTION,
    Priority.NOTE: Signal.NOTE,
}
LIFT_FIRST: Final = 3 * NS_PER_S
"""If "critical" was sounding when the monitor went, it sounds this much longer before "monitor gone" takes its place:
whatever killed the monitor may have come with the alarm, and the foot comes first."""
DEAF_AFTER: Final = NS_PER_S
"""A device that has asked for nothing this long is lost."""
OPEN_WITHIN: Final = 3 * NS_PER_S
"""A device that takes longer to open is told as missing; the attempt goes on."""
SLOW_FROM: Final = RATE * 2 * PERIOD_MS // 1000
"""A device that takes more frames than this at once makes every signal late."""
CLOSE_S: Final = 0.5
END_GONE: Final = 3
END_USAGE: Final = 2
GONE_WORDS: Final = "Nothing is being watched now. Lift smoothly; start pullwatch again when the car stands."


class Options(NamedTuple):
    """What the command line says. `hear` and `report` are file descriptors, `gone_for` is seconds.

    `parent` is the number of the watching process (0: not looked at).
    """

    hear: int
    report: int
    device: str = DEFAULT
    volume: float = 1.0
    gone_for: float = 60.0
    lock: str = ""
    log: str = ""
    parent: int = 0


def read_options(argv: Sequence[str]) -> Options:
    """Read `--name value` pairs (argparse would double the time the program takes to start). Raises ValueError."""
    given: dict[str, str] = {}
    for name, value in zip(argv[::2], argv[1::2], strict=True):
        if not name.startswith("--") or name[2:].replace("-", "_") not in Options._fields:
            raise ValueError(f"{name} is not known")
        given[name[2:].replace("-", "_")] = value
    if "hear" not in given or "report" not in given:
        raise ValueError("--hear and --report are needed")
    volume = float(given.get("volume", "1"))
    if not 0.0 <= volume <= 1.0:
        raise ValueError(f"volume {volume:g} is not between 0 and 1")
    return Options(
        int(given["hear"]),
        int(given["report"]),
        given.get("device", DEFAULT),
        volume,
        float(given.get("gone_for", "60")),
        given.get("lock", ""),
        given.get("log", ""),
        int(given.get("parent", "0")),
    )


class Voice:
    """Says things: on stderr and in a log for people, through the pipe for the watching process. Never waits."""

    def __init__(self, stderr: int, report: int, log: str) -> None:
        self.unsaid = 0
        """Lines that found no room, or nobody to read them."""
        self._stderr = stderr
        self._report = report
        self._log: TextIOWrapper | None = None
        os.set_blocking(report, False)
        if log:
            try:
                self._log = open(log, "a", encoding="utf-8", buffering=1)  # noqa: SIM115, PTH123 - open till the end
            except OSError as problem:
                self.aloud(f"{log} cannot be written: {problem.strerror}")

    def aloud(self, words: str) -> None:
        """Say a line to people."""
        line = f"pullwatch sentinel: {' '.join(words.split())}\n"
        # Whether this descriptor blocks is not ours to change: it is shared with everything else on the terminal.
        ready = select.poll()
        ready.register(self._stderr, select.POLLOUT)
        try:
            if [events for _, events in ready.poll(0) if events & select.POLLOUT]:
                os.write(self._stderr, line.encode("utf-8", "replace")[:500])
            else:
                self.unsaid += 1
        except OSError:
            self.unsaid += 1
        if self._log is not None:
            try:
                self._log.write(f"{time.strftime('%Y-%m-%dT%H:%M:%S%z')} {line}")
            except OSError:
                self.unsaid += 1

    def tell(self, report: Report) -> None:
        """Tell the watching process."""
        self._send(write_report(report))

    def answer(self, count: int) -> None:
        """Answer heartbeats."""
        self._send(ANSWER * min(count, 100))

    def _send(self, data: bytes) -> None:
        try:
            os.write(self._report, data)
        except OSError:  # full because nobody reads, or closed because nobody is there: the vigil tells which
            self.unsaid += 1


class Seat:
    """Held by the sentinel of the process that watches now, so that the sentinel of a dead one knows when to stop.

    A file lock goes with the process that holds it, whatever ends it; no process number can be mistaken for another.
    """

    def __init__(self, path: str) -> None:
        self.mine = False
        self._fd = -1
        if path:
            with contextlib.suppress(OSError):
                self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self.take()

    def _lock(self, how: int) -> bool:
        try:
            fcntl.flock(self._fd, how | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def take(self) -> None:
        """Sit down, if nobody sits there."""
        if self._fd >= 0 and not self.mine:
            self.mine = self._lock(fcntl.LOCK_EX)

    def leave(self) -> None:
        """Stand up. Whoever never sat cannot be taken over from."""
        if self.mine:
            self._lock(fcntl.LOCK_UN)

    def taken(self) -> bool:
        """Whether somebody else sits there now; asked after `leave`."""
        if not self.mine:
            return False
        if self._lock(fcntl.LOCK_SH):
            self._lock(fcntl.LOCK_UN)
            return False
        return True


class Sentinel:
    """The program: one poll over the heartbeats and a wake-up of its own, one look at the clock after each."""

    def __init__(self, options: Options, voice: Voice) -> None:
        self.options = options
        self.voice = voice
        self.listener = Listener()
        self.wake_read, self.wake_write = os.pipe()
        os.set_blocking(self.wake_read, False)
        os.set_blocking(self.wake_write, False)
        self.notes: deque[tuple[What, str]] = deque(maxlen=64)
        self.player = Player(render_all(options.volume), self.wake)
        self.output = Output(self.player, options.device, self.note)
        self.seat = Seat(options.lock)
        self.wanted: Alarm | None = None
        self.sent_at: dict[int, int] = {}
        self.vigil = Vigil(steady_ns(), time.monotonic_ns())
        self.answered = 0
        self.bye = False
        self.ended = False
        self.switch_at = 0
        self.quiet_at = 0
        self.deaf = 0
        self.asked = 0
        self.looked = time.monotonic_ns()
        self.told_opening = 0
        self.told_slow = False

    def wake(self) -> None:
        """Make the poll return. Called from any thread."""
        with contextlib.suppress(BlockingIOError):
            os.write(self.wake_write, b"w")

    def note(self, what: What, words: str) -> None:
        """Take a note of a device's thread."""
        self.notes.append((what, words))
        self.wake()

    def tell(self, what: What, words: str, seq: int = 0, ns: int = 0) -> None:
        """Tell the watching process, and people if they must know."""
        report = Report(what, steady_ns(), words, seq, ns)
        self.voice.tell(report)
        if report.trouble or what is What.BACK:
            self.voice.aloud(words)

    def run(self, began: int) -> int:
        """Watch until goodbye, or until "monitor gone" has sounded long enough. `began`: steady ns at the start."""
        self.output.start()
        poll = select.poll()
        poll.register(self.options.hear, select.POLLIN)
        poll.register(self.wake_read, select.POLLIN)
        self.tell(What.READY, "the sentinel listens.", ns=steady_ns() - began)
        while not self.bye:
            timeout = -(-self.vigil.sleep_at_most() // NS_PER_MS)
            ready = {fd for fd, _ in poll.poll(timeout)}
            heard = False
            if self.options.hear in ready:
                data = os.read(self.options.hear, 65536)
                heard = bool(data)
                if not data:
                    poll.unregister(self.options.hear)
                    self.pipe_closed()
                self.obey(data)
            if self.wake_read in ready:
                os.read(self.wake_read, 4096)
            self.look(heard=heard)
            if self.ended and (self.seat.taken() or self.looked >= self.quiet_at):
                return END_GONE
        return 0

    def obey(self, data: bytes) -> None:
        """Take what came through the pipe."""
        for message in self.listener.feed(data):
            if isinstance(message, Bye):
                self.bye = True
            elif isinstance(message, Silence):
                self.wanted = None
                self.player.choose(None, finish=message.finish)
            else:
                self.wanted = message
                self.sent_at[message.seq] = message.t
                while len(self.sent_at) > 256:
                    del self.sent_at[next(iter(self.sent_at))]
                self.player.choose(SIGNAL_OF[message.priority], message.seq)
        answers = self.listener.beats // ANSWER_EVERY - self.answered
        if answers:
            self.answered += answers
            self.voice.answer(answers)

    def pipe_closed(self) -> None:
        """Take the end of the pipe, or of the process: with goodbye all is well, without nobody watches any more."""
        if self.bye or self.ended:
            return
        self.ended = True
        found = self.vigil.ended()
        if found is not None:
            self.found(found)
        else:
            self.quiet_at = time.monotonic_ns() + int(self.options.gone_for * NS_PER_S)
            self.voice.aloud(f"the watching process has ended without goodbye. {GONE_WORDS}")
        self.seat.leave()

    def look(self, *, heard: bool) -> None:
        """Look at the clocks, and at everything that other threads have left here."""
        # A child that the watching process forked keeps the pipe open when that process dies. What it said last is
        # taken first: only with nothing left in the pipe is this the end.
        if not heard and self.options.parent and os.getppid() != self.options.parent:
            self.pipe_closed()
        mono = time.monotonic_ns()
        for found in self.vigil.look(steady_ns(), mono, heard=heard):
            self.found(found)
        awake = min(mono - self.looked, ATTENTION)
        self.looked = mono
        if not self.vigil.gone:
            self.seat.take()
        elif self.switch_at and mono >= self.switch_at:
            self.switch_at = 0
            self.player.choose(Signal.GONE, finish=True)
        elif mono >= self.quiet_at:
            self.player.choose(None, finish=True)
        while self.notes:
            self.tell(*self.notes.popleft())
        while self.player.heard:
            self.first_frame()
        self.look_at_device(awake, mono)

    def first_frame(self) -> None:
        """Report the first frame of a signal."""
        heard = self.player.heard.popleft()
        sent = self.sent_at.pop(heard.seq, 0)
        where = "handed to the sound device" if self.output.audible else "due (no sound device: nobody heard it)"
        words = f"{heard.signal.value}: first frame {where} {(heard.t - sent) / NS_PER_MS:.1f} ms after it was sent."
        self.voice.tell(Report(What.FIRST_FRAME, heard.t, words, heard.seq, heard.t - sent))

    def found(self, found: Found) -> None:
        """Say what the vigil found, and sound it."""
        if found.finding is Finding.SLEPT:
            self.tell(
                What.SLEPT, f"the machine slept for {found.ns / NS_PER_S:.1f} s: nothing was watched.", ns=found.ns
            )
            return
        if found.finding is Finding.BACK:
            wanted = self.wanted
            self.player.choose(None if wanted is None else SIGNAL_OF[wanted.priority])
            words = f"the monitor is back after {found.ns / NS_PER_S:.2f} s in which nothing was watched."
            self.tell(What.BACK, words, ns=found.ns)
            return
        now = time.monotonic_ns()
        self.quiet_at = now + int(self.options.gone_for * NS_PER_S)
        lift = self.wanted is not None and self.wanted.priority is Priority.CRITICAL
        self.switch_at = now + LIFT_FIRST if lift else 0
        if not lift:
            self.player.choose(Signal.GONE)
        why = "has ended without goodbye" if self.ended else f"has been silent for {found.ns / NS_PER_MS:.0f} ms"
        self.tell(What.GONE, f"MONITOR GONE: the watching process {why}. {GONE_WORDS}", ns=found.ns)

    def look_at_device(self, awake: int, mono: int) -> None:
        """See whether the device takes sound, and how."""
        if self.player.asked != self.asked or not self.output.playing:
            self.asked = self.player.asked
            self.deaf = 0
        else:
            self.deaf += awake
            if self.deaf >= DEAF_AFTER:
                self.deaf = 0
                self.tell(What.DEVICE_LOST, "the sound device takes no sound any more; it is opened again.")
                self.output.lost()
        opening = self.output.opening_since
        if opening is not None and opening != self.told_opening and mono - opening > OPEN_WITHIN:
            self.told_opening = opening
            self.tell(What.DEVICE_MISSING, "the sound device does not answer: no signal can be heard until it does.")
        if self.player.most > SLOW_FROM and not self.told_slow:
            self.told_slow = True
            ns = self.player.most * NS_PER_S // RATE
            words = (
                f"the sound device takes {ns / NS_PER_MS:.0f} ms of sound at a time: signals are heard that much later."
            )
            self.tell(What.DEVICE_SLOW, words, ns=ns)


def main(argv: Sequence[str]) -> int:
    """Run the sentinel; return the exit status."""
    began = steady_ns()
    try:
        options = read_options(argv)
    except ValueError as problem:
        print(f"pullwatch sentinel: {problem}. It is started by pullwatch itself.", file=sys.stderr)
        return END_USAGE
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Sound libraries write pages about a missing card straight to descriptor 2. Ours goes to a copy of it.
    try:
        stderr = os.dup(2)
    except OSError:  # started with it closed
        stderr = os.open(os.devnull, os.O_WRONLY)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    sys.stderr = os.fdopen(stderr, "w", buffering=1, closefd=False)
    sentinel = Sentinel(options, Voice(stderr, options.report, options.log))
    status = sentinel.run(began)
    sentinel.output.close(CLOSE_S)
    sys.stderr.flush()
    # A sound library's thread may be stuck in its own code; an orderly end of Python would wait for it or trip over it.
    os._exit(status)
