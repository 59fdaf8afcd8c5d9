"""Sound: which signal the sentinel should play, from the alarms that stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

from pullwatch.watchdog.alarms import Event, Priority, State

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pullwatch.batch import Batch
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

BY_HAND = frozenset({Event.ACKNOWLEDGE, Event.RESET, Event.SHELVE, Event.TAKE_OUT})
UNSEEN = frozenset({State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""Over, but nobody has acknowledged it."""


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


def loudest(
    standing: Mapping[int, State], priorities: Sequence[Priority], *, remind: bool, only_critical: bool
) -> Wanted | None:
    """Return what should sound: of the most urgent signals the one raised last. `standing` is in order of raising."""
    wanted: Wanted | None = None
    for rule, state in standing.items():
        signal = signal_of(priorities[rule], state, remind=remind)
        if signal is None or (only_critical and signal is not Priority.CRITICAL):
            continue
        if wanted is None or signal <= wanted.priority:
            wanted = Wanted(signal, rule, state)
    return wanted


class Sound:
    """A sink that turns changes into signals.

    `remind`: whether an alarm that is over but unacknowledged goes on as a note. True where somebody stands by (a
    dyno); False where the driver is alone, who is never asked to acknowledge: there the sound ends with the alarm.
    """

    def __init__(self, ruleset: RuleSet, signals: Signals, *, remind: bool = True) -> None:
        self._priorities = tuple(rule.priority for rule in ruleset.rules)
        self._signals = signals
        self._remind = remind
        self._only_critical = False
        self._standing: dict[int, State] = {}
        self._wanted: Wanted | None = None

    @property
    def only_critical(self) -> bool:
        """Whether nothing below critical sounds: between launch and lift the driver gets one signal and no other."""
        return self._only_critical

    @only_critical.setter
    def only_critical(self, value: bool) -> None:
        self._only_critical = value
        self._say(finish=False)

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:  # noqa: ARG002 - only changes can be heard
        """Take what changed; tell the sentinel if something else should sound now."""
        if not changes:
            return
        finish = True
        for change in changes:
            if change.state is State.NORMAL:
                self._standing.pop(change.rule, None)
            else:
                if change.state is State.UNACKNOWLEDGED:
                    self._standing.pop(change.rule, None)  # raised (again): it goes to the end of the order
                self._standing[change.rule] = change.state
            # Whoever acknowledges or hides wants quiet now; an alarm that ends by itself may finish its burst.
            finish = finish and change.event not in BY_HAND
        self._say(finish=finish)

    def rules_are(self, rules: RuleSet) -> None:
        """Take up rules changed while watching: a priority may be another."""
        self._priorities = tuple(rule.priority for rule in rules.rules)

    def close(self) -> None:
        """Fall silent. The sentinel itself belongs to whoever started it."""
        self._standing.clear()
        self._say(finish=False)

    def _say(self, *, finish: bool) -> None:
        wanted = loudest(self._standing, self._priorities, remind=self._remind, only_critical=self._only_critical)
        if wanted == self._wanted:
            return
        self._wanted = wanted
        if wanted is None:
            self._signals.silence(finish=finish)
        else:
            self._signals.alarm(*wanted)
