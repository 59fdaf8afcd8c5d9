"""Guesses: by the words of a name, the unit beside it, and the numbers."""

from __future__ import annotations

import math

import pytest

from pullwatch.channels import QUANTITIES
from pullwatch.finding.guesses import AIR_FUEL, guess


def names(name: str, unit: str = "", least: float = math.nan, most: float = math.nan) -> list[str]:
    """Return the channels that are guessed."""
    return [one.channel for one in guess(name, unit, least, most)]


@pytest.mark.parametrize(
    ("name", "unit", "channel"),
    [
        ("RPM", "", "engine_speed"),
        ("Engine Speed", "rpm", "engine_speed"),
        ("map", "kPa", "manifold_pressure"),
        ("BoostTarget", "kPa", "boost_target"),
        ("oil_press_bar", "", "oil_pressure"),
        ("Oil", "degC", "oil_temperature"),
        ("Oil", "psi", "oil_pressure"),
        ("OilTemp", "", "oil_temperature"),
        ("fuel diff press", "psi", "fuel_differential_pressure"),
        ("coolant", "C", "coolant_temperature"),
        ("IAT", "", "intake_air_temperature"),
        ("TPS", "%", "throttle"),
        ("KnockRetard", "deg", "knock_retard"),
        ("lambda_target", "", "lambda_target"),
        ("wg duty", "%", "wastegate_duty"),
        ("battery", "V", "battery_voltage"),
    ],
)
def test_names_of_the_trade_are_understood(name: str, unit: str, channel: str) -> None:
    """Words and the unit beside them tell one channel."""
    assert names(name, unit) == [channel]


def test_a_unit_that_does_not_fit_is_no_guess() -> None:
    """A manifold pressure in volts is none, nor is an engine speed in kPa."""
    assert names("map", "V") == []
    assert names("rpm", "kPa") == []


def test_what_is_set_is_not_taken_for_what_is_measured() -> None:
    """A limit, a correction or an error of something is not that thing."""
    assert names("lambda correction") == []
    assert names("rpm limit") == []
    assert names("boost error") == []


def test_the_numbers_decide_between_units() -> None:
    """A manifold pressure of 98 to 231 can only be kPa; an oil pressure of 3.9 can be several, and all are offered."""
    (manifold,) = guess("map", "", 98.0, 231.0)
    assert (manifold.units, manifold.clear) == (("kPa",), True)
    (oil,) = guess("oil press", "", 3.9, 3.9)
    assert set(oil.units) >= {"bar", "psi"}
    assert not oil.clear
    assert guess("lambda", "", 12.0, 15.0) == ()


def test_pressures_ask_what_they_are_measured_from() -> None:
    """Gauge or absolute is not told by a name: it is a question, louder where a reading was below 0."""
    (manifold,) = guess("map", "kPa", -40.0, 80.0)
    assert "absolute or gauge" in manifold.question
    assert "below 0" in manifold.question
    assert "gauge or absolute" in guess("boost", "psi", 0.0, 12.0)[0].question


def test_an_air_fuel_number_is_never_clear() -> None:
    """Its scale is a question; where the numbers are those of lambda, which of the two it is as well."""
    (one,) = guess("AFR", "", 11.0, 14.9)
    assert (one.channel, one.question, one.clear) == ("lambda", AIR_FUEL, False)
    (both,) = guess("air/fuel", "", 0.8, 1.0)
    assert both.units[0] == "lambda"
    assert not both.clear


def test_every_guess_is_of_the_catalogue_and_in_a_unit_it_can_have() -> None:
    """No guess names a channel the setup would refuse."""
    for least, most in ((0.8, 0.9), (12.0, 14.0), (98.0, 99.0), (800.0, 6000.0), (85.0, 90.0)):
        for one in guess("", "", least, most):
            assert one.channel in QUANTITIES
            assert one.units


def test_no_numbers_and_no_name_is_no_guess() -> None:
    """Nothing is made of nothing."""
    assert guess("", "", math.nan, math.nan) == ()
    assert guess("spare", "", 1.0, 2.0) == ()
