"""What a swept number does not touch, worked out once: the decoded channels, the gates' logs, what is only looked up.

A rule's alarms follow from its own trip, gate and run-up, from the acts and from what blinds its channel; no other rule
has a say in them but in who was first out. So a variant judges again only the rules whose conditions the number stands
in, and of those only the comparisons it stands in. Everything is judged by the very code of `watchdog.columnwise`;
here is only what is remembered from one variant to the next. Which alarm opened its group is not told of variants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.clock import NS_PER_S
from pullwatch.columns import join, to_columns
from pullwatch.decoders import Decoding
from pullwatch.setup import decoders_for, deriving_for
from pullwatch.station import carried_in
from pullwatch.watchdog.acts import read_acts
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.armed import FAULT, GOOD, NO, STALE, YES, Armed, ArmedGate, ArmedLeaf, ArmedRule
from pullwatch.watchdog.columnwise import ColumnJudge
from pullwatch.watchdog.conditions import Comparison, Condition, Lost, leaves
from pullwatch.watchdog.firstout import Changes
from pullwatch.watchdog.steps import Track
from pullwatch.whatif.sameness import without_reloads
from pullwatch.whatif.walking import Lattice, Walk

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pullwatch.batch import Record
    from pullwatch.columns import Columns
    from pullwatch.recording.reader import Session
    from pullwatch.setup import Plan
    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import Rule, RuleSet
    from pullwatch.watchdog.steps import Codes, Flags, Floats, Ints, Judged, Steps

JOIN: Final = 30 * NS_PER_S
"""Session ns decoded in one step."""

_LeafKey: TypeAlias = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Decoded:
    """The channels that are wanted over a whole session, the acts in it, and how far it goes (session ns).

    `cut` is where something is lost (None: nowhere): a sweep ends there. `reloads` counts the changes of rules that
    are left out.
    """

    columns: Columns
    acts: tuple[Record, ...]
    now: int
    cut: int | None = None
    reloads: int = 0


def decoded(session: Session, plan: Plan, wanted: Iterable[int]) -> Decoded:
    """Decode a session and derive what follows from it, by `plan`; keep the channels numbered in `wanted`."""
    decoding = Decoding(decoders_for(plan))
    deriving = deriving_for(plan) if plan.derived else None
    wanted = set(wanted)
    parts: list[Columns] = []
    acts: list[Record] = []
    now, cut, reloads = -1, None, 0
    for block in session.blocks(join_ns=JOIN):
        if block.gap_before and now >= 0:
            cut = now
            break
        records, changed = without_reloads(block.records)
        reloads += changed
        now = block.now
        batch = decoding.batch(now, records)
        acts += [record for record in records if record.feed == ACTS_FEED]
        if deriving is not None:
            for record in records:
                if record.kind is Kind.CARRIED:
                    deriving.keep(carried_in(record).get("kept"))
            deriving.extend(batch)
        columns = batch.columns if batch.columns is not None else to_columns(batch.samples or [])
        parts.append({number: column for number, column in columns.items() if number in wanted})
    return Decoded(join(parts), tuple(acts), now, cut, reloads)


def written_out(condition: Condition | None, rules: RuleSet) -> tuple[object, ...]:
    """Return all that a condition means beside its own text: curves of its limits, what blinds its left sides."""
    if condition is None:
        return ()
    out: list[object] = [condition]
    for leaf in leaves(condition):
        if isinstance(leaf, Comparison):
            out += [rules.curves[term.curve] for term in leaf.right if term.curve is not None]
            blind = rules.blinds.get(leaf.left)
            if blind is not None:
                out += written_out(blind, replace(rules, blinds={}))
    return tuple(out)


def meaning(rule: Rule, rules: RuleSet) -> tuple[object, ...]:
    """Return all that a rule's alarms follow from, but for channels and acts: rules that mean the same do the same."""
    return (rule, written_out(rule.trip, rules), written_out(rule.gate, rules))


def channels_of(rule: Rule, rules: RuleSet) -> set[int]:
    """Return the numbers of all channels a rule's alarms follow from."""
    found: set[int] = set()
    conditions = [rule.trip] if rule.gate is None else [rule.trip, rule.gate]
    for condition in conditions:
        for leaf in leaves(condition):
            found.add(leaf.left)
            if isinstance(leaf, Lost):
                continue
            found |= {term.channel for term in leaf.right if term.channel is not None}
            found |= {rules.curves[term.curve].along for term in leaf.right if term.curve is not None}
            if rules.channels[leaf.left].delay.turns and rules.engine_speed is not None:
                found.add(rules.engine_speed)
            if leaf.left in rules.blinds:
                for part in leaves(rules.blinds[leaf.left]):
                    found |= channels_of(replace(rule, trip=part, gate=None), replace(rules, blinds={}))
    return found


def only(rules: RuleSet, names: Iterable[str]) -> RuleSet:
    """Return the rules of those names, numbered from 0 in the same order, with only what blinds their own channels."""
    wanted = set(names)
    chosen = [rule for rule in rules.rules if rule.name in wanted]
    lefts = {
        leaf.left
        for rule in chosen
        for condition in (rule.trip, rule.gate)
        if condition is not None
        for leaf in leaves(condition)
    }
    return replace(
        rules,
        rules=tuple(replace(rule, number=number) for number, rule in enumerate(chosen)),
        blinds={channel: condition for channel, condition in rules.blinds.items() if channel in lefts},
    )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one rule did: its changes in order (`first_out` is not told), and its least margin.

    `margin` is how far the value stayed from the limit while the rule was armed, in the unit of the trip, negative when
    it was beyond; NaN when it was never armed with both known, or for a lost reading. `at` is when (session ns).
    """

    changes: tuple[Change, ...]
    margin: float
    at: int

    @property
    def raised(self) -> tuple[int, ...]:
        """When the alarm was raised (session ns)."""
        return tuple(change.t for change in self.changes if change.event is Event.RAISE)


@dataclass(slots=True)
class _Places:
    """Where windows begin and end in a right side, and what is not known in them; for one `status` of that side."""

    status: Codes
    pairs: Ints
    none: Flags
    unknown: Codes


@dataclass(slots=True)
class Store:
    """What is worked out once for all variants of one session."""

    decoded: Decoded
    leaf_keys: set[_LeafKey] = field(default_factory=set)
    """Leaves of the rules as they are: what is found for these is kept, for the others it is used once."""
    tracks: dict[int, Track] = field(default_factory=dict)
    terms: set[object] = field(default_factory=set)
    """Their right sides, likewise."""
    different: dict[int, tuple[Track, Ints]] = field(default_factory=dict)
    """Per channel: the values it ever had, each once, and which of them stands at each instant."""
    sums: dict[object, Track] = field(default_factory=dict)
    judged: dict[_LeafKey, Judged] = field(default_factory=dict)
    steps: dict[_LeafKey, tuple[Steps, tuple[list[int], list[int]] | None]] = field(default_factory=dict)
    delays: dict[tuple[int, int], tuple[Ints, Ints]] = field(default_factory=dict)
    places: dict[object, _Places] = field(default_factory=dict)
    lattices: dict[object, Lattice] = field(default_factory=dict)


class Variant(ColumnJudge):
    """Judges one variant of a few rules over a whole session at once, with what the store remembers."""

    def __init__(self, rules: RuleSet, store: Store) -> None:
        armed = Armed(rules)
        armed.deep = [False] * len(rules.channels)  # nothing is looked back for: everything is in one batch
        super().__init__(armed)
        self._store = store
        self._margins: dict[int, tuple[float, int]] = {}

    def keys(self) -> set[_LeafKey]:
        """Return what the leaves mean."""
        return {self._key(leaf) for leaf in self.armed.leaves}

    def outcomes(self) -> dict[str, Outcome]:
        """Judge, and return what every rule did by its name."""
        kept = self._store.decoded
        by_name = {rule.name: rule for rule in self.armed.rules.rules}
        out = Changes()
        self.judge(kept.columns, read_acts(kept.acts, by_name), kept.now, out)
        return {
            name: Outcome(
                tuple(change for change in out.made if change.rule == rule.number), *self._margins[rule.number]
            )
            for name, rule in by_name.items()
        }

    # -- what is remembered ------------------------------------------------------------------------

    def _key(self, leaf: ArmedLeaf) -> _LeafKey:
        blind = self.armed.blind_gates.get(leaf.channel) if leaf.blind is not None else None
        return (leaf.written, leaf.terms, None if blind is None else self._gate_key(blind))

    def _gate_key(self, gate: ArmedGate) -> _LeafKey:
        return (gate.condition, *(self._key(self.armed.leaf_of(written)) for written in leaves(gate.condition)))

    def _stays(self, gate: ArmedGate) -> bool:
        keys = self._store.leaf_keys
        return all(self._key(self.armed.leaf_of(written)) in keys for written in leaves(gate.condition))

    def _track(self, channel: int) -> Track:
        tracks = self._store.tracks
        found = tracks.get(channel)
        if found is None:
            found = tracks[channel] = super()._track(channel)
        return found

    def _judge_leaf(self, leaf: ArmedLeaf) -> Judged:
        key = self._key(leaf)
        found = self._store.judged.get(key)
        if found is None:
            found = super()._judge_leaf(leaf)
            if key in self._store.leaf_keys:
                self._store.judged[key] = found
        return found

    def _log(self, gate: ArmedGate) -> None:
        if gate.number in self._steps:
            return
        key = self._gate_key(gate)
        found = self._store.steps.get(key)
        if found is not None and (gate.log is None or found[1] is not None):
            self._steps[gate.number] = found[0]
            if gate.log is not None and found[1] is not None:
                gate.log.times, gate.log.verdicts = found[1]
            return
        super()._log(gate)
        if self._stays(gate):
            log = None if gate.log is None else (gate.log.times, gate.log.verdicts)
            self._store.steps[key] = (self._steps[gate.number], log)

    def _delay(self, leaf: ArmedLeaf, t: Ints) -> tuple[Ints, Ints]:
        key = (leaf.channel, len(t))
        found = self._store.delays.get(key)
        if found is None:
            found = self._store.delays[key] = super()._delay(leaf, t)
        return found

    def _sum(self, leaf: ArmedLeaf) -> Track:
        found = self._store.sums.get(leaf.terms)
        if found is None:
            found = self._make_sum(leaf)
            if leaf.terms in self._store.terms:
                self._store.sums[leaf.terms] = found
        return found

    def _make_sum(self, leaf: ArmedLeaf) -> Track:
        """As `ColumnJudge._make_sum`; a right side along one channel is worked out once for each value it ever had."""
        if len(leaf.channels) != 1:
            return super()._make_sum(leaf)
        (channel,) = leaf.channels
        whole = self._tracks[channel]
        found = self._store.different.get(channel)
        if found is None:
            found = self._store.different[channel] = _different(whole)
        self._tracks[channel], inverse = found
        try:
            few = super()._make_sum(leaf)
        finally:
            self._tracks[channel] = whole
        return Track(whole.t, few.v[inverse], few.status[inverse], np.ones(len(whole.t), np.bool_))

    def _limits(self, leaf: ArmedLeaf, first: Ints, last: Ints, t: Ints) -> tuple[Floats, Codes]:
        """As `ColumnJudge._limits`, but where a window begins and ends is looked up once."""
        if not leaf.windowed or not leaf.channels:
            return super()._limits(leaf, first, last, t)
        track = self._sum(leaf)
        known = track.status == GOOD
        places = self._places(leaf, track, known, first, last)
        worst = math.inf if leaf.upward else -math.inf
        values = np.append(np.where(known, track.v, worst), worst)
        least = (np.minimum if leaf.upward else np.maximum).reduceat(values, places.pairs)[0::2]
        return np.where(places.none, math.nan, least), places.unknown

    def _places(self, leaf: ArmedLeaf, track: Track, known: Flags, first: Ints, last: Ints) -> _Places:
        key = (leaf.channel, leaf.channels)
        found = self._store.places.get(key)
        if found is None or not np.array_equal(found.status, track.status):
            i0 = np.maximum(track.at(first), 0)
            i1 = np.searchsorted(track.t, last, side="right")
            pairs = np.empty(2 * len(i0), np.int64)
            pairs[0::2], pairs[1::2] = i0, i1
            counts = np.append(0, np.cumsum(known))
            faults = np.append(0, np.cumsum(track.status == FAULT))
            stales = np.append(0, np.cumsum(track.status == STALE))
            unknown = np.where(faults[i1] > faults[i0], FAULT, np.where(stales[i1] > stales[i0], STALE, GOOD))
            found = _Places(track.status, pairs, counts[i1] == counts[i0], unknown.astype(np.uint8))
            self._store.places[key] = found
        return found

    # -- rules -------------------------------------------------------------------------------------

    def _lattice(self, rule: ArmedRule, trip: Judged) -> Lattice:
        """Return the instants of a rule; the same for all variants in which its gate is the same."""
        gate_key = None if rule.gate is None else self._gate_key(rule.gate)
        key = (rule.trip.channel, rule.trip.is_lost, rule.windowed, gate_key)
        found = self._store.lattices.get(key)
        if found is not None:
            return found
        gate_t, gate_v = self._gate_of(rule, trip)
        times = merged(trip.t, gate_t)
        trip_place = np.searchsorted(trip.t, times, side="right") - 1
        gate_place = np.searchsorted(gate_t, times, side="right") - 1
        gate = np.where(gate_place < 0, rule.runup.gate, gate_v[gate_place] if len(gate_t) else 0).astype(np.uint8)
        at_trip = gate[np.searchsorted(times, trip.t)]
        found = Lattice(times, trip_place, gate, at_trip)
        if rule.gate is None or self._stays(rule.gate):
            self._store.lattices[key] = found
        return found

    def _walk(self, rule: ArmedRule, acts: Sequence[Act], out: Changes) -> None:
        trip = self._judged[rule.trip.number]
        lattice = self._lattice(rule, trip)
        self._margins[rule.rule.number] = _margin(rule, trip, lattice)
        mine = [act for act in acts if act.rules is None or rule.rule.number in act.rules]
        Walk(self.armed, rule, trip, lattice, self._now).walk(mine, out)

    def _leave(self) -> None:
        """Leave nothing behind: nothing comes after."""


def _different(track: Track) -> tuple[Track, Ints]:
    """Return the different values and statuses of a track as a track of their own, and where each stands in it."""
    _, values = np.unique(track.v.view(np.int64), return_inverse=True)
    keys, first, inverse = np.unique(values * 8 + track.status, return_index=True, return_inverse=True)
    few = Track(np.arange(len(keys), dtype=np.int64), track.v[first], track.status[first], track.sample[first])
    return few, inverse


def merged(a: Ints, b: Ints) -> Ints:
    """Return the instants of both (each rising), every one once."""
    if not len(b):
        return a
    both = np.concatenate((a, b))
    both.sort(kind="stable")
    keep = np.ones(len(both), np.bool_)
    keep[1:] = both[1:] != both[:-1]
    return both[keep]


def _margin(rule: ArmedRule, trip: Judged, lattice: Lattice) -> tuple[float, int]:
    """Return the least margin of a rule while it was armed, and when."""
    if rule.trip.is_lost:
        return math.nan, -1
    known = (lattice.gate_at_trip == YES) & ((trip.verdict == YES) | (trip.verdict == NO)) & trip.good
    places = np.flatnonzero(known)
    if not len(places):
        return math.nan, -1
    value, limit = trip.value[places], trip.limit[places]
    margins: Floats = limit - value if rule.trip.upward else value - limit
    least = int(np.argmin(margins))
    return float(margins[least]), int(trip.t[places[least]])


def outcomes(rules: RuleSet, store: Store) -> dict[str, Outcome]:
    """Judge `rules` (made by `only`) over what the store holds."""
    return Variant(rules, store).outcomes()


def keep(decoded_: Decoded, base: RuleSet) -> Store:
    """Return a store for the variants of `base` (made by `only`)."""
    store = Store(decoded_)
    as_is = Variant(base, store)
    store.leaf_keys |= as_is.keys()
    store.terms |= {leaf.terms for leaf in as_is.armed.leaves}
    return store
