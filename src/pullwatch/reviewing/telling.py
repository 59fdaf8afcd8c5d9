"""What a review says: as text for people, as JSON for machines."""

from __future__ import annotations

import json
import textwrap
from typing import TYPE_CHECKING, Any, Final

from pullwatch.annunciators.console import session_time
from pullwatch.review.runs_answer import plain
from pullwatch.reviewing.answers import ANSWERS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.review.answer import Answer, Reviewed
    from pullwatch.review.card import Card

WIDTH: Final = 110
DECISION: Final = (
    "What was measured is told here, not whether to drive: the decision stays with the owner. "
    "What was blind or not known was not seen."
)
JSON_VERSION: Final = 1


def card_lines(card: Card, *, at: str = "") -> list[str]:
    """Return a card for a terminal: one line stays one line however wide the terminal is."""
    first, *rest = card.lines()
    return [f"{first}{f', {at}' if at else ''}", *(f"  {line}" for line in rest)]


def told(reviewed: Reviewed, chosen: Sequence[str] = (), last: int | None = None) -> Iterator[str]:
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
    for name, answer in answers(reviewed, chosen):
        yield ""
        yield f"{name.upper()}  {answer.question}"
        if answer.refused:
            yield f"  cannot tell: {answer.refused}"
        for line in answer.lines:
            indent = "  " + " " * (len(line) - len(line.lstrip()))
            yield from textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent=indent + "  ") or [""]
    yield ""
    yield DECISION


def answers(reviewed: Reviewed, chosen: Sequence[str] = ()) -> list[tuple[str, Answer]]:
    """Return the answers asked for (none named: all), in their order."""
    return [(name, ANSWERS[name](reviewed)) for name in ANSWERS if not chosen or name in chosen]


def as_json(sessions: Sequence[Reviewed], chosen: Sequence[str] = (), last: int | None = None) -> str:
    """Return reviews as one JSON text. It holds no position."""
    out = []
    for one in sessions:
        table = one.table
        cards = one.cards[-last:] if last else one.cards
        out.append(
            {
                "session": table.session,
                "car": table.car.name,
                "seconds": table.end / 1e9,
                "live": table.live,
                "notes": list(table.notes),
                "gaps": [list(gap) for gap in table.gaps],
                "cards": [{**card.to_dict(), "about": plain(card.run)} for card in cards],
                "answers": {
                    name: {
                        "question": answer.question, "refused": answer.refused, "lines": list(answer.lines),
                        "data": dict(answer.data),
                    }
                    for name, answer in answers(one, chosen)
                },
            }
        )  # fmt: skip
    said: dict[str, Any] = {"review": JSON_VERSION, "sessions": out, "decision": DECISION}
    return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False)
