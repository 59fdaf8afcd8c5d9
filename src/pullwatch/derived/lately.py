"""Whether something was so a moment ago, held through not knowing: what a reading's loss is judged by.

A gate says whether the engine is under boost. When the very sensor that says so is lost, the gate is not known, and a
rule that waits for it would wait for ever. What counts then is what was so when it was last known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pullwatch.derived import NAN, UNKNOWN, Operator

if TYPE_CHECKING:
    from collections.abc import Sequence


class Lately(Operator):
    """1 while the trigger is beyond `limit` or was within the last `within` ns of known time, else 0.

    Time in which the trigger is in doubt or silent does not count, and changes nothing. The side is that of a
    comparison: beyond the limit it is so, `deadband` back from it no more. Before the first known sample: not known.
    """

    def __init__(self, limit: float, deadband: float, within: int, stale_after: int, *, above: bool = True) -> None:
        self._sign = 1.0 if above else -1.0
        self._limit = limit * self._sign
        self._back = self._limit - deadband
        self._within, self._stale_after = within, stale_after
        self._beyond: bool | None = None
        self._left = 0
        """ns for which it still counts as so, once it is no more."""
        self._known: int | None = None
        """When the trigger was last known, if its last sample was good."""

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - it has none
        """Return 1 or 0, in doubt too; not known only before anything was."""
        passed = 0 if self._known is None else min(t - self._known, self._stale_after)
        if not self._beyond:
            self._left = max(0, self._left - passed)
        self._known = None if why else t
        if not why:
            value *= self._sign
            if value > self._limit:
                self._beyond, self._left = True, self._within
            elif value <= self._back or self._beyond is None:
                self._beyond = False
        if self._beyond is None:
            return NAN, UNKNOWN
        return float(self._beyond or self._left > 0), 0

    def carried(self) -> Any:
        """Return the side, what is left of it, and when it was last known."""
        return [self._beyond, self._left, self._known]

    def carry(self, state: Any) -> None:
        """Take them up."""
        self._beyond, self._left, self._known = state
