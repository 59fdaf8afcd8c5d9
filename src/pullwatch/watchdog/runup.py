"""The run-up: what happens between a rule's first yes and its alarm, and between its last yes and the return to normal.

One small state machine per rule, advanced from instant to instant by either way of judging. Between two instants its
inputs stand still, so everything in between is exact whole-number arithmetic, never a tick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.watchdog.alarms import ACTIVE, HIDDEN, TABLE, Event, State
from pullwatch.watchdog.conditions import Verdict

if TYPE_CHECKING:
    from pullwatch.watchdog.rules import Rule

NEVER: Final = 1 << 62
"""An instant that does not come."""

_NO, _YES = int(Verdict.NO), int(Verdict.YES)


class RunUp:
    """One rule's run-up, off-delays and alarm state. Times are session ns; verdicts are plain ints of Verdict."""

    __slots__ = (
        "active", "counted", "due", "excess", "filled", "full", "gate", "gate_no", "has_dose", "latch",
        "need", "no_for", "off_delay", "state", "t", "trip", "until",
    )  # fmt: skip

    def __init__(self, rule: Rule, gate: int) -> None:
        self.has_dose = rule.dose > 0
        self.full = rule.dose if self.has_dose else rule.on_delay
        self.need = rule.at_least_samples if rule.at_least_samples > 1 else 0
        self.off_delay = rule.off_delay
        self.latch = rule.latch
        self.state = State.NORMAL
        self.active = False
        self.t = 0
        self.trip = int(Verdict.STALE)
        self.gate = gate
        self.excess = 0
        self.filled = 0
        self.counted = 0
        self.gate_no = 0
        self.no_for = 0
        self.due = NEVER
        self.until = NEVER
        """When the time it is shelved for is over."""

    def advance(self, t: int) -> None:
        """Bring everything up to instant `t` under the inputs that stood until then."""
        dt = t - self.t
        if dt <= 0:
            return
        self.t = t
        if self.active:
            if _NO in (self.trip, self.gate):
                self.no_for += dt
            return
        if self.gate == _NO:
            self.gate_no += dt
            if self.gate_no >= self.off_delay:
                self.filled = self.counted = 0
        if self.trip == _YES:
            if self.gate == _YES:
                if not self.has_dose:
                    self.filled = min(self.full, self.filled + dt)
                elif self.excess > 0:
                    self.filled = min(self.full, self.filled + self.excess * dt)
        elif self.trip == _NO and self.filled and self.excess < 0:
            self.filled = max(0, self.filled + self.excess * dt)
            if not self.filled:
                self.counted = 0

    def put(self, trip: int, gate: int, excess: int, sample: bool) -> None:
        """Set the inputs that hold from the present instant on; `sample` says a sample of the left side arrived."""
        self.trip = trip
        self.gate = gate
        self.excess = excess
        if trip == _NO:
            if self.active:
                return
            if not self.has_dose:
                self.filled = self.counted = 0
            elif not self.filled:
                self.counted = 0
        elif trip == _YES and gate == _YES:
            self.gate_no = 0
            self.no_for = 0
            if sample and not self.active:
                self.counted += 1
            return
        if gate == _YES:
            self.gate_no = 0
        elif gate == _NO and self.gate_no >= self.off_delay:
            self.filled = self.counted = 0

    def settle(self) -> Event | None:
        """Say what happens to the alarm at the present instant by itself, and reckon when to look again.

        The caller moves the state (`move`) with what is returned, and asks again until there is nothing more.
        """
        self.due = NEVER
        if self.state in HIDDEN:
            if self.state is State.SHELVED:
                if self.t >= self.until:
                    return Event.SHELF_OVER
                self.due = self.until
            return None
        if self.active:
            if _NO in (self.trip, self.gate):
                if self.no_for >= self.off_delay:
                    return Event.CLEAR_LATCHED if self.latch else Event.CLEAR
                self.due = self.t + self.off_delay - self.no_for
            return None
        if self.trip == _YES and self.gate == _YES:
            short = self.full - self.filled
            if short <= 0:
                return Event.RAISE if self.counted >= self.need else None
            if not self.has_dose:
                self.due = self.t + short
            elif self.excess > 0:
                self.due = self.t - (-short // self.excess)
        return None

    def move(self, event: Event) -> State:
        """Move by the table and return the state before."""
        was = self.state
        self.place(TABLE[was, event])
        return was

    def place(self, state: State) -> None:
        """Put the alarm into a state; its run-up starts from empty whenever it becomes active or stops being so."""
        active = state in ACTIVE
        if active != self.active:
            self.active = active
            self.filled = self.counted = self.no_for = 0
        self.state = state

    def idle(self) -> bool:
        """Whether nothing can happen here until the trip is yes while the gate is."""
        return not self.active and not self.filled and not self.counted

    def carried(self) -> list[int]:
        """Return everything above that is not the rule's own, for a checkpoint."""
        return [
            int(self.state), self.t, self.trip, self.gate, self.excess, self.filled, self.counted, self.gate_no,
            self.no_for, self.due, self.until,
        ]  # fmt: skip

    def carry(self, numbers: list[int]) -> None:
        """Take up what `carried` returned."""
        (
            state,
            self.t,
            self.trip,
            self.gate,
            self.excess,
            self.filled,
            self.counted,
            self.gate_no,
            self.no_for,
            self.due,
            self.until,
        ) = numbers
        self.state = State(state)
        self.active = self.state in ACTIVE
