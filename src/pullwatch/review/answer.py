"""What an answer is given and what it gives back. One module an answer: `answer(reviewed) -> Answer`, pure.

An answer has an interval, or says that it cannot tell, why, and the raw fact beside it (`refused` with `lines`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pullwatch.review.given import NOTHING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from pullwatch.review.card import Card
    from pullwatch.review.given import Given
    from pullwatch.review.runs import Runs
    from pullwatch.review.table import Table


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: its `question`, `lines` for people, `data` as plain JSON, and `refused`: why it cannot tell."""

    question: str
    lines: tuple[str, ...]
    data: Mapping[str, Any] = field(default_factory=dict)
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Reviewed:
    """One session for answers: its table, its runs, their cards (with the margins) in the same order.

    `given` is what the owner wrote down of this car; `before` are other sessions given with it, in order of time.
    `answered` is what was answered already, by name, for the one that tells what is open.
    """

    table: Table
    runs: Runs
    cards: tuple[Card, ...]
    given: Given = NOTHING
    before: tuple[Reviewed, ...] = ()
    duty: float | None = None
    """Wastegate duty, %, that the owner asks about; None: asks about none."""
    answered: Mapping[str, Answer] = field(default_factory=dict)
