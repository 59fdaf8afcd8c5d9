"""A cursor over a recording: play, pause, seek, speed. It is asked what is due and waits for nothing itself."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

from pullwatch.clock import steady_ns
from pullwatch.replaying.again import Again, Replayed, plan_of, resumed, split
from pullwatch.station import Path

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pullwatch.recording.reader import Block, Session


@dataclass(slots=True)
class Played(Replayed):
    """A step that was played. `silence` is how long nothing had come before it (ns), if that was shortened; else 0."""

    silence: int = 0


class Player:
    """Plays a session through the path it was judged by.

    `clock` gives steady ns; nobody sleeps here: ask `due_in`, wait as you like, then `poll`. `speed` is times real
    time, None as fast as asked for. `silence`: stretches in which nothing came are played no longer than so many ns
    (None: as long as they were). `join_ns` makes one step of what follows within so many session ns. It begins paused.

    Raises SessionError for what cannot be read or judged, from any call that reads on.
    """

    def __init__(
        self,
        session: Session,
        *,
        clock: Callable[[], int] = steady_ns,
        speed: float | None = 1.0,
        silence: int | None = None,
        until: int | None = None,
        join_ns: int = 0,
    ) -> None:
        self.session = session
        self._plan = plan_of(session)
        self._clock = clock
        self._speed = self._checked(speed)
        self._silence = silence
        self._until = until
        self._join = join_ns
        self._playing = False
        self._ahead: Block | None = None
        """The step that comes next, not judged yet."""
        self._open(Path(self._plan), -1)

    # -- where it is -------------------------------------------------------------------------------

    @property
    def position(self) -> int:
        """Session ns up to which everything was judged; -1 before the first step."""
        return self._position

    @property
    def path(self) -> Path:
        """The path as it stands at the position: its plan, its watchdog."""
        return self._again.path

    @property
    def playing(self) -> bool:
        """Whether time goes on."""
        return self._playing

    @property
    def ended(self) -> bool:
        """Whether there is nothing more."""
        return self._ahead is None

    @property
    def speed(self) -> float | None:
        """Times real time; None: as fast as asked for."""
        return self._speed

    @speed.setter
    def speed(self, speed: float | None) -> None:
        self._speed = self._checked(speed)
        self._anchor()

    @staticmethod
    def _checked(speed: float | None) -> float | None:
        if speed is not None and not speed > 0.0:
            raise ValueError(f"speed {speed:g} is not above 0")
        return speed

    # -- what can be done --------------------------------------------------------------------------

    def play(self) -> None:
        """Let time go on from the position."""
        if not self._playing:
            self._playing = True
            self._anchor()

    def pause(self) -> None:
        """Stop time."""
        self._playing = False

    def seek(self, t: int) -> None:
        """Go to `t` (session ns): everything before it is judged and not given out, the next step begins at it."""
        path, after = resumed(self.session, self._plan, t)
        self._open(path, after)
        while self._ahead is not None and self._position < t:
            before, rest = split(self._ahead, t)
            if before is None:
                break
            self._judge(before)
            if rest is not None:
                self._push(rest)
                break
        self._anchor()

    def step(self) -> Played | None:
        """Return the next step, whatever the clock says; None at the end."""
        if self._ahead is None:
            return None
        played = self._judge(self._ahead)
        self._anchor()
        return played

    def due_in(self) -> int | None:
        """Return how many ns from now the next step is due (0: it is); None when paused or at the end."""
        if not self._playing or self._ahead is None:
            return None
        if self._speed is None:
            return 0
        since = self._shortened(self._ahead) - self._anchored
        return max(0, self._began + int(since / self._speed) - self._clock())

    def poll(self) -> list[Played]:
        """Return every step that is due, in order; as fast as asked for: the next one."""
        out: list[Played] = []
        while self._ahead is not None and self.due_in() == 0:
            out.append(self._judge(self._ahead))
            if self._speed is None:
                break
        return out

    # -- reading on --------------------------------------------------------------------------------

    def _open(self, path: Path, after: int) -> None:
        self._again = Again(path)
        self._position = path.watchdog.now
        self._heard = max(0, self._position)
        self._skipped = 0
        self._silent = 0
        self._blocks: Iterator[Block] = self.session.blocks(after=after, until=self._until, join_ns=self._join)
        self._ahead = self._next()
        self._anchor()

    def _next(self) -> Block | None:
        block = next(self._blocks, None)
        if block is None or self._until is None or block.now <= self._until:
            return block
        before, _ = split(block, self._until + 1)
        self._blocks = iter(())
        return before if before is not None and before.now > self._position else None

    def _push(self, block: Block) -> None:
        """Put a block before what comes."""
        if self._ahead is not None:
            self._blocks = chain((self._ahead,), self._blocks)
        self._ahead = block

    def _judge(self, block: Block) -> Played:
        """Judge the step that comes next (or its first part), and look at the one after it."""
        over = self._over(block)
        self._skipped += over
        self._silent += over
        silence = 0
        if block.records:
            silence, self._silent = self._silent, 0
            if silence and self._silence is not None:
                silence += self._silence
            self._heard = block.records[-1].end
        one = self._again.take(block)
        self._position = block.now
        self._ahead = self._next()
        return Played(one.block, one.batch, one.changes, one.path, silence)

    def _over(self, block: Block) -> int:
        """Return how much of the silence before a block (ns) is too much."""
        if self._silence is None:
            return 0
        begin = block.records[0].t if block.records else block.now
        return max(0, begin - max(self._position, self._heard + self._silence))

    def _shortened(self, block: Block) -> int:
        """Return when a block ends on the time that is played: session time less the silences left out."""
        return block.now - self._skipped - self._over(block)

    def _anchor(self) -> None:
        """Tie the time that is played to the clock, here and now."""
        self._began = self._clock()
        self._anchored = max(0, self._position) - self._skipped
