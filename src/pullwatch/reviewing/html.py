"""Pieces of a page: every text is escaped where it enters, and nothing else can enter.

`tag` takes texts and `Html`; a text becomes `Html` only by being escaped. There is no way to hand in a name, a note or
a mark that a browser would read as more than letters. What a reader could not see (control and direction characters)
is shown as a replacement character, so that a name cannot pose as another one.
"""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_HIDDEN: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufffe\uffff\ud800-\udfff]"
)
_NAME: Final = re.compile(r"[a-zA-Z][a-zA-Z0-9-]*")
_EMPTY: Final = frozenset({"meta", "path", "rect", "line", "circle", "polygon", "polyline", "br", "hr"})
"""Elements without an end tag: those of HTML that have none, and those of SVG that hold nothing."""
_SVG: Final = frozenset({"path", "rect", "line", "circle", "polygon", "polyline"})


@dataclass(frozen=True, slots=True)
class Html:
    """Text that is markup already. Made by `tag`, `joined` and `verbatim` only."""

    text: str

    def __str__(self) -> str:
        return self.text


def escaped(text: str) -> str:
    """Return a text as a browser shows it letter by letter, in content and in attributes."""
    return html.escape(_HIDDEN.sub("\N{REPLACEMENT CHARACTER}", text), quote=True)


def verbatim(ours: str) -> Html:
    """Take markup of our own: never a text that comes from a session, a setup or a logbook."""
    return Html(ours)


def joined(parts: Iterable[Html | str]) -> Html:
    """Return parts after each other, texts escaped."""
    return Html("".join(part.text if isinstance(part, Html) else escaped(part) for part in parts))


def tag(name: str, *inside: Html | str, **attributes: str | float | None) -> Html:
    """Return an element. `class_` is class, `font_size` font-size; None leaves an attribute out, floats are shortened.

    Raises ValueError for a name that is none: names are ours, never from outside.
    """
    parts = [name]
    for key, value in attributes.items():
        if value is None:
            continue
        attribute = key.rstrip("_").replace("_", "-")
        if not _NAME.fullmatch(attribute) or attribute.startswith("on"):
            raise ValueError(f"{attribute} is no attribute of a page that runs nothing")
        parts.append(f'{attribute}="{escaped(short(value) if isinstance(value, float | int) else value)}"')
    if not _NAME.fullmatch(name):
        raise ValueError(f"{name} is no element")
    if name in _EMPTY:
        return Html(f"<{' '.join(parts)}{'/' if name in _SVG else ''}>")
    return Html(f"<{' '.join(parts)}>{joined(inside)}</{name}>")


def short(value: float) -> str:
    """Write a coordinate: a hundredth of a pixel is more than anyone sees."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if value % 1 else f"{value:.0f}"
