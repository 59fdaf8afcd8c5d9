"""The oracle itself, on traces small enough to work out by hand. Nothing here needs the engine."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from pullwatch.channels import Delay
from pullwatch.watchdog.alarms import Priority, State
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Condition, Lost, Not, Term, Verdict
from pullwatch.watchdog.limits import Curve
from pullwatch.watchdog.rules import Rule, RuleSet

from .oracle import Oracle, judged
from .words import act, carried, channel, compare, every, over, plain, series, told

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pullwatch.channels import Channel
    from pullwatch.columns import Sample

LETTERS = {Verdict.NO: "n", Verdict.FAULT: "f", Verdict.STALE: "s", Verdict.BLIND: "b", Verdict.YES: "Y"}


def answers(
    condition: Condition,
    channels: Iterable[Channel],
    samples: Iterable[Sample],
    end: int,
    *,
    blinds: Mapping[int, Condition] | None = None,
    curves: dict[str, Curve] | None = None,
    engine_speed: int | None = None,
) -> str:
    """Return a condition's verdict of every instant as one letter each."""
    rules = RuleSet(tuple(channels), (), curves or {}, blinds or {}, engine_speed)
    return "".join(LETTERS[verdict] for verdict in Oracle(rules, list(samples), (), end).answers(condition))


def test_a_sample_is_good_until_it_is_stale_after_old() -> None:
    """Stale from the instant the sample is that old, and before the first sample."""
    assert answers(compare(0, ">", 1.0), [channel(0, stale_after=4)], series(0, (2, 2.0)), 8) == "ssYYYYsss"


def test_a_sample_at_the_very_instant_of_going_stale_is_in_time() -> None:
    """The channel is never stale when the next sample comes exactly as the last one would become too old."""
    assert answers(compare(0, ">", 1.0), [channel(0, stale_after=3)], series(0, (1, 2.0), (4, 2.0)), 8) == "sYYYYYYss"


def test_a_sample_not_to_be_believed_is_a_fault_until_the_next_or_until_stale() -> None:
    """A fault lasts as long as a sample does."""
    samples = series(0, (0, 2.0), (2, None), (4, 2.0), (5, None))
    assert answers(compare(0, ">", 1.0), [channel(0, stale_after=3)], samples, 9) == "YYffYfffss"


def test_a_comparison_is_judged_only_when_its_left_side_speaks() -> None:
    """The right side may move without changing a verdict, until the next sample of the left side."""
    samples = series(0, (0, 1.0), (4, 1.0)) + series(1, (0, 0.5), (2, 1.5))
    assert answers(over(0, 1), [channel(0), channel(1)], samples, 5) == "YYYYnn"


def test_a_deadband_keeps_the_side_between_and_through_not_knowing() -> None:
    """Yes above the limit, no at or under limit minus deadband; a fault does not forget the side."""
    samples = series(0, (0, 1.1), (1, 0.95), (2, None), (3, 0.95), (4, 0.9), (5, 0.95), (6, 1.0), (7, 1.01))
    assert answers(compare(0, ">", 1.0, 0.1), [channel(0)], samples, 7) == "YYfYnnnY"


@pytest.mark.parametrize(
    ("op", "expected"),
    [(">", "nnY"), (">=", "nYY"), ("<", "Ynn"), ("<=", "YYn"), ("==", "nYn"), ("!=", "YnY")],
)
def test_at_the_limit_exactly(op: str, expected: str) -> None:
    """Without a deadband exactly one of beyond and back holds, at the limit too."""
    assert answers(compare(0, op, 1.0), [channel(0)], series(0, (0, 0.9), (1, 1.0), (2, 1.1)), 2) == expected


def test_the_strictest_limit_of_the_delay_window_counts() -> None:
    """With a delay of 2 to 3 ns a sample at 6 is held to the limit of 3 and of 4, whichever is less."""
    delayed = channel(0, delay=Delay(2, 3))
    limits = series(1, (0, 2.0), (3, 1.0), (4, 2.0), (5, 3.0))
    for t, expected in ((4, "n"), (5, "Y"), (6, "Y"), (7, "n")):
        found = answers(over(0, 1), [delayed, channel(1)], limits + series(0, (t, 1.5)), t)
        assert found[t] == expected, t


def test_the_window_before_session_time_zero_is_stale() -> None:
    """What was before the session is not known: beyond what is known is yes, else not known."""
    delayed = channel(0, delay=Delay(2, 4))
    for t, value, expected in ((1, 9.0, "s"), (2, 9.0, "Y"), (2, 0.0, "s"), (3, 0.0, "s"), (4, 0.0, "n")):
        found = answers(compare(0, ">", 1.0), [delayed], series(0, (t, value)), t)
        assert found[t] == expected, (t, value)


def test_a_not_knowing_in_the_window_hides_a_no_but_not_a_yes() -> None:
    """Beyond any limit that is known is yes; back is no only when every limit is known."""
    delayed = channel(0, delay=Delay(0, 2))
    limits = series(1, (0, 1.0), (3, None), (4, 1.0))
    for t, value, expected in ((5, 2.0, "Y"), (5, 0.5, "f"), (6, 0.5, "n")):
        found = answers(over(0, 1), [delayed, channel(1)], limits + series(0, (t, value)), t)
        assert found[t] == expected, (t, value)


def test_a_sum_is_added_from_left_to_right() -> None:
    """0.1 + 0.2 + 0.3 is not 0.1 + (0.2 + 0.3) in float64."""
    right = (Term(0.1), Term(0.2, channel=1), Term(0.3))
    rules = RuleSet((channel(0), channel(1)), ())
    oracle = Oracle(rules, series(1, (0, 1.0)), (), 0)
    assert oracle.sum_at(right, 0) == (0.1 + 0.2) + 0.3 == 0.6000000000000001


def test_a_sum_that_is_both_faulty_and_stale_is_faulty() -> None:
    """Fault comes first; a curve that has no limit there is a fault."""
    curve = Curve("p", 1, (1.0, 2.0), (5.0, 6.0), hold=False)
    rules = RuleSet((channel(0), channel(1), channel(2)), (), {"p": curve})
    oracle = Oracle(rules, series(1, (0, None), (1, 3.0), (2, 1.5)), (), 2)
    right = (Term(1.0, curve="p"), Term(1.0, channel=2))
    assert [oracle.sum_at(right, t) for t in range(3)] == [Verdict.FAULT, Verdict.FAULT, Verdict.STALE]
    assert oracle.sum_at(right[:1], 2) == 5.5


def test_a_delay_follows_engine_speed_at_the_instant_of_judging() -> None:
    """At 2e10 rpm a cycle is 3 to 6 ns (and 1 for rounding up): [least, most] is then 3 and 7."""
    delayed = channel(0, delay=Delay(0, 0, per_cycle=True))
    channels = [delayed, channel(1), channel(2)]
    limits = series(1, (0, 2.0), (10, 1.0), (11, 2.0))
    for t, expected in ((12, "n"), (13, "Y"), (17, "Y"), (18, "n")):
        samples = limits + series(0, (t, 1.5)) + series(2, (0, 1e3), (t, 2e10))
        assert answers(over(0, 1), channels, samples, t, engine_speed=2)[t] == expected, t


def test_a_cut_blinds_until_delay_and_three_time_constants_have_passed() -> None:
    """A cut at 10 only, window [t − 4 − 3 × 2, t − 1]: blind at 11 to 20."""
    blinded = channel(0, delay=Delay(1, 4, time_constant=2))
    cut = series(1, (0, 0.0), (10, 1.0), (11, 0.0))
    for t, expected in ((10, "n"), (11, "b"), (20, "b"), (21, "n")):
        found = answers(
            compare(0, ">", 1.0), [blinded, channel(1)], cut + series(0, (t, 0.5)), t, blinds={0: compare(1, ">", 0.5)}
        )
        assert found[t] == expected, t


def test_a_cut_that_cannot_be_known_does_not_blind() -> None:
    """Unknown is not blind: a cut that cannot be known is alarmed."""
    cut = series(1, (0, None))
    found = answers(
        compare(0, ">", 1.0), [channel(0), channel(1)], cut + series(0, (3, 2.0)), 3, blinds={0: compare(1, ">", 0.5)}
    )
    assert found == "sssY"


def test_blind_keeps_the_side() -> None:
    """A deadband remembers its side through a cut."""
    samples = series(0, (0, 1.1), (2, 0.5), (4, 0.95)) + series(1, (0, 0.0), (1, 1.0), (3, 0.0))
    blinds = {0: compare(1, ">", 0.5)}
    assert answers(compare(0, ">", 1.0, 0.1), [channel(0), channel(1)], samples, 5, blinds=blinds) == "YYbbYY"


def test_lost_is_yes_once_stale_or_faulty_and_not_known_before_the_first_deadline() -> None:
    """Counted from session time 0 there is a deadline for the first sample too."""
    one = [channel(0, stale_after=3)]
    assert answers(Lost(0), one, [], 5) == "sssYYY"
    assert answers(Lost(0), one, series(0, (3, 1.0)), 7) == "sssnnnYY"
    assert answers(Lost(0), one, series(0, (1, None), (2, 1.0)), 6) == "sYnnnYY"


def test_and_or_not() -> None:
    """`and` is the least; `or` is yes if one is yes, no if all are no, else the least not-knowing."""
    stale, fault = compare(3, ">", 1.0), compare(2, ">", 1.0)
    no, yes = compare(0, ">", 1.0), compare(1, ">", 1.0)
    channels = [channel(n) for n in range(4)]
    samples = series(0, (0, 0.0)) + series(1, (0, 2.0)) + series(2, (0, None))
    for condition, expected in (
        (AllOf((stale, fault, yes)), "f"),
        (AllOf((stale, no, yes)), "n"),
        (AllOf((yes, yes)), "Y"),
        (AnyOf((stale, fault, no)), "f"),
        (AnyOf((stale, no)), "s"),
        (AnyOf((stale, fault, yes)), "Y"),
        (AnyOf((no, no)), "n"),
        (Not(yes), "n"),
        (Not(no), "Y"),
        (Not(stale), "s"),
        (Not(AnyOf((stale, no))), "s"),
    ):
        assert answers(condition, channels, samples, 0) == expected, condition


def one(rule: Rule, samples: list[Sample], end: int, *channels: Channel, **more: object) -> list[tuple[int, int, str]]:
    """Return what the oracle tells of one rule."""
    assert not more
    return told(judged(RuleSet(channels or (channel(0), channel(1)), (rule,)), samples, (), end))


HIGH = compare(0, ">", 1.0)


def test_an_on_delay_runs_while_yes_and_raises_at_its_own_instant() -> None:
    """Yes from 2 with an on-delay of 5: raised at 7, though nothing came at 7."""
    assert one(Rule(0, "r", HIGH, on_delay=5), series(0, (2, 1.5)), 20) == [(7, 0, "UNACKNOWLEDGED")]


def test_an_on_delay_is_emptied_by_one_no() -> None:
    """Yes 2-6, no at 6, yes from 8: raised at 13."""
    samples = series(0, (2, 1.5), (6, 0.5), (8, 1.5))
    assert one(Rule(0, "r", HIGH, on_delay=5), samples, 20) == [(13, 0, "UNACKNOWLEDGED")]


def test_an_on_delay_stands_while_not_known_and_the_alarm_waits_for_a_yes() -> None:
    """4 ns of yes, a fault for 6, 1 more of yes: raised at 13. Filled during nothing else."""
    samples = series(0, (2, 1.5), (6, None), (12, 1.5))
    assert one(Rule(0, "r", HIGH, on_delay=5), samples, 20) == [(13, 0, "UNACKNOWLEDGED")]


def test_samples_are_counted_beside_the_time() -> None:
    """At least three samples of yes: the third, at 9, raises, long after the on-delay was full."""
    samples = series(0, (2, 1.5), (6, 1.5), (9, 1.5))
    assert one(Rule(0, "r", HIGH, on_delay=3, at_least_samples=3), samples, 20) == [(9, 0, "UNACKNOWLEDGED")]


def test_an_alarm_clears_after_its_off_delay_of_known_no() -> None:
    """No from 6 with an off-delay of 4 clears at 10; a yes between starts it anew."""
    rule = Rule(0, "r", HIGH, off_delay=4)
    up, down = (2, 0, "UNACKNOWLEDGED"), "RETURNED_UNACKNOWLEDGED"
    assert one(rule, series(0, (2, 1.5), (6, 0.5)), 20) == [up, (10, 0, down)]
    assert one(rule, series(0, (2, 1.5), (6, 0.5), (8, 1.5), (9, 0.5)), 20) == [up, (13, 0, down)]


def test_not_knowing_neither_adds_to_the_off_delay_nor_restarts_it() -> None:
    """No for 3, a fault for 5, no again: the fourth ns of no ends at 15."""
    samples = series(0, (2, 1.5), (6, 0.5), (9, None), (14, 0.5))
    found = one(Rule(0, "r", HIGH, off_delay=4), samples, 30)
    assert found == [(2, 0, "UNACKNOWLEDGED"), (15, 0, "RETURNED_UNACKNOWLEDGED")]


def test_silence_never_clears_an_alarm() -> None:
    """An alarm whose channel falls silent stands."""
    found = one(Rule(0, "r", HIGH, off_delay=2), series(0, (2, 1.5)), 200, channel(0, stale_after=10))
    assert found == [(2, 0, "UNACKNOWLEDGED")]


def test_a_dose_fills_by_the_excess_and_drains_by_the_shortfall() -> None:
    """Excess 0.1 is 100,000 a ns: 3 ns in, 2 ns out at the same rate, then 400,000 needs 3 ns more."""
    samples = series(0, (0, 1.1), (3, 0.9), (5, 1.1))
    found = one(Rule(0, "r", HIGH, dose=400_000), samples, 20)
    assert found == [(8, 0, "UNACKNOWLEDGED")]


def test_a_dose_needs_whole_nanoseconds() -> None:
    """A dose that is full between two ns is told at the second."""
    assert one(Rule(0, "r", HIGH, dose=400_001), series(0, (0, 1.1)), 20) == [(5, 0, "UNACKNOWLEDGED")]


def test_a_drained_dose_has_forgotten_its_samples() -> None:
    """Two samples are asked for; the one before the dose was drained does not count."""
    rule = Rule(0, "r", HIGH, dose=300_000, at_least_samples=2)
    assert one(rule, series(0, (0, 1.1), (2, 0.8), (4, 1.1)), 20) == []
    assert one(rule, series(0, (0, 1.1), (2, 0.9), (3, 1.1)), 20) == [(5, 0, "UNACKNOWLEDGED")]


def test_a_dose_stands_while_not_known() -> None:
    """A gap neither fills nor drains: 200,000 kept from 2 to 10, full two ns later."""
    samples = series(0, (0, 1.1), (2, None), (10, 1.1))
    assert one(Rule(0, "r", HIGH, dose=400_000), samples, 20) == [(12, 0, "UNACKNOWLEDGED")]


GATED = Rule(0, "r", HIGH, compare(1, ">", 0.5), on_delay=6, off_delay=4)


def test_a_gate_that_opens_and_shuts_keeps_the_run_up_for_the_off_delay() -> None:
    """Shut for 3 of 4 ns: the run-up stands and goes on. Shut for 4, though open at the end of the fourth: anew."""
    lean = series(0, (0, 1.5), (12, 1.5))
    assert one(GATED, lean + series(1, (0, 1.0), (5, 0.0), (8, 1.0)), 40) == [(9, 0, "UNACKNOWLEDGED")]
    assert one(GATED, lean + series(1, (0, 1.0), (5, 0.0), (9, 1.0)), 40) == [(15, 0, "UNACKNOWLEDGED")]


def test_a_gate_not_known_stops_the_clock_of_its_off_delay() -> None:
    """Shut for 3, not known for 20, shut for none: still kept when it opens."""
    lean = series(0, (0, 1.5))
    gate = series(1, (0, 1.0), (5, 0.0), (8, None), (28, 1.0))
    assert one(GATED, lean + gate, 40) == [(29, 0, "UNACKNOWLEDGED")]
    gate = series(1, (0, 1.0), (5, 0.0), (8, None), (28, 0.0), (30, 1.0))
    # Emptied at 29, after 3 + 1 ns of no; the gate is open from 30, and the sample at 31 is the first that counts.
    assert one(GATED, lean + series(0, (31, 1.5)) + gate, 50) == [(36, 0, "UNACKNOWLEDGED")]


def test_a_lost_trip_raises_when_the_last_sample_grows_too_old() -> None:
    """The deadline's own instant, and the limit and value are not numbers."""
    changes = judged(RuleSet((channel(0, stale_after=7),), (Rule(0, "r", Lost(0)),)), series(0, (3, 1.0)), (), 30)
    assert told(changes) == [(10, 0, "UNACKNOWLEDGED")]
    assert math.isnan(changes[0].value)
    assert math.isnan(changes[0].limit)


def test_a_change_carries_the_value_and_the_strictest_limit() -> None:
    """As found when the left channel was last judged."""
    rules = RuleSet((channel(0, delay=Delay(0, 4)), channel(1)), (Rule(0, "r", over(0, 1), on_delay=5),))
    changes = judged(rules, series(1, (0, 3.0), (4, 1.25), (5, 3.0)) + series(0, (7, 2.0)), (), 20)
    assert [(change.t, change.value, change.limit) for change in changes] == [(12, 2.0, 1.25)]


def test_acts_move_states_and_tell_only_what_moved() -> None:
    """Acknowledged while active, cleared to latched, reset; a second reset is not told."""
    rule = Rule(0, "r", HIGH, off_delay=0, latch=True)
    acts = [act(50, "acknowledge"), act(200, "reset", "r"), act(300, "reset")]
    changes = judged(RuleSet((channel(0),), (rule,)), series(0, (2, 1.5), (150, 0.5)), acts, 400)
    assert told(changes) == [
        (2, 0, "UNACKNOWLEDGED"),
        (50, 0, "ACKNOWLEDGED"),
        (150, 0, "LATCHED_ACKNOWLEDGED"),
        (200, 0, "NORMAL"),
    ]


def test_alarms_carried_in_have_no_event_and_stand_until_cleared() -> None:
    """An active state stands while nothing is known, and clears after a known no."""
    changes = judged(
        RuleSet((channel(0),), (Rule(0, "r", HIGH, off_delay=10),)),
        series(0, (100, 0.5)),
        [carried(1, r=State.ACKNOWLEDGED)],
        200,
    )
    assert told(changes) == [(1, 0, "ACKNOWLEDGED"), (110, 0, "NORMAL")]
    assert changes[0].event is None


def test_first_out_is_the_first_of_a_group_that_was_normal() -> None:
    """Of two at one instant the more urgent; a third, later, is not."""
    rules = tuple(
        Rule(number, f"r{number}", compare(number, ">", 1.0), priority=priority)
        for number, priority in enumerate((Priority.NOTE, Priority.CRITICAL, Priority.CRITICAL, Priority.CRITICAL))
    )
    samples = [s for number, t in enumerate((5, 5, 5, 9)) for s in series(number, (t, 2.0))]
    changes = judged(RuleSet(tuple(channel(n) for n in range(4)), rules), samples, (), 20)
    assert [(change.t, change.rule, change.first_out) for change in changes] == [
        (5, 0, False),
        (5, 1, True),
        (5, 2, False),
        (9, 3, False),
    ]


def test_plain_changes_with_nan_are_equal() -> None:
    """The comparison the suite rests on takes NaN for NaN, and tells a different instant."""
    rules = RuleSet((channel(0, stale_after=7),), (Rule(0, "r", Lost(0)),))
    changes = judged(rules, series(0, (3, 1.0)), (), 30)
    assert plain(changes) == plain(judged(rules, series(0, (3, 1.0)), (), 30))
    assert plain(changes) != plain(judged(rules, series(0, (4, 1.0)), (), 30))


def test_a_comparison_with_nothing_to_compare_is_refused_by_the_test_words() -> None:
    """`every` gives both ends."""
    assert [sample[0] for sample in every(5, 0, 1.0, 10, 20)] == [10, 15, 20]
    assert Comparison(0, ">", (Term(1.0),)) == compare(0, ">", 1.0)
