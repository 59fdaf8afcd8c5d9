"""Commands that look after recordings: whole, copied, packed, protected, found again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pullwatch.commands.common import Exit, Root, SessionName, find_session, refuse, root_of

app = typer.Typer()


@app.command(name="sessions")
def list_sessions(
    find: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Only those with this in name, car, notes, marks or alarms.")
    ] = None,
    sessions: Root = None,
) -> None:
    """List the recorded sessions, the newest last: whole or not, in how many places, and what was noted."""
    from pullwatch.keeping.listing import print_found, print_sessions

    if find is None:
        print_sessions(root_of(sessions))
    else:
        print_found(root_of(sessions), find)


@app.command()
def intact(session: SessionName = "last", sessions: Root = None) -> None:
    """Hold a session against its own hash chain: intact, cut at, or altered at. Prints the seal that stands for it.

    Exit code 1: it is cut or altered.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.intact import look

    try:
        found = look(find_session(session, sessions))
    except PullwatchError as error:
        refuse(str(error))
    for line in found.words:
        print(f"{found.state}: {line}")
    print(f"seal {found.seal}")
    raise typer.Exit(Exit.FINE if found.fine else Exit.STOOD)


@app.command()
def annotate(
    session: SessionName,
    text: Annotated[str, typer.Argument(help="What to note.")],
    sessions: Root = None,
) -> None:
    """Note something on a recorded session. Notes are added, never changed."""
    import getpass

    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.shelf import add_note

    try:
        add_note(find_session(session, sessions), text, getpass.getuser())
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def protect(
    session: SessionName,
    why: Annotated[str, typer.Argument(help="Why it must stay.")] = "",
    sessions: Root = None,
) -> None:
    """Protect a session from being taken away."""
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.shelf import protect as run_protect

    try:
        run_protect(find_session(session, sessions), why)
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def unprotect(session: SessionName, sessions: Root = None) -> None:
    """Let a protected session be taken away again."""
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.shelf import unprotect as run_unprotect

    try:
        run_unprotect(find_session(session, sessions))
    except PullwatchError as error:
        refuse(str(error))


@app.command("take-away")
def take_away(
    session: SessionName,
    sure: Annotated[bool, typer.Option("--sure", help="Though it stands in one place only.")] = False,
    sessions: Root = None,
) -> None:
    """Move a session out of the way, into the folder taken-away. Deleting it there is left to you."""
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.shelf import take_away as run_take_away

    try:
        print(f"It is now in {run_take_away(find_session(session, sessions), root_of(sessions), sure=sure)}")
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def pack(session: SessionName, sessions: Root = None) -> None:
    """Make a session small after a clean stop: compact, not different. Everything reads it as before."""
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.packing import pack as run_pack

    try:
        before, after = run_pack(find_session(session, sessions))
    except PullwatchError as error:
        refuse(str(error))
    print(f"{before / 1e6:.1f} MB before, {after / 1e6:.1f} MB now; compared byte for byte.")


@app.command()
def unpack(session: SessionName, sessions: Root = None) -> None:
    """Put the raw parts of a packed session back."""
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.packing import unpack as run_unpack

    try:
        run_unpack(find_session(session, sessions))
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def copy(
    session: SessionName,
    to: Annotated[Path, typer.Option(metavar="FOLDER", help="On another medium; the session gets a folder in it.")],
    follow: Annotated[bool, typer.Option("--follow", help="Go on while it is recorded, until it is whole.")] = False,
    sessions: Root = None,
) -> None:
    """Copy a session to another medium, compare every byte, and note that it stands there too.

    Exit code 1: the copy is not whole (yet).
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.keeping.copying import keep_copied

    try:
        folder = find_session(session, sessions)
        target = to.expanduser().resolve() / folder.name
        whole = keep_copied(folder.resolve(), target, tell=print, over=lambda: not follow)
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if whole else Exit.STOOD)
