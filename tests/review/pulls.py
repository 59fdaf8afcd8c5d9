"""Pulls of a car whose valves float at a known speed, or do not, with what stands beside it chosen by hand.

The roller is sped up by torque = pressure × a smooth curve of speed, less a fall that begins at `float_at` and grows in
a straight line. Everything else is what a controller would report. Times and values carry noise of usual sensors.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from tests.review.tables import channel

from pullwatch.columns import Column
from pullwatch.review.answer import Reviewed
from pullwatch.review.made import with_made
from pullwatch.review.run import Class, Ended, Run
from pullwatch.review.runs import Runs
from pullwatch.review.table import CarFacts, S, Series, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

RATE: Final = 100
LONGEST: Final = 8.0
"""Seconds of a pull."""
APART: Final = 12.0
"""Seconds from one pull's begin to the next one's."""
BAROMETER: Final = 99.0
COPPER: Final = CarFacts("copper hatch", bore_mm=82.5, intake_valve_mm=46.0)
PER_KMH: Final = 38.0
"""rpm per km/h."""


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull. `falls` is the share of power lost per 1,000 rpm beyond `float_at` (0: none)."""

    float_at: float = 5_700.0
    falls: float = 0.0
    pressure: float = 190.0
    advance: float = 14.0
    top: float = 6_600.0
    richer: float = 0.0
    """Lambda below what is commanded, beyond `float_at`; negative: leaner."""
    pressure_lost: float = 0.0
    """Share of the manifold pressure lost from `float_at` to the top."""
    duty_moves: float = 0.0
    fuel_lost: float = 0.0
    """Share of the fuel differential pressure lost from `float_at` to the top."""
    slips: float = 0.0
    """Share by which engine and road speed part from `float_at` on."""
    knock_at: float = 0.0
    """Engine speed at which the retard rises (0: it does not) ..."""
    knock: float = 3.0
    """... by so many degrees, given back at 2 a second."""
    intake: float = 40.0
    weak: float = 1.0
    """Share of its usual torque that the engine gives at every speed."""


@dataclass(frozen=True, slots=True)
class Session:
    """Pulls in one session; channels named in `without` are not recorded."""

    pulls: tuple[Pull, ...]
    seed: int = 0
    name: str = "here"
    without: tuple[str, ...] = ()
    car: CarFacts = COPPER
    more: Mapping[str, Any] = field(default_factory=dict)


def _one(pull: Pull, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Drive one pull in steps of 1 ms; return what is true at RATE."""
    n = int(LONGEST * 1_000)
    rpm = np.empty(n)
    now = 2_600.0
    for i in range(n):
        rpm[i] = now
        over = max(now - pull.float_at, 0.0) / 1_000.0
        x = (now - 4_000.0) / 1_000.0
        part = over / max((pull.top - pull.float_at) / 1_000.0, 0.1)
        torque = (
            (1.0 + 0.03 * x - 0.02 * x * x) * (1.0 - pull.falls * over) * (1.0 - pull.pressure_lost * min(part, 1.2))
        )
        now += torque * pull.weak * pull.pressure / 190.0 * 700.0 * 0.001
    last = int(np.argmax(rpm >= pull.top)) if (rpm >= pull.top).any() else n
    rpm = rpm[: last : 1_000 // RATE]
    share = np.clip((rpm - pull.float_at) / (pull.top - pull.float_at), 0.0, None)
    beyond = rpm > pull.float_at
    retard = np.zeros(len(rpm))
    if pull.knock_at:
        hit = int(np.argmax(rpm >= pull.knock_at))
        left = pull.knock - 2.0 * np.arange(len(rpm) - hit) / RATE
        retard[hit:] = np.maximum(left, 0.0)
    target = np.full(len(rpm), 0.82)
    return {
        "engine_speed": rpm + rng.normal(0.0, 3.0, len(rpm)),
        "manifold_pressure": pull.pressure * (1.0 - pull.pressure_lost * share) + rng.normal(0.0, 0.4, len(rpm)),
        "lambda_target": target,
        "lambda": target - pull.richer * beyond + rng.normal(0.0, 0.002, len(rpm)),
        "ignition_advance": pull.advance - retard,
        "knock_retard": retard,
        "wastegate_duty": 35.0 + pull.duty_moves * beyond,
        "fuel_differential_pressure": 300.0 * (1.0 - pull.fuel_lost * share) + rng.normal(0.0, 0.6, len(rpm)),
        "vehicle_speed": rpm / PER_KMH * (1.0 - pull.slips * beyond) + rng.normal(0.0, 0.05, len(rpm)),
        "intake_air_temperature": np.full(len(rpm), pull.intake),
        "coolant_temperature": np.full(len(rpm), 92.0),
        "barometric_pressure": np.full(len(rpm), BAROMETER),
        "throttle": np.full(len(rpm), 100.0),
        "gear": np.full(len(rpm), 4.0),
        "cut_active": np.zeros(len(rpm)),
    }


def session(made: Session) -> Reviewed:
    """Return a session's table and its runs, as they were driven."""
    rng = np.random.default_rng([made.seed, 77])
    runs: list[Run] = []
    columns: dict[str, list[Column]] = {}
    for number, pull in enumerate(made.pulls, 1):
        begin = int((2.0 + APART * (number - 1)) * S)
        driven = _one(pull, rng)
        n = len(driven["engine_speed"])
        end = begin + n * S // RATE
        runs.append(Run(number, begin, end, Class.PULL, Ended.LIFT, (4,), start={}, rpm=(2_600.0, pull.top)))
        for place, (name, values) in enumerate(driven.items()):
            if name in made.without:
                continue
            t = begin + (np.arange(n) * S) // RATE + place * 1_000_000 // 7
            columns.setdefault(name, []).append(Column(t.astype(np.int64), values, np.zeros(n, np.uint8)))
    series = {
        name: Series(
            channel(number, name),
            Column(
                np.concatenate([part.t for part in parts]), np.concatenate([part.v for part in parts]),
                np.concatenate([part.why for part in parts]),
            ),
        )
        for number, (name, parts) in enumerate(columns.items())
    }  # fmt: skip
    end = runs[-1].end + 3 * S
    table = with_made(Table(series, end=end, car=made.car, session=made.name, **made.more))
    return Reviewed(table, Runs(tuple(runs)), ())


def pulls(many: Iterable[Pull], seed: int = 0, **more: Any) -> Reviewed:
    """Return a session of these pulls."""
    return session(Session(tuple(many), seed, **more))
