"""The oracle: the definition of judging, evaluated at every nanosecond of a short trace.

Written from the specification in DEVELOPERS.md ("How it is judged") and from nothing else. It is slow on purpose: what
a channel shows, what a sum is and what a condition answers are lists with one entry per nanosecond, and every window is
a loop over the nanoseconds in it. It shares the contract types with the engine, and none of its ideas.

Where the specification leaves a choice, the reading taken here is marked "Reading:".
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

from pullwatch.batch import Kind
from pullwatch.channels import delay_window
from pullwatch.columns import Why
from pullwatch.watchdog.alarms import ACTIVE, HIDDEN, LONGEST_SHELF, TABLE, Change, Event, Priority, State
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Lost, Not, Surely, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.batch import Record
    from pullwatch.channels import Channel
    from pullwatch.columns import Sample
    from pullwatch.watchdog.conditions import Condition, Sum
    from pullwatch.watchdog.rules import Rule, RuleSet

NO, FAULT, STALE, BLIND, YES = Verdict.NO, Verdict.FAULT, Verdict.STALE, Verdict.BLIND, Verdict.YES

Shown: TypeAlias = "float | Verdict"
"""What a channel or a sum is at one instant: a number, or FAULT or STALE."""


def opposite(verdict: Verdict) -> Verdict:
    """`not`: swaps yes and no and keeps the others."""
    if verdict is YES:
        return NO
    if verdict is NO:
        return YES
    return verdict


def either(verdicts: list[Verdict]) -> Verdict:
    """`or`: yes if one is yes, no if all are no, else the least not-knowing."""
    if YES in verdicts:
        return YES
    unknown = [verdict for verdict in verdicts if verdict is not NO]
    return min(unknown) if unknown else NO


def holds(left: float, op: str, right: float) -> bool:
    """Whether `left op right`."""
    match op:
        case ">":
            return left > right
        case ">=":
            return left >= right
        case "<":
            return left < right
        case "<=":
            return left <= right
        case "==":
            return left == right
        case "!=":
            return left != right
    raise AssertionError(op)


def is_back(left: float, op: str, strictest: float, deadband: float) -> bool:
    """Whether the left side is back on the harmless side of a limit, deadband included."""
    if op == ">=" and deadband == 0:
        return left < strictest
    if op == "<=" and deadband == 0:
        return left > strictest
    if op in (">", ">="):
        return left <= strictest - deadband
    return left >= strictest + deadband


@dataclass(frozen=True, slots=True)
class Judged:
    """One comparison (or lost-test) at one instant: its verdict, and what it was found with when last judged."""

    verdict: Verdict
    value: float = math.nan
    limit: float = math.nan
    excess: int = 0


@dataclass(slots=True)
class Moment:
    """One rule at one instant, for tests that ask how a result came about."""

    trip: Verdict
    gate: Verdict
    run_up: int
    counted: int
    state: State


class Oracle:
    """Every verdict of every instant from 0 to `end`, and the changes that follow from them."""

    def __init__(self, rules: RuleSet, samples: Sequence[Sample], records: Sequence[Record], end: int) -> None:
        self.rules = rules
        self.records = records
        self.end = end
        self.channels: dict[int, Channel] = {channel.number: channel for channel in rules.channels}
        self.sampled: dict[int, dict[int, Shown]] = {number: {} for number in self.channels}
        for t, number, value, why in samples:
            if t <= end:
                self.sampled[number][t] = value if why == Why.GOOD else FAULT
        self.shows = {number: self.history(number) for number in self.channels}
        self.known_answers: dict[Condition, list[Verdict]] = {}
        self.known_blind = {
            number: self.answers(condition, blindable=False) for number, condition in rules.blinds.items()
        }
        self.known_answers.clear()
        self.moments: list[list[Moment]] = []
        self.changes = self.run()

    # Values

    def history(self, number: int) -> list[Shown]:
        """Return what channel `number` shows at every instant."""
        stale_after = self.channels[number].stale_after
        out: list[Shown] = []
        last: Shown = STALE
        age = 0
        for t in range(self.end + 1):
            age += 1
            if t in self.sampled[number]:
                last = self.sampled[number][t]
                age = 0
            out.append(STALE if age >= stale_after else last)
        return out

    def goes_stale(self, number: int, t: int) -> bool:
        """Whether `t` is the instant at which the channel's last sample becomes too old."""
        return t > 0 and self.shows[number][t] is STALE and self.shows[number][t - 1] is not STALE

    def is_instant(self, number: int, t: int) -> bool:
        """Whether a comparison with this left channel is judged at `t`."""
        return t in self.sampled[number] or self.goes_stale(number, t)

    def window(self, number: int, t: int) -> tuple[int, int]:
        """Return the delay window of channel `number` at `t` as its first and last instant."""
        delay = self.channels[number].delay
        if delay.is_none:
            return t, t
        speed: Shown = STALE if self.rules.engine_speed is None else self.shows[self.rules.engine_speed][t]
        least, most = delay_window(delay, None if isinstance(speed, Verdict) else speed)
        return t - most, t - least

    # Right sides

    def sum_at(self, right: Sum, t: int) -> Shown:
        """Return a sum at one instant."""
        if t < 0:
            return STALE
        used = [term.channel for term in right if term.channel is not None]
        used += [self.rules.curves[term.curve].along for term in right if term.curve is not None]
        shown = {number: self.shows[number][t] for number in used}
        faulty = any(value is FAULT for value in shown.values())  # by identity: 1.0 equals FAULT
        total: float | None = None
        for term in right:
            if term.channel is not None:
                value = shown[term.channel]
                part = math.nan if isinstance(value, Verdict) else term.factor * value
            elif term.curve is not None:
                curve = self.rules.curves[term.curve]
                along = shown[curve.along]
                limit = math.nan if isinstance(along, Verdict) else curve.one(along)
                # A limit that is not known there is a fault, unless it is only the channel that is not known.
                faulty = faulty or (math.isnan(limit) and not isinstance(along, Verdict))
                part = term.factor * limit
            else:
                part = term.factor
            total = part if total is None else total + part
        if faulty:
            return FAULT
        if any(value is STALE for value in shown.values()):
            return STALE
        assert total is not None
        return total

    def sums(self, right: Sum, first: int, last: int) -> tuple[list[float], list[Verdict]]:
        """Return K and U: the numbers and the not-knowings a sum has in a window."""
        numbers: list[float] = []
        unknown: list[Verdict] = [STALE] if first < 0 else []
        for t in range(max(first, 0), last + 1):
            shown = self.sum_at(right, t)
            if isinstance(shown, Verdict):
                unknown.append(shown)
            else:
                numbers.append(shown)
        return numbers, unknown

    # Comparisons

    def is_blind(self, number: int, t: int) -> bool:
        """Whether a cut hides what channel `number` shows at `t`."""
        if number not in self.known_blind:
            return False
        first, last = self.window(number, t)
        first -= 3 * self.channels[number].delay.time_constant
        return any(self.known_blind[number][u] is YES for u in range(max(first, 0), last + 1))

    def compare(self, comparison: Comparison, *, blindable: bool = True) -> list[Judged]:
        """Return a comparison at every instant."""
        left = comparison.left
        out: list[Judged] = []
        side = NO
        now = Judged(STALE)
        for t in range(self.end + 1):
            if self.is_instant(left, t):
                side, now = self.judge(comparison, t, side, now, blindable=blindable)
            out.append(now)
        return out

    def judge(
        self, comparison: Comparison, t: int, side: Verdict, before: Judged, *, blindable: bool
    ) -> tuple[Verdict, Judged]:
        """Judge a comparison at one of its instants; return its side and what was found."""
        op, deadband = comparison.op, comparison.deadband
        left = self.shows[comparison.left][t]
        if isinstance(left, Verdict):
            return side, Judged(left, before.value, before.limit)
        if blindable and self.is_blind(comparison.left, t):
            return side, Judged(BLIND, before.value, before.limit)
        first, last = (t, t) if op in ("==", "!=") else self.window(comparison.left, t)
        numbers, unknown = self.sums(comparison.right, first, last)
        if not numbers:
            return side, Judged(FAULT if FAULT in unknown else STALE, before.value, before.limit)
        strictest = min(numbers) if op in (">", ">=") else max(numbers)
        if op in ("==", "!="):
            return side, Judged(YES if holds(left, op, strictest) else NO, left, strictest)
        if holds(left, op, strictest):
            side = YES
        elif unknown:
            return side, Judged(FAULT if FAULT in unknown else STALE, left, strictest)
        elif is_back(left, op, strictest, deadband):
            side = NO
        excess = round(((left - strictest) if op in (">", ">=") else (strictest - left)) * 1e6)
        return side, Judged(side, left, strictest, excess)

    def lost(self, number: int) -> list[Verdict]:
        """Return `channel is lost` at every instant."""
        out: list[Verdict] = []
        first = min(self.sampled[number], default=self.end + 1)
        for t in range(self.end + 1):
            if t < first:
                out.append(STALE if t < self.channels[number].stale_after else YES)
            else:
                out.append(YES if isinstance(self.shows[number][t], Verdict) else NO)
        return out

    def answers(self, condition: Condition, *, blindable: bool = True) -> list[Verdict]:
        """Return what a condition answers at every instant."""
        found = self.known_answers.get(condition)
        if found is None:
            found = self.known_answers[condition] = self.find_answers(condition, blindable=blindable)
        return found

    def find_answers(self, condition: Condition, *, blindable: bool) -> list[Verdict]:
        """Return what a condition answers at every instant, every part evaluated whatever the others say."""
        match condition:
            case Comparison():
                return [judged.verdict for judged in self.compare(condition, blindable=blindable)]
            case Lost(left):
                return self.lost(left)
            case Not(part):
                return [opposite(verdict) for verdict in self.answers(part, blindable=blindable)]
            case Surely(part):
                return [YES if verdict is YES else NO for verdict in self.answers(part, blindable=blindable)]
            case AllOf(parts):
                lists = [self.answers(part, blindable=blindable) for part in parts]
                return [min(verdicts) for verdicts in zip(*lists, strict=True)]
            case AnyOf(parts):
                lists = [self.answers(part, blindable=blindable) for part in parts]
                return [either(list(verdicts)) for verdicts in zip(*lists, strict=True)]

    # Rules

    def trip(self, rule: Rule) -> list[Judged]:
        """Return T, its value, limit and excess at every instant."""
        if isinstance(rule.trip, Lost):
            return [Judged(verdict) for verdict in self.lost(rule.trip.left)]
        return self.compare(rule.trip)

    def gate(self, rule: Rule) -> list[Verdict]:
        """Return G at every instant."""
        if rule.gate is None:
            return [YES] * (self.end + 1)
        answers = self.answers(rule.gate)
        left = rule.trip.left
        if isinstance(rule.trip, Lost) or self.channels[left].delay.is_none:
            return answers
        out: list[Verdict] = []
        standing = STALE
        for t in range(self.end + 1):
            if isinstance(self.shows[left][t], Verdict):
                out.append(answers[t])
                continue
            if self.is_instant(left, t):
                first, last = self.window(left, t)
                met = [STALE] if first < 0 else []
                met += [answers[u] for u in range(max(first, 0), last + 1)]
                standing = either(met)
            out.append(standing)
        return out

    def run(self) -> list[Change]:
        """Go through time one nanosecond at a time and return every change."""
        watched = [Watched(self, rule) for rule in self.rules.rules]
        by_name = {one.rule.name: one for one in watched}
        groups: dict[str, list[Watched]] = {}
        for one in watched:
            groups.setdefault(one.rule.group, []).append(one)
        acts = {record.t: record for record in self.records if record.kind in (Kind.ACT, Kind.CARRIED)}
        changes: list[Change] = []
        for t in range(self.end + 1):
            for one in watched:
                one.reach(t)
            if t in acts:
                self.act(acts[t], watched, by_name, changes)
            self.raise_and_clear(t, watched, groups, changes)
            for one in watched:
                one.note(t)
        self.moments = [one.moments for one in watched]
        return changes

    def act(self, record: Record, watched: list[Watched], by_name: dict[str, Watched], changes: list[Change]) -> None:
        """Take one act: acknowledge, reset, or alarms carried in. Reading: its instant is the record's `t`."""
        payload = json.loads(record.data)
        if record.kind is Kind.CARRIED:
            for carried in payload["alarms"]:
                if carried["rule"] in by_name:
                    one, state = by_name[carried["rule"]], State(carried["state"])
                    if state is State.SHELVED:
                        continue
                    # Reading: an alarm that stands already is not carried in; its off-delay runs on.
                    if state in ACTIVE and one.state not in ACTIVE:
                        one.rule_no = 0
                    changes += one.put(record.t, state, None)
            return
        event = {"acknowledge": Event.ACKNOWLEDGE, "reset": Event.RESET}.get(payload["act"])
        if event is not None:
            for one in watched:
                if payload["rule"] in (None, one.rule.name):
                    changes += one.put(record.t, TABLE[one.state, event], event)
        elif payload["rule"] in by_name:
            self.hide(record.t, payload, by_name[payload["rule"]], changes)

    def hide(self, t: int, payload: dict[str, object], one: Watched, changes: list[Change]) -> None:
        """Take an act that hides a rule, or shows it again."""
        match payload["act"]:
            case "shelve":
                span = payload["for_ns"]
                assert isinstance(span, int)
                if one.rule.priority is Priority.CRITICAL or not 0 < span <= LONGEST_SHELF:
                    return
                event = Event.SHELVE
                one.until = t + span
            case "unshelve":
                event = Event.UNSHELVE
            case "out-of-service":
                event = Event.TAKE_OUT
            case "in-service":
                event = Event.PUT_BACK
            case _:
                return
        changes += one.put(t, TABLE[one.state, event], event)

    def raise_and_clear(
        self, t: int, watched: list[Watched], groups: dict[str, list[Watched]], changes: list[Change]
    ) -> None:
        """Raise and clear in file order, and mark the first-out of every group that was opened at this instant."""
        for one in watched:
            if one.state is State.SHELVED and t >= one.until:
                changes += one.put(t, State.NORMAL, Event.SHELF_OVER)
        opened: dict[str, list[int]] = {}  # places in `changes` of the raises that came after a group was normal
        for one in watched:
            group = one.rule.group
            normal = all(other.state is State.NORMAL or other.state in HIDDEN for other in groups[group])
            if one.is_raised(t):
                if normal:
                    opened[group] = []
                if group in opened:
                    opened[group].append(len(changes))
                changes += one.put(t, TABLE[one.state, Event.RAISE], Event.RAISE)
            elif one.is_cleared(t):
                event = Event.CLEAR_LATCHED if one.rule.latch else Event.CLEAR
                changes += one.put(t, TABLE[one.state, event], event)
        for places in opened.values():
            first = min(places, key=lambda place: (self.priority(changes[place].rule), place))
            # Reading: the mark stands at the raise only, not at what the same alarm does later.
            changes[first] = replace(changes[first], first_out=True)

    def priority(self, number: int) -> int:
        """Return the priority of the rule with this number."""
        return next(int(rule.priority) for rule in self.rules.rules if rule.number == number)


class Watched:
    """One rule on its way through time."""

    def __init__(self, oracle: Oracle, rule: Rule) -> None:
        self.rule = rule
        self.trips = oracle.trip(rule)
        self.gates = oracle.gate(rule)
        self.sampled = oracle.sampled[rule.trip.left]
        self.state = State.NORMAL
        self.run_up = 0
        self.counted = 0
        self.gate_no = 0  # ns for which G has been no, not knowing left out, since it was last yes
        self.rule_no = 0  # the same of V
        self.until = 0  # when its shelving ends
        self.moments: list[Moment] = []

    def verdict(self, t: int) -> Verdict:
        """Return V."""
        return min(self.trips[t].verdict, self.gates[t])

    def empty(self) -> None:
        """Empty the run-up."""
        self.run_up = 0
        self.counted = 0

    def reach(self, t: int) -> None:
        """Let the nanosecond before `t` pass, then take what is new at `t`."""
        if t > 0:
            self.pass_one(t - 1)
        trip, gate = self.trips[t].verdict, self.gates[t]
        if gate is YES:
            self.gate_no = 0
        if self.verdict(t) is YES:
            self.rule_no = 0
        if self.state in ACTIVE:
            return
        # Reading: a dose of nothing under a trip that says no is empty, drained or not.
        if trip is NO and (not self.rule.dose or self.run_up == 0):
            self.empty()
        if gate is NO and self.gate_no >= self.rule.off_delay:
            self.empty()
        if t in self.sampled and self.verdict(t) is YES:
            self.counted += 1

    def pass_one(self, t: int) -> None:
        """Let the nanosecond that begins at `t` pass."""
        trip, gate = self.trips[t], self.gates[t]
        self.gate_no += gate is NO
        self.rule_no += self.verdict(t) is NO
        if self.state in ACTIVE:
            return
        if trip.verdict is YES and gate is YES:
            if self.rule.dose:
                self.run_up = min(self.run_up + max(0, trip.excess), self.rule.dose)
            else:
                self.run_up += 1
        elif trip.verdict is NO and self.rule.dose:
            self.run_up += min(0, trip.excess)
            if self.run_up <= 0:
                self.empty()
        # Reading: the count is full at the end of its last ns, whatever the gate says then (clearing asks for more).
        if gate is NO and self.gate_no >= self.rule.off_delay:
            self.empty()

    def is_raised(self, t: int) -> bool:
        """Whether the alarm is raised at `t`."""
        if self.state in ACTIVE or self.state in HIDDEN or self.verdict(t) is not YES:
            return False
        # One sample asks for nothing: a trip may be yes, and its channel silent, long before the gate opens.
        enough = self.rule.at_least_samples <= 1 or self.counted >= self.rule.at_least_samples
        return enough and self.run_up >= (self.rule.dose or self.rule.on_delay)

    def is_cleared(self, t: int) -> bool:
        """Whether the alarm clears at `t`."""
        return self.state in ACTIVE and self.verdict(t) is NO and self.rule_no >= self.rule.off_delay

    def put(self, t: int, state: State, event: Event | None) -> list[Change]:
        """Put the alarm into a state and return the change, if it is one."""
        if state is self.state:
            return []
        # Reading: carried out of an active state, too, is an end that the run-up starts from empty after.
        if (state in ACTIVE) != (self.state in ACTIVE):
            self.empty()
        change = Change(t, self.rule.number, self.state, state, event, self.trips[t].value, self.trips[t].limit)
        self.state = state
        return [change]

    def note(self, t: int) -> None:
        """Note how the rule stands at the end of instant `t`."""
        self.moments.append(Moment(self.trips[t].verdict, self.gates[t], self.run_up, self.counted, self.state))


def judged(rules: RuleSet, samples: Sequence[Sample], records: Sequence[Record], end: int) -> list[Change]:
    """Return every change from instant 0 to `end` (both judged), in the order of the specification."""
    return Oracle(rules, samples, records, end).changes
