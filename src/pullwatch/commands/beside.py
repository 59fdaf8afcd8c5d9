"""What `watch` starts beside itself: each follows the session in a process of its own, at the lowest priority."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

_cards: list[subprocess.Popen[bytes]] = []
LAST_CARD_S: Final = 5.0
"""How long the card of a run that was just over is waited for when watching ends."""


def start_beside(folder: Path, plan: Plan) -> list[str]:
    """Start the publisher and the copying, if the setup asks for them, and the cards; return what is told of it."""
    from pullwatch.keeping.start import start as start_copying
    from pullwatch.publish.start import start as start_publishing

    told = (start_publishing(folder, plan), start_copying(folder, plan), start_cards(folder))
    return [words for words in told if words]


def start_cards(folder: Path) -> str | None:
    """Start what prints a card some seconds after each lift, into this terminal; return why it cannot be, if so."""
    command = [sys.executable, "-P", "-m", "pullwatch.reviewing.follow", str(folder)]
    try:
        _cards.append(
            subprocess.Popen(command, stdin=subprocess.DEVNULL, start_new_session=True)  # noqa: S603 - our own program
        )
    except OSError as error:
        return f"no cards after a run: {error.strerror or error}"
    return None


def finish() -> None:
    """Wait a moment for the last card, so that it does not come behind the next prompt."""
    for process in _cards:
        try:
            process.wait(LAST_CARD_S)
        except subprocess.TimeoutExpired:
            process.terminate()
            process.wait()
    _cards.clear()
