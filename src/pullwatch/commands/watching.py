"""Commands that watch: the demo, and the car."""

from __future__ import annotations

from typing import Annotated

import typer

from pullwatch.commands.common import Exit, Root, SetupFile, plan_of, refuse, root_of

app = typer.Typer()


@app.command()
def demo(
    sessions: Root = None,
    device: Annotated[
        str, typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name.")
    ] = "default",
) -> None:
    """Watch an invented car on a dyno evening: no hardware, about a minute and a half.

    A clean pull, a pull in which the lambda cable comes off, a pull that goes lean as fuel pressure sags,
    and a killed watcher.
    Ends with the recordings replayed and verified. Exit code 0: the evening went as the scenario says.
    """
    from pullwatch.demo import run_demo

    raise typer.Exit(run_demo(root_of(sessions), device))


@app.command()
def watch(
    setup: SetupFile,
    sessions: Root = None,
    device: Annotated[
        str, typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name.")
    ] = "default",
) -> None:
    """Watch the ports of a setup file: alarm, and record every byte.

    Keys while it runs: a acknowledges all alarms, r resets latched ones, m marks the moment, q ends the
    session. Exit code 1: alarms stood at the end.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.watching import run_watch

    plan = plan_of(setup)
    try:
        stood = run_watch(plan, setup.resolve().parent, root_of(sessions), device)
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.STOOD if stood else Exit.FINE)
