"""What the commands share: exit codes, the common arguments, how a session, a plan or an act is come by."""

from __future__ import annotations

import sys
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from pullwatch.setup import Plan


class Exit(IntEnum):
    """What the process says when it ends."""

    FINE = 0
    STOOD = 1
    """Alarms stood at the end, or a verification differed, or the demo's evening did not go as its scenario says."""
    UNUSABLE = 2
    """A wrong setup file, or a recording that cannot be used."""


SetupFile = Annotated[Path, typer.Argument(metavar="SETUP", help="The setup file (TOML).")]
SessionName = Annotated[
    str, typer.Argument(metavar="SESSION", help="A session folder, its name in the sessions folder, or 'last'.")
]
Root = Annotated[
    Path | None,
    typer.Option("--sessions", metavar="FOLDER", help="Where sessions are kept.", envvar="PULLWATCH_SESSIONS"),
]


def root_of(sessions: Path | None) -> Path:
    """Return where sessions are kept."""
    if sessions is not None:
        return sessions
    from pullwatch.recording.session import default_root

    return default_root()


def find_session(name: str, sessions: Path | None) -> Path:
    """Find a session by folder, by name, or the latest. Raises NotASession in words."""
    from pullwatch.errors import NotASession, nearest
    from pullwatch.recording.session import latest

    if Path(name).exists():
        return Path(name)
    root = root_of(sessions)
    if name == "last":
        found = latest(root) or latest(root, imports=True)
        if found is None:
            raise NotASession(root, "holds no session yet.", "Record one with: pullwatch watch SETUP")
        return found
    if (root / name).exists():
        return root / name
    names = [folder.name for folder in root.iterdir() if folder.is_dir()] if root.is_dir() else []
    raise NotASession(
        name, f"is no folder here and no session in {root}{nearest(name, names)}.", "List them with: pullwatch sessions"
    )


def session_or_log(name: str, sessions: Path | None) -> Path:
    """Find a session, or the one that a log file was imported to; one that never was is imported first, with questions.

    Raises PullwatchError in words.
    """
    if not Path(name).is_file():
        return find_session(name, sessions)
    from pullwatch.exchange.importing import Wishes, session_of

    return session_of(Path(name), root_of(sessions), Wishes(ask=input if sys.stdin.isatty() else None))


def plan_of(setup: Path) -> Plan:
    """Return the plan of a setup file; a wrong one ends the program with every problem told."""
    from pullwatch.errors import PullwatchError
    from pullwatch.setup import read_setup, resolve

    try:
        return resolve(read_setup(setup))
    except PullwatchError as error:
        refuse(str(error))


def send(act: dict[str, object], sessions: Path | None) -> None:
    """Hand an act to the session being watched, and print what was done."""
    import getpass

    from pullwatch.errors import ActError
    from pullwatch.watching import send_act

    try:
        print(send_act(root_of(sessions), {**act, "who": getpass.getuser()}))
    except ActError as error:
        refuse(str(error))


def refuse(words: str) -> NoReturn:
    """Say what cannot be done, and end with exit code 2."""
    print(words, file=sys.stderr)
    raise typer.Exit(Exit.UNUSABLE)
