"""What the commands print of reviews, and what they write into the logbook about runs."""

from __future__ import annotations

import os
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

from pullwatch.annunciators.console import session_time
from pullwatch.errors import LogbookError, SessionError, nearest
from pullwatch.recording.reader import Session
from pullwatch.replaying import plan_of
from pullwatch.review.runs import runs
from pullwatch.reviewing.answers import ANSWERS
from pullwatch.reviewing.between import Side, between
from pullwatch.reviewing.facts import facts
from pullwatch.reviewing.follow import EVERY_S, NICE, follow
from pullwatch.reviewing.gather import gather
from pullwatch.reviewing.matching import match
from pullwatch.reviewing.progress import Progress
from pullwatch.reviewing.reading import given_of, review, reviewed
from pullwatch.reviewing.report import write
from pullwatch.reviewing.telling import as_json as json_text
from pullwatch.reviewing.telling import card_lines, told

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pullwatch.logbook import Logbook


def print_cards(folder: Path, logbook: Path | None, last: int | None) -> None:
    """Print the cards of a session, or its last ones. Raises SessionError, LogbookError."""
    (one,) = review([folder], logbook)
    if one.runs.why_not:
        print(f"cannot tell: {one.runs.why_not}")
    elif not one.cards:
        print("No run was found yet." if one.table.live else "No run was found.")
    for card in one.cards[-last:] if last else one.cards:
        print("\n".join(card_lines(card, at=session_time(card.run.begin))))


def follow_cards(folder: Path, logbook: Path | None) -> None:
    """Print each card of a session as it is recorded, until it ends. Raises SessionError, LogbookError."""
    with suppress(OSError, AttributeError):
        os.nice(NICE)
    car = str(Session(folder).start.get("car", ""))
    with suppress(KeyboardInterrupt):
        follow(
            folder,
            lambda text: print(text, flush=True),
            lambda: time.sleep(EVERY_S),
            given_of(logbook, car).corrections,
        )


def print_review(
    folders: Sequence[Path],
    logbook: Path | None,
    chosen: Sequence[str],
    last: int | None,
    *,
    as_json: bool,
    duty: float | None = None,
    html: Path | None = None,
    private: bool = False,
) -> None:
    """Print the review of sessions, or write it to `html`. Raises SessionError, LogbookError."""
    known = ["card", *ANSWERS]
    for name in chosen:
        if name not in known:
            raise SessionError(
                "--answer", f'"{name}" is no answer{nearest(name, known)}.', f"There are {', '.join(known)}."
            )
    progress = Progress(lines=not as_json)
    try:
        sessions = review(folders, logbook, duty, progress)
        if not as_json and html is None:
            told_ = [list(told(one, chosen, last, progress.stage)) for one in sessions]
        else:
            plans = {folder.name: plan_of(Session(folder)) for folder in folders}
            found = [
                facts(one, chosen, last, plans.get(one.table.session), private=private, say=progress.stage)
                for one in sessions
            ]
    finally:
        progress.close()
    if html is not None:
        write(found, html)
        print(html, file=sys.stderr if as_json else sys.stdout)
    if as_json:
        print(json_text(found))
    elif html is None:
        print("\n\n".join("\n".join(lines) for lines in told_))


def named_run(text: str) -> tuple[str, int]:
    """Return session and run number of `SESSION:RUN`. Raises SessionError."""
    session, _, run = text.rpartition(":")
    if not session or not run.isdigit() or not int(run):
        raise SessionError(text, "names no run.", "Write SESSION:RUN, such as last:2.")
    return session, int(run)


def between_lines(one: tuple[Path, int], two: tuple[Path, int], logbook: Path | None) -> list[str]:
    """Say what lies between two runs, the earlier one first. Raises SessionError, LogbookError."""
    folders = list(dict.fromkeys((one[0], two[0])))
    by_folder = {}
    for folder in folders:
        (by_folder[folder],) = review([folder], logbook)
    sides = []
    for folder, number in (one, two):
        session = by_folder[folder]
        found = [card for card in session.cards if card.run.number == number]
        if not found:
            numbers = ", ".join(str(card.run.number) for card in session.cards) or "none"
            raise SessionError(session.table.session, f"has no run {number}; it has {numbers}.")
        sides.append(Side(session, found[0]))
    sides.sort(key=lambda side: ((side.reviewed.table.wall or 0) + side.card.run.begin, side.card.run.number))
    return between(sides[0], sides[1]).lines()


def correct_run(book: Logbook, folder: Path, number: int, what: str, value: str, note: str) -> str:
    """Write down what the owner says of a run, and say how it stands then. Raises SessionError, LogbookError."""
    table = gather(Session(folder))
    car = book.car(table.car.name)
    found = runs(table)  # as it was found: a correction is tied to that, whatever was corrected before
    run = next((one for one in found.runs if one.number == number), None)
    if run is None:
        raise SessionError(table.session, f"has no run {number}.", found.why_not)
    book.add_correction(car, table.session, (run.begin + run.end) // 2, what, value, note=note)
    after = runs(table, book.given(car).corrections)
    told_ = [one.line() for one in after.runs if one.number == number]
    return told_[0] if told_ else f"run {number} is left out: the owner says it is none"


def pair_slips(book: Logbook, folders: Sequence[Path], slip: str | None, run: int | None) -> list[str]:
    """Match the slips that have no run yet with the passes of sessions, or one slip with the run named."""
    if (slip is None) != (run is None):
        raise LogbookError(book.path, "--slip and --run go together.")
    if slip is not None and run is not None:
        if len(folders) != 1:
            raise LogbookError(book.path, "with --slip and --run name one session.")
        (one,) = review(folders, book.path)
        if run not in [each.number for each in one.runs.runs]:
            raise SessionError(one.table.session, f"has no run {run}.")
        book.pair_slip(slip, folders[0].name, run)
        return [f"slip {slip[:8]}: run {run} of {folders[0].name}"]
    told_: list[str] = []
    sessions = [reviewed(gather(Session(folder))) for folder in folders]
    for car in dict.fromkeys(one.table.car.name for one in sessions):
        given = book.given(book.car(car))
        for found in match(given.slips, [one for one in sessions if one.table.car.name == car]):
            if not found.why_not:
                book.pair_slip(found.slip.uid, found.session, found.run)
            told_.append(found.line())
    return told_ or ["No slip waits for its run."]
