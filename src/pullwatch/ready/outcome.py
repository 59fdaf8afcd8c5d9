"""The outcome of the checks between `ready` and the session that comes after it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from pathlib import Path

KEPT: Final = "ready.json"
"""Where the outcome stands, in the sessions folder, until the next session takes it up."""
WITHIN: Final = 12 * 3600 * 1_000_000_000
"""ns after which it says nothing any more."""


def taken_up(root: Path, car: str, wall: int, within: int = WITHIN) -> dict[str, Any] | None:
    """Return the last outcome of the checks for a car, once, if it is not too old (ns); None if there is none."""
    path = root / KEPT
    try:
        fact = json.loads(path.read_text(encoding="utf-8"))
        if fact["car"] != car or not 0 <= wall - int(fact["wall"]) <= within:
            return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    path.unlink(missing_ok=True)
    return {
        "event": "ready",
        "says": f"{fact.get('says', '')}",
        "items": fact.get("items", []),
        "who": fact.get("who", ""),
    }
