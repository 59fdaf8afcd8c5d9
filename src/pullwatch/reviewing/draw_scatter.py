"""Points with the lines through them: {"kind": "scatter", "x", "y", "groups": [{"name", "points", "curve"}, …]}.

An axis is a text or {"name", "unit"}. A point is [x, y], [x, y, label] or [x, y, least, most]; `label` of the picture
says what the labels are. A row of a curve is [x, y], [x, y, least, most] or [x, y, another y, least, most]. A group may
also have "line" ([[x, y], …]), "band" ([[x, least, most], …]) and "bars" ([[x, y, least, most], …]); instead of a name
it may have "run" and "session". "series" is another word for groups. Many points with intervals are drawn as a curve.

Groups are told apart by the shape of their points and the dashes of their lines.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.reviewing.drawing import (
    LEFT,
    RIGHT,
    WIDE,
    Scale,
    axis_below,
    axis_left,
    drawing,
    label,
    line,
    named,
    number,
    path,
    scale,
)  # fmt: skip
from pullwatch.reviewing.html import Html, joined, tag

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

HIGH: Final = 210.0
TOP: Final = 20.0
SHAPES: Final = ("circle", "square", "triangle", "diamond", "cross")
DASHES: Final = ("", "dashed", "dotted")
MARKS: Final = 5
MANY: Final = 8
"""Points with intervals from which on they are a curve with its band."""


def draw(name: str, picture: Mapping[str, Any]) -> Html:
    """Return the drawing of a picture of points, with the groups' names below."""
    groups = groups_of(picture)
    xs, ys = (
        zip(*[pair for group in groups for pair in _all(group)], strict=True) if any(map(_any, groups)) else ((), ())
    )
    across = scale(xs, LEFT, WIDE - RIGHT)
    up = scale(ys, HIGH, TOP)
    if across is None or up is None:
        return tag("p", "There is nothing to draw.", class_="of")
    parts = [
        axis_left(up, LEFT, WIDE - RIGHT, named(picture.get("y", ""))),
        axis_below(across, HIGH, named(picture.get("x", "")), whole=all(float(x).is_integer() for x in xs)),
    ]
    names = []
    for place, group in enumerate(groups):
        shape, dash = SHAPES[place % len(SHAPES)], DASHES[place % len(DASHES)] if len(groups) > 1 else ""
        parts += _group(group, across, up, shape, dash)
        said = str(group.get("name", ""))
        if said and _any(group):
            dashed = f", {dash} lines" if dash else ""
            names.append(f"{shape}: {said}{dashed}" if len(groups) > 1 else said)
    title = f"{named(picture.get('y', ''))} over {named(picture.get('x', ''))}"
    told = [drawing(name, title, HIGH + 28.0, parts)]
    if picture.get("label"):
        told.append(tag("p", f"Numbers beside points: {picture['label']}.", class_="of"))
    if names:
        told.append(tag("ul", *(tag("li", one) for one in names), class_="key"))
    return joined(told)


def groups_of(picture: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the groups of a picture, named, their points with intervals as bars or as a curve."""
    given = picture.get("groups") or picture.get("series") or ([picture] if picture.get("points") is not None else [])
    found = []
    for one in given:
        group = dict(one)
        if "name" not in group:
            run, session = group.get("run"), group.get("session")
            group["name"] = " of ".join(
                str(part) for part in (f"run {run}" if run is not None else None, session) if part
            )
        points = [point for point in group.get("points") or () if point[0] is not None and point[1] is not None]
        bounded = [point for point in points if len(point) == 4]
        if len(bounded) >= MANY:
            group["curve"] = [*(group.get("curve") or ()), *bounded]
            points = [point for point in points if len(point) != 4]
        elif bounded:
            group["bars"] = [*(group.get("bars") or ()), *bounded]
            points = [point[:2] if len(point) == 4 else point for point in points]
        group["points"] = points
        found.append(group)
    sessions = {one.get("session") for one in found}
    if len(sessions) == 1:  # then it need not stand beside each
        for group in found:
            if group.get("run") is not None and group["name"].startswith("run "):
                group["name"] = f"run {group['run']}"
    return found


def _any(group: Mapping[str, Any]) -> bool:
    return next(_all(group), None) is not None


def _curve(group: Mapping[str, Any]) -> Sequence[Sequence[float]]:
    return group.get("curve") or ()


def _lines(group: Mapping[str, Any]) -> list[list[tuple[float, float]]]:
    """Return the lines of a group: those of its curve, and its own."""
    found: list[list[tuple[float, float]]] = []
    curve = [row for row in _curve(group) if row[1] is not None]
    if curve:
        found.append([(row[0], row[1]) for row in curve])
        if len(curve[0]) == 5:
            found.append([(row[0], row[2]) for row in curve if row[2] is not None])
    if group.get("line"):
        found.append([(row[0], row[1]) for row in group["line"] if row[1] is not None])
    return found


def _band(group: Mapping[str, Any]) -> list[tuple[float, float, float]]:
    rows = [(row[0], row[-2], row[-1]) for row in _curve(group) if len(row) >= 4]
    rows += [(row[0], row[1], row[2]) for row in group.get("band") or ()]
    return [
        (x, low, high) for x, low, high in rows if low is not None and high is not None and math.isfinite(high - low)
    ]


def _all(group: Mapping[str, Any]) -> Iterator[tuple[float, float]]:
    """Yield every place that must lie within the drawing."""
    for point in group.get("points") or ():
        if point[0] is not None and point[1] is not None:
            yield float(point[0]), float(point[1])
    for each in _lines(group):
        yield from ((float(x), float(y)) for x, y in each)
    for x, low, high in _band(group):
        yield float(x), float(low)
        yield float(x), float(high)
    for x, _, low, high in group.get("bars") or ():
        if low is not None and high is not None:
            yield float(x), float(low)
            yield float(x), float(high)


def _group(group: Mapping[str, Any], across: Scale, up: Scale, shape: str, dash: str) -> Iterator[Html]:
    band = _band(group)
    if len(band) >= 2:
        above = [(across(x), up(high)) for x, _, high in band]
        below = [(across(x), up(low)) for x, low, _ in reversed(band)]
        yield tag("path", class_="band", d=f"{path(above + below)}Z")
    for place, each in enumerate(_lines(group)):
        yield tag(
            "path", class_=f"fit {dash or ('dashed' if place else '')}", d=path([(across(x), up(y)) for x, y in each])
        )
    if not group.get("points"):  # a line alone is known by marks on it
        for each in _lines(group)[:1]:
            for x, y in each[:: max(1, len(each) // MARKS)]:
                yield _mark(across(x), up(y), shape)
    for x, _, low, high in group.get("bars") or ():
        if low is not None and high is not None:
            yield line(across(x), up(low), across(x), up(high), "bar")
    for point in group.get("points") or ():
        if point[0] is None or point[1] is None:
            continue
        x, y = across(float(point[0])), up(float(point[1]))
        yield _mark(x, y, shape)
        if len(point) > 2 and point[2] is not None:
            text = number(float(point[2])) if isinstance(point[2], int | float) else str(point[2])
            yield label(x + 5.0, y - 4.0, text)


def _mark(x: float, y: float, shape: str) -> Html:
    r = 3.2
    match shape:
        case "circle":
            return tag("circle", class_="point", cx=x, cy=y, r=r)
        case "square":
            return tag("rect", class_="point", x=x - r, y=y - r, width=2 * r, height=2 * r)
        case "triangle":
            return tag("path", class_="point", d=f"{path([(x - r, y + r), (x + r, y + r), (x, y - r)])}Z")
        case "diamond":
            return tag(
                "path",
                class_="point",
                d=f"{path([(x - 1.3 * r, y), (x, y - 1.3 * r), (x + 1.3 * r, y), (x, y + 1.3 * r)])}Z",
            )
        case _:
            return tag(
                "path",
                class_="point",
                d=f"{path([(x - r, y - r), (x + r, y + r)])}{path([(x - r, y + r), (x + r, y - r)])}",
            )
