"""Commands that take in logs of others and give ours out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pullwatch.commands.common import Exit, Root, SessionName, find_session, refuse, root_of

app = typer.Typer()


@app.command()
def export(
    session: SessionName,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="What to write: .csv, .parquet, .mf4 or .log (candump).")
    ],
    sessions: Root = None,
    kind: Annotated[
        str, typer.Option("--format", help="csv, parquet, mdf or candump, if the ending does not say.")
    ] = "",
    channel: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="This channel; say it again for more. Default: all.")
    ] = None,
    begin: Annotated[str, typer.Option("--from", metavar="TIME", help="Session time: s, min:s or h:min:s.")] = "",
    end: Annotated[str, typer.Option("--to", metavar="TIME", help="Session time.")] = "",
    rate: Annotated[
        float | None, typer.Option(metavar="HZ", help="So many rows a second. Default: as sampled.")
    ] = None,
    why: Annotated[bool, typer.Option("--why", help="A column beside each: why a value is not known.")] = False,
    exact_time: Annotated[bool, typer.Option("--exact-time", help="Parquet: whole nanoseconds as well.")] = False,
    joined: Annotated[bool, typer.Option("--joined", help="Channels of joined logs too, as log.NAME.")] = False,
    feed: Annotated[str, typer.Option(metavar="NAME", help="candump: this CAN feed alone.")] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
) -> None:
    """Write a session, or a stretch of it, as CSV, Parquet, MDF4 or candump text. Works while it is recorded, too."""
    from pullwatch.errors import PullwatchError
    from pullwatch.exchange import exporting
    from pullwatch.exchange.progress import bar

    try:
        wanted = exporting.Wanted(
            kind=exporting.kind_of(file, kind),
            channels=tuple(channel or ()),
            since=exporting.time_of(begin) if begin else None,
            until=exporting.time_of(end) if end else None,
            rate=rate,
            why=why,
            exact_time=exact_time,
            joined=joined,
            feed=feed,
        )
        with bar(f"export to {file.name}") as progress:
            done = exporting.export(
                find_session(session, sessions), file, wanted, replace_it=replace, progress=progress
            )
    except PullwatchError as error:
        refuse(str(error))
    what = f"{done.rows:,} rows, {done.columns} channels" if done.columns else f"{done.rows:,} frames"
    print(f"{done.path}: {what}")
    for note in done.notes:
        print(f"  {note}")


@app.command()
def join(
    session: SessionName,
    log: Annotated[
        str, typer.Argument(metavar="LOG", help="The controller's own log: a file, or a session made of one.")
    ],
    sessions: Root = None,
    name: Annotated[str, typer.Option(help="What the join is called. Default: as the log's session.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="Take what is found out about the log's columns unasked.")] = False,
) -> None:
    """Lay another log of the same run beside a session: by engine speed, with offset and clock rate, or not at all.

    Exit code 1: it cannot be told how they lie; it says why, and nothing is joined.
    """
    import sys

    from pullwatch.errors import PullwatchError
    from pullwatch.exchange import importing, joining

    try:
        ours = find_session(session, sessions)
        other = Path(log)
        if other.is_file():
            if importing.is_can_log(other):
                refuse(f"{log} is a log of CAN frames: make a session of it first, with pullwatch import.")
            ask = input if sys.stdin.isatty() else None
            other = importing.session_of(other, root_of(sessions), importing.Wishes(yes=yes, ask=ask))
        else:
            other = find_session(log, sessions)
        made = joining.join(ours, other, name)
    except joining.NotJoined as error:
        print(error, file=sys.stderr)
        raise typer.Exit(Exit.STOOD) from None
    except PullwatchError as error:
        refuse(str(error))
    for line in made.lines:
        print(line)
    print(f"joined: {made.file}. Its channels are log.NAME: pullwatch export {session} FILE --joined")


@app.command(name="import")
def import_(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="A log: a text table (.csv, .txt, …), .parquet, .mf4, or CAN frames."),
    ],
    sessions: Root = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take the columns as they are found out, unasked.")] = False,
    said: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="COLUMN=CHANNEL[UNIT]",
            help="What a column is, as in MAP=manifold_pressure[kPa], AFR=lambda[AFR@14.7], Time=time[ms]; '-' leaves "
            "it out. May be given again. Nobody is asked.",
        ),
    ] = None,
    answers: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The same in a TOML file. Nobody is asked.")
    ] = None,
    rules: Annotated[
        Path | None, typer.Option(metavar="SETUP", help="Judge by the rules of this setup. Default: the catalogue.")
    ] = None,
    car: Annotated[str | None, typer.Option(help="Name of the car. Default: the file's, or the setup's.")] = None,
    rate: Annotated[float | None, typer.Option(metavar="HZ", help="Rows a second, for a table without times.")] = None,
    again: Annotated[bool, typer.Option("--again", help="Also if the very same was imported before.")] = False,
    dbc: Annotated[
        Path | None, typer.Option(metavar="FILE", help="CAN frames without a setup: their DBC file.")
    ] = None,
    bus: Annotated[
        list[str] | None,
        typer.Option(metavar="CHANNEL=FEED", help="Which feed of the setup reads a channel of a CAN log."),
    ] = None,
) -> None:
    """Make a session of a log that another program wrote. It is judged at its own times, and never taken for live.

    What its columns are is found out, shown, and confirmed once; files with the same heading are taken so from then on.
    """
    import sys

    from pullwatch.errors import PullwatchError
    from pullwatch.exchange import importing

    try:
        wishes = importing.Wishes(
            said=importing.read_said(said or (), answers),
            yes=yes,
            ask=input if sys.stdin.isatty() else None,
            rules=rules,
            car=car,
            rate=rate,
            again=again,
            dbc=dbc,
            buses=tuple(bus or ()),
        )
        importing.run_import(file, root_of(sessions), wishes)
    except EOFError:
        refuse("The questions ended before they were answered: nothing is imported.")
    except PullwatchError as error:
        refuse(str(error))
