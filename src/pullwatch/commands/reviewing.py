"""Commands between two runs: the card, the review, and the logbook."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pullwatch.commands.common import Root, SessionName, find_session, refuse, session_or_log

if TYPE_CHECKING:
    from pullwatch.logbook import Logbook

app = typer.Typer()
logbook_app = typer.Typer(no_args_is_help=True, help="What was changed, what the strip and the laboratory said.")
add_app = typer.Typer(no_args_is_help=True, help="Write something down.")
app.add_typer(logbook_app, name="logbook")
logbook_app.add_typer(add_app, name="add")

BookFile = Annotated[
    Path | None,
    typer.Option("--logbook", metavar="FILE", help="The logbook's file.", envvar="PULLWATCH_LOGBOOK"),
]
CarName = Annotated[str | None, typer.Option("--car", help="Which car; may be left out while there is only one.")]
When = Annotated[
    str | None, typer.Option("--at", metavar="TIME", help="When: 21:40, or 2026-11-25 21:40. Default: now.")
]
NoteText = Annotated[str, typer.Option("--note", help="Anything worth knowing.")]


@app.command()
def card(
    session: SessionName = "last",
    sessions: Root = None,
    last: Annotated[int | None, typer.Option(min=1, metavar="N", help="The last N cards only.")] = None,
    follow: Annotated[
        bool, typer.Option("--follow", help="Follow a session that is being recorded; print each card after its lift.")
    ] = False,
    logbook: BookFile = None,
) -> None:
    """Print the card of every run of a session: at most 14 lines of what was measured, what tripped, what was not seen.

    Works while the session is being recorded. With --follow it goes on until the session ends.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.reviewing.printing import follow_cards, print_cards

    try:
        folder = find_session(session, sessions)
        if follow:
            follow_cards(folder, logbook)
        else:
            print_cards(folder, logbook, last)
    except PullwatchError as error:
        refuse(str(error))


@app.command()
def review(
    session: Annotated[
        list[str] | None,
        typer.Argument(metavar="[SESSION]...", help="Sessions: folders, names, or 'last' (the default)."),
    ] = None,
    sessions: Root = None,
    last: Annotated[int | None, typer.Option(min=1, metavar="N", help="The last N cards only.")] = None,
    answer: Annotated[
        list[str] | None, typer.Option("--answer", metavar="NAME", help="Only this answer, or 'card'; may be repeated.")
    ] = None,
    duty: Annotated[
        float | None, typer.Option(min=0.0, max=100.0, metavar="PERCENT", help="What boost would this duty give?")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write a report: one file for a browser, a phone or the printer."),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write only the list of lean and rich cells, worst first, as CSV."),
    ] = None,
    private: Annotated[
        bool, typer.Option("--private", help="With positions and street speeds, in --html and --json.")
    ] = False,
    logbook: BookFile = None,
) -> None:
    """Answer the questions between two runs, each with an interval or why it cannot tell.

    Works on sessions that are over or still being recorded. Nothing here says whether to drive on.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.reviewing.printing import print_review

    try:
        folders = [session_or_log(name, sessions) for name in session or ["last"]]
        if csv is not None:
            from pullwatch.reviewing.csv_file import write_csv

            print(write_csv(folders, logbook, csv))
            return
        print_review(folders, logbook, answer or [], last, as_json=as_json, duty=duty, html=html, private=private)
    except PullwatchError as error:
        refuse(str(error))


# ---- the logbook -----------------------------------------------------------------------------------------------------


def _book(logbook: Path | None) -> Logbook:
    """Open the logbook; one that cannot be used ends the program."""
    from pullwatch.errors import LogbookError
    from pullwatch.logbook import Logbook

    try:
        return Logbook(logbook)
    except LogbookError as error:
        refuse(str(error))


def _at(text: str | None) -> int | None:
    import time

    from pullwatch.logbook.times import read_time

    if text is None:
        return None
    try:
        return read_time(text, time.time_ns())
    except ValueError as error:
        refuse(f"--at: {error}.")


def _span(text: str | None, option: str) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        one, two = (float(part) for part in text.split("-"))
    except ValueError:
        refuse(f"{option} {text}: two numbers with - between are expected, such as 5200-6400.")
    return one, two


@add_app.command(name="car")
def add_car(
    name: Annotated[str, typer.Argument(metavar="NAME", help="As in [car] name of its setup file.")],
    fuel: Annotated[str, typer.Option(help="What it is driven with.")] = "",
    mass_kg: Annotated[float | None, typer.Option(help="With driver.")] = None,
    note: NoteText = "",
    logbook: BookFile = None,
) -> None:
    """Add a car."""
    from pullwatch.logbook.commands import done

    with _book(logbook) as book:
        done(lambda: book.add_car(name, fuel=fuel, mass_kg=mass_kg, note=note), refuse)


@add_app.command(name="change")
def add_change(
    item: Annotated[str | None, typer.Argument(metavar="[ITEM]", help="From the pick list (`logbook pick`).")] = None,
    value: Annotated[str | None, typer.Argument(metavar="[VALUE]", help="What it is now.")] = None,
    was: Annotated[str | None, typer.Option(help="What it was. Default: the last value noted.")] = None,
    speed: Annotated[str | None, typer.Option(metavar="FROM-TO", help="Only from..to rpm of the map.")] = None,
    pressure: Annotated[
        str | None, typer.Option(metavar="FROM-TO", help="Only from..to kPa absolute of the map.")
    ] = None,
    car: CarName = None,
    at: When = None,
    note: NoteText = "",
    logbook: BookFile = None,
) -> None:
    """Note what was changed. Without ITEM on a terminal it shows the pick list and asks."""
    from pullwatch.logbook.commands import ask_change, done

    with _book(logbook) as book:

        def add() -> str:
            picked, to = ask_change(book, car, item, value)
            return book.add_change(
                car, picked, to, at=_at(at), was=was, note=note,
                speed=_span(speed, "--speed"), pressure=_span(pressure, "--pressure"),
            )  # fmt: skip

        done(add, refuse)


@add_app.command(name="slip")
def add_slip(
    reaction: Annotated[float | None, typer.Option(help="s")] = None,
    s_60ft: Annotated[float | None, typer.Option("--60ft", help="s")] = None,
    s_330ft: Annotated[float | None, typer.Option("--330ft", help="s")] = None,
    s_660ft: Annotated[float | None, typer.Option("--660ft", help="s")] = None,
    speed_660ft: Annotated[str | None, typer.Option("--660ft-speed", help="Such as 128.4km/h or 79.8mph.")] = None,
    s_1000ft: Annotated[float | None, typer.Option("--1000ft", help="s")] = None,
    s_1320ft: Annotated[float | None, typer.Option("--1320ft", help="s")] = None,
    speed_1320ft: Annotated[str | None, typer.Option("--1320ft-speed", help="Such as 162km/h or 100.7mph.")] = None,
    anyway: Annotated[bool, typer.Option("--anyway", help="Keep speeds that do not fit the times.")] = False,
    car: CarName = None,
    at: When = None,
    note: NoteText = "",
    logbook: BookFile = None,
) -> None:
    """Add a time slip: two to eight of its numbers. Order, and speeds against times, are checked.

    Without any number on a terminal it asks for each.
    """
    from pullwatch.logbook.commands import ask_slip, done

    times = {"60 ft": s_60ft, "330 ft": s_330ft, "660 ft": s_660ft, "1000 ft": s_1000ft, "1320 ft": s_1320ft}
    speeds = {"660 ft": speed_660ft, "1320 ft": speed_1320ft}
    with _book(logbook) as book:

        def add() -> str:
            slip = ask_slip(book, reaction, times, speeds)
            return book.add_slip(
                car, slip.times, slip.speeds, reaction=slip.reaction, at=_at(at), note=note, anyway=anyway
            )

        done(add, refuse)


@add_app.command(name="weather")
def add_weather(
    temperature: Annotated[float | None, typer.Option(help="°C")] = None,
    humidity: Annotated[float | None, typer.Option(help="% relative")] = None,
    pressure: Annotated[float | None, typer.Option(help="hPa; say which with --kind.")] = None,
    kind: Annotated[str, typer.Option(help="Of the pressure: 'station' or 'sea level'.")] = "",
    altitude: Annotated[float | None, typer.Option(help="m above sea level")] = None,
    wind: Annotated[str, typer.Option(help="In your words.")] = "",
    car: CarName = None,
    at: When = None,
    note: NoteText = "",
    logbook: BookFile = None,
) -> None:
    """Note the air."""
    from pullwatch.logbook.commands import done

    with _book(logbook) as book:
        done(
            lambda: book.add_weather(
                car, temperature=temperature, humidity=humidity, pressure=pressure, kind=kind, altitude=altitude,
                wind=wind, at=_at(at), note=note,
            ),
            refuse,
        )  # fmt: skip


@add_app.command(name="oil")
def add_oil(
    figures: Annotated[
        list[str], typer.Argument(metavar="NAME=VALUE...", help="As on the sheet: iron=18ppm fuel=1.2%")
    ],
    oil: Annotated[str, typer.Option(help="Which oil it was.")] = "",
    distance_km: Annotated[float | None, typer.Option(help="How far it had run.")] = None,
    car: CarName = None,
    at: When = None,
    note: NoteText = "",
    logbook: BookFile = None,
) -> None:
    """Add a laboratory's figures of an oil sample."""
    from pullwatch.logbook.commands import done, read_figures

    with _book(logbook) as book:
        done(
            lambda: book.add_oil(
                car, read_figures(book, figures), oil=oil, distance_km=distance_km, at=_at(at), note=note
            ),
            refuse,
        )


@add_app.command(name="note")
def add_note(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="In your words.")] = "",
    photo: Annotated[str, typer.Option(metavar="FILE", help="A photo, by its path; it stays where it is.")] = "",
    session: Annotated[str, typer.Option(help="Of which session.")] = "",
    run: Annotated[int, typer.Option(min=0, help="Of which of its runs.")] = 0,
    car: CarName = None,
    at: When = None,
    logbook: BookFile = None,
) -> None:
    """Add a note, or a photo by its path."""
    from pullwatch.logbook.commands import done

    with _book(logbook) as book:
        done(lambda: book.add_note(car, text, photo=photo, session=session, run=run, at=_at(at)), refuse)


@logbook_app.command(name="pick")
def pick_list(car: CarName = None, logbook: BookFile = None) -> None:
    """Print the pick list: what can be changed, its last value, and the values a step away."""
    from pullwatch.errors import LogbookError
    from pullwatch.logbook.commands import pick_lines

    with _book(logbook) as book:
        try:
            print("\n".join(pick_lines(book, car)))
        except LogbookError as error:
            refuse(str(error))


@logbook_app.command(name="list")
def list_rows(
    kind: Annotated[
        str | None, typer.Argument(metavar="[KIND]", help="car, change, slip, weather, oil, note, …")
    ] = None,
    car: CarName = None,
    struck: Annotated[bool, typer.Option("--struck", help="Those struck out too.")] = False,
    logbook: BookFile = None,
) -> None:
    """List what was written down, the newest last."""
    from pullwatch.errors import LogbookError
    from pullwatch.logbook.commands import row_lines

    with _book(logbook) as book:
        try:
            print("\n".join(row_lines(book, kind, car, struck=struck)))
        except LogbookError as error:
            refuse(str(error))


@logbook_app.command()
def show(car: CarName = None, at: When = None, logbook: BookFile = None) -> None:
    """Show how a car stands: the last value of everything that was ever changed."""
    from pullwatch.errors import LogbookError
    from pullwatch.logbook.commands import state_lines

    with _book(logbook) as book:
        try:
            print("\n".join(state_lines(book, car, _at(at))))
        except LogbookError as error:
            refuse(str(error))


@logbook_app.command()
def strike(
    row: Annotated[str, typer.Argument(metavar="ROW", help="Its name as `logbook list` shows it.")],
    why: Annotated[str, typer.Argument(metavar="WHY", help="Why it does not count.")],
    logbook: BookFile = None,
) -> None:
    """Strike a row out. It stays in the file, with the reason; nothing is ever removed."""
    from pullwatch.logbook.commands import done

    with _book(logbook) as book:
        done(lambda: book.strike(row, why), refuse, "struck out")


@logbook_app.command()
def correct(
    session: SessionName,
    run: Annotated[int, typer.Argument(min=1, metavar="RUN", help="Its number in the review.")],
    what: Annotated[str, typer.Argument(metavar="WHAT", help="class, ended, gears, begin, end, or 'no run'.")],
    value: Annotated[str, typer.Argument(metavar="[VALUE]", help="What it is.")] = "",
    sessions: Root = None,
    note: NoteText = "",
    logbook: BookFile = None,
) -> None:
    """Correct what the review says of a run. What was found stays; the correction comes on top."""
    from pullwatch.errors import PullwatchError
    from pullwatch.reviewing.printing import correct_run

    with _book(logbook) as book:
        try:
            print(correct_run(book, find_session(session, sessions), run, what, value, note))
        except PullwatchError as error:
            refuse(str(error))


@logbook_app.command()
def pair(
    session: Annotated[list[str], typer.Argument(metavar="SESSION...", help="In which the passes were.")],
    slip: Annotated[str | None, typer.Option(help="This slip only, with --run.")] = None,
    run: Annotated[int | None, typer.Option(min=1, help="The run it belongs to.")] = None,
    sessions: Root = None,
    logbook: BookFile = None,
) -> None:
    """Match time slips to the passes they belong to, by time of day and length; never by a guess."""
    from pullwatch.errors import PullwatchError
    from pullwatch.reviewing.printing import pair_slips

    with _book(logbook) as book:
        try:
            folders = [find_session(name, sessions) for name in session]
            print("\n".join(pair_slips(book, folders, slip, run)))
        except PullwatchError as error:
            refuse(str(error))


@logbook_app.command()
def between(
    one: Annotated[str, typer.Argument(metavar="SESSION:RUN", help="The earlier run, such as last:1.")],
    two: Annotated[str, typer.Argument(metavar="SESSION:RUN", help="The later run, such as last:2.")],
    sessions: Root = None,
    logbook: BookFile = None,
) -> None:
    """Say what changed between two runs, beside what it did. Two changes at once are marked not separable."""
    from pullwatch.errors import PullwatchError
    from pullwatch.reviewing.printing import between_lines, named_run

    try:
        sides = [(find_session(name, sessions), run) for name, run in map(named_run, (one, two))]
        print("\n".join(between_lines(sides[0], sides[1], logbook)))
    except PullwatchError as error:
        refuse(str(error))


@logbook_app.command()
def export(
    into: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the CSV files go, one a kind.")],
    logbook: BookFile = None,
) -> None:
    """Write the whole logbook as CSV files, struck rows too."""
    from pullwatch.errors import LogbookError
    from pullwatch.logbook.exchanging import export as write

    with _book(logbook) as book:
        try:
            written = write(book, into)
        except LogbookError as error:
            refuse(str(error))
    print("\n".join(str(path) for path in written) if written else "The logbook is empty: nothing was written.")


@logbook_app.command(name="import")
def import_rows(
    source: Annotated[
        Path, typer.Argument(metavar="FILE|FOLDER", help="A CSV file named after its kind, or a folder.")
    ],
    logbook: BookFile = None,
) -> None:
    """Read CSV files into the logbook: all of it or, if anything is wrong, nothing."""
    import time

    from pullwatch.errors import LogbookError
    from pullwatch.logbook.exchanging import read_in

    with _book(logbook) as book:
        try:
            print(read_in(book, source, time.time_ns()).line())
        except LogbookError as error:
            refuse(str(error))
