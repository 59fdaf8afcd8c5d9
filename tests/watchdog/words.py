"""Small words for directed examples, and for comparing changes. Nothing here needs the engine."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, TypeAlias

from pullwatch.batch import Kind, Record
from pullwatch.channels import NO_DELAY, Channel, Delay, Dimension
from pullwatch.columns import Sample, Why
from pullwatch.watchdog.conditions import Comparison, Term

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pullwatch.watchdog.alarms import Change, Event, State

Plain: TypeAlias = "tuple[int, int, State, State, Event | None, float | None, float | None, bool]"


def plain(changes: Iterable[Change]) -> list[Plain]:
    """Return changes as tuples in which NaN is None, so that they can be compared; checks their types on the way."""
    out: list[Plain] = []
    for change in changes:
        assert type(change.t) is int, change
        assert isinstance(change.value, float), change
        assert isinstance(change.limit, float), change
        assert type(change.first_out) is bool, change
        value = None if math.isnan(change.value) else change.value
        limit = None if math.isnan(change.limit) else change.limit
        out.append((change.t, change.rule, change.was, change.state, change.event, value, limit, change.first_out))
    return out


def told(changes: Iterable[Change]) -> list[tuple[int, int, str]]:
    """Return the instant, the rule and the name of the state of every change: what most tests ask for."""
    return [(change.t, change.rule, change.state.name) for change in changes]


def channel(number: int, *, stale_after: int = 1_000_000, delay: Delay = NO_DELAY) -> Channel:
    """Return a channel of plain numbers, fresh for long unless said otherwise."""
    return Channel(number, f"c{number}", "", Dimension.NUMBER, stale_after=stale_after, delay=delay)


def compare(left: int, op: str, limit: float, deadband: float = 0.0) -> Comparison:
    """Return a comparison with a number."""
    return Comparison(left, op, (Term(limit),), deadband)


def over(left: int, right: int, deadband: float = 0.0) -> Comparison:
    """Return a comparison of one channel with another: left > right."""
    return Comparison(left, ">", (Term(1.0, channel=right),), deadband)


def series(number: int, *points: tuple[int, float | None]) -> list[Sample]:
    """Return samples of one channel; None is a sample that is not to be believed."""
    return [
        (t, number, math.nan, int(Why.NOT_A_NUMBER)) if value is None else (t, number, float(value), int(Why.GOOD))
        for t, value in points
    ]


def every(step: int, number: int, value: float | None, first: int, last: int) -> list[Sample]:
    """Return samples of one value at `first` and every `step` ns after it, up to and with `last`."""
    return series(number, *((t, value) for t in range(first, last + 1, step)))


def act(t: int, what: str, rule: str | None = None) -> Record:
    """Return the record of an act."""
    return Record(t, 0, Kind.ACT, json.dumps({"act": what, "rule": rule}).encode())


def carried(t: int, **states: State) -> Record:
    """Return the record of alarms carried in, by rule name."""
    alarms = [{"rule": name, "state": int(state)} for name, state in states.items()]
    return Record(t, 0, Kind.CARRIED, json.dumps({"alarms": alarms}).encode())
