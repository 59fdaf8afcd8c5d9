"""Directed examples of looking back: delay windows, cuts that blind, and a spooling engine in real time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.channels import Delay
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import ExpressionError
from pullwatch.watchdog.conditions import AllOf, Comparison, Not, Term
from pullwatch.watchdog.judge import Watchdog
from pullwatch.watchdog.limits import Curve
from pullwatch.watchdog.rules import Rule, RuleSet

from .driving import every_way
from .words import channel, compare, every, over, series, told

if TYPE_CHECKING:
    from pullwatch.columns import Sample
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.conditions import Condition

HIGH = compare(0, ">", 1.0)
UP, BACK = "UNACKNOWLEDGED", "RETURNED_UNACKNOWLEDGED"


# Windows


def test_a_typed_limit_is_not_known_before_the_session() -> None:
    """With a delay of 4 to 9 and nothing known before time 0: no yes before 4, and no known no before 9."""
    rules = RuleSet((channel(0, delay=Delay(4, 9)),), (Rule(0, "r", HIGH, off_delay=0),))
    assert told(every_way(rules, series(0, (3, 2.0)), 60)) == []
    assert told(every_way(rules, series(0, (4, 2.0)), 60)) == [(4, 0, UP)]
    assert told(every_way(rules, series(0, (4, 2.0), (8, 0.5)), 60)) == [(4, 0, UP)]
    assert told(every_way(rules, series(0, (4, 2.0), (9, 0.5)), 60)) == [(4, 0, UP), (9, 0, BACK)]


@pytest.mark.parametrize(("t", "raised"), [(103, False), (104, True), (109, True), (110, False)])
def test_the_strictest_limit_at_both_edges_of_the_window(t: int, raised: bool) -> None:
    """With a delay of 4 to 9 a limit that stood for the one ns 100 counts at 104 to 109."""
    rules = RuleSet((channel(0, delay=Delay(4, 9)), channel(1)), (Rule(0, "r", over(0, 1)),))
    samples = series(1, (0, 2.0), (100, 1.0), (101, 2.0)) + series(0, (t, 1.5))
    changes = every_way(rules, samples, 150)
    assert told(changes) == ([(t, 0, UP)] if raised else [])
    assert [change.limit for change in changes] == ([1.0] if raised else [])


@pytest.mark.parametrize(("t", "raised"), [(108, True), (109, True), (110, False)])
def test_the_limit_in_force_when_the_window_begins_counts(t: int, raised: bool) -> None:
    """The strict limit was set long before; it is replaced at 101, so at 100 it still stood."""
    rules = RuleSet((channel(0, delay=Delay(4, 9)), channel(1)), (Rule(0, "r", over(0, 1)),))
    samples = series(1, (3, 1.0), (101, 2.0)) + series(0, (t, 1.5))
    assert told(every_way(rules, samples, 150)) == ([(t, 0, UP)] if raised else [])


def test_a_low_limit_takes_the_greatest_of_the_window() -> None:
    """For `<` the strictest limit is the highest."""
    rule = Rule(0, "r", Comparison(0, "<", (Term(1.0, channel=1),)))
    rules = RuleSet((channel(0, delay=Delay(4, 9)), channel(1)), (rule,))
    changes = every_way(rules, series(1, (0, 1.0), (100, 2.0), (101, 1.0)) + series(0, (106, 1.5)), 150)
    assert [(change.t, change.value, change.limit) for change in changes] == [(106, 1.5, 2.0)]


def test_a_limit_not_known_in_the_window_hides_a_no_and_no_yes() -> None:
    """A moment without a limit: beyond what is known still trips; otherwise nothing is raised and nothing clears."""
    rules = RuleSet((channel(0, delay=Delay(0, 20)), channel(1)), (Rule(0, "r", over(0, 1), off_delay=0),))
    limit = series(1, (0, 1.0), (100, None), (101, 1.0))
    assert told(every_way(rules, limit + series(0, (110, 2.0)), 150)) == [(110, 0, UP)]
    alarm = series(0, (50, 2.0), (115, 0.5))
    assert told(every_way(rules, limit + alarm, 150)) == [(50, 0, UP)]
    assert told(every_way(rules, [*limit, *alarm, *series(0, (121, 0.5))], 150)) == [(50, 0, UP), (121, 0, BACK)]


def test_a_gate_is_looked_up_in_the_window_of_a_delayed_sensor() -> None:
    """Boost that is already over when the sensor tells of it armed the rule; boost that came too late did not."""
    rules = RuleSet((channel(0, delay=Delay(4, 9)), channel(1)), (Rule(0, "r", HIGH, compare(1, ">", 20.0)),))
    pulse = series(1, (0, 0.0), (100, 30.0), (101, 0.0))
    for t, raised in ((103, False), (104, True), (109, True), (110, False)):
        assert told(every_way(rules, pulse + series(0, (t, 1.5)), 150)) == ([(t, 0, UP)] if raised else []), t


def test_a_windowed_gate_stands_until_the_sensors_next_sample() -> None:
    """What armed a sample arms the run-up from it, until the sensor speaks again."""
    rules = RuleSet(
        (channel(0, delay=Delay(4, 9)), channel(1)),
        (Rule(0, "r", HIGH, compare(1, ">", 20.0), on_delay=30, off_delay=500),),
    )
    pulse = series(1, (0, 0.0), (100, 30.0), (101, 0.0))
    assert told(every_way(rules, pulse + series(0, (105, 1.5)), 200)) == [(135, 0, UP)]
    assert told(every_way(rules, pulse + series(0, (105, 1.5), (120, 1.5)), 200)) == []


def test_a_windowed_gate_of_a_silent_sensor_is_the_gate_of_each_instant() -> None:
    """There is no reading to look back from: the alarm of a sensor gone silent clears when the boost is gone."""
    rules = RuleSet(
        (channel(0, delay=Delay(40, 90), stale_after=100), channel(1)),
        (Rule(0, "r", HIGH, compare(1, ">", 20.0), off_delay=30),),
    )
    boost = series(1, (0, 30.0), (250, 0.0))
    assert told(every_way(rules, boost + series(0, (100, 1.5)), 400)) == [(100, 0, UP), (280, 0, BACK)]
    assert told(every_way(rules, boost + series(0, (100, 1.5), (180, None)), 400)) == [(100, 0, UP), (280, 0, BACK)]


@pytest.mark.parametrize(
    ("offset", "raised"), [(9_999_999, False), (10_000_000, True), (20_000_001, True), (20_000_002, False)]
)
def test_a_delay_that_follows_engine_speed(offset: int, raised: bool) -> None:
    """At 6,000 rpm a cycle adds 10 ms to the least and 20 ms (and one ns for rounding) to the most."""
    far = 10 * NS_PER_S
    rules = RuleSet(
        (
            channel(0, delay=Delay(0, 0, per_cycle=True), stale_after=far),
            channel(1, stale_after=far),
            channel(2, stale_after=far),
        ),
        (Rule(0, "r", over(0, 1)),),
        engine_speed=2,
    )
    dip = NS_PER_S
    samples = series(1, (0, 2.0), (dip, 1.0), (dip + 1, 2.0)) + series(2, (0, 900.0), (dip + 5, 6000.0))
    found = told(every_way(rules, samples + series(0, (dip + offset, 1.5)), dip + 50_000_000))
    assert found == ([(dip + offset, 0, UP)] if raised else [])


@pytest.mark.parametrize("speed", [[], series(2, (5, None)), series(2, (5, 3000.0))])
@pytest.mark.parametrize(
    ("offset", "raised"), [(4_999_999, False), (5_000_000, True), (400_000_001, True), (400_000_002, False)]
)
def test_an_engine_speed_not_known_opens_the_widest_window(speed: list[Sample], offset: int, raised: bool) -> None:
    """Missing, faulty or stale speed: from the cycle of 12,000 rpm to that of 300, through many batches too."""
    far = 10 * NS_PER_S
    rules = RuleSet(
        (
            channel(0, delay=Delay(0, 0, per_cycle=True), stale_after=far),
            channel(1, stale_after=far),
            channel(2, stale_after=NS_PER_MS),
        ),
        (Rule(0, "r", over(0, 1)),),
        engine_speed=2,
    )
    dip = NS_PER_S
    filler = every(20 * NS_PER_MS, 1, 2.0, dip + 10 * NS_PER_MS, dip + 399 * NS_PER_MS)
    samples = series(1, (0, 2.0), (dip, 1.0), (dip + 1, 2.0)) + filler + speed
    found = told(every_way(rules, samples + series(0, (dip + offset, 1.5)), dip + 500_000_000))
    assert found == ([(dip + offset, 0, UP)] if raised else [])


def test_the_speed_that_counts_is_that_of_the_instant_of_judging() -> None:
    """A speed sample of the same instant is already taken; one a ns later is not."""
    rules = RuleSet(
        (channel(0, delay=Delay(0, 0, per_cycle=True)), channel(1), channel(2)),
        (Rule(0, "r", over(0, 1)),),
        engine_speed=2,
    )
    # 6e10 rpm: window [t − 3, t − 1]; 6e9 rpm: [t − 21, t − 10]. The limit was strict at 85 only.
    limit = series(1, (0, 2.0), (85, 1.0), (86, 2.0))
    for slow_from, raised in ((100, True), (101, False)):
        samples = limit + series(2, (0, 6e10), (slow_from, 6e9)) + series(0, (100, 1.5))
        assert told(every_way(rules, samples, 150)) == ([(100, 0, UP)] if raised else []), slow_from


# Blind


@pytest.mark.parametrize(("t", "blind"), [(103, False), (104, True), (127, True), (128, False)])
def test_a_cut_blinds_at_both_edges_of_its_window(t: int, blind: bool) -> None:
    """Delay 4 to 9, time constant 6: a cut of one ns at 100 blinds 104 to 100 + 9 + 18."""
    rules = RuleSet(
        (channel(0, delay=Delay(4, 9, time_constant=6)), channel(1)),
        (Rule(0, "lean", HIGH),),
        blinds={0: compare(1, ">", 0.5)},
    )
    cut = series(1, (0, 0.0), (100, 1.0), (101, 0.0))
    assert told(every_way(rules, cut + series(0, (t, 1.5)), 150)) == ([] if blind else [(t, 0, UP)])


@pytest.mark.parametrize(("t", "blind"), [(99, False), (100, True), (118, True), (119, False)])
def test_a_cut_blinds_a_channel_without_delay_from_its_own_instant(t: int, blind: bool) -> None:
    """Time constant 6 alone: [t − 18, t]."""
    rules = RuleSet(
        (channel(0, delay=Delay(0, 0, time_constant=6)), channel(1)),
        (Rule(0, "lean", HIGH),),
        blinds={0: compare(1, ">", 0.5)},
    )
    cut = series(1, (0, 0.0), (100, 1.0), (101, 0.0))
    assert told(every_way(rules, cut + series(0, (t, 1.5)), 150)) == ([] if blind else [(t, 0, UP)])


def test_a_lean_that_outlasts_the_cut_is_raised_at_its_first_sample_in_sight() -> None:
    """Blind from cut to purge, then told at once."""
    rules = RuleSet((channel(0), channel(1)), (Rule(0, "lean", HIGH),), blinds={0: compare(1, ">", 0.5)})
    cut = series(1, (0, 1.0), (100, 0.0))
    assert told(every_way(rules, cut + every(15, 0, 1.5, 5, 200), 200)) == [(110, 0, UP)]


def test_a_cut_neither_clears_nor_ages_an_alarm_nor_a_run_up() -> None:
    """Blind adds nothing to an off-delay and takes nothing from a run-up, even when the hidden value is harmless."""
    blinds: dict[int, Condition] = {0: compare(1, ">", 0.5)}
    cut = series(1, (0, 0.0), (45, 1.0), (245, 0.0))
    rules = RuleSet((channel(0), channel(1)), (Rule(0, "lean", HIGH, off_delay=50),), blinds=blinds)
    samples = series(0, (0, 1.5), (20, 0.5), (50, 0.5), (150, 0.5), (250, 0.5))
    assert told(every_way(rules, cut + samples, 400)) == [(0, 0, UP), (270, 0, BACK)]
    rules = RuleSet((channel(0), channel(1)), (Rule(0, "lean", HIGH, on_delay=50),), blinds=blinds)
    samples = series(0, (20, 1.5), (50, 0.5), (150, 0.5), (250, 1.5))
    assert told(every_way(rules, cut + samples, 400)) == [(270, 0, UP)]


def test_a_cut_that_cannot_be_known_is_alarmed() -> None:
    """Unknown is not blind."""
    rules = RuleSet((channel(0), channel(1)), (Rule(0, "lean", HIGH),), blinds={0: compare(1, ">", 0.5)})
    assert told(every_way(rules, series(0, (50, 1.5)), 100)) == [(50, 0, UP)]
    assert told(every_way(rules, series(0, (50, 1.5)) + series(1, (10, None)), 100)) == [(50, 0, UP)]


def test_what_blinds_must_see() -> None:
    """A cut judged by a channel that a cut may blind is refused at arming; by any other it is taken."""
    channels = (channel(0), channel(1), channel(2))
    rule = Rule(0, "lean", HIGH)
    for condition in (compare(1, ">", 0.5), AllOf((compare(2, ">", 0.5), Not(compare(1, ">", 0.5))))):
        with pytest.raises(ExpressionError):
            Watchdog(RuleSet(channels, (rule,), blinds={0: condition, 1: compare(2, ">", 0.5)}))
    with pytest.raises(ExpressionError):
        Watchdog(RuleSet(channels, (rule,), blinds={0: compare(0, ">", 0.5)}))
    Watchdog(RuleSet(channels, (rule,), blinds={0: compare(2, ">", 0.5), 1: compare(2, ">", 0.5)}))


def test_a_blind_gate_is_not_yes_and_not_no() -> None:
    """A gate on a blinded channel neither arms nor clears."""
    rules = RuleSet(
        (channel(0), channel(1), channel(2)),
        (Rule(0, "r", HIGH, compare(1, ">", 0.5), off_delay=0),),
        blinds={1: compare(2, ">", 0.5)},
    )
    cut = series(2, (0, 1.0), (100, 0.0))
    gate = every(20, 1, 1.0, 10, 110)
    assert told(every_way(rules, cut + gate + every(10, 0, 1.5, 15, 150), 150)) == [(110, 0, UP)]


# A healthy spool and a lean one, in real time


PRESSURE_AT = (120.0, 160.0, 200.0, 240.0)
LEANEST = (0.90, 0.86, 0.84, 0.83)
"""Lambda limit along absolute pressure. Common practice, no source: starting values the owner's numbers replace."""
LEANEST_CURVE = Curve("leanest", 1, PRESSURE_AT, LEANEST)
SPOOL_BEGINS, SPOOL_TAKES = 500, 300  # ms


def spool_pressure(ms: float) -> float:
    """Return manifold pressure (kPa absolute) of a modelled spool: 120 to 240 in a straight line."""
    return 120.0 + 120.0 * min(max((ms - SPOOL_BEGINS) / SPOOL_TAKES, 0.0), 1.0)


def spool(*, lag: int, excess: float, period: int) -> list[Sample]:
    """Return pressure at 100 Hz and lambda every `period` ms, which is limit + `excess` as it was `lag` ms before."""
    pressure = series(1, *((ms * NS_PER_MS + 1, spool_pressure(ms)) for ms in range(0, 1500, 10)))
    mixture = series(
        0,
        *((ms * NS_PER_MS, LEANEST_CURVE.one(spool_pressure(ms - lag)) + excess) for ms in range(5, 1500, period)),
    )
    return pressure + mixture


def spool_rules(delay: Delay, *, on_delay: int = 0) -> RuleSet:
    """Return the lean rule along pressure, for a lambda sensor of a given delay."""
    far = 300 * NS_PER_MS
    trip = Comparison(0, ">", (Term(1.0, curve="leanest"),))
    return RuleSet(
        (channel(0, delay=delay, stale_after=far), channel(1, stale_after=far)),
        (Rule(0, "lean", trip, on_delay=on_delay * NS_PER_MS),),
        {"leanest": LEANEST_CURVE},
    )


def test_a_limit_that_moves_under_a_held_sample_makes_no_lean() -> None:
    """A sensor without lag at 12 Hz: its sample is right when it comes, and stays the verdict while the limit sinks."""
    assert told(every_way(spool_rules(Delay()), spool(lag=0, excess=-0.005, period=83), 1500 * NS_PER_MS)) == []


def test_a_lagging_sensor_is_held_to_the_limit_of_then() -> None:
    """A healthy spool seen 120 ms late is no lean when the window says so; a rule without delay calls it one."""
    healthy = spool(lag=120, excess=-0.005, period=20)
    strict = Delay(120 * NS_PER_MS, 120 * NS_PER_MS)
    assert told(every_way(spool_rules(strict), healthy, 1500 * NS_PER_MS)) == []
    found = told(every_way(spool_rules(Delay()), healthy, 1500 * NS_PER_MS))
    assert found
    assert SPOOL_BEGINS * NS_PER_MS < found[0][0] < (SPOOL_BEGINS + SPOOL_TAKES + 120) * NS_PER_MS


def test_a_window_holds_a_sample_to_the_strictest_limit_in_it() -> None:
    """With [60, 120] ms a reading of 120 ms ago is held to limits 60 ms old: a margin of 0.03 covers the spool."""
    window = Delay(60 * NS_PER_MS, 120 * NS_PER_MS)
    assert told(every_way(spool_rules(window), spool(lag=120, excess=-0.03, period=20), 1500 * NS_PER_MS)) == []
    assert told(every_way(spool_rules(window), spool(lag=120, excess=-0.001, period=20), 1500 * NS_PER_MS)) != []


def test_a_lean_spool_is_told_with_the_delay_corrected() -> None:
    """Lean from the start: raised once the window lies in the session, at the first sample, with its on-delay."""
    window = Delay(60 * NS_PER_MS, 180 * NS_PER_MS)
    changes = every_way(spool_rules(window, on_delay=50), spool(lag=120, excess=0.02, period=20), 1500 * NS_PER_MS)
    # Samples at 5, 25, 45, 65 ms …: the first with a known limit in [t − 180, t − 60] ms is 65 ms; it is beyond.
    assert told(changes) == [(115 * NS_PER_MS, 0, UP)]
    assert changes[0].value == pytest.approx(0.92)
    assert changes[0].limit == 0.90


def first_alarm(changes: list[Change]) -> int:
    """Return the instant of the first change."""
    return changes[0].t


def test_a_lean_in_mid_spool_is_told_within_a_sample_of_being_seen() -> None:
    """Lean by 0.03 from 650 ms on, seen from 770 ms: told with the first sample after that."""
    window = Delay(110 * NS_PER_MS, 130 * NS_PER_MS)
    healthy = [s for s in spool(lag=120, excess=-0.025, period=20) if s[1] == 1 or s[0] < 770 * NS_PER_MS]
    lean = [s for s in spool(lag=120, excess=0.03, period=20) if s[1] == 0 and s[0] >= 770 * NS_PER_MS]
    changes = every_way(spool_rules(window), healthy + lean, 1500 * NS_PER_MS)
    assert first_alarm(changes) == 785 * NS_PER_MS
