"""A rule's run-up over a whole session at once, visiting only the instants at which something can happen.

The run-up itself is `watchdog.runup`; which instants may be passed over follows from it:

* while the alarm is active nothing but a change of trip or gate matters, nor does anything else ever matter to a rule
  with an on-delay that counts no samples;
* while nothing is under way nothing can happen before the trip is yes while the gate is.

Whatever interrupts (an act, a deadline) first brings the inputs to what they are at that instant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.armed import YES
from pullwatch.watchdog.runup import NEVER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.armed import Armed, ArmedRule
    from pullwatch.watchdog.firstout import Changes
    from pullwatch.watchdog.steps import Codes, Ints, Judged


@dataclass(slots=True)
class Lattice:
    """The instants at which a rule's trip or gate is set; what does not depend on what the trip says.

    `trip_place` is the trip's judging in force at each instant (-1: none yet), `gate` what the gate says from each on,
    `gate_at_trip` the same at the trip's judgings.
    """

    times: Ints
    trip_place: Ints
    gate: Codes
    gate_at_trip: Codes


class Walk:
    """Walks one rule from the begin of a session to `now` (session ns); changes go to `out`."""

    def __init__(self, armed: Armed, rule: ArmedRule, trip: Judged, lattice: Lattice, now: int) -> None:
        self._armed = armed
        self._rule = rule
        self._trip = trip
        self._lattice = lattice
        self._now = now
        place = lattice.trip_place
        says = trip.verdict[place] if len(trip.t) else np.zeros(len(place), np.uint8)
        self._says = np.where(place < 0, rule.trip.verdict, says).astype(np.uint8)
        """What the trip says from each instant on."""
        self._both = np.flatnonzero((self._says == YES) & (lattice.gate == YES))
        self._changed = np.flatnonzero(
            np.concatenate(
                (
                    np.ones(min(1, len(place)), np.bool_),
                    (self._says[1:] != self._says[:-1]) | (lattice.gate[1:] != lattice.gate[:-1]),
                )
            )
        )
        self._only_changes = not rule.rule.dose and rule.rule.at_least_samples <= 1
        self._at = 0
        """The first instant whose inputs the run-up has not been given."""

    def walk(self, acts: Sequence[Act], out: Changes) -> None:
        """Do it; `acts` are those for this rule, in order of time."""
        times, runup = self._lattice.times, self._rule.runup
        a = 0
        if not acts and not len(self._both):
            return
        while True:
            ahead = self._ahead()
            t_event = int(times[ahead]) if ahead < len(times) else NEVER
            t_act = acts[a].t if a < len(acts) else NEVER
            t = min(t_event, t_act, runup.due)
            if t > self._now:
                return
            runup.advance(t)
            if t == t_event:
                self._put(ahead, sample=True)
            else:
                passed = int(np.searchsorted(times, t, side="right")) - 1
                if passed >= self._at:
                    self._put(passed, sample=False)
            if t == t_act:
                self._show()
                self._act(acts[a], t, out)
                a += 1
            while (event := runup.settle()) is not None:
                self._show()
                out.move(self._armed, t, self._rule.rule.number, event)

    def _ahead(self) -> int:
        """Return the next instant that matters."""
        runup = self._rule.runup
        if runup.active or self._only_changes:
            where = self._changed
        elif runup.idle() and not (runup.trip == YES and runup.gate == YES):
            where = self._both
        else:
            return self._at
        place = int(where.searchsorted(self._at))
        return int(where[place]) if place < len(where) else len(self._lattice.times)

    def _put(self, place: int, *, sample: bool) -> None:
        trip, lattice, runup = self._trip, self._lattice, self._rule.runup
        judged = int(lattice.trip_place[place])
        excess = int(trip.excess[judged]) if judged >= 0 else runup.excess
        at_sample = sample and judged >= 0 and trip.t[judged] == lattice.times[place] and bool(trip.sample[judged])
        runup.put(int(self._says[place]), int(lattice.gate[place]), excess, at_sample)
        self._at = place + 1

    def _show(self) -> None:
        """Let the trip show what it was last judged by."""
        judged = int(self._lattice.trip_place[self._at - 1]) if self._at else -1
        if judged >= 0:
            leaf = self._rule.trip
            leaf.value, leaf.limit = float(self._trip.value[judged]), float(self._trip.limit[judged])

    def _act(self, act: Act, t: int, out: Changes) -> None:
        number, runup = self._rule.rule.number, self._rule.runup
        if act.event is None:
            for carried, state in act.carried:
                if carried == number:
                    out.place(self._armed, t, number, state)
            return
        if act.event is Event.SHELVE:
            runup.until = act.until
        out.move(self._armed, t, number, act.event)
