"""Says how far a review has come, once it takes longer than a second: on the terminal's own line, or line by line."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Final, TextIO

from pullwatch.annunciators.console import session_time

if TYPE_CHECKING:
    from collections.abc import Callable

LONG: Final = 1.0
"""Seconds after which anything is said."""
EVERY: Final = 0.25
EVERY_LINE: Final = 5.0
"""Seconds between two updates: of one line on a terminal, of lines where there is none."""


class Progress:
    """Say `stage` and `read` what is being done; quiet for the first second. `close` clears the line.

    Without `lines` it says nothing where there is no terminal: a machine may be reading both outputs as one.
    """

    def __init__(
        self, out: TextIO | None = None, clock: Callable[[], float] = time.monotonic, *, lines: bool = True
    ) -> None:
        self._out = sys.stderr if out is None else out
        self._clock = clock
        self._begin = self._said = clock()
        self._terminal = self._out.isatty()
        self._quiet = not (lines or self._terminal)
        self._wide = 0
        self.session = ""

    def stage(self, text: str) -> None:
        """Say what begins now."""
        self._say(text)

    def read(self, t: int) -> None:
        """Say up to which session ns a recording was read."""
        self._say(f"reading {self.session}: {session_time(t)}")

    def _say(self, text: str) -> None:
        now = self._clock()
        every = EVERY if self._terminal else EVERY_LINE
        first = self._said == self._begin
        if self._quiet or now - self._begin < LONG or (not first and now - self._said < every):
            return
        self._said = now
        if self._terminal:
            self._out.write(f"\r{text:<{self._wide}}")
            self._wide = max(self._wide, len(text))
        else:
            self._out.write(f"{text}\n")
        self._out.flush()

    def close(self) -> None:
        """Leave the terminal's line as it was."""
        if self._wide:
            self._out.write(f"\r{'':<{self._wide}}\r")
            self._out.flush()
            self._wide = 0
