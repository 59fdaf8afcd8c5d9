"""The tables of the logbook's file, and how one version of it becomes the next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Field:
    """One column: its name, and whether it holds text, a real number or a whole one; `must`: never empty."""

    name: str
    kind: str = "TEXT"
    must: bool = False


def _text(name: str, *, must: bool = False) -> Field:
    return Field(name, "TEXT", must)


def _real(name: str) -> Field:
    return Field(name, "REAL")


def _whole(name: str) -> Field:
    return Field(name, "INTEGER")


_FIRST: Final[dict[str, tuple[Field, ...]]] = {
    "car": (_text("fuel"), _real("mass_kg"), _text("note")),
    "change": (
        _text("item", must=True), _text("was"), _text("value", must=True), _text("unit"), _real("rpm_from"),
        _real("rpm_to"), _real("kpa_from"), _real("kpa_to"), _text("note"),
    ),
    "weather": (
        _real("temperature_c"), _real("humidity_pct"), _real("pressure_hpa"), _text("pressure_kind"),
        _real("altitude_m"), _text("wind"), _text("note"),
    ),
    "slip": (
        _real("reaction_s"), _real("s_60ft"), _real("s_330ft"), _real("s_660ft"), _real("kmh_660ft"),
        _real("s_1000ft"), _real("s_1320ft"), _real("kmh_1320ft"), _text("note"),
    ),
    "pairing": (_text("slip", must=True), _text("session", must=True), _whole("run")),
    "oil": (_text("oil"), _real("distance_km"), _text("figures", must=True), _text("note")),
    "note": (_text("text", must=True), _text("photo"), _text("session"), _whole("run")),
    "correction": (
        _text("session", must=True), _whole("at_ns"), _text("what", must=True), _text("value"), _text("note"),
    ),
}  # fmt: skip
KINDS: Final = _FIRST
"""What a row of each kind holds, beside `COMMON`. A `car` row's name stands in `car`. A later version extends a copy:
what stands in `_FIRST` is in files already."""
COMMON: Final = (
    Field("uid", "TEXT", must=True), Field("car", "TEXT", must=True), Field("at", "INTEGER", must=True),
    Field("written", "INTEGER", must=True), Field("struck", "INTEGER"), Field("struck_why", "TEXT"),
)  # fmt: skip
"""In every row: what names it for ever, whose car, when it was, when it was written, and when and why struck out."""


_MUST: Final = " NOT NULL"
_KEY: Final = " PRIMARY KEY"


def columns(kind: str) -> list[str]:
    """Return the names of all columns of a kind, in order."""
    return [field.name for field in (*COMMON, *KINDS[kind])]


def _first_version() -> str:
    told = []
    for kind, fields in _FIRST.items():
        cols = ", ".join(
            f"{field.name} {field.kind}{_MUST if field.must else ''}{_KEY if field.name == 'uid' else ''}"
            for field in (*COMMON, *fields)
        )
        content = [name for name in columns(kind) if name not in ("struck", "struck_why")]
        altered = " OR ".join(f"NEW.{name} IS NOT OLD.{name}" for name in content)
        told.append(f"""
            CREATE TABLE {kind} ({cols}) STRICT;
            CREATE INDEX {kind}_by_time ON {kind} (car, at);
            CREATE TRIGGER {kind}_stays BEFORE DELETE ON {kind}
            BEGIN SELECT RAISE(ABORT, 'rows of the logbook are struck out, never removed'); END;
            CREATE TRIGGER {kind}_is_written BEFORE UPDATE ON {kind} WHEN {altered} OR OLD.struck IS NOT NULL
            BEGIN SELECT RAISE(ABORT, 'rows of the logbook are struck out, never altered'); END;
        """)
    return "\n".join(told)


MIGRATIONS: Final[tuple[str, ...]] = (_first_version(),)
"""Scripts in order; the file's `user_version` says how many it has had. One that was released is never changed."""
