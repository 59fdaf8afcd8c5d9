"""Channels: units against published factors, air-fuel numbers, delay windows, and how values are written."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.channels import (
    CHANNEL_NAME,
    DEFAULT_AIR_FUEL_SCALE,
    FASTEST_RPM,
    QUANTITIES,
    SLOWEST_RPM,
    UNITS,
    Channel,
    Delay,
    Dimension,
    bring,
    delay_window,
    longest_window,
    suits,
    unit_named,
)
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import UnitError


def brought(number: float, word: str) -> float:
    """Return a number in the stored unit."""
    return bring(number, unit_named(word))


# Units


@pytest.mark.parametrize(
    ("found", "published"),
    [
        (brought(1, "psi"), 6.894757),  # psi in kPa
        (brought(1, "bar") / brought(1, "psi"), 14.503774),  # bar in psi
        (brought(1, "mph") / brought(1, "m/s"), 0.44704),  # mph in m/s
        (101.325 / brought(1, "psia"), 14.695949),  # standard atmosphere in psi
    ],
)
def test_factors_are_those_of_nist(found: float, published: float) -> None:
    """Source: NIST SP 811 conversion factors (computed; pint 0.25.3 agrees)."""
    assert found == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize(
    ("number", "word", "stored"),
    [
        (1.0, "bar", 100.0),  # SI brochure, 9th edition, table 8 note: 1 bar = 100 kPa
        (1013.25, "hPa", 101.325),
        (1013.25, "mbar", 101.325),
        (2.5, "barg", 250.0),
        (2.5, "bara", 250.0),
        (1.0, "m/s", 3.6),
        (100.0, "mph", 160.9344),  # 1 mile = 1.609344 km exactly
        (0.5, "s", 500.0),
        (250.0, "us", 0.25),
        (1500.0, "mV", 1.5),
        (9.80665, "m/s2", 1.0),  # standard gravity, 3rd CGPM (1901)
        (20.0, "psig", 137.9),  # 20 psi = 137.9 kPa: a minimum hot oil pressure (common practice, no single source)
    ],
)
def test_numbers_are_brought_to_the_stored_unit(number: float, word: str, stored: float) -> None:
    """Definitions of the units."""
    assert brought(number, word) == pytest.approx(stored, abs=0.005 if word == "psig" else 1e-9)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(-40.0, -40.0), (32.0, 0.0), (212.0, 100.0), (-459.67, -273.15)])
@pytest.mark.parametrize("word", ["°F", "degF", "F"])
def test_fahrenheit(word: str, fahrenheit: float, celsius: float) -> None:
    """The fixed points of the scale, below zero too (NIST SP 811: t/°C = (t/°F − 32)/1.8)."""
    assert brought(fahrenheit, word) == pytest.approx(celsius, abs=1e-9)


def test_a_difference_of_temperatures_has_no_fahrenheit() -> None:
    """°F has an offset, so it can only say where, not how far; K can only say how far."""
    assert not suits(unit_named("°F"), Dimension.TEMPERATURE_DIFFERENCE)
    assert suits(unit_named("K"), Dimension.TEMPERATURE_DIFFERENCE)
    assert not suits(unit_named("K"), Dimension.TEMPERATURE)


def test_psi_and_bar_alone_are_not_absolute() -> None:
    """A manifold limit typed in psi could be 14.7 psi wrong; kPa is what the channel itself is in."""
    for word in ("psi", "bar", "psig", "barg", "kPag"):
        assert not suits(unit_named(word), Dimension.ABSOLUTE_PRESSURE), word
    for word in ("psia", "bara", "kPaa", "kPa"):
        assert suits(unit_named(word), Dimension.ABSOLUTE_PRESSURE), word
    for word in ("psia", "bara", "kPaa"):
        assert not suits(unit_named(word), Dimension.GAUGE_PRESSURE), word


def test_every_unit_is_found_by_its_word() -> None:
    """And says what it measures and what it is stored in."""
    stored = {quantity.unit for quantity in QUANTITIES.values()}
    for word, unit in UNITS.items():
        assert unit_named(word) is unit
        assert unit.dimensions
        assert unit.stored in stored


def test_an_unknown_unit_is_refused_with_the_nearest() -> None:
    """The column is the one that was given."""
    with pytest.raises(UnitError, match=r'"kpa" is not known \(did you mean "kPa"\?\)') as caught:
        unit_named("kpa", "boost > 150 kpa", 13)
    assert caught.value.column == 13


# Lambda


@pytest.mark.parametrize(
    ("number", "scale", "value"),
    [(12.5, "14.7", 0.85034), (13.2, "14.7", 0.89796), (8.0, "9.0", 0.88889), (14.7, "14.7", 1.0)],
)
def test_an_air_fuel_number_is_lambda_times_its_scale(number: float, scale: str, value: float) -> None:
    """Lambda = AF / AF stoichiometric (definition; figures computed)."""
    assert brought(number, f"AFR@{scale}") == pytest.approx(value, abs=1e-5)


def test_an_air_fuel_number_is_divided_not_multiplied_by_a_reciprocal() -> None:
    """So that 12.5 AFR@14.7 is the same float64 wherever it is worked out."""
    assert brought(12.5, "AFR@14.7") == 12.5 / 14.7


@pytest.mark.parametrize(
    ("fuel", "ratio"),
    [
        ("iso-octane", 15.13),  # J. B. Heywood, Internal Combustion Engine Fundamentals, table D.4, from memory;
        ("ethanol", 9.0),  # cantera 3.2.0 agrees within 0.08
        ("n-heptane", 15.18),
        ("toluene", 13.5),
        ("gasoline CH1.87", 14.6),
        ("E50", 11.768),  # mass-weighted blending of 9.0 and 14.7 (text seen)
        ("E85", 9.814),
    ],
)
def test_every_fuel_at_its_own_scale_is_lambda_one(fuel: str, ratio: float) -> None:
    """The stoichiometric ratio of any fuel in use is accepted as a scale and gives lambda 1."""
    assert brought(ratio, f"AFR@{ratio}") == 1.0, fuel


def test_the_scale_that_gauges_show() -> None:
    """14.7 whatever the fuel (convention, text seen), and 12.5 on it is lambda 0.85; both common practice."""
    assert DEFAULT_AIR_FUEL_SCALE == 14.7
    assert brought(12.5, f"AFR@{DEFAULT_AIR_FUEL_SCALE}") == pytest.approx(0.85, abs=0.001)


@pytest.mark.parametrize("word", ["AFR", "afr", "Afr"])
def test_a_bare_air_fuel_number_is_refused_with_what_it_could_mean(word: str) -> None:
    """12.0 is 0.816 on 14.7, 0.852 on the true ratio of E10, 1.22 on that of E85 (arithmetic on 14.08 and 9.81)."""
    with pytest.raises(UnitError, match=r"12 AFR@14\.7 .*0\.816 on 14\.7, 0\.852 .*E10, 1\.22 .*E85"):
        unit_named(word)
    with pytest.raises(UnitError) as caught:
        unit_named(word, f"lambda > 12 {word}", 13)
    assert (caught.value.text, caught.value.column) == (f"lambda > 12 {word}", 13)


@pytest.mark.parametrize("word", ["AFR@4.9", "AFR@0", "AFR@147", "AFR@20.1"])
def test_a_scale_of_no_fuel_is_refused(word: str) -> None:
    """Between 5 and 20; a slipped decimal point is caught."""
    with pytest.raises(UnitError, match="is not between 5 and 20"):
        unit_named(word)


@given(word=st.text(max_size=12))
def test_any_word_is_a_unit_or_a_unit_error(word: str) -> None:
    """Nothing else comes out, whatever is typed."""
    try:
        unit = unit_named(word)
    except UnitError:
        return
    assert math.isfinite(bring(1.0, unit))


# Delays


@pytest.mark.parametrize(("rpm", "middle"), [(6000, 15.0), (2500, 36.0), (900, 100.0)])
def test_the_middle_of_the_cycle_is_one_and_a_half_turns(rpm: float, middle: float) -> None:
    """540 degrees from injection to exhaust valve; kinematics: degrees / (6 × rpm) s (computed, common practice)."""
    least, most = delay_window(Delay(per_cycle=True), rpm)
    assert (least + most) / 2 / NS_PER_MS == pytest.approx(middle, abs=0.01)
    assert (middle - least / NS_PER_MS) == pytest.approx(middle / 3, abs=0.01)


def test_a_fixed_delay_does_not_follow_the_engine() -> None:
    """Whatever the speed, known or not."""
    delay = Delay(60, 180)
    assert {delay_window(delay, rpm) for rpm in (None, 0.0, 900.0, 1e9)} == {(60, 180)}
    assert longest_window(delay) == 180


def test_the_cycle_is_added_to_the_fixed_part() -> None:
    """At 6,000 rpm: 10 ms to the least, 20 ms to the most, and 1 ns so that rounding never shortens the window."""
    assert delay_window(Delay(5, 7, per_cycle=True), 6000.0) == (10_000_005, 20_000_008)


@given(rpm=st.floats(-1e3, FASTEST_RPM), least=st.integers(0, 10**9), more=st.integers(0, 10**9))
def test_an_unknown_speed_gives_the_widest_window(rpm: float, least: int, more: int) -> None:
    """No speed up to FASTEST_RPM looks outside of it, and none looks further back than the ring is told to reach."""
    delay = Delay(least, least + more, per_cycle=True)
    known, unknown = delay_window(delay, rpm), delay_window(delay, None)
    assert unknown[0] <= known[0] <= known[1] <= unknown[1] == longest_window(delay)


@given(rpm=st.floats(SLOWEST_RPM, 20_000.0))
def test_a_window_holds_one_to_two_turns(rpm: float) -> None:
    """Never shorter than the exact interval [60/N, 120/N] s."""
    least, most = delay_window(Delay(per_cycle=True), rpm)
    assert least <= 60e9 / rpm
    assert most >= 120e9 / rpm


def test_what_counts_as_no_delay() -> None:
    """A time constant alone is none: the reading is of now, only slow."""
    assert Delay().is_none
    assert Delay(time_constant=5).is_none
    assert not Delay(0, 1).is_none
    assert not Delay(per_cycle=True).is_none


# Catalogue and writing


def test_the_catalogue_is_consistent() -> None:
    """Names that the rule language can read, ranges that are ranges, and pressures that say from where."""
    for name, quantity in QUANTITIES.items():
        assert CHANNEL_NAME.fullmatch(name), name
        assert quantity.low < quantity.high, name
        if quantity.unit == "kPa":
            assert quantity.says, name
        if quantity.unit:
            assert suits(unit_named(quantity.unit), quantity.dimension), name


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("manifold_pressure", 182.44, "182.4 kPa absolute"),
        ("boost", 81.0, "81.0 kPa gauge"),
        ("lambda", 0.8534, "lambda 0.853"),
        ("throttle", 100.0, "100%"),
        ("coolant_temperature", -5.0, "-5°C"),
        ("engine_speed", 6000.0, "6000 rpm"),
        ("gear", 3.0, "3"),
        ("fuel_differential_pressure", 300.0, "300 kPa across the injector"),
        ("ignition_advance", -4.5, "-4.5 deg"),
        ("oil_pressure", math.nan, "not known"),
    ],
)
def test_values_are_written_with_their_unit(name: str, value: float, text: str) -> None:
    """Pressures say what they are measured from."""
    quantity = QUANTITIES[name]
    one = Channel(0, name, quantity.unit, quantity.dimension, digits=quantity.digits, says=quantity.says)
    assert one.format(value) == text


def test_the_way_to_the_sensor_is_longer_the_slower_the_engine_turns() -> None:
    """Twice the speed halves it; it is added to the fixed part and the cycle, and follows speed without a cycle too."""
    way = Delay(5, 7, transport_least=6_000, transport_most=60_000)
    assert delay_window(way, 1_000.0) == (5 + 6, 7 + 60 + 1)
    assert delay_window(way, 2_000.0) == (5 + 3, 7 + 30 + 1)
    assert not Delay(transport_most=1).is_none
    both = Delay(0, 0, per_cycle=True, transport_least=6_000, transport_most=60_000)
    assert delay_window(both, 6_000.0) == (10_000_001, 20_000_011)
