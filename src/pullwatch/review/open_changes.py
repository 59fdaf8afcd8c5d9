"""What was changed and what is shown of it so far: the runs before against those since, with intervals.

Changes with no run between them make one step: what is different after it is the doing of all of them, and of none
that can be named. A step is held against the comparable runs on its two sides, up to the next step on either. How much
runs differ anyway is known from two on each side at the least; with less, only the raw difference can be told.

Several numbers are looked at at once, so each interval is made wider (Bonferroni: 5 % over all of them together).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.review.card import DIFFERENCES
from pullwatch.review.comparing import comparable
from pullwatch.review.intervals import LEVEL, Interval, difference

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.card import Card
    from pullwatch.review.given import Changed

ENOUGH: Final = 2
"""Runs on each side from which how much they scatter is known at all."""


@dataclass(frozen=True, slots=True)
class Timed:
    """A run with the wall time (ns since the Unix epoch) of its begin and end."""

    session: str
    begin: int
    end: int
    card: Card


@dataclass(frozen=True, slots=True)
class Shown:
    """One number on both sides of a step: the difference with its interval, over so many runs before and since."""

    name: str
    unit: str
    digits: int
    difference: Interval
    before: int
    since: int

    @property
    def shown(self) -> bool:
        """Whether the interval leaves out no difference at all."""
        return math.isfinite(self.difference.half) and not self.difference.holds(0.0)


@dataclass(frozen=True, slots=True)
class Step:
    """Changes made with no run between. `before`, `since`: comparable runs; `unlike`, `untold`: left out since.

    `unlike` are runs on either side that are not comparable with the last one since, `untold` those of which it cannot
    be told. `runs` counts all runs since, of any kind.
    """

    changes: tuple[Changed, ...]
    before: tuple[Timed, ...]
    since: tuple[Timed, ...]
    unlike: int
    untold: int
    runs: int
    numbers: tuple[Shown, ...]

    @property
    def things(self) -> int:
        """How many different things were changed at once."""
        return len({(one.item, one.speed, one.pressure) for one in self.changes})

    @property
    def separable(self) -> bool:
        """Whether what is different can be the doing of one thing."""
        return self.things <= 1

    @property
    def enough(self) -> bool:
        """Whether there are runs enough on both sides to tell a difference from chance."""
        return len(self.before) >= ENOUGH and len(self.since) >= ENOUGH


def timed(reviewed: Reviewed) -> tuple[list[Timed], list[str]]:
    """Return all runs given, in order of wall time, and the sessions whose time of day is not known."""
    found: list[Timed] = []
    unknown: list[str] = []
    for one in (*reviewed.before, reviewed):
        if one.table.car.name != reviewed.table.car.name:
            continue
        wall = one.table.wall
        if wall is None:
            unknown.append(one.table.session)
            continue
        found += [Timed(one.table.session, wall + each.run.begin, wall + each.run.end, each) for each in one.cards]
    return sorted(found, key=lambda run: run.begin), unknown


def steps(changes: Sequence[Changed], runs: Sequence[Timed]) -> list[Step]:
    """Return the steps from the first run given on, in order of time; what was changed before it has no run before."""
    if not runs:
        return []
    groups: dict[int, list[Changed]] = {}
    for change in sorted(changes, key=lambda one: one.at):
        done = sum(run.end < change.at for run in runs)
        if done:
            groups.setdefault(done, []).append(change)
    borders = [0, *groups, len(runs)]
    return [
        _step(tuple(group), runs[borders[place] : done], runs[done : borders[place + 2]])
        for place, (done, group) in enumerate(groups.items())
    ]


def _step(changes: tuple[Changed, ...], before: Sequence[Timed], since: Sequence[Timed]) -> Step:
    unlike = untold = 0
    like_before: list[Timed] = []
    like_since: list[Timed] = []
    if since:
        last = since[-1]
        for side, kept in ((before, like_before), (since[:-1], like_since)):
            for run in side:
                said = comparable(last.card.run, run.card.run).answer
                if said == "yes":
                    kept.append(run)
                elif said == "no":
                    unlike += 1
                else:
                    untold += 1
        like_since.append(last)
    numbers = tuple(_numbers(like_before, like_since))
    return Step(changes, tuple(like_before), tuple(like_since), unlike, untold, len(since), numbers)


def _numbers(before: Sequence[Timed], since: Sequence[Timed]) -> Iterator[Shown]:
    sides = []
    for name, unit, digits in DIFFERENCES:
        old = [run.card.numbers[name] for run in before if name in run.card.numbers]
        new = [run.card.numbers[name] for run in since if name in run.card.numbers]
        if old and new:
            sides.append((name, unit, digits, old, new))
    for name, unit, digits, old, new in sides:
        level = 1.0 - (1.0 - LEVEL) / len(sides)
        found = difference(new, old, level=level)
        if min(len(old), len(new)) < ENOUGH:  # of one run nobody knows how much it scatters
            found = Interval(found.value, -math.inf, math.inf)
        yield Shown(name, unit, digits, found, len(old), len(new))
