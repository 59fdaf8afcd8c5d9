"""The second copy: a session on another medium, byte for byte, while it is recorded and once it has ended.

Recordings only grow, so what was added is what is copied, each time synced. Once the session has ended both are read
again and compared; only then is the copy noted as one. A medium that is not there, full or broken is told and tried
again; the session itself is never touched.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from typing import TYPE_CHECKING, Final

from pullwatch.errors import SessionError
from pullwatch.keeping.intact import seal_of
from pullwatch.keeping.shelf import COPIES, note_copy
from pullwatch.recording.packing import is_unpacked
from pullwatch.recording.reader import Session
from pullwatch.recording.session import PART_NAME, held, parts_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

EVERY_S: Final = 1.0
AT_ONCE: Final = 4 * 1024 * 1024


def sources(folder: Path) -> Iterator[Path]:
    """Yield the files of a session that a copy holds: parts (those in memory too), packed ones, and what is beside."""
    for _, path in parts_of(folder).files:
        if path.parent != folder and not is_unpacked(path):
            yield path
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.name != COPIES and not path.name.endswith((".arriving", ".packing")):
            yield path


def bring_over(folder: Path, target: Path) -> int:
    """Copy what was added since the last time; return how many bytes. Raises SessionError if the medium refuses.

    A file at the target that is longer than ours, or not a beginning of it, is begun anew.
    """
    moved = 0
    try:
        target.mkdir(parents=True, exist_ok=True)
        for source in sources(folder):
            with contextlib.suppress(FileNotFoundError):  # brought home from memory meanwhile: met again under its name
                moved += _grown(source, target / source.name)
    except OSError as error:
        what = f"cannot be copied to {target}: {error.strerror or error}."
        raise SessionError(folder, what, "It is tried again.") from error
    return moved


def _grown(source: Path, target: Path) -> int:
    """Copy what a file has more than its copy, or all of it; return how many bytes."""
    have = target.stat().st_size if target.exists() else 0
    size = source.stat().st_size
    if PART_NAME.fullmatch(source.name) is None:  # it does not grow by being added to
        if have == size and _same(source, target):
            return 0
        have = 0
    elif have == size:
        return 0
    elif have > size:
        have = 0
    moved = 0
    with source.open("rb") as reading, target.open("r+b" if have else "wb") as writing:
        reading.seek(have)
        writing.seek(have)
        while piece := reading.read(AT_ONCE):
            writing.write(piece)
            moved += len(piece)
        writing.truncate()
        writing.flush()
        os.fsync(writing.fileno())
    return moved


def _same(source: Path, target: Path) -> bool:
    try:
        with source.open("rb") as a, target.open("rb") as b:
            return hashlib.file_digest(a, "sha256").digest() == hashlib.file_digest(b, "sha256").digest()
    except OSError:
        return False


def finish(folder: Path, target: Path) -> str:
    """Copy the rest of a session that has ended, compare every byte, note the copy; return its seal.

    Raises SessionError if the two are not the same: what differs at the target is taken away and copied anew next time.
    """
    bring_over(folder, target)
    for source in sources(folder):
        if not _same(source, target / source.name):
            (target / source.name).unlink(missing_ok=True)
            raise SessionError(folder, f"{source.name} at {target} is not what was copied.", "It is copied again.")
    seal = seal_of(Session(folder))
    note_copy(folder, target, seal)
    return seal


def keep_copied(
    folder: Path,
    target: Path,
    *,
    tell: Callable[[str], None],
    wait: Callable[[float], None] = time.sleep,
    over: Callable[[], bool] = lambda: False,
) -> bool:
    """Copy a session until it has ended and is copied whole; return whether it is. `over` ends it early."""
    trouble = ""
    while True:
        ended = not held(folder)
        try:
            if ended:
                seal = finish(folder, target)
                tell(f"copied whole to {target}, seal {seal}")
                return True
            bring_over(folder, target)
        except SessionError as error:
            if str(error) != trouble:
                tell(str(error))
            trouble = str(error)
            if ended and over():
                return False
        else:
            if trouble:
                tell(f"copying to {target} goes on")
            trouble = ""
        if over():
            return False
        wait(EVERY_S)
