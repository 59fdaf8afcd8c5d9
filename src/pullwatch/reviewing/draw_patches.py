"""Outlined patches on a plane: {"kind": "patches", "x", "y", "patches": [{"x", "y", "label", "side", "outline"}, …]}.

`x` and `y` of a patch are [from, to], `outline` is solid, dashed or dotted. Each patch holds its label; one too small
for it holds a number, and its label stands below under that number. Nothing is filled: an average is not a fact of
every point in it, and which side it is on is said by sign, word and outline.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from pullwatch.reviewing.drawing import (
    LEFT,
    LETTER,
    RIGHT,
    SMALL,
    WIDE,
    axis_below,
    axis_left,
    box,
    drawing,
    label,
    named,
    scale,
)  # fmt: skip
from pullwatch.reviewing.html import Html, joined, tag

if TYPE_CHECKING:
    from collections.abc import Mapping

TOP: Final = 20.0
HIGH: Final = 280.0
OUTLINES: Final = frozenset({"solid", "dashed", "dotted"})
SIZE: Final = SMALL - 1.0
LINE: Final = SIZE + 1.5


def draw(name: str, picture: Mapping[str, Any]) -> Html:
    """Return the drawing of a picture of patches, with the labels that do not fit below it."""
    patches = list(picture.get("patches", ()))
    across = scale([value for patch in patches for value in patch["x"]], LEFT, WIDE - RIGHT, 0.03)
    up = scale([value for patch in patches for value in patch["y"]], HIGH, TOP, 0.03)
    if across is None or up is None:
        return tag("p", "There is nothing to draw.", class_="of")
    parts = [
        axis_left(up, LEFT, WIDE - RIGHT, named(picture.get("y", "")), 6),
        axis_below(across, HIGH, named(picture.get("x", ""))),
    ]
    below: list[tuple[str, str]] = []
    for patch in patches:
        x1, x2 = (across(float(value)) for value in patch["x"])
        y1, y2 = (up(float(value)) for value in patch["y"])
        outline = str(patch.get("outline", "solid"))
        parts.append(box(x1 + 1, y1 - 1, x2 - 1, y2 + 1, f"patch {outline if outline in OUTLINES else 'solid'}"))
        text = str(patch.get("label", ""))
        lines = _fits(text, abs(x2 - x1) - 6.0, abs(y1 - y2) - 4.0)
        if not lines:
            lines = [str(len(below) + 1)]
            where = f"{patch['x'][0]:,.0f} to {patch['x'][1]:,.0f}, {patch['y'][0]:,.0f} to {patch['y'][1]:,.0f}"
            below.append((where, text))
        first = (y1 + y2) / 2.0 - (len(lines) - 1) * LINE / 2.0 + SIZE / 3.0
        parts += [
            label((x1 + x2) / 2.0, first + i * LINE, one, anchor="middle", size=SIZE) for i, one in enumerate(lines)
        ]
    title = f"Patches of {named(picture.get('x', ''))} and {named(picture.get('y', ''))}"
    told = [drawing(name, title, HIGH + 28.0, parts)]
    if below:
        told.append(tag("ol", *(tag("li", f"{where}: {text}") for where, text in below), class_="key"))
    drawn = sorted({(str(patch.get("outline", "solid")), str(patch.get("side", ""))) for patch in patches})
    said = "; ".join(f"{outline}: {side}" for outline, side in drawn if side)
    if said:
        told.append(tag("p", f"Outlines: {said}.", class_="of"))
    return joined(told)


def _fits(text: str, wide: float, high: float) -> list[str]:
    """Return a label in lines that fit; none if it does not."""
    letters = int(wide / (LETTER * SIZE))
    words = text.split()
    if not words or letters < max(map(len, words)):
        return []
    lines = textwrap.wrap(text, letters)
    return lines if len(lines) * LINE <= high else []
