"""The lean rule as an owner would set it, worked out from readings in plain numbers, for judging the evenings.

Limit curve, dose and delay window are common practice, no published source: the starting values of the project.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullwatch_sim.sensors import READY, Readings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch_sim.truth import Truth

AT = (120.0, 160.0, 200.0, 240.0)
LIMIT = (0.90, 0.86, 0.84, 0.83)
DOSE = 0.008
DELAY_S = (0.060, 0.180)
TIME_CONSTANT_S = 0.100
ARMED_ABOVE = 20.0


@dataclass(frozen=True)
class Verdict:
    """`raised`: times (s) at which the dose was full; `worst`: the largest dose met; `blind_s`: time that cuts hid."""

    raised: list[float]
    worst: float
    blind_s: float
    judged: int


def lean_dose(truth: Truth, *, blind: bool = True) -> Verdict:
    """Judge an evening: lambda at 50 Hz against the strictest limit in its delay window, the car at 100 Hz."""
    readings = Readings(truth)
    off = [(h.begin_s, h.end_s) for h in truth.happenings if h.kind == "lambda_cable_off"]
    lambda_t = np.arange(0.003, truth.duration_s, 0.020)
    reading = readings.sample("lambda", lambda_t)
    index = (lambda_t * 1_000).astype(int)
    there = truth.values["lambda_state"][index] == READY
    for begin, end in off:
        there &= (lambda_t < begin) | (lambda_t >= end)
    car_t = np.arange(0.0005, truth.duration_s, 0.010)
    pressure = readings.sample("manifold_pressure", car_t)
    cut = readings.sample("cut_active", car_t) > 0.5
    rpm = np.maximum(truth.values["engine_speed"][index], 300.0)
    dose, worst, blind_s, samples, judged = 0.0, 0.0, 0.0, 0, 0
    raised: list[float] = []
    for i in np.flatnonzero(there).tolist():
        t = float(lambda_t[i])
        least, most = DELAY_S[0] + 60.0 / rpm[i], DELAY_S[1] + 120.0 / rpm[i]
        seen = _between(car_t, t - most, t - least)
        highest = float(pressure[seen].max())
        armed = highest > truth.scenario.place["barometric_kpa"] + ARMED_ABOVE
        if blind and cut[_between(car_t, t - most - 3 * TIME_CONSTANT_S, t - least)].any():
            blind_s += 0.020 if armed else 0.0
            continue
        excess = float(reading[i]) - float(np.interp(highest, AT, LIMIT))
        judged += armed
        if excess <= 0.0:
            dose = max(dose + excess * 0.020, 0.0)
            samples = samples if dose > 0.0 else 0
        elif armed:
            samples += 1
            if dose >= DOSE and samples >= 2 and not (raised and t - raised[-1] < 1.0):
                raised.append(t)
            dose += excess * 0.020
        worst = max(worst, dose)
    return Verdict(raised, worst, blind_s, judged)


def _between(times: NDArray[np.float64], begin: float, end: float) -> slice:
    """Return the samples that a channel has anywhere in [begin, end], the one held at `begin` with them."""
    first = max(int(np.searchsorted(times, begin, side="right")) - 1, 0)
    return slice(first, max(int(np.searchsorted(times, end, side="right")), first + 1))
