"""Every error pullwatch raises on purpose, in one tree. Constructors take facts; the message is made here.

PullwatchError
├── SetupError          the setup file is wrong: every problem at once, each with file, line, key, what to do
├── ExpressionError     a rule, limit or quantity cannot be understood
│   └── UnitError       a unit is unknown, missing or of the wrong kind
├── PortError           a port cannot be opened or used
├── SessionError        a recording cannot be used
│   ├── NotASession     the folder or file is no recording of ours
│   └── DamagedSession  a recording is damaged before its last synced frame
├── BrokerError         what is asked of a broker cannot be done
├── LogbookError        the logbook cannot be opened, or does not take what it is given
└── ActError            an act (acknowledge, reset, mark) could not be handed over
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path


def nearest(word: str, names: Iterable[str]) -> str:
    """Return ` (did you mean "x"?)` when a name is near enough, else an empty text."""
    found = difflib.get_close_matches(word, list(names), n=1, cutoff=0.6)
    return f' (did you mean "{found[0]}"?)' if found else ""


class PullwatchError(Exception):
    """Anything pullwatch refuses or cannot do, said so that the person at the car knows what to do next."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a setup file: where (line counts from 1, 0 if not known), what, what to do."""

    line: int
    key: str
    what: str
    todo: str = ""

    def __str__(self) -> str:
        where = f"line {self.line}" if self.line else "line not known"
        todo = f" {self.todo}" if self.todo else ""
        return f"{where}, {self.key}: {self.what}{todo}"


class SetupError(PullwatchError):
    """The setup file is refused whole, with everything that is wrong in it."""

    def __init__(self, file: Path | str, problems: Sequence[Problem]) -> None:
        self.file = str(file)
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.key)))
        count = "1 problem" if len(self.problems) == 1 else f"{len(self.problems)} problems"
        lines = "\n".join(f"  {self.file}, {p}" for p in self.problems)
        super().__init__(f"{self.file} is not used: {count}.\n{lines}")


class ExpressionError(PullwatchError):
    """A rule, limit or quantity cannot be understood; `column` counts from 1 in `text`, 0 if it is about the whole."""

    def __init__(self, text: str, column: int, what: str) -> None:
        self.text = text
        self.column = column
        self.what = what
        where = f" at column {column}" if column else ""
        super().__init__(f'in "{text}"{where}: {what}')


class UnitError(ExpressionError):
    """A unit is unknown, missing or of the wrong kind."""


class PortError(PullwatchError):
    """A port cannot be opened or used."""

    def __init__(self, port: str, what: str, todo: str = "") -> None:
        self.port = port
        self.what = what
        super().__init__(f"{port}: {what}{' ' + todo if todo else ''}")


class SessionError(PullwatchError):
    """A recording cannot be used as asked."""

    def __init__(self, path: Path | str, what: str, todo: str = "") -> None:
        self.path = str(path)
        self.what = what
        super().__init__(f"{path}: {what}{' ' + todo if todo else ''}")


class NotASession(SessionError):  # noqa: N818 - it names a state, and reads so where it is caught
    """The folder or file is no recording of ours."""


class DamagedSession(SessionError):  # noqa: N818 - same
    """A recording is damaged before its last synced frame."""


class BrokerError(PullwatchError):
    """A session cannot be published to a broker, or a car cannot be seen through one, as asked."""


class LogbookError(PullwatchError):
    """The logbook cannot be opened, or does not take what it is given."""

    def __init__(self, path: Path | str, what: str, todo: str = "") -> None:
        self.path = str(path)
        self.what = what
        super().__init__(f"{path}: {what}{' ' + todo if todo else ''}")


class ActError(PullwatchError):
    """An act could not be handed to the watching process."""
