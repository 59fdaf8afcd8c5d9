"""The logbook as CSV: one file a kind, every column, struck rows too; and back.

A row keeps its uid, so what was exported and read in again, here or in another copy of the logbook, is the same row.
A file somebody made by hand needs no uid: each of its lines is a new row, checked as if it had been typed.
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import LogbookError, nearest
from pullwatch.logbook.logbook import SLIP_SPEEDS, SLIP_TIMES
from pullwatch.logbook.tables import COMMON, KINDS, columns
from pullwatch.logbook.times import exact, read_time

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pullwatch.logbook.logbook import Logbook

_TIMES: Final = frozenset({"at", "written", "struck"})
_KIND_OF: Final = {kind: {field.name: field.kind for field in (*COMMON, *fields)} for kind, fields in KINDS.items()}
_UID: Final = re.compile(r"[0-9a-f]{32}")


@dataclass(slots=True)
class Imported:
    """What an import did: rows added, rows that were there already, rows struck out as the file has them."""

    added: int = 0
    known: int = 0
    struck: int = 0

    def line(self) -> str:
        """Say it in one line."""
        return (
            f"{self.added} rows added, {self.known} were there already, {self.struck} struck out as the file has them"
        )


def export(logbook: Logbook, folder: Path) -> list[Path]:
    """Write one CSV file a kind that has rows, and return their paths. Raises LogbookError if it cannot be written."""
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for kind in KINDS:
            rows = logbook.rows(kind, struck=True)
            if not rows:
                continue
            path = folder / f"{kind}.csv"
            with path.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file)
                writer.writerow(columns(kind))
                for row in rows:
                    writer.writerow([_written(name, row[name]) for name in columns(kind)])
            written.append(path)
    except OSError as error:
        raise LogbookError(folder, f"cannot be written: {error.strerror or error}.") from error
    return written


def read_in(logbook: Logbook, source: Path, now: int) -> Imported:
    """Read one CSV file, or every one of a folder, into the logbook: all of it or, if anything is wrong, nothing.

    The file's name says the kind of its rows (`slip.csv`, `slip-2026.csv`). Raises LogbookError with file, line and
    what was expected.
    """
    files = sorted(source.glob("*.csv")) if source.is_dir() else [source]
    if not files:
        raise LogbookError(source, "holds no CSV file.", f"Expected are {', '.join(f'{kind}.csv' for kind in KINDS)}.")
    done = Imported()
    order = {kind: place for place, kind in enumerate(KINDS)}
    named = [(_kind_of(path), path) for path in files]
    with logbook.together():
        for kind, path in sorted(named, key=lambda one: order[one[0]]):  # cars before what is theirs
            _read_file(logbook, kind, path, now, done)
    return done


def _kind_of(path: Path) -> str:
    stem = re.split(r"[^a-z]", path.stem.lower())[0]
    if stem not in KINDS:
        raise LogbookError(
            path,
            f"of which kind are its rows?{nearest(stem, KINDS)}",
            f"Name it {', '.join(f'{k}.csv' for k in KINDS)}.",
        )
    return stem


def _read_file(logbook: Logbook, kind: str, path: Path, now: int, done: Imported) -> None:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            unknown = [name for name in reader.fieldnames or [] if name not in columns(kind)]
            if unknown:
                raise LogbookError(
                    f"{path}, line 1",
                    f'"{unknown[0]}" is no column of a {kind}{nearest(unknown[0], columns(kind))}.',
                    f"Columns are {', '.join(columns(kind))}.",
                )
            for said in reader:
                where = f"{path}, line {reader.line_num}"
                if None in said or any(value is None for value in said.values()):
                    raise LogbookError(
                        where, f"has not as many columns as the first line ({len(reader.fieldnames or [])})."
                    )
                row = {name: _read(kind, name, text, where, now) for name, text in said.items() if text.strip()}
                _take(logbook, kind, row, where, now, done)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LogbookError(path, f"cannot be read: {error}.") from error


def _written(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name in _TIMES:
        return exact(value)
    return repr(value) if isinstance(value, float) else str(value)


def _read(kind: str, name: str, text: str, where: str, now: int) -> Any:
    try:
        if name in _TIMES:
            return read_time(text, now)
        match _KIND_OF[kind][name]:
            case "REAL":
                return float(text)
            case "INTEGER":
                return int(text)
    except ValueError as error:
        raise LogbookError(where, f"{name}: {error}.") from error
    return text


def _take(logbook: Logbook, kind: str, row: dict[str, Any], where: str, now: int, done: Imported) -> None:
    uid = row.get("uid")
    if uid is None:
        try:
            _typed(logbook, kind, row)
        except (LogbookError, KeyError, TypeError) as error:
            what = error.what if isinstance(error, LogbookError) else f"{error} is missing."
            raise LogbookError(where, what) from error
        done.added += 1
        return
    if not _UID.fullmatch(uid):
        raise LogbookError(where, f'uid "{uid}" is none of ours.', "Leave the column empty for a new row.")
    there = logbook.find(uid)
    if there is None:
        missing = [field.name for field in (*COMMON, *KINDS[kind]) if field.must and field.name not in row]
        if missing:
            raise LogbookError(where, f"{missing[0]} is missing.")
        _check(kind, row, where, now)
        logbook.put(kind, row)
        done.added += 1
        return
    _, old = there
    differs = [
        name for name in columns(kind) if name not in ("struck", "struck_why") and old.get(name) != row.get(name)
    ]
    if there[0] != kind or differs:
        raise LogbookError(
            where,
            f"row {uid[:8]} is in the logbook with another {differs[0] if differs else 'kind'}.",
            "Rows are never altered: strike it out and add a new one.",
        )
    if row.get("struck") is not None and old["struck"] is None:
        logbook.put_struck(kind, uid, row["struck"], row.get("struck_why", ""))
        done.struck += 1
    else:
        done.known += 1


def _check(kind: str, row: Mapping[str, Any], where: str, now: int) -> None:
    """Refuse what no logbook of ours would have written."""
    if kind == "oil":
        try:
            figures = json.loads(row["figures"])
            fine = all(isinstance(value, int | float) and isinstance(unit, str) for value, unit in figures.values())
        except (ValueError, TypeError, AttributeError):
            fine = False
        if not fine:
            raise LogbookError(where, 'figures: expected like {"iron": [18, "ppm"]}.')
    for name in ("at", "written"):
        if not 0 <= row[name] <= now + 86_400_000_000_000:
            raise LogbookError(where, f"{name}: the time lies more than a day ahead.")


def _typed(logbook: Logbook, kind: str, row: Mapping[str, Any]) -> None:
    """Add a line without a uid as if it had been typed."""
    car, at, note = row.get("car"), row.get("at"), row.get("note", "")

    def span(first: str, last: str) -> tuple[float, float] | None:
        return (row[first], row[last]) if first in row or last in row else None

    match kind:
        case "car":
            logbook.add_car(row["car"], fuel=row.get("fuel", ""), mass_kg=row.get("mass_kg"), note=note)
        case "change":
            logbook.add_change(
                car, row["item"], row["value"], at=at, was=row.get("was"), note=note,
                speed=span("rpm_from", "rpm_to"), pressure=span("kpa_from", "kpa_to"),
            )  # fmt: skip
        case "slip":
            times = {point: row[name] for point, name in SLIP_TIMES.items() if name in row}
            speeds = {point: row[name] for point, name in SLIP_SPEEDS.items() if name in row}
            logbook.add_slip(car, times, speeds, reaction=row.get("reaction_s"), at=at, note=note)
        case "weather":
            logbook.add_weather(
                car, temperature=row.get("temperature_c"), humidity=row.get("humidity_pct"),
                pressure=row.get("pressure_hpa"), kind=row.get("pressure_kind", ""), altitude=row.get("altitude_m"),
                wind=row.get("wind", ""), note=note, at=at,
            )  # fmt: skip
        case "oil":
            try:
                figures = {name: (float(v), str(u)) for name, (v, u) in json.loads(row["figures"]).items()}
            except (ValueError, AttributeError) as error:
                raise LogbookError(logbook.path, 'figures: expected like {"iron": [18, "ppm"]}.') from error
            logbook.add_oil(car, figures, oil=row.get("oil", ""), distance_km=row.get("distance_km"), note=note, at=at)
        case "note":
            logbook.add_note(
                car, row.get("text", ""), session=row.get("session", ""), run=row.get("run", 0), at=at,
                photo=row.get("photo", ""),
            )  # fmt: skip
        case "pairing":
            logbook.pair_slip(row["slip"], row["session"], row["run"])
        case _:
            logbook.add_correction(car, row["session"], row["at_ns"], row["what"], row.get("value", ""), note=note)
