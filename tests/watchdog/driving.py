"""Putting traces to the engine: cut into batches, in either form, either way, begun again from checkpoints."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, TypeAlias, cast

from pullwatch.batch import Batch, Kind, Record
from pullwatch.columns import to_columns
from pullwatch.watchdog.judge import Watchdog

from .oracle import judged
from .strategies import Example, Step
from .words import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from pullwatch.columns import Sample
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

Way: TypeAlias = Literal["auto", "stepping", "columns"]
SHORT_ENOUGH_FOR_THE_ORACLE = 5_000


def engine(example: Example, between: Callable[[Watchdog, Step], None] | None = None) -> list[Change]:
    """Return what the engine makes of an example, its steps taken one by one; `between` looks in after each."""
    watchdog = Watchdog(example.rules)
    changes: list[Change] = []
    judged_to = -1
    for step in example.steps:
        if step.fresh:
            kept = json.loads(json.dumps(watchdog.state()))
            watchdog = Watchdog(example.rules)
            watchdog.restore(kept)
        watchdog.way = cast("Way", step.way)
        came = [sample for sample in example.samples if judged_to < sample[0] <= step.now]
        judged_to = step.now
        batch = (
            Batch(step.now, step.records, None, to_columns(came))
            if step.as_columns
            else Batch(step.now, step.records, came, None)
        )
        changes += watchdog.judge(batch)
        if between is not None:
            between(watchdog, step)
    return changes


def cuts(records: Sequence[Record], end: int) -> dict[str, tuple[Step, ...]]:
    """Return ways of cutting a trace, by a name that tells a failure apart."""
    nows = [following.t - 1 for following in records[1:]] + [end]
    alone = list(zip(records, nows, strict=True)) if records else []
    half = len(records) // 2
    halves = [(tuple(records[:half]), records[half].t - 1), (tuple(records[half:]), end)] if half else []
    ways: dict[str, tuple[Step, ...]] = {
        "one batch, stepping, samples": (Step(tuple(records), end, way="stepping"),),
        "one batch, stepping, columns": (Step(tuple(records), end, as_columns=True, way="stepping"),),
        "one batch, in columns, samples": (Step(tuple(records), end, way="columns"),),
        "one batch, in columns, columns": (Step(tuple(records), end, as_columns=True, way="columns"),),
        "one batch, as the engine likes": (Step(tuple(records), end),),
    }
    if alone:
        ways["every record alone, stepping"] = tuple(Step((r,), now, way="stepping") for r, now in alone)
        ways["every record alone, in columns"] = tuple(
            Step((r,), now, as_columns=True, way="columns") for r, now in alone
        )
        ways["every record alone, from checkpoints, changing ways"] = tuple(
            Step((r,), now, way=("columns", "stepping")[i % 2], fresh=True) for i, (r, now) in enumerate(alone)
        )
        ways["judged at each record's end and before the next"] = tuple(
            Step((r,) if first else (), r.end if first else now, way=("stepping", "columns")[(i + first) % 2])
            for i, (r, now) in enumerate(alone)
            for first in ((True, False) if now > r.end else (True,))
        )
    if halves:
        ways["two halves, stepping then in columns"] = (
            Step(*halves[0], way="stepping"),
            Step(*halves[1], way="columns"),
        )
        ways["two halves, in columns then stepping from a checkpoint"] = (
            Step(*halves[0], way="columns"),
            Step(*halves[1], way="stepping", fresh=True),
        )
    return ways


def every_way(rules: RuleSet, samples: Iterable[Sample], end: int, acts: Iterable[Record] = ()) -> list[Change]:
    """Return what the engine makes of a trace, having checked that every cut and way gives the same.

    Every instant with samples becomes a record. A trace short enough is held against the oracle too.
    """
    ordered = sorted(samples, key=lambda sample: (sample[0], sample[1]))
    data = [Record(t, 1, Kind.DATA, b"") for t in sorted({sample[0] for sample in ordered})]
    records = sorted([*data, *acts], key=lambda record: record.t)
    for before, after in pairwise(records):
        assert before.end < after.t, f"{after} stands in the nanoseconds of {before}"
    found: list[Change] | None = None
    for name, steps in cuts(records, end).items():
        changes = engine(Example(rules, tuple(ordered), tuple(records), end, steps))
        if found is None:
            found = changes
        assert plain(changes) == plain(found), name
    assert found is not None
    if end <= SHORT_ENOUGH_FOR_THE_ORACLE:
        assert plain(found) == plain(judged(rules, ordered, records, end)), "the oracle says otherwise"
    return found
