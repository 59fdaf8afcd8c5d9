"""The stage between decoders and ring: channels made from others, and channels amended, whatever the batches."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.channels import Channel, Dimension
from pullwatch.columns import Why
from pullwatch.derived import Deriving, Elementwise, Operator, Wired
from pullwatch.derived.formulas import Boost, FuelDifferential, InjectorDuty, PressureRatio

from .hold import hold_together, places, traces

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.columns import Sample

STALE = 100
"""ns: small, so that short traces have stale values in them."""


def channel(number: int, low: float = -math.inf, high: float = math.inf) -> Channel:
    """Return a channel of plain numbers."""
    return Channel(number, f"c{number}", "", Dimension.NUMBER, low, high, stale_after=STALE)


CHANNELS = [channel(0), channel(1), channel(2), channel(3, 0.0, 500.0), channel(4)]


class Counting(Operator):
    """Counts good samples, and says nothing at every third: an operator with memory."""

    def __init__(self) -> None:
        self.count = 0

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - the protocol's
        """Return the count."""
        self.count += not why
        return None if self.count % 3 == 2 else (float(self.count), why)

    def carried(self) -> int:
        """Return the count."""
        return self.count

    def carry(self, state: int) -> None:
        """Take it up."""
        self.count = state


class Halved(Elementwise):
    """Amends: half of its own number."""

    def formula(self, value: float, *others: float) -> float:  # noqa: ARG002 - the protocol's
        """Return half."""
        return value * 0.5


def chained() -> Deriving:
    """Channel 0 is halved; 3 = c0 − c1 within [0, 500]; 4 counts the samples of 3."""
    return Deriving(
        CHANNELS,
        [Wired(0, 0, (), Halved()), Wired(3, 0, (1,), Boost()), Wired(4, 3, (2,), Counting())],
    )


@settings(max_examples=60)
@given(traces(3, st.floats(-1_000, 1_000)), places())
def test_borders_and_ways_mean_nothing(samples: list[Sample], cuts: list[int]) -> None:
    """Few or many, cut anywhere, with checkpoints between: the same samples to the last bit."""
    hold_together(chained, samples, cuts)


@settings(max_examples=60)
@given(traces(3, st.sampled_from([0.0, -0.0, 1.0, 1e308, -1e308, 5e-324, 3.7])), places())
def test_no_number_makes_an_operator_raise(samples: list[Sample], cuts: list[int]) -> None:
    """Division by nought and overflow are told as not a number, in both ways alike."""

    def make() -> Deriving:
        return Deriving(CHANNELS, [Wired(3, 0, (1,), PressureRatio()), Wired(4, 0, (1, 2), FuelDifferential())])

    for _, _, v, why in hold_together(make, samples, cuts):
        assert why or math.isfinite(v)


def derived(samples: list[Sample], number: int = 3) -> list[tuple[float | None, Why]]:
    """Return what channel 3 of `chained` says, None for no number."""
    out = hold_together(chained, samples, [5, 60])
    return [(None if math.isnan(v) else v, Why(why)) for _, c, v, why in out if c == number]


def test_samples_of_one_instant_are_seen_together() -> None:
    """The other side of a formula counts from its own instant on, whichever stands first in the frame."""
    assert derived([(10, 0, 220.0, 0), (10, 1, 100.0, 0)]) == [(10.0, Why.GOOD)]


def test_what_is_not_known_is_never_a_number() -> None:
    """Never heard, in doubt, and stale: each leaves the derived channel without a number, and says so."""
    heard = [(10, 0, 220.0, 0), (20, 1, 100.0, 4), (30, 0, 220.0, 0), (40, 1, 90.0, 0)]
    late = [(40 + STALE - 1, 0, 220.0, 0), (40 + STALE, 0, 220.0, 0)]
    doubted = [(200, 1, 90.0, 0), (210, 0, 220.0, int(Why.ERROR))]
    assert derived(heard + late + doubted) == [
        (None, Why.SOURCE),
        (None, Why.SOURCE),
        (20.0, Why.GOOD),
        (None, Why.SOURCE),
        (None, Why.ERROR),
    ]


def test_a_derived_value_is_screened_like_any_other() -> None:
    """A value beyond what is believed is a fault."""
    assert derived([(10, 0, 20.0, 0), (10, 1, 100.0, 0)]) == [(-90.0, Why.IMPLAUSIBLE)]


def test_an_amended_channel_is_amended_for_everybody() -> None:
    """Whoever rests on an amended channel sees the amended samples, and there is one sample of it."""
    assert derived([(10, 0, 8.0, 0)], 0) == [(4.0, Why.GOOD)]


def test_an_order_that_cannot_be_is_refused() -> None:
    """An operator before what it rests on, and two that make one channel."""
    with pytest.raises(ValueError, match="c4 cannot be made before or beside c3"):
        Deriving(CHANNELS, [Wired(4, 3, (), Halved()), Wired(3, 0, (1,), Boost())])
    with pytest.raises(ValueError, match="another operator"):
        Deriving(CHANNELS, [Wired(3, 0, (1,), Boost()), Wired(3, 0, (2,), Boost())])


def test_injector_duty_at_the_handbook_point() -> None:
    """An injector open for the whole cycle is at 100 %: 20 ms at 6,000 rpm (two turns last 120,000 / 6,000 ms)."""
    assert InjectorDuty(1.0).formula(20.0, 6_000.0) == 100.0
    assert InjectorDuty(2.0).formula(5.0, 6_000.0) == 50.0
