"""Acts as the watchdog takes them: what a person did, or what an earlier session left standing, at its own instant."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullwatch.batch import Kind
from pullwatch.watchdog.alarms import Event, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pullwatch.batch import Record

_EVENTS = {"acknowledge": Event.ACKNOWLEDGE, "reset": Event.RESET}


@dataclass(frozen=True, slots=True)
class Act:
    """At `t`: `event` for the rules numbered in `rules` (None: all), or, with event None, the states carried in."""

    t: int
    event: Event | None
    rules: tuple[int, ...] | None
    carried: tuple[tuple[int, State], ...] = ()


def read_acts(records: Iterable[Record], rule_number: Mapping[str, int]) -> list[Act]:
    """Pick the acts that judging heeds out of a step's records.

    Marks, and acts for rules this set does not have, change no alarm; they are in the recording all the same. An act
    that cannot be read (a damaged or newer recording) changes nothing either: it can never clear an alarm.
    """
    acts: list[Act] = []
    for record in records:
        if record.kind is Kind.ACT:
            said = _object(record.data)
            event = _EVENTS.get(str(said.get("act")))
            if event is None:
                continue
            name = said.get("rule")
            if name is None:
                acts.append(Act(record.t, event, None))
            elif name in rule_number:
                acts.append(Act(record.t, event, (rule_number[str(name)],)))
        elif record.kind is Kind.CARRIED:
            standing = _object(record.data).get("alarms")
            carried = []
            for alarm in standing if isinstance(standing, list) else []:
                number = rule_number.get(str(alarm.get("rule"))) if isinstance(alarm, dict) else None
                state = alarm.get("state") if isinstance(alarm, dict) else None
                if number is not None and isinstance(state, int) and state in State.__members__.values():
                    carried.append((number, State(state)))
            if carried:
                acts.append(Act(record.t, None, None, tuple(carried)))
    return acts


def _object(data: bytes) -> dict[str, object]:
    try:
        said = json.loads(data)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}
