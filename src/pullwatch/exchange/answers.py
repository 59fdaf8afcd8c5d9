"""What a person said of the columns of a log: on the command line, in a file, when asked, or of such a file before.

Answers are remembered for files with the same heading (names and units of all columns), in the user's data folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import platformdirs

from pullwatch.exchange.column_words import Answer, WrongAnswer, read_answer

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from pullwatch.exchange.columnar import Columnar

VERSION: Final = 1


@dataclass(slots=True)
class Said:
    """Answers by the name of a column; `time` is {column: unit} of the time column."""

    columns: dict[str, Answer] = field(default_factory=dict)
    time: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.columns or self.time)


def read_said(texts: Sequence[str], file: Path | None = None) -> Said:
    """Read COLUMN=channel[unit] of the command line, and a TOML file of them. Raises WrongAnswer with every fault."""
    found: dict[str, object] = {}
    if file is not None:
        try:
            found |= tomllib.loads(file.read_text(encoding="utf-8-sig"))
        except OSError as error:
            raise WrongAnswer(f"{file} cannot be read: {error.strerror or error}.") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise WrongAnswer(f'{file} is no TOML: {error}. Write "COLUMN" = "channel[unit]", one a line.') from error
    problems = []
    for text in texts:
        name, equals, rest = text.rpartition("=")
        if not equals or not name.strip():
            problems.append(f'--set "{text}": write COLUMN=channel[unit], as in --set "MAP=manifold_pressure[kPa]".')
            continue
        found[name.strip()] = rest
    said = Said()
    for name, value in found.items():
        if not isinstance(value, str):
            problems.append(f'{name}: {value!r} is not in quotes. Write "{name}" = "channel[unit]".')
            continue
        try:
            answer = read_answer(value)
        except WrongAnswer as error:
            problems.append(f"{name}: {error}")
            continue
        if answer.channel == "time":
            said.time = {name: answer.unit}
        else:
            said.columns[name] = answer
    if problems:
        count = "1 answer" if len(problems) == 1 else f"{len(problems)} answers"
        raise WrongAnswer(f"{count} cannot be used.\n" + "\n".join(f"  {one}" for one in problems))
    return said


def default_memory() -> Path:
    """Return the folder in which answers are remembered."""
    return platformdirs.user_data_path("pullwatch") / "imports"


@dataclass(frozen=True, slots=True)
class Memory:
    """The remembered answers, one file for each heading."""

    folder: Path

    def _file(self, source: Columnar) -> Path | None:
        if not source.origin.get("named", True):
            return None  # columns without names are alike in every file
        heading = json.dumps([list(source.names), list(source.units)], ensure_ascii=False)
        return self.folder / f"{hashlib.sha256(heading.encode()).hexdigest()[:32]}.json"

    def recall(self, source: Columnar) -> dict[str, Answer]:
        """Return what was said of files with this heading, nothing if nothing was or it cannot be read."""
        file = self._file(source)
        if file is None:
            return {}
        try:
            kept = json.loads(file.read_text(encoding="utf-8"))
            if kept["version"] != VERSION:
                return {}
            return {str(name): read_answer(text) for name, text in kept["columns"].items() if name in source.names}
        except (OSError, ValueError, KeyError, TypeError, AttributeError, WrongAnswer):
            return {}  # it is asked again: a damaged memory must not decide what a column is

    def keep(self, source: Columnar, answers: Mapping[str, Answer]) -> None:
        """Remember answers, whole or not at all. Raises OSError if the folder does not take them."""
        file = self._file(source)
        if file is None:
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        kept = {"version": VERSION, "columns": {name: str(answer) for name, answer in answers.items()}}
        part = file.with_suffix(f".{os.getpid()}.part")
        part.write_text(json.dumps(kept, ensure_ascii=False, indent=1), encoding="utf-8")
        part.replace(file)
