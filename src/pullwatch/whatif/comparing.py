"""The alarms of then beside those that other rules would have raised, over one session."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.alarm_record import spans
from pullwatch.annunciators.console import session_time
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.replaying import plan_of, reading_of
from pullwatch.station import Path
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.armed import NO, YES
from pullwatch.watchdog.columnwise import ColumnJudge
from pullwatch.watchdog.conditions import Comparison
from pullwatch.watchdog.judge import Watchdog
from pullwatch.whatif.sameness import judged_otherwise, same_reading, without_reloads

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.recording.reader import Block, Session
    from pullwatch.setup import Plan
    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.armed import Armed, ArmedRule
    from pullwatch.watchdog.firstout import Changes
    from pullwatch.watchdog.rules import Rule, RuleSet

JOIN: Final = 30 * NS_PER_S
"""Session ns judged in one step."""
SAME_EPISODE: Final = 2 * NS_PER_S
"""Two alarms of one rule that overlap, or begin within this of each other, are the same one told at another time."""


class _Measuring(ColumnJudge):
    """Notes the least margin of every rule while it is armed, batch by batch."""

    def __init__(self, armed: Armed) -> None:
        super().__init__(armed)
        self.margins: dict[str, tuple[float, int]] = {}

    def _walk(self, rule: ArmedRule, acts: Sequence[Act], out: Changes) -> None:
        trip = self._judged[rule.trip.number]
        if not rule.trip.is_lost and len(trip.t):
            gate_t, gate_v = self._gate_of(rule, trip)
            place = np.searchsorted(gate_t, trip.t, side="right") - 1
            gate = np.where(place < 0, rule.runup.gate, gate_v[place] if len(gate_t) else 0)
            known = np.flatnonzero((gate == YES) & ((trip.verdict == YES) | (trip.verdict == NO)) & trip.good)
            if len(known):
                value, limit = trip.value[known], trip.limit[known]
                margin = limit - value if rule.trip.upward else value - limit
                least = int(np.argmin(margin))
                so_far = self.margins.get(rule.rule.name)
                if so_far is None or margin[least] < so_far[0]:
                    self.margins[rule.rule.name] = float(margin[least]), int(trip.t[known[least]])
        super()._walk(rule, acts, out)


class Measured(Watchdog):
    """A watchdog that judges in columns and notes margins. Rules changed on the way are followed, not measured."""

    def __init__(self, rules: RuleSet) -> None:
        super().__init__(rules, way="columns")
        self._measuring = _Measuring(self._armed)
        self._columns = self._measuring

    @property
    def margins(self) -> dict[str, tuple[float, int]]:
        """The least margin by rule (unit of its trip; negative: beyond), and when (session ns)."""
        return self._measuring.margins


@dataclass(slots=True)
class Side:
    """One side of a comparison: the rules, what they changed, and how near it came."""

    plan: Plan
    changes: list[tuple[str, Change]] = field(default_factory=list)
    margins: dict[str, tuple[float, int]] = field(default_factory=dict)
    now: int = -1

    def rule(self, name: str) -> Rule | None:
        """Return the rule of that name, None if there is none."""
        return next((rule for rule in self.plan.rules.rules if rule.name == name), None)

    def episodes(self) -> dict[str, list[tuple[Change, int]]]:
        """Return for each rule the raises in order, each with the time its alarm ceased to be active."""
        out: dict[str, list[tuple[Change, int]]] = {}
        for name in dict.fromkeys(name for name, _ in self.changes):
            mine = [change for each, change in self.changes if each == name]
            active = [span for found in spans(mine, self.now).values() for span in found]
            ends = dict(active)
            raised = [change for change in mine if change.event is Event.RAISE]
            out[name] = [(change, ends.get(change.t, change.t)) for change in raised]
        return out


@dataclass(frozen=True, slots=True)
class Moved:
    """An alarm of both sides: raised then and now."""

    name: str
    then: Change
    new: Change

    @property
    def by(self) -> int:
        """How much later it came (ns; negative: earlier)."""
        return self.new.t - self.then.t


@dataclass(slots=True)
class Compared:
    """What other rules change: alarms added and removed, those that moved, those as they were."""

    then: Side
    new: Side
    added: list[tuple[str, Change]] = field(default_factory=list)
    removed: list[tuple[str, Change]] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    same: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def alike(self) -> bool:
        """Whether the same alarms come at the same times."""
        return not (self.added or self.removed or self.moved)


def compare(session: Session, rules: Plan) -> Compared:
    """Replay a session under its own rules and under those of `rules`, from the begin to the end.

    Raises SetupError when `rules` reads the bytes otherwise, SessionError for what cannot be read.
    """
    then_plan = plan_of(session)
    new_plan = same_reading(then_plan, rules)
    compared = Compared(Side(then_plan), Side(new_plan))
    compared.notes += [f"{words}." for words in judged_otherwise(then_plan, new_plan)]
    then, new = _Judging(compared.then, follow=True), _Judging(compared.new, follow=False)
    for block in session.blocks(join_ns=JOIN):
        if block.gap_before and then.now >= 0:
            compared.notes.append(
                f"something is lost before {session_time(block.now)}: both were judged anew from there on."
            )
        then.take(block)
        new.take(block)
    then.close()
    new.close()
    if then.reloads:
        compared.notes.append(
            "the rules were changed while it was recorded: the margins of then count up to the first change, and what "
            "would have been is judged by the new rules from begin to end."
        )
    _pair(compared)
    return compared


class _Judging:
    """Puts blocks through one side."""

    def __init__(self, side: Side, *, follow: bool) -> None:
        self._side = side
        self._follow = follow
        self._path = self._begin()
        self.now = -1
        self.reloads = 0

    def _begin(self, now: int = -1) -> Path:
        path = Path(self._side.plan)
        self._watchdog = Measured(self._side.plan.rules)
        path.watchdog = self._watchdog
        if now >= 0:
            # Nothing is known of before; what has not spoken since is not called lost for that alone.
            state = path.watchdog.state()
            state["now"] = now
            for row in state["latest"]:
                row[4] = False
            path.watchdog.restore(state)
        return path

    def take(self, block: Block) -> None:
        records = block.records
        if not self._follow:
            records, _ = without_reloads(records)
        if block.gap_before and self.now >= 0:
            self._note()
            self._path = self._begin(records[0].t - 1 if records else block.now - 1)
        _, changes = self._path.take(block.now, records)
        rules = self._path.plan.rules.rules
        self._side.changes += [(rules[change.rule].name, change) for change in changes]
        self._side.now = self.now = block.now
        self.reloads = max(self.reloads, self._path.reloads)

    def close(self) -> None:
        self._note()

    def _note(self) -> None:
        for name, found in self._watchdog.margins.items():
            so_far = self._side.margins.get(name)
            if so_far is None or found[0] < so_far[0]:
                self._side.margins[name] = found


def _pair(compared: Compared) -> None:
    """Pair the alarms of both sides, rule by rule in order of time."""
    then, new = compared.then.episodes(), compared.new.episodes()
    for name in dict.fromkeys((*then, *new)):
        left = list(new.get(name, []))
        for was, was_end in then.get(name, []):
            match = next(
                (
                    place
                    for place, (one, end) in enumerate(left)
                    if abs(one.t - was.t) <= SAME_EPISODE or (one.t < was_end and was.t < end)
                ),
                None,
            )
            if match is None:
                compared.removed.append((name, was))
                continue
            compared.added += [(name, one) for one, _ in left[:match]]
            one, _ = left[match]
            del left[: match + 1]
            if one.t == was.t:
                compared.same += 1
            else:
                compared.moved.append(Moved(name, was, one))
        compared.added += [(name, one) for one, _ in left]
    for moments in (compared.added, compared.removed):
        moments.sort(key=lambda one: one[1].t)
    compared.moved.sort(key=lambda one: one.new.t)


# ---- in words --------------------------------------------------------------------------------------------------------


def lines(session: Session, compared: Compared, *, texts: bool = False) -> Iterator[str]:
    """Yield a comparison in words, the outcome first; with `texts` what is written otherwise in every rule."""
    earlier = sum(one.by < 0 for one in compared.moved)
    later = len(compared.moved) - earlier
    yield (
        f"WHAT IF {compared.new.plan.setup_file} had judged {session.folder.name}: {len(compared.added)} alarms added, "
        f"{len(compared.removed)} removed, {earlier} earlier, {later} later, {compared.same} as they were."
    )
    yield from reading_of(session)
    if texts:
        yield from rule_differences(compared.then.plan, compared.new.plan)
    for word, side, found in (
        ("added", compared.new, compared.added),
        ("removed", compared.then, compared.removed),
    ):
        for name, change in found:
            yield f"  {word:<8} {session_time(change.t):>11}  {name}{_reading(side, name, change)}"
    for one in compared.moved:
        word = "earlier" if one.by < 0 else "later"
        yield (
            f"  {word:<8} {session_time(one.new.t):>11}  {one.name}: by {abs(one.by) / NS_PER_MS:,.1f} ms"
            f"{_reading(compared.new, one.name, one.new)}"
        )
    yield from _margins(compared)
    yield from (f"  note: {note}" for note in compared.notes)


def _reading(side: Side, name: str, change: Change) -> str:
    rule = side.rule(name)
    if rule is None or not isinstance(rule.trip, Comparison) or math.isnan(change.value):
        return ""
    channel = side.plan.channels[rule.trip.left]
    return f"  {channel.name} {channel.format(change.value)} {rule.trip.op} limit {channel.format(change.limit)}"


def _margins(compared: Compared) -> Iterator[str]:
    """Say how near every rule came where that is not what it was."""
    for name in dict.fromkeys((*compared.new.margins, *compared.then.margins)):
        was, now = compared.then.margins.get(name), compared.new.margins.get(name)
        if was == now:
            continue
        yield f"  margin   {name}: {_margin(compared.then, name, was)} then, {_margin(compared.new, name, now)} so"


def _margin(side: Side, name: str, found: tuple[float, int] | None) -> str:
    rule = side.rule(name)
    if rule is None:
        return "no such rule"
    if found is None:
        return "never armed with a reading"
    return margin_words(side.plan, rule, found[0])


def margin_words(plan: Plan, rule: Rule, margin: float) -> str:
    """Write a margin with its unit: how far short of the limit, or beyond it."""
    channel = plan.channels[rule.trip.left]
    unit = f" {channel.unit}" if channel.unit else ""
    return f"{abs(margin):.{channel.digits + 1}f}{unit} {'beyond' if margin < 0 else 'short of'} the limit"


def rule_differences(then: Plan, new: Plan) -> Iterator[str]:
    """Yield what is written otherwise: rules of then beside rules of now, and the limits they name."""
    before = {facts.name: facts for facts in then.facts}
    after = {facts.name: facts for facts in new.facts}
    for name in (name for name in before if name not in after):
        yield f"  only then: {name} ({before[name].trip})"
    for name in (name for name in after if name not in before):
        yield f"  only now: {name} ({after[name].trip})"
    keys = ("trip", "while_", "silent_while", "on_delay", "dose", "at_least_samples", "off_delay", "latch", "priority", "group", "says")  # fmt: skip  # noqa: E501 - one list
    for name, facts in after.items():
        old = before.get(name)
        changed = [key for key in keys if old is not None and getattr(old, key) != getattr(facts, key)]
        if old is not None and changed:
            each = (f"{key.rstrip('_')} {_shown(key, old)} then, {_shown(key, facts)} now" for key in changed)
            yield f"  {name}: {'; '.join(each)}"
    limits = {limit.name: limit for limit in then.limits}
    for limit in new.limits:
        was = limits.get(limit.name)
        if was is not None and was != limit:
            unit = new.channel(limit.limits).unit
            yield f"  limit {limit.name}: {_points(was.value)} then, {_points(limit.value)} {unit} now".rstrip()


def _points(values: Sequence[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)


def _shown(key: str, facts: object) -> str:
    value = getattr(facts, key)
    if key in ("on_delay", "off_delay"):
        return f"{value / NS_PER_MS:g} ms"
    if key == "dose":
        return f"{value / 1e15:g} s"
    if key == "priority":
        return str(value.name.lower())
    return f'"{value}"' if isinstance(value, str) else str(value).lower()
