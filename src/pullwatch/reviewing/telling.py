"""What a review says: as text for people, as JSON for machines."""

from __future__ import annotations

import json
import textwrap
from typing import TYPE_CHECKING, Any, Final

from pullwatch.annunciators.console import session_time
from pullwatch.reviewing.facts import DECISION, answers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.card import Card

WIDTH: Final = 110
JSON_VERSION: Final = 1


def card_lines(card: Card, *, at: str = "") -> list[str]:
    """Return a card for a terminal: one line stays one line however wide the terminal is."""
    first, *rest = card.lines()
    return [f"{first}{f', {at}' if at else ''}", *(f"  {line}" for line in rest)]


def told(
    reviewed: Reviewed,
    chosen: Sequence[str] = (),
    last: int | None = None,
    say: Callable[[str], None] | None = None,
) -> Iterator[str]:
    """Yield a session's review in words: what it rests on, the cards, then each answer."""
    table = reviewed.table
    live = ", still being recorded" if table.live else ""
    yield f"{table.session}: {table.car.name}, {session_time(table.end)}{live}"
    for note in table.notes:
        yield f"  {note}"
    for gap in table.gaps:
        yield f"  not recorded: {session_time(gap.begin)} to {session_time(gap.end)}"
    if not chosen or "card" in chosen:
        for card in reviewed.cards[-last:] if last else reviewed.cards:
            yield ""
            yield from card_lines(card, at=session_time(card.run.begin))
    for name, answer in answers(reviewed, chosen, say):
        yield ""
        yield f"{name.upper()}  {answer.question}"
        if answer.refused:
            yield f"  cannot tell: {answer.refused}"
        for line in answer.lines:
            indent = "  " + " " * (len(line) - len(line.lstrip()))
            yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent=indent + "  ") or [""]
    yield ""
    yield DECISION


def as_json(sessions: Sequence[Mapping[str, Any]]) -> str:
    """Return reviews (`facts.facts`) as one JSON text. It holds no position and no street speeds unless they do."""
    said: dict[str, Any] = {"review": JSON_VERSION, "sessions": list(sessions), "decision": DECISION}
    return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False)
