"""Acts as the watchdog takes them: what a person did, or what an earlier session left standing, at its own instant."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullwatch.batch import Kind
from pullwatch.watchdog.alarms import LONGEST_SHELF, Event, Priority, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pullwatch.batch import Record
    from pullwatch.watchdog.rules import Rule

_EVENTS = {
    "acknowledge": Event.ACKNOWLEDGE,
    "reset": Event.RESET,
    "shelve": Event.SHELVE,
    "unshelve": Event.UNSHELVE,
    "out-of-service": Event.TAKE_OUT,
    "in-service": Event.PUT_BACK,
}
SLEPT = "monitor slept"
"""The rule whose alarm is raised by the act "slept": the watcher noticed that it had not watched for a while."""
_NAMED = frozenset({Event.SHELVE, Event.UNSHELVE, Event.TAKE_OUT, Event.PUT_BACK})
"""Acts that are meant for one rule by name and never for all: nobody hides everything with one key."""


@dataclass(frozen=True, slots=True)
class Act:
    """At `t`: `event` for the rules numbered in `rules` (None: all), or, with event None, the states carried in.

    `until` (session ns) is when a shelving ends.
    """

    t: int
    event: Event | None
    rules: tuple[int, ...] | None
    carried: tuple[tuple[int, State], ...] = ()
    until: int = 0


def read_acts(records: Iterable[Record], rules: Mapping[str, Rule]) -> list[Act]:
    """Pick the acts that judging heeds out of a step's records; `rules` are by name.

    Marks, and acts for rules this set does not have, change no alarm; they are in the recording all the same. An act
    that cannot be read (a damaged or newer recording) changes nothing either: it can never clear an alarm. Nor can
    one hide a critical rule for a time, or any rule for longer than `LONGEST_SHELF`.
    """
    acts: list[Act] = []
    for record in records:
        if record.kind is Kind.ACT:
            said = _object(record.data)
            if said.get("act") == "slept" and SLEPT in rules:
                acts.append(Act(record.t, Event.RAISE, (rules[SLEPT].number,)))
            event = _EVENTS.get(str(said.get("act")))
            if event is None:
                continue
            name = said.get("rule")
            rule = rules.get(name) if isinstance(name, str) else None
            if name is None and event not in _NAMED:
                acts.append(Act(record.t, event, None))
            elif rule is not None and event is Event.SHELVE:
                span = said.get("for_ns")
                if rule.priority is not Priority.CRITICAL and isinstance(span, int) and 0 < span <= LONGEST_SHELF:
                    acts.append(Act(record.t, event, (rule.number,), until=record.t + span))
            elif rule is not None:
                acts.append(Act(record.t, event, (rule.number,)))
        elif record.kind is Kind.CARRIED:
            standing = _object(record.data).get("alarms")
            carried = []
            for alarm in standing if isinstance(standing, list) else []:
                carried_rule = rules.get(str(alarm.get("rule"))) if isinstance(alarm, dict) else None
                state = alarm.get("state") if isinstance(alarm, dict) else None
                if carried_rule is None or not isinstance(state, int) or state not in State.__members__.values():
                    continue
                if state != State.SHELVED:  # whoever starts anew is told anew
                    carried.append((carried_rule.number, State(state)))
            if carried:
                acts.append(Act(record.t, None, None, tuple(carried)))
    return acts


def _object(data: bytes) -> dict[str, object]:
    try:
        said = json.loads(data)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}
