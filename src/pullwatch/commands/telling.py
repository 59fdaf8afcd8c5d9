"""Commands about being told: sound, broker, phone page, readiness."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pullwatch.commands.common import Root, find_session, refuse, root_of

app = typer.Typer()


@app.command()
def pit(
    session: Annotated[
        str | None, typer.Argument(metavar="[SESSION]", help="One session; none: always the one that began last.")
    ] = None,
    sessions: Root = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Where to listen; 0: any that is free.")] = 8321,
    network: Annotated[
        bool, typer.Option("--network", help="For phones in the same network too; without, this machine alone.")
    ] = False,
    private: Annotated[
        bool, typer.Option("--private", help="Show position and street speed too; without, they stay here.")
    ] = False,
) -> None:
    """Serve a small page for a phone or tablet: alarms, what is closest to its limit, and how old each value is.

    The address that is printed holds a token: with it a page may acknowledge, mark and write into the logbook.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.pit.starting import run_pit

    try:
        folder: Path | None = None if session is None else find_session(session, sessions)
        run_pit(root_of(sessions), folder, port=port, network=network, private=private)
    except PullwatchError as error:
        refuse(str(error))
