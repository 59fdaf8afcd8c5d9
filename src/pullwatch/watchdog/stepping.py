"""Judging from instant to instant: the way for few records. Same meaning, bit for bit, as `columnwise`."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING, Final, TypeAlias

from pullwatch.watchdog.alarms import Event, State
from pullwatch.watchdog.armed import BLIND, FAULT, GOOD, MICRO, NO, STALE, YES
from pullwatch.watchdog.conditions import SWAPPED
from pullwatch.watchdog.runup import NEVER

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.columns import Sample
    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.armed import Armed, ArmedGate, ArmedLeaf
    from pullwatch.watchdog.firstout import Changes

    Leaves: TypeAlias = list[list[tuple[ArmedLeaf, Callable[[int], int]]]]
    """Per channel number: its leaves, each with the closure that judges it at an instant."""


_NONE: Final[Sample] = (NEVER, 0, 0.0, 0)


class Stepper:
    """Judges an armed rule set one instant after the other."""

    def __init__(self, armed: Armed) -> None:
        self.armed = armed
        count = len(armed.stale_after)
        first: Leaves = [[] for _ in range(count)]
        then: Leaves = [[] for _ in range(count)]
        for leaf in armed.leaves:
            stage = first if leaf in armed.pre_leaves else then
            stage[leaf.channel].append((leaf, self._judge_of(leaf)))
        self._stages = (first, then) if armed.pre_leaves else (then,)
        """What blinds others is judged first at every instant."""
        self._plain: list[list[ArmedLeaf]] = [[] for _ in range(count)]
        """Per channel: the comparisons with a number. While a value stays within the channel's band none changes."""
        self._restless = [False] * count
        """Whether a channel has leaves that every sample must be put to."""
        for leaf in armed.leaves:
            if leaf.is_plain:
                self._plain[leaf.channel].append(leaf)
            elif not leaf.is_lost:
                self._restless[leaf.channel] = True
        self._low = [-math.inf] * count
        self._high = [math.inf] * count
        self._good = [math.nan] * count
        """Per channel: the last good value."""
        self.resume()

    def settle_values(self) -> None:
        """Write down the values last judged where that was put off, before another way of judging, or a checkpoint."""
        for leaves in self._plain:
            for leaf in leaves:
                self._show(leaf)

    def _show(self, leaf: ArmedLeaf) -> None:
        value = self._good[leaf.channel]
        if leaf.is_plain and not math.isnan(value):
            leaf.value, leaf.limit = value, leaf.constant

    def _rebound(self, channel: int) -> None:
        """Reckon the band of a channel anew: `low < value <= high` leaves every plain leaf on the side it is on.

        A leaf that is on no side yet has no band: the next value is put to it.
        """
        low, high = -math.inf, math.inf
        for leaf in self._plain[channel]:
            least, most = _band(leaf) if leaf.verdict in (YES, NO) else (math.inf, -math.inf)
            low, high = max(low, least), min(high, most)
        self._low[channel], self._high[channel] = low, high

    def resume(self) -> None:
        """Reckon bands and deadlines anew after another way of judging, or a checkpoint, has moved the state."""
        for channel, leaves in enumerate(self._plain):
            if leaves:
                self._good[channel] = leaves[0].value
                self._rebound(channel)
        self._next_stale = self._stale_bound()
        self._next_due = min((armed.runup.due for armed in self.armed.armed), default=NEVER)

    @property
    def next_deadline(self) -> int:
        """The next instant at which something can happen if nothing comes (never too late, sometimes too early)."""
        return min(self._next_stale, self._next_due)

    def _stale_bound(self) -> int:
        bound = NEVER
        armed = self.armed
        for channel, status in enumerate(armed.status):
            if status != STALE:
                bound = min(bound, armed.latest_t[channel] + armed.stale_after[channel])
            elif armed.unheard[channel]:
                bound = min(bound, armed.stale_after[channel])
        return bound

    def _event(self, ahead: deque[Act]) -> int:
        """Return the next instant at which something else than a sample is to be seen to."""
        return min(self._next_stale, self._next_due, ahead[0].t if ahead else NEVER)

    def judge(self, samples: Sequence[Sample], acts: Sequence[Act], now: int, out: Changes) -> None:
        """Judge everything after what was judged before, up to and including `now`. `samples` are in order of time."""
        armed = self.armed
        latest_t, latest_v, latest_why, status = armed.latest_t, armed.latest_v, armed.latest_why, armed.status
        low, high, good, restless = self._low, self._high, self._good, self._restless
        coming = iter(samples)
        sample = next(coming, _NONE)
        ahead = deque(acts)
        dirty: set[int] = set()
        gates: set[ArmedGate] = set()
        event = self._event(ahead)
        while True:
            t = min(sample[0], event)
            if t > now:
                break
            touched: list[int] = []
            while sample[0] == t:
                _, channel, v, why = sample
                latest_t[channel] = t
                latest_v[channel] = v
                latest_why[channel] = why
                if not why:
                    good[channel] = v
                    if status[channel] == GOOD and low[channel] < v <= high[channel]:
                        if restless[channel]:
                            touched.append(channel)
                        sample = next(coming, _NONE)
                        continue
                if status[channel] == STALE:
                    armed.unheard[channel] = False
                    self._next_stale = min(self._next_stale, t + armed.stale_after[channel])
                    event = min(event, self._next_stale)
                status[channel] = FAULT if why else GOOD
                touched.append(channel)
                sample = next(coming, _NONE)
            heard = len(touched)
            if t == event and t >= self._next_stale:
                self._grow_stale(t, touched)
            for leaves in self._stages:
                for channel in touched:
                    for leaf, judge in leaves[channel]:
                        verdict = judge(t)
                        if verdict != leaf.verdict:
                            leaf.verdict = verdict
                            dirty.update(leaf.rules)
                            gates.update(leaf.gates)
                            if leaf.is_plain:
                                self._rebound(channel)
                        if leaf.rules_each:
                            dirty.update(leaf.rules_each)
                if gates:
                    self._answer(t, gates, dirty)
                    gates.clear()
            here: list[Act] = []
            if t == event:
                if t >= self._next_due:
                    dirty.update([rule.rule.number for rule in armed.armed if rule.runup.due <= t])
                while ahead and ahead[0].t == t:
                    here.append(ahead.popleft())
            if dirty or here:
                self._rules(t, sorted(dirty), touched, heard, here, out)
                dirty.clear()
                event = self._event(ahead)
            elif t == event:
                event = self._event(ahead)
        armed.now = max(armed.now, now)

    def _grow_stale(self, t: int, touched: list[int]) -> None:
        """Mark the channels whose deadline this instant is; a channel with a sample at this instant is in time."""
        armed = self.armed
        for channel, status in enumerate(armed.status):
            if status != STALE:
                if armed.latest_t[channel] + armed.stale_after[channel] <= t:
                    armed.status[channel] = STALE
                    touched.append(channel)
            elif armed.unheard[channel] and armed.stale_after[channel] <= t:
                armed.unheard[channel] = False
                touched.append(channel)
        self._next_stale = self._stale_bound()

    def _answer(self, t: int, gates: set[ArmedGate], dirty: set[int]) -> None:
        for gate in gates:
            verdict = gate.answer()
            if verdict != gate.verdict:
                gate.verdict = verdict
                dirty.update(gate.rules)
                if gate.log is not None:
                    gate.log.add(t, verdict)

    def _rules(self, t: int, dirty: list[int], touched: list[int], heard: int, acts: list[Act], out: Changes) -> None:
        """Deadlines, then acts, then raises and clears in file order. The first `heard` of `touched` got a sample."""
        armed = self.armed
        sampled = touched[:heard]
        for number in range(len(armed.armed)) if acts else dirty:
            self._show(armed.armed[number].trip)
        for number in dirty:
            rule = armed.armed[number]
            trip = rule.trip
            runup = rule.runup
            runup.advance(t)
            if rule.gate is None:
                gate = YES
            elif rule.windowed:
                if armed.status[trip.channel] != GOOD:
                    rule.window_gate = rule.gate.verdict
                elif trip.channel in touched:
                    least, most = armed.window_of(trip)
                    rule.window_gate = any_within(rule.gate, t - most, t - least)
                gate = rule.window_gate
            else:
                gate = rule.gate.verdict
            runup.put(trip.verdict, gate, trip.excess, trip.channel in sampled)
        if acts:
            dirty = list(range(len(armed.armed)))
            for number in dirty:
                armed.armed[number].runup.advance(t)
            for act in acts:
                out.act(armed, t, act)
        for number in dirty:
            runup = armed.armed[number].runup
            if runup.state is State.SHELVED and runup.settle() is not None:
                out.move(armed, t, number, Event.SHELF_OVER)
        for number in dirty:
            runup = armed.armed[number].runup
            event = runup.settle()
            if event is not None:
                out.move(armed, t, number, event)
                runup.settle()
        self._next_due = min([rule.runup.due for rule in armed.armed], default=NEVER)

    def _judge_of(self, leaf: ArmedLeaf) -> Callable[[int], int]:
        """Return the closure that judges a leaf at an instant. The commonest kind has one of its own."""
        armed = self.armed
        status, latest_v, unheard = armed.status, armed.latest_v, armed.unheard
        channel = leaf.channel
        if leaf.is_lost:

            def lost(_t: int) -> int:
                if status[channel] == GOOD:
                    return NO
                return STALE if status[channel] == STALE and unheard[channel] else YES

            return lost
        if leaf.is_plain:
            limit = leaf.constant

            def plain(_t: int) -> int:
                known = status[channel]
                if known:
                    return known
                value = latest_v[channel]
                if leaf.beyond(value, limit):
                    leaf.side = True
                elif leaf.side and leaf.back(value, limit):
                    leaf.side = False
                return YES if leaf.side else NO

            return plain
        return lambda t: self._compare(leaf, t)

    def _compare(self, leaf: ArmedLeaf, t: int) -> int:
        armed = self.armed
        leaf.excess = 0
        known = armed.status[leaf.channel]
        if known != GOOD:
            return known
        least = most = 0
        if not leaf.delay.is_none:
            least, most = armed.window_of(leaf)
        if leaf.blind is not None and YES in leaf.blind.within(t - most - leaf.blind_reach, t - least):
            return BLIND
        if leaf.windowed:
            limit, unknown = self._strictest(leaf, t - most, t - least)
        else:
            limit, unknown = self._sum_now(leaf)
        if limit is None:
            return unknown
        value = armed.latest_v[leaf.channel]
        leaf.value = value
        leaf.limit = limit
        if leaf.op in ("==", "!="):
            return YES if leaf.beyond(value, limit) else NO
        if leaf.beyond(value, limit):
            leaf.side = True
            verdict = YES
        elif unknown:
            return unknown
        else:
            if leaf.back(value, limit):
                leaf.side = False
            verdict = YES if leaf.side else NO
        excess = value - limit if leaf.upward else limit - value
        leaf.excess = round(excess * MICRO)
        return verdict

    def _sum_now(self, leaf: ArmedLeaf) -> tuple[float | None, int]:
        """Return the right side at the present instant, or None and what is not known of it."""
        armed = self.armed
        total = 0.0
        unknown = 0
        for place, (factor, channel, curve) in enumerate(leaf.terms):
            if channel < 0:
                term = factor
            else:
                status = armed.status[channel]
                if status != GOOD:
                    unknown = min(unknown or status, status)
                    continue
                value = armed.latest_v[channel]
                if curve is not None:
                    value = curve.one(value)
                    if value != value:  # noqa: PLR0124 - NaN: the curve has no limit there
                        unknown = FAULT
                        continue
                term = factor * value
            total = term if place == 0 else total + term
        return (None, unknown) if unknown else (total, 0)

    def _strictest(self, leaf: ArmedLeaf, first: int, last: int) -> tuple[float | None, int]:
        """Return the strictest right side met in [first, last] (None: none known), and the least not-knowing."""
        if not leaf.channels:  # a number is a number, but before the session nothing is known
            return None if last < 0 else self._sum_now(leaf)[0], STALE if first < 0 else 0
        instants = {first}
        pasts = {}
        for channel in leaf.channels:
            held = self.armed.ring.window(channel, first, last)
            times, values, whys = held.t.tolist(), held.v.tolist(), held.why.tolist()
            pasts[channel] = (times, values, whys)
            stale_after = self.armed.stale_after[channel]
            for t in times:
                if t > first:
                    instants.add(t)
                if first < t + stale_after <= last:
                    instants.add(t + stale_after)
        best: float | None = None
        unknown = 0
        places = dict.fromkeys(pasts, -1)
        for instant in sorted(instants):
            total, status = self._sum_at(leaf, instant, pasts, places)
            if status:
                unknown = min(unknown or status, status)
            elif best is None or (total < best if leaf.upward else total > best):
                best = total
        return best, unknown if best is not None else unknown or STALE

    def _sum_at(
        self,
        leaf: ArmedLeaf,
        instant: int,
        pasts: dict[int, tuple[list[int], list[float], list[int]]],
        places: dict[int, int],
    ) -> tuple[float, int]:
        """Return the right side at `instant` (in rising order) and what is not known of it (0: nothing)."""
        unknown = 0
        for channel, (times, _, whys) in pasts.items():
            place = places[channel]
            while place + 1 < len(times) and times[place + 1] <= instant:
                place += 1
            places[channel] = place
            if place < 0 or times[place] + self.armed.stale_after[channel] <= instant:
                unknown = min(unknown or STALE, STALE)
            elif whys[place]:
                unknown = FAULT
        if unknown:
            return 0.0, unknown
        total = 0.0
        for number, (factor, channel, curve) in enumerate(leaf.terms):
            term = factor
            if channel >= 0:
                value = pasts[channel][1][places[channel]]
                if curve is not None:
                    value = curve.one(value)
                    if value != value:  # noqa: PLR0124 - NaN: the curve has no limit there
                        return 0.0, FAULT
                term = factor * value
            total = term if number == 0 else total + term
        return total, 0


def _band(leaf: ArmedLeaf) -> tuple[float, float]:
    """Return the band `low < value <= high` within which a plain leaf stays on the side it is on."""
    limit, deadband = leaf.constant, leaf.deadband
    strict = leaf.op in (">", "<")
    if leaf.upward:
        if not leaf.side:
            return -math.inf, limit if strict else _below(limit)
        return limit - deadband if strict or deadband else _below(limit), math.inf
    if not leaf.side:
        return _below(limit) if strict else limit, math.inf
    return -math.inf, _below(limit + deadband) if strict or deadband else limit


def _below(value: float) -> float:
    """Return the next smaller number, so that `value <= x` can be asked as `_below(value) < x`."""
    return math.nextafter(value, -math.inf)


def any_within(gate: ArmedGate, first: int, last: int) -> int:
    """Return the `or` of a logged gate's verdicts in [first, last]."""
    assert gate.log is not None
    return SWAPPED[min([SWAPPED[verdict] for verdict in gate.log.within(first, last)])]
