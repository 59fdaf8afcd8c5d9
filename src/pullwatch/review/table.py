"""The common input of every answer: channels as step functions, the rules they were judged by, and what happened.

A `Table` holds one session, or as much of it as there is. Times are session ns (int64), values are in the channel's
own unit (`series.channel.unit`), and a value whose `why` is not GOOD is never a number here: every helper gives NaN,
or leaves it out. A channel the car does not have is absent; a channel that says nothing is there and unknown.

A channel is what it is for judging, too: the last sample, good until it is `stale_after` old.

    >>> import numpy as np
    >>> from pullwatch.channels import QUANTITIES, Channel
    >>> from pullwatch.columns import column
    >>> from pullwatch.review.table import S, Series, Span, Table
    >>> kind = QUANTITIES["oil_pressure"]
    >>> oil = Channel(0, "oil_pressure", kind.unit, kind.dimension, says=kind.says, digits=kind.digits)
    >>> samples = column([0, S // 5, 2 * S // 5], [410.0, 395.0, 402.0], [0, 0, 3])   # the third: sender has none
    >>> table = Table({"oil_pressure": Series(oil, samples)}, end=S)
    >>> pressure = table.get("oil_pressure")
    >>> pressure.at(S // 4), pressure.at(S // 2)                     # held; not known
    (395.0, nan)
    >>> pressure.on(table.grid(0, S, S // 4))                        # stale is not known either
    array([410., 395.,  nan,  nan])
    >>> pressure.known(0, S)                                         # good stretches: [begin, end)
    [Span(begin=0, end=400000000)]
    >>> pressure.least(0, S)
    Extreme(value=395.0, t=200000000)
    >>> oil.format(pressure.least(0, S).value)
    '395 kPa gauge'
    >>> table.get("fuel_pressure") is None                           # the car does not measure it: say so
    True

An answer module is a function `answer(table, runs, …)`; it says what it rests on, gives an interval or why it cannot
tell, and never fills a gap: ask `known` (or test `np.isfinite`) before a number is believed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.channels import NS_PER_MS, delay_window
from pullwatch.columns import WHY_WORDS, Column, Why
from pullwatch.watchdog.rules import RuleSet

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.channels import Channel
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.limits import Curve

S: Final = 1_000 * NS_PER_MS
"""One second, ns."""
STEP: Final = 20 * NS_PER_MS
"""The usual step of a grid: twice as fine as what a person or a gearbox does."""
ROLLOUT: Final = (0.20, 0.36)
"""Least and most way, m, before a strip's clock starts (trade knowledge; moves the 60 ft time by up to 0.05 s)."""


class Span(NamedTuple):
    """A stretch of time, `begin` within and `end` not, session ns."""

    begin: int
    end: int

    @property
    def seconds(self) -> float:
        """How long it is."""
        return (self.end - self.begin) / S


class Extreme(NamedTuple):
    """The least or most of a channel in its unit, and when it was sampled (session ns)."""

    value: float
    t: int


def seconds_of(spans: Sequence[Span]) -> float:
    """Return how long spans are in all."""
    return sum(span.end - span.begin for span in spans) / S


def spans_where(times: NDArray[np.int64], holds: NDArray[np.bool_], end: int) -> list[Span]:
    """Return the spans in which a step function holds: `holds[i]` from `times[i]` on, the last one up to `end`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], holds, [False])).astype(np.int8)))
    ends = np.append(times, end)
    return [Span(int(ends[a]), int(ends[b])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def without(begin: int, end: int, spans: Sequence[Span]) -> list[Span]:
    """Return what of [begin, end) none of the `spans` covers; they are in order."""
    left = []
    at = begin
    for span in spans:
        if span.end <= at:
            continue
        if span.begin >= end:
            break
        if span.begin > at:
            left.append(Span(at, span.begin))
        at = span.end
    if at < end:
        left.append(Span(at, end))
    return left


@dataclass(frozen=True, slots=True)
class Series:
    """The samples of one channel, with what is to be known of it. `t`, `v`, `why`: arrays of shape (n,)."""

    channel: Channel
    samples: Column

    @property
    def t(self) -> NDArray[np.int64]:
        """Times of the samples, strictly increasing, session ns."""
        return self.samples.t

    @property
    def v(self) -> NDArray[np.float64]:
        """Values in the channel's unit; only where `why` is 0 are they to be believed."""
        return self.samples.v

    @property
    def why(self) -> NDArray[np.uint8]:
        """Why a value is not to be believed (`columns.Why`)."""
        return self.samples.why

    def __len__(self) -> int:
        return len(self.samples)

    def on(self, times: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the value in force at each of `times` (shape (m,)), NaN where none is known."""
        if not len(self.samples):
            return np.full(len(times), math.nan)
        place = np.searchsorted(self.t, times, side="right") - 1
        held = np.maximum(place, 0)
        fresh = (place >= 0) & (self.why[held] == 0) & (times - self.t[held] < self.channel.stale_after)
        return np.where(fresh, self.v[held], math.nan)

    def at(self, t: int) -> float:
        """Return the value in force at `t`, NaN where none is known."""
        return float(self.on(np.array([t], np.int64))[0])

    def why_at(self, t: int) -> str:
        """Say why nothing is known at `t`; empty where something is."""
        place = int(np.searchsorted(self.t, t, side="right")) - 1
        if place < 0:
            return "nothing was heard yet"
        if t - int(self.t[place]) >= self.channel.stale_after:
            return "it has gone silent"
        why = Why(int(self.why[place]))
        return WHY_WORDS.get(why, "")

    def between(self, begin: int, end: int) -> Series:
        """Return the samples with begin <= t < end; what was in force at `begin` is left out."""
        first, last = np.searchsorted(self.t, (begin, end), side="left").tolist()
        part = Column(self.t[first:last], self.v[first:last], self.why[first:last])
        return Series(self.channel, part)

    def good(self, begin: int, end: int) -> Column:
        """Return the good samples with begin <= t < end."""
        part = self.between(begin, end)
        keep = part.why == 0
        return Column(part.t[keep], part.v[keep], part.why[keep])

    def known(self, begin: int, end: int) -> list[Span]:
        """Return the spans of [begin, end) in which a value is known, in order."""
        first = max(int(np.searchsorted(self.t, begin, side="right")) - 1, 0)
        last = int(np.searchsorted(self.t, end, side="left"))
        if last <= first:
            return []
        t = self.t[first:last]
        until = np.minimum(np.append(t[1:], end), t + self.channel.stale_after)
        good = self.why[first:last] == 0
        starts, stops = np.maximum(t[good], begin), np.minimum(until[good], end)
        some = starts < stops
        starts, stops = starts[some], stops[some]
        if not len(starts):
            return []
        apart = np.flatnonzero(starts[1:] != stops[:-1])
        begins = starts[np.append(0, apart + 1)].tolist()
        ends = stops[np.append(apart, len(stops) - 1)].tolist()
        return [Span(a, b) for a, b in zip(begins, ends, strict=True)]

    def unknown(self, begin: int, end: int) -> list[Span]:
        """Return the spans of [begin, end) in which nothing is known."""
        return without(begin, end, self.known(begin, end))

    def least(self, begin: int, end: int) -> Extreme | None:
        """Return the least good sample with begin <= t < end, None if there is none."""
        good = self.good(begin, end)
        return None if not len(good) else Extreme(float(good.v.min()), int(good.t[int(good.v.argmin())]))

    def most(self, begin: int, end: int) -> Extreme | None:
        """Return the greatest good sample with begin <= t < end, None if there is none."""
        good = self.good(begin, end)
        return None if not len(good) else Extreme(float(good.v.max()), int(good.t[int(good.v.argmax())]))

    def delay(self, rpm: float) -> tuple[int, int]:
        """Return how long ago the gas left the cylinder that this channel speaks of, [least, most] ns, at `rpm`."""
        return delay_window(self.channel.delay, None if math.isnan(rpm) else rpm)


def most_of_two(samples: Column) -> Extreme | None:
    """Return the most that two samples in a row agree on: one spike of ignition noise is a single sample."""
    if len(samples) < 2:
        return None
    both = np.minimum(samples.v[:-1], samples.v[1:])
    place = int(both.argmax())
    return Extreme(float(both[place]), int(samples.t[place]))


class Accuracy(NamedTuple):
    """How far a reading may be from the truth: ± `share` of the reading plus `amount` (the channel's unit)."""

    share: float
    amount: float
    source: str

    def at(self, value: float) -> float:
        """Return ± in the channel's unit at a reading."""
        return abs(value) * self.share + self.amount


class Mark(NamedTuple):
    """A person marked the moment."""

    t: int
    text: str
    who: str


class Happened(NamedTuple):
    """A port was lost or found, or bytes were dropped: `what` is "lost", "found" or "dropped"."""

    t: int
    feed: str
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class CarFacts:
    """What is known of the car; None: not stated. Air-fuel numbers are lambda × `air_fuel_scale`, shown with it."""

    name: str = ""
    fuel: str = ""
    air_fuel_scale: float = 14.7
    cylinders: int | None = None
    displacement_cc: float | None = None
    mass_kg: float | None = None
    bore_mm: float | None = None
    intake_valve_mm: float | None = None


_NO_RULES: Final = RuleSet((), ())


@dataclass(frozen=True, slots=True)
class Table:
    """One session for answers. Only `series` and `end` must be given; what is not given is not known.

    `series`: channel name to its samples. `begin`..`end`: what was recorded and judged, session ns. `rules` are those
    last in force (`judged.held` evaluates them), `near` what the owner calls near by rule name, `automatic` the names
    of rules that pullwatch added, `changes` every change of an alarm in order (`change.rule` counts in `rules.rules`).
    `limits` are the named limits of the setup, `protection` what the controller cuts at, by channel name. `ceilings`:
    from which reading on a sensor only says "at least this". `accuracy` by channel name. `gaps` is where the recording
    lacks something, `notes` says what else is wrong with it. `wall` is the wall clock (ns since the Unix epoch) at
    session time 0, None if it is not known. `live`: it is still being recorded. `rollout`: see `ROLLOUT`.
    `axes`: the points of the owner's fuel table, speed (rpm) and manifold pressure (kPa absolute); empty: not stated.
    """

    series: Mapping[str, Series]
    end: int
    begin: int = 0
    rules: RuleSet = _NO_RULES
    near: Mapping[str, float] = field(default_factory=dict)
    automatic: frozenset[str] = frozenset()
    changes: tuple[Change, ...] = ()
    marks: tuple[Mark, ...] = ()
    events: tuple[Happened, ...] = ()
    car: CarFacts = CarFacts()
    profile: str = "dyno"
    limits: Mapping[str, Curve] = field(default_factory=dict)
    protection: Mapping[str, float] = field(default_factory=dict)
    ceilings: Mapping[str, float] = field(default_factory=dict)
    accuracy: Mapping[str, Accuracy] = field(default_factory=dict)
    gaps: tuple[Span, ...] = ()
    notes: tuple[str, ...] = ()
    session: str = ""
    wall: int | None = None
    live: bool = False
    rollout: tuple[float, float] = ROLLOUT
    axes: tuple[tuple[float, ...], tuple[float, ...]] = ((), ())

    def get(self, name: str) -> Series | None:
        """Return a channel's samples; None if this car does not have it."""
        return self.series.get(name)

    def at(self, name: str, t: int) -> float:
        """Return a channel's value at `t`; NaN where it is not known or not there."""
        series = self.series.get(name)
        return math.nan if series is None else series.at(t)

    def on(self, name: str, times: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return a channel's values at `times`; NaN where they are not known, or the channel is not there."""
        series = self.series.get(name)
        return np.full(len(times), math.nan) if series is None else series.on(times)

    def grid(self, begin: int, end: int, step: int = STEP) -> NDArray[np.int64]:
        """Return begin, begin + step, … below end."""
        return np.arange(begin, end, step, dtype=np.int64)

    def boost_on(self, times: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return boost (kPa gauge) at `times`: measured, else manifold less barometric. Never a guessed 101.3."""
        if "boost" in self.series:
            return self.on("boost", times)
        return self.on("manifold_pressure", times) - self.on("barometric_pressure", times)

    def format(self, name: str, value: float) -> str:
        """Write a value of a channel with its unit, and for pressures what it is measured from."""
        return self.series[name].channel.format(value)

    def wall_at(self, t: int) -> int | None:
        """Return the wall clock (ns since the Unix epoch) at session time `t`."""
        return None if self.wall is None else self.wall + t

    def missing(self, begin: int, end: int) -> list[Span]:
        """Return where [begin, end] is not wholly recorded."""
        lost = [gap for gap in self.gaps if gap.begin <= end and gap.end >= begin]
        if begin < self.begin:
            lost.insert(0, Span(begin, self.begin))
        if end > self.end:
            lost.append(Span(self.end, end))
        return lost
