"""Pulls with a map whose errors are known, seen by a late lambda sensor: tables, and runs told by hand.

Written from the physics alone in steps of 1 ms (gas that arrives late and mixes; flow with the root of pressure), so
that it shares nothing with what it is held against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from tests.review.tables import channel

from pullwatch.channels import Delay
from pullwatch.columns import Column
from pullwatch.review.answer import Reviewed
from pullwatch.review.given import NOTHING, Given
from pullwatch.review.made import with_made
from pullwatch.review.run import Class, Ended, Run
from pullwatch.review.runs import Runs
from pullwatch.review.table import Accuracy, CarFacts, S, Series, Table
from pullwatch.watchdog.conditions import Names, parse_trip
from pullwatch.watchdog.limits import Curve
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MS: Final = S // 1_000
AXES: Final = (tuple(float(one) for one in range(1_500, 7_001, 500)), (120.0, 140.0, 160.0, 180.0, 200.0, 220.0))
STATED: Final = Delay(50 * MS, 150 * MS, per_cycle=True, time_constant=80 * MS)
FLOOR: Final = 0.015


@dataclass(frozen=True)
class Made:
    """What a session is made of. Holes: (rpm from, to, kPa from, to) to the share of fuel the map lacks there."""

    runs: int = 3
    holes: Mapping[tuple[float, float, float, float], float] = field(default_factory=dict)
    seed: int = 0
    kpa: tuple[float, ...] = (180.0,)
    """Settled pressure of each run in turn."""
    sweep: float = 800.0
    target: float = 0.82
    everywhere: float = 0.0
    sensor: float = 0.0
    """Share by which the sensor reads lean."""
    scatter: float = 0.0
    """From run to run, standard deviation, a share."""
    noise: float = 0.003
    fixed: float = 0.10
    tau: float = 0.06
    cycle: float = 90.0
    fade: float = 0.0
    """Share of pressure lost above 5,000 rpm."""
    fades_in: tuple[int, ...] = (0, 1, 2, 3, 4, 5)
    trim: float = 0.0
    """What a closed loop adds everywhere, as a share."""
    duty: float = 60.0
    stated: Delay = STATED
    wall: int | None = 1_700_000_000 * S
    session: str = "evening"
    without: tuple[str, ...] = ()
    proved: bool = True
    knock_at: float = 0.0
    """rpm at which retard rises by 3°."""
    intake: tuple[float, float] = (35.0, 35.0)
    blown_at: float = 0.0
    """rpm at which the spark blows out."""
    leanest: float = 0.0
    """Lambda that a rule calls lean; 0: there is no such rule."""


FROM, TO = 2_000.0, 6_600.0


def _lagged(x: Floats, tau: float) -> Floats:
    keep = math.exp(-0.001 / tau)
    out, y = np.empty_like(x), float(x[0])
    for i, value in enumerate(x.tolist()):
        y += (value - y) * (1.0 - keep)
        out[i] = y
    return out


def session(made: Made, given: Given = NOTHING, before: Sequence[Reviewed] = ()) -> Reviewed:
    """Return a session of pulls with the overrun cut after each."""
    random = np.random.default_rng([made.seed, 11])
    one = round((TO - FROM) / made.sweep * 1_000)
    parts: dict[str, list[Floats]] = {}
    spans = []
    at = 0

    def add(**values: Floats) -> None:
        for name, value in values.items():
            parts.setdefault(name, []).append(value)

    for number in range(made.runs):
        settled = made.kpa[number % len(made.kpa)]
        n = 1_500 + one + 1_800
        t = np.arange(n) * 0.001
        down = (t >= 1.5) & (t < 1.5 + one / 1_000)
        rpm = np.interp(t, [0, 1.5, 1.5 + one / 1_000, n / 1_000], [FROM, FROM, TO, 3_000.0])
        kpa = np.where(
            down, settled - (settled - 60.0) * np.exp(-(t - 1.5).clip(0) / 0.15), np.where(t < 1.5, 60.0, 30.0)
        )
        cut = (~down) & (t > 1.5)
        lacks = np.full(n, made.everywhere)
        for (a, b, c, d), share in made.holes.items():
            lacks[(rpm >= a) & (rpm < b) & (kpa >= c) & (kpa < d)] = share
        lacks = (1.0 + lacks) * (1.0 + made.scatter * random.standard_normal()) - 1.0
        faded = made.fade if number in made.fades_in else 0.0
        pressure = 1.0 - faded * np.clip((rpm - 5_000.0) / 100.0, 0.0, 1.0) * down
        mixture = made.target * (1.0 + lacks) / (1.0 + made.trim) / np.sqrt(pressure)
        if made.blown_at:
            blown = down & (np.abs(rpm - made.blown_at) < 0.15 * made.sweep)
            mixture = mixture + np.where(blown, 0.25 + 0.15 * random.standard_normal(n).repeat(60)[:n], 0.0)
            rpm = rpm - np.where(rpm >= made.blown_at, 0.0, 0.0)
        phi = np.where(cut, 0.0, 1.0 / mixture)
        retard = 3.0 * (down & (rpm >= made.knock_at) & (rpm < made.knock_at + 300.0)) if made.knock_at else np.zeros(n)
        heat = np.interp(t, [1.5, 1.5 + one / 1_000], made.intake)
        add(rpm=rpm, kpa=kpa, foot=np.where(down, 100.0, 0.0), cut=np.where(cut, 1.0, 0.0), phi=phi,
            pressure=300.0 * pressure, retard=retard, heat=heat)  # fmt: skip
        spans.append((at + 1_500, at + 1_500 + one))
        at += n
    whole = {name: np.concatenate(value) for name, value in parts.items()}
    return _table(made, whole, spans, random, given, before)


def _table(
    made: Made,
    whole: dict[str, Floats],
    spans: list[tuple[int, int]],
    random: np.random.Generator,
    given: Given,
    before: Sequence[Reviewed],
) -> Reviewed:
    n = len(whole["rpm"])
    t = np.arange(n) * 0.001
    arrival = np.maximum.accumulate(t + made.fixed + made.cycle / whole["rpm"])
    seen = _lagged(whole["phi"][(np.searchsorted(arrival, t, side="right") - 1).clip(0)], made.tau)
    reading = np.clip((1.0 + made.sensor) / np.maximum(seen, 0.5), 0.6, 1.8)
    if not made.proved:
        reading = np.clip(reading, 0.80, 0.89)
    level = np.ones(n)
    curves: dict[str, tuple[Floats, int, float]] = {
        "engine_speed": (whole["rpm"], 100, 3.0),
        "manifold_pressure": (whole["kpa"], 100, 0.3),
        "barometric_pressure": (99.0 * level, 10, 0.0),
        "pedal": (whole["foot"], 50, 0.0),
        "throttle": (whole["foot"], 50, 0.0),
        "cut_active": (whole["cut"], 100, 0.0),
        "lambda_target": (made.target * level, 100, 0.0),
        "lambda": (reading, 50, made.noise),
        "fuel_differential_pressure": (whole["pressure"], 100, 0.6),
        "injector_duty": (made.duty * level, 50, 0.0),
        "knock_retard": (whole["retard"], 50, 0.0),
        "intake_air_temperature": (whole["heat"], 10, 0.0),
        "ambient_temperature": (20.0 * level, 10, 0.0),
    }
    if made.trim:
        curves["fuel_correction_short"] = (100.0 * made.trim * level, 50, 0.0)
    series = {}
    channels = []
    for number, (name, (values, rate, noise)) in enumerate(curves.items()):
        if name in made.without:
            continue
        facts = channel(number, name, **({"delay": made.stated} if name == "lambda" else {}))
        channels.append(facts)
        times = np.arange(float(random.uniform(0.0, 0.01)), n / 1_000.0, 1.0 / rate)
        v = values[(times * 1_000).astype(np.intp)] + noise * random.standard_normal(len(times))
        series[name] = Series(facts, Column((times * S).astype(np.int64), v, np.zeros(len(times), np.uint8)))
    named = Names({one.name: one for one in channels}, {}, {})
    rules = (Rule(0, "lean", parse_trip(f"lambda > {made.leanest} lambda", named)),) if made.leanest else ()
    table = Table(
        series,
        end=n * MS,
        rules=RuleSet(tuple(channels), rules),
        car=CarFacts("copper hatch"),
        limits={"base_fuel_pressure": Curve("base_fuel_pressure", 8, (0.0,), (300.0,))},
        accuracy={"lambda": Accuracy(FLOOR, 0.0, "usual")},
        axes=AXES,
        session=made.session,
        wall=made.wall,
    )
    runs = tuple(
        Run(number, begin * MS, end * MS, Class.PULL, Ended.LIFT, rpm=(FROM, TO))
        for number, (begin, end) in enumerate(spans, 1)
    )
    return Reviewed(with_made(table), Runs(runs), (), given, tuple(before))


def drawn(seed: int, **fixed: object) -> tuple[Made, dict[tuple[float, float, float, float], float]]:
    """Draw a session: holes in some cells, a sensor and a delay anywhere within what is stated of them."""
    random = np.random.default_rng([seed, 3])
    holes = {}
    for _ in range(int(random.integers(1, 4))):
        speed = float(random.choice(np.arange(2_500.0, 6_001.0, 500.0)))
        holes[(speed - 250.0, speed + 250.0, 170.0, 190.0)] = float(random.uniform(-0.06, 0.10))
    made = Made(
        runs=int(random.integers(2, 6)),
        holes=holes,
        seed=seed,
        sweep=float(random.uniform(500.0, 1_100.0)),
        sensor=float(random.normal(0.0, FLOOR / 1.959963984540054)),
        scatter=float(random.choice([0.0, 0.004, 0.01])),
        fixed=float(random.uniform(0.05, 0.15)),
        tau=float(random.uniform(0.04, 0.08)),
        cycle=float(random.uniform(70.0, 110.0)),
    )
    return replace(made, **fixed), holes  # type: ignore[arg-type]  # the names of its own fields
