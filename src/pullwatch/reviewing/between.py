"""What changed between two runs, beside what it did: the logbook's changes and the differences of the two cards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullwatch.review.card import differences
from pullwatch.review.margins import amount
from pullwatch.review.runs import Comparison, comparable

if TYPE_CHECKING:
    from pullwatch.review.answer import Reviewed
    from pullwatch.review.card import Card
    from pullwatch.review.given import Changed


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two runs: the session it is of, and its card."""

    reviewed: Reviewed
    card: Card

    @property
    def name(self) -> str:
        """How it is called."""
        return f"run {self.card.run.number} of {self.reviewed.table.session}"


@dataclass(frozen=True, slots=True)
class Between:
    """What lies between two runs. `changes` in order of time; None: the wall clock of a session is not known."""

    one: Side
    two: Side
    changes: tuple[Changed, ...] | None
    comparison: Comparison

    @property
    def separable(self) -> bool:
        """Whether what it did can be the doing of one thing."""
        return self.changes is not None and len({(c.item, c.speed, c.pressure) for c in self.changes}) <= 1

    def lines(self) -> list[str]:
        """Say it in words: what was changed, whether the runs compare, what is different."""
        told = [f"from {self.one.name} to {self.two.name}"]
        if self.changes is None:
            told.append("changes: cannot tell, the time of day of a session is not known")
        elif not self.changes:
            told.append("changed: nothing that was written down")
        else:
            told += [f"changed: {change.line()}" for change in self.changes]
        told.append(f"the runs: {self.comparison.line()}")
        told.append(f"it did: {differences(self.two.card.numbers, self.one.card.numbers)}")
        told += self._margins()
        told += self._slips()
        if self.changes is not None and not self.separable:
            items = len({(change.item, change.speed, change.pressure) for change in self.changes})
            told.append(
                f"NOT SEPARABLE: {items} things were changed at once; what is different cannot be laid to one of them"
            )
        elif self.changes:
            told.append("two runs are two runs: what is different may be chance too")
        return told

    def _margins(self) -> list[str]:
        before = {one.rule: one for one in self.one.card.margins if not one.why_not}
        pairs = [(before[two.rule], two) for two in self.two.card.margins if not two.why_not and two.rule in before]
        near = [(one, two) for one, two in pairs if one.is_near or two.is_near]
        table = self.two.reviewed.table
        return [
            f"margin to {two.rule}: {amount(table, two.channel, one.least)} before, "
            f"{amount(table, two.channel, two.least)} after"
            + (" (the sensor cannot tell such a difference)" if abs(two.least - one.least) < two.accuracy else "")
            for one, two in near
        ]

    def _slips(self) -> list[str]:
        slips = [
            side.reviewed.given.slip_of(side.reviewed.table.session, side.card.run.number)
            for side in (self.one, self.two)
        ]
        if slips[0] is None or slips[1] is None:
            return []
        shared = [point for point in slips[0].times if point in slips[1].times]
        parts = [f"{point} {slips[1].times[point] - slips[0].times[point]:+.3f} s" for point in shared]
        return [f"by the slips: {', '.join(parts)}"] if parts else []


def between(one: Side, two: Side) -> Between:
    """Return what lies between two runs, the earlier one first."""
    begin = one.reviewed.table.wall_at(one.card.run.end)
    end = two.reviewed.table.wall_at(two.card.run.begin)
    changes = None if begin is None or end is None else two.reviewed.given.changed_between(begin, end)
    return Between(one, two, changes, comparable(two.card.run, one.card.run))
