"""Windows, rates, trends, counts and votes, against their definitions worked out instant by instant."""

from __future__ import annotations

import json
import math
import statistics
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.channels import Channel, Dimension
from pullwatch.columns import Why, to_columns, to_samples
from pullwatch.derived import Deriving, Operator, Wired
from pullwatch.derived.statistics import (
    Ahead,
    Apart,
    Crossings,
    Difference,
    Least,
    Mean,
    Middle,
    Most,
    Rate,
    Rises,
    Spread,
    TimeBeyond,
    Trend,
)
from pullwatch.derived.windows import LARGEST, LONGEST, Windowed

from .hold import exactly, hold_together, places, traces

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.columns import Sample

STALE = 60
"""ns: longer than some windows and shorter than others."""
MADE = 3
"""Channels 0 to 2 are fed; operators make 3 and up."""


def deriving(*operators: Callable[[], Operator], stale: int = STALE) -> Callable[[], Deriving]:
    """Return what makes a stage in which channel 0 triggers every operator, 1 and 2 being the others of votes."""

    def make() -> Deriving:
        channels = [Channel(n, f"c{n}", "", Dimension.NUMBER, stale_after=stale) for n in range(MADE + len(operators))]
        built = [operator() for operator in operators]
        return Deriving(channels, [Wired(MADE + n, 0, _others(operator), operator) for n, operator in enumerate(built)])

    return make


def _others(operator: Operator) -> tuple[int, ...]:
    if isinstance(operator, Windowed):
        return ()
    return (1,) if isinstance(operator, Difference) else (1, 2)


# The oracle: the held value at every single nanosecond, and exact fractions.


def held(
    samples: Sequence[Sample], channel: int, stale: int = STALE, largest: float = LARGEST
) -> Callable[[int], float | None]:
    """Return the step function of a channel: None where it is not known."""
    table: dict[int, float] = {}
    for t, c, v, why in samples:
        if c == channel:
            for s in [s for s in table if s >= t]:
                del table[s]
            if not why and abs(v) <= largest:
                table |= dict.fromkeys(range(t, t + stale), v)
    return table.get


def whole(v: float) -> int:
    """Return a value in 2⁻²⁰ of its unit, halves to even."""
    return round(Fraction(v) * 2**20)


def window(at: Callable[[int], float | None], t: int, over: int) -> list[tuple[int, float]]:
    """Return the known instants of the window and their values."""
    return [(s, v) for s in range(t - over + 1, t + 1) if (v := at(s)) is not None]


def needed(share: float, instants: int) -> int:
    """Return how many instants must be known."""
    return max(1, round(share * instants))


def mean_of(known: list[tuple[int, float]]) -> float:
    """Return the mean in whole 2⁻²⁰, halves up."""
    total = sum(whole(v) for _, v in known)
    return math.floor(Fraction(total, len(known)) + Fraction(1, 2)) / 2**20


def slope_of(known: list[tuple[int, float]]) -> float | None:
    """Return the slope per second of the line of least squares; None for one instant."""
    if len(known) < 2:
        return None
    middle = Fraction(sum(s for s, _ in known), len(known))
    centre = Fraction(sum(whole(v) for _, v in known), len(known))
    below = sum((s - middle) ** 2 for s, _ in known)
    return float(sum((s - middle) * (whole(v) - centre) for s, v in known) / below * 10**9 / 2**20)


def crossings_until(at: Callable[[int], float | None], end: int, limit: float, back: float) -> list[int]:
    """Return the instants at which the value goes above `limit`, having been at `back` or below."""
    found, side = [], None
    for s in range(end + 1):
        v = at(s)
        if v is None:
            continue
        if v > limit:
            if side is False:
                found.append(s)
            side = True
        elif v <= back:
            side = False
    return found


def rises_until(at: Callable[[int], float | None], end: int, at_least: float, within: int) -> list[int]:
    """Return the instants at which the value is `at_least` above its least since `within` ago or the rise before."""
    found: list[int] = []
    for s in range(end + 1):
        v = at(s)
        if v is None:
            continue
        begin = max(s - within, found[-1] if found else 0)
        low = min(whole(u) for r in range(begin, s + 1) if (u := at(r)) is not None)
        if whole(v) - low >= whole(at_least):
            found.append(s)
    return found


def expected(samples: list[Sample], out: list[Sample], channel: int) -> list[tuple[int, float, int]]:
    """Return (t, value, why of the trigger) of the samples an operator made, one for each of the trigger's."""
    whys = {t: why for t, c, _, why in samples if c == 0}
    made = [(t, v, why) for t, c, v, why in out if c == channel]
    assert [t for t, _, _ in made] == sorted(whys)
    for t, v, why in made:
        assert why in (0, whys[t] or Why.SOURCE)
        assert (why == 0) is math.isfinite(v)
    return [(t, v, whys[t]) for t, v, _ in made]


VALUES = st.one_of(
    st.floats(-1_000, 1_000), st.sampled_from([0.0, -0.0, 0.85, 1e-7, -3.5 / 2**20, 1e8, -1e300, LARGEST])
)
OVERS = st.integers(1, 150)
SHARES = st.sampled_from([1.0, 1.0, 0.8, 0.5, 0.01])


@settings(max_examples=120, deadline=None)
@given(traces(2, VALUES), places(), OVERS, SHARES)
def test_every_window_is_its_definition(samples: list[Sample], cuts: list[int], over: int, share: float) -> None:
    """Mean, least, most, spread, slope and time beyond, at every sample, from the value at every nanosecond."""
    make = deriving(
        lambda: Mean(over, STALE, share),
        lambda: Least(over, STALE, share),
        lambda: Most(over, STALE, share),
        lambda: Spread(over, STALE, share),
        lambda: Trend(over, STALE, share),
        lambda: TimeBeyond(over, 0.5, STALE, share),
        lambda: TimeBeyond(over, 0.5, STALE, share, above=False),
    )
    out = hold_together(make, samples, cuts)
    at = held(samples, 0)
    for number in range(7):
        for t, v, _ in expected(samples, out, MADE + number):
            known = window(at, t, over)
            wanted: float | None = None
            if len(known) >= needed(share, over):
                values = [value for _, value in known]
                wanted = (
                    mean_of(known),
                    min(values),
                    max(values),
                    max(values) - min(values),
                    slope_of(known),
                    sum(value > 0.5 for value in values) / 1e6,
                    sum(value < 0.5 for value in values) / 1e6,
                )[number]
            assert (None if math.isnan(v) else v) == wanted, (number, t)


@settings(max_examples=80, deadline=None)
@given(traces(2, st.one_of(st.floats(-1_000, 1_000), st.sampled_from([0.0, -0.0]))), places(), OVERS, SHARES)
def test_a_rate_is_the_change_of_the_held_value_over_time(
    samples: list[Sample], cuts: list[int], over: int, share: float
) -> None:
    """(v(t) − v(t − w)) ÷ w, both ends known; what is to come goes on from there."""
    make = deriving(lambda: Rate(over, STALE, share), lambda: Ahead(over, 25, STALE, share))
    out = hold_together(make, samples, cuts)
    at = held(samples, 0)
    for t, v, _ in expected(samples, out, MADE):
        now, then = at(t), at(t - over)
        if now is None or then is None or len(window(at, t, over + 1)) < needed(share, over + 1):
            assert math.isnan(v)
        else:
            assert v == pytest.approx(float((Fraction(now) - Fraction(then)) / over * 10**9), rel=1e-12)
    rates = {t: v for t, v, _ in expected(samples, out, MADE)}
    for t, v, _ in expected(samples, out, MADE + 1):
        if math.isnan(rates[t]):
            assert math.isnan(v)
        else:
            now = at(t)
            assert now is not None
            assert v == pytest.approx(now + rates[t] * 25e-9, rel=1e-9, abs=1e-9)


STEPS = st.sampled_from([0.0, -0.0, 1.0, 1.5, 2.0, 3.0, 4.1, 0.1, 5.0])


@settings(max_examples=120, deadline=None)
@given(traces(2, STEPS), places(), OVERS, SHARES, st.integers(1, 100))
def test_what_happened_is_counted_by_its_instants(
    samples: list[Sample], cuts: list[int], over: int, share: float, within: int
) -> None:
    """Crossings either way and rises, from a walk over every nanosecond."""
    make = deriving(
        lambda: Crossings(over, 1.5, 1.0, STALE, share),
        lambda: Crossings(over, 1.5, 0.0, STALE, share, above=False),
        lambda: Rises(over, 1.0, within, STALE, share),
        lambda: Rises(over, 4.0, within, STALE, share),
    )
    out = hold_together(make, samples, cuts)
    at = held(samples, 0)
    end = samples[-1][0] if samples else 0

    def turned(s: int) -> float | None:
        v = at(s)
        return None if v is None else -v

    happened = [
        crossings_until(at, end, 1.5, 0.5),
        crossings_until(turned, end, -1.5, -1.5),
        rises_until(at, end, 1.0, within),
        rises_until(at, end, 4.0, within),
    ]
    for number, instants in enumerate(happened):
        for t, v, _ in expected(samples, out, MADE + number):
            if len(window(at, t, over)) < needed(share, over):
                assert math.isnan(v)
            else:
                assert v == sum(t - over < s <= t for s in instants), (number, t)


@settings(max_examples=120, deadline=None)
@given(traces(3, st.one_of(STEPS, st.floats(-1e308, 1e308))), places())
def test_channels_that_should_agree(samples: list[Sample], cuts: list[int]) -> None:
    """Apart and difference need all of theirs; the vote needs two that agree, the trigger being one of three."""
    out = hold_together(deriving(Apart, Difference, lambda: Middle(1.0)), samples, cuts)
    says = [held(samples, channel, largest=math.inf) for channel in range(3)]

    for t, v, _ in expected(samples, out, MADE):
        known = [u for at in says if (u := at(t)) is not None]
        spread = max(known) - min(known) if len(known) == 3 else math.inf
        assert (v == spread) if math.isfinite(spread) else math.isnan(v)
    for t, v, _ in expected(samples, out, MADE + 2):
        known = sorted(u for at in says if (u := at(t)) is not None)
        if len(known) == 3 and min(known[1] - known[0], known[2] - known[1]) <= 1.0:
            assert v == statistics.median(known)
        elif len(known) == 2 and known[1] - known[0] <= 1.0:
            assert v == pytest.approx(statistics.mean(known))
        else:
            assert math.isnan(v)


# By hand


def said(operator: Callable[[], Operator], samples: list[Sample], stale: int = STALE) -> list[float | Why]:
    """Return what one operator makes of samples: a number, or why there is none."""
    out = hold_together(deriving(operator, stale=stale), samples, [25, 70])
    return [Why(why) if why else v for _, c, v, why in out if c == MADE]


def every(step: int, *values: float, start: int = 0) -> list[Sample]:
    """Return good samples of channel 0 every `step` ns."""
    return [(start + n * step, 0, v, 0) for n, v in enumerate(values)]


def test_a_mean_weighs_by_time_and_not_by_samples() -> None:
    """10 for 30 ns and 20 for 10 ns is 12.5 however many samples say so; the window has to be full first."""
    assert said(lambda: Mean(40, STALE), [(1, 0, 10.0, 0), (31, 0, 20.0, 0), (40, 0, 20.0, 0)])[-1] == 12.5
    assert said(lambda: Mean(40, STALE), [(1, 0, 10.0, 0), (11, 0, 10.0, 0), (31, 0, 20.0, 0), (40, 0, 20.0, 0)]) == [
        Why.SOURCE,
        Why.SOURCE,
        Why.SOURCE,
        12.5,
    ]


def test_one_sample_in_doubt_is_gone_with_its_window() -> None:
    """Not known while the window holds it, then as if it had never been."""
    samples = every(10, 5.0, 5.0, 5.0, 5.0)
    samples += [(40, 0, math.nan, int(Why.NOT_A_NUMBER))]
    samples += every(10, 7.0, 7.0, 7.0, 7.0, start=50)
    assert said(lambda: Mean(20, STALE), samples) == [
        Why.SOURCE,
        Why.SOURCE,
        5.0,
        5.0,
        Why.NOT_A_NUMBER,
        Why.SOURCE,
        Why.SOURCE,
        7.0,
        7.0,
    ]


def test_a_share_of_the_window_may_do() -> None:
    """A quarter of the window in doubt does not silence a mean that asks for half: what is known stands for it all."""
    samples: list[Sample] = [
        *every(10, 5.0, 5.0, 5.0, 5.0),
        (40, 0, 0.0, int(Why.ERROR)),
        *every(10, 5.0, 5.0, start=50),
    ]
    assert said(lambda: Mean(40, STALE, 0.5), samples)[4:] == [5.0, 5.0, 5.0]
    assert said(lambda: Mean(40, STALE, 0.8), samples)[4:] == [5.0, Why.SOURCE, Why.SOURCE]


def test_a_gap_is_not_known_from_the_instant_at_which_the_value_is_stale() -> None:
    """A sample is held for its stale time and not an instant longer."""
    assert said(lambda: Least(60, 60), [(0, 0, 5.0, 0), (59, 0, 6.0, 0)])[-1] == 5.0
    assert said(lambda: Least(61, 60), [(0, 0, 5.0, 0), (60, 0, 6.0, 0)])[-1] == 5.0
    assert said(lambda: Least(61, 60), [(0, 0, 5.0, 0), (61, 0, 6.0, 0)])[-1] is Why.SOURCE


def test_a_window_that_begins_as_a_value_goes_stale_does_not_see_it() -> None:
    """The instant at which it is stale is the first at which it is not known; the one before still is."""
    samples: list[Sample] = [(0, 0, 5.0, 0), (100, 0, 6.0, 0)]
    assert said(lambda: Least(41, STALE, 0.01), samples)[-1] == 6.0
    assert said(lambda: Least(42, STALE, 0.01), samples)[-1] == 5.0
    assert said(lambda: Rate(40, STALE, 0.01), samples)[-1] is Why.SOURCE
    assert said(lambda: Rate(50, STALE, 0.01), samples)[-1] == 2e7


def test_the_two_zeros_are_one() -> None:
    """A sensor that says −0.0 says 0.0: no verdict may hang on which of two equal values came first."""
    samples = every(10, 0.0, -0.0, 0.0, -0.0)
    for operator in (Least, Most, Mean, Rate, Spread):
        found = said(lambda kind=operator: kind(15, STALE), samples)[2:]  # type: ignore[misc] # the loop's kind
        assert [math.copysign(1.0, v) for v in found if not isinstance(v, Why)] == [1.0, 1.0]


def test_a_rate_does_not_care_how_often_it_is_sampled() -> None:
    """40 kPa in 100 ms is 400 kPa/s, whether ten samples tell it or two."""
    ms = 1_000_000
    often = [(n * 10 * ms, 0, 100.0 + 4.0 * n, 0) for n in range(11)]
    assert said(lambda: Rate(100 * ms, 250 * ms), often, 250 * ms)[-1] == 400.0
    assert said(lambda: Rate(100 * ms, 250 * ms), [often[0], often[-1]], 250 * ms)[-1] == 400.0


def test_a_rate_needs_the_beginning_of_its_window() -> None:
    """Before the first sample, and in an unknown stretch, there is nothing to have changed from."""
    samples: list[Sample] = [(10, 0, 1.0, 0), (20, 0, 0.0, 4), (30, 0, 2.0, 0), (40, 0, 3.0, 0), (50, 0, 4.0, 0)]
    assert said(lambda: Rate(10, STALE, 0.1), samples) == [Why.SOURCE, Why.ERROR, Why.SOURCE, 1e8, 1e8]
    assert said(lambda: Rate(20, STALE, 0.1), samples) == [Why.SOURCE, Why.ERROR, 5e7, Why.SOURCE, 1e8]


def test_what_is_to_come_goes_on_as_it_did() -> None:
    """150 kPa that rose 20 kPa in 50 ns is 190 kPa in 100 ns."""
    assert said(lambda: Ahead(50, 100, STALE), [(0, 0, 130.0, 0), (50, 0, 150.0, 0)])[-1] == 190.0


def test_a_trend_is_the_slope_of_the_handbook() -> None:
    """Against numpy's fit (2.x) of the value at every nanosecond, and the slope of a ramp."""
    samples = every(7, 5.0, 4.0, 6.0, 3.0, 2.5, 2.0, 2.75, 1.0)
    got = said(lambda: Trend(40, STALE), samples)[-1]
    at = held(samples, 0)
    known = window(at, 49, 40)
    fit = np.polyfit([s for s, _ in known], [v for _, v in known], 1)[0] * 1e9
    assert got == pytest.approx(fit, rel=1e-9)
    by_library = statistics.linear_regression([s for s, _ in known], [v for _, v in known]).slope * 1e9
    assert got == pytest.approx(by_library, rel=1e-9)
    ramp = [(n, 0, 3.0 * n, 0) for n in range(50)]
    assert said(lambda: Trend(40, STALE), ramp)[-1] == 3e9


def test_the_mean_and_the_middle_of_the_library() -> None:
    """With a sample every nanosecond the mean of time is the mean of samples (statistics.fmean, Python's own)."""
    values = [0.5, 3.25, -7.0, 11.5, 2.0]
    assert said(lambda: Mean(5, STALE), every(1, *values))[-1] == pytest.approx(statistics.fmean(values), abs=2**-21)
    three: list[Sample] = [(5, 0, 81.0, 0), (5, 1, 80.0, 0), (5, 2, 95.0, 0)]
    assert said(lambda: Middle(2.0), three) == [statistics.median([81.0, 80.0, 95.0])]


def test_the_vote() -> None:
    """One that lies is outvoted, one that is silent is done without, and nobody is believed alone."""

    def vote(*values: float | None) -> float | Why:
        others: list[Sample] = [(5, c, v, 0) for c, v in ((1, values[1]), (2, values[2])) if v is not None]
        first = values[0]
        trigger: Sample = (5, 0, math.nan, int(Why.OPEN)) if first is None else (5, 0, first, 0)
        (found,) = said(lambda: Middle(2.0), [trigger, *others])
        return found

    assert vote(80.0, 81.0, 300.0) == 81.0
    assert vote(80.0, 90.0, 300.0) is Why.SOURCE
    assert vote(80.0, 82.0, None) == 81.0
    assert vote(80.0, 83.0, None) is Why.SOURCE
    assert vote(80.0, None, None) is Why.SOURCE
    assert vote(None, 80.0, 81.0) == 80.5
    assert vote(None, 80.0, 90.0) is Why.OPEN


def test_two_sensors_apart() -> None:
    """It does not matter which is higher; one that is not known leaves the difference unknown."""
    assert said(Apart, [(5, 0, 0.80, 0), (5, 1, 0.90, 0), (5, 2, 0.85, 0)]) == [0.90 - 0.80]
    assert said(Apart, [(5, 0, 0.90, 0), (5, 1, 0.80, 0), (5, 2, 0.0, 4)]) == [Why.SOURCE]
    assert said(Difference, [(5, 0, 150.0, 0), (5, 1, 180.0, 0)]) == [-30.0]


def test_rises_of_knock_retard() -> None:
    """Each further rise counts from where the last was seen: 4° at once is one rise of 1°, three steps are three."""

    def one_degree() -> Operator:
        return Rises(200, 1.0, 20, STALE)

    quiet = every(10, *[0.0] * 21)
    assert said(one_degree, [*quiet, *every(10, 4.0, 4.0, 3.0, 2.0, start=210)])[-4:] == [1.0, 1.0, 1.0, 1.0]
    assert said(one_degree, [*quiet, *every(10, 1.0, 2.0, 2.5, 3.0, start=210)])[-4:] == [1.0, 2.0, 2.0, 3.0]
    slowly = every(10, *[0.25 * n for n in range(30)])
    assert said(one_degree, slowly)[-1] == 0.0, "half a degree in what it may take"
    assert said(lambda: Rises(200, 4.0, 20, STALE), [*every(10, *[0.1] * 21), (210, 0, 4.1, 0)])[-1] == 1.0


def test_the_time_a_rise_may_take_holds_its_first_instant() -> None:
    """From 0 at 10 ns over 2 at 11 ns to 5 at 30 ns is a rise of 5 within 20 ns, and of 3 within 19."""
    samples: list[Sample] = [(1, 0, 0.0, 0), (11, 0, 2.0, 0), (30, 0, 5.0, 0)]
    assert said(lambda: Rises(30, 4.0, 20, STALE), samples)[-1] == 1.0
    assert said(lambda: Rises(30, 4.0, 19, STALE), samples)[-1] == 0.0


def test_a_rise_over_a_doubtful_sample_is_still_a_rise() -> None:
    """What was known within the time counts, whatever lies between."""
    samples: list[Sample] = [*every(10, *[0.0] * 21), (210, 0, 0.0, int(Why.GARBLED)), (220, 0, 5.0, 0)]
    assert said(lambda: Rises(200, 4.0, 20, STALE, 0.5), samples)[-1] == 1.0


def test_crossings_with_a_deadband() -> None:
    """A value that trembles at the constant has crossed once; one first heard beyond has not crossed."""
    values = [9.0, 11.0, 9.5, 11.0, 8.0, 10.0, 10.5]
    counts = said(lambda: Crossings(35, 10.0, 1.0, STALE), every(10, *values, start=1))
    assert counts[4:] == [1.0, 0.0, 1.0]
    assert said(lambda: Crossings(35, 10.0, 1.0, STALE), every(10, *[11.0] * 5))[-1] == 0.0


def test_time_beyond() -> None:
    """Of 2 ms, one and a half above 7,000: held time, not samples."""
    us = 1_000
    samples: list[Sample] = [(1, 0, 7_100.0, 0), (1_500 * us + 1, 0, 6_900.0, 0), (2_000 * us, 0, 6_900.0, 0)]
    assert said(lambda: TimeBeyond(2_000 * us, 7_000.0, 2_000 * us), samples, 2_000 * us)[-1] == 1.5


def test_sums_are_exact_in_the_longest_window() -> None:
    """A minute of the fastest turbine, stepping by the smallest fraction: both ways to the last bit, and right."""
    second = 1_000_000_000
    samples = [(n * second // 4, 0, 310_000.0 + (n % 7) / 2**20, 0) for n in range(600)]
    make = deriving(lambda: Mean(LONGEST, second), lambda: Rate(LONGEST, second), stale=second)
    out = hold_together(make, samples, [30 * second, 90 * second])
    last = [v for _, c, v, _ in out if c == MADE][-1]
    assert math.floor(last) == 310_000
    assert last == pytest.approx(310_000 + 3 / 2**20, abs=2 / 2**20)
    largest = every(second // 4, *[LARGEST] * 300)
    assert {v for _, c, v, why in hold_together(make, largest, []) if c == MADE and not why} == {LARGEST}
    least = every(second // 4, *[-LARGEST] * 300)
    assert {v for _, c, v, why in hold_together(make, least, []) if c == MADE and not why} == {-LARGEST}


def test_only_the_window_is_kept() -> None:
    """After 10,000 samples what is remembered is a window's worth, and a checkpoint of 10 samples is small."""
    ms = 1_000_000
    operators = [
        lambda: Mean(100 * ms, 250 * ms),
        lambda: Spread(100 * ms, 250 * ms),
        lambda: Trend(100 * ms, 250 * ms),
        lambda: Crossings(100 * ms, 5.0, 0.0, 250 * ms),
        lambda: Rises(100 * ms, 1.0, 20 * ms, 250 * ms),
    ]
    stage = deriving(*operators, stale=250 * ms)()
    stage.few([(n * 10 * ms, 0, float(n % 9), 0) for n in range(10_000)])
    for carried in stage.carried()["operators"]:
        assert len(json.dumps(carried)) < 500
    for wire in stage._wired:
        kept = [len(v) for v in vars(wire.operator).values() if hasattr(v, "__len__")]
        assert max(kept) <= 11


def test_a_checkpoint_before_the_first_sample_is_one_too() -> None:
    """Nothing heard is carried as nothing heard."""
    make = deriving(lambda: Mean(20, STALE), lambda: Rises(20, 1.0, 5, STALE))
    carried = make().carried()
    stage = make()
    stage.carry(json.loads(json.dumps(carried)))
    samples = every(10, 1.0, 2.0, 3.0, 4.0)
    assert exactly(stage.few(list(samples))) == exactly(to_samples(make().many(to_columns(samples))))


@pytest.mark.parametrize(
    ("over", "share", "said_so"),
    [(0, 1.0, "window of 0 ns"), (LONGEST + 2, 1.0, "cannot be looked at"), (10, 0.0, "share of 0"), (10, 1.1, "1.1")],
)
def test_a_window_that_cannot_be_is_refused(over: int, share: float, said_so: str) -> None:
    """An empty one, one beyond what fits the sums, and a share that is none."""
    with pytest.raises(ValueError, match=said_so):
        Mean(over, STALE, share)
