"""The card while it is recorded: follows a session in a process of its own and prints each run's card after the lift.

It reads the recording as it grows, at the lowest priority, and never speaks to the process that watches; if it hangs or
dies, no alarm is later for it. Started as a program it follows one session folder until that ends:

    python -m pullwatch.reviewing.follow FOLDER
"""

from __future__ import annotations

import os
import sys
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch.annunciators.console import session_time
from pullwatch.clock import NS_PER_S
from pullwatch.errors import PullwatchError
from pullwatch.recording.reader import Follower
from pullwatch.replaying import Replayed, replayed
from pullwatch.review.card import AFTER, Card, card
from pullwatch.review.finding import Finder, cannot
from pullwatch.review.runs import corrected, describe
from pullwatch.reviewing.gather import Gathering
from pullwatch.reviewing.telling import card_lines
from pullwatch.setup import Plan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from pullwatch.recording.blocks import Block
    from pullwatch.review.finding import Segment
    from pullwatch.review.runs import Correction, Run

KEPT: Final = 300 * NS_PER_S
"""What is kept of the past: longer than any run."""
EVERY_S: Final = 0.25
NICE: Final = 19


class Following:
    """Follows one session. `poll` returns the cards of the runs that are over since it was last asked.

    A card waits until `AFTER` the lift: alarms that sensors tell late belong to it. `corrections` are the owner's.
    `why_not` says why this car has no runs (empty: it has, or nothing was read yet). Raises SessionError.
    """

    def __init__(self, folder: Path, corrections: Sequence[Correction] = ()) -> None:
        self.folder = folder
        self.cards: list[Card] = []
        self.why_not = ""
        self._follower = Follower(folder)
        self._corrections = corrections
        self._gathering: Gathering | None = None
        self._finder: Finder | None = None
        self._waiting: list[Run] = []
        self._count = 0
        self._blocks: list[Block] = []
        self._steps: Iterator[Replayed] | None = None

    @property
    def ended(self) -> bool:
        """Whether the session is over and all of it was read."""
        return self._follower.ended is not None

    @property
    def under_way(self) -> bool:
        """Whether a run goes on just now."""
        return self._finder is not None and self._finder.under_way is not None

    @property
    def now(self) -> int:
        """Up to which session ns it was read."""
        return -1 if self._gathering is None else self._gathering.now

    def poll(self) -> list[Card]:
        """Take what is new. Never waits for the session to grow."""
        made: list[Card] = []
        while blocks := self._follower.poll():
            self._take(blocks)
            made += self._due()
        if self.ended:
            if self._finder is not None and self._gathering is not None:
                self._over(self._finder.finish())
            made += self._due(everything=True)
        return made

    def _take(self, blocks: list[Block]) -> None:
        if self._gathering is None:
            start = self._follower.start or {}
            plan = Plan.from_dict(start["plan"]) if isinstance(start.get("plan"), dict) else None
            if plan is None:
                self.why_not = "the recording holds no setup, so it cannot be read."
                return
            pair = start.get("recording", {}).get("pair")
            wall = None if pair is None else int(pair["wall"]) - int(pair["t"])
            self._gathering = Gathering(plan, self.folder.name, wall, KEPT)
            channels = {channel.name: channel for channel in plan.channels}
            self.why_not = cannot(channels)
            if not self.why_not:
                self._finder = Finder(channels, plan.profile)
            self._steps = replayed(plan, self._endless())
        if self._finder is None or self._steps is None:
            return
        self._blocks += blocks
        while self._blocks:
            step = next(self._steps)
            new = self._gathering.take(step)
            self._over(self._finder.take(new, step.block.now))

    def _endless(self) -> Iterator[Block]:
        """Yield the blocks that wait; asked only while one does."""
        while self._blocks:
            yield self._blocks.pop(0)

    def _over(self, segments: Sequence[Segment]) -> None:
        assert self._gathering is not None
        for segment in segments:
            run = describe(segment, self._gathering.table(live=True))
            if run is not None:
                self._waiting.append(run)

    def _due(self, *, everything: bool = False) -> list[Card]:
        """Make the cards of runs whose lift is long enough ago."""
        made: list[Card] = []
        while self._waiting and (everything or self.now >= self._waiting[0].end + AFTER):
            assert self._gathering is not None
            self._count += 1
            table = self._gathering.table(live=not everything)
            run, is_run = corrected(replace(self._waiting.pop(0), number=self._count), self._corrections, table)
            if is_run:  # the owner may have said already that it is none
                made.append(card(table, run, self.cards))
                self.cards.append(made[-1])
        return made


def follow(
    folder: Path, say: Callable[[str], None], wait: Callable[[], None], corrections: Sequence[Correction] = ()
) -> None:
    """Say each card of a session until it ends; `wait` is called between two looks. Raises SessionError."""
    following = Following(folder, corrections)
    told_why = False
    while True:
        for made in following.poll():
            say("\n".join(["", *card_lines(made, at=session_time(made.run.begin))]))
        if following.why_not and not told_why:
            told_why = True
            say(f"no cards: {following.why_not}")
        if following.ended or told_why:
            return
        wait()


def main() -> int:
    """Run as a program: `python -m pullwatch.reviewing.follow FOLDER`."""
    if len(sys.argv) != 2:
        print("usage: python -m pullwatch.reviewing.follow FOLDER", file=sys.stderr)
        return 2
    with suppress(OSError, AttributeError):
        os.nice(NICE)

    def say(text: str) -> None:
        sys.stdout.write(f"{text}\n")  # one write: the console of the watching process prints between, not within
        sys.stdout.flush()

    try:
        follow(Path(sys.argv[1]), say, lambda: time.sleep(EVERY_S))
    except PullwatchError as error:
        print(f"no cards: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
