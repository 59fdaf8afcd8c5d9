"""Reading a setup file: its text, its lines, and the shape of every section. What the words mean is for `resolve`."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from pullwatch.errors import Problem, SetupError, nearest
from pullwatch.feeds.options import OPTIONS, Options
from pullwatch.setup.derived_kinds import KINDS as DERIVED_KINDS
from pullwatch.setup.derived_kinds import DerivedSection
from pullwatch.setup.equipment import EQUIPMENT
from pullwatch.setup.locate import KeyPath, line_of, locate
from pullwatch.setup.sections import (
    SECTIONS,
    CarSection,
    CatalogueSection,
    ChannelSection,
    EquipmentSection,
    LimitSection,
    ProfileSection,
    RuleSection,
)
from pullwatch.setup.words import problems_of, written

if TYPE_CHECKING:
    from collections.abc import Mapping

LARGEST_FILE: Final = 1 << 20
"""A setup file is a page or two; a megabyte is some other file."""

_AT_LINE: Final = re.compile(r"\s*\(at line (\d+), column (\d+)\)")
_ModelT = TypeVar("_ModelT", bound=BaseModel)

_DEPENDED_ON: Final[Mapping[type[BaseModel], frozenset[str]]] = {
    ChannelSection: frozenset({"unit", "kind"}),
    LimitSection: frozenset({"along", "at", "at_unit", "value", "unit", "limits"}),
}
"""Keys without which the rest of a section cannot be judged: wrong ones would bring false problems about."""
_STAND_INS: Final[Mapping[type[BaseModel], Mapping[str, object]]] = {RuleSection: {"says": "Wrong. Lift."}}
"""What takes the place of a wrong value whose absence would be a problem of its own."""


@dataclass(frozen=True, slots=True)
class FeedSection:
    """One [[feed]]: its options, or None where they are wrong, and the channels it was meant to give all the same.

    `gives` is None when that cannot be told. It keeps one wrong key in a feed from looking like forty wrong rules.
    """

    name: str
    options: Options | None
    gives: tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Setup:
    """A setup file as it was written. What is wrong stands in `problems` and has been left out here.

    It is not used before `resolve` has read the meaning of it too: the person is told of everything at once.
    """

    path: Path
    text: str
    lines: dict[KeyPath, int] = field(repr=False)
    car: CarSection | None
    profile: ProfileSection
    protection: Mapping[str, str]
    feeds: tuple[FeedSection, ...]
    channels: Mapping[str, ChannelSection | None]
    derived: Mapping[str, DerivedSection | None]
    limits: Mapping[str, LimitSection | None]
    rules: tuple[RuleSection | None, ...]
    problems: tuple[Problem, ...]
    catalogue: CatalogueSection | None = None
    equipment: Mapping[str, EquipmentSection] = field(default_factory=dict)

    def line(self, *path: str | int) -> int:
        """Return the line of a key, or of the nearest table around it."""
        return line_of(self.lines, path)


def read_setup(path: Path | str) -> Setup:
    """Read a setup file.

    Raises SetupError if there is no such file, or it is no TOML; everything else wrong in it is kept in `problems`
    for `resolve` to tell together with what it finds itself.
    """
    path = Path(path)
    text, data, lines = read_toml(path)
    return _Reader(path, text, data, lines).setup()


def read_toml(path: Path, what: str = "setup file") -> tuple[str, dict[str, Any], dict[KeyPath, int]]:
    """Return the text of a TOML file, what stands in it, and the line of every key. Raises SetupError.

    `what` it should have been is told when it cannot be read.
    """
    text = read_text(path, what)
    try:
        data = tomllib.loads(text)
        lines = locate(text)
    except tomllib.TOMLDecodeError as error:
        raise SetupError(path, [_syntax_problem(error, text)]) from error
    except (RecursionError, ValueError) as error:
        # Brackets nested hundreds deep, or a number of thousands of digits: valid TOML that nobody writes.
        wrong = "brackets are nested too deep." if isinstance(error, RecursionError) else f"{error}."
        raise SetupError(path, [Problem(0, "the file", wrong)]) from error
    return text, data, lines


def read_text(path: Path, what: str = "setup file") -> str:
    """Return the text of a setup file, or of `what` else it should be.

    Raises SetupError if it cannot be read, is too large or is not UTF-8.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        todo = f"Give the path of a {what} (TOML)."
        raise SetupError(path, [Problem(0, "the file", f"cannot be read: {reason}.", todo)]) from error
    if len(raw) > LARGEST_FILE:
        raise SetupError(path, [Problem(0, "the file", f"is larger than {LARGEST_FILE:,} bytes: it is no {what}.")])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        what = f"byte 0x{raw[error.start]:02x} is not UTF-8."
        raise SetupError(path, [Problem(line, "the text", what, "Save the file as UTF-8.")]) from error


def _syntax_problem(error: tomllib.TOMLDecodeError, text: str) -> Problem:
    message = str(error)
    found = _AT_LINE.search(message)
    line = int(found.group(1)) if found else text.rstrip("\n").count("\n") + 1
    what = _AT_LINE.sub("", message).replace(" (at end of document)", " at the end of the file")
    column = f" at column {found.group(2)}" if found else ""
    twice = "overwrite" in what or "twice" in what or "Duplicate" in what
    todo = (
        "The same key or table stands twice." if twice else "The file is TOML: key = value, texts in quotes, [section]."
    )
    return Problem(line, "the text", f"{what}{column}.", todo)


class _Reader:
    """Takes the parsed file apart, section by section, gathering problems."""

    def __init__(self, path: Path, text: str, data: dict[str, Any], lines: dict[KeyPath, int]) -> None:
        self.path = path
        self.text = text
        self.data = data
        self.lines = lines
        self.problems: list[Problem] = []

    def setup(self) -> Setup:
        sections = (*SECTIONS, *EQUIPMENT)
        for key in self.data:
            if key not in sections:
                known = ", ".join(sections)
                self.refuse((key,), key, f"this section is not known{nearest(key, sections)}.", f"Known: {known}.")
        car = None
        if "car" in self.data:
            car = self.section(CarSection, self.data["car"], ("car",), "car")
        else:
            self.refuse(("car",), "car", "the section is missing.", 'It needs at least name = "…".')
        profile = self.section(ProfileSection, self.data.get("profile", {}), ("profile",), "profile")
        feeds = tuple(self.feed(index, raw) for index, raw in enumerate(self.several("feed")))
        if not feeds and "feed" in self.data:
            feeds = (FeedSection("", None, None),)
        elif not feeds:
            self.refuse((), "feed", "there is no [[feed]]: nothing would be read.", "Add one for every port.")
        rules: list[RuleSection | None] = []
        for index, raw in enumerate(self.several("rule")):
            name = raw.get("name") if isinstance(raw, dict) else None
            shown = f'rule "{name}"' if isinstance(name, str) and name else f"rule {index + 1}"
            rules.append(self.section(RuleSection, raw, ("rule", index), shown))
        return Setup(
            path=self.path,
            text=self.text,
            lines=self.lines,
            car=car,
            profile=profile or ProfileSection(),
            protection=self.protection(),
            feeds=feeds,
            channels=self.named(ChannelSection, "channel"),
            derived=self.derived(),
            limits=self.named(LimitSection, "limit"),
            rules=tuple(rules),
            catalogue=self.catalogue(),
            equipment=self.equipment(),
            problems=tuple(self.problems),
        )

    def refuse(self, path: KeyPath, shown: str, what: str, todo: str = "") -> None:
        self.problems.append(Problem(line_of(self.lines, path), shown, what, todo))

    def section(self, model: type[_ModelT], raw: object, path: KeyPath, shown: str) -> _ModelT | None:
        try:
            return model.model_validate(raw, strict=True)
        except ValidationError as found:
            self.problems += problems_of(found, model, self.lines, path, shown)
            return _salvaged(model, raw, found)

    def catalogue(self) -> CatalogueSection | None:
        """Return the section [catalogue], if there is one that is right."""
        if "catalogue" not in self.data:
            return None
        return self.section(CatalogueSection, self.data["catalogue"], ("catalogue",), "catalogue")

    def equipment(self) -> dict[str, EquipmentSection]:
        """Return the sections of what stands around the path, as far as they are right."""
        read = (
            (name, self.section(EQUIPMENT[name], self.data[name], (name,), name))
            for name in self.data
            if name in EQUIPMENT
        )
        return {name: section for name, section in read if section is not None}

    def several(self, key: str) -> list[Any]:
        """Return the elements of an array of tables."""
        raw = self.data.get(key, [])
        if isinstance(raw, list):
            return raw
        self.refuse((key,), key, f"one {key} alone is still one of several.", f"Write [[{key}]] with two brackets.")
        return []

    def named(self, model: type[_ModelT], key: str) -> dict[str, _ModelT | None]:
        """Return the sections [key.NAME] by name."""
        raw = self.data.get(key, {})
        if not isinstance(raw, dict):
            self.refuse((key,), key, f"{written(raw)} is not a table.", f"Write [{key}.NAME].")
            return {}
        return {name: self.section(model, inner, (key, name), f"{key}.{name}") for name, inner in raw.items()}

    def derived(self) -> dict[str, DerivedSection | None]:
        """Return the sections [derived.NAME] by name, each of the class of its kind."""
        raw = self.data.get("derived", {})
        if not isinstance(raw, dict):
            self.refuse(("derived",), "derived", f"{written(raw)} is not a table.", "Write [derived.NAME].")
            return {}
        found: dict[str, DerivedSection | None] = {}
        for name, inner in raw.items():
            path: KeyPath = ("derived", name)
            kind = inner.get("kind") if isinstance(inner, dict) else None
            model = DERIVED_KINDS.get(kind) if isinstance(kind, str) else None
            if not isinstance(inner, dict):
                self.refuse(path, f"derived.{name}", f"{written(inner)} is not a table.", "Write [derived.NAME].")
            elif model is None:
                known = ", ".join(f'"{kind}"' for kind in DERIVED_KINDS)
                what = f"{written(kind)} is no kind of derived channel{nearest(str(kind), DERIVED_KINDS)}."
                what = "is missing." if kind is None else what
                self.refuse((*path, "kind"), f"derived.{name} kind", what, f"Write one of: {known}.")
            else:
                found[name] = self.section(model.section, inner, path, f"derived.{name}")
                continue
            found[name] = None
        return found

    def protection(self) -> dict[str, str]:
        raw = self.data.get("protection", {})
        if not isinstance(raw, dict):
            self.refuse(("protection",), "protection", f"{written(raw)} is not a table.", "Write [protection].")
            return {}
        good: dict[str, str] = {}
        for name, value in raw.items():
            if isinstance(value, str):
                good[name] = value
            else:
                what = f"{written(value)} is not a text in quotes with a unit."
                self.refuse(("protection", name), f"protection {name}", what, f'Write for example {name} = "215 kPa".')
        return good

    def feed(self, index: int, raw: object) -> FeedSection:
        path: KeyPath = ("feed", index)
        shown = f"feed {index + 1}"
        if not isinstance(raw, dict):
            self.refuse(path, shown, f"{written(raw)} is not a table.", "Write [[feed]].")
            return FeedSection("", None, None)
        name = raw.get("name")
        if isinstance(name, str) and name:
            shown = f'feed "{name}"'
        else:
            name = ""
        gives = _meant_to_give(raw)
        kind = raw.get("kind")
        model = OPTIONS.get(kind) if isinstance(kind, str) else None
        if model is None:
            known = ", ".join(f'"{kind}"' for kind in OPTIONS)
            what = (
                "is missing." if kind is None else f"{written(kind)} is no kind of feed{nearest(str(kind), OPTIONS)}."
            )
            self.refuse((*path, "kind"), f"{shown} kind", what, f"Write one of: {known}.")
            return FeedSection(name, None, gives)
        return FeedSection(name, self.section(model, raw, path, shown), gives)


def _salvaged(model: type[_ModelT], raw: object, found: ValidationError) -> _ModelT | None:
    """Return a section without its wrong keys, so that the rest of it is looked at too. None if too little is left."""
    if not isinstance(raw, dict):
        return None
    wrong = {str(error["loc"][0]) for error in found.errors(include_url=False) if error["loc"]}
    if wrong & _DEPENDED_ON.get(model, frozenset()):
        return None
    left = {key: value for key, value in raw.items() if key not in wrong}
    left |= {key: value for key, value in _STAND_INS.get(model, {}).items() if key in wrong}
    try:
        return model.model_validate(left, strict=True)
    except ValidationError:
        return None


def _meant_to_give(raw: dict[str, Any]) -> tuple[str, ...] | None:
    """Return the channels a feed names, in file order, as far as they can be told, whatever else is wrong with it."""
    match raw:
        case {"channels": dict(channels)}:
            return tuple(channels)
        case {"fields": list(fields)}:
            names = [
                inner["channel"]
                for inner in fields
                if isinstance(inner, dict) and isinstance(inner.get("channel"), str)
            ]
            return tuple(names) if len(names) == len(fields) else None
    return None
