"""From what truly was to what the sensors say: delays, time constants, noise, offsets, stuck and broken sensors."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch_sim.engine import (
    CYLINDERS,
    EXHAUST_KPA,
    EXHAUST_L,
    ZERO_C,
    cycle_delay,
    injector_duty,
    transport_delay,
)
from pullwatch_sim.faults import CONFOUNDERS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from pullwatch_sim.faults import Happening
    from pullwatch_sim.scenarios import Scenario
    from pullwatch_sim.truth import Truth

    Values = NDArray[np.float64]

ALL_CONFOUNDERS: Final = tuple(CONFOUNDERS)

LAMBDA_FIXED_S = 0.080
"""Sensor, controller and its filter: the part of the delay that does not depend on the engine."""
LAMBDA_TAU_S = 0.060
"""First-order time constant of the sensor."""
LAMBDA_LOW, LAMBDA_HIGH = 0.60, 1.80
"""The controller says no more than this, in air either."""
OFF, HEATING, READY, ERROR = 0, 1, 2, 3
STATE_WORDS: Final = ("off", "heating", "ready", "error")

MAP_FULL_SCALE = 400.0

NOISE: Final[Mapping[str, float]] = {
    "engine_speed": 3.0,
    "manifold_pressure": 0.15,
    "barometric_pressure": 0.03,
    "throttle": 0.05,
    "fuel_pressure": 0.6,
    "fuel_differential_pressure": 0.6,
    "oil_pressure": 1.2,
    "exhaust_gas_temperature": 1.0,
    "battery_voltage": 0.02,
    "vehicle_speed": 0.05,
}
"""Standard deviation of every reading of these, in the unit of the quantity; part of the car, not switchable."""


def generator(seed: int, what: str) -> np.random.Generator:
    """Return the random numbers of one purpose: the same for everyone who asks with the same seed."""
    return np.random.default_rng([seed, zlib.crc32(what.encode())])


def first_order(x: Values, tau_s: float, dt_s: float = 0.001) -> Values:
    """Follow x with a first-order lag, step by step (exact for a held input)."""
    share = 1.0 - float(np.exp(-dt_s / tau_s))
    out = np.empty_like(x)
    y = float(x[0])
    for i, value in enumerate(x.tolist()):
        y += (value - y) * share
        out[i] = y
    return out


def lambda_delay_s(rpm: Values, exhaust: Values, gas_c: Values) -> Values:
    """Seconds from the cylinder's filling to the sensor's answer: fixed + 90/N + transport; 0.6 s at a standstill."""
    cycle = cycle_delay(np.maximum(rpm, 300.0))
    transport = transport_delay(EXHAUST_L, EXHAUST_KPA, np.maximum(exhaust, 5e-4), gas_c + ZERO_C)
    return LAMBDA_FIXED_S + cycle + np.minimum(transport, 0.25)


def at_the_sensor(phi: Values, delay_s: Values) -> Values:
    """Return what a sensor breathes: gas of time t arrives at t + delay, and never overtakes what left before."""
    t = np.arange(len(phi)) * 0.001
    arrival = np.maximum.accumulate(t + delay_s)
    index = np.searchsorted(arrival, t, side="right") - 1
    return np.where(index >= 0, phi[np.maximum(index, 0)], 0.0)


def complete(values: dict[str, Values], scenario: Scenario, happenings: Iterable[Happening]) -> None:
    """Add to the recorded truth what follows from it: lambda at the sensor, pressures, duty, knock, sensor state."""
    rpm = values["engine_speed"]
    n = len(rpm)
    phi = values.pop("phi")
    exhaust = values["airflow"] + values["fuel_flow"]
    delay = lambda_delay_s(rpm, exhaust, values.pop("exhaust_gas"))
    seen = first_order(at_the_sensor(phi, delay), LAMBDA_TAU_S)
    values["lambda_delay"] = delay
    values["lambda"] = np.clip(1.0 / np.maximum(seen, 1e-3), LAMBDA_LOW, LAMBDA_HIGH)
    key = values["key"] > 0.0
    since_key = _run_length(key) * 0.001
    state = np.where(key, np.where(since_key >= scenario.car["lambda_heats_s"], READY, HEATING), OFF).astype(float)
    barometric = scenario.place["barometric_kpa"]
    values["barometric_pressure"] = np.full(n, barometric)
    values["fuel_pressure"] = values["fuel_differential_pressure"] + values["manifold_pressure"] - barometric
    values["injector_duty"] = injector_duty(values["injector_pulse_width"], rpm)
    values["vehicle_speed"] = values["speed_m_s"] * 3.6
    values["knock_retard"] = np.zeros(n)
    armed = values["manifold_pressure"] > barometric + 20.0
    if "knock_noise" in scenario.confounders:
        chance = generator(scenario.seed, "knock").random((2, n))
        for i in np.flatnonzero((chance[0] < 0.00012) & armed).tolist():
            _retard(values, i, float(0.5 + chance[1, i]))
    for happening in happenings:
        begin, end = round(happening.begin_s * 1_000), round(happening.end_s * 1_000)
        if happening.kind == "knock_burst":
            _retard(values, begin, happening.number("degrees"))
        elif happening.kind == "lambda_error":
            state[begin:end] = ERROR
    values["lambda_state"] = state
    values["ignition_advance"] -= values["knock_retard"]


def _retard(values: dict[str, Values], begin: int, degrees: float) -> None:
    """Take timing out at once and give it back at 2 degrees a second."""
    span = min(round(degrees / 2.0 * 1_000), len(values["key"]) - begin)
    back = degrees - np.arange(span) * 0.002
    values["knock_retard"][begin : begin + span] = np.maximum(values["knock_retard"][begin : begin + span], back)


def _run_length(on: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Count, at every step, for how many steps `on` has held."""
    steps = np.arange(1, len(on) + 1)
    last_off = np.maximum.accumulate(np.where(on, 0, steps))
    return steps - last_off


class Readings:
    """What the sensors of one evening say, at any times one asks for."""

    def __init__(self, truth: Truth) -> None:
        self.truth = truth
        self.seed = truth.scenario.seed
        self.on = truth.scenario.confounders
        turns = np.cumsum(truth.values["engine_speed"]) * (0.001 / 60.0)
        self._strokes = 2.0 * np.pi * turns * (CYLINDERS / 2.0)

    def sample(self, channel: str, times_s: Values) -> Values:
        """Read `channel` at `times_s` (shape (n,), rising). Raises KeyError for a channel there is none of."""
        true = self.truth.values[channel]
        held = np.floor(times_s * 20.0) / 20.0 if self._repeats(channel) else times_s
        index = np.clip((held * 1_000.0).astype(np.int64), 0, len(true) - 1)
        out = true[index]
        random = generator(self.seed, channel)
        noise = random.standard_normal(len(out))
        still = channel == "engine_speed"
        out = np.where(still & (out < 50.0), out, out + NOISE.get(channel, 0.0) * noise)
        if channel == "manifold_pressure" and "manifold_pulsation" in self.on:
            out += np.minimum(self.truth.values["airflow"][index] * 12.0, 1.0) * np.sin(self._strokes[index])
        if channel in ("fuel_pressure", "fuel_differential_pressure") and "rail_pulsation" in self.on:
            out += np.minimum(self.truth.values["fuel_flow"][index] * 300.0, 3.0) * np.sin(self._strokes[index] + 1.0)
        if channel == "lambda":
            out = self._lambda(out, times_s, noise, random)
        out = self._broken(channel, out, times_s, random)
        if channel == "manifold_pressure":
            out = np.clip(out, 0.0, MAP_FULL_SCALE)
        return out

    def _repeats(self, channel: str) -> bool:
        return channel in ("throttle", "pedal") and "repeated_values" in self.on

    def _lambda(self, out: Values, times_s: Values, noise: Values, random: np.random.Generator) -> Values:
        if "lambda_noise" in self.on:
            phase = random.random(2) * 6.28
            wander = 0.002 * np.sin(4.1 * times_s + phase[0]) + 0.001 * np.sin(13.0 * times_s + phase[1])
            out = out + 0.002 * noise + wander
        if "lambda_offset" in self.on:
            out = out * (1.0 + float(generator(self.seed, "lambda offset").uniform(-0.01, 0.01)))
        if "lambda_spikes" in self.on:
            spike = random.random(len(out)) < 0.002
            spike[1:] &= ~spike[:-1]
            out = out + 0.15 * spike
        return np.clip(out, LAMBDA_LOW, LAMBDA_HIGH)

    def _broken(self, channel: str, out: Values, times_s: Values, random: np.random.Generator) -> Values:
        for happening in self.truth.happenings:
            if happening.options.get("channel") != channel:
                continue
            during = (times_s >= happening.begin_s) & (times_s < happening.end_s)
            if not during.any():
                continue
            if happening.kind == "sensor_stuck":
                out = np.where(during, out[int(np.argmax(during))], out)
            elif happening.kind == "sensor_value":
                out = np.where(during, happening.number("value"), out)
            elif happening.kind == "sensor_noise":
                out = out + during * happening.number("sigma") * random.standard_normal(len(out))
        return out
