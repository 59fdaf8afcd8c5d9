"""Directed examples: what a random search misses, or would meet too seldom to be trusted with.

Every trace is put to the engine in every form, cut and way, from checkpoints too, and the short ones to the oracle.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.watchdog.alarms import Event, Priority, State
from pullwatch.watchdog.conditions import AllOf, AnyOf, Lost, Not
from pullwatch.watchdog.rules import DOSE_PER_UNIT_SECOND, Rule, RuleSet

from .driving import every_way
from .words import act, carried, channel, compare, every, series, told

if TYPE_CHECKING:
    from pullwatch.columns import Sample

HIGH = compare(0, ">", 1.0)
UP, BACK = "UNACKNOWLEDGED", "RETURNED_UNACKNOWLEDGED"


def watch(rule: Rule, samples: list[Sample], end: int) -> list[tuple[int, int, str]]:
    """Return what is told of one rule over two channels of plain numbers."""
    return told(every_way(RuleSet((channel(0), channel(1)), (rule,)), samples, end))


# Conditions


@pytest.mark.parametrize("turned", [False, True])
def test_every_part_of_an_and_is_judged_whatever_the_others_say(turned: bool) -> None:
    """A deadband side set while the other part says no is remembered; a short-circuit would lose this alarm."""
    pressure, running = compare(1, ">", 20.0, 10.0), compare(2, ">", 0.5)
    gate = AllOf((running, pressure) if turned else (pressure, running))
    samples = series(0, (20, 1.5)) + series(1, (2, 25.0), (6, 15.0)) + series(2, (0, 0.0), (10, 1.0))
    rules = RuleSet((channel(0), channel(1), channel(2)), (Rule(0, "lean", HIGH, gate),))
    assert told(every_way(rules, samples, 40)) == [(20, 0, UP)]


@pytest.mark.parametrize("turned", [False, True])
def test_every_part_of_an_or_is_judged_whatever_the_others_say(turned: bool) -> None:
    """The same the other way round: a part that fell back while the other said yes is back."""
    pressure, other = compare(1, ">", 20.0, 10.0), compare(2, ">", 0.5)
    gate = AnyOf((other, pressure) if turned else (pressure, other))
    samples = series(0, (20, 1.5)) + series(1, (0, 25.0), (2, 5.0), (6, 15.0)) + series(2, (0, 1.0), (10, 0.0))
    rules = RuleSet((channel(0), channel(1), channel(2)), (Rule(0, "lean", HIGH, gate),))
    assert told(every_way(rules, samples, 40)) == []


def test_not_of_what_is_not_known_arms_nothing() -> None:
    """A gate `not (c1 > 1)` with c1 silent or faulty is not known, which is not yes."""
    rule = Rule(0, "r", HIGH, Not(compare(1, ">", 1.0)))
    assert watch(rule, series(0, (5, 2.0), (10, 2.0)), 40) == []
    assert watch(rule, series(0, (5, 2.0), (10, 2.0)) + series(1, (1, None)), 40) == []
    assert watch(rule, series(0, (5, 2.0), (10, 2.0)) + series(1, (1, 0.5)), 40) == [(5, 0, UP)]


@pytest.mark.parametrize(
    ("op", "expected"),
    [
        (">", [(2, UP), (3, BACK)]),
        (">=", [(1, UP), (5, BACK)]),
        ("<", [(0, UP), (1, BACK), (5, UP)]),
        ("<=", [(0, UP), (2, BACK), (3, UP)]),
    ],
)
def test_at_the_limit_exactly_without_a_deadband(op: str, expected: list[tuple[int, str]]) -> None:
    """Exactly one of beyond and back holds at the limit itself, for each of the four comparisons."""
    samples = series(0, (0, 0.9), (1, 1.0), (2, 1.1), (3, 1.0), (5, 0.9))
    found = watch(Rule(0, "r", compare(0, op, 1.0), off_delay=0), samples, 20)
    assert [(t, state) for t, _, state in found] == expected


@pytest.mark.parametrize(("op", "sign"), [(">", 1), (">=", 1), ("<", -1), ("<=", -1)])
def test_a_deadband_is_left_at_its_far_end(op: str, sign: int) -> None:
    """Back at limit ∓ deadband exactly, not one step before; a quarter is exact in float64."""
    samples = series(0, (0, sign * 3.0), (10, sign * 1.75), (20, sign * 1.5), (30, sign * 2.0))
    found = watch(Rule(0, "r", compare(0, op, sign * 2.0, 0.5), off_delay=0), samples, 40)
    again = [(30, 0, UP)] if "=" in op else []
    assert found == [(0, 0, UP), (20, 0, BACK), *again]


# Values


def test_a_sample_at_the_stale_instant_is_in_time() -> None:
    """Ten samples exactly `stale_after` apart leave no instant of silence: neither lost nor interrupted."""
    rules = RuleSet(
        (channel(0, stale_after=50),),
        (Rule(0, "lost", Lost(0), off_delay=0), Rule(1, "high", HIGH, on_delay=400)),
    )
    assert told(every_way(rules, every(50, 0, 2.0, 50, 450), 499)) == [(450, 1, UP)]
    late = every(50, 0, 2.0, 50, 200) + every(50, 0, 2.0, 251, 501)
    assert told(every_way(rules, late, 550)) == [(250, 0, UP), (251, 0, BACK), (451, 1, UP)]


def test_a_sample_not_to_be_believed_in_the_middle_interrupts_nothing_else() -> None:
    """One bad sample adds nothing and takes nothing: the run-up goes on one sample later."""
    samples = series(0, *((t, None if t == 50 else 2.0) for t in range(0, 101, 10)))
    assert watch(Rule(0, "r", HIGH, on_delay=60), samples, 110) == [(70, 0, UP)]


def test_a_bad_sample_that_looks_like_a_number_is_not_compared() -> None:
    """Its reason counts, whatever value stands in it."""
    samples = [(0, 0, 0.5, 0), (10, 0, 99.0, 2), (20, 0, 0.5, 0), (30, 0, 99.0, 4)]
    assert watch(Rule(0, "r", HIGH), samples, 40) == []


def test_a_bad_sample_does_not_clear_an_alarm() -> None:
    """Nor one that looks like a harmless number."""
    assert watch(Rule(0, "r", HIGH, off_delay=0), [(0, 0, 2.0, 0), (10, 0, 0.5, 2)], 400) == [(0, 0, UP)]


def test_a_channel_never_heard_is_lost_after_its_first_deadline() -> None:
    """Counted from session time 0; a first sample exactly then is in time."""
    rules = RuleSet((channel(0, stale_after=70),), (Rule(0, "lost", Lost(0)),))
    assert told(every_way(rules, [], 200)) == [(70, 0, UP)]
    assert told(every_way(rules, series(0, (70, 1.0)), 139)) == []
    assert told(every_way(rules, series(0, (70, 1.0)), 140)) == [(140, 0, UP)]


def test_a_channel_lost_before_its_gate_opens_is_told_when_the_gate_opens() -> None:
    """No mixture reading at idle is quiet; with boost it is told, though silence brings no samples to count."""
    rules = RuleSet(
        (channel(0, stale_after=40), channel(1)),
        (Rule(0, "no reading", Lost(0), compare(1, ">", 20.0), off_delay=10),),
    )
    boost = series(1, (0, 0.0), (200, 50.0), (300, 0.0), (400, 50.0))
    assert told(every_way(rules, series(0, (0, 0.9)) + boost, 500)) == [(200, 0, UP), (310, 0, BACK), (400, 0, UP)]


def test_faulty_samples_count_towards_a_lost_trip() -> None:
    """Three faulty samples are asked for: the third raises."""
    rules = RuleSet((channel(0),), (Rule(0, "lost", Lost(0), at_least_samples=3),))
    assert told(every_way(rules, series(0, (0, 1.0), (10, None), (20, None), (30, None)), 60)) == [(30, 0, UP)]


# Run-up


def test_a_run_up_stands_through_a_gap_and_finishes_later() -> None:
    """60 of 100 ns, silence, then the other 40; the silent time counts for nothing and takes nothing."""
    rules = RuleSet((channel(0, stale_after=60),), (Rule(0, "r", HIGH, on_delay=100),))
    assert told(every_way(rules, series(0, (10, 2.0), (700, 2.0)), 800)) == [(740, 0, UP)]


def test_a_dose_is_not_drained_by_a_gap() -> None:
    """Silence neither fills nor drains; 0.1 over the limit fills 1,000,000 in 10 ns, however they lie."""
    rules = RuleSet((channel(0, stale_after=6),), (Rule(0, "r", HIGH, dose=1_000_000),))
    assert told(every_way(rules, series(0, (10, 1.1), (300, 1.1)), 400)) == [(304, 0, UP)]
    drained = series(0, (10, 1.1), (300, 0.9), (303, 1.1))
    assert told(every_way(rules, drained, 400)) == []  # 6 filled, 3 drained, 6 filled: 900,000 and silence
    assert told(every_way(rules, [*drained, *series(0, (350, 1.1))], 400)) == [(351, 0, UP)]


def test_a_dose_is_not_filled_beyond_full() -> None:
    """Full at 3 ns but short of samples; 3 ns under the limit at the same rate empty it, however long it was full."""
    rule = Rule(0, "r", HIGH, dose=300_000, at_least_samples=3)
    assert watch(rule, series(0, (0, 1.1), (20, 1.1), (40, 0.9), (43, 1.1)), 90) == []
    assert watch(rule, series(0, (0, 1.1), (20, 1.1), (40, 0.9), (42, 1.1)), 90) == [(44, 0, UP)]


def test_a_dose_under_its_limit_drains_with_the_gate_shut_too() -> None:
    """The gate does not matter for draining: 5 in, shut, 3 out, open, 8 more are wanted for 10."""
    rule = Rule(0, "r", HIGH, compare(1, ">", 0.5), dose=1_000_000, off_delay=1_000)
    samples = series(0, (0, 1.1), (10, 0.9), (13, 1.1)) + series(1, (0, 1.0), (5, 0.0), (30, 1.0))
    assert watch(rule, samples, 90) == [(38, 0, UP)]


def test_a_dose_does_not_fill_in_its_deadband() -> None:
    """The side is still yes, but nothing is over the limit, so nothing is added; and nothing drains before it is no."""
    rule = Rule(0, "r", compare(0, ">", 1.0, 0.5), dose=1_000_000)
    assert watch(rule, series(0, (0, 1.1), (5, 0.75), (95, 1.1)), 200) == [(100, 0, UP)]


@pytest.mark.parametrize(
    ("left", "excess"), [(2.5e-6, 2), (3.5e-6, 4), (2.6e-6, 3), (0.5e-6, 0), (1.5e-6, 2), (1.0e-6, 1)]
)
def test_the_excess_is_rounded_half_to_even(left: float, excess: int) -> None:
    """A dose is a whole number, so that no way of adding up can differ. 40 of it are full at 40 / excess ns."""
    found = watch(Rule(0, "r", compare(0, ">", 0.0), dose=40), series(0, (0, left)), 100)
    assert found == ([(math.ceil(40 / excess), 0, UP)] if excess else [])


@pytest.mark.parametrize(("excess", "milliseconds"), [(0.02, 400), (0.05, 160), (0.10, 80), (0.20, 40)])
def test_a_lean_dose_is_inverse_time(excess: float, milliseconds: int) -> None:
    """0.008 lambda seconds over the limit: the further over, the sooner (own arithmetic: dose / excess)."""
    rules = RuleSet(
        (channel(0, stale_after=NS_PER_S),),
        (Rule(0, "lean", compare(0, ">", 0.85), dose=8 * DOSE_PER_UNIT_SECOND // 1000, at_least_samples=2),),
    )
    samples = every(20 * NS_PER_MS, 0, 0.85 + excess, 20 * NS_PER_MS, 800 * NS_PER_MS)
    assert told(every_way(rules, samples, 900 * NS_PER_MS)) == [((20 + milliseconds) * NS_PER_MS, 0, UP)]


def test_at_the_deadline_the_alarm_is_raised_only_if_still_yes() -> None:
    """A no at the very instant prevents it; a not-knowing puts it off to the next yes, with the run-up full."""
    rule = Rule(0, "r", HIGH, on_delay=50)
    assert watch(rule, series(0, (10, 2.0), (60, 0.5)), 200) == []
    assert watch(rule, series(0, (10, 2.0), (60, None)), 200) == []
    assert watch(rule, series(0, (10, 2.0), (60, None), (150, 2.0)), 200) == [(150, 0, UP)]
    assert watch(rule, series(0, (10, 2.0), (60, None), (150, 0.5), (160, 2.0)), 300) == [(210, 0, UP)]
    assert watch(rule, series(0, (10, 2.0), (60, 2.5)), 200) == [(60, 0, UP)]


def test_at_the_deadline_a_channel_that_goes_stale_is_not_yes() -> None:
    """On-delay and `stale_after` of one length: silence comes first, and raises nothing."""
    rules = RuleSet((channel(0, stale_after=50),), (Rule(0, "r", HIGH, on_delay=50),))
    assert told(every_way(rules, series(0, (10, 2.0)), 200)) == []
    assert told(every_way(rules, series(0, (10, 2.0), (60, 2.0)), 200)) == [(60, 0, UP)]


def test_gate_hysteresis_keeps_the_run_up() -> None:
    """Pressure dipping into the deadband of its gate interrupts nothing; dipping under it stops the run-up."""
    rule = Rule(0, "lean", HIGH, compare(1, ">", 20.0, 10.0), on_delay=100, off_delay=500)
    lean = every(10, 0, 1.5, 5, 305)
    assert watch(rule, lean + series(1, (0, 30.0), (40, 15.0), (60, 30.0)), 310) == [(105, 0, UP)]
    assert watch(rule, lean + series(1, (0, 30.0), (40, 8.0), (60, 30.0)), 310) == [(125, 0, UP)]


def test_a_gate_shut_for_the_off_delay_empties_the_run_up() -> None:
    """Also when the shut times lie apart with not-knowing between, but not with an open gate between."""
    rule = Rule(0, "lean", HIGH, compare(1, ">", 20.0), on_delay=100, off_delay=30)
    lean = every(10, 0, 1.5, 5, 405)
    apart = series(1, (0, 30.0), (40, 8.0), (60, None), (80, 8.0), (101, 30.0))
    assert watch(rule, lean + apart, 410) == [(201, 0, UP)]
    opened = series(1, (0, 30.0), (40, 8.0), (60, 30.0), (61, 8.0), (82, 30.0))
    assert watch(rule, lean + opened, 410) == [(146, 0, UP)]


def test_a_run_up_starts_from_empty_after_the_alarm_clears() -> None:
    """Raised again only after a whole on-delay and all its samples."""
    rule = Rule(0, "r", HIGH, on_delay=50, off_delay=0, at_least_samples=2)
    samples = series(0, (0, 2.0), (40, 2.0), (80, 0.5), (90, 2.0), (120, 2.0))
    assert watch(rule, samples, 300) == [(50, 0, UP), (80, 0, BACK), (140, 0, UP)]


def test_the_off_delay_is_not_restarted_by_not_knowing() -> None:
    """A fault or a silence between stretches of no only stops the clock."""
    rules = RuleSet((channel(0, stale_after=60),), (Rule(0, "r", HIGH, off_delay=100),))
    samples = series(0, (0, 2.0), (10, 0.5), (50, None), (100, 0.5), (300, 0.5))
    # no: 10-50 (40), fault 50-100, no 100-160 (60): the hundredth ns ends at 160, when the channel goes stale.
    assert told(every_way(rules, samples, 500)) == [(0, 0, UP), (300, 0, BACK)]
    samples = series(0, (0, 2.0), (10, 0.5), (51, None), (100, 0.5), (300, 0.5))
    assert told(every_way(rules, samples, 500)) == [(0, 0, UP), (159, 0, BACK)]


def test_an_alarm_clears_when_its_gate_shuts_though_the_trip_is_still_yes_or_silent() -> None:
    """Known not armed is a known no, whatever the sensor says or does not say."""
    rules = RuleSet(
        (channel(0, stale_after=100), channel(1)), (Rule(0, "r", HIGH, compare(1, ">", 20.0), off_delay=30),)
    )
    gate = series(1, (0, 30.0), (200, 5.0))
    assert told(every_way(rules, gate + series(0, (10, 2.0), (110, 2.0), (209, 2.0)), 300)) == [
        (10, 0, UP),
        (230, 0, BACK),
    ]
    assert told(every_way(rules, gate + series(0, (10, 2.0)), 300)) == [(10, 0, UP), (230, 0, BACK)]


@pytest.mark.parametrize(("opens", "raised"), [(8, 9), (9, 15)])
def test_a_gate_shut_for_exactly_the_off_delay_empties_the_run_up(opens: int, raised: int) -> None:
    """Shut at 5 with an off-delay of 4: open again at 8 the run-up goes on, at 9 it has just been emptied."""
    rule = Rule(0, "lean", HIGH, compare(1, ">", 0.5), on_delay=6, off_delay=4)
    assert watch(rule, series(0, (0, 1.5)) + series(1, (0, 1.0), (5, 0.0), (opens, 1.0)), 60) == [(raised, 0, UP)]


def test_samples_counted_are_forgotten_with_the_run_up() -> None:
    """Two samples are wanted; a no, or a gate shut for the off-delay, between them starts the count anew."""
    rule = Rule(0, "r", HIGH, compare(1, ">", 0.5), at_least_samples=2, off_delay=4)
    gate = series(1, (0, 1.0), (5, 0.0), (9, 1.0))
    assert watch(rule, gate + series(0, (2, 1.5), (20, 1.5)), 60) == []
    assert watch(rule, gate + series(0, (2, 1.5), (20, 1.5), (30, 1.5)), 60) == [(30, 0, UP)]
    assert watch(rule, series(1, (0, 1.0)) + series(0, (2, 1.5), (4, 0.5), (20, 1.5)), 60) == []


def test_samples_are_counted_only_while_armed() -> None:
    """A sample under a shut gate counts nothing; with one sample asked for, the gate's opening is enough."""
    gate = series(1, (0, 0.0), (15, 1.0))
    lean = series(0, (2, 1.5), (10, 1.5), (20, 1.5), (30, 1.5))
    assert watch(Rule(0, "r", HIGH, compare(1, ">", 0.5), at_least_samples=2), gate + lean, 60) == [(30, 0, UP)]
    assert watch(Rule(0, "r", HIGH, compare(1, ">", 0.5)), gate + lean, 60) == [(15, 0, UP)]


# Alarms together


def test_of_two_raised_at_one_instant_the_more_urgent_is_first_out() -> None:
    """Both are told in file order; the mark goes by priority, then by place in the file."""
    rules = RuleSet(
        (channel(0),),
        tuple(
            Rule(n, f"r{n}", HIGH, priority=priority)
            for n, priority in enumerate((Priority.NOTE, Priority.CAUTION, Priority.CAUTION))
        ),
    )
    changes = every_way(rules, series(0, (10, 1.5)), 50)
    assert [(change.t, change.rule, change.first_out) for change in changes] == [
        (10, 0, False),
        (10, 1, True),
        (10, 2, False),
    ]


def test_groups_have_each_their_first_out_and_a_new_one_after_being_normal() -> None:
    """A group opens anew only once every one of its alarms is normal again."""
    rules = RuleSet(
        (channel(0), channel(1), channel(2)),
        (
            Rule(0, "a", compare(0, ">", 1.0), off_delay=0),
            Rule(1, "b", compare(1, ">", 1.0), off_delay=0),
            Rule(2, "c", compare(2, ">", 1.0), off_delay=0, group="other"),
        ),
    )
    samples = (
        series(0, (100, 2.0), (200, 0.5), (300, 2.0), (400, 0.5), (900, 2.0))
        + series(1, (150, 2.0), (450, 0.5), (800, 2.0))
        + series(2, (160, 2.0))
    )
    changes = every_way(rules, samples, 1000, [act(500, "acknowledge"), act(600, "reset")])
    raises = [(c.t, c.rule, c.first_out) for c in changes if c.event is Event.RAISE]
    assert raises == [(100, 0, True), (150, 1, False), (160, 2, True), (300, 0, False), (800, 1, True), (900, 0, False)]


def test_alarms_carried_in_keep_their_group_from_a_first_out() -> None:
    """What was first in a session that has ended is not known, so a later one is not called first."""
    rules = RuleSet((channel(0), channel(1)), (Rule(0, "a", HIGH), Rule(1, "b", compare(1, ">", 1.0))))
    changes = every_way(rules, series(1, (200, 2.0)), 400, [carried(5, a=State.LATCHED_UNACKNOWLEDGED)])
    assert [(c.t, c.rule, c.event, c.first_out) for c in changes] == [(5, 0, None, False), (200, 1, Event.RAISE, False)]


def test_carried_latches_stand_until_acknowledged_and_reset() -> None:
    """They need no data, and a reset does nothing to what nobody has acknowledged."""
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, latch=True),))
    acts = [carried(5, a=State.LATCHED_UNACKNOWLEDGED), act(100, "reset"), act(200, "acknowledge"), act(300, "reset")]
    assert told(every_way(rules, [], 400, acts)) == [
        (5, 0, "LATCHED_UNACKNOWLEDGED"),
        (200, 0, "LATCHED_ACKNOWLEDGED"),
        (300, 0, "NORMAL"),
    ]


def test_a_carried_latch_is_raised_again() -> None:
    """A latch does not keep its alarm from being told anew."""
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, latch=True, off_delay=0),))
    found = told(every_way(rules, series(0, (200, 2.0), (210, 0.5)), 400, [carried(5, a=State.LATCHED_ACKNOWLEDGED)]))
    assert found == [(5, 0, "LATCHED_ACKNOWLEDGED"), (200, 0, UP), (210, 0, "LATCHED_UNACKNOWLEDGED")]


def test_a_carried_active_alarm_stands_through_silence_and_clears_by_a_known_no() -> None:
    """It is not raised again while it stands, and not knowing does not count for its off-delay."""
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, off_delay=50),))
    start = carried(5, a=State.UNACKNOWLEDGED)
    assert told(every_way(rules, [], 400, [start])) == [(5, 0, UP)]
    assert told(every_way(rules, series(0, (200, 2.0), (210, 0.5)), 400, [start])) == [(5, 0, UP), (260, 0, BACK)]
    assert told(every_way(rules, series(0, (200, 0.5)), 400, [start])) == [(5, 0, UP), (250, 0, BACK)]


def test_the_off_delay_of_an_alarm_carried_in_is_counted_from_then() -> None:
    """However long the verdict has been no before: whoever takes over sees the alarm stand for its off-delay."""
    rules = RuleSet((channel(0, stale_after=500),), (Rule(0, "a", HIGH, off_delay=50),))
    start = carried(300, a=State.ACKNOWLEDGED)
    assert told(every_way(rules, series(0, (10, 0.5)), 400, [start])) == [(300, 0, "ACKNOWLEDGED"), (350, 0, "NORMAL")]
    silent = series(0, (10, 0.5), (600, 0.5))  # not known from 510 on, so only 10 of 50 ns are known at 600
    late = carried(500, a=State.ACKNOWLEDGED)
    assert told(every_way(rules, silent, 700, [late])) == [(500, 0, "ACKNOWLEDGED"), (640, 0, "NORMAL")]


def test_an_alarm_that_stands_already_keeps_its_off_delay_when_carried_in() -> None:
    """Half way through its off-delay: nothing is counted anew."""
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, off_delay=100),))
    found = told(every_way(rules, series(0, (10, 2.0), (20, 0.5)), 400, [carried(50, a=State.ACKNOWLEDGED)]))
    assert found == [(10, 0, UP), (50, 0, "ACKNOWLEDGED"), (120, 0, "NORMAL")]


def test_an_alarm_carried_out_of_standing_must_run_up_again() -> None:
    """Its run-up stood while it was active and starts from empty, though the condition never ceased."""
    acts = [carried(100, a=State.LATCHED_UNACKNOWLEDGED)]
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, on_delay=20),))
    assert told(every_way(rules, series(0, (0, 2.0)), 400, acts)) == [
        (20, 0, UP),
        (100, 0, "LATCHED_UNACKNOWLEDGED"),
        (120, 0, UP),
    ]
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, dose=20_000_000),))
    assert told(every_way(rules, series(0, (0, 2.0)), 400, acts)) == [
        (20, 0, UP),
        (100, 0, "LATCHED_UNACKNOWLEDGED"),
        (120, 0, UP),
    ]


def test_acts_come_before_the_raises_and_clears_of_their_instant() -> None:
    """An acknowledgement at the instant of the raise is too early; at that of the clear it is in time."""
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH, on_delay=100, off_delay=100),))
    changes = every_way(rules, series(0, (0, 2.0), (200, 0.5)), 400, [act(100, "acknowledge")])
    assert told(changes) == [(100, 0, UP), (300, 0, BACK)]
    changes = every_way(rules, series(0, (0, 2.0), (200, 0.5)), 400, [act(300, "acknowledge")])
    assert told(changes) == [(100, 0, UP), (300, 0, "ACKNOWLEDGED"), (300, 0, "NORMAL")]


def test_an_act_for_one_rule_leaves_the_others() -> None:
    """By name, or for all in file order."""
    rules = RuleSet((channel(0),), tuple(Rule(n, f"r{n}", HIGH) for n in range(3)))
    changes = every_way(rules, series(0, (0, 2.0)), 400, [act(100, "acknowledge", "r1"), act(200, "acknowledge")])
    assert [(c.t, c.rule) for c in changes if c.event is Event.ACKNOWLEDGE] == [(100, 1), (200, 0), (200, 2)]


def test_a_mark_and_an_act_for_a_rule_that_is_not_there_change_nothing() -> None:
    """A rule renamed since the session before is no reason to stop judging."""
    rules = RuleSet((channel(0),), (Rule(0, "a", HIGH),))
    acts = [act(100, "mark"), act(200, "acknowledge", "gone"), carried(300, gone=State.UNACKNOWLEDGED)]
    assert told(every_way(rules, series(0, (0, 2.0)), 500, acts)) == [(0, 0, UP)]


def test_rules_of_one_instant_are_told_in_file_order() -> None:
    """Raises and clears together, whatever their deadlines were."""
    rules = RuleSet(
        (channel(0), channel(1)),
        (
            Rule(0, "late", compare(0, ">", 1.0), on_delay=90),
            Rule(1, "gone", compare(1, ">", 1.0), off_delay=40),
            Rule(2, "now", compare(0, ">", 2.0)),
        ),
    )
    samples = series(0, (10, 1.5), (100, 2.5)) + series(1, (5, 2.0), (60, 0.5))
    changes = every_way(rules, samples, 150)
    assert told(changes) == [(5, 1, UP), (100, 0, UP), (100, 1, BACK), (100, 2, UP)]
