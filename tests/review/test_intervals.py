"""Student's t, means, differences and lines, held against scipy (reference library)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pullwatch.review.intervals import Interval, beyond, chi_square, contradicts, difference, line, mean, student


@pytest.mark.parametrize("freedom", [1, 2, 3, 4.5, 7, 12, 30, 99, 1_000, 100_000])
@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
def test_student_is_scipys(freedom: float, level: float) -> None:
    """The quantile, and the probability beyond it, to ten digits."""
    t = student(freedom, level)
    assert t == pytest.approx(float(stats.t.ppf((1 + level) / 2, freedom)), rel=1e-10)
    assert beyond(t, freedom) == pytest.approx(1 - level, rel=1e-9)


def test_without_a_degree_of_freedom_nothing_bounds_it() -> None:
    """One value is a value without an interval."""
    assert student(0) == math.inf
    assert mean([3.0]) == Interval(3.0, -math.inf, math.inf)
    assert difference([1.0], [2.0]).half == math.inf


def test_a_mean_is_scipys() -> None:
    """The interval of a mean of a few values."""
    values = np.random.default_rng(5).normal(3, 2, 7)
    low, high = stats.t.interval(0.95, 6, values.mean(), stats.sem(values))
    assert mean(values)[1:] == pytest.approx((low, high))


def test_a_difference_is_scipys() -> None:
    """Pooled, equal variances: the interval of ttest_ind. With a usual scatter: 1.96 s sqrt(2) of a pair."""
    rng = np.random.default_rng(6)
    a, b = rng.normal(1.7, 0.02, 4), rng.normal(1.75, 0.02, 6)
    wanted = stats.ttest_ind(a, b).confidence_interval(0.95)
    got = difference(list(a), list(b))
    assert (got.least, got.most) == pytest.approx((wanted.low, wanted.high))
    assert difference([1.80], [1.83], usual=0.02).half == pytest.approx(1.96 * math.sqrt(2) * 0.02, abs=1e-4)


def test_a_line_is_scipys() -> None:
    """Slope, intercept and the slope's interval of linregress; the mean holds in 95 % of made-up cases."""
    rng = np.random.default_rng(7)
    x = np.array([1.0, 2, 3, 4, 6, 9])
    y = 2 + 0.5 * x + rng.normal(0, 0.1, 6)
    got, wanted = line(x, y), stats.linregress(x, y)
    assert (got.slope, got.at) == pytest.approx((wanted.slope, wanted.intercept))
    assert got.slope_interval().half == pytest.approx(stats.t.ppf(0.975, 4) * wanted.stderr)
    held = sum(line(x, 2 + 0.5 * x + rng.normal(0, 0.1, 6)).here(7.0).holds(5.5) for _ in range(2_000))
    assert 0.93 < held / 2_000 < 0.97


def test_points_at_one_place_have_no_slope() -> None:
    """Three runs at one duty say nothing of another."""
    assert line([2.0, 2, 2], [1.0, 2, 3]).slope_interval().half == math.inf


def test_intervals_are_widened_compared_and_written() -> None:
    """A floor is added in quadrature; two that touch are not apart; the text has value and both ends."""
    one = Interval(3.0, 0.0, 6.0)
    assert one.widened(4.0) == Interval(3.0, -2.0, 8.0)
    assert not one.apart(Interval(8.0, 6.0, 9.0))
    assert one.apart(Interval(8.0, 6.1, 9.0))
    assert one.text(1, "%") == "3.0 (0.0 to 6.0) %"


def test_chi_square_is_scipys_within_what_it_says() -> None:
    """The cube-root approximation, and what contradicts a usual scatter."""
    for freedom in (1, 2, 3, 8, 20):
        assert chi_square(freedom, 2.326348) == pytest.approx(stats.chi2.ppf(0.99, freedom), rel=0.02)
    for freedom in (4, 6, 12):
        for z, share in ((1.96, 0.975), (-1.96, 0.025)):
            assert chi_square(freedom, z) == pytest.approx(stats.chi2.ppf(share, freedom), rel=0.08)
    assert contradicts(6.7, 1, 1.0)
    assert not contradicts(6.5, 1, 1.0)
    assert not contradicts(100.0, 0, 1.0)
