"""Commands before a run: what is plugged in, what the setup says, whether its rules mean it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from pullwatch.commands.common import Exit, SetupFile, refuse

app = typer.Typer()


@app.command()
def check(setup: SetupFile) -> None:
    """Say what a setup file will watch, what it leaves open, and how long each critical alarm takes.

    Exit code 2: the setup file is wrong; every problem is listed with its line.
    """
    from pullwatch.checks import check as run_check
    from pullwatch.errors import PullwatchError

    try:
        print(run_check(setup).text())
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def cases(
    setup: Annotated[
        Path | None, typer.Argument(metavar="[SETUP]", help="The setup file whose rules are tried (TOML).")
    ] = None,
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[CASES]...", help="Files of cases (TOML); none: SETUP with .cases.toml beside it."),
    ] = None,
    shipped: Annotated[
        bool, typer.Option("--shipped", help="Run the cases of the catalogue's own rules, by its starting values.")
    ] = False,
) -> None:
    """Try rules without an engine: what the channels say is written down, and which alarms that must raise.

    Exit code 1: something came otherwise than expected. Exit code 2: a file is wrong; nothing is run then.
    """
    from pullwatch.cases import run_cases
    from pullwatch.errors import PullwatchError

    if shipped == (setup is not None):
        refuse("Name a setup file, or say --shipped." if setup is None else "--shipped needs no setup file.")
    try:
        fine = run_cases(setup, files or ())
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if fine else Exit.STOOD)


@app.command()
def ports() -> None:
    """List serial ports and CAN adapters, and how to write each in the setup file so that it stays the same one."""
    from pullwatch.finding.ports import list_all

    print(list_all())


@app.command()
def listen(
    port: Annotated[str, typer.Argument(help="As in a setup file: /dev/ttyUSB0, serial:NUMBER, socket://HOST:PORT.")],
    baud: Annotated[int | None, typer.Option(help="Speed of the serial line; none: the usual ones are tried.")] = None,
    adapter: Annotated[
        str | None, typer.Option(help="It is a CAN bus: slcan, or a python-can interface (socketcan, …).")
    ] = None,
    bitrate: Annotated[int | None, typer.Option(help="Of the CAN bus; none: it is searched for, listening.")] = None,
    dbc: Annotated[Path | None, typer.Option(help="The controller's DBC file: names what is on the bus.")] = None,
    seconds: Annotated[float, typer.Option(help="How long to listen.")] = 5.0,
    write: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a starting setup; never over a file that is there.")
    ] = None,
    add: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Add what is heard to a setup, as one more feed.")
    ] = None,
) -> None:
    """Listen at a port, only reading, and say what arrives: text, sentences, CAN frames, packets, or rubbish.

    What a column may be is guessed, and called a guess. Exit code 1: nothing arrived that could be read.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.finding.listen import run_listen

    try:
        readable = run_listen(
            port, speed=baud, adapter=adapter, bitrate=bitrate, dbc=dbc, seconds=seconds, write=write, add=add
        )
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if readable else Exit.STOOD)


@app.command(name="setup")
def set_up(
    file: Annotated[Path, typer.Argument(metavar="[FILE]", help="The setup file, there or to be begun.")] = Path(
        "setup.toml"
    ),
    answers: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A TOML file of answers: nobody is asked.")
    ] = None,
    said: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="One answer; may be given again. Nobody is asked."),
    ] = None,
) -> None:
    """Ask the five numbers and what the controller cuts at, and write the rules that rest on them.

    A rule whose number is not known, or whose channel is still a guess, stands as a caution.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.finding.questions import run_setup

    try:
        run_setup(file, answers=answers, said=tuple(said or ()), ask=input if sys.stdin.isatty() else None)
    except EOFError:
        refuse("The questions ended before they were answered: nothing is written.")
    except PullwatchError as error:
        refuse(str(error))
