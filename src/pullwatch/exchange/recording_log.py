"""A log becomes a session: which file it was, whether it was taken in before, its rows as records, in whole steps.

An import is written in a hidden folder and put beside the other sessions when it is whole, so that nobody takes one
that is under way for anything. What marks it for good is `imported` in its start record: a session that was watched
never has it.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.batch import Kind, Record
from pullwatch.recording.session import new_folder, parts_in, read_start

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

UNDER_WAY: Final = ".importing"
"""Folder in the sessions folder in which an import stands until it is whole."""
STEP_NS: Final = 10_000_000_000
STEP_BYTES: Final = 2 * 1024 * 1024
"""Most of one step of the path: what a reader takes at a time."""
IMPORTED: Final = "imported"
"""Key of the start record."""


def sha256_of(path: Path, progress: Callable[[float], None] | None = None) -> str:
    """Return the SHA-256 of a file's bytes (hexadecimal). Raises OSError."""
    digest = hashlib.sha256()
    size = max(path.stat().st_size, 1)
    with path.open("rb") as file:
        while piece := file.read(4 * 1024 * 1024):
            digest.update(piece)
            if progress is not None:
                progress(min(file.tell() / size, 1.0))
    return digest.hexdigest()


def imported_before(root: Path, sha256: str) -> list[tuple[Path, dict[str, Any]]]:
    """Return (folder, start record) of the sessions imported from a file with these bytes, the last imported last."""
    found = []
    folders = sorted(folder for folder in root.iterdir() if folder.is_dir()) if root.is_dir() else []
    for folder in folders:
        for _, part in parts_in(folder)[:1]:
            begun = read_start(part)
            about = begun[1].get(IMPORTED) if begun is not None else None
            if begun is not None and isinstance(about, dict) and about.get("sha256") == sha256:
                found.append((folder, begun[1]))
    return sorted(found, key=lambda one: int(one[1][IMPORTED].get("at", 0)))


def records_of(rows: NDArray[np.float64], t: NDArray[np.int64], feed: int) -> list[Record]:
    """Return a record for each row (n, columns): float64, little-endian, NaN for no sample."""
    size = 8 * rows.shape[1]
    data = np.ascontiguousarray(rows, dtype="<f8").tobytes()
    cut = range(0, len(data), size)
    return [Record(at, feed, Kind.DATA, data[begin : begin + size]) for at, begin in zip(t.tolist(), cut, strict=True)]


def steps(records: Sequence[Record]) -> Iterator[Sequence[Record]]:
    """Cut records into steps that are neither long nor large. Borders mean nothing."""
    begin, size = 0, 0
    for at, record in enumerate(records):
        size += len(record.data)
        if at > begin and (record.t - records[begin].t > STEP_NS or size > STEP_BYTES):
            yield records[begin:at]
            begin, size = at, len(record.data)
    if begin < len(records):
        yield records[begin:]


@contextmanager
def under_way(root: Path) -> Iterator[Path]:
    """Give the hidden folder of `root` in which an import is written; it is taken away if nothing stands in it."""
    hidden = root / UNDER_WAY
    try:
        yield hidden
    finally:
        with suppress(OSError):
            hidden.rmdir()


def put_beside(folder: Path, root: Path, car: str, wall: int) -> Path:
    """Put a whole session beside those in `root`, and return where it stands. Raises SessionError or OSError."""
    final = new_folder(root, car, wall)
    final.rmdir()
    os.rename(folder, final)  # noqa: PTH104 - the one call that is whole or not at all
    return final
