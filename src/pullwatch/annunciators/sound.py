"""Sound: which signal the sentinel should play, from the alarms that stand and from who hears it.

A crew stands by (a dyno): whatever nobody has acknowledged sounds, and reminds when it is over. A driver is alone
(strip, street): on a pass nothing but critical sounds; "Lift" ends by itself after the lift; off a pass a lower signal
calls for a few seconds and ends by itself. No driver is ever asked to acknowledge. Where the car stands with its engine
off somebody is taken to be there, and it is as on a dyno. How a pass is known: `annunciators.driving`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from pullwatch.annunciators.driving import Driving
from pullwatch.clock import NS_PER_S
from pullwatch.watchdog.alarms import Event, Priority, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pullwatch.batch import Batch
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

BY_HAND = frozenset({Event.ACKNOWLEDGE, Event.RESET, Event.SHELVE, Event.TAKE_OUT})
UNSEEN = frozenset({State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""Over, but nobody has acknowledged it."""
CALLS_FOR: Final = 10 * NS_PER_S
"""How long a signal below critical calls a driver: three bursts of a caution, one of a note (common practice)."""


class Signals(Protocol):
    """What plays the signals: `sentinel.link.SentinelLink`, or a list in a test."""

    def alarm(self, priority: Priority, rule: int, state: State) -> int:
        """Sound the signal of `priority` until told otherwise."""

    def silence(self, *, finish: bool = False) -> None:
        """Sound nothing; with `finish`, after the burst that is sounding."""


class Wanted(NamedTuple):
    """What should sound: the signal of `priority`, because `rule` is in `state`."""

    priority: Priority
    rule: int
    state: State


def signal_of(priority: Priority, state: State, *, remind: bool) -> Priority | None:
    """Return which signal an alarm asks for, or None.

    What stands unacknowledged sounds with its own priority. What is over but unacknowledged sounds as a note if
    `remind`: it no longer asks for the act ("Lift" after the lift would be wrong), only to be looked at.
    """
    if state is State.UNACKNOWLEDGED:
        return priority
    if remind and state in UNSEEN:
        return Priority.NOTE
    return None


class Standing(NamedTuple):
    """An alarm that does not rest: its rule, its state, and when it was last raised or carried in (session ns)."""

    rule: int
    state: State
    raised: int


def for_crew(alarm: Standing, priority: Priority) -> Priority | None:
    """Return what is heard of an alarm where somebody stands by: until it is acknowledged."""
    return signal_of(priority, alarm.state, remind=True)


def for_driver(alarm: Standing, priority: Priority, driving: Driving) -> Priority | None:
    """Return what is heard of an alarm where the driver is alone, at `driving.now`."""
    signal = signal_of(priority, alarm.state, remind=False)
    if signal is Priority.CRITICAL:
        lifted = driving.lifted_at
        return None if lifted is not None and alarm.raised <= lifted else signal
    over = driving.over_at
    if over is None or driving.now >= max(over, alarm.raised) + CALLS_FOR:
        return None
    return signal


def loudest(heard: Iterable[tuple[Standing, Priority | None]]) -> Wanted | None:
    """Return what should sound: of the most urgent signals that of the alarm raised last. `heard` is in that order."""
    wanted: Wanted | None = None
    for alarm, signal in heard:
        if signal is not None and (wanted is None or signal <= wanted.priority):
            wanted = Wanted(signal, alarm.rule, alarm.state)
    return wanted


class Sound:
    """A sink that turns changes into signals: for a crew that stands by, or for a driver who is alone."""

    def __init__(self, ruleset: RuleSet, signals: Signals, *, driver: bool = False) -> None:
        self._priorities = tuple(rule.priority for rule in ruleset.rules)
        self._signals = signals
        self._driving = Driving(ruleset.channels) if driver else None
        self._standing: dict[int, Standing] = {}
        self._wanted: Wanted | None = None

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Take what changed, and where the car is; tell the sentinel if something else should sound now."""
        driving = self._driving
        finish = True
        if driving is not None:
            before = driving.on_pass
            driving.take(batch)
            finish = before or not driving.on_pass  # a pass that begins cuts off what must not sound on it
        for change in changes:
            was = self._standing.get(change.rule)
            if change.state is State.NORMAL:
                self._standing.pop(change.rule, None)
            elif was is None or change.state is State.UNACKNOWLEDGED:
                self._standing.pop(change.rule, None)  # raised (again): it goes to the end of the order
                self._standing[change.rule] = Standing(change.rule, change.state, change.t)
            else:
                self._standing[change.rule] = was._replace(state=change.state)
            # Whoever acknowledges or hides wants quiet now; an alarm that ends by itself may finish its burst.
            finish = finish and change.event not in BY_HAND
        if changes or (driving is not None and self._standing):
            self._say(finish=finish)

    def rules_are(self, rules: RuleSet) -> None:
        """Take up rules changed while watching: a priority may be another."""
        self._priorities = tuple(rule.priority for rule in rules.rules)

    def close(self) -> None:
        """Fall silent. The sentinel itself belongs to whoever started it."""
        self._standing.clear()
        self._say(finish=False)

    def _signal(self, alarm: Standing) -> Priority | None:
        priority, driving = self._priorities[alarm.rule], self._driving
        if driving is None or driving.standing:
            return for_crew(alarm, priority)
        return for_driver(alarm, priority, driving)

    def _say(self, *, finish: bool) -> None:
        wanted = loudest((alarm, self._signal(alarm)) for alarm in self._standing.values())
        if wanted == self._wanted:
            return
        self._wanted = wanted
        if wanted is None:
            self._signals.silence(finish=finish)
        else:
            self._signals.alarm(*wanted)
