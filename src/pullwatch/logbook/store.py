"""The logbook's file: opening, migrating, adding and striking rows. All of SQLite is here."""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from pullwatch.errors import LogbookError
from pullwatch.logbook.tables import KINDS, MIGRATIONS, columns

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

Row: TypeAlias = "dict[str, Any]"
BUSY_S: Final = 5.0
"""How long another program that writes is waited for."""
OURS: Final = 0x70756C6C
"""What the file says of itself (`application_id`): "pull"."""


class Store:
    """An open logbook file; it is made if it is not there. Raises LogbookError for one that cannot be used."""

    def __init__(self, path: Path, migrations: Sequence[str] = MIGRATIONS) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        except (OSError, sqlite3.Error) as error:
            raise LogbookError(path, f"cannot be opened: {error}.", "Name another file with --logbook.") from error
        try:
            self._file.row_factory = sqlite3.Row
            self._file.execute("PRAGMA synchronous = FULL")  # one file, no journal beside it once it is closed
            self._prepare(migrations)
        except sqlite3.DatabaseError as error:
            self._file.close()
            raise LogbookError(path, f"is no logbook: {error}.", "Name another file with --logbook.") from error
        except LogbookError:
            self._file.close()
            raise

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _prepare(self, migrations: Sequence[str]) -> None:
        version = self._file.execute("PRAGMA user_version").fetchone()[0]
        ours = self._file.execute("PRAGMA application_id").fetchone()[0]
        tables = self._file.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables and ours != OURS:
            raise LogbookError(self.path, "is a database of something else.", "Name another file with --logbook.")
        if version > len(migrations):
            what = f"is of version {version}, this pullwatch knows {len(migrations)}."
            raise LogbookError(self.path, what, "Use the newer pullwatch; the file was not touched.")
        if version == len(migrations):
            return
        if version:
            self._copy_aside(version)
        with self.together():
            # Another program may have done it while this one waited for the file.
            version = self._file.execute("PRAGMA user_version").fetchone()[0]
            for script in migrations[version:]:
                for statement in _statements(script):
                    self._file.execute(statement)
            self._file.execute(f"PRAGMA user_version = {len(migrations)}")
            self._file.execute(f"PRAGMA application_id = {OURS}")

    def _copy_aside(self, version: int) -> None:
        """Keep the file as it was before it is brought to a newer version."""
        copy = self.path.with_name(f"{self.path.name}.version-{version}")
        if not copy.exists():
            with closing(sqlite3.connect(copy)) as kept:
                self._file.backup(kept)

    @contextmanager
    def together(self) -> Iterator[None]:
        """Do all that is done within, or nothing of it. Raises LogbookError if the file does not take it."""
        if self._file.in_transaction:
            yield
            return
        try:
            self._file.execute("BEGIN IMMEDIATE")
        except sqlite3.Error as error:
            raise LogbookError(self.path, f"cannot be written: {error}.", "Another program may be writing.") from error
        try:
            yield
            self._file.execute("COMMIT")
        except sqlite3.Error as error:
            self._file.execute("ROLLBACK")
            raise LogbookError(self.path, f"did not take it: {error}.") from error
        except BaseException:
            self._file.execute("ROLLBACK")
            raise

    def add(self, kind: str, row: Mapping[str, Any]) -> None:
        """Add a row; it names all that is not empty."""
        names = [name for name in columns(kind) if row.get(name) is not None]
        marks = ", ".join("?" * len(names))
        with self.together():
            self._file.execute(
                f"INSERT INTO {kind} ({', '.join(names)}) VALUES ({marks})",  # noqa: S608 - names are ours
                [row[name] for name in names],
            )

    def strike(self, kind: str, uid: str, when: int, why: str) -> None:
        """Strike a row out: it stays, with the time and the reason."""
        with self.together():
            self._file.execute(
                f"UPDATE {kind} SET struck = ?, struck_why = ? WHERE uid = ?",  # noqa: S608 - the name is ours
                (when, why, uid),
            )

    def rows(self, kind: str, car: str | None = None, *, struck: bool = False) -> list[Row]:
        """Return the rows of a kind in order of time, those struck out only if asked for."""
        where, given = [], []
        if car is not None:
            where.append("car = ?")
            given.append(car)
        if not struck:
            where.append("struck IS NULL")
        clause = f" WHERE {' AND '.join(where)}" if where else ""
        found = self._file.execute(f"SELECT * FROM {kind}{clause} ORDER BY at, written, rowid", given)  # noqa: S608
        return [dict(row) for row in found]

    def find(self, uid: str) -> tuple[str, Row] | None:
        """Return the kind and the row of a uid, or of the only row whose uid begins so."""
        found: list[tuple[str, Row]] = []
        for kind in KINDS:
            query = f"SELECT * FROM {kind} WHERE substr(uid, 1, ?) = ?"  # noqa: S608 - the name is ours
            found += [(kind, dict(row)) for row in self._file.execute(query, (len(uid), uid))]
        whole = [one for one in found if one[1]["uid"] == uid]
        if whole:
            return whole[0]
        return found[0] if len(found) == 1 and len(uid) >= 4 else None


def _statements(script: str) -> Iterator[str]:
    """Yield the statements of a script: `executescript` would end the transaction they belong to."""
    statement = ""
    for part in script.split(";"):
        statement += part + ";"
        if sqlite3.complete_statement(statement):
            if statement.strip(" \n;"):
                yield statement
            statement = ""
