"""Pictures of answers: brings in what an answer does not know of itself, and takes out what is not handed on.

Into traces come the limit that a rule holds a channel to, as strict as the alarm holds it, and where the channel was
blind. Position never leaves, nor do road speeds of the street, unless they are asked for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.channels import Dimension
from pullwatch.review.judged import blind, held
from pullwatch.review.run import Class
from pullwatch.review.table import S
from pullwatch.reviewing.draw_traces import decimated
from pullwatch.watchdog.armed import YES
from pullwatch.watchdog.conditions import Comparison

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.card import Card
    from pullwatch.review.judged import Held
    from pullwatch.review.table import Series, Table

WHERE: Final = frozenset({"latitude", "longitude", "altitude", "course", "position", "heading", "bearing"})
NEAREST: Final = 5
"""Rules that the picture of a run's margins shows: the nearest to their limits."""
AROUND: Final = S


def withheld(table: Table) -> frozenset[str]:
    """Return the channels of a table that are not handed on: where it was, and on the street how fast."""
    street = table.profile == "street"
    return frozenset(
        name
        for name, series in table.series.items()
        if WHERE.intersection(name.split("_"))
        or (street and series.channel.dimension in (Dimension.SPEED, Dimension.SPEED_RATE))
        or (street and name in ("driveshaft_speed", "gps_speed"))
    )


def finished(
    reviewed: Reviewed, name: str, picture: Mapping[str, Any] | None, *, private: bool
) -> dict[str, Any] | None:
    """Return an answer's picture as it is drawn and handed on; None: it has none."""
    if picture is None and name == "margins" and reviewed.cards:
        picture = margins_picture(reviewed.table, reviewed.cards[-1])
    if picture is None:
        return None
    if picture.get("kind") != "traces":
        return dict(picture)
    stories = picture.get("stories")
    if stories is None:
        return _story(reviewed, picture, private=private)
    return {**picture, "stories": [_story(reviewed, story, private=private) for story in stories]}


def _story(reviewed: Reviewed, story: Mapping[str, Any], *, private: bool) -> dict[str, Any]:
    """Return one story without what is withheld, and with limits and blind stretches where its begin is known."""
    table = reviewed.table
    street = any(run.kind is Class.STREET_PULL for run in reviewed.runs.runs)
    gone = frozenset() if private else withheld(table)
    traces = [
        trace
        for trace in story.get("traces", ())
        if trace["name"] not in gone and (private or not (street and trace.get("unit") in ("km/h", "mph", "m/s")))
    ]
    t0 = story.get("t0")
    if isinstance(t0, int) and traces and traces[0]["t"]:
        begin = t0 + round(min(trace["t"][0] for trace in traces) * S)
        end = t0 + round(max(trace["t"][-1] for trace in traces) * S) + 1
        limits = _limits(table, held(table, begin, end)) if begin < end else {}
        traces = [_with_limit(table, trace, t0, (begin, end), limits.get(trace["name"])) for trace in traces]
    return {**story, "traces": traces}


def _limits(table: Table, found: list[Held]) -> dict[str, Held]:
    """Return for each channel the most urgent rule that held it to a limit and was armed; the first of equals."""
    out: dict[str, Held] = {}
    for one in found:
        trip = one.rule.trip
        if not isinstance(trip, Comparison) or trip.op in ("==", "!=") or not (one.armed == YES).any():
            continue
        name = table.rules.channels[trip.left].name
        if one.rule.name not in table.automatic and (name not in out or one.rule.priority < out[name].rule.priority):
            out[name] = one
    return out


def _with_limit(
    table: Table, trace: Mapping[str, Any], t0: int, within: tuple[int, int], one: Held | None
) -> dict[str, Any]:
    """Return a trace with the limit it was held to while the rule was armed, and where it was blind."""
    more: dict[str, Any] = {}
    hidden = blind(table, str(trace["name"]), *within)
    if hidden:
        more["blind"] = [[round((span.begin - t0) / S, 3), round((span.end - t0) / S, 3)] for span in hidden]
    if one is not None and isinstance(one.rule.trip, Comparison):
        times = t0 + np.round(np.asarray(trace["t"], np.float64) * S).astype(np.int64)
        place = np.maximum(np.searchsorted(one.t, times, side="right") - 1, 0)
        limit = np.where(one.armed[place] == YES, one.limit[place], math.nan)
        if np.isfinite(limit).any():
            more["limit"] = [round(value, 6) if math.isfinite(value) else None for value in limit.tolist()]
            more["beyond"] = "above" if one.rule.trip.upward else "below"
            more["rule"] = one.rule.name
    return {**trace, **more}


def margins_picture(table: Table, card: Card) -> dict[str, Any] | None:
    """Return traces of a run's channels that came nearest to their limits, over engine speed; None if none has one."""
    known = sorted((one for one in card.margins if not one.why_not), key=lambda one: one.least / one.near)
    names = list(dict.fromkeys(one.channel for one in known))[:NEAREST]
    if not names:
        return None
    run = card.run
    begin, end = max(run.begin - AROUND, table.begin), min(run.end + AROUND, table.end)
    traces = []
    for name in dict.fromkeys(["engine_speed", *names]):
        series = table.get(name)
        if series is None:
            continue
        t, v = decimated(*sampled(series, begin, end))
        if len(t):
            traces.append(
                {
                    "name": name, "unit": series.channel.unit, "says": series.channel.says,
                    "t": np.round((t - run.begin) / S, 4).tolist(),
                    "v": [round(value, 6) if math.isfinite(value) else None for value in v.tolist()],
                }
            )  # fmt: skip
    return {"kind": "traces", "stories": [{"run": run.number, "t0": run.begin, "traces": traces, "onsets": []}]}


def sampled(series: Series, begin: int, end: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times (session ns) and values of every sample of [begin, end), NaN where and from when none is known."""
    part = series.between(begin, end)
    t = part.t
    v = np.where(part.why == 0, part.v, math.nan)
    stale = t + series.channel.stale_after
    silent = stale < np.append(t[1:], end)
    both = np.concatenate((t, stale[silent]))
    values = np.concatenate((v, np.full(int(silent.sum()), math.nan)))
    order = np.argsort(both, kind="stable")
    return both[order].astype(np.float64), values[order]
