"""From truth to readings: delays, lag, noise, and broken sensors."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch_sim import sensors
from pullwatch_sim.faults import CONFOUNDERS, Happening
from pullwatch_sim.scenarios import load
from pullwatch_sim.sensors import NOISE, Readings, at_the_sensor, first_order, lambda_delay_s
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from pullwatch_sim.truth import Truth


@pytest.mark.parametrize(("t_ms", "expected"), [(100, 0.6321), (50, 1 - 0.6065)])
def test_first_order_lag(t_ms: int, expected: float) -> None:
    """After one time constant 63.21 % of a step is seen, after half of one 39.35 % (t63 = τ; computed)."""
    step = np.ones(200)
    step[0] = 0.0
    assert first_order(step, 0.100)[t_ms] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("rpm", "grams", "celsius", "rest_ms"), [(900.0, 5.159, 500.0, 100.0 + 137.0), (6_000.0, 229.0, 900.0, 15.0 + 2.1)]
)
def test_lambda_delay(rpm: float, grams: float, celsius: float, rest_ms: float) -> None:
    """The delay is the fixed part, 90/N, and transport: about 100 + 137 ms more at idle, 15 + 2 ms at full load.

    Computed with the sensor's own exhaust pressure of 105 kPa.
    """
    delay = lambda_delay_s(np.array([rpm]), np.array([grams / 1_000]), np.array([celsius]))
    assert (delay[0] - sensors.LAMBDA_FIXED_S) * 1_000 == pytest.approx(rest_ms, abs=1.0)


def test_gas_never_overtakes() -> None:
    """Where the delay changes faster than time passes, later gas waits behind earlier gas."""
    phi = np.arange(1_000, dtype=float)
    delay = np.where(np.arange(1_000) < 500, 0.3, 0.05)
    delay[700:720] = 0.2
    seen = at_the_sensor(phi, delay)
    arrived = [max(i * 0.001 + delay[i] for i in range(n + 1)) for n in range(1_000)]
    expected = [max((n for n in range(1_000) if arrived[n] <= t * 0.001), default=0) for t in range(0, 1_000, 7)]
    assert seen[::7].tolist() == expected
    assert seen[400] == pytest.approx(100.0, abs=1.0)
    assert seen[790] == pytest.approx(490.0, abs=1.0)


def test_delay_of_a_real_step(short_lean: Truth) -> None:
    """Under load the reading follows the cylinder by 80 ms, the cycle, and the lag: as a setup would state."""
    begin = round(short_lean.moment("fuel pump") * 1_000)
    cylinder = short_lean.values["lambda_cylinder"][begin : begin + 900]
    reading = short_lean.values["lambda"][begin : begin + 900]
    late = int((reading > 0.86).argmax()) - int((cylinder > 0.86).argmax())
    rpm = short_lean.values["engine_speed"][begin + 300]
    assert 60 + 60_000 / rpm < late < 180 + 120_000 / rpm
    # Fixed part, cycle, transport at full load, and the lag of a first-order sensor behind a steady rise.
    assert late == pytest.approx(80 + 90_000 / rpm + 2 + 60, abs=15)


def test_readings_carry_their_noise_and_no_more(short_pull: Truth) -> None:
    """Noise has the stated size; a quantity without noise reads as it is; the same question gets the same answer."""
    times = np.arange(0.0, short_pull.duration_s, 0.01)
    readings = Readings(short_pull)
    index = (times * 1_000).astype(int)
    for channel in ("oil_pressure", "battery_voltage", "barometric_pressure"):
        error = readings.sample(channel, times) - short_pull.values[channel][index]
        assert error.std() == pytest.approx(NOISE[channel], rel=0.1)
        assert abs(error.mean()) < 0.2 * NOISE[channel]
    assert np.array_equal(readings.sample("gear", times), short_pull.values["gear"][index])
    assert np.array_equal(readings.sample("lambda", times), Readings(short_pull).sample("lambda", times))


def test_unknown_channel(short_pull: Truth) -> None:
    """There is no reading of what is not measured."""
    with pytest.raises(KeyError):
        Readings(short_pull).sample("turbo_speed", np.zeros(1))


def with_happening(truth: Truth, kind: str, **options: float | str) -> Truth:
    """Let a sensor fault happen from 5 to 7 s of an evening already played."""
    return replace(truth, happenings=(*truth.happenings, Happening(kind, kind, 5.0, 7.0, options)))


TIMES = np.arange(0.0, 10.0, 0.01)
DURING = (TIMES >= 5.0) & (TIMES < 7.0)


def test_stuck_sensor(short_pull: Truth) -> None:
    """A stuck channel keeps the value it had, then comes back; others go on."""
    broken = Readings(with_happening(short_pull, "sensor_stuck", channel="manifold_pressure"))
    whole = Readings(short_pull)
    stuck = broken.sample("manifold_pressure", TIMES)
    assert np.ptp(stuck[DURING]) == 0.0
    assert np.ptp(whole.sample("manifold_pressure", TIMES)[DURING]) > 30.0
    assert np.array_equal(stuck[~DURING], whole.sample("manifold_pressure", TIMES)[~DURING])
    assert np.array_equal(broken.sample("engine_speed", TIMES), whole.sample("engine_speed", TIMES))


def test_sensor_with_a_wrong_value_and_with_noise(short_pull: Truth) -> None:
    """An open circuit reads one value; a noisy one scatters by what was asked for."""
    opened = Readings(with_happening(short_pull, "sensor_value", channel="coolant_temperature", value=-40.0))
    assert (opened.sample("coolant_temperature", TIMES)[DURING] == -40.0).all()
    assert (opened.sample("coolant_temperature", TIMES)[~DURING] > 50.0).all()
    noisy = Readings(with_happening(short_pull, "sensor_noise", channel="throttle", sigma=5.0))
    difference = noisy.sample("throttle", TIMES) - Readings(short_pull).sample("throttle", TIMES)
    assert difference[DURING].std() == pytest.approx(5.0, rel=0.2)
    assert not difference[~DURING].any()


def test_pressure_sensor_has_a_ceiling(short_pull: Truth) -> None:
    """Above 400 kPa the manifold sensor says 400."""
    high = replace(short_pull, values={**short_pull.values, "manifold_pressure": np.full(12_000, 450.0)})
    assert (Readings(high).sample("manifold_pressure", TIMES) == 400.0).all()


def test_lambda_stays_on_its_scale(short_pull: Truth) -> None:
    """In air the controller says 1.800 and no more."""
    reading = Readings(short_pull).sample("lambda", np.arange(0.0, short_pull.duration_s, 0.02))
    assert reading.max() == sensors.LAMBDA_HIGH
    assert reading.min() >= sensors.LAMBDA_LOW


def difference_made(name: str) -> bool:
    """Say whether one confounder changes anything that is read or sent in a short evening."""
    from pullwatch_sim.can_frames import record_bus
    from pullwatch_sim.play import away_spans
    from pullwatch_sim.serial_lambda import record_lambda

    made = []
    for on in ([], [name]):
        truth = simulate(load("short-pull", None, on))
        spans = away_spans(truth, "can_unplugged")
        can, lines = record_bus(truth, 310), record_lambda(truth)
        made.append((can.blob, can.times.tobytes(), lines.blob, lines.times.tobytes(), spans))
    return made[0] != made[1]


@pytest.mark.parametrize("name", CONFOUNDERS)
def test_every_confounder_does_something(name: str) -> None:
    """None of the switches is dead."""
    assert difference_made(name)
