"""Sessions reviewed: read, gathered, runs found, cards made; what the owner wrote down is brought along."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pullwatch.recording.reader import Session
from pullwatch.review.answer import Reviewed
from pullwatch.review.card import Card, card
from pullwatch.review.given import NOTHING
from pullwatch.review.runs import runs
from pullwatch.reviewing.gather import gather

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pullwatch.review.given import Given
    from pullwatch.review.table import Table
    from pullwatch.reviewing.progress import Progress


def given_of(logbook: Path | None, car: str) -> Given:
    """Return what the logbook holds of a car; nothing if there is no such file or car. Raises LogbookError.

    A logbook that was named and is not there yet is no error: there may be one tomorrow (`missing` says so).
    """
    # Only here: whoever reviews without a logbook needs no database.
    from pullwatch.logbook import Logbook, default_file  # noqa: PLC0415 - see above

    file = logbook if logbook is not None else default_file()
    if not file.exists():
        return NOTHING
    with Logbook(file) as book:
        return book.given(car)


def missing(logbook: Path | None) -> tuple[str, ...]:
    """Say that a logbook that was named is not there; empty if it is, or none was named."""
    return () if logbook is None or logbook.exists() else (f"there is no logbook {logbook} yet: nothing of it is used",)


def reviewed(
    table: Table, given: Given = NOTHING, before: Sequence[Reviewed] = (), duty: float | None = None
) -> Reviewed:
    """Return a table reviewed: its runs with the owner's corrections, and the card of each. `duty`: asked about, %."""
    found = runs(table, given.corrections)
    cards: list[Card] = []
    for run in found.runs:
        cards.append(card(table, run, cards))
    return Reviewed(table, found, tuple(cards), given, tuple(before), duty)


def review(
    folders: Sequence[Path], logbook: Path | None = None, duty: float | None = None, progress: Progress | None = None
) -> list[Reviewed]:
    """Read and review sessions in order of time; each is given those before it. Raises SessionError, LogbookError."""
    tables = []
    for folder in folders:
        if progress is not None:
            progress.session = folder.name
        tables.append(gather(Session(folder), None if progress is None else progress.read))
    tables.sort(key=lambda table: (table.wall is None, table.wall or 0, table.session))
    done: list[Reviewed] = []
    for read in tables:
        table = replace(read, notes=(*read.notes, *missing(logbook)))
        if progress is not None:
            progress.stage(f"finding runs: {table.session}")
        done.append(reviewed(table, given_of(logbook, table.car.name), done, duty))
    return done
