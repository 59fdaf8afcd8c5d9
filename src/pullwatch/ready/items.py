"""What a check came to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


class Outcome(Enum):
    """What a check came to."""

    FINE = "as it should be"
    NOT_SO = "NOT so"
    CANNOT_TELL = "cannot tell"
    """Not enough was there to say; it is said why."""


@dataclass(frozen=True, slots=True)
class Item:
    """One check: what was looked at, what it came to, and in words what was found and what to do."""

    subject: str
    outcome: Outcome
    words: str

    def line(self) -> str:
        """Return the item as one line."""
        return f"{self.outcome.value:>15}  {self.subject}: {self.words}"


def verdict(items: Iterable[Item]) -> str:
    """Return go or no-go in words, with how many checks say why. Go means that nothing looked at speaks against it."""
    items = list(items)
    against = [item.subject for item in items if item.outcome is Outcome.NOT_SO]
    unknown = sum(item.outcome is Outcome.CANNOT_TELL for item in items)
    also = f" {unknown} could not be told." if unknown else ""
    if against:
        return f"NO-GO: {', '.join(against)}.{also} The decision stays with you."
    return f"GO: nothing that was looked at speaks against it.{also} The decision stays with you."
