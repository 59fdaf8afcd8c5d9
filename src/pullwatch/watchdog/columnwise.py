"""Judging in columns: the way for many records. Same meaning, bit for bit, as `stepping`.

Everything is a step function of integer time, held as arrays: the instants at which it is set, and what holds from
each. Leaves are judged for a whole batch at once; only the run-ups are walked, and only where one is under way.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import FASTEST_RPM, SLOWEST_RPM
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.armed import BLIND, FAULT, GOOD, LONG_AGO, MICRO, NO, STALE, YES
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Lost, Not, Surely
from pullwatch.watchdog.runup import NEVER
from pullwatch.watchdog.steps import SWAP, Judged, Steps, Track, changes_only, least_unknown, merge

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.columns import Columns
    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.armed import Armed, ArmedGate, ArmedLeaf, ArmedRule
    from pullwatch.watchdog.conditions import Condition
    from pullwatch.watchdog.firstout import Changes
    from pullwatch.watchdog.steps import Codes, Flags, Floats, Ints


_TURN: Final[dict[Event | None, int]] = {
    Event.SHELF_OVER: 1,
    Event.RAISE: 2,
    Event.CLEAR: 2,
    Event.CLEAR_LATCHED: 2,
}
"""Which changes of one instant come after the acts'."""


class ColumnJudge:
    """Judges an armed rule set a whole batch at a time."""

    def __init__(self, armed: Armed) -> None:
        self.armed = armed
        self._needed = {leaf.channel for leaf in armed.leaves} | {c for leaf in armed.leaves for c in leaf.channels}
        if armed.rules.engine_speed is not None and any(leaf.delay.turns for leaf in armed.leaves):
            self._needed.add(armed.rules.engine_speed)
        self._tracks: dict[int, Track] = {}
        self._sums: dict[tuple[object, ...], Track] = {}
        self._columns: Columns = {}
        self._judged: list[Judged] = []
        self._steps: dict[int, Steps] = {}
        self._after = -1
        self._now = -1

    def judge(self, columns: Columns, acts: Sequence[Act], now: int, out: Changes) -> None:
        """Judge everything after what was judged before, up to and including `now`.

        The ring already holds the columns of the channels it keeps; `out` gets the changes in order of time, at one
        instant acts first, then rules in file order.
        """
        armed = self.armed
        self._columns = columns
        self._after, self._now = armed.now, now
        self._sums.clear()
        self._steps.clear()
        self._tracks = {channel: self._track(channel) for channel in self._needed}
        self._judged = [self._empty] * len(armed.leaves)
        for leaf in armed.pre_leaves:
            self._judged[leaf.number] = self._judge_leaf(leaf)
        for gate in armed.blind_gates.values():
            self._log(gate)
        pre = {leaf.number for leaf in armed.pre_leaves}
        for leaf in armed.leaves:
            if leaf.number not in pre:
                self._judged[leaf.number] = self._judge_leaf(leaf)
        for gate in armed.gates:
            self._log(gate)
        for rule in armed.armed:
            self._walk(rule, acts, out)
        # At one instant acts come first, then shelvings that are over, then raises and clears, each in file order.
        out.made.sort(key=lambda change: (change.t, _TURN.get(change.event, 0), change.rule))
        self._leave()

    # -- step functions ----------------------------------------------------------------------------

    _empty = Judged(
        np.empty(0, np.int64), np.empty(0, np.uint8), np.empty(0), np.empty(0), np.empty(0, np.int64),
        np.empty(0, np.bool_), np.empty(0, np.bool_),
    )  # fmt: skip

    def _track(self, channel: int) -> Track:
        """Lay out what is known of a channel: the past the ring holds, the batch, and where it grew stale."""
        armed = self.armed
        col = self._columns.get(channel)
        if armed.deep[channel]:
            held = armed.ring.held(channel)
            t, v, why = held.t, held.v, held.why
        else:
            heard = armed.latest_t[channel] != LONG_AGO
            past_t = [armed.latest_t[channel]] if heard else []
            past_v = [armed.latest_v[channel]] if heard else []
            past_why = [armed.latest_why[channel]] if heard else []
            t, v, why = np.array(past_t, np.int64), np.array(past_v, np.float64), np.array(past_why, np.uint8)
            if col is not None:
                t, v, why = np.concatenate([t, col.t]), np.concatenate([v, col.v]), np.concatenate([why, col.why])
        t = np.concatenate([np.array([LONG_AGO], np.int64), t])
        v = np.concatenate([np.array([math.nan]), v])
        status = np.concatenate([np.array([STALE], np.uint8), np.where(why != 0, FAULT, GOOD).astype(np.uint8)])
        sample = np.ones(len(t), np.bool_)
        sample[0] = False
        ends = t + armed.stale_after[channel]
        following = np.append(t[1:], self._now + 1)
        stale = np.flatnonzero((ends < following) & sample)
        if len(stale):
            t = np.insert(t, stale + 1, ends[stale])
            v = np.insert(v, stale + 1, math.nan)
            status = np.insert(status, stale + 1, STALE)
            sample = np.insert(sample, stale + 1, False)
        return Track(t, v, status, sample)

    def _sum(self, leaf: ArmedLeaf) -> Track:
        """Lay out a right side as a step function: set wherever one of its channels is."""
        key = leaf.terms
        found = self._sums.get(key)
        if found is None:
            found = self._sums[key] = self._make_sum(leaf)
        return found

    def _make_sum(self, leaf: ArmedLeaf) -> Track:
        if not leaf.channels:
            t = np.array([LONG_AGO], np.int64)
        elif len(leaf.channels) == 1:
            t = self._tracks[leaf.channels[0]].t
        else:
            t = np.unique(np.concatenate([self._tracks[channel].t for channel in leaf.channels]))
        status = np.zeros(len(t), np.uint8)
        places = {}
        for channel in leaf.channels:
            track = self._tracks[channel]
            place = places[channel] = track.at(t)
            status = least_unknown(status, track.status[place])
        total: Floats | None = None
        for factor, channel, curve in leaf.terms:
            if channel < 0:
                term = np.full(len(t), factor)
            else:
                value = self._tracks[channel].v[places[channel]]
                if curve is not None:
                    value = curve.many(value)
                    known = self._tracks[channel].status[places[channel]] == GOOD
                    status = least_unknown(status, np.where(known & np.isnan(value), FAULT, GOOD).astype(np.uint8))
                term = factor * value
            total = term if total is None else total + term
        assert total is not None
        return Track(t, np.where(status == GOOD, total, math.nan), status, np.ones(len(t), np.bool_))

    # -- leaves ------------------------------------------------------------------------------------

    def _judge_leaf(self, leaf: ArmedLeaf) -> Judged:
        track = self._tracks[leaf.channel]
        begin = int(np.searchsorted(track.t, self._after, side="right"))
        t, value, status, sample = track.t[begin:], track.v[begin:], track.status[begin:], track.sample[begin:]
        good = status == GOOD
        n = len(t)
        if leaf.is_lost:
            verdict = np.where(good, NO, YES).astype(np.uint8)
            nan = np.full(n, math.nan)
            return self._unheard(leaf, Judged(t, verdict, nan, nan, np.zeros(n, np.int64), sample, good))
        nothing = np.zeros(n, np.int64)
        if n == 0:
            return Judged(t, status.copy(), value, value, nothing, sample, good)
        first = last = t
        if not leaf.delay.is_none:
            least, most = self._delay(leaf, t)
            first, last = t - most, t - least
        blind = good & self._blind(leaf, first, last) if leaf.blind is not None else np.zeros(n, np.bool_)
        limit, unknown = self._limits(leaf, first, last, t)
        with np.errstate(invalid="ignore"):
            verdict, known = self._verdicts(leaf, value, limit, unknown, good & ~blind)
            excess = value - limit if leaf.upward else limit - value
        verdict[blind] = BLIND
        verdict[~good] = status[~good]
        says = (verdict == YES) | (verdict == NO)
        counted = np.where(says, np.rint(np.where(says, excess, 0.0) * MICRO), 0.0).astype(np.int64)
        # What was last judged to a number on both sides stands through what was not.
        place = np.maximum.accumulate(np.where(known, np.arange(n), -1))
        shown_value = np.where(place < 0, leaf.value, value[place])
        shown_limit = np.where(place < 0, leaf.limit, limit[place])
        return Judged(t, verdict, shown_value, shown_limit, counted, sample, good)

    def _unheard(self, leaf: ArmedLeaf, judged: Judged) -> Judged:
        """Add the first deadline of a channel that has never spoken: from then on it is lost."""
        deadline = self.armed.stale_after[leaf.channel]
        unheard = self.armed.unheard[leaf.channel]
        if not unheard or not self._after < deadline <= self._now or (len(judged.t) and judged.t[0] <= deadline):
            return judged
        return Judged(
            np.insert(judged.t, 0, deadline), np.insert(judged.verdict, 0, YES), np.insert(judged.value, 0, math.nan),
            np.insert(judged.limit, 0, math.nan), np.insert(judged.excess, 0, 0), np.insert(judged.sample, 0, False),
            np.insert(judged.good, 0, False),
        )  # fmt: skip

    def _delay(self, leaf: ArmedLeaf, t: Ints) -> tuple[Ints, Ints]:
        """Return (least, most) ns at every instant; the same arithmetic as `channels.delay_window`."""
        delay = leaf.delay
        least = np.full(len(t), delay.least, np.int64)
        most = np.full(len(t), delay.most, np.int64)
        if not delay.turns:
            return least, most
        over_fast, over_slow = delay.over_speed
        channel = self.armed.rules.engine_speed
        if channel is None:
            slow, fast = np.full(len(t), SLOWEST_RPM), np.full(len(t), FASTEST_RPM)
        else:
            track = self._tracks[channel]
            place = track.at(t)
            known = track.status[place] == GOOD
            rpm = np.where(known, track.v[place], SLOWEST_RPM)
            slow = np.where(rpm < SLOWEST_RPM, SLOWEST_RPM, rpm)
            fast = np.where(known, slow, FASTEST_RPM)
        return least + (over_fast / fast).astype(np.int64), most + (over_slow / slow).astype(np.int64) + 1

    def _blind(self, leaf: ArmedLeaf, first: Ints, last: Ints) -> Flags:
        assert leaf.blind is not None
        log = leaf.blind
        times = np.array(log.times, np.int64)
        yes = np.append(0, np.cumsum(np.array(log.verdicts, np.uint8) == YES))
        i0 = np.maximum(np.searchsorted(times, first - leaf.blind_reach, side="right") - 1, 0)
        i1 = np.searchsorted(times, last, side="right")
        return yes[i1] > yes[np.minimum(i0, i1)]

    def _limits(self, leaf: ArmedLeaf, first: Ints, last: Ints, t: Ints) -> tuple[Floats, Codes]:
        """Return the strictest right side (NaN: none known) and the least of what is not known, per instant."""
        track = self._sum(leaf)
        if not leaf.windowed or not leaf.channels:
            place = track.at(t)
            status = track.status[place]
            if not leaf.windowed:
                return track.v[place], status
            # A number is a number, but before the session nothing is known.
            return np.where(last < 0, math.nan, track.v[place]), np.where(first < 0, STALE, status).astype(np.uint8)
        i0 = np.maximum(track.at(first), 0)
        i1 = np.searchsorted(track.t, last, side="right")
        known = track.status == GOOD
        worst = math.inf if leaf.upward else -math.inf
        values = np.append(np.where(known, track.v, worst), worst)
        pairs = np.empty(2 * len(t), np.int64)
        pairs[0::2], pairs[1::2] = i0, i1
        least = (np.minimum if leaf.upward else np.maximum).reduceat(values, pairs)[0::2]
        counts = np.append(0, np.cumsum(known))
        faults = np.append(0, np.cumsum(track.status == FAULT))
        stales = np.append(0, np.cumsum(track.status == STALE))
        none = counts[i1] == counts[i0]
        unknown = np.where(faults[i1] > faults[i0], FAULT, np.where(stales[i1] > stales[i0], STALE, GOOD))
        return np.where(none, math.nan, least), unknown.astype(np.uint8)

    def _verdicts(
        self, leaf: ArmedLeaf, value: Floats, limit: Floats, unknown: Codes, ask: Flags
    ) -> tuple[Codes, Flags]:
        """Return the verdicts where `ask`, and where both sides were numbers. Moves the leaf's side on."""
        known = ask & ~np.isnan(limit)
        if leaf.op in ("==", "!="):
            holds = value == limit if leaf.op == "==" else value != limit
            return np.where(known, np.where(holds, YES, NO), unknown).astype(np.uint8), known
        match leaf.op:
            case ">":
                beyond = value > limit
            case "<":
                beyond = value < limit
            case ">=":
                beyond = value >= limit
            case _:
                beyond = value <= limit
        beyond &= known
        settled = known & ~beyond & (unknown == GOOD)
        if not leaf.deadband:
            back = settled
        else:
            back = settled & (value <= limit - leaf.deadband if leaf.upward else value >= limit + leaf.deadband)
        moved = np.maximum.accumulate(np.where(beyond | back, np.arange(len(value)), -1))
        side = np.where(moved < 0, leaf.side, beyond[moved])
        leaf.side = bool(side[-1])
        verdict = np.where(beyond, YES, np.where(settled, np.where(side, YES, NO), unknown))
        return verdict.astype(np.uint8), known

    # -- conditions --------------------------------------------------------------------------------

    def _steps_of(self, condition: Condition) -> Steps:
        match condition:
            case Comparison() | Lost():
                leaf = self.armed.leaf_of(condition)
                judged = self._judged[leaf.number]
                return changes_only(
                    np.concatenate([np.array([LONG_AGO], np.int64), judged.t]),
                    np.concatenate([np.array([leaf.verdict], np.uint8), judged.verdict]),
                )
            case Not(part):
                inner = self._steps_of(part)
                return Steps(inner.t, SWAP[inner.verdict])
            case Surely(part):
                known = self._steps_of(part)
                return changes_only(known.t, np.where(known.verdict == YES, YES, NO).astype(np.uint8))
            case AllOf(parts):
                return merge([self._steps_of(part) for part in parts])
            case AnyOf(parts):  # pragma: no branch - every condition is one of these
                swapped = [Steps(steps.t, SWAP[steps.verdict]) for steps in map(self._steps_of, parts)]
                merged = merge(swapped)
                return Steps(merged.t, SWAP[merged.verdict])

    def _log(self, gate: ArmedGate) -> None:
        """Answer a gate over the batch and, where windows look back on it, note its changes in its log."""
        if gate.number in self._steps:
            return
        steps = self._steps[gate.number] = self._steps_of(gate.condition)
        if gate.log is not None:
            for t, verdict in zip(steps.t[1:].tolist(), steps.verdict[1:].tolist(), strict=True):
                if gate.log.times[-1] == t:  # what it was before anything was heard at this very instant
                    gate.log.verdicts[-1] = verdict
                else:  # not `add`: nothing may be let go of before the whole batch is judged
                    gate.log.times.append(t)
                    gate.log.verdicts.append(verdict)

    # -- rules -------------------------------------------------------------------------------------

    def _walk(self, rule: ArmedRule, acts: Sequence[Act], out: Changes) -> None:
        """Walk one rule's run-up over the batch, only where something is or can get under way."""
        trip = self._judged[rule.trip.number]
        gate_t, gate_v = self._gate_of(rule, trip)
        mine = [act for act in acts if act.rules is None or rule.rule.number in act.rules]
        runup = rule.runup
        times = np.union1d(trip.t, gate_t)
        trip_place = np.searchsorted(trip.t, times, side="right") - 1
        gate_place = np.searchsorted(gate_t, times, side="right") - 1
        trip_v = np.where(trip_place < 0, rule.trip.verdict, trip.verdict[trip_place] if len(trip.t) else 0)
        gate = np.where(gate_place < 0, runup.gate, gate_v[gate_place] if len(gate_t) else 0)
        both = (trip_v == YES) & (gate == YES)
        if not mine and runup.idle() and runup.due == NEVER and not both.any():
            if len(times):
                self._rest(rule, int(trip_v[-1]), int(gate[-1]), int(times[-1]), trip)
            return
        self._walk_events(rule, trip, times, trip_v, gate, both, mine, out)

    def _rest(self, rule: ArmedRule, trip: int, gate: int, t: int, judged: Judged) -> None:
        """Leave a run-up that had nothing to do with the inputs that hold at the end."""
        runup = rule.runup
        runup.t = max(runup.t, t)
        runup.put(trip, gate, int(judged.excess[-1]) if len(judged.t) else runup.excess, sample=False)
        runup.gate_no = 0

    def _walk_events(
        self,
        rule: ArmedRule,
        trip: Judged,
        times: Ints,
        trip_v: NDArray[np.int64],
        gate: NDArray[np.int64],
        both: Flags,
        acts: list[Act],
        out: Changes,
    ) -> None:
        runup, number, armed = rule.runup, rule.rule.number, self.armed
        trip_place = np.searchsorted(trip.t, times, side="right") - 1
        if rule.rule.dose or rule.rule.at_least_samples > 1:
            matters = np.ones(len(times), np.bool_)
        else:
            matters = np.ones(len(times), np.bool_)
            matters[1:] = (trip_v[1:] != trip_v[:-1]) | (gate[1:] != gate[:-1])
        next_both = np.flatnonzero(both)
        events = np.flatnonzero(matters)
        shown = (rule.trip.value, rule.trip.limit)
        leaf = rule.trip
        here_acts = [act.t for act in acts]
        i = a = 0
        count = len(events)
        while i < count or a < len(here_acts) or runup.due <= self._now:
            if runup.due == NEVER and i < count and runup.idle() and not (runup.trip == YES and runup.gate == YES):
                # Nothing can happen before the trip is next yes while armed: jump there (but not over an act).
                at = int(np.searchsorted(next_both, events[i]))
                jump = int(np.searchsorted(events, next_both[at])) if at < len(next_both) else count - 1
                if jump > i:
                    if a < len(here_acts):
                        jump = min(jump, max(i, int(np.searchsorted(times[events], here_acts[a], side="right")) - 1))
                    i = jump
            t_event = int(times[events[i]]) if i < count else NEVER
            t_act = here_acts[a] if a < len(here_acts) else NEVER
            t = min(t_event, t_act, runup.due)
            runup.advance(t)
            if t == t_event:
                e = int(events[i])
                place = int(trip_place[e])
                at_sample = place >= 0 and int(trip.t[place]) == t
                excess = int(trip.excess[place]) if place >= 0 else runup.excess
                runup.put(int(trip_v[e]), int(gate[e]), excess, at_sample and bool(trip.sample[place]))
                i += 1
            place = int(np.searchsorted(trip.t, t, side="right")) - 1
            leaf.value, leaf.limit = (float(trip.value[place]), float(trip.limit[place])) if place >= 0 else shown
            if t == t_act:
                act = acts[a]
                a += 1
                if act.event is None:
                    for carried, state in act.carried:
                        if carried == number:
                            out.place(armed, t, number, state)
                else:
                    if act.event is Event.SHELVE:
                        runup.until = act.until
                    out.move(armed, t, number, act.event)
            while (event := runup.settle()) is not None:
                out.move(armed, t, number, event)
        leaf.value, leaf.limit = shown
        if len(times):
            self._settle_inputs(rule, trip, int(trip_v[-1]), int(gate[-1]))

    def _settle_inputs(self, rule: ArmedRule, trip: Judged, trip_v: int, gate: int) -> None:
        """After a walk that jumped, the inputs that hold at the end are the last ones."""
        runup = rule.runup
        runup.trip, runup.gate = trip_v, gate
        if len(trip.t):
            runup.excess = int(trip.excess[-1])

    def _gate_of(self, rule: ArmedRule, trip: Judged) -> tuple[Ints, Codes]:
        """Return the instants at which the rule's gate is set in this batch, and what it says from each."""
        if rule.gate is None:
            return np.empty(0, np.int64), np.empty(0, np.uint8)
        steps = self._steps[rule.gate.number]
        if not rule.windowed:
            return steps.t[1:], steps.verdict[1:]
        log = rule.gate.log
        assert log is not None
        times, verdicts = np.array(log.times, np.int64), np.array(log.verdicts, np.uint8)
        # While the left side is good: the window at each judging. Else: the gate as it is, from the judging on.
        least, most = self._delay(rule.trip, trip.t)
        i0 = np.maximum(np.searchsorted(times, trip.t - most, side="right") - 1, 0)
        i1 = np.searchsorted(times, trip.t - least, side="right")
        swapped = np.append(SWAP[verdicts], YES)
        pairs = np.empty(2 * len(trip.t), np.int64)
        pairs[0::2], pairs[1::2] = i0, i1
        windowed = SWAP[np.minimum.reduceat(swapped, pairs)[0::2]] if len(trip.t) else np.empty(0, np.uint8)
        now_v = verdicts[np.maximum(np.searchsorted(times, trip.t, side="right") - 1, 0)]
        own_t, own_v = trip.t, np.where(trip.good, windowed, now_v).astype(np.uint8)
        # The gate's own changes count where the left side is not good at that instant.
        change_t, change_v = steps.t[1:], steps.verdict[1:]
        place = np.searchsorted(trip.t, change_t, side="right") - 1
        before_good = self.armed.status[rule.trip.channel] == GOOD
        good = np.where(place < 0, before_good, trip.good[place] if len(trip.t) else before_good)
        counts = ~good.astype(np.bool_) & ~np.isin(change_t, own_t)
        t = np.concatenate([own_t, change_t[counts]])
        order = np.argsort(t, kind="stable")
        v = np.concatenate([own_v, change_v[counts]])[order]
        if len(v):
            rule.window_gate = int(v[-1])
        return t[order], v

    # -- handing over ------------------------------------------------------------------------------

    def _leave(self) -> None:
        """Leave behind what the other way of judging, or a checkpoint, takes up."""
        armed, now = self.armed, self._now
        for leaf in armed.leaves:
            judged = self._judged[leaf.number]
            if len(judged.t):
                leaf.verdict = int(judged.verdict[-1])
                leaf.value, leaf.limit = float(judged.value[-1]), float(judged.limit[-1])
                leaf.excess = int(judged.excess[-1])
        for gate in armed.gates:
            gate.verdict = int(self._steps[gate.number].verdict[-1])
            if gate.log is not None:
                gate.log.trim(now)
        for channel, col in self._columns.items():
            armed.latest_t[channel] = int(col.t[-1])
            armed.latest_v[channel] = float(col.v[-1])
            armed.latest_why[channel] = int(col.why[-1])
            armed.status[channel] = FAULT if col.why[-1] else GOOD
            armed.unheard[channel] = False
        for channel, stale_after in enumerate(armed.stale_after):
            if armed.status[channel] != STALE and armed.latest_t[channel] + stale_after <= now:
                armed.status[channel] = STALE
            if armed.unheard[channel] and stale_after <= now:
                armed.unheard[channel] = False
        armed.now = max(armed.now, now)
