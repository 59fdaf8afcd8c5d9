"""Commands that watch: the demo, and the car."""

from __future__ import annotations

from typing import Annotated

import typer

from pullwatch.commands.common import Exit, Root, SetupFile, plan_of, refuse, root_of

app = typer.Typer()

NOT_ASKED = "not asked yet whether all is ready: pullwatch ready SETUP, in another terminal"
"""Said once it is armed: watching comes first, and the checks are offered afterwards."""


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
        str | None,
        typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name. Else what [sound] says."),
    ] = None,
) -> None:
    """Watch the ports of a setup file: alarm, and record every byte.

    Keys while it runs: a acknowledges all alarms, r resets latched ones, m marks the moment, n takes a
    note (then Enter), q ends the session. Exit code 1: alarms stood at the end.
    """
    import time

    from pullwatch.commands.beside import finish, start_beside
    from pullwatch.errors import PullwatchError
    from pullwatch.ready.outcome import taken_up
    from pullwatch.watching import run_watch

    plan = plan_of(setup)
    root = root_of(sessions)
    said = taken_up(root, plan.car.name, time.time_ns())
    happened = [said] if said is not None else [{"event": "ready", "says": NOT_ASKED}]
    try:
        stood = run_watch(plan, setup.resolve().parent, root, device, start_beside, happened)
    except PullwatchError as error:
        refuse(str(error))
    finally:
        finish()
    raise typer.Exit(Exit.STOOD if stood else Exit.FINE)
