"""The trip test: every rule tripped by a made-up signal, as bytes through the decoders, by a second watchdog.

The one that watches is not touched: this path is made from the same plan, fed by nothing but the test, and thrown
away, so it leaves no latch. What it proves is the way from a feed's bytes to an alarm; what it cannot prove (that the
sensor says what it measures) it does not say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.ready.encoding import encoder
from pullwatch.ready.engine import Heard, moment
from pullwatch.ready.items import Item, Outcome
from pullwatch.ready.making import SILENT, healthy, tripping
from pullwatch.station import Path
from pullwatch.watchdog.alarms import Event, Priority
from pullwatch.watchdog.conditions import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pullwatch.ready.encoding import Encoder
    from pullwatch.setup import Plan
    from pullwatch.watchdog.rules import Rule

LINE_EVERY: Final = 40 * NS_PER_MS
WARM_UP: Final = 4 * NS_PER_S
"""Healthy for so long first: rules that wait for the engine to have run for some seconds are armed then."""
SETTLED: Final = 3 * NS_PER_S
"""Up to here nothing changes, and lines come seldom: they only keep the readings from going stale."""
SELDOM: Final = 200 * NS_PER_MS
RAMP: Final = 2 * NS_PER_S
"""Values are brought to where they trip in this time: a jump would be doubted, and rightly so."""
LONGEST: Final = 45 * NS_PER_S
FASTEST: Final = 1_500.0
"""rpm; above it no test is made ..."""
WIDEST: Final = 20.0
"""... nor above this throttle, % ..."""
SPEEDS: Final = (
    "vehicle_speed", "driveshaft_speed", "roller_speed",
    "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr",
)  # fmt: skip
"""... nor when one of these moves."""
STANDS: Final = 1.0


def refusal(plan: Plan, heard: Heard, *, unclean: bool, stands: bool) -> str:
    """Return why no trip test is made now; empty if it may be.

    It never runs under way: only with the engine standing or idling, no road speed, and not after an unclean stop
    (somebody may be in a hurry to watch again). `stands`: a person says that the car stands, which is asked for where
    no channel of speed tells it. A critical alarm that stands goes first.
    """
    if unclean:
        return "the last session was cut off. Look at that first: pullwatch sessions."
    for rule, reading in zip(plan.rules.rules, heard.readings, strict=False):
        if rule.priority is Priority.CRITICAL and reading.trip is reading.gate is Verdict.YES:
            return f'rule "{rule.name}" stands beyond its limit: a real alarm goes first.'
    what = moment(heard)
    if what == "unknown":
        return "engine speed is not known."
    if what == "runs":
        return f"the engine runs above {FASTEST:,.0f} rpm."
    throttle = heard.level("throttle")
    if throttle is not None and throttle > WIDEST:
        return f"the throttle is at {throttle:.0f} %."
    known = [(name, heard.level(name)) for name in SPEEDS if any(channel.name == name for channel in plan.channels)]
    moving = [name for name, speed in known if speed is not None and speed > STANDS]
    if moving:
        return f"{moving[0]} says that the car moves."
    if not any(speed is not None for _, speed in known) and not stands:
        return "no channel tells that the car stands. Say so yourself: --stands."
    return ""


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of one rule: `after` is ns from the begin of the signal to the alarm; None: it stayed quiet."""

    rule: Rule
    after: int | None
    why: str = ""


def trials(plan: Plan) -> Iterator[Tried]:
    """Try every rule, and yield what became of each."""
    names = [channel.name for channel in plan.channels]
    encoders = {feed.number: encoder(feed, names) for feed in plan.feeds}
    for rule in plan.rules.rules:
        if not rule.removed:
            yield _tried(plan, rule, encoders)


def _tried(plan: Plan, rule: Rule, encoders: Mapping[int, Encoder | None]) -> Tried:
    feeds = {name: feed.number for feed in plan.feeds for name in feed.options.gives}
    for values in tripping(plan, rule):
        moved = {name for name, value in values.items() if value is SILENT or value != healthy(plan).get(name)}
        dumb = sorted({name for name in moved if encoders[feeds[name]] is None})
        if dumb:
            return Tried(rule, None, f"{', '.join(dumb)}: what such a feed sends is not made up here")
        after = _after(plan, rule, values, encoders)
        if after is not None:
            return Tried(rule, after)
    return Tried(rule, None, "no signal made up here trips it; write a case for it (pullwatch cases)")


def _after(plan: Plan, rule: Rule, values: Mapping[str, float], encoders: Mapping[int, Encoder | None]) -> int | None:
    """Put the signal through a fresh path; return how long after the end of the ramp the rule was raised."""
    base = healthy(plan)
    path = Path(plan)
    now = 0
    begun = WARM_UP + RAMP
    while now < begun + LONGEST:
        share = min(max((now - WARM_UP) / RAMP, 0.0), 1.0)
        told = _between(base, values, share)
        t = now
        records = []
        for number, encode in encoders.items():
            data = encode(told) if encode is not None else b""
            if data:
                t += 1
                records.append(Record(t, number, Kind.DATA, data))
                t += len(data)
        now = max(now + (LINE_EVERY if now >= SETTLED else SELDOM), t + 1)
        _, changes = path.take(now, records)
        for change in changes:
            if change.rule == rule.number and change.event is Event.RAISE:
                return max(0, change.t - WARM_UP)
    return None


def _between(base: Mapping[str, float], values: Mapping[str, float], share: float) -> dict[str, float]:
    """Return the values on the way from healthy to tripping; a silent channel falls silent at the way's beginning."""
    out = {}
    for name, end in values.items():
        if end is SILENT:
            if share == 0.0:
                out[name] = base[name]
        else:
            out[name] = base[name] + (end - base[name]) * share
    return out


def trial_items(tried: Sequence[Tried]) -> Iterator[Item]:
    """Yield what the trip test came to."""
    raised = [one for one in tried if one.after is not None]
    quiet = [one for one in tried if one.after is None]
    if raised:
        critical = sum(one.rule.priority is Priority.CRITICAL for one in raised)
        words = (
            f"{len(raised)} of {len(tried)} rules, {critical} of them critical, were tripped as bytes of their feeds."
        )
        yield Item("trip test", Outcome.FINE, words)
    for one in quiet:
        yield Item(f'trip test "{one.rule.name}"', Outcome.CANNOT_TELL, f"{one.why}.")
