"""Arming: a rule set made ready to judge. Both ways of judging share what stands here, nothing else.

    leaves   every comparison and lost-test, once however often it is written; with its verdict and side
    gates    every `while` and `blind_while` condition, once; with a log of its verdicts where windows look back
    run-ups  one per rule
    latest   the last sample of every channel, and whether it is good, faulty or stale now
    ring     the samples that windows look back on

These are a checkpoint too (`carried`, `carry`).
"""

from __future__ import annotations

import bisect
import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.channels import NO_DELAY, delay_window, longest_window
from pullwatch.columns import Column, column
from pullwatch.errors import ExpressionError
from pullwatch.ring import Ring
from pullwatch.watchdog.conditions import SWAPPED, AllOf, AnyOf, Comparison, Lost, Not, Surely, Verdict, leaves
from pullwatch.watchdog.runup import RunUp

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.watchdog.conditions import Condition
    from pullwatch.watchdog.conditions import Leaf as Written
    from pullwatch.watchdog.rules import Rule, RuleSet

NO, FAULT, STALE, BLIND, YES = (int(verdict) for verdict in Verdict)
GOOD: Final = 0
"""Status of a channel whose last sample is good; else its status is FAULT or STALE."""
LONG_AGO: Final = -(1 << 62)
MICRO: Final = 1e6
"""Excess is counted in 10⁻⁶ of the unit."""


class Log:
    """A condition's verdicts as a step function: instants of change and what holds from each. Stale before time 0."""

    __slots__ = ("lookback", "times", "verdicts")

    def __init__(self, lookback: int) -> None:
        self.lookback = lookback
        self.times: list[int] = [LONG_AGO]
        self.verdicts: list[int] = [STALE]

    def add(self, t: int, verdict: int) -> None:
        """Note that `verdict` holds from `t` on; a second note at one instant replaces the first."""
        times, verdicts = self.times, self.verdicts
        if times[-1] == t:
            verdicts[-1] = verdict
            return
        times.append(t)
        verdicts.append(verdict)
        if len(times) > 64:
            self.trim(t)

    def trim(self, now: int) -> None:
        """Let go of what no window ending after `now` can reach."""
        keep = bisect.bisect_right(self.times, now - self.lookback) - 1
        if keep > 0:
            del self.times[:keep], self.verdicts[:keep]

    def within(self, first: int, last: int) -> list[int]:
        """Return the verdicts met in [first, last]."""
        i0 = bisect.bisect_right(self.times, first) - 1
        i1 = bisect.bisect_right(self.times, last)
        return self.verdicts[max(i0, 0) : i1]


class ArmedLeaf:
    """A comparison or lost-test with what it remembers."""

    __slots__ = (
        "blind", "blind_reach", "channel", "channels", "deadband", "delay", "excess", "gates", "is_lost", "is_plain",
        "limit", "number", "op", "rules", "rules_each", "side", "terms", "upward", "value", "verdict", "windowed",
        "written",
    )  # fmt: skip

    def __init__(self, number: int, written: Written, rules: RuleSet) -> None:
        self.number = number
        self.written = written
        self.channel = written.left
        self.is_lost = isinstance(written, Lost)
        self.is_plain = False
        """A comparison with a number, without window, blindness, dose or count: the commonest kind."""
        self.verdict = STALE
        self.side = False
        self.value = math.nan
        self.limit = math.nan
        self.excess = 0
        self.gates: list[ArmedGate] = []
        self.rules: list[int] = []
        """Rules to look at when the verdict changes ..."""
        self.rules_each: list[int] = []
        """... and those to look at whenever this is judged (doses, counted samples, windowed gates)."""
        self.delay = NO_DELAY
        self.blind: Log | None = None
        self.blind_reach = 0
        self.terms: tuple[tuple[float, int, Any], ...] = ()
        self.channels: tuple[int, ...] = ()
        self.op = ""
        self.upward = True
        self.deadband = 0.0
        self.windowed = False
        if isinstance(written, Comparison):
            self.op = written.op
            self.upward = written.upward
            self.deadband = written.deadband
            terms = []
            for term in written.right:
                curve = rules.curves[term.curve] if term.curve is not None else None
                channel = curve.along if curve is not None else (-1 if term.channel is None else term.channel)
                terms.append((term.factor, channel, curve))
            self.terms = tuple(terms)
            self.channels = tuple(sorted({channel for _, channel, _ in terms if channel >= 0}))
            self.delay = rules.channels[written.left].delay
            self.windowed = not self.delay.is_none and self.op not in ("==", "!=")

    @property
    def constant(self) -> float:
        """The right side of a comparison with numbers only."""
        total = self.terms[0][0]
        for factor, _, _ in self.terms[1:]:
            total = total + factor
        return total

    def beyond(self, value: float, limit: float) -> bool:
        """Whether `value` is on the side the comparison looks for."""
        match self.op:
            case ">":
                return value > limit
            case "<":
                return value < limit
            case ">=":
                return value >= limit
            case "<=":
                return value <= limit
            case "==":
                return value == limit
        return value != limit

    def back(self, value: float, limit: float) -> bool:
        """Whether `value` is back on the other side by the deadband (asked only when it is not beyond)."""
        if not self.deadband:
            return True
        return value <= limit - self.deadband if self.upward else value >= limit + self.deadband


class ArmedGate:
    """A `while` or `blind_while` condition with its verdict and, where windows look back on it, its log."""

    __slots__ = ("answer", "condition", "log", "number", "rules", "verdict")

    def __init__(self, number: int, condition: Condition, answer: Callable[[], int]) -> None:
        self.number = number
        self.condition = condition
        self.answer = answer
        self.verdict = answer()
        """Stale before anything was heard, unless the condition makes something else of that."""
        self.log: Log | None = None
        self.rules: list[int] = []

    def logged(self, lookback: int) -> Log:
        """Return the log, reaching back at least `lookback` ns."""
        if self.log is None:
            self.log = Log(lookback)
            if self.verdict != STALE:
                self.log.add(0, self.verdict)
        self.log.lookback = max(self.log.lookback, lookback)
        return self.log


class ArmedRule:
    """A rule bound to its trip and gate."""

    __slots__ = ("each", "gate", "rule", "runup", "trip", "window_gate", "windowed")

    def __init__(self, rule: Rule, trip: ArmedLeaf, gate: ArmedGate | None) -> None:
        self.rule = rule
        self.trip = trip
        self.gate = gate
        self.windowed = gate is not None and not trip.is_lost and not trip.delay.is_none
        self.each = self.windowed or rule.dose > 0 or rule.at_least_samples > 1
        self.window_gate = STALE if gate is None else gate.verdict
        """The windowed gate's verdict, standing since the left side was last judged."""
        self.runup = RunUp(rule, YES if gate is None else gate.verdict)


class Armed:
    """A rule set ready to judge, and everything it remembers."""

    def __init__(self, rules: RuleSet) -> None:
        self.rules = rules
        count = len(rules.channels)
        self.stale_after = [channel.stale_after for channel in rules.channels]
        self.latest_t = [LONG_AGO] * count
        self.latest_v = [math.nan] * count
        self.latest_why = [0] * count
        self.status = [STALE] * count
        self.unheard = [True] * count
        """Channels that have not spoken, up to the instant at which that makes them lost."""
        self.leaves: list[ArmedLeaf] = []
        self.gates: list[ArmedGate] = []
        self._leaf_of: dict[Written, ArmedLeaf] = {}
        self._gate_of: dict[Condition, ArmedGate] = {}
        lookback = [0] * count

        self.blind_gates: dict[int, ArmedGate] = {}
        for channel, condition in rules.blinds.items():
            for part in leaves(condition):
                if part.left in rules.blinds:
                    name = rules.channels[part.left].name
                    raise ExpressionError(
                        name, 0, "a condition that blinds a channel cannot rest on a channel that is blinded itself"
                    )
            self.blind_gates[channel] = self._gate(condition)
        self.pre_leaves = list(self.leaves)

        self.armed: list[ArmedRule] = []
        for rule in rules.rules:
            trip = self._leaf(rule.trip)
            gate = None if rule.gate is None else self._gate(rule.gate)
            armed = ArmedRule(rule, trip, gate)
            self.armed.append(armed)
            (trip.rules_each if armed.each else trip.rules).append(rule.number)
            if gate is not None:
                gate.rules.append(rule.number)
                if armed.windowed:
                    gate.logged(longest_window(trip.delay))

        for leaf in self.leaves:
            if leaf.is_lost:
                continue
            reach = longest_window(leaf.delay)
            if leaf.windowed:
                for channel in leaf.channels:
                    lookback[channel] = max(lookback[channel], reach)
            leaf.is_plain = (
                leaf.op not in ("==", "!=")
                and not (leaf.windowed or leaf.channels or leaf.rules_each)
                and leaf.channel not in self.blind_gates
            )
            if leaf.channel in self.blind_gates:
                leaf.blind_reach = 3 * leaf.delay.time_constant
                leaf.blind = self.blind_gates[leaf.channel].logged(reach + leaf.blind_reach)
        self.lookback = lookback
        self.ring = Ring(lookback)
        self.deep = [ns > 0 for ns in lookback]
        """Channels whose past the ring keeps; of the others only the latest sample is ever asked for."""
        self.now = -1
        """Everything up to and including this instant has been judged."""
        self.by_name = {rule.name: rule for rule in rules.rules}

    def _leaf(self, written: Written) -> ArmedLeaf:
        leaf = self._leaf_of.get(written)
        if leaf is None:
            leaf = self._leaf_of[written] = ArmedLeaf(len(self.leaves), written, self.rules)
            self.leaves.append(leaf)
        return leaf

    def leaf_of(self, written: Written) -> ArmedLeaf:
        """Return the armed leaf of a comparison or lost-test that stands in a rule."""
        return self._leaf_of[written]

    def _gate(self, condition: Condition) -> ArmedGate:
        gate = self._gate_of.get(condition)
        if gate is None:
            gate = ArmedGate(len(self.gates), condition, self._answer(condition))
            self._gate_of[condition] = gate
            self.gates.append(gate)
            for written in leaves(condition):
                users = self._leaf(written).gates
                if gate not in users:
                    users.append(gate)
        return gate

    def _answer(self, condition: Condition) -> Callable[[], int]:
        """Return a closure that answers the condition from its leaves' verdicts. No part is ever skipped."""
        match condition:
            case Comparison() | Lost():
                leaf = self._leaf(condition)
                return lambda: leaf.verdict
            case Not(part):
                inner = self._answer(part)
                return lambda: SWAPPED[inner()]
            case Surely(part):
                known = self._answer(part)
                return lambda: YES if known() == YES else NO
            case AllOf(parts):
                answers = [self._answer(part) for part in parts]
                return lambda: min([answer() for answer in answers])
            case AnyOf(parts):  # pragma: no branch - every condition is one of these
                answers = [self._answer(part) for part in parts]
                return lambda: SWAPPED[min([SWAPPED[answer()] for answer in answers])]

    def rpm(self) -> float | None:
        """Engine speed at the present instant, None when it is not known."""
        channel = self.rules.engine_speed
        return self.latest_v[channel] if channel is not None and self.status[channel] == GOOD else None

    def window_of(self, leaf: ArmedLeaf) -> tuple[int, int]:
        """Return (least, most) ns of the leaf's left channel at the present instant."""
        return delay_window(leaf.delay, self.rpm())

    def adopt(self, old: Armed, t: int, known: Mapping[int, int]) -> None:
        """Take over from a set with the same channels that judged everything before `t`; `known` maps our rules to its.

        What is written the same goes on as if nothing had happened. A comparison that was not there before is stale
        until its left side's next sample; a rule that is written otherwise keeps its alarm and starts a new run-up.
        """
        self.now = old.now
        for name in ("latest_t", "latest_v", "latest_why", "status", "unheard"):
            getattr(self, name)[:] = getattr(old, name)  # in place: the closures of judging hold these lists
        for channel, deep in enumerate(self.deep):
            if deep and old.deep[channel]:
                self.ring.extend(channel, old.ring.held(channel))
            elif deep and self.latest_t[channel] != LONG_AGO:
                self.ring.append(channel, self.latest_t[channel], self.latest_v[channel], self.latest_why[channel])
        for leaf in self.leaves:
            mine = old.leaf_as(leaf)
            if mine is not None:
                leaf.verdict, leaf.side, leaf.excess = mine.verdict, mine.side, mine.excess
                leaf.value, leaf.limit = mine.value, mine.limit
            elif leaf.is_lost:
                silent = self.status[leaf.channel] == STALE and self.unheard[leaf.channel]
                leaf.verdict = NO if self.status[leaf.channel] == GOOD else STALE if silent else YES
        for gate in self.gates:
            gate.verdict = gate.answer()
            if gate.log is not None:
                before = old.gate_as(gate, self)
                if before is not None and before.log is not None:
                    gate.log.times, gate.log.verdicts = before.log.times[:], before.log.verdicts[:]
                else:
                    gate.log.times, gate.log.verdicts = [LONG_AGO, t], [STALE, gate.verdict]
        for rule in self.armed:
            number = known.get(rule.rule.number)
            was = None if number is None else old.armed[number]
            if was is not None and old.same_rule(was, rule, self):
                rule.runup.carry(was.runup.carried())
                rule.window_gate = was.window_gate
            else:
                self._begin(rule, was, t)

    def _begin(self, rule: ArmedRule, was: ArmedRule | None, t: int) -> None:
        """Begin a new run-up at `t`, to be looked at then; the alarm stays what it was."""
        runup = rule.runup
        if was is not None:
            runup.place(was.runup.state)
            runup.until = was.runup.until
        runup.t = runup.due = t
        runup.trip = rule.trip.verdict
        if rule.gate is not None:
            # A gate that looks back is asked when the left side is next judged; until then it is not known.
            waits = rule.windowed and self.status[rule.trip.channel] == GOOD
            rule.window_gate = STALE if waits else rule.gate.verdict
            runup.gate = rule.window_gate if rule.windowed else rule.gate.verdict

    def same_rule(self, mine: ArmedRule, rule: ArmedRule, theirs: Armed) -> bool:
        """Whether a rule of ours and one of another set are written the same and mean the same."""
        same_gate = (mine.gate is None) == (rule.gate is None)
        if mine.gate is not None and rule.gate is not None:
            same_gate = self.gate_as(rule.gate, theirs) is mine.gate
        return mine.rule == rule.rule and self.leaf_as(rule.trip) is mine.trip and same_gate

    def leaf_as(self, leaf: ArmedLeaf) -> ArmedLeaf | None:
        """Return our leaf that is written the same and means the same, if there is one."""
        mine = self._leaf_of.get(leaf.written)
        means = mine is not None and mine.terms == leaf.terms and mine.delay == leaf.delay
        blinded = mine is not None and (mine.blind is None) == (leaf.blind is None)
        return mine if means and blinded else None

    def gate_as(self, gate: ArmedGate, theirs: Armed) -> ArmedGate | None:
        """Return our gate that is written the same over leaves that mean the same, if there is one."""
        mine = self._gate_of.get(gate.condition)
        same = all(self.leaf_as(theirs.leaf_of(written)) is not None for written in leaves(gate.condition))
        return mine if mine is not None and same else None

    def carried(self) -> dict[str, Any]:
        """Return all that is remembered, as plain JSON."""
        return {
            "now": self.now,
            "latest": [
                [t, v if math.isfinite(v) else None, why, status, unheard]
                for t, v, why, status, unheard in zip(
                    self.latest_t, self.latest_v, self.latest_why, self.status, self.unheard, strict=True
                )
            ],
            "leaves": [
                [
                    leaf.verdict,
                    leaf.side,
                    *(None if math.isnan(x) else x for x in (leaf.value, leaf.limit)),
                    leaf.excess,
                ]
                for leaf in self.leaves
            ],
            "gates": [
                [gate.verdict, *((list(gate.log.times), list(gate.log.verdicts)) if gate.log else (None, None))]
                for gate in self.gates
            ],
            "rules": [[armed.window_gate, armed.runup.carried()] for armed in self.armed],
            "ring": {
                str(channel): [
                    held.t.tolist(),
                    [v if math.isfinite(v) else None for v in held.v.tolist()],
                    held.why.tolist(),
                ]
                for channel, held in ((c, self.ring.held(c)) for c, deep in enumerate(self.deep) if deep)
            },
        }

    def carry(self, state: dict[str, Any]) -> None:
        """Take up what `carried` returned for the same rule set."""
        self.now = state["now"]
        for channel, (t, v, why, status, unheard) in enumerate(state["latest"]):
            self.latest_t[channel] = t
            self.latest_v[channel] = math.nan if v is None else v
            self.latest_why[channel] = why
            self.status[channel] = status
            self.unheard[channel] = unheard
        for leaf, (verdict, side, value, limit, excess) in zip(self.leaves, state["leaves"], strict=True):
            leaf.verdict, leaf.side, leaf.excess = verdict, side, excess
            leaf.value = math.nan if value is None else value
            leaf.limit = math.nan if limit is None else limit
        for gate, (verdict, times, verdicts) in zip(self.gates, state["gates"], strict=True):
            gate.verdict = verdict
            if gate.log is not None:
                gate.log.times, gate.log.verdicts = list(times), list(verdicts)
        for armed, (window_gate, numbers) in zip(self.armed, state["rules"], strict=True):
            armed.window_gate = window_gate
            armed.runup.carry(numbers)
        self.ring = Ring(self.lookback)
        for channel, (times, values, whys) in state["ring"].items():
            held: Column = column(times, [math.nan if v is None else v for v in values], whys)
            self.ring.extend(int(channel), held)
