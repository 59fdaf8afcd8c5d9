"""What came first: when each violation, cut and lift truly began, as an interval, and which of them was before which.

An alarm tells of the gas of a while ago: a lean mixture that made the controller cut is told after the cut. So every
violation is followed back from its alarm to where its value crossed its limit, and from there by the delay of its
sensor. Where that is cannot be known better than the delay and the time between two samples: each onset is an interval
[begin, end], and one came before another only if its whole interval did.

All figures here are common practice with no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.batch import Batch
from pullwatch.review.finding import FULL, LIFTED
from pullwatch.review.judged import Held, held
from pullwatch.review.smoothing import without_spikes
from pullwatch.review.table import S, Span
from pullwatch.watchdog.alarms import Event, Priority
from pullwatch.watchdog.armed import NO, YES
from pullwatch.watchdog.conditions import Comparison
from pullwatch.watchdog.judge import Watchdog

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from pullwatch.review.run import Run
    from pullwatch.review.table import Series, Table
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import Rule

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

APART: Final = 5 * S
"""What begins later than this after the last onset belongs to another story."""
BACK: Final = 8 * S
"""How far before an alarm its onset is looked for: longer than any run-up and any delay."""
UNSTATED: Final = 60_000_000
"""ns by which a reading without a stated delay may be late: sensor, controller, a value repeated at 20 Hz."""
TAUS: Final = 2.0
"""A first-order lag crosses a limit up to so many of its time constants late."""
SURELY: Final = 3.0
"""Standard deviations of its noise by which a value must be beyond its limit, or within it, to be so for sure."""
FLICKER: Final = 100_000_000
"""ns within its limit that do not end a violation."""
REPEATS: Final = 2 * S // 5
"""Cuts nearer to each other than this are one: a limiter goes on and off."""
CUT_WORDS: Final = {1: "fuel cut", 2: "ignition cut", 3: "throttle cut"}
NOT_KNOWN: Final = "cut of a kind not known"
FAST: Final = S // 5
SHUT: Final = 30.0
"""% by which the throttle falls within FAST while the foot stays down: the controller closed it."""
GATE_LEAST: Final = 10.0
GATE_LEFT: Final = 0.25
"""A duty above GATE_LEAST % that falls to GATE_LEFT of itself within FAST under a full foot: a cut by wastegate."""
NEAR_LIMIT: Final = 250.0
"""rpm below the rev limit from which on a cut is the limiter's."""
SHIFTING: Final = S // 2
FOOT_UP: Final = 20.0


@dataclass(frozen=True, slots=True)
class Onset:
    """Something that began within [begin, end], session ns. `kind`: "violation", "lost", "cut" or "lift".

    `name` is the rule's, or names the cut (wastegate, throttle, fuel, ignition) or the driver's lift. `told` is when
    the alarm was raised, None for what is no alarm. `note` says in which situation. `channel`: what it was seen in.
    """

    name: str
    kind: str
    begin: int
    end: int
    channel: str
    told: int | None = None
    note: str = ""
    priority: Priority = Priority.NOTE

    def before(self, other: Onset) -> bool:
        """Whether it surely came before the other."""
        return self.end < other.begin


@dataclass(frozen=True, slots=True)
class Story:
    """Onsets that belong together, in the order of where they began at the earliest; `run` they fell in, 0: none."""

    onsets: tuple[Onset, ...]
    run: int

    @property
    def candidates(self) -> tuple[Onset, ...]:
        """Those that may have been the first; one alone surely was."""
        soonest = min(onset.end for onset in self.onsets)
        return tuple(onset for onset in self.onsets if onset.begin <= soonest)

    @property
    def first(self) -> Onset | None:
        """The one that surely came first; None: cannot be told."""
        found = self.candidates
        return found[0] if len(found) == 1 else None

    @property
    def within(self) -> int:
        """Within how many ns of each other those began that may have been the first."""
        found = self.candidates
        return max(onset.end for onset in found) - min(onset.begin for onset in found)


def stories(table: Table, runs: Sequence[Run]) -> list[Story]:
    """Return all that happened in a session, onsets that are near in time together."""
    found = [*_violations(table), *_others(table, runs)]
    found.sort(key=lambda onset: (onset.begin, onset.end, onset.name))
    groups: list[list[Onset]] = []
    for onset in found:
        if groups and onset.begin - max(one.begin for one in groups[-1]) <= APART:
            if all((one.name, one.kind) != (onset.name, onset.kind) for one in groups[-1]):  # the first of its kind
                groups[-1].append(onset)
        else:
            groups.append([onset])
    out = []
    for group in groups:
        if all(onset.kind == "lift" or onset.note for onset in group):
            continue  # a lift at the end of a run, the cuts of launch and shift: nothing went wrong
        run = next((one.number for one in runs if one.begin - S <= group[0].end and group[0].begin <= one.end + S), 0)
        if not run and all(onset.kind == "lost" for onset in group):
            continue  # the key was turned off, or a plug pulled in the pits
        out.append(Story(tuple(group), run))
    return out


# ---- violations ------------------------------------------------------------------------------------------------------


def raised(table: Table) -> list[Change]:
    """Return the alarms that were raised, notes left out; a session without alarms of its own is judged here."""
    changes: Sequence[Change] = table.changes
    if not changes and table.rules.rules:
        ruled = [one for one in table.series.values() if one.channel.number >= 0 and len(one)]
        columns = {one.channel.number: one.samples for one in ruled}
        changes = Watchdog(table.rules).judge(Batch(table.end, (), None, columns))
    rules = table.rules.rules
    return [
        change
        for change in changes
        if change.event is Event.RAISE and change.rule < len(rules) and rules[change.rule].priority is not Priority.NOTE
    ]


def _violations(table: Table) -> Iterator[Onset]:
    """Yield the onset of every alarm that was raised."""
    groups: list[list[Change]] = []
    for change in raised(table):
        if groups and change.t - groups[-1][-1].t <= BACK:
            groups[-1].append(change)
        else:
            groups.append([change])
    for group in groups:
        begin, end = max(group[0].t - BACK, table.begin), min(group[-1].t + S // 2, table.end)
        over = {one.rule.number: one for one in held(table, begin, end)}
        for change in group:
            rule = table.rules.rules[change.rule]
            onset = _onset(table, rule, over.get(rule.number), change.t, begin)
            if onset is not None:
                yield onset


def _onset(table: Table, rule: Rule, over: Held | None, told: int, begin: int) -> Onset | None:
    channel = table.rules.channels[rule.trip.left]
    series = table.get(channel.name)
    if series is None:
        return None
    if not isinstance(rule.trip, Comparison):
        return _lost(rule, series, told, begin)
    if over is None or not len(over.t):
        return None
    last, first = _crossing(table, rule.trip, over, told)
    speeds = table.on("engine_speed", np.array([last, first], np.int64)).tolist()
    delay = channel.delay
    earliest = last - series.delay(speeds[0])[1] - int(TAUS * delay.time_constant)
    if delay.is_none:
        earliest -= UNSTATED
    return Onset(
        rule.name, "violation", earliest, first - series.delay(speeds[1])[0], channel.name, told, priority=rule.priority
    )


def _lost(rule: Rule, series: Series, told: int, begin: int) -> Onset:
    """Return when a channel was lost: after its last good sample, before the next that should have come."""
    t, why = series.t, series.why
    place = int(np.searchsorted(t, told, side="right"))
    good = np.flatnonzero(why[:place] == 0)
    if not len(good):
        return Onset(rule.name, "lost", begin, told, series.channel.name, told, priority=rule.priority)
    last = int(good[-1])
    near = np.diff(t[max(last - 50, 0) : last + 1])
    period = int(np.median(near)) if len(near) else series.channel.stale_after
    end = min(int(t[last]) + 3 * period // 2, told)
    if last + 1 < len(t):
        end = min(end, int(t[last + 1]))
    end = max(end, int(t[last]))
    return Onset(rule.name, "lost", int(t[last]), end, series.channel.name, told, priority=rule.priority)


def _limits(table: Table, trip: Comparison, times: Times) -> Floats:
    """Return what a trip was held against at each of `times`; NaN where it is not known."""
    total = np.zeros(len(times))
    channels = table.rules.channels
    for term in trip.right:
        if term.channel is not None:
            total += term.factor * table.on(channels[term.channel].name, times)
        elif term.curve is not None:
            curve = table.rules.curves[term.curve]
            total += term.factor * curve.many(table.on(channels[curve.along].name, times))
        else:
            total += term.factor
    return total


def _crossing(table: Table, trip: Comparison, over: Held, told: int) -> tuple[int, int]:
    """Return when the value was surely within its limit for the last time, and surely beyond for the first.

    The limit is that of the moment the reading speaks of, and that is known to an interval only: within by the
    strictest of it, beyond by the most lenient.
    """
    use = over.t <= told
    t, verdict, armed, value = over.t[use], over.verdict[use], over.armed[use], over.value[use]
    says = ((verdict == YES) | (verdict == NO)) & np.isfinite(value)
    sign = 1.0 if trip.upward else -1.0
    series = table.series[table.rules.channels[trip.left].name]
    strict = np.where(says, sign * (value - over.limit[use]), math.nan)
    lenient = strict.copy()
    if not series.channel.delay.is_none:
        speeds = table.on("engine_speed", t)
        bounds = np.array([series.delay(rpm) for rpm in speeds.tolist()], np.int64).reshape(-1, 2)
        for share in (0.0, 0.5, 1.0):
            back = bounds[:, 0] + (share * (bounds[:, 1] - bounds[:, 0])).astype(np.int64)
            lenient = np.fmin(lenient, np.where(says, sign * (value - _limits(table, trip, t - back)), math.nan))
    known = np.flatnonzero(says)
    band = 0.0
    if len(known) >= 5:
        bends = np.diff(value[known[-200:]], n=2)
        band = SURELY * 1.4826 * float(np.median(np.abs(bends))) / math.sqrt(6.0)  # of white noise: 1 + 4 + 1
        strict[known], lenient[known] = without_spikes(strict[known]), without_spikes(lenient[known])
    with np.errstate(invalid="ignore"):
        within = (armed == NO) | (strict < -band)
        beyond = (armed == YES) & (lenient >= band)
    # Back from the alarm to the last stretch within that is no flicker.
    edges = np.append(t, told)
    last = 0
    i = len(t) - 1
    while i >= 0:
        if not within[i]:
            i -= 1
            continue
        stop = i
        while i > 0 and within[i - 1]:
            i -= 1
        if edges[stop + 1] - edges[i] >= FLICKER or armed[stop] == NO or i == 0:
            last = stop
            break
        i -= 1
    after = np.flatnonzero(beyond[last + 1 :])
    first = int(t[last + 1 + after[0]]) if len(after) else told
    return int(t[last]), max(first, int(t[last]))


# ---- cuts and lifts --------------------------------------------------------------------------------------------------


def _others(table: Table, runs: Sequence[Run]) -> Iterator[Onset]:
    """Yield the cuts of the controller and the lifts of the driver, in and around runs."""
    for run in runs:
        begin, end = max(run.begin, table.begin), min(run.end + S, table.end)
        cuts = [replace(cut, note=_situation(table, run, cut)) for cut in _cuts(table, begin, end)]
        yield from (cut for cut in cuts if cut.note != "overrun")
        yield from _falls(table, begin, end, [Span(cut.begin, cut.end + S // 2) for cut in cuts if cut.note])


def _steps(series: Series, begin: int, end: int) -> tuple[Times, Floats, Times]:
    """Return times and values of the good samples, and for each when the one before it was taken."""
    good = series.good(begin - S, end)
    before = np.concatenate((good.t[:1], good.t[:-1]))
    return good.t, good.v, before


def _cuts(table: Table, begin: int, end: int) -> list[Onset]:
    """Return the cuts that the controller's flag, else the injectors, tell of; those that follow closely as one."""
    flag, pulse = table.get("cut_active"), table.get("injector_pulse_width")
    found: list[Onset] = []
    series = flag if flag is not None else pulse
    if series is None:
        return found
    t, v, before = _steps(series, begin, end)
    on = v > 0 if flag is not None else v <= 0
    edges = np.flatnonzero(on & ~np.concatenate(([False], on[:-1]))) if len(on) else np.empty(0, np.intp)
    ends = np.flatnonzero(~on & np.concatenate(([False], on[:-1]))) if len(on) else edges
    until = -(1 << 62)
    for i in edges.tolist():
        later = ends[ends > i]
        stop = int(t[later[0]]) if len(later) else end
        repeated = t[i] - until < REPEATS
        until = stop
        if repeated or t[i] < begin:
            continue
        kind = CUT_WORDS.get(int(v[i]), "") if flag is not None else "fuel cut"
        name = kind or _kind(table, int(t[i]), stop)
        found.append(Onset(name, "cut", int(before[i]) - UNSTATED, int(t[i]), series.channel.name))
    return found


def _kind(table: Table, begin: int, end: int) -> str:
    """Tell by what it does which kind of cut it is."""
    grid = table.grid(begin, max(end, begin + FAST))
    with np.errstate(invalid="ignore"):
        if (table.on("injector_pulse_width", grid) <= 0).any():
            return "fuel cut"
        shut = table.at("throttle", begin - FAST) - table.on("throttle", grid) > SHUT
        if (shut & (table.on("pedal", grid) >= FULL)).any():
            return "throttle cut"
    return NOT_KNOWN


def _situation(table: Table, run: Run, cut: Onset) -> str:
    """Say in which situation a cut is as it should be; empty: in none."""
    t = cut.end
    if run.launch is not None and t <= run.launch.release:
        return "launch"
    if any(shift.begin - SHIFTING <= t <= shift.end + SHIFTING for shift in run.shifts):
        return "shift"
    gears = table.on("gear", np.array([t - SHIFTING, t + SHIFTING], np.int64)).tolist()
    if all(math.isfinite(gear) for gear in gears) and gears[0] != gears[1]:
        return "shift"
    foot = table.at("pedal", t)
    foot = table.at("throttle", t) if not math.isfinite(foot) else foot
    if foot < FOOT_UP:
        return "overrun"
    limit = table.protection.get("engine_speed", math.nan)
    return "limiter" if table.at("engine_speed", t) >= limit - NEAR_LIMIT else ""


def _falls(table: Table, begin: int, end: int, asked: Sequence[Span]) -> Iterator[Onset]:
    """Yield lifts of the foot, and throttle and wastegate that the controller closed while the foot stayed down."""
    pedal, throttle, gate = (table.get(name) for name in ("pedal", "throttle", "wastegate_duty"))
    foot = pedal if pedal is not None else throttle
    if foot is not None:
        t, v, before = _steps(foot, begin, end)
        full = False
        for i in range(len(t)):
            if full and v[i] < LIFTED and t[i] >= begin:
                start = i
                while start > 0 and v[start - 1] < FULL:
                    start -= 1
                name = "driver's lift" if pedal is not None else "throttle closed, by driver or controller"
                note = "" if not any(span.begin <= t[i] <= span.end for span in asked) else "shift"
                yield Onset(name, "lift", int(before[start]) - UNSTATED, int(t[i]), foot.channel.name, note=note)
            full = v[i] >= FULL or (full and v[i] >= LIFTED)
    for series, name in ((throttle if pedal is not None else None, "throttle cut"), (gate, "wastegate cut")):
        if series is None or foot is None:
            continue
        t, v, before = _steps(series, begin, end)
        free = begin
        for i in range(1, len(t)):
            since = int(np.searchsorted(t, t[i] - FAST))
            was = float(v[since : i + 1].max())
            fell = was - v[i] > SHUT if name == "throttle cut" else was > GATE_LEAST and v[i] <= GATE_LEFT * was
            if not fell or t[i] < free or any(span.begin <= t[i] <= span.end for span in asked):
                continue
            now = np.array([int(t[i]) - FAST, int(t[i]), int(t[i]) + UNSTATED], np.int64)
            if not bool((foot.on(now) >= FULL).all()):
                continue
            start = i
            while start > since and v[start - 1] < was - 0.1 * (was - v[i]):
                start -= 1
            yield Onset(name, "cut", int(before[start]) - UNSTATED, int(t[i]), series.channel.name)
            free = int(t[i]) + S
