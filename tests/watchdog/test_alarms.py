"""Alarm states, and what alarms do over time, held against figures from outside.

States and transitions: ANSI/ISA-18.2-2016 / IEC 62682:2014. Deadband and delays: OPC UA Part 9 B.1.5 and ISA-18.2 10.5.
"""

from __future__ import annotations

from itertools import product

import pytest

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.watchdog.alarms import ACTIVE, STATE_WORDS, TABLE, Event, Priority, State
from pullwatch.watchdog.conditions import Comparison, Term
from pullwatch.watchdog.rules import Rule, RuleSet

from .driving import every_way
from .words import act, channel, compare, series, told

TENTH = 100 * NS_PER_MS


def test_the_table_is_total() -> None:
    """Every event has an answer in every state; alarms are lost where one is missing."""
    assert set(TABLE) == set(product(State, Event))
    assert set(TABLE.values()) <= set(State)
    assert set(STATE_WORDS) == set(State)


def test_every_state_can_be_left_and_reached() -> None:
    """From anywhere an alarm can be brought back to normal, and no state is out of reach."""
    for start in State:
        reached = {start}
        while True:
            further = reached | {TABLE[state, event] for state in reached for event in Event}
            if further == reached:
                break
            reached = further
        assert reached == set(State), start


def test_a_raise_always_leads_to_an_active_state_and_a_clear_never_does() -> None:
    """Active means that the condition still stands."""
    for state in State:
        assert TABLE[state, Event.RAISE] in ACTIVE
        assert TABLE[state, Event.CLEAR] not in ACTIVE
        assert TABLE[state, Event.CLEAR_LATCHED] not in ACTIVE


def test_nothing_but_an_acknowledgement_takes_an_alarm_from_unacknowledged() -> None:
    """An alarm nobody has seen is never forgotten: neither by clearing nor by a reset."""
    unseen = {State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED}
    for state, event in product(unseen, set(Event) - {Event.ACKNOWLEDGE}):
        assert TABLE[state, event] in unseen, (state, event)


TRANSITIONS = [
    ("alarm_tr_1", State.UNACKNOWLEDGED, Event.ACKNOWLEDGE, State.ACKNOWLEDGED, "text seen"),
    ("alarm_tr_2", State.UNACKNOWLEDGED, Event.CLEAR, State.RETURNED_UNACKNOWLEDGED, "text seen"),
    ("alarm_tr_4", State.RETURNED_UNACKNOWLEDGED, Event.ACKNOWLEDGE, State.NORMAL, "from memory"),
    ("alarm_tr_5", State.RETURNED_UNACKNOWLEDGED, Event.RAISE, State.UNACKNOWLEDGED, "from memory"),
    ("alarm_tr_6", State.ACKNOWLEDGED, Event.RAISE, State.ACKNOWLEDGED, "from memory"),
    ("alarm_tr_7", State.NORMAL, Event.ACKNOWLEDGE, State.NORMAL, "from memory"),
    ("alarm_tr_8", State.ACKNOWLEDGED, Event.CLEAR_LATCHED, State.LATCHED_ACKNOWLEDGED, "from memory"),
    ("alarm_tr_9", State.LATCHED_ACKNOWLEDGED, Event.RESET, State.NORMAL, "from memory"),
    ("alarm_tr_11", State.LATCHED_UNACKNOWLEDGED, Event.ACKNOWLEDGE, State.LATCHED_ACKNOWLEDGED, "from memory"),
]
"""Source: ANSI/ISA-18.2-2016 / IEC 62682:2014, state transitions; the last column says how each figure was come by."""


@pytest.mark.parametrize(("name", "was", "event", "state", "certainty"), TRANSITIONS)
def test_transitions_are_those_of_the_standard(
    name: str, was: State, event: Event, state: State, certainty: str
) -> None:
    """UNACK, ACKED, RTNUN, LUNAK, LACKD and NORM of the standard are our six states."""
    assert certainty in ("text seen", "from memory")
    assert TABLE[was, event] is state, name


@pytest.mark.parametrize("latch", [False, True])
def test_the_engine_walks_the_transitions_of_the_standard(latch: bool) -> None:
    """The same rows as a trace: raised, acknowledged, yes again, cleared; raised, cleared, acknowledged (and reset)."""
    rule = Rule(0, "r", compare(0, ">", 100.0), off_delay=0, latch=latch)
    high = series(0, *((second * NS_PER_S, value) for second, value in enumerate((101, 102, 90, 101, 90, 101, 90))))
    half = NS_PER_S // 2
    acts = [
        act(half, "acknowledge"),
        act(NS_PER_S + half, "reset"),
        act(6 * NS_PER_S + half, "reset"),
        act(7 * NS_PER_S, "acknowledge"),
        act(8 * NS_PER_S, "reset"),
        act(9 * NS_PER_S, "acknowledge"),
    ]
    found = [(t / NS_PER_S, state) for t, _, state in told(every_way(rules_of(rule, 10), high, 10 * NS_PER_S, acts))]
    if latch:
        assert found == [
            (0, "UNACKNOWLEDGED"),
            (0.5, "ACKNOWLEDGED"),
            (2, "LATCHED_ACKNOWLEDGED"),
            (3, "UNACKNOWLEDGED"),
            (4, "LATCHED_UNACKNOWLEDGED"),
            (5, "UNACKNOWLEDGED"),
            (6, "LATCHED_UNACKNOWLEDGED"),
            (7, "LATCHED_ACKNOWLEDGED"),
            (8, "NORMAL"),
        ]
    else:
        assert found == [
            (0, "UNACKNOWLEDGED"),
            (0.5, "ACKNOWLEDGED"),
            (2, "NORMAL"),
            (3, "UNACKNOWLEDGED"),
            (4, "RETURNED_UNACKNOWLEDGED"),
            (5, "UNACKNOWLEDGED"),
            (6, "RETURNED_UNACKNOWLEDGED"),
            (7, "NORMAL"),
        ]


def rules_of(rule: Rule, stale_seconds: float = 0.25) -> RuleSet:
    """Return a set of one rule over one channel."""
    return RuleSet((channel(0, stale_after=int(stale_seconds * NS_PER_S)),), (rule,))


def active_per_sample(
    values: list[float], *, deadband: float = 0.0, on_delay: float = 0.0, off_delay: float = 0.0
) -> list[bool]:
    """Return whether the alarm stands after each sample of a 10 Hz trace; limit 100, high, delays in seconds."""
    rule = Rule(
        0,
        "high",
        compare(0, ">", 100.0, deadband),
        on_delay=round(on_delay * NS_PER_S),
        off_delay=round(off_delay * NS_PER_S),
    )
    changes = every_way(
        rules_of(rule), series(0, *((i * TENTH, value) for i, value in enumerate(values))), len(values) * TENTH
    )
    states = [
        next((change.state for change in reversed(changes) if change.t <= i * TENTH), State.NORMAL)
        for i in range(len(values))
    ]
    return [state in ACTIVE for state in states]


CHATTER = [99.9, 100.1, 99.9, 100.1, 99.9, 100.1]
F, T = False, True
# Rows: name, samples at 10 Hz, on-delay s, off-delay s, active after each sample. Limit 100, deadband 0, high.
# Semantics: OPC UA Part 9 B.1.5 and ISA-18.2 10.5 (text seen); the traces are a reference state machine's.
TRACES: list[tuple[str, list[float], float, float, list[bool]]] = [
    ("alarm_no_deadband_chatter", CHATTER, 0, 0, [F, T, F, T, F, T]),
    ("alarm_on_delay_0.3s", [90, 101, 101, 101, 101, 90, 101, 90], 0.3, 0, [F, F, F, F, T, F, F, F]),
    ("alarm_off_delay_0.3s", [90, 101, 90, 101, 90, 90, 90, 90, 90], 0, 0.3, [F, T, T, T, T, T, T, F, F]),
    ("alarm_on_delay_spike_rejected", [90, 101, 101, 90, 90, 101, 90], 0.3, 0, [F, F, F, F, F, F, F]),
]


@pytest.mark.parametrize(("name", "samples", "on_delay", "off_delay", "expected"), TRACES)
def test_traces_with_delays_are_those_of_the_standard(
    name: str, samples: list[float], on_delay: float, off_delay: float, expected: list[bool]
) -> None:
    """Active when beyond the limit for the on-delay, no longer when within it for the off-delay."""
    assert active_per_sample(samples, on_delay=on_delay, off_delay=off_delay) == expected, name


@pytest.mark.parametrize(("deadband", "activations"), [(0.0, 3), (0.5, 1)])
def test_a_deadband_stops_chatter(deadband: float, activations: int) -> None:
    """Source: ANSI/ISA-18.2-2016 / IEC 62682:2014 (computed): the same signal, 3 activations without and 1 with 0.5."""
    active = active_per_sample(CHATTER, deadband=deadband)
    assert sum(now and not before for before, now in zip([False, *active], active, strict=False)) == activations


def test_the_limit_itself_is_not_beyond_it() -> None:
    """Strict at the limit (a convention; the source's reference has it so)."""
    assert active_per_sample([100.0, 100.0, 100.000001, 100.0]) == [False, False, True, False]


def test_the_first_out_of_a_group_is_the_earliest() -> None:
    """Oil pressure low at 12.300 s, engine stopped at 12.450, oil pressure very low at 12.500: the first is first-out.

    Source: OPC UA Part 9 FirstInGroup, ISA-18.1 first-out sequence (text seen in part, rest from memory). That of equal
    times the more urgent priority wins is our convention.
    """
    oil, speed = 0, 1
    rules = RuleSet(
        (channel(oil, stale_after=20 * NS_PER_S), channel(speed, stale_after=20 * NS_PER_S)),
        (
            Rule(0, "oil_pressure_low_low", compare(oil, "<", 50.0), priority=Priority.CRITICAL),
            Rule(1, "rpm_zero", Comparison(speed, "<=", (Term(0.0),)), priority=Priority.CRITICAL),
            Rule(2, "oil_pressure_low", compare(oil, "<", 100.0), priority=Priority.CAUTION),
        ),
    )
    ms = NS_PER_MS
    samples = series(oil, (0, 300.0), (12_300 * ms, 90.0), (12_500 * ms, 40.0))
    samples += series(speed, (1, 6000.0), (12_450 * ms, 0.0))
    changes = every_way(rules, samples, 15 * NS_PER_S)
    assert [(change.t // ms, rules.rules[change.rule].name, change.first_out) for change in changes] == [
        (12_300, "oil_pressure_low", True),
        (12_450, "rpm_zero", False),
        (12_500, "oil_pressure_low_low", False),
    ]


def test_priorities_are_ordered_by_urgency() -> None:
    """The smaller number is the more urgent."""
    assert Priority.CRITICAL < Priority.CAUTION < Priority.NOTE
