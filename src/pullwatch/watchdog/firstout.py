"""Changes as they are made, instant by instant, with the first-out of each group marked."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pullwatch.watchdog.alarms import QUIET, TABLE, Change, Event, State

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.armed import Armed
    from pullwatch.watchdog.rules import RuleSet


class Changes:
    """Collects the changes of a step. A change whose states are the same is none and is not collected."""

    def __init__(self) -> None:
        self.made: list[Change] = []

    def move(self, armed: Armed, t: int, number: int, event: Event) -> None:
        """Move one rule's alarm by `event` at `t`."""
        rule = armed.armed[number]
        was = rule.runup.move(event)
        self._note(armed, t, number, was, rule.runup.state, event)

    def place(self, armed: Armed, t: int, number: int, state: State) -> None:
        """Put one rule's alarm into a state carried in."""
        runup = armed.armed[number].runup
        was = runup.state
        runup.place(state)
        self._note(armed, t, number, was, state, None)

    def act(self, armed: Armed, t: int, act: Act) -> None:
        """Apply an act to the rules it is meant for, in file order."""
        if act.event is None:
            for number, state in sorted(act.carried):
                self.place(armed, t, number, state)
            return
        for number in range(len(armed.armed)) if act.rules is None else act.rules:
            runup = armed.armed[number].runup
            if act.event is Event.SHELVE:
                runup.until = act.until
            if TABLE[runup.state, act.event] is not runup.state:
                self.move(armed, t, number, act.event)

    def _note(self, armed: Armed, t: int, number: int, was: State, state: State, event: Event | None) -> None:
        if was is not state:
            trip = armed.armed[number].trip
            self.made.append(Change(t, number, was, state, event, trip.value, trip.limit))


class FirstOut:
    """Marks, in the order of all changes, the alarm that opened its group."""

    def __init__(self, rules: RuleSet) -> None:
        self._group = [rule.group for rule in rules.rules]
        self._priority = [rule.priority for rule in rules.rules]
        self._standing: dict[str, int] = dict.fromkeys(self._group, 0)

    def mark(self, changes: Iterable[Change]) -> list[Change]:
        """Return the changes with the first-outs marked. All changes of one instant must be in one call."""
        out: list[Change] = []
        opened: dict[str, int] = {}
        instant = None
        for change in changes:
            if change.t != instant:
                instant = change.t
                opened.clear()
            group = self._group[change.rule]
            if change.event is Event.RAISE:
                first = opened.get(group)
                if first is None and self._standing[group] == 0:
                    opened[group] = len(out)
                    change = replace(change, first_out=True)  # noqa: PLW2901 - the same change, marked
                elif first is not None and self._priority[change.rule] < self._priority[out[first].rule]:
                    out[first] = replace(out[first], first_out=False)
                    opened[group] = len(out)
                    change = replace(change, first_out=True)  # noqa: PLW2901 - same
            self._standing[group] += (change.state not in QUIET) - (change.was not in QUIET)
            out.append(change)
        return out

    def recount(self, states: Iterable[State]) -> None:
        """Count the standing alarms anew from the states of all rules, after a checkpoint was taken up."""
        self._standing = dict.fromkeys(self._group, 0)
        for group, state in zip(self._group, states, strict=True):
            self._standing[group] += state not in QUIET
