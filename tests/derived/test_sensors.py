"""Volts and ohms become what they measure, as published; a broken circuit is a fault; the same on every machine."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thermocouple_its90 import TypeK as Published

from pullwatch.channels import Channel, Dimension
from pullwatch.columns import Why
from pullwatch.derived import Deriving, Operator, Wired
from pullwatch.derived.sensor_tables import (
    Table,
    Thermistor,
    by_beta,
    by_points,
    steinhart_hart,
    thermistor_by_ohms,
    thermistor_by_share,
    type_k,
    type_k_tables,
)
from pullwatch.derived.sensors import Direct, ShareOfSupply, TypeK, Window

from .hold import hold_together, places, traces
from .table_bits import fingerprint

if TYPE_CHECKING:
    from collections.abc import Callable

    from pullwatch.columns import Sample

CHANNELS = [Channel(number, f"c{number}", "", Dimension.NUMBER, stale_after=100) for number in range(4)]

COMMON = (0.001129148, 0.000234125, 8.76741e-08)
"""A, B and C of a common 10 kΩ module (text seen)."""
BOLT = ((-10.0, 9397.0), (40.0, 1175.0), (100.0, 186.6))
"""°C and ohms of a sensor with 2.5 kΩ at 20 °C (from memory)."""
WHOLE = Window.pulled(0.25, 4.75, up=False)


def said(operator: Operator, value: float, *others: float) -> tuple[float | None, Why]:
    """Return what an operator says of a good value, None for no number."""
    made = operator.one(0, value, 0, others)
    assert made is not None
    return (None if math.isnan(made[0]) else made[0]), Why(made[1])


# --- transducers -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("volts", "full_scale", "wanted"), [(4.5, 100, 100.0), (1.3, 150, 30.0), (3.1, 10, 6.5)])
def test_a_transducer_reads_as_its_transfer_function(volts: float, full_scale: float, wanted: float) -> None:
    """P = full scale × (V − 0.5) / 4.0: the 0.5 to 4.5 V transfer function (common practice; figures computed)."""
    value, why = said(Direct(Table((0.5, 4.5), (0.0, full_scale)), WHOLE, line=True), volts)
    assert value == pytest.approx(wanted, abs=1e-6)
    assert why is Why.GOOD


def test_a_ratiometric_transducer_follows_its_supply() -> None:
    """2.45 V of 4.90 V is half of full scale; taken for 5 V it is 48.75 % (common practice; figures computed)."""
    line = Table((0.1, 0.9), (0.0, 100.0))
    window = Window.pulled(0.05, 0.95, up=False)
    measured = ShareOfSupply(line, window, line=True)
    assert said(measured, 2.45, 4.9)[0] == pytest.approx(50.0, abs=1e-6)
    assert said(ShareOfSupply(line, window, supply=5.0, line=True), 2.45)[0] == pytest.approx(48.75, abs=1e-6)
    for unknown in (math.nan, 0.0, -0.0, -4.9):
        assert said(measured, 2.45, unknown) == (None, Why.SOURCE)


def test_a_broken_circuit_is_a_fault_and_which() -> None:
    """0.1 and 4.95 V are faults, 0.3 and 4.7 V not (common practice, from memory); where it is pulled it is open."""
    line = Table((0.5, 4.5), (0.0, 100.0))
    for up, low, high in ((False, Why.OPEN, Why.SHORT), (True, Why.SHORT, Why.OPEN)):
        sensor = Direct(line, Window.pulled(0.25, 4.75, up=up), line=True)
        whys = [said(sensor, volts)[1] for volts in (0.1, 0.3, 0.5, 4.5, 4.7, 4.95)]
        assert whys == [low, Why.GOOD, Why.GOOD, Why.GOOD, Why.GOOD, high]
        assert said(sensor, 0.1)[0] is None
        assert said(sensor, 4.95)[0] is None
        assert said(sensor, 0.25)[1] is said(sensor, 4.75)[1] is Why.GOOD


def test_a_table_is_never_drawn_on_beyond_its_ends() -> None:
    """Between the points a straight line, at the ends their values, beyond them no number."""
    sensor = Direct(Table((1.0, 2.0, 4.0), (10.0, 30.0, 40.0)), WHOLE)
    readings = [said(sensor, volts) for volts in (1.0, 1.25, 2.0, 3.0, 4.0)]
    assert readings == [(value, Why.GOOD) for value in (10.0, 15.0, 30.0, 35.0, 40.0)]
    assert said(sensor, 0.9) == said(sensor, 4.1) == (None, Why.IMPLAUSIBLE)
    assert (said(sensor, 0.2)[1], said(sensor, 4.9)[1]) == (Why.OPEN, Why.SHORT)


def test_a_table_that_does_not_rise_is_none() -> None:
    """One point, two at one place, and one that comes back are refused."""
    for x in ((1.0,), (1.0, 1.0), (1.0, 3.0, 2.0)):
        with pytest.raises(ValueError, match="two points or more"):
            Table(x, tuple(1.0 for _ in x))


# --- thermistors -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ohms", "wanted"), [(10_000, 24.9997), (3_000, 54.8656), (30_000, 1.667)])
def test_a_thermistor_reads_as_steinhart_and_hart_published(ohms: float, wanted: float) -> None:
    """Three figures of 1/T = A + B ln R + C (ln R)³ (Steinhart & Hart 1968; text seen), within 0.005 °C."""
    table = thermistor_by_ohms(steinhart_hart(*COMMON))
    value, why = said(Direct(table, Window(table.x[0], table.x[-1])), ohms)
    assert value == pytest.approx(wanted, abs=0.005)
    assert why is Why.GOOD


def equation(thermistor: Thermistor, ohms: float) -> float:
    """Return °C by the published equation, in the machine's own logarithm."""
    a, b, c = (float(coefficient) for coefficient in thermistor)
    return 1 / (a + b * math.log(ohms) + c * math.log(ohms) ** 3) - 273.15


@pytest.mark.parametrize(
    "thermistor",
    [steinhart_hart(*COMMON), by_points(BOLT), by_beta(10_000, 3_435), by_beta(100, 2_500), by_beta(100_000, 4_600)],
    ids=["coefficients", "points", "beta", "small", "large"],
)
def test_a_thermistors_table_keeps_to_the_equation(thermistor: Thermistor) -> None:
    """Between any two points of a table, by ohms or by divider, it is within 0.01 °C (Ohm's law)."""

    def at_supply(pull: float) -> Callable[[float], float]:
        return lambda share: pull * share / (1 - share)

    def at_ground(pull: float) -> Callable[[float], float]:
        return lambda share: pull * (1 - share) / share

    tables: list[tuple[Table, Callable[[float], float]]] = [(thermistor_by_ohms(thermistor), lambda ohms: ohms)]
    for pull in (100.0, 1_000.0, 2_490.0, 47_000.0):
        tables.append((thermistor_by_share(thermistor, pull, up=True), at_supply(pull)))
        tables.append((thermistor_by_share(thermistor, pull, up=False), at_ground(pull)))
    for table, ohms_of in tables:
        assert min(table.y[0], table.y[-1]) < -55
        assert max(table.y[0], table.y[-1]) > 245
        for left, right in zip(table.x, table.x[1:], strict=False):
            for part in (0.0, 0.25, 0.5, 0.75):
                x = left + part * (right - left)
                assert abs(table.one(x) - equation(thermistor, ohms_of(x))) < 0.01


def test_three_points_give_back_the_coefficients_they_were_made_with() -> None:
    """Solving for A, B and C is the equation turned round (computed), and the points need no order."""
    by_hand = [(equation(steinhart_hart(*COMMON), ohms), ohms) for ohms in (30_000.0, 500.0, 5_000.0)]
    assert [float(found) for found in by_points(by_hand)] == pytest.approx(COMMON, rel=1e-9)


def test_three_points_are_met() -> None:
    """The table passes through what was written."""
    table = thermistor_by_ohms(by_points(BOLT))
    for celsius, ohms in BOLT:
        assert table.one(ohms) == pytest.approx(celsius, abs=0.005)


def test_beta_is_the_equation_without_its_cube() -> None:
    """At 25 °C R25, and at T: R25 exp(beta (1/T − 1/298.15)) (definition of beta, computed)."""
    table = thermistor_by_ohms(by_beta(2_252, 3_900))
    for celsius in (-40.0, 0.0, 25.0, 80.0, 150.0):
        ohms = 2_252 * math.exp(3_900 * (1 / (celsius + 273.15) - 1 / 298.15))
        assert table.one(ohms) == pytest.approx(celsius, abs=0.005)


@pytest.mark.parametrize(
    ("ohms", "pull", "volts"), [(2_500, 1_000, 3.57143), (186.6, 1_000, 0.78628), (10_000, 2_490, 4.0032)]
)
def test_a_divider_is_ohms_law(ohms: float, pull: float, volts: float) -> None:
    """V = Vs R / (R + Rp) on 5 V (computed): the temperature at those volts is that at those ohms."""
    thermistor = steinhart_hart(*COMMON)
    divided = ShareOfSupply(thermistor_by_share(thermistor, pull, up=True), Window(0.01, 0.99))
    value, why = said(divided, volts, 5.0)
    assert value == pytest.approx(thermistor_by_ohms(thermistor).one(ohms), abs=0.01)
    assert why is Why.GOOD
    turned = ShareOfSupply(thermistor_by_share(thermistor, pull, up=False), Window(0.01, 0.99), supply=5.0)
    assert said(turned, 5.0 - volts)[0] == pytest.approx(thermistor_by_ohms(thermistor).one(ohms), abs=0.01)


def test_an_open_and_a_shorted_thermistor_are_no_temperatures() -> None:
    """From 99 % of the supply on it is open, up to 1 % shorted (common practice); beyond the table, implausible."""
    table = thermistor_by_share(by_points(BOLT), 1_000, up=True)
    sensor = ShareOfSupply(table, Window.pulled(0.01, 0.99, up=True), supply=5.0)
    assert said(sensor, 4.96) == (None, Why.OPEN)
    assert said(sensor, 0.04) == (None, Why.SHORT)
    assert said(sensor, 0.0505) == (None, Why.IMPLAUSIBLE)
    assert said(sensor, 2.5)[1] is Why.GOOD


@pytest.mark.parametrize(
    "points",
    [
        ((0.0, 1_000.0), (0.0, 500.0), (50.0, 100.0)),
        ((0.0, 1_000.0), (25.0, 1_000.0), (50.0, 100.0)),
        ((0.0, 100.0), (25.0, 500.0), (50.0, 1_000.0)),
        ((0.0, 1_000.0), (25.0, 100.0), (50.0, 0.0)),
        ((-300.0, 1_000.0), (25.0, 100.0), (50.0, 10.0)),
    ],
    ids=["one temperature twice", "one resistance twice", "rising", "no ohms", "below absolute zero"],
)
def test_points_of_no_thermistor_are_refused(points: tuple[tuple[float, float], ...]) -> None:
    """What is not of one falling curve is said."""
    with pytest.raises(ValueError, match="the hotter must have the fewer ohms"):
        by_points(points)


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.tuples(*[st.floats(allow_nan=False, allow_infinity=False)] * 3),
        st.tuples(st.floats(5e-4, 2e-3), st.floats(5e-5, 5e-4), st.floats(-2e-6, 1e-6)),
    )
)
def test_coefficients_of_no_thermistor_are_refused_in_words(coefficients: tuple[float, float, float]) -> None:
    """Any three numbers give a falling table, or are refused."""
    try:
        table = thermistor_by_ohms(steinhart_hart(*coefficients))
    except ValueError as error:
        assert "no thermistor" in str(error)  # noqa: PT017 - most numbers are refused, and some are not
    else:
        assert list(table.y) == sorted(table.y, reverse=True)


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.lists(st.tuples(st.floats(-400, 400), st.floats(-10, 1e6)), min_size=3, max_size=3),
        st.tuples(st.floats(2e3, 9e3), st.floats(800, 1_900), st.floats(50, 500)).map(
            lambda ohms: list(zip((0.0, 40.0, 90.0), ohms, strict=True))
        ),
    )
)
def test_any_three_points_are_solved_or_refused_in_words(points: list[tuple[float, float]]) -> None:
    """No three points bring anything but a table or a ValueError about."""
    try:
        table = thermistor_by_ohms(by_points(points))
    except ValueError as error:
        assert str(error).endswith(".")  # noqa: PT017 - some are refused, and some are not
    else:
        assert list(table.y) == sorted(table.y, reverse=True)


# --- thermocouples ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("celsius", "millivolts"),
    [
        (25, 1.000), (100, 4.096), (200, 8.138), (400, 16.397), (700, 29.129), (800, 33.275), (900, 37.326),
        (950, 39.314), (1200, 48.838), (-20, -0.778),
    ],
)  # fmt: skip
def test_type_k_is_the_published_reference_function(celsius: int, millivolts: float) -> None:
    """Figures of NIST Monograph 175 (1993), SRD 60, junction at 0 °C (from memory; the last computed), to 0.001 mV."""
    assert float(type_k(celsius)) == pytest.approx(millivolts, abs=0.001)
    assert type_k_tables()[0].one(celsius) == pytest.approx(millivolts, abs=0.001)


@pytest.mark.parametrize(
    ("millivolts", "cold", "celsius"),
    [
        (4.096, 0.0, 99.994), (12.209, 0.0, 300.01), (33.275, 0.0, 799.991), (41.276, 0.0, 1000.01),
        (20.0, 25.0, 508.349), (33.0, 40.0, 832.723), (0.0, 30.0, 30.0),
    ],
)  # fmt: skip
def test_type_k_is_turned_round_with_its_cold_junction(millivolts: float, cold: float, celsius: float) -> None:
    """T = E⁻¹(mV + E(cold)), NIST Monograph 175 (computed with thermocouple-its90 1.0.2); bare mV + cold is wrong."""
    rails = Window(-1.0, 5.0)
    for sensor, others in (
        (TypeK(1.0, 0.0, rails), (cold,)),
        (TypeK(1.0, 0.0, rails, cold_junction=cold), ()),
    ):
        assert said(sensor, millivolts / 1000, *others)[0] == pytest.approx(celsius, abs=0.01)
    amplified = TypeK(101.0, 0.5, rails, cold_junction=cold)
    assert said(amplified, 0.5 + millivolts / 1000 * 101)[0] == pytest.approx(celsius, abs=0.01)


def test_type_k_agrees_with_a_reference_library_over_its_whole_range() -> None:
    """Both ways, -200 to 1,372 °C in steps of 0.1 °C: thermocouple-its90 1.0.2, within 0.0001 mV and 0.002 °C."""
    forward, inverse = type_k_tables()
    for tenth in range(-2000, 13_721):
        celsius = tenth / 10
        millivolts = Published.emf(celsius)
        assert abs(forward.one(celsius) - millivolts) < 1e-4
        assert abs(inverse.one(millivolts) - celsius) < 0.002


def test_an_open_thermocouple_and_one_beyond_its_range_are_no_temperatures() -> None:
    """At either rail it is open; beyond type K, implausible; with a cold junction not known, not known."""
    sensor = TypeK(50.0, 1.25, Window(0.05, 4.95))
    assert said(sensor, 1.25, 20.0)[0] == pytest.approx(20.0, abs=0.01)
    assert said(sensor, 0.04, 20.0) == said(sensor, 4.96, 20.0) == (None, Why.OPEN)
    assert said(sensor, 4.94, 20.0) == said(sensor, 0.1, 20.0) == (None, Why.IMPLAUSIBLE)
    assert said(sensor, 1.25, math.nan) == said(sensor, 1.25, -274.0) == (None, Why.SOURCE)


# --- whatever comes, the same either way, and everywhere -------------------------------------------------------------

MAKES: dict[str, Callable[[], tuple[Operator, int]]] = {
    "line": lambda: (Direct(Table((0.5, 4.5), (-30.0, 1e3)), WHOLE, line=True), 0),
    "steep": lambda: (Direct(Table((0.5, 0.5000000000000001), (-1e308, 1e308)), WHOLE, line=True), 0),
    "share": lambda: (ShareOfSupply(Table((0.1, 0.9), (1.0, 7.0)), Window.pulled(0.05, 0.95, up=True), line=True), 1),
    "stated": lambda: (ShareOfSupply(Table((0.1, 0.9), (1.0, 7.0)), WHOLE, supply=5.0, line=True), 0),
    "table": lambda: (Direct(Table((0.3, 1.1, 4.0), (9.0, 5.0, -3.7)), WHOLE), 0),
    "thermistor": lambda: (ShareOfSupply(thermistor_by_share(by_points(BOLT), 1e3, up=True), Window(0.01, 0.99)), 1),
    "thermocouple": lambda: (TypeK(122.4, 1.25, Window(0.05, 4.95)), 1),
    "tiny gain": lambda: (TypeK(5e-324, 1e308, Window(-1e308, 1e308), cold_junction=25.0), 0),
}
ODD = [0.0, -0.0, 0.25, 4.75, 1e308, -1e308, 5e-324, math.inf, -math.inf, math.nan, 0.1, 0.9]


@pytest.mark.parametrize("name", MAKES)
@settings(max_examples=40, deadline=None)
@given(samples=traces(2, st.one_of(st.floats(-1, 6), st.sampled_from(ODD), st.floats())), cuts=places())
def test_few_and_many_say_the_same_of_any_number(name: str, samples: list[Sample], cuts: list[int]) -> None:
    """Whatever the numbers, cut anywhere: no raise, the same to the last bit, and no number that is not finite."""
    operator, others = MAKES[name]()

    def make() -> Deriving:
        return Deriving(CHANNELS, [Wired(3, 0, (1,) * others, operator)])

    for _, channel, v, why in hold_together(make, samples, cuts):
        assert channel != 3 or why or math.isfinite(v)


@settings(max_examples=200)
@given(st.floats(0.06, 4.94), st.floats(0.06, 4.94))
def test_a_warmer_thermocouple_never_reads_colder(low: float, high: float) -> None:
    """More volts are more degrees."""
    sensor = TypeK(100.0, 0.5, Window(0.05, 4.95), cold_junction=25.0)
    low, high = sorted((low, high))
    colder, warmer = said(sensor, low)[0], said(sensor, high)[0]
    assert colder is not None
    assert warmer is not None
    assert colder <= warmer + 1e-9


def test_tables_are_these_very_bits_on_every_machine() -> None:
    """A recording holds what a table is made from, not the table: a change of one bit would judge old ones anew."""
    assert fingerprint() == "4ff95d6c01350becdfee054c60f3c921ac501a1ee019edae01c952462bda42d0"


def test_tables_are_the_same_by_another_decimal_arithmetic() -> None:
    """The decimal arithmetic in pure Python, which shares no code with the usual one, gives the same bits."""
    program = (
        "import sys; sys.modules['_decimal'] = None; import decimal, runpy; "
        "assert 'prec' in decimal.getcontext().__dict__, 'not the one in pure Python'; "
        f"runpy.run_path({str(Path(__file__).with_name('table_bits.py'))!r}, run_name='__main__')"
    )
    found = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=120)
    assert found.stdout.strip() == fingerprint()
