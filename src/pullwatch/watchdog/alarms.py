"""Alarm states and their one transition table, in the terms of ANSI/ISA-18.2 and IEC 62682."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


class Priority(IntEnum):
    """Three priorities; the smaller number is the more urgent."""

    CRITICAL = 0
    CAUTION = 1
    NOTE = 2


class State(IntEnum):
    """Where an alarm stands. Values are written to the session file and never change their meaning."""

    NORMAL = 0
    UNACKNOWLEDGED = 1
    ACKNOWLEDGED = 2
    RETURNED_UNACKNOWLEDGED = 3
    LATCHED_UNACKNOWLEDGED = 4
    LATCHED_ACKNOWLEDGED = 5


class Event(IntEnum):
    """What can happen to an alarm."""

    RAISE = 0
    """The rule's run-up is full and its verdict is yes."""
    CLEAR = 1
    """Known no for the whole off-delay; the rule does not latch."""
    CLEAR_LATCHED = 2
    """Known no for the whole off-delay; the rule latches."""
    ACKNOWLEDGE = 3
    RESET = 4


STATE_WORDS: Mapping[State, str] = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "unacknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED_UNACKNOWLEDGED: "returned to normal, unacknowledged",
    State.LATCHED_UNACKNOWLEDGED: "latched, unacknowledged",
    State.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
}

_N, _U, _A = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
_R, _LU, _LA = State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
_RAISE, _CLEAR, _CLEAR_L, _ACK, _RESET = Event

TABLE: Mapping[tuple[State, Event], State] = {
    (_N, _RAISE): _U, (_N, _CLEAR): _N, (_N, _CLEAR_L): _N, (_N, _ACK): _N, (_N, _RESET): _N,
    (_U, _RAISE): _U, (_U, _CLEAR): _R, (_U, _CLEAR_L): _LU, (_U, _ACK): _A, (_U, _RESET): _U,
    (_A, _RAISE): _A, (_A, _CLEAR): _N, (_A, _CLEAR_L): _LA, (_A, _ACK): _A, (_A, _RESET): _A,
    (_R, _RAISE): _U, (_R, _CLEAR): _R, (_R, _CLEAR_L): _R, (_R, _ACK): _N, (_R, _RESET): _R,
    (_LU, _RAISE): _U, (_LU, _CLEAR): _LU, (_LU, _CLEAR_L): _LU, (_LU, _ACK): _LA, (_LU, _RESET): _LU,
    (_LA, _RAISE): _U, (_LA, _CLEAR): _LA, (_LA, _CLEAR_L): _LA, (_LA, _ACK): _LA, (_LA, _RESET): _N,
}  # fmt: skip
"""Total: `set(TABLE) == set(product(State, Event))`. A reset does nothing to what nobody has acknowledged yet.

Sources: ANSI/ISA-18.2-2016 / IEC 62682:2014 state diagram (partly from memory, see tests/watchdog/test_alarms.py).
"""

ACTIVE = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""States in which the rule's condition still stands."""


@dataclass(frozen=True, slots=True)
class Change:
    """An alarm moved from one state to another at `t` (session ns; the deadline's own instant, never the tick's).

    `rule` is the rule's number in file order. `value` and `limit` are the trip's left side and the limit it was held
    to when last judged (NaN where there is none, such as a lost channel). `first_out` marks the alarm that opened its
    group since the group was last fully normal.
    """

    t: int
    rule: int
    was: State
    state: State
    event: Event | None
    value: float
    limit: float
    first_out: bool = False
