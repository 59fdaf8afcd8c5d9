"""The list of lean and rich cells as a CSV file: `pullwatch review --csv FILE`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.errors import SessionError
from pullwatch.review.lean import study
from pullwatch.review.lean_answer import csv_text
from pullwatch.reviewing.reading import review

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def write_csv(folders: Sequence[Path], logbook: Path | None, file: Path) -> str:
    """Write the cells of the last of these sessions, the others counted with it, and say what was written.

    Nothing is written where nothing can be told. Raises SessionError, LogbookError.
    """
    last = review(folders, logbook)[-1]
    found = study(last)
    if found.why_not:
        raise SessionError(last.table.session, f"there is no list of cells: {found.why_not}")
    try:
        with file.open("w", encoding="utf-8", newline="") as out:
            out.write(csv_text(found))
    except OSError as error:
        raise SessionError(
            str(file), f"could not be written: {error.strerror}.", "Name a file in a folder of yours."
        ) from error
    cells = len(found.patches)
    return f"{file}: {cells} cell{'s' if cells != 1 else ''} of {len(found.runs)} runs, worst first"
