"""What is believed of a value, and how it is brought to the channel's unit."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.channels import bring, unit_named
from pullwatch.columns import Why
from pullwatch.decoders.screen import Bring, bounds, doubted, screened, screened_all

NUMBERS = st.floats(allow_nan=True, allow_infinity=True)
ENDS = st.one_of(st.floats(-1e6, 1e6), st.sampled_from([-math.inf, math.inf]))


def bits(value: float) -> bytes:
    return struct.pack("<d", value)


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (0.5, Why.GOOD),
        (2.0, Why.GOOD),
        (0.4999, Why.IMPLAUSIBLE),
        (2.0001, Why.IMPLAUSIBLE),
        (math.nan, Why.NOT_A_NUMBER),
        (math.inf, Why.NOT_A_NUMBER),
        (-math.inf, Why.NOT_A_NUMBER),
    ],
)
def test_both_ends_are_believed_and_nothing_beyond(value: float, why: Why) -> None:
    """A value on an end of the believable range is good; beyond it is implausible; NaN and infinity are no numbers."""
    assert screened(value, 0.5, 2.0)[1] == why


def test_infinity_is_no_number_without_a_range() -> None:
    """A channel that believes everything still does not believe infinity."""
    for value in (math.inf, -math.inf, math.nan):
        assert screened(value, -math.inf, math.inf)[1] == Why.NOT_A_NUMBER
        low, high = bounds(-math.inf, math.inf)
        assert not low <= value <= high


@given(st.lists(NUMBERS, min_size=1), ENDS, ENDS)
def test_one_and_many_are_screened_alike(values: list[float], one: float, other: float) -> None:
    """The array way gives the same values and reasons, to the last bit, as one value at a time."""
    low, high = min(one, other), max(one, other)
    together, whys = screened_all(np.array(values), low, high)
    for value, screened_value, why in zip(values, together.tolist(), whys.tolist(), strict=True):
        alone, why_alone = screened(value, low, high)
        assert (bits(alone), why_alone) == (bits(screened_value), why)
        if why:
            assert (bits(doubted(value)[0]), doubted(value)[1]) == (bits(alone), why)


@given(
    st.sampled_from(["kPa", "bar", "psi", "degF", "mph", "AFR@14.7", "AFR@9.81", "us", "K"]),
    st.lists(NUMBERS, min_size=1),
)
def test_units_are_brought_as_people_s_numbers_are(word: str, numbers: list[float]) -> None:
    """A number on the wire and the same number typed into a rule are the same to the last bit, one or many."""
    unit = unit_named(word)
    way = Bring.of(unit)
    with np.errstate(all="ignore"):
        together = way.all(np.array(numbers)).tolist()
    for number, brought in zip(numbers, together, strict=True):
        if not math.isnan(number):
            assert bits(way.one(number)) == bits(bring(number, unit)) == bits(brought)


def test_bringing_nowhere_is_known() -> None:
    """A unit that is the stored one need not be brought."""
    assert Bring.of(unit_named("kPa")).is_none
    assert not Bring.of(unit_named("bar")).is_none
    assert not Bring.of(unit_named("AFR@14.7")).is_none
