"""Writing a setup file: whole or not at all, never over another one unasked, and only what loads."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from pullwatch.errors import PullwatchError, SetupError
from pullwatch.setup import load

if TYPE_CHECKING:
    from pathlib import Path


def write_new(path: Path, text: str) -> None:
    """Write `text` to `path` if it loads as a setup and the file is not there. Raises PullwatchError in words."""
    part = _beside(path, text)
    try:
        load(part)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise PullwatchError(f"{path} is there already and is not overwritten. Name another file.") from None
    except OSError as error:
        raise PullwatchError(f"{path} cannot be written: {error.strerror or error}.") from error
    except SetupError as error:
        raise PullwatchError(f"{path} is not written: what would stand in it does not load.\n{error}") from error
    finally:
        part.unlink(missing_ok=True)


def replace_whole(path: Path, text: str) -> None:
    """Put `text` in the place of the setup at `path` if it loads; else the file stays as it was.

    Raises PullwatchError in words.
    """
    part = _beside(path, text)
    try:
        load(part)
        part.chmod(path.stat().st_mode & 0o777)
        os.replace(part, path)  # noqa: PTH105 - the one call that is whole or not at all
    except SetupError as error:
        raise PullwatchError(f"{path} stays as it was: what would stand in it does not load.\n{error}") from error
    except OSError as error:
        raise PullwatchError(f"{path} cannot be written: {error.strerror or error}.") from error
    finally:
        part.unlink(missing_ok=True)


def _beside(path: Path, text: str) -> Path:
    """Write a file beside `path`, so that what it names by relative paths is found. Raises PullwatchError."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
    except OSError as error:
        raise PullwatchError(f"{path} cannot be written: {error.strerror or error}.") from error
    return part
