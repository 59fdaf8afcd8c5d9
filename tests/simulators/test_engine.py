"""The formulas of the engine against published or computed figures."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from pullwatch_sim import engine
from pullwatch_sim.engine import LAMBDA_TARGET, Table


def test_speed_density_airflow() -> None:
    """2.0 l at 900 rpm, 35 kPa, 30 °C and VE 0.8 draw 4.826 g/s.

    Heywood eq. 2.27 rearranged; computed, agrees with the density of CoolProp 8.0.0.
    """
    assert engine.airflow(0.8, 35.0, 2.0, 900.0, 303.15) * 1_000 == pytest.approx(4.826, abs=0.05)


@pytest.mark.parametrize(
    ("flow", "from_kpa", "to_kpa", "expected"),
    [(440.0, 300.0, 400.0, 508.068), (1_000.0, 43.5, 58.0, 1_154.701)],
)
def test_injector_flow_goes_with_the_root_of_the_pressure(
    flow: float, from_kpa: float, to_kpa: float, expected: float
) -> None:
    """Q2 = Q1·sqrt(dp2/dp1) (Bernoulli, ISO 5167 form; computed)."""
    assert engine.flow_at_pressure(flow, from_kpa, to_kpa) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("pulse_ms", "rpm", "expected"), [(10.0, 6_000.0, 50.0), (17.1428571, 7_000.0, 100.0)])
def test_injector_duty(pulse_ms: float, rpm: float, expected: float) -> None:
    """One injection in two turns: duty is PW·N/1200 (a four-stroke cycle takes 120,000/N ms; computed)."""
    assert engine.injector_duty(pulse_ms, rpm) == pytest.approx(expected, abs=0.001)
    assert engine.injector_duty(pulse_ms, rpm, 2) == pytest.approx(2 * expected, abs=0.001)


@pytest.mark.parametrize(
    ("celsius", "ratio", "efficiency", "expected"), [(25.0, 2.0, 0.7, 118.28), (20.0, 1.5, 0.65, 75.39)]
)
def test_compressor_outlet_temperature(celsius: float, ratio: float, efficiency: float, expected: float) -> None:
    """Isentropic compressor efficiency (Heywood eq. 6.42, for air; computed, CoolProp 8.0.0 real air agrees)."""
    out = engine.compressor_out(celsius + 273.15, ratio, efficiency) - 273.15
    assert out == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("litres", "grams", "celsius", "kpa", "expected_ms"),
    [(1.5, 229.017, 900.0, 110.0, 2.14), (1.5, 5.159, 500.0, 101.3, 132.72), (3.0, 64.8, 800.0, 105.0, 15.78)],
)
def test_exhaust_transport(litres: float, grams: float, celsius: float, kpa: float, expected_ms: float) -> None:
    """V·p/(ṁRT) is the time of plug flow to the sensor (ideal gas; computed)."""
    delay = engine.transport_delay(litres, kpa, grams / 1_000, celsius + 273.15)
    assert delay * 1_000 == pytest.approx(expected_ms, abs=0.05)


@pytest.mark.parametrize(("rpm", "expected_ms"), [(6_000.0, 15.0), (2_500.0, 36.0), (900.0, 100.0)])
def test_cycle_delay(rpm: float, expected_ms: float) -> None:
    """From injection to the exhaust valve are about 1.5 turns, 540 degrees (kinematics; computed)."""
    assert engine.cycle_delay(rpm) * 1_000 == pytest.approx(expected_ms, abs=0.01)


@pytest.mark.parametrize(("duty", "boost"), [(0.25, 75.9), (0.35, 89.4), (0.40, 98.2), (0.45, 108.9)])
def test_boost_at_duty(duty: float, boost: float) -> None:
    """B = S/(1 - kd) with S 55 kPa and k 1.10 (a balance of forces; the figures are this project's own, computed)."""
    assert engine.boost_at_duty(duty) == pytest.approx(boost, abs=0.06)


def test_pressure_and_lambda() -> None:
    """A tenth less pressure makes lambda 5.4 % leaner: λ₂/λ₁ = sqrt(Δp₁/Δp₂) (Bernoulli; computed)."""
    ratio = 1.0 / engine.flow_at_pressure(1.0, 300.0, 270.0)
    assert ratio == pytest.approx(math.sqrt(1 / 0.9), abs=1e-12)
    assert ratio == pytest.approx(1.054, abs=0.0005)


def test_viscosity_goes_through_its_two_points() -> None:
    """The Walther line (ASTM D341, from memory) meets the oil's two given points and falls steeply when cold."""
    assert engine.viscosity(40.0) == pytest.approx(85.0, rel=1e-9)
    assert engine.viscosity(100.0) == pytest.approx(14.0, rel=1e-9)
    # log10(log10(viscosity + 0.7)) is a straight line over log10 of absolute temperature.
    points = [(math.log10(t + 273.15), math.log10(math.log10(engine.viscosity(t) + 0.7))) for t in (0.0, 50.0, 130.0)]
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(points)]
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-9)
    assert engine.viscosity(0.0) > 500.0


def test_oil_pressure_hot_idle_and_relief() -> None:
    """Hot oil gives about 150 kPa at idle, the relief holds 450-500 kPa, cold oil gives more (common practice)."""
    assert engine.settled_oil_pressure(900.0, 95.0) == pytest.approx(150.0, abs=10.0)
    assert 450.0 <= engine.settled_oil_pressure(5_000.0, 95.0) <= 500.0
    assert 450.0 <= engine.settled_oil_pressure(7_000.0, 80.0) <= 500.0
    assert engine.settled_oil_pressure(900.0, 60.0) > 1.5 * engine.settled_oil_pressure(900.0, 95.0)
    assert engine.settled_oil_pressure(0.0, 95.0) == 0.0


def test_commanded_lambda_is_richer_with_pressure() -> None:
    """The commanded mixture never gets leaner as the pressure rises."""
    column = [LAMBDA_TARGET(float(kpa)) for kpa in range(20, 260)]
    assert column[0] == 1.0
    assert all(later <= earlier for earlier, later in pairwise(column))


def test_table_is_held_beyond_its_ends() -> None:
    """A table meets its points and keeps its last value above them."""
    table = Table((0.0, 10.0, 20.0), (1.0, 3.0, 2.0), per=1.0)
    assert [table(x) for x in (0.0, 5.0, 10.0, 20.0, 900.0)] == [1.0, 2.0, 3.0, 2.0, 2.0]
