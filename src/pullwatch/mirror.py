"""The mirror: what the watching process knows now, rebuilt in another process from the session it writes.

A viewer never asks the watching process anything, so it cannot disturb it: it follows the recording and puts it through
the very same path. `Mirror.poll` takes what is new, `Mirror.picture` says how everything stands. The last commit's age
tells when the monitor itself is gone.

    mirror = Mirror(folder)
    while True:
        if mirror.poll():
            show(mirror.picture())
        wait()
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import WHY_WORDS, Why
from pullwatch.errors import SessionError
from pullwatch.nearness import near_of
from pullwatch.recording.follower import Follower
from pullwatch.recording.session import imported_from
from pullwatch.setup import Plan
from pullwatch.station import Path
from pullwatch.watchdog.alarms import QUIET, Priority, State
from pullwatch.watchdog.conditions import Comparison, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path as FilePath

    from pullwatch.batch import Batch, Record
    from pullwatch.recording.blocks import Block
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.judge import Reading
    from pullwatch.watchdog.rules import Rule

GONE_AFTER: Final = 500 * NS_PER_MS
"""A commit older than this, in a session that has not ended: the monitor is gone or stuck. Ten are due a second."""
BACK: Final = 8 * 1024 * 1024
"""How many bytes before the end reading begins where the past is not asked for: some checkpoints lie within."""
NEWS_KEPT: Final = 200
"""How many of the last events and changes are kept for whoever shows them."""


@dataclass(frozen=True, slots=True)
class AlarmSeen:
    """An alarm that stands, hidden ones too. `value` and `limit` as when it was raised (NaN: there is none).

    `since` is when it came into its state, `raised` when it was last raised (-1: carried in), both session ns.
    """

    rule: str
    number: int
    priority: Priority
    state: State
    says: str
    channel: str
    value: str
    limit: str
    raised: int
    since: int
    first_out: bool


@dataclass(frozen=True, slots=True)
class MarginSeen:
    """How far a rule's value is from its limit now. `value`, `limit`, `margin` are in `unit`, NaN where not known.

    `margin` is positive on the good side. `share` is margin / near, cut to 0..1: 0 at the trip, 1 when not near; None
    where the value is not known, and then `trip` says why (stale, fault, blind). `gate` says whether the rule is armed.
    """

    rule: str
    number: int
    priority: Priority
    channel: str
    unit: str
    op: str
    value: float
    limit: float
    margin: float
    near: float
    share: float | None
    trip: Verdict
    gate: Verdict
    shown: str
    """Value and limit in words with units: `lambda 0.812, limit lambda 0.840`."""


@dataclass(frozen=True, slots=True)
class ChannelSeen:
    """The last sample of a channel. `value` is None when it is not to be believed or not there; `why` says it.

    `age` is ns from that sample to the last judged instant, None before the first. `fresh` is False once it is stale.
    """

    name: str
    number: int
    unit: str
    says: str
    value: float | None
    shown: str
    why: str
    age: int | None
    fresh: bool


@dataclass(frozen=True, slots=True)
class News:
    """Something that happened, for whoever shows a line of it: session ns, kind, words."""

    t: int
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Picture:
    """How everything stands at the last judged instant `now` (session ns).

    `age` is how long ago that was (ns; None: cannot be known, as in a session of before a restart). `live`: the session
    is being recorded. `gone`: it should be, and nothing has been judged for half a second. `ended`: how it ended.
    `wall` is the wall clock at `now` (ns since the Unix epoch). Alarms come most urgent first, then by when they were
    raised; margins closest first, then those not known, then in file order.
    """

    session: str
    car: str
    profile: str
    now: int
    wall: int
    age: int | None
    live: bool
    gone: bool
    ended: str
    origin: str
    """Empty for what pullwatch recorded itself; else what it was made from (an imported log, a corrected setup)."""
    alarms: tuple[AlarmSeen, ...]
    margins: tuple[MarginSeen, ...]
    channels: tuple[ChannelSeen, ...]
    feeds: dict[str, dict[str, Any]] = field(default_factory=dict)
    """By feed name: what the last health event said of it."""
    news: tuple[News, ...] = ()
    gap: bool = False
    """Something of the recording is missing: what is shown begins after it."""


class Mirror:
    """Follows a session with a path of its own.

    With `whole` everything from the session's beginning is put through the path (for who also wants the past); without,
    it begins at a checkpoint some megabytes before the end. Raises nothing while there is no session yet: `poll`
    returns False. Raises SessionError when it holds what this version cannot read.
    """

    def __init__(self, folder: FilePath, *, whole: bool = False) -> None:
        self.folder = folder
        self._follower = Follower(folder, back=None if whole else BACK)
        self.path: Path | None = None
        self.plan: Plan | None = None
        self._going = False
        self._seen: dict[int, _Standing] = {}
        self._feeds: dict[str, dict[str, Any]] = {}
        self._news: list[News] = []
        self._wall = (0, 0)
        self._gap = False
        self.changes: list[Change] = []
        """What the last `poll` changed."""
        self.records: list[Record] = []
        """The records the last `poll` took."""
        self.batches: list[Batch] = []
        """What they were decoded to, with the channels made from others."""

    @property
    def follower(self) -> Follower:
        """Where the session is read: `now`, `seq`, `ended` are its."""
        return self._follower

    def poll(self) -> bool:
        """Take what the session has new; whether there was anything. Never waits."""
        self.changes, self.records, self.batches = [], [], []
        taken = False
        while blocks := self._follower.poll():
            taken = True
            if self.plan is None:
                self._begin()
            reading = self._follower
            for block in blocks:
                self._take(block)
                if self._follower is not reading:  # it is read anew: these blocks come again, in their place
                    break
        return taken

    def _begin(self) -> None:
        start = self._follower.start or {}
        recorded = start.get("plan")
        if not isinstance(recorded, dict):
            what = "holds no setup, so it cannot be judged."
            raise SessionError(self.folder, what, "It may be of another version.")
        self.plan = Plan.from_dict(recorded)
        clock = start.get("clock", {})
        self._wall = (0, int(clock.get("wall", 0)))

    def _take(self, block: Block) -> None:
        if not self._ready(block):
            return
        assert self.path is not None
        self.records += block.records
        batch, changes = self.path.take(block.now, block.records)
        self.batches.append(batch)
        self.plan = self.path.plan
        self.changes += changes
        for change in changes:
            self._changed(change)
        for event in block.events:
            self._happened(event, block.now)

    def _ready(self, block: Block) -> bool:
        """Whether this block can be judged: it follows what was judged, or begins with a checkpoint."""
        if self._going and not block.gap_before:
            return True
        assert self.plan is not None
        first = self.path is None and not block.gap_before and self._follower.from_begin
        if not first and block.checkpoint is None:
            self._gap = self._gap or self._going
            self._going = False
            return False
        reloads = 0 if self.path is None else self.path.reloads
        if block.checkpoint is not None and not first and block.checkpoint.state.get("reloads", 0) != reloads:
            self._from_the_beginning()
            return False
        self._gap = self._gap or self.path is not None
        self.path = Path(self.plan)
        self._seen.clear()
        if not first:
            assert block.checkpoint is not None
            self.path.restore(block.checkpoint.state)
            for standing in block.checkpoint.alarms:
                number = next((rule.number for rule in self.plan.rules.rules if rule.name == standing.rule), None)
                if number is not None:
                    self._seen[number] = _Standing(standing.state, standing.since)
        self._going = True
        return True

    def _from_the_beginning(self) -> None:
        """Rules were changed before the part that was read: only the beginning tells which are in force."""
        if self._follower.from_begin:
            raise SessionError(
                self.folder, "its rules were changed in a part that is lost.", "Look at it after repair."
            )
        self._follower = Follower(self.folder)
        self.path, self._going = None, False

    def _changed(self, change: Change) -> None:
        seen = self._seen.setdefault(change.rule, _Standing(State.NORMAL, change.t))
        seen.state, seen.since = change.state, change.t
        if change.state is State.UNACKNOWLEDGED:
            seen.raised, seen.value, seen.limit = change.t, change.value, change.limit
            seen.first_out = change.first_out
        if change.state is State.NORMAL:
            del self._seen[change.rule]

    def _happened(self, event: dict[str, Any], now: int) -> None:
        kind = str(event.get("event", ""))
        if kind == "health" and isinstance(event.get("feeds"), dict):
            self._feeds = event["feeds"]
        elif "says" in event:
            self._news.append(News(int(event.get("t", now)), kind, str(event["says"])))
            del self._news[:-NEWS_KEPT]

    # ---- how it stands -----------------------------------------------------------------------------------------------

    def picture(self) -> Picture | None:
        """Return how everything stands; None as long as nothing could be judged."""
        if self.path is None or self.plan is None or not self._going:
            return None
        follower, plan = self._follower, self.plan
        now = follower.now
        age = follower.age_ns()
        ended = follower.ended
        live = ended is None
        start = follower.start or {}
        return Picture(
            session=self.folder.name,
            car=plan.car.name,
            profile=plan.profile,
            now=now,
            wall=self._wall[1] + now - self._wall[0],
            age=age,
            live=live,
            gone=live and (age is None or age > GONE_AFTER),
            ended="" if ended is None else ended.reason,
            origin=origin_of(start),
            alarms=tuple(self._alarms()),
            margins=tuple(margins_of(plan, self.path.watchdog.readings())),
            channels=tuple(self._channels(now)),
            feeds=dict(self._feeds),
            news=tuple(self._news),
            gap=self._gap,
        )

    def _alarms(self) -> list[AlarmSeen]:
        assert self.plan is not None
        rules, channels = self.plan.rules.rules, self.plan.channels
        out = []
        for number, seen in self._seen.items():
            rule = rules[number]
            channel = channels[rule.trip.left]
            out.append(
                AlarmSeen(
                    rule=rule.name,
                    number=number,
                    priority=rule.priority,
                    state=seen.state,
                    says=rule.says or rule.name,
                    channel=channel.name,
                    value="" if math.isnan(seen.value) else channel.format(seen.value),
                    limit="" if math.isnan(seen.limit) else channel.format(seen.limit),
                    raised=seen.raised,
                    since=seen.since,
                    first_out=seen.first_out,
                )
            )
        return sorted(out, key=lambda one: (one.state in QUIET, one.priority, one.raised, one.number))

    def _channels(self, now: int) -> Iterable[ChannelSeen]:
        assert self.path is not None
        assert self.plan is not None
        watchdog = self.path.watchdog
        for channel in self.plan.channels:
            latest = watchdog.latest(channel.number)
            t, value, why = (None, math.nan, 0) if latest is None else latest
            age = None if t is None else now - t
            fresh = age is not None and age < channel.stale_after
            good = t is not None and not why
            reason = (
                "nothing came yet"
                if age is None
                else WHY_WORDS[Why(why)]
                if why
                else ""
                if fresh
                else f"no data for {age / NS_PER_S:.1f} s"
            )
            shown = channel.format(value) if good and fresh else reason
            yield ChannelSeen(
                channel.name,
                channel.number,
                channel.unit,
                channel.says,
                value if good and fresh else None,
                shown,
                reason,
                age,
                fresh,
            )


def origin_of(start: Mapping[str, Any]) -> str:
    """Return in words what a session was made from, by its start record; empty if it was watched."""
    if imported := imported_from(start):
        return f"imported from {imported}"
    made = start.get("redecoded")
    return f"{made.get('of', 'another session')}, read again" if isinstance(made, dict) else ""


@dataclass(slots=True)
class _Standing:
    state: State
    since: int
    raised: int = -1
    value: float = math.nan
    limit: float = math.nan
    first_out: bool = False


def margins_of(plan: Plan, readings: Iterable[Reading]) -> list[MarginSeen]:
    """Return the margin of every rule that compares, closest to its limit first, then those not known.

    A rule that is armed comes before one that is not. Rules whose trip is a lost reading have no margin; `==` and `!=`
    have none either.
    """
    out = []
    for rule, reading in zip(plan.rules.rules, readings, strict=True):
        if rule.removed or not isinstance(rule.trip, Comparison) or rule.trip.op in ("==", "!="):
            continue
        out.append(_margin(plan, rule, rule.trip, reading))
    return sorted(out, key=_closeness)


def _margin(plan: Plan, rule: Rule, trip: Comparison, reading: Reading) -> MarginSeen:
    channel = plan.channels[trip.left]
    known = reading.trip in (Verdict.YES, Verdict.NO) and not math.isnan(reading.limit)
    value, limit = (reading.value, reading.limit) if known else (math.nan, math.nan)
    margin = limit - value if trip.upward else value - limit
    near = near_of(channel, plan.facts[rule.number].near, limit if known else 0.0)
    share = min(1.0, max(0.0, margin / near)) if known else None
    shown = f"{channel.format(value)}, limit {channel.format(limit)}" if known else _not_known(reading.trip)
    return MarginSeen(
        rule.name,
        rule.number,
        rule.priority,
        channel.name,
        channel.unit,
        trip.op,
        value,
        limit,
        margin,
        near,
        share,
        reading.trip,
        reading.gate,
        shown,
    )


def _not_known(verdict: Verdict) -> str:
    if verdict is Verdict.BLIND:
        return "blind: a cut hides it"
    if verdict is Verdict.FAULT:
        return "not known: what comes is not to be believed"
    return "not known: nothing comes"


def _closeness(one: MarginSeen) -> tuple[bool, bool, float, int]:
    """Armed first, known first, closest first; the file's order between equals."""
    unknown = one.share is None
    return (one.gate is Verdict.NO, unknown, 0.0 if unknown else one.margin / one.near, one.number)
