"""A replay in a terminal: as fast as asked, step by step, from a moment on. It can never be mistaken for live.

Every line says REPLAY, and nothing sounds unless it is asked for; then that is announced, by a line and by the signal
of a note, and it is refused while a session beside it is being watched.
"""

from __future__ import annotations

import os
import sys
import time
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Self

from pullwatch.annunciators.console import Console, session_time
from pullwatch.annunciators.sound import Sound
from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair
from pullwatch.errors import SessionError
from pullwatch.recording.reader import Session
from pullwatch.recording.session import held, list_sessions
from pullwatch.replaying.again import plan_of, reading_of
from pullwatch.replaying.moments import moment, span
from pullwatch.replaying.player import Player
from pullwatch.replaying.verifying import describe, verify
from pullwatch.sentinel.link import SentinelLink
from pullwatch.watchdog.alarms import QUIET, STATE_WORDS, Priority, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from types import TracebackType
    from typing import TextIO

    from pullwatch.replaying.player import Played

AT_ONCE: Final = 2 * NS_PER_S
"""Session ns judged in one step when nobody waits: few enough for what it prints to be told line by line."""
STEP_OF_SPEED: Final = 10 * NS_PER_MS
"""Real ns in one step at a speed above real time."""
BEAT_S: Final = 0.02
"""The sentinel hears from us this often, however long the next step is away."""
ANNOUNCED: Final = "sound is on: what you hear is a recording"


@dataclass(frozen=True, slots=True)
class How:
    """How a session is replayed.

    `speed` is times real time (None: as fast as possible). `since` and `until` are moments as a person names them
    (`moments`). `silence` is the longest silence that is played, as a length of time. `step`: one thing told for each
    line read. `device` sounds the alarms on that device ("": silent).
    """

    speed: float | None = None
    verify: bool = False
    since: str = ""
    until: str = ""
    silence: str = ""
    step: bool = False
    device: str = ""


def run_replay(folder: Path, how: How, asked: TextIO | None = None) -> bool:
    """Replay a session in the terminal; return whether all is well (see `commands.recorded.replay`).

    `asked` gives the lines of `step` (None: standard input). Raises SessionError.
    """
    session = Session(folder)
    since = moment(session, how.since) if how.since else None
    until = moment(session, how.until) if how.until else None
    if since is not None and until is not None and until < since:
        raise SessionError(
            folder, f"cannot be replayed from {session_time(since)} to {session_time(until)}, which is before."
        )
    if since is not None and since > max(0, session.ending.at_ns):
        what = f"ends at {session_time(session.ending.at_ns)}, before {session_time(since)}."
        raise SessionError(folder, what, "Name an earlier moment.")
    if how.verify:
        return _verify(session, how, since, until)
    return _show(session, how, since, until, asked if asked is not None else sys.stdin)


def _verify(session: Session, how: How, since: int | None, until: int | None) -> bool:
    plan = plan_of(session)
    pace = None if how.speed is None else _pacer(how.speed, since or 0)
    found = verify(session, plan, since=since, until=until, pace=pace)
    for line in (*describe(session, plan, found), *(f"REPLAY {words}" for words in reading_of(session))):
        print(line)
    return found.agree


def _pacer(speed: float, since: int) -> Callable[[int], None]:
    """Return what waits until session time `now` is due at `speed` times real time."""
    begun = time.perf_counter()

    def pace(now: int) -> None:
        time.sleep(max(0.0, begun + (now - since) / NS_PER_S / speed - time.perf_counter()))

    return pace


def _show(session: Session, how: How, since: int | None, until: int | None, asked: TextIO) -> bool:
    silence = span(how.silence) if how.silence else None
    if how.silence and silence is None:
        raise SessionError(session.folder, f'a silence of "{how.silence}" is no length of time.', "Write 2s, or 500ms.")
    join = AT_ONCE if how.speed is None else int(STEP_OF_SPEED * how.speed) if how.speed > 1 else 0
    if silence is not None:
        join = min(join, silence // 4)  # what is one step hides the silence in it
    player = Player(session, speed=how.speed, silence=silence, until=until, join_ns=0 if how.step else join)
    plan = player.path.plan
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    with ExitStack() as stack:
        console = Console(plan.rules, _pair(session), sys.stdout, replay=True, feeds=names)
        stack.callback(console.close)
        console.say(0, f"{session.folder.name}: {plan.car.name}, {len(plan.rules.rules)} rules. This is not live.")
        for words in reading_of(session):
            console.say(0, words)
        if since is not None:
            player.seek(since)
            console.rules_are(player.path.plan.rules)
            console.say(since, f"from here on; {_standing(player) or 'nothing stands'}")
        loud = stack.enter_context(_Loud(session, console, player, how.device)) if how.device else None
        show = _Showing(console, player, loud, silence)
        if how.step:
            show.step_by_step(stack.enter_context(Asked(asked)))
        else:
            show.play()
        if not player.ended or (until is not None and until < session.ending.at_ns):
            console.say(max(0, player.position), "the replay ends here; the recording goes on")
        else:
            console.say(session.ending.at_ns, f"the recording ends: {session.ending.reason}")
        standing = _standing(player)
        if standing:
            console.say(max(0, player.position), standing, worse=True)
    return not standing


class _Showing:
    """Tells steps to the console, and to the sound."""

    def __init__(self, console: Console, player: Player, loud: _Loud | None, silence: int | None) -> None:
        self._console = console
        self._player = player
        self._loud = loud
        self._silence = silence
        self._reloads = player.path.reloads

    def play(self) -> None:
        """Play to the end."""
        player = self._player
        player.play()
        while (due := player.due_in()) is not None:
            if due:
                time.sleep(min(due / NS_PER_S, BEAT_S) if self._loud else due / NS_PER_S)
            for played in player.poll():
                self._tell(played)
            if self._loud is not None:
                self._loud.beat()

    def step_by_step(self, asked: Asked) -> None:
        """Tell one more thing for each line read; a length of time lets so much of it pass, q ends."""
        player = self._player
        for line in asked:
            if line in ("q", "quit"):
                return
            length = span(line) if line else None
            if line and length is None:
                self._console.say(max(0, player.position), "Enter: the next; 5s: so much time; q: end")
                continue
            to = None if length is None else max(0, player.position) + length
            told = False
            while not player.ended and not (told and to is None) and (to is None or player.position < to):
                played = player.step()
                if played is not None:
                    told = self._tell(played)
            if to is not None or player.ended:
                self._console.say(max(0, player.position), f"it is {session_time(max(0, player.position))}")
            if player.ended:
                return

    def _tell(self, played: Played) -> bool:
        """Tell a step; return whether there was anything to tell."""
        console, block = self._console, played.block
        if block.gap_before:
            console.say(block.now, "something is missing before this", worse=True)
        if played.silence and self._silence is not None:
            words = f"nothing came for {played.silence / NS_PER_S:.1f} s, shortened to {self._silence / NS_PER_S:g} s"
            console.say(block.records[0].t, words)
        if played.path.reloads != self._reloads:
            self._reloads = played.path.reloads
            console.rules_are(played.path.plan.rules)
            if self._loud is not None:
                self._loud.sound.rules_are(played.path.plan.rules)
        console.take(played.batch, played.changes)
        if self._loud is not None:
            self._loud.sound.take(played.batch, played.changes)
        return bool(played.changes) or any(record.kind is not Kind.DATA for record in block.records)


class _Loud:
    """The sentinel of a replay: announced, on no seat of the watching one, and gone when the replay is."""

    def __init__(self, session: Session, console: Console, player: Player, device: str) -> None:
        root = session.folder.resolve().parent
        live = next((one.folder for one in list_sessions(root) if held(one.folder)), None)
        if live is not None:
            what = f"is being watched: a replay makes no sound beside it ({live.name})."
            raise SessionError(root, what, "Replay without --sound, or wait until it has ended.")
        self._console = console
        self._player = player
        self._link = SentinelLink(device=device, gone_for=0.0)
        self.sound = Sound(player.path.plan.rules, self._link, driver=player.path.plan.profile != "dyno")

    def __enter__(self) -> Self:
        self._link.start()
        self._console.say(max(0, self._player.position), ANNOUNCED)
        self._link.alarm(Priority.NOTE, 0, State.UNACKNOWLEDGED)
        self._link.silence(finish=True)
        self.beat()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self.sound.close()
        self._link.close()

    def beat(self) -> None:
        """Say that the replay goes on, and tell what the sentinel reports."""
        self._link.beat()
        for report in self._link.poll():
            if report.trouble:
                self._console.say(max(0, self._player.position), f"sentinel: {report.words}", worse=True)


class Asked:
    """What a person asks for in a replay step by step: lines, or single keys where they are typed at a terminal.

    A context manager: the terminal gives single keys inside and is put back as it was. Enter, space and n are an empty
    line, q is q; other keys are nothing.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._fd = -1
        self._before: list[Any] | None = None

    def __enter__(self) -> Self:
        if self._stream.isatty() and sys.platform != "win32":
            import termios  # noqa: PLC0415 - there is none on every system a replay runs on
            import tty  # noqa: PLC0415 - same

            self._fd = self._stream.fileno()
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd, termios.TCSANOW)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None and sys.platform != "win32":
            import termios  # noqa: PLC0415 - same

            with suppress(termios.error):  # the terminal itself is gone
                termios.tcsetattr(self._fd, termios.TCSANOW, self._before)

    def __iter__(self) -> Iterator[str]:
        if self._before is None:
            yield from (line.strip() for line in self._stream)
            return
        while keys := os.read(self._fd, 1):
            key = keys.decode("ascii", "replace")
            if key in "\r\n nq":
                yield key if key == "q" else ""
            elif key == "\x04":
                return


def _standing(player: Player) -> str:
    rules = player.path.plan.rules.rules
    standing = [
        f"{rule.name} ({STATE_WORDS[state]})"
        for rule, state in zip(rules, player.path.watchdog.states(), strict=False)
        if state not in QUIET
    ]
    return f"still standing: {', '.join(standing)}" if standing else ""


def _pair(session: Session) -> ClockPair:
    clock: dict[str, Any] = session.start.get("clock", {})
    return ClockPair(0, int(clock.get("wall", 0)), int(clock.get("uncertainty", NS_PER_MS)))
