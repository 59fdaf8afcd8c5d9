"""Evenings of the simulated car as tables: what its sensors say, straight from the model, without a wire between."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from random import Random
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from tests.faults.evenings import plan

from pullwatch.batch import Batch
from pullwatch.clock import NS_PER_S
from pullwatch.columns import Column, Why
from pullwatch.review.made import with_made
from pullwatch.review.table import CarFacts, Series, Table
from pullwatch.watchdog.judge import Watchdog
from pullwatch_sim.scenarios import read
from pullwatch_sim.sensors import ALL_CONFOUNDERS, READY, Readings
from pullwatch_sim.truth import Truth, simulate

if TYPE_CHECKING:
    from collections.abc import Iterable

RATES: Final = {
    "engine_speed": 100, "manifold_pressure": 100, "throttle": 100, "pedal": 100, "cut_active": 100, "gear": 100,
    "lambda_target": 100, "injector_pulse_width": 100, "fuel_differential_pressure": 100, "knock_retard": 50,
    "vehicle_speed": 50, "oil_pressure": 50, "battery_voltage": 50, "oil_temperature": 10, "coolant_temperature": 10,
    "intake_air_temperature": 10, "exhaust_gas_temperature": 10, "barometric_pressure": 10, "lambda": 50,
}  # fmt: skip
"""Samples a second."""


def table_of(truth: Truth, without: Iterable[str] = (), profile: str = "") -> Table:
    """Return an evening as a table, judged by the demonstration's rules."""
    watched = plan()
    readings = Readings(truth)
    length = truth.duration_s
    series: dict[str, Series] = {}
    left_out = set(without)
    for channel in watched.channels:
        name = channel.name
        if name in left_out or name not in RATES:
            continue
        # Nothing of the bus is in step with anything else, and nobody sends while the key is off.
        times = np.arange(0.0013 * (channel.number + 1), length, 1.0 / RATES[name])
        index = np.clip((times * 1_000.0).astype(np.int64), 0, len(truth.values["key"]) - 1)
        alive = truth.values["key"][index] > 0
        for happening in truth.happenings:
            if happening.kind == "lambda_cable_off" and name == "lambda":
                alive &= (times < happening.begin_s) | (times >= happening.end_s)
        times, index = times[alive], index[alive]
        v = readings.sample(name, times)
        why = np.zeros(len(times), np.uint8)
        if name == "lambda":
            why[truth.values["lambda_state"][index] != READY] = Why.NOT_READY
        series[name] = Series(channel, Column((times * NS_PER_S).astype(np.int64), v, why))
    end = int(length * NS_PER_S)
    columns = {one.channel.number: one.samples for one in series.values() if len(one)}
    table = Table(
        series,
        end=end,
        changes=tuple(Watchdog(watched.rules).judge(Batch(end, (), None, columns))),
        rules=watched.rules,
        car=CarFacts("copper hatch", "E10", 14.7, 4, 1998.0, 1240.0),
        profile=profile or ("dyno" if truth.scenario.on == "dyno" else "strip"),
        protection=watched.protection,
        session=truth.scenario.name,
    )
    return with_made(table)


@dataclass(frozen=True, slots=True)
class Driven:
    """What was truly driven: class, seconds from foot down to foot up, gears, how it ended."""

    kind: str
    begin: float
    end: float
    gears: tuple[int, ...]
    ended: str = "driver's lift"


def an_evening(seed: int) -> dict[str, Any]:
    """Return the scenario of a chance evening on the dyno or the strip: which runs, in which gears, how far."""
    random = Random(f"evening {seed}")
    road = random.random() < 0.4
    stages: list[dict[str, Any]] = [
        {"do": "key_on", "for_s": 1.0},
        {"do": "start", "for_s": 0.5},
        {"do": "idle", "name": "idle 0", "for_s": 2.0},
    ]
    for number in range(1, 3 if road else 5):
        name = f"run {number}"
        duty = float(random.choice((20, 25, 30, 35)))
        if road or random.random() < 0.3:
            stages.append(
                {"do": "launch", "name": name, "gear": 1 if road else 2, "for_s": random.uniform(0.6, 2.5),
                 "to_rpm": random.uniform(5_800, 6_500), "duty": duty}
            )  # fmt: skip
            shifts = random.choice((0, 2, 3)) if road else random.choice((0, 1))
            stages += [
                {"do": "shift", "name": f"{name} shift {gear}", "gear": gear,
                 "cut": random.choice(("fuel", "ignition", "throttle")), "to_rpm": random.uniform(5_200, 6_500)}
                for gear in range(2 if road else 3, (2 if road else 3) + shifts)
            ]  # fmt: skip
        else:
            stages.append(
                {"do": "pull", "name": name, "gear": random.choice((3, 4)), "duty": duty,
                 "from_rpm": random.uniform(1_900, 2_800), "to_rpm": random.uniform(4_800, 6_800)}
            )  # fmt: skip
        stages.append({"do": "overrun", "name": f"overrun {number}", "for_s": random.uniform(1.7, 2.5)})
        stages.append({"do": "idle", "name": f"idle {number}", "for_s": random.uniform(6.0, 7.0)})
    return {
        "name": f"evening {seed}",
        "seed": seed,
        "on": "road" if road else "dyno",
        "confounders": list(ALL_CONFOUNDERS),
        "car": {"lambda_heats_s": 0.5, "oil_c": random.uniform(75, 100)},
        "place": {"barometric_kpa": random.uniform(85, 102), "ambient_c": random.uniform(5, 35)},
        "stage": stages,
    }


def driven(truth: Truth) -> list[Driven]:
    """Return what was truly driven in an evening made by `an_evening`, told from its stages alone."""
    found: list[Driven] = []
    starts = dict(truth.stages)
    ends = dict(zip([name for name, _ in truth.stages], [at for _, at in truth.stages][1:], strict=False))
    road = truth.scenario.on == "road"
    for stage in truth.scenario.stages:
        if stage.do == "pull":
            begin = truth.marks[f"start of {stage.name}"]
            found.append(Driven("pull", begin, ends[stage.name], (int(float(stage.options["gear"])),)))
        elif stage.do == "launch":
            found.append(
                Driven("launch practice", starts[stage.name], ends[stage.name], (int(float(stage.options["gear"])),))
            )
        elif stage.do == "shift":
            last = found[-1]
            gears = (*last.gears, int(float(stage.options["gear"])))
            found[-1] = replace(last, end=ends[stage.name], gears=gears)
    if road:
        for i, run in enumerate(found):
            went = truth.values["speed_m_s"][round(run.begin * 1_000) : round(run.end * 1_000)].sum() / 1_000.0
            found[i] = replace(run, kind="pass" if went >= 100.0 else "launch practice")
    return found


@cache
def evening(seed: int) -> tuple[Truth, Table]:
    """Return a chance evening: the truth and the table."""
    truth = simulate(read(an_evening(seed)))
    return truth, table_of(truth)
