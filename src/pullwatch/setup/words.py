"""What pydantic finds wrong, in the words of the person who wrote the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pullwatch.errors import Problem, nearest
from pullwatch.setup.locate import line_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import BaseModel, ValidationError

    from pullwatch.setup.locate import KeyPath

_KINDS: Mapping[str, str] = {
    "string": "a text in quotes",
    "int": "a whole number without quotes",
    "float": "a number without quotes",
    "finite": "a number, not nan or inf",
    "bool": "true or false without quotes",
    "list": "a list in [ ]",
    "dict": "a table of key = value",
    "model": "a table of key = value",
}
_BOUNDS: Mapping[str, tuple[str, str]] = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("at most", "le"),
}


def written(value: object) -> str:
    """Return a value as it stands in a TOML file, shortened."""
    match value:
        case bool():
            text = "true" if value else "false"
        case str():
            text = '"' + value.replace("\n", "\\n") + '"'
        case dict():
            text = "a table"
        case list():
            text = "[" + ", ".join(written(inner) for inner in value[:6]) + (", …]" if len(value) > 6 else "]")
        case _:
            text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def problems_of(
    found: ValidationError, model: type[BaseModel], lines: dict[KeyPath, int], path: KeyPath, shown: str
) -> list[Problem]:
    """Turn everything pydantic found in one section into problems.

    `path` is where the section stands in the file, `shown` how its key is shown to a person (`rule "boost"`).
    """
    problems = []
    for error in found.errors(include_url=False):
        inner: KeyPath = tuple(part for part in error["loc"] if part != "[key]")
        key = " ".join([shown, _dotted(inner)]).strip()
        what, todo = _words(error, _keys_at(model, inner[:-1]))
        problems.append(Problem(line_of(lines, (*path, *inner)), key, what, todo))
    return problems


def _dotted(path: KeyPath) -> str:
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _keys_at(model: type[BaseModel], path: KeyPath) -> list[str]:
    """Return the keys the model (or the one nested in it at `path`) knows."""
    current: type[BaseModel] | None = model
    for part in path:
        if isinstance(part, int) or current is None:
            continue
        field = current.model_fields.get(str(part))
        current = None if field is None else _model_in(field.annotation)
    if current is None:
        return []
    return [field.alias or name for name, field in current.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and hasattr(annotation, "model_fields"):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        model = _model_in(inner)
        if model is not None:
            return model
    return None


def _words(error: Any, known: list[str]) -> tuple[str, str]:
    """Return what is wrong and what to do about it."""
    kind: str = error["type"]
    value = error["input"]
    facts: dict[str, Any] = error.get("ctx", {})
    if kind == "extra_forbidden":
        name = str(error["loc"][-1])
        return f"this key is not known{nearest(name, known)}.", f"Known here: {', '.join(known)}."
    if kind == "missing":
        return "is missing.", "It has no default."
    if kind in _BOUNDS:
        word, fact = _BOUNDS[kind]
        return f"{written(value)} is not possible: it must be {word} {facts[fact]:g}.", ""
    if kind == "literal_error":
        choices = [word.strip("'") for word in str(facts["expected"]).replace(" or ", ", ").split(", ")]
        hint = nearest(value, choices) if isinstance(value, str) else ""
        return f"{written(value)} is not a choice{hint}.", "Write one of: " + ", ".join(f'"{c}"' for c in choices) + "."
    if kind in ("too_short", "too_long"):
        bound = facts.get("min_length", facts.get("max_length"))
        word = "at least" if kind == "too_short" else "at most"
        return f"has {facts['actual_length']} elements, {word} {bound} are wanted.", ""
    if kind in ("string_too_short", "string_too_long"):
        bound = facts.get("min_length", facts.get("max_length"))
        word = "at least" if kind == "string_too_short" else "at most"
        return f"{written(value)} has {len(value)} characters, {word} {bound} are wanted.", ""
    if kind == "string_pattern_mismatch":
        wanted = (
            "made of small letters, digits, - and _, a letter first"
            if "a-z" in facts["pattern"]
            else "one line of plain text"
        )
        return f"{written(value)} is not {wanted}.", ""
    for start, words in _KINDS.items():
        if kind.startswith(start):
            return f"{written(value)} is not {words}.", ""
    return f"{written(value)}: {error['msg']}.", ""
