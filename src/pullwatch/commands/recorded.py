"""Commands about what was recorded."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pullwatch.commands.common import Exit, Root, SessionName, find_session, refuse

app = typer.Typer()


@app.command()
def replay(
    session: SessionName,
    sessions: Root = None,
    speed: Annotated[
        str, typer.Option(metavar="TIMES", help="Times real time (1, 10, 0.5, …), or 'max': as fast as possible.")
    ] = "max",
    verify: Annotated[
        bool, typer.Option("--verify", help="Compare the recorded alarms with those computed again, to the nanosecond.")
    ] = False,
    since: Annotated[
        str, typer.Option("--from", metavar="MOMENT", help="A mark's text, 12.5s, +1:02.5, or 21:04:10.")
    ] = "",
    until: Annotated[str, typer.Option("--until", metavar="MOMENT", help="The same.")] = "",
    skip_silence: Annotated[
        str, typer.Option(metavar="LENGTH", help="Play no silence longer than this: 2s, 500ms.")
    ] = "",
    step: Annotated[
        bool,
        typer.Option("--step", help="The next thing told for each Enter (or line read); 5s: so much time; q: end."),
    ] = False,
    sound: Annotated[
        bool, typer.Option("--sound", help="Sound its alarms too, announced as a replay; without it it is silent.")
    ] = False,
    device: Annotated[
        str, typer.Option(help="For --sound: 'default', 'null' (silent), or a part of a device's name.")
    ] = "default",
) -> None:
    """Put a recording through the very same path again and print what it tells. Every line says REPLAY.

    Exit code 1: alarms stood at the end, or with --verify: the computed alarms differ from the recorded ones.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.replaying import How, run_replay

    try:
        factor = None if speed == "max" else float(speed)
    except ValueError:
        factor = -1.0
    if factor is not None and not 0.0 < factor <= 100_000.0:
        refuse(f"--speed {speed}: a number above 0 is expected (1 is real time), or 'max'.")
    if sound and (factor is None or step or verify):
        refuse("--sound needs time to be heard in: give a --speed such as 1, and neither --step nor --verify.")
    if step and verify:
        refuse("--step shows what is told one by one, --verify compares and shows nothing: take one of them.")
    how = How(factor, verify, since, until, skip_silence, step, device if sound else "")
    try:
        same = run_replay(find_session(session, sessions), how)
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if same else Exit.STOOD)


@app.command()
def repair(
    session: SessionName,
    sessions: Root = None,
    into: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Where the repaired session goes.")] = None,
) -> None:
    """Write what is whole of a cut or damaged session as a clean one beside it. The original is never touched."""
    from pullwatch.errors import PullwatchError
    from pullwatch.recording.repair import repair as run_repair

    try:
        print(run_repair(find_session(session, sessions), into))
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def alarms(session: SessionName = "last", sessions: Root = None) -> None:
    """Print what the alarms of a session amount to: how often, how long, how bad, and whether they were too many."""
    from pullwatch.alarm_record import print_record
    from pullwatch.errors import PullwatchError
    from pullwatch.recording.reader import Session

    try:
        print_record(Session(find_session(session, sessions)))
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def lag(session: SessionName = "last", sessions: Root = None) -> None:
    """Measure from a session how late a lambda sensor speaks, by overrun fuel cuts and commanded mixture steps.

    Exit code 1: it cannot be told from this session; it says why.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.lag import print_lag
    from pullwatch.recording.reader import Session

    try:
        told = print_lag(Session(find_session(session, sessions)))
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if told else Exit.STOOD)
