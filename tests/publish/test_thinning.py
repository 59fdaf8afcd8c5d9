"""Thinning keeps every peak, and does not depend on how the samples come."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.channels import Channel, Dimension
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import Why
from pullwatch.publish.thinning import Thinner, intervals

if TYPE_CHECKING:
    from pullwatch.columns import Sample

FAST = Channel(0, "boost", "kPa", Dimension.GAUGE_PRESSURE, digits=1)
SLOW = Channel(1, "oil_temperature", "°C", Dimension.TEMPERATURE, digits=0)
CHANNELS = (FAST, SLOW)
STEP = 100 * NS_PER_MS
EVERY = {0: STEP, 1: 5 * STEP}

samples = st.lists(
    st.tuples(
        st.integers(0, 2_000), st.integers(0, 1), st.floats(-100, 400), st.sampled_from([0, 0, 0, int(Why.OPEN)])
    ),
    max_size=60,
).map(lambda found: sorted((t * NS_PER_MS, n, round(v, 1), why) for t, n, v, why in found))


def thinned(thinner: Thinner, found: list[Sample], cuts: list[int], end: int) -> list[tuple[int, dict[str, Any]]]:
    """Return what comes out when the samples are given in pieces that end at `cuts`."""
    out = []
    for cut in [*sorted(cuts), end]:
        piece = [sample for sample in found if sample[0] <= cut]
        found = found[len(piece) :]
        out += list(thinner.take(piece, cut))
    return out


@given(samples)
def test_no_peak_is_thinned_away(found: list[Sample]) -> None:
    """The greatest and the least of what is sent are the greatest and the least of the good samples."""
    out = thinned(Thinner(CHANNELS, EVERY, STEP), found, [], 3 * NS_PER_S)
    for channel in CHANNELS:
        good = [v for _, number, v, why in found if number == channel.number and not why]
        sent = [values[channel.name] for _, values in out if channel.name in values]
        if good:
            assert max(one["hi"] for one in sent if "hi" in one) == round(max(good), channel.digits + 1)
            assert min(one["lo"] for one in sent if "lo" in one) == round(min(good), channel.digits + 1)
        else:
            assert not any("hi" in one for one in sent)


@settings(max_examples=40)
@given(samples, st.lists(st.integers(0, 2_500).map(lambda ms: ms * NS_PER_MS), max_size=6), st.integers(0, 6))
def test_it_is_the_same_however_the_samples_come(found: list[Sample], cuts: list[int], stop: int) -> None:
    """Any cut into pieces, and a break in which all that is remembered goes through JSON, give the same values.

    Where nothing came, how many empty intervals are told may differ.
    """
    whole = thinned(Thinner(CHANNELS, EVERY, STEP), found, [], 3 * NS_PER_S)
    cuts = sorted(cuts)
    first, rest = cuts[:stop], cuts[stop:]
    thinner = Thinner(CHANNELS, EVERY, STEP)
    out = []
    for cut in first:
        piece = [sample for sample in found if sample[0] <= cut]
        found = found[len(piece) :]
        out += list(thinner.take(piece, cut))
    other = Thinner(CHANNELS, EVERY, STEP)
    other.carry(json.loads(json.dumps(thinner.carried())))
    out += thinned(other, found, rest, 3 * NS_PER_S)
    assert [one for one in out if one[1]] == [one for one in whole if one[1]]
    ends = [end for end, _ in out]
    assert ends == sorted(set(ends))


def test_a_doubted_last_sample_is_no_number() -> None:
    """What is not to be believed is said with its reason, beside what was believed before it in the interval."""
    found: list[Sample] = [(10 * NS_PER_MS, 0, 5.0, 0), (50 * NS_PER_MS, 0, 9.9, int(Why.OPEN))]
    ((end, values),) = Thinner(CHANNELS, EVERY, STEP).take(found, STEP)
    assert end == STEP
    assert values == {"boost": {"age_ms": 50, "why": "the sensor's circuit is open", "lo": 5.0, "hi": 5.0}}


def test_a_night_of_silence_is_not_a_hundred_thousand_messages() -> None:
    """After a suspended machine one interval is told, the last."""
    thinner = Thinner(CHANNELS, EVERY, STEP)
    list(thinner.take([(10 * NS_PER_MS, 0, 5.0, 0)], STEP))
    out = list(thinner.take([], 3600 * NS_PER_S))
    assert out == [(3600 * NS_PER_S, {})]


def test_intervals_are_multiples_of_the_shortest() -> None:
    """So that one message holds every channel that is due."""
    made = intervals(CHANNELS, 2.0, {"boost": 7.0})
    assert made[0] == round(NS_PER_S / 7)
    assert made[1] % made[0] == 0
    assert abs(made[1] - NS_PER_S // 2) <= made[0] // 2
