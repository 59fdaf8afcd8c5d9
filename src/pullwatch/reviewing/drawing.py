"""Pictures as inline SVG: what all of them share. Grey; only what is beyond a limit has a colour, and a word.

A drawing is 420 units wide, so that its smallest text is readable on a phone and its lines are not thick on paper.
Colours are classes of the page's style sheet, so that one drawing serves light, dark and print. Hatchings stand in each
drawing by themselves, under names that no other drawing of the page has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.reviewing.html import Html, joined, short, tag

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

WIDE: Final = 420.0
LETTER: Final = 0.56
"""Width of a letter as a share of its size, a little more than most have."""
SMALL: Final = 10.0
LEFT: Final = 44.0
RIGHT: Final = 8.0


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from values to units of the drawing."""

    low: float
    high: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        """Return where a value stands; far outside it stands at twice the distance at most."""
        share = (value - self.low) / (self.high - self.low)
        return self.begin + min(max(share, -1.0), 2.0) * (self.end - self.begin)


def scale(values: Iterable[float], begin: float, end: float, room: float = 0.06) -> Scale | None:
    """Return a scale over finite values with some room on both sides; None if there are none."""
    known = [value for value in values if math.isfinite(value)]
    if not known:
        return None
    low, high = min(known), max(known)
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - max(0.5, 0.05 * abs(low)), high + max(0.5, 0.05 * abs(high))
    more = room * (high - low)
    return Scale(low - more, high + more, begin, end)


def ticks(low: float, high: float, about: int = 5, *, whole: bool = False) -> list[float]:
    """Return round values between two: steps of 1, 2 or 5 times a power of ten; `whole`: no fractions."""
    if not (math.isfinite(low) and math.isfinite(high) and high > low):
        return []
    raw = max((high - low) / max(about, 1), 1.0 if whole else 0.0)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(step * i, 10) for i in range(first, math.floor(high / step + 1e-9) + 1)]


def number(value: float) -> str:
    """Write a tick."""
    text = f"{value:,.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text.replace("-", "\N{MINUS SIGN}")


def width_of(text: str, size: float = SMALL) -> float:
    """Return about how wide a text is."""
    return LETTER * size * len(text)


def label(
    x: float, y: float, text: str, class_: str = "t", anchor: str | None = None, size: float | None = None
) -> Html:
    """Return a text of a drawing at its baseline."""
    return tag("text", text, class_=class_, x=x, y=y, text_anchor=anchor, font_size=size)


def line(x1: float, y1: float, x2: float, y2: float, class_: str = "axis") -> Html:
    """Return a straight line."""
    return tag("line", class_=class_, x1=x1, y1=y1, x2=x2, y2=y2)


def box(x1: float, y1: float, x2: float, y2: float, class_: str, fill: str | None = None) -> Html:
    """Return a rectangle between two corners."""
    return tag("rect", class_=class_, x=min(x1, x2), y=min(y1, y2), width=abs(x2 - x1), height=abs(y2 - y1), fill=fill)


def path(points: Sequence[tuple[float, float]]) -> str:
    """Return the `d` of a line through points."""
    return "M" + "L".join(f"{short(x)} {short(y)}" for x, y in points) if points else ""


def hatchings(name: str) -> Html:
    """Return this drawing's hatchings: `name`-beyond rises and is the colour of a limit, `name`-blind falls, grey."""
    return tag(
        "defs",
        tag(
            "pattern", tag("path", class_="hatch-beyond", d="M0 7L7 0"), id=f"{name}-beyond",
            width=7, height=7, patternUnits="userSpaceOnUse",
        ),
        tag(
            "pattern", tag("path", class_="hatch-blind", d="M0 0L5 5M-1 4L1 6M4 -1L6 1"), id=f"{name}-blind",
            width=5, height=5, patternUnits="userSpaceOnUse",
        ),
    )  # fmt: skip


def drawing(name: str, title: str, high: float, parts: Iterable[Html]) -> Html:
    """Return the SVG element. `title` is what a reader who does not see it is told."""
    return tag(
        "svg", tag("title", title), hatchings(name), joined(parts),
        viewBox=f"0 0 {short(WIDE)} {short(high)}", role="img", class_="picture",
    )  # fmt: skip


def axis_below(across: Scale, y: float, name: str, about: int = 6, *, whole: bool = False) -> Html:
    """Return the axis along x with its name, from `y` down; it takes 26 units."""
    parts = [line(across.begin, y, across.end, y)]
    for value in ticks(across.low, across.high, about, whole=whole):
        x = across(value)
        parts += [line(x, y, x, y + 3), label(x, y + 12, number(value), anchor="middle")]
    parts.append(label(across.end, y + 24, name, anchor="end"))
    return joined(parts)


def axis_left(up: Scale, x: float, right: float, name: str, about: int = 4) -> Html:
    """Return the axis along y with thin lines across, its name above it."""
    parts = [line(x, up.begin, x, up.end)]
    for value in ticks(min(up.low, up.high), max(up.low, up.high), about):
        y = up(value)
        parts += [line(x, y, right, y, "grid"), label(x - 4, y + 3, number(value), anchor="end")]
    parts.append(label(4.0, up.end - 6, name))
    return joined(parts)


def named(axis: object) -> str:
    """Return an axis's name with its unit, given as a text or as {"name", "unit"}."""
    if isinstance(axis, dict):
        unit = str(axis.get("unit", ""))
        return f"{spoken(str(axis.get('name', '')))}{f', {unit}' if unit else ''}"
    return str(axis)


def spoken(name: str) -> str:
    """Return a channel's name as it is said."""
    return name.replace("_", " ")
