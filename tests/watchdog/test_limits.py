"""Limit curves: held against numpy's interpolation as an outside reference, and one way against the other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.watchdog.limits import Curve

LEANEST = Curve("leanest", 1, (120.0, 160.0, 200.0, 240.0), (0.90, 0.86, 0.84, 0.83))
"""Lambda along absolute pressure. Common practice, no source: starting values that the owner's numbers replace."""

finite = st.floats(-1e6, 1e6, allow_nan=False)
typed = st.integers(-(10**9), 10**9).map(lambda thousandths: thousandths / 1000)
"""Numbers as people type them: points a hair's breadth of float64 apart are no curve."""


@st.composite
def curves(draw: st.DrawFn) -> Curve:
    """Any curve of one to six points."""
    at = sorted(draw(st.sets(typed, min_size=1, max_size=6)))
    value = draw(st.lists(typed, min_size=len(at), max_size=len(at)))
    return Curve("c", 0, tuple(at), tuple(value), hold=draw(st.booleans()))


@given(curve=curves(), xs=st.lists(finite, max_size=20), data=st.data())
def test_one_and_many_are_the_same_bit_for_bit(curve: Curve, xs: list[float], data: st.DataObject) -> None:
    """Both ways of judging ask the same curve: a last digit of difference would be a different alarm."""
    points = data.draw(st.lists(st.sampled_from(curve.at), max_size=6))
    beside = [math.nextafter(x, math.inf) for x in points] + [math.nextafter(x, -math.inf) for x in points]
    everywhere = [*xs, *points, *beside]
    many = curve.many(np.asarray(everywhere, dtype=np.float64))
    one = np.asarray([curve.one(x) for x in everywhere], dtype=np.float64)
    assert many.tobytes() == one.tobytes() or np.array_equal(many, one, equal_nan=True)


@given(curve=curves(), x=finite)
def test_between_its_points_a_curve_is_a_straight_line(curve: Curve, x: float) -> None:
    """Against numpy.interp, which holds the end values beyond the ends."""
    expected = float(np.interp(x, curve.at, curve.value))
    found = curve.one(x)
    if not curve.hold and not curve.at[0] <= x <= curve.at[-1]:
        assert math.isnan(found)
        return
    spread = max(abs(value) for value in curve.value) + 1.0
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9 * spread)


@given(curve=curves())
def test_at_its_points_a_curve_is_exactly_what_was_typed(curve: Curve) -> None:
    """The owner's numbers come back unrounded, ends included, whether held or not."""
    for x, value in zip(curve.at, curve.value, strict=True):
        assert curve.one(x) == value


@pytest.mark.parametrize(
    ("pressure", "limit"), [(100.0, 0.90), (120.0, 0.90), (140.0, 0.88), (180.0, 0.85), (220.0, 0.835), (300.0, 0.83)]
)
def test_the_starting_lean_limit(pressure: float, limit: float) -> None:
    """By hand: halfway between two points is the mean of their limits."""
    assert LEANEST.one(pressure) == pytest.approx(limit, abs=1e-12)


def test_beyond_its_ends_a_curve_that_is_not_held_has_no_limit() -> None:
    """No limit is not a number; it is never a guess."""
    curve = Curve("c", 0, (1.0, 2.0), (5.0, 6.0), hold=False)
    assert math.isnan(curve.one(0.999))
    assert math.isnan(curve.one(2.001))
    assert (curve.one(1.0), curve.one(2.0)) == (5.0, 6.0)


def test_a_curve_of_one_point_is_one_limit_or_none() -> None:
    """Held: the same everywhere. Not held: only at the point."""
    assert [Curve("c", 0, (1.0,), (5.0,)).one(x) for x in (0.0, 1.0, 2.0)] == [5.0, 5.0, 5.0]
    alone = Curve("c", 0, (1.0,), (5.0,), hold=False)
    assert alone.one(1.0) == 5.0
    assert math.isnan(alone.one(1.1))
