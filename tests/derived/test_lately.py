"""Whether something was so a moment ago: held through not knowing, whichever way it is asked."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.channels import Channel, Dimension
from pullwatch.columns import Why
from pullwatch.derived import Deriving, Wired
from pullwatch.derived.lately import Lately

from .hold import hold_together, places, traces

if TYPE_CHECKING:
    from pullwatch.columns import Sample

STALE = 100


def make() -> Deriving:
    """Channel 1: whether channel 0 is above 20 (back at 10), or was within the last 50 ns."""
    channels = [
        Channel(number, f"c{number}", "", Dimension.NUMBER, -math.inf, math.inf, stale_after=STALE) for number in (0, 1)
    ]
    return Deriving(channels, [Wired(1, 0, (), Lately(20.0, 10.0, 50, STALE))])


def told(*samples: tuple[int, float | None]) -> list[tuple[int, float | None]]:
    """Return what it says at each sample; None is not known, in and out."""
    given_: list[Sample] = [
        (t, 0, math.nan if v is None else v, int(Why.ERROR) if v is None else 0) for t, v in samples
    ]
    made = hold_together(make, given_, [15, 60])
    return [(t, None if why else v) for t, channel, v, why in made if channel == 1]


@settings(max_examples=60)
@given(traces(1, st.floats(0, 40)), places())
def test_borders_and_ways_mean_nothing(samples: list[Sample], cuts: list[int]) -> None:
    """Few or many, cut anywhere, with checkpoints between: the same to the last bit."""
    hold_together(make, samples, cuts)


def test_it_was_so_for_a_while_after() -> None:
    """Beyond at 10; back at 20; counts until 50 ns after."""
    assert told((10, 25.0), (20, 5.0), (69, 5.0), (71, 5.0)) == [(10, 1.0), (20, 1.0), (69, 1.0), (71, 0.0)]


def test_between_the_limit_and_its_deadband_the_side_is_kept() -> None:
    """15 is no more than before: so after 25, not so after 5."""
    assert told((10, 15.0), (20, 25.0), (30, 15.0), (200, 15.0)) == [(10, 0.0), (20, 1.0), (30, 1.0), (200, 1.0)]


def test_time_in_doubt_does_not_count() -> None:
    """What was so when the sensor was last known is still so, however long it has been in doubt."""
    assert told((10, 25.0), (20, None), (500, None), (600, 5.0)) == [(10, 1.0), (20, 1.0), (500, 1.0), (600, 1.0)]
    assert told((10, 5.0), (20, None), (500, None)) == [(10, 0.0), (20, 0.0), (500, 0.0)]


def test_before_anything_was_known_it_is_not_known() -> None:
    """A sensor that was in doubt from the start says nothing of what was."""
    assert told((10, None), (20, None), (30, 5.0)) == [(10, None), (20, None), (30, 0.0)]
