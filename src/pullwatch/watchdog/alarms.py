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
    SHELVED = 6
    """Hidden by a person for a stated time."""
    OUT_OF_SERVICE = 7
    """Taken out by a person until put back."""


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
    SHELVE = 5
    UNSHELVE = 6
    SHELF_OVER = 7
    """The time it was shelved for is over."""
    TAKE_OUT = 8
    PUT_BACK = 9


STATE_WORDS: Mapping[State, str] = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "unacknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED_UNACKNOWLEDGED: "returned to normal, unacknowledged",
    State.LATCHED_UNACKNOWLEDGED: "latched, unacknowledged",
    State.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
    State.SHELVED: "shelved",
    State.OUT_OF_SERVICE: "out of service",
}

_N, _U, _A = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
_R, _LU, _LA = State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
_S, _O = State.SHELVED, State.OUT_OF_SERVICE
_COLUMNS = (
    Event.RAISE, Event.CLEAR, Event.CLEAR_LATCHED, Event.ACKNOWLEDGE, Event.RESET,
    Event.SHELVE, Event.UNSHELVE, Event.SHELF_OVER, Event.TAKE_OUT, Event.PUT_BACK,
)  # fmt: skip
_ROWS: Mapping[State, tuple[State, ...]] = {
    #    raise  clear  latched  ack  reset  shelve unshelve over   out  back
    _N:  (_U,   _N,    _N,      _N,  _N,    _S,    _N,      _N,    _O,  _N),
    _U:  (_U,   _R,    _LU,     _A,  _U,    _S,    _U,      _U,    _O,  _U),
    _A:  (_A,   _N,    _LA,     _A,  _A,    _S,    _A,      _A,    _O,  _A),
    _R:  (_U,   _R,    _R,      _N,  _R,    _S,    _R,      _R,    _O,  _R),
    _LU: (_U,   _LU,   _LU,     _LA, _LU,   _LU,   _LU,     _LU,   _O,  _LU),
    _LA: (_U,   _LA,   _LA,     _LA, _N,    _LA,   _LA,     _LA,   _O,  _LA),
    _S:  (_S,   _S,    _S,      _S,  _S,    _S,    _N,      _N,    _O,  _S),
    _O:  (_O,   _O,    _O,      _O,  _O,    _O,    _O,      _O,    _O,  _N),
}  # fmt: skip

TABLE: Mapping[tuple[State, Event], State] = {
    (state, event): then for state, row in _ROWS.items() for event, then in zip(_COLUMNS, row, strict=True)
}
"""Total: `set(TABLE) == set(product(State, Event))`. A reset does nothing to what nobody has acknowledged yet; a latch
cannot be shelved away, for what is shelved comes back as normal.

Sources: ANSI/ISA-18.2-2016 / IEC 62682:2014 state diagram (partly from memory, see tests/watchdog/test_alarms.py).
"""

ACTIVE = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""States in which the rule's condition still stands."""

HIDDEN = frozenset({State.SHELVED, State.OUT_OF_SERVICE})
"""States in which a person has asked not to be told. The run-up goes on, so that nothing is lost when it ends."""

QUIET = HIDDEN | {State.NORMAL}
"""States in which nothing stands."""

LONGEST_SHELF = 1_800_000_000_000
"""ns a rule may be shelved for, half an hour: no longer than between two runs. Critical rules are never shelved."""


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
