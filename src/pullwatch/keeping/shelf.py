"""What stands beside the recordings: notes, protection, what was copied where; finding, and taking one away.

Everything is a small file in the session's folder, so that it travels with it: `notes.jsonl` (one note a line, never
changed), `protected` (why), `copies.jsonl` (what was copied where).
"""

from __future__ import annotations

import json
import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.clock import NS_PER_S
from pullwatch.errors import DamagedSession, NotASession, SessionError
from pullwatch.recording.reader import Session
from pullwatch.recording.session import held, list_sessions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.recording.session import SessionInfo

NOTES: Final = "notes.jsonl"
PROTECTED: Final = "protected"
COPIES: Final = "copies.jsonl"
TAKEN: Final = "taken-away"
"""Folder beside the sessions into which one goes that is taken away: nothing is deleted by a slip of the hand."""
LONGEST_NOTE: Final = 2_000


@dataclass(frozen=True, slots=True)
class Note:
    """A note on a session: when (ns since the Unix epoch), by whom, what."""

    wall: int
    who: str
    text: str


def _lines(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the good lines of a file of JSON lines; one that a power cut halved is passed over."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return
    for line in text.splitlines():
        try:
            said = json.loads(line)
        except ValueError:
            continue
        if isinstance(said, dict):
            yield said


def _append(path: Path, said: dict[str, Any]) -> None:
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(said, ensure_ascii=False) + "\n")
    except OSError as error:
        raise SessionError(path, f"cannot be written: {error.strerror}.") from error


def notes(folder: Path) -> list[Note]:
    """Return the notes on a session, oldest first."""
    return [
        Note(int(one.get("wall", 0)), str(one.get("who", "")), str(one.get("text", "")))
        for one in _lines(folder / NOTES)
    ]


def add_note(folder: Path, text: str, who: str) -> None:
    """Add a note. Raises SessionError if it is empty or too long, or cannot be written."""
    text = " ".join(text.split())
    if not 0 < len(text) <= LONGEST_NOTE:
        raise SessionError(folder, f"a note has 1 to {LONGEST_NOTE:,} characters; this one has {len(text):,}.")
    _append(folder / NOTES, {"wall": time.time_ns(), "who": who, "text": text})


def protection(folder: Path) -> str | None:
    """Return why a session is protected (perhaps an empty text), None if it is not."""
    try:
        return (folder / PROTECTED).read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return None


def protect(folder: Path, why: str) -> None:
    """Protect a session from being taken away. Raises SessionError if that cannot be written."""
    try:
        (folder / PROTECTED).write_text(f"{' '.join(why.split())}\n", encoding="utf-8")
    except OSError as error:
        raise SessionError(folder, f"cannot be protected: {error.strerror}.") from error


def unprotect(folder: Path) -> None:
    """Let a session be taken away again."""
    (folder / PROTECTED).unlink(missing_ok=True)


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy that was made: where it stands, when (ns since the Unix epoch), and the seal it had."""

    folder: Path
    wall: int
    seal: str

    @property
    def there(self) -> bool:
        """Whether it can be seen now: the medium may not be plugged in."""
        return self.folder.is_dir()


def copies(folder: Path) -> list[Copy]:
    """Return the copies that were made of a session, the newest of each place."""
    found: dict[Path, Copy] = {}
    for one in _lines(folder / COPIES):
        place = Path(str(one.get("folder", "")))
        found[place] = Copy(place, int(one.get("wall", 0)), str(one.get("seal", "")))
    return list(found.values())


def note_copy(folder: Path, copy: Path, seal: str) -> None:
    """Note that a whole copy was made, compared and found the same."""
    _append(folder / COPIES, {"folder": str(copy.resolve()), "wall": time.time_ns(), "seal": seal})


def place_words(folder: Path) -> str:
    """Return in words in how many places a session stands, as far as is known here."""
    made = copies(folder)
    if not made:
        return "in one place only"
    there = [str(one.folder.parent) for one in made if one.there]
    away = len(made) - len(there)
    parts = [f"copy in {', '.join(there)}"] if there else []
    parts += [f"{away} cop{'ies' if away > 1 else 'y'} not plugged in"] if away else []
    return ", ".join(parts)


def found(root: Path, text: str) -> list[tuple[SessionInfo, list[str]]]:
    """Return the sessions in which a text occurs, each with where: name, car, notes, marks, alarms. Case is nothing."""
    wanted = text.casefold()
    out = []
    for one in list_sessions(root):
        where = [f"name {one.folder.name}"] if wanted in one.folder.name.casefold() else []
        where += [f"car {one.car}"] if wanted in one.car.casefold() else []
        where += [f"note: {note.text}" for note in notes(one.folder) if wanted in note.text.casefold()]
        where += [said for said in _told(one.folder) if wanted in said.casefold()]
        if where:
            out.append((one, where))
    return out


def _told(folder: Path) -> Iterator[str]:
    """Yield the marks and notes made while watching, and the names of the rules that were raised."""
    try:
        session = Session(folder)
        for record in session.bulk(ACTS_FEED).records():
            if record.kind is Kind.ACT:
                said = json.loads(record.data)
                if said.get("text"):
                    yield f"{said.get('act')} at {record.t / NS_PER_S:.1f} s: {said['text']}"
        for name in dict.fromkeys(change.name for change in session.changes()):
            yield f"alarm: {name}"
    except (DamagedSession, NotASession, SessionError, ValueError):
        return


def take_away(folder: Path, root: Path, *, sure: bool) -> Path:
    """Move a session into the folder of what was taken away; return where it is now. Deleting is left to the owner.

    Raises SessionError if it is protected, being recorded, or stands in one place only and nobody said to be sure.
    """
    why = protection(folder)
    if why is not None:
        raise SessionError(folder, f"is protected{': ' + why if why else ''}.", "pullwatch unprotect lets it go.")
    if held(folder):
        raise SessionError(folder, "is being recorded.")
    if not sure and not any(copy.there for copy in copies(folder)):
        raise SessionError(folder, "stands in one place only, as far as is known.", "Copy it first, or say --sure.")
    place = root / TAKEN
    try:
        place.mkdir(exist_ok=True)
        target = place / folder.name
        shutil.move(folder, target)
    except OSError as error:
        raise SessionError(folder, f"cannot be moved to {place}: {error.strerror or error}.") from error
    return target
