"""Alarm states, and what alarms do over time, held against figures from outside.

States and transitions: ANSI/ISA-18.2-2016 / IEC 62682:2014. Deadband and delays: OPC UA Part 9 B.1.5 and ISA-18.2 10.5.
"""

from __future__ import annotations

import json
from itertools import product

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.watchdog.alarms import ACTIVE, HIDDEN, LONGEST_SHELF, STATE_WORDS, TABLE, Event, Priority, State
from pullwatch.watchdog.conditions import Comparison, Not, Surely, Term
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
    """Active means that the condition still stands; what a person hides stays hidden whatever it does."""
    for state in set(State) - HIDDEN:
        assert TABLE[state, Event.RAISE] in ACTIVE
        assert TABLE[state, Event.CLEAR] not in ACTIVE
        assert TABLE[state, Event.CLEAR_LATCHED] not in ACTIVE


def test_what_is_hidden_stays_hidden_until_it_is_shown_again() -> None:
    """Nothing the engine does, and no key for all alarms, leads out of being shelved or out of service."""
    for state, event in product(
        HIDDEN, (Event.RAISE, Event.CLEAR, Event.CLEAR_LATCHED, Event.ACKNOWLEDGE, Event.RESET)
    ):
        assert TABLE[state, event] is state
    for latched in (State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED):
        assert TABLE[latched, Event.SHELVE] is latched


def shelved(priority: Priority, span: int) -> list[tuple[int, str]]:
    """Return what a rule tells that is shelved 5 ns into standing; it stands on from 100 ns to 300 ns."""
    rule = Rule(0, "r", compare(0, ">", 100.0), on_delay=50, off_delay=20, priority=priority)
    trace = series(0, (0, 90.0), (100, 101.0), (300, 90.0), (400, 90.0))
    acts = [Record(155, 0, Kind.ACT, json.dumps({"act": "shelve", "rule": "r", "for_ns": span}).encode())]
    return [(t, state) for t, _, state in told(every_way(rules_of(rule, 10), trace, 600, acts))]


def test_shelving_is_limited_in_time_and_loses_nothing() -> None:
    """Shelving, for a stated time, is ISA-18.2's (text seen). What stands when it is over is told at that instant.

    The run-up goes on meanwhile; one that is over before the condition ends is told at the end of the shelving or of
    its run-up, whichever is later, and one that ends meanwhile is not told at all.
    """
    assert shelved(Priority.CAUTION, 70) == [
        (150, "UNACKNOWLEDGED"),
        (155, "SHELVED"),
        (225, "NORMAL"),
        (225, "UNACKNOWLEDGED"),
        (320, "RETURNED_UNACKNOWLEDGED"),
    ]
    assert shelved(Priority.CAUTION, 30) == [
        (150, "UNACKNOWLEDGED"),
        (155, "SHELVED"),
        (185, "NORMAL"),
        (205, "UNACKNOWLEDGED"),
        (320, "RETURNED_UNACKNOWLEDGED"),
    ]
    assert shelved(Priority.CAUTION, 200) == [(150, "UNACKNOWLEDGED"), (155, "SHELVED"), (355, "NORMAL")]


def test_a_critical_rule_is_never_shelved_and_none_for_long() -> None:
    """An act that would hide a critical rule, or hide one for hours, changes nothing."""
    stands = [(150, "UNACKNOWLEDGED"), (320, "RETURNED_UNACKNOWLEDGED")]
    assert shelved(Priority.CRITICAL, 70) == stands
    assert shelved(Priority.CAUTION, LONGEST_SHELF + 1) == stands
    assert shelved(Priority.CAUTION, 0) == stands


def test_out_of_service_is_by_name_and_lasts_until_put_back() -> None:
    """One rule by name, never all at once; put back, it tells what stands."""
    rule = Rule(0, "r", compare(0, ">", 100.0), off_delay=20, priority=Priority.CRITICAL, latch=True)
    trace = series(0, (0, 90.0), (100, 101.0), (300, 101.0))
    acts = [
        act(150, "out-of-service"),
        act(200, "out-of-service", "r"),
        act(300 - 40, "reset"),
        act(301, "in-service", "r"),
    ]
    found = [(t, state) for t, _, state in told(every_way(rules_of(rule, 10), trace, 600, acts))]
    assert found == [(100, "UNACKNOWLEDGED"), (200, "OUT_OF_SERVICE"), (301, "NORMAL"), (301, "UNACKNOWLEDGED")]


def test_only_what_is_surely_so_silences() -> None:
    """A rule silent while something is so is silent while that is known: not while it is unknown."""
    gate = Not(Surely(compare(1, ">", 0.5)))
    rule = Rule(0, "r", compare(0, ">", 100.0), gate=gate, off_delay=0)
    rules = RuleSet((channel(0), channel(1, stale_after=100)), (rule,))
    silencing = series(1, (20, 1.0), (60, 0.0), (70, None), (90, 1.0))
    found = told(every_way(rules, [*series(0, (10, 101.0)), *silencing], 300))
    assert found == [
        (10, 0, "UNACKNOWLEDGED"),
        (20, 0, "RETURNED_UNACKNOWLEDGED"),
        (60, 0, "UNACKNOWLEDGED"),
        (90, 0, "RETURNED_UNACKNOWLEDGED"),
        (190, 0, "UNACKNOWLEDGED"),
    ]


def test_nothing_but_an_acknowledgement_takes_an_alarm_from_unacknowledged() -> None:
    """An alarm nobody has seen is never forgotten: neither by clearing nor by a reset."""
    hiding = {Event.SHELVE, Event.TAKE_OUT}
    unseen = {State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED}
    for state, event in product(unseen, set(Event) - {Event.ACKNOWLEDGE} - hiding):
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
