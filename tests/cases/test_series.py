"""What a channel says, in words, becomes the samples a person would draw: steps, ramps, silence, doubt."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.cases.series import length, read_series, read_time, samples
from pullwatch.channels import PSI_IN_KPA, QUANTITIES, Channel
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import Why
from pullwatch.errors import ExpressionError


def channel(name: str) -> Channel:
    """Return a channel of the catalogue."""
    quantity = QUANTITIES[name]
    return Channel(3, name, quantity.unit, quantity.dimension, quantity.low, quantity.high)


def said(text: str, name: str = "lambda", rate: float = 10.0, end_s: float = 1.0) -> list[tuple[int, float, int]]:
    """Return (ms, value, why) of every sample."""
    one = channel(name)
    made = samples(read_series(text, one), one, rate, int(end_s * NS_PER_S))
    return [(t // NS_PER_MS, v, why) for t, number, v, why in made if number == 3]


def test_a_step_holds_from_its_first_instant_on() -> None:
    """0.80 for 0.2 s, then 0.95 for good."""
    assert said("0.80 for 0.2 s, 0.95", end_s=0.4) == [(0, 0.8, 0), (100, 0.8, 0), (200, 0.95, 0), (300, 0.95, 0)]


def test_a_ramp_goes_evenly_and_then_stands() -> None:
    """From the one to the other; what it reached goes on."""
    ramp = said("100 to 200 in 0.4 s", "manifold_pressure", end_s=0.6)
    assert [value for _, value, _ in ramp] == [100, 125, 150, 175, 200, 200]


def test_nothing_is_no_sample_and_doubted_is_one_in_doubt() -> None:
    """Silence and a sender's own doubt are two things."""
    found = said("0.9 for 0.1 s, nothing for 0.2 s, doubted for 100 ms, 0.8", end_s=0.5)
    assert [(ms, why) for ms, _, why in found] == [(0, 0), (300, int(Why.ERROR)), (400, 0)]
    assert math.isnan(found[1][1])


def test_a_number_nobody_would_believe_is_in_doubt_here_too() -> None:
    """A case is screened as a decoder screens."""
    assert said("9.0", end_s=0.1) == [(0, 9.0, int(Why.IMPLAUSIBLE))]


def test_repetition_and_units() -> None:
    """Brackets repeat; a unit that stands once is meant for both ends of a ramp (NIST SP 811: 1 psi = 6.894757 kPa)."""
    steps = read_series("(100 kPa for 0.1 s, 10 psi to 20 in 0.1 s) 3 times", channel("oil_pressure"))
    assert len(steps) == 6
    assert length(steps) == 600 * NS_PER_MS
    assert steps[1].start == pytest.approx(10 * PSI_IN_KPA)
    (both,) = read_series("10 to 20 psi in 0.1 s", channel("oil_pressure"))
    assert [both.start, both.end] == pytest.approx([10 * PSI_IN_KPA, 20 * PSI_IN_KPA])
    assert read_time("1_000 ms") == NS_PER_S


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "a step is empty"),
        ("0.8,, 0.9", "a step is empty"),
        ("0.8, 0.9 for 1 s", "only the last one may"),
        ("silence for 1 s", '"silence" is no number'),
        ("0.8 for 1 h", '"1 h" is no time'),
        ("0.8 for 0 s", "not above 0"),
        ("0.8 for 2_000 s", "not above 0 and up to 600 s"),
        ("(0.8 for 1 s", "brackets do not match"),
        ("0.8 for 1 s) 2 times", "brackets do not match"),
        ("(0.8) 2 times", "needs a time in every step"),
        ("(0.8 for 1 s) 0 times", "is not between 1 and 10,000"),
        ("(((((0.8 for 1 s) 2 times) 2 times) 2 times) 2 times) 2 times", "nested too deep"),
    ],
)
def test_what_is_wrong_is_said(text: str, words: str) -> None:
    """A wrong series is refused in words."""
    with pytest.raises(ValueError, match=words.replace("(", r"\(")):
        read_series(text, channel("lambda"))


def test_a_wrong_unit_and_a_bare_air_fuel_number_are_refused() -> None:
    """Units are those of the rule language."""
    with pytest.raises(ExpressionError, match="without its scale"):
        read_series("12.5 AFR for 1 s", channel("lambda"))
    with pytest.raises(ExpressionError):
        read_series("3 kPa", channel("lambda"))
    (step,) = read_series("14.7 AFR@14.7", channel("lambda"))
    assert step.start == 1.0


@given(st.text(alphabet="0123456789.,() fortims nhgdubek%", max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing but a ValueError or a wrong unit comes of any text, and what is read makes samples in order."""
    one = channel("lambda")
    try:
        steps = read_series(text, one)
    except (ValueError, ExpressionError):
        return
    times = [t for t, *_ in samples(steps, one, 20.0, NS_PER_S)]
    assert times == sorted(set(times))
