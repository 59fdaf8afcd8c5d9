"""What is being found out about a setup while it is resolved: problems, and names nothing more is to be said of."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pullwatch.errors import Problem

if TYPE_CHECKING:
    from pullwatch.setup.locate import KeyPath
    from pullwatch.setup.reading import Setup

_WORD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


def words_of(text: str) -> set[str]:
    """Return every word of a condition: channels, limits, units and words of the language alike."""
    return set(_WORD.findall(text))


class Findings:
    """Problems so far. `ghosts` are channels and limits that were meant to be there but are wrong.

    What rests on a ghost is not judged: one wrong key in a feed must not look like forty wrong rules.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.problems = list(setup.problems)
        self.ghosts: set[str] = set()

    def refuse(self, path: KeyPath, shown: str, what: str, todo: str = "") -> None:
        """Note a problem at the line of `path`; `shown` is the key as a person is shown it."""
        self.problems.append(Problem(self.setup.line(*path), shown, what, todo))

    def haunted(self, text: str) -> bool:
        """Whether a condition rests on something that is wrong already."""
        return not self.ghosts.isdisjoint(words_of(text))
