"""Channels over time: one strip for each, all on one time axis, with what is forbidden and what was blind hatched.

A picture is {"kind": "traces", "stories": [{"run", "traces": [...], "onsets": [...]}, …]}, or one story at the top. A
trace has "name", "unit", "says", "t" (s), "v" (null: not known; held up to the next), and may have "limit" (one number,
or as many as "t"; null: none), "beyond" ("above", the usual, or "below") and "blind" ([[from, to], …] s). An onset has
"name", "from", "to", and lies across all strips as a span, for nobody knows it better.

Where there are more samples than columns of the drawing, each column shows the least and the most of its samples: a
peak of a single sample is drawn.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.reviewing.drawing import (
    LEFT,
    RIGHT,
    SMALL,
    WIDE,
    Scale,
    axis_below,
    box,
    drawing,
    label,
    line,
    number,
    path,
    scale,
    spoken,
    width_of,
)  # fmt: skip
from pullwatch.reviewing.html import Html, joined, tag

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STRIP: Final = 46.0
HEAD: Final = 15.0
HATCHED: Final = {
    "limit": "hatched, with a dashed edge: beyond a limit, while its rule was armed",
    "blind": "hatched densely: blind",
}
COLUMNS: Final = 2 * round(WIDE - LEFT - RIGHT)
"""Two a unit: a phone's and a printer's dots are finer than a unit."""


def decimated(t: Floats, v: Floats, columns: int = COLUMNS) -> tuple[Floats, Floats]:
    """Return at most four samples a column (first, least, most, last, in order of time); NaN stays a gap.

    `t` and `v` have shape (n,), t rising. No sample is further out than one that is returned in its column.
    """
    if len(t) <= 2 * columns:
        return t, v
    edges = np.searchsorted(t, np.linspace(t[0], t[-1], columns + 1)[1:-1])
    starts = np.unique(np.concatenate(([0], edges)))
    ends = np.append(starts[1:], len(t))
    low = np.where(np.isnan(v), np.inf, v)
    high = np.where(np.isnan(v), -np.inf, v)
    least, most = np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)
    keep = np.zeros(len(t), bool)
    keep[starts] = keep[ends - 1] = True
    which = np.repeat(np.arange(len(starts)), ends - starts)
    for at in ((low == least[which]) & np.isfinite(low), (high == most[which]) & np.isfinite(high)):
        places = np.flatnonzero(at)
        _, firsts = np.unique(which[places], return_index=True)
        keep[places[firsts]] = True
    gaps = np.flatnonzero(np.isnan(v))
    _, firsts = np.unique(which[gaps], return_index=True)
    keep[gaps[firsts]] = True  # a column in which something is not known is not drawn as if it were
    return t[keep], v[keep]


def stories_of(picture: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the stories of a picture; one without is a story itself."""
    stories = picture.get("stories")
    return [picture] if stories is None else list(stories)


def draw(name: str, picture: Mapping[str, Any]) -> Html:
    """Return the drawings of a picture of traces, one a story."""
    parts = []
    for place, story in enumerate(stories_of(picture)):
        run = story.get("run")
        if run:
            parts.append(tag("p", f"Run {run}", class_="of"))
        parts.append(_story(f"{name}-{place}", story))
    return joined(parts)


def _story(name: str, story: Mapping[str, Any]) -> Html:
    traces = [trace for trace in story.get("traces", ()) if len(trace["t"])]
    onsets = list(story.get("onsets", ()))
    if not traces:
        return tag("p", "There is nothing to draw.", class_="of")
    times = [float(trace["t"][place]) for trace in traces for place in (0, -1)]
    across = Scale(min(times), max(*times, min(times) + 1e-3), LEFT, WIDE - RIGHT)
    above = 14.0 if onsets else 2.0
    foot = above + len(traces) * (HEAD + STRIP)
    parts = []
    free = 0.0
    for place, onset in enumerate(onsets, 1):
        one, two = across(float(onset["from"])), across(float(onset["to"]))
        at = max(min(max((one + two) / 2.0, LEFT + 4.0), WIDE - RIGHT - 4.0), free)
        free = at + 1.0 + width_of(f"{place} ")
        parts += [
            box(one, above, max(two, one + 1.0), foot, "onset"),
            label(at, 10.0, str(place), "t strong", "middle"),
        ]
    y = above
    for trace in traces:
        parts.append(_strip(name, trace, across, y + HEAD, y + HEAD + STRIP))
        y += HEAD + STRIP
    parts.append(axis_below(across, y, "seconds"))
    names = ", ".join(spoken(str(trace["name"])) for trace in traces)
    told = [drawing(name, f"Over time: {names}", y + 28.0, parts)]
    hatched = [words for key, words in HATCHED.items() if any(key in trace for trace in traces)]
    if hatched:
        told.append(tag("p", f"{'; '.join(hatched)}.", class_="of"))
    if onsets:
        told.append(tag("ol", *(tag("li", _onset(one)) for one in onsets), class_="key"))
    return joined(told)


def _onset(onset: Mapping[str, Any]) -> str:
    one, two = float(onset["from"]), float(onset["to"])
    return f"{onset['name']}: began between {_signed(one)} and {_signed(two)} s"


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "\N{MINUS SIGN}")


def _array(values: Sequence[float | None]) -> Floats:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


def _limit(trace: Mapping[str, Any], length: int) -> Floats | None:
    limit = trace.get("limit")
    if limit is None:
        return None
    return np.full(length, float(limit)) if isinstance(limit, int | float) else _array(limit)


def _strip(name: str, trace: Mapping[str, Any], across: Scale, top: float, foot: float) -> Html:
    t, v = np.asarray(trace["t"], dtype=np.float64), _array(trace["v"])
    limit = _limit(trace, len(t))
    upward = trace.get("beyond", "above") != "below"
    blind = np.zeros(len(t), bool)
    for one, two in trace.get("blind", ()):
        blind |= (t >= float(one)) & (t < float(two))
    seen = np.where(blind, math.nan, v)  # what was read while it was blind says nothing and sets no scale
    if not np.isfinite(seen).any():
        seen = v
    both = seen if limit is None else np.concatenate((seen, limit))
    up = scale(both.tolist(), foot - 2.0, top + 2.0)
    parts = [line(across.begin, foot, across.end, foot, "grid")]
    title = spoken(str(trace["name"]))
    unit = " ".join(part for part in (str(trace.get("unit", "")), str(trace.get("says", ""))) if part)
    title += f", {unit}" if unit and unit != title else ""
    known = seen[np.isfinite(seen)]
    if up is None or not len(known):
        parts.append(label(across.begin, top - 4.0, f"{title}: not known here"))
        return joined(parts)
    if limit is not None:
        parts.append(_forbidden(name, t, limit, across, up, top if upward else foot))
    for one, two in trace.get("blind", ()):
        parts += _hidden(name, across(float(one)), across(float(two)), top, foot)
    parts.append(tag("path", class_="trace", d=_lines(*decimated(t, v), across, up)))
    note = ""
    if limit is not None:
        over = (v > limit) if upward else (v < limit)
        over &= ~blind
        if over.any():
            parts.append(tag("path", class_="beyond", d=_lines(*_only(t, v, over), across, up)))
            worst = float(v[over].max() if upward else v[over].min())
            note = f"BEYOND its limit: {number(worst)}"
    if note and width_of(f"{title} {note}") > across.end - across.begin:
        title = spoken(str(trace["name"]))
    parts.append(label(across.begin, top - 4.0, title))
    if note:
        parts.append(label(across.end, top - 4.0, note, "t beyond-text", "end"))
    digits = (float(known.min()), float(known.max()))
    parts.append(
        label(across.begin - 4.0, _within(up(digits[0]), top, foot), number(_round(digits[0], digits)), anchor="end")
    )
    if up(digits[0]) - up(digits[1]) > SMALL:
        parts.append(
            label(
                across.begin - 4.0, _within(up(digits[1]), top, foot), number(_round(digits[1], digits)), anchor="end"
            )
        )
    return joined(parts)


def _within(y: float, top: float, foot: float) -> float:
    return min(max(y + 3.0, top + 8.0), foot)


def _round(value: float, both: tuple[float, float]) -> float:
    """Round a value as far as its range deserves."""
    wide = max(both[1] - both[0], 1e-9, abs(both[1]) * 1e-3)
    return round(value, max(0, 2 - math.floor(math.log10(wide))) if wide < 100 else 0)


def _only(t: Floats, v: Floats, over: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return what is beyond, with the sample after each stretch so that it is held up to there, and gaps between."""
    held = over | np.append(False, over[:-1])
    shown = np.where(held, v, math.nan)
    ends = np.flatnonzero(held & ~over)
    shown[ends] = v[ends - 1]
    return decimated(t, shown)


def _forbidden(name: str, t: Floats, limit: Floats, across: Scale, up: Scale, edge: float) -> Html:
    """Return the zone beyond a limit, hatched, and the limit's own line."""
    parts = []
    thin_t, thin = decimated(t, limit)
    for run_t, run in _stretches(thin_t, thin):
        bend = np.ones(len(run), bool)
        bend[1:-1] = (run[1:-1] != run[:-2]) | (run[1:-1] != run[2:])
        points = [(across(float(x)), up(float(y))) for x, y in zip(run_t[bend], run[bend], strict=True)]
        around = [*points, (points[-1][0], edge), (points[0][0], edge)]
        parts += [
            tag("path", class_="zone", d=f"{path(around)}Z", fill=f"url(#{name}-beyond)"),
            tag("path", class_="limit", d=path(points)),
        ]
    return joined(parts)


def _hidden(name: str, one: float, two: float, top: float, foot: float) -> list[Html]:
    parts = [box(one, top, max(two, one + 0.5), foot, "blind", f"url(#{name}-blind)")]
    if two - one > width_of("blind"):
        parts.append(label((one + two) / 2.0, foot - 3.0, "blind", "t halo", "middle"))
    return parts


def _stretches(t: Floats, v: Floats) -> list[tuple[Floats, Floats]]:
    """Return the stretches without a gap, two samples and more."""
    known = np.isfinite(v)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    return [(t[a:b], v[a:b]) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 2]


def _lines(t: Floats, v: Floats, across: Scale, up: Scale) -> str:
    """Return the path of a step function: each value held up to the next sample, nothing where it is not known."""
    if not len(t):
        return ""
    x = across.begin + (t - across.low) / (across.high - across.low) * (across.end - across.begin)
    y = up.begin + (v - up.low) / (up.high - up.low) * (up.end - up.begin)
    y = np.clip(y, min(up.begin, up.end), max(up.begin, up.end)).round(1)
    known = np.isfinite(y)
    begins = known & ~np.append(False, known[:-1])
    stops = ~known & np.append(False, known[:-1])
    moves = known & ~begins & (y != np.append(math.nan, y[:-1]))
    out: list[str] = []
    for place in np.flatnonzero(begins | stops | moves).tolist():
        at = f"{x[place]:.1f}"
        if begins[place]:
            out.append(f"M{at} {y[place]:.1f}")
        elif stops[place]:
            out.append(f"H{at}")
        else:
            out.append(f"H{at}V{y[place]:.1f}")
    if known[-1]:
        out.append(f"H{x[-1]:.1f}")
    return "".join(out)
