"""Lamp: a board of LEDs or relays on a serial port, lit by the watching loop itself.

What is written is one of a few lines of the owner's, each for a level of light: dark, dim, bright, and a caution's if
wanted. The lamp shows (here and nowhere else it is decided what):

| it shows | it means |
|---|---|
| dark | do not trust: nothing is watching, or the loop is stuck |
| slowly bright and dim by turns, never dark | armed and recording |
| dim, steady | armed, but not whole: a reading is lost, or nothing is recorded |
| slowly the caution's colour and dim by turns | a caution that nobody has acknowledged |
| flashing fast, full | "Lift" |
| bright, steady | there was a "Lift"; until the car stands (on a dyno: until somebody acknowledged) |

`Lamp.take` is called after judging, in every turn of the watching loop, and only there a line is written: it is the
heartbeat. A loop that is stuck writes nothing, and a board that goes dark by itself when nothing comes says so.

Nothing here waits. A line the port does not take at once is dropped and counted: an old line is worse than none. A
port that takes nothing for a second is given up and opened anew, and what it had not sent is thrown away.
"""

from __future__ import annotations

import asyncio
import os
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final, Protocol

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.feeds.base import StreamFeed
from pullwatch.feeds.intake import Intake
from pullwatch.feeds.ports import list_ports
from pullwatch.watchdog.alarms import ACTIVE, Event, Priority, State
from pullwatch.watchdog.conditions import Lost

if os.name != "nt":
    import fcntl
    import struct
    import termios

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch.batch import Batch
    from pullwatch.clock import SessionClock
    from pullwatch.feeds.base import Stream
    from pullwatch.feeds.ports import Lister
    from pullwatch.feeds.written import Written
    from pullwatch.sinks import Health
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

SLOW: Final = NS_PER_S
"""How long each half of the slow alternation lasts (common practice, no source)."""
FLASH: Final = 125 * NS_PER_MS
"""How long each half of a flash lasts: four flashes a second, as long on as off (MIL-STD-1472 asks for 3 to 5 a second,
from memory)."""
FLASH_LEAST: Final = 2 * NS_PER_S
"""A "Lift" flashes at least so long, however short its cause (common practice, no source)."""
STANDS: Final = 3 * NS_PER_S
"""So long the car must be known to stand: a wheel that locks on the brakes stands too (common practice, no source)."""
STANDS_KMH: Final = 3.0
"""What a receiver or a wheel sensor may say of a car that stands (common practice, no source)."""
STANDS_RPM: Final = 30.0
"""The same of its driveshaft."""
STUCK: Final = NS_PER_S
"""A port that takes nothing for so long is given up and opened anew."""
GOODBYE: Final = 0.3
"""Seconds the last line, dark, is given to leave the port ..."""
GOODBYE_LOOKS: Final = 30
"""... and how often it is looked whether it has."""

ROAD: Final = ("vehicle_speed", "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")
SHAFT: Final = "driveshaft_speed"
ENGINE: Final = "engine_speed"
SPEEDS: Final = (*ROAD, SHAFT, ENGINE)
"""Channels that can tell whether the car stands."""
_UNSEEN: Final = frozenset(
    {State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.ACKNOWLEDGED}
)
"""States in which a critical alarm holds the lamp on a dyno: it stands, or nobody has acknowledged it."""


class Level(Enum):
    """How much light."""

    DARK = "dark"
    DIM = "dim"
    BRIGHT = "bright"
    CAUTION = "caution"


@dataclass(frozen=True, slots=True)
class Board:
    """A lamp board: its port, what is written for each level, and how often (ns) a level is written again."""

    port: str
    baud: int
    lines: Mapping[Level, bytes]
    every: int = 100 * NS_PER_MS


def car_stands(speeds: Mapping[str, float]) -> bool:
    """Say whether the car is known to stand, from the speeds that are known (km/h, rpm).

    Every known road speed must say so; if none is known, an engine that is known to stand will do. Knowing nothing is
    no standing car.
    """
    road = [speeds[name] <= STANDS_KMH for name in ROAD if name in speeds]
    if SHAFT in speeds:
        road.append(speeds[SHAFT] <= STANDS_RPM)
    return all(road) if road else speeds.get(ENGINE) == 0.0


class Signal:
    """Which level is shown, from the alarms that stand. Pure: it is told of changes, and asked for an instant (ns).

    `stands` says whether the car is known to stand, `recording` whether a recording is being written. `by_hand`:
    somebody stands by to acknowledge (a dyno), and speeds of wheels on rollers say nothing. `has_caution`: the board
    has a line for cautions.
    """

    def __init__(
        self,
        rules: RuleSet,
        *,
        stands: Callable[[], bool],
        recording: Callable[[], bool],
        by_hand: bool,
        has_caution: bool = False,
    ) -> None:
        self._stands = stands
        self._recording = recording
        self._by_hand = by_hand
        self._has_caution = has_caution
        self._standing: dict[int, State] = {}
        self._lift_at = -1
        """When the last "Lift" that is shown was raised; -1: none is shown."""
        self._flashes = False
        self._stood_since = -1
        self.rules_are(rules)

    def rules_are(self, rules: RuleSet) -> None:
        """Take up a rule set; rules keep their numbers."""
        self._priorities = [rule.priority for rule in rules.rules]
        self._losses = {rule.number for rule in rules.rules if isinstance(rule.trip, Lost) and not rule.removed}
        self._count()

    def changed(self, changes: Sequence[Change]) -> None:
        """Take what changed."""
        for change in changes:
            self._standing[change.rule] = change.state
            critical = self._priorities[change.rule] is Priority.CRITICAL
            if critical and change.state is State.UNACKNOWLEDGED and change.event in (Event.RAISE, None):
                self._lift_at = change.t  # each begins with light, and is seen for its own time
        self._count()

    def _count(self) -> None:
        standing = self._standing.items()
        critical = {state for rule, state in standing if self._priorities[rule] is Priority.CRITICAL}
        self._flashes = State.UNACKNOWLEDGED in critical
        self._held = bool(critical & (_UNSEEN if self._by_hand else ACTIVE))
        self._cautions = any(
            state is State.UNACKNOWLEDGED and self._priorities[rule] is Priority.CAUTION for rule, state in standing
        )
        self._whole = not any(state in ACTIVE and rule in self._losses for rule, state in standing)

    def level(self, now: int) -> Level:
        """Return what is to be shown at `now`."""
        if self._lift_at >= 0:
            if self._flashes or now - self._lift_at < FLASH_LEAST:
                self._stood_since = -1
                return Level.DARK if (now - self._lift_at) // FLASH % 2 else Level.BRIGHT
            if self._held or not self._over(now):
                return Level.BRIGHT
            self._lift_at = self._stood_since = -1
        if now // SLOW % 2:
            return Level.DIM
        # On a pass nothing below critical is shown to a driver.
        if self._has_caution and self._cautions and (self._by_hand or self._stands()):
            return Level.CAUTION
        return Level.BRIGHT if self._whole and self._recording() else Level.DIM

    def _over(self, now: int) -> bool:
        """Whether the steady light may end: acknowledged on a dyno, else once the car has stood for a while."""
        if self._by_hand:
            return True
        if not self._stands():
            self._stood_since = -1
        elif self._stood_since < 0:
            self._stood_since = now
        return 0 <= self._stood_since <= now - STANDS


class Shows(Protocol):
    """What says which level is shown: `Signal`, or what stands for it in a test of the board."""

    def changed(self, changes: Sequence[Change]) -> None:
        """Take what changed."""

    def rules_are(self, rules: RuleSet) -> None:
        """Take up a rule set."""

    def level(self, now: int) -> Level:
        """Return what is to be shown at `now` (ns)."""


class Lamp:
    """A sink that shows what `signal` says on a board. `start` on the running loop; `stop` leaves it dark."""

    def __init__(self, board: Board, signal: Shows, clock: SessionClock, lister: Lister = list_ports) -> None:
        self._signal = signal
        self._lines = board.lines
        self._every = board.every
        self._port = _LampPort(board, lister)
        self._intake = Intake(clock, self._woken)
        self._came = False
        self._level: Level | None = None
        self._wrote = 0
        self._news: list[tuple[str, bool]] = []

    @property
    def written(self) -> Written:
        """The ledger of what was written to the board."""
        return self._port.written

    @property
    def port(self) -> str:
        """The port as the setup file names it."""
        return self._port.port

    @property
    def health(self) -> Health:
        """How it is: `last_good` is when the board took a line last, `dropped` counts lines it did not take."""
        health = self._port.health
        health.dropped = self._port.dropped
        return health

    def start(self) -> None:
        """Begin to hold the port. Raises PortError where the loop cannot watch ports."""
        self._port.start(self._intake)

    async def stop(self) -> None:
        """Write dark, as a board without a time limit of its own needs to be told, and let go of the port."""
        await self._port.stop()
        self._hear()

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Beat: write the level of now, if it is another or due again."""
        if changes:
            self._signal.changed(changes)
        now = batch.now
        level = self._signal.level(now)
        if level is self._level and now - self._wrote < self._every:
            return
        self._level, self._wrote = level, now
        self._port.show(self._lines[level], now)

    def rules_are(self, rules: RuleSet) -> None:
        """Take up rules changed while watching."""
        self._signal.rules_are(rules)

    def close(self) -> None:
        """Have nothing more to do: `stop` lets go of the port."""

    def news(self) -> list[tuple[str, bool]]:
        """Return what happened to the board since the last call, in words, and whether it is for the worse."""
        if self._came:
            self._hear()
        news, self._news = self._news, []
        return news

    def _woken(self) -> None:
        self._came = True

    def _hear(self) -> None:
        """Take what the port has to say; what the board itself says is passed over."""
        self._came = False
        for record in self._intake.take()[1]:
            text = record.data.decode("utf-8", "replace")
            if record.kind is Kind.LOST:
                self._news.append((f"the lamp is dark, or shows what it likes: {text}", True))
            elif record.kind is Kind.FOUND:
                self._news.append((f"the lamp is there: {text}", False))


class _LampPort(StreamFeed):
    """Holds the board's port like a feed's, and writes to it."""

    def __init__(self, board: Board, lister: Lister) -> None:
        super().__init__(1, "lamp", board.port, board.baud, lister)
        self.dropped = 0
        self._dark = board.lines[Level.DARK]
        self._longest = max(map(len, board.lines.values()))
        self._open_now: tuple[Stream, asyncio.Future[str]] | None = None
        self._rest = b""
        """The end of a line of which the port took a part only."""
        self._took = 0
        """When the port took a line last, or was opened."""

    def show(self, line: bytes, now: int) -> None:
        """Write a line if the port takes it at once; else drop it."""
        if self._open_now is None:
            return
        stream, lost = self._open_now
        try:
            taken = self._write(stream, line)
        except OSError as error:
            self._end(stream, lost, f"{self.port}: lost: {error.strerror or error}.")
            return
        if taken:
            self._took = self._health.last_good = now
            return
        self.dropped += 1
        if now - self._took > STUCK:
            what = f"it has taken nothing for {STUCK / NS_PER_S:g} s; it is opened anew."
            self._end(stream, lost, f"{self.port}: lost: {what}")

    def _write(self, stream: Stream, line: bytes) -> bool:
        """Write a line, behind the rest of the one before; say whether the port took any of it. Raises OSError."""
        if _unsent(stream.fileno()) > 2 * self._longest:
            return False
        data = self._rest + line
        try:
            count = stream.write(data)
        except (BlockingIOError, InterruptedError):
            return False
        self.written.note(self.intake.clock.now(), data[:count])
        self._health.bytes_written += count
        # A line begun must be ended before the next, or the board hears neither; one not begun is dropped.
        self._rest = data[count:] if count > len(self._rest) else self._rest[count:]
        return count > 0

    async def _set_up(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        self._rest = b""
        self._took = self.intake.clock.now()
        self._open_now = (stream, lost)

    def _end(self, stream: Stream, lost: asyncio.Future[str], reason: str) -> None:
        self._open_now = None
        super()._end(stream, lost, reason)

    async def _farewell(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        """Write dark and see it off, for what is unsent is thrown away on closing."""
        self._open_now = None
        with suppress(OSError):  # it is being closed in any case
            self._write(stream, self._dark)
            for _ in range(GOODBYE_LOOKS):
                if lost.done() or not _unsent(stream.fileno()):
                    break
                await asyncio.sleep(GOODBYE / GOODBYE_LOOKS)


def _unsent(fd: int) -> int:
    """Return how many bytes the system holds that have not left the port, 0 where it does not say."""
    with suppress(OSError):
        return int(struct.unpack("I", fcntl.ioctl(fd, termios.TIOCOUTQ, bytes(4)))[0])
    return 0
