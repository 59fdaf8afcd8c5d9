"""What is still open before the next run, as facts: alarms that stand, readings in doubt, ports away, temperatures.

Nothing here weighs one against the other, and an empty list says only that nothing was found in what was recorded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import WHY_WORDS, Why
from pullwatch.review.card import feed_lost
from pullwatch.review.comparing import WARMER
from pullwatch.review.run import Class
from pullwatch.review.table import S, seconds_of
from pullwatch.watchdog.alarms import HIDDEN, QUIET, STATE_WORDS, Event, Priority, State

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.given import Noted
    from pullwatch.review.run import Run
    from pullwatch.review.table import Series, Table

SILENT: Final = "it has gone silent"
NEVER: Final = "nothing was heard yet"
SHORTEST: Final = 0.05
"""Seconds of a run without a reading that are told."""
NOTE_AFTER: Final = 12 * 3600 * S
"""ns after an alarm within which a note that names no session is taken to be of that evening (no source)."""
TEMPERATURES: Final = (
    ("coolant_temperature", "coolant"), ("oil_temperature", "oil"), ("intake_air_temperature", "intake air"),
    ("exhaust_gas_temperature", "exhaust gas"),
)  # fmt: skip
LIKENESS: Final = frozenset({"oil_temperature", "intake_air_temperature"})
"""Those by which runs are held comparable, within `WARMER` °C."""
STANDING_RUNS: Final = frozenset({Class.BURNOUT, Class.LAUNCH_PRACTICE})
MINUTE: Final = 60 * S
LATELY: Final = 60.0
"""Seconds for which the last reading of a temperature stands: the key is off before the recording is (no source)."""


# ---- alarms ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that is not over, or was and nobody wrote why: `state` as the recording leaves it.

    `raised` counts how often in this session, `first` and `last` (session ns) when (None: it was carried in). `notes`
    are the owner's that may be of it: only the owner knows whether they explain it. `carried`: from before the session.
    """

    rule: str
    priority: Priority
    state: State
    raised: int
    first: int | None
    last: int | None
    runs: tuple[int, ...]
    carried: bool
    notes: tuple[Noted, ...]
    automatic: bool = False
    """It tells of a lost reading, and nobody asked for it."""

    @property
    def stands(self) -> bool:
        """Whether it is not over: active, latched, not acknowledged, or hidden by a person."""
        return self.state not in QUIET or self.state in HIDDEN


def standing(reviewed: Reviewed) -> list[Standing]:
    """Return every alarm that stands or was raised, those that stand first, each by priority and time."""
    table = reviewed.table
    found = []
    for number, rule in enumerate(table.rules.rules):
        mine = [change for change in table.changes if change.rule == number]
        if not mine:
            continue
        raised = [change.t for change in mine if change.event is Event.RAISE]
        state = mine[-1].state
        if not raised and (state in QUIET and state not in HIDDEN):
            continue
        runs = tuple(run.number for run in reviewed.runs.runs if any(run.begin <= t <= run.end + 3 * S for t in raised))
        found.append(
            Standing(
                rule.name, rule.priority, state, len(raised), raised[0] if raised else None,
                raised[-1] if raised else None, runs, mine[0].event is None,
                notes_of(reviewed, raised[0] if raised else table.begin, runs), rule.name in table.automatic,
            )
        )  # fmt: skip
    return sorted(found, key=lambda one: (not one.stands, one.priority, -1 if one.first is None else one.first))


def notes_of(reviewed: Reviewed, since: int, runs: Sequence[int]) -> tuple[Noted, ...]:
    """Return the notes that may be of what began at `since` (session ns) in `runs`: named so, or written soon after."""
    table = reviewed.table
    wall = table.wall_at(since)
    return tuple(
        note
        for note in reviewed.given.notes
        if (note.session == table.session and (note.run == 0 or note.run in runs))
        or (not note.session and wall is not None and wall <= note.at <= wall + NOTE_AFTER)
    )


def state_words(one: Standing) -> str:
    """Say in words how an alarm stands."""
    if one.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED):
        return f"active, {STATE_WORDS[one.state]}"
    return "over" if one.state is State.NORMAL else STATE_WORDS[one.state]


# ---- readings --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reading that was not to be had: in `run` (number; 0: at the end of the recording) for `seconds`, and why."""

    channel: str
    run: int
    seconds: float
    of: float
    why: str


def doubts(table: Table, runs: Sequence[Run]) -> list[Doubt]:
    """Return what could not be read in each run, by channel and reason, in order of the runs."""
    found = []
    for run in runs:
        for name, series in table.series.items():
            spans = series.unknown(run.begin, run.end)
            seconds = seconds_of(spans)
            if seconds >= SHORTEST:
                longest = max(spans, key=lambda span: span.end - span.begin)
                found.append(Doubt(name, run.number, seconds, run.seconds, reason(series, longest.begin)))
    return found


def reason(series: Series, t: int) -> str:
    """Say why nothing is known at `t`: the sender's reason, or silence."""
    place = int(np.searchsorted(series.t, t, side="right")) - 1
    if place < 0:
        return NEVER
    return WHY_WORDS.get(Why(int(series.why[place])), SILENT)


def unknown_at_end(table: Table) -> list[Doubt]:
    """Return which channels say nothing as the recording ends, and since how long."""
    found = []
    for name, series in table.series.items():
        last = table.end - 1
        if math.isfinite(series.at(last)):
            continue
        spans = series.unknown(table.begin, table.end)
        seconds = spans[-1].seconds if spans else 0.0
        found.append(Doubt(name, 0, seconds, (table.end - table.begin) / S, reason(series, last)))
    return found


@dataclass(frozen=True, slots=True)
class Away:
    """A port that was lost: how often, for how long in all, and whether it still is as the recording ends."""

    feed: str
    times: int
    seconds: float
    still: bool
    runs: tuple[int, ...]


def away(table: Table, runs: Sequence[Run]) -> list[Away]:
    """Return the ports that were lost, those that still are first."""
    found = []
    for feed in dict.fromkeys(one.feed for one in table.events):
        spans = feed_lost(table, feed, table.begin, table.end)
        if spans:
            hit = tuple(run.number for run in runs if feed_lost(table, feed, run.begin, run.end))
            found.append(Away(feed, len(spans), seconds_of(spans), spans[-1].end >= table.end, hit))
    return sorted(found, key=lambda one: (not one.still, one.feed))


def dropped(table: Table) -> int:
    """Return how often bytes were dropped."""
    return sum(one.what == "dropped" for one in table.events)


# ---- temperatures ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Temperature:
    """One temperature (°C) as the recording ends against the begin of the run to be compared with.

    `now` is the last that was read, `age` s before the end, if that is no longer ago than `LATELY`, else NaN; `last` is
    the last that was ever read (NaN: none). `before` is what it was a minute earlier, `start` at the run's begin.
    `accuracy` is ± of one reading; NaN: not stated. The sensor is the same in both, so their difference is wrong by no
    more than twice that.
    """

    channel: str
    word: str
    now: float
    last: float
    age: float
    before: float
    start: float
    accuracy: float

    @property
    def difference(self) -> tuple[float, float, float]:
        """Return now less then, with least and most by the stated accuracy (infinite: not stated)."""
        value = self.now - self.start
        off = 2.0 * self.accuracy if math.isfinite(self.accuracy) else math.inf
        return value, value - off, value + off

    @property
    def apart(self) -> str:
        """Say whether a run begun now would differ by more than comparable runs may: "yes", "no" or "cannot tell"."""
        value, least, most = self.difference
        if self.channel not in LIKENESS or math.isnan(value):
            return ""
        if math.isinf(least):
            return "yes by the readings" if abs(value) > WARMER else "no by the readings"
        if least > WARMER or most < -WARMER:
            return "yes"
        return "no" if least >= -WARMER and most <= WARMER else "cannot tell"


def last_driven(reviewed: Reviewed) -> tuple[Reviewed, Run] | None:
    """Return the last run that was driven (no burnout, no launch practice), of this session or those before it."""
    for one in (reviewed, *reversed(reviewed.before)):
        for run in reversed(one.runs.runs):
            if run.kind not in STANDING_RUNS:
                return one, run
    return None


def temperatures(table: Table, of: Table, run: Run) -> list[Temperature]:
    """Return the temperatures at the end of `table` against those at the begin of a run of the table `of`."""
    found = []
    for name, word in TEMPERATURES:
        series = table.get(name)
        if series is None:
            continue
        good = series.good(table.begin, table.end)
        value = float(good.v[-1]) if len(good) else math.nan
        age = (table.end - 1 - int(good.t[-1])) / S if len(good) else math.nan
        now = value if age <= LATELY else math.nan
        before = series.at(int(good.t[-1]) - MINUTE) if len(good) else math.nan
        stated = table.accuracy.get(name)
        accuracy = math.nan if stated is None or math.isnan(now) else stated.at(now)
        start = run.start.get(name, math.nan)
        if math.isnan(start):
            start = of.at(name, run.begin)
        found.append(Temperature(name, word, now, value, age, before, start, accuracy))
    return found
