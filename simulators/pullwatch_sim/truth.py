"""Play a scenario through the model and keep what truly was, on a grid of 1 ms. Also a program that writes it down.

With --out it writes the curves (.csv or .npz), with --expected it prints stages, faults and expected alarms as JSON.

    python -m pullwatch_sim.truth --scenario dyno-evening --out truth.csv
"""

from __future__ import annotations

import argparse
import json
import sys
from array import array
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import numpy as np

from pullwatch_sim import sensors
from pullwatch_sim.driver import STAGES, World
from pullwatch_sim.engine import SLOW_EVERY, Engine
from pullwatch_sim.faults import Happening, Watch
from pullwatch_sim.scenarios import Scenario, ScenarioError, fault_on_command_line, load
from pullwatch_sim.vehicle import Driveline, Road, Roller

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

FAST = (
    "engine_speed", "manifold_pressure", "throttle", "pedal", "charge_pressure", "injector_pulse_width",
    "fuel_differential_pressure", "lambda_cylinder", "phi", "lambda_target", "airflow", "fuel_flow", "cut_active",
    "ignition_advance", "torque", "speed_m_s", "gear", "wastegate_duty", "boost_target", "key",
)  # fmt: skip
SLOW = (
    "oil_temperature", "coolant_temperature", "intake_air_temperature", "exhaust_gas_temperature", "exhaust_gas",
    "oil_pressure", "battery_voltage", "fuel_trim",
)  # fmt: skip
LONGEST_S = 3_600.0


@dataclass(frozen=True, slots=True)
class Truth:
    """One evening as it truly was. `values`: name to an array of shape (n,), one value a millisecond from 0 on.

    Names are those of the quantities on the wire, plus `lambda_cylinder` (10 where no fuel burns), `lambda` (what the
    sensor shows, without noise), `lambda_state` (see `sensors`), `injector_duty`, `airflow` and `fuel_flow` (kg/s),
    `torque` (Nm), `charge_pressure` (kPa gauge, before the throttle), `fuel_trim`, `key`.
    """

    scenario: Scenario
    values: dict[str, NDArray[np.float64]]
    stages: tuple[tuple[str, float], ...]
    """Name and begin (s) of every stage."""
    marks: dict[str, float]
    happenings: tuple[Happening, ...]

    @property
    def duration_s(self) -> float:
        """Length of the evening in seconds."""
        return len(self.values["key"]) / 1_000.0

    def moment(self, name: str) -> float:
        """Scenario seconds at which a fault began or a mark was set. Raises ScenarioError with what there is."""
        moments = {**self.marks, **{happening.name: happening.begin_s for happening in self.happenings}}
        if name not in moments:
            raise ScenarioError(
                f'{self.scenario.name}: nothing called "{name}" happened; there are {", ".join(sorted(moments))}'
            )
        return moments[name]

    def expected(self) -> list[dict[str, Any]]:
        """Return the alarms the evening should give, with absolute scenario times, in order of time."""
        rows = [
            {
                "rule": alarm.rule,
                "priority": alarm.priority,
                "from_s": round(self.moment(alarm.after) + alarm.from_s, 3),
                "until_s": round(self.moment(alarm.after) + alarm.until_s, 3),
                "after": alarm.after,
                "says": alarm.says,
                "required": alarm.required,
            }
            for alarm in self.scenario.expected
        ]
        return sorted(rows, key=lambda row: (row["from_s"], row["rule"]))

    def story(self) -> dict[str, Any]:
        """Return all about the evening but the curves, ready for JSON."""
        return {
            "scenario": self.scenario.name,
            "says": self.scenario.says,
            "seed": self.scenario.seed,
            "duration_s": self.duration_s,
            "stages": [{"name": name, "from_s": round(at, 3)} for name, at in self.stages],
            "marks": {name: round(at, 3) for name, at in self.marks.items()},
            "faults": [
                {"kind": h.kind, "name": h.name, "from_s": round(h.begin_s, 3), "until_s": round(h.end_s, 3)}
                for h in self.happenings
            ],
            "expected": self.expected(),
        }


def _play(scenario: Scenario, world: World, stages: list[tuple[str, float]]) -> Iterator[None]:
    random = Random(f"{scenario.seed} turbo")
    for stage in scenario.stages:
        world.stage = stage.name
        stages.append((stage.name, world.ms / 1_000.0))
        world.engine.boost_scale = 1.0 + random.gauss(0.0, 0.003)
        yield from STAGES[stage.do][0](world, stage.options)


def simulate(scenario: Scenario) -> Truth:
    """Play a whole scenario. Deterministic: the same scenario (its seed within) gives the same arrays, bit for bit."""
    engine = Engine(
        Random(f"{scenario.seed} engine"),
        barometric=scenario.place["barometric_kpa"],
        ambient_c=scenario.place["ambient_c"],
        oil_c=scenario.car["oil_c"],
        coolant_c=scenario.car["coolant_c"],
        fuelling_error=scenario.car["fuelling_error"],
        wall_film="wall_film" in scenario.confounders,
    )
    driveline = Driveline(Roller() if scenario.on == "dyno" else Road())
    world = World(engine, driveline)
    watch = Watch(scenario.faults)
    world.fault_began_s = watch.began
    c = world.controls
    e = engine
    stages: list[tuple[str, float]] = []
    fast, slow = array("d"), array("d")
    longest = LONGEST_S * 1_000.0
    for _ in _play(scenario, world, stages):
        if world.ms % SLOW_EVERY == 0:
            watch.look(world.ms / 1_000.0, world.stage, e.rpm)
            e.slow_step(c, watch.troubles)
            slow.extend(
                (e.oil_c, e.coolant_c, e.intake_c, e.egt_c, e.gas_c, e.oil_kpa, e.volts, e.trim)
            )  # in the order of SLOW
        world.move_pedal()
        torque = e.step(c, watch.troubles)
        e.rpm = driveline.step(e.rpm, torque, c)
        world.feel()
        fast.extend(
            (
                e.rpm, e.manifold, e.throttle, c.pedal, e.charge_kpa, e.pulse_ms, e.differential, e.lambda_cylinder,
                e.phi, e.target, e.air, e.fuel, e.cut, e.advance, torque, driveline.speed, c.gear, e.duty,
                e.boost_target, c.key,
            )  # in the order of FAST
        )  # fmt: skip
        world.ms += 1
        if world.ms > longest:
            raise ScenarioError(f"{scenario.name}: stage {world.stage} does not end")
    if watch.waiting:
        missing = ", ".join(fault.name for fault in watch.waiting)
        raise ScenarioError(f"{scenario.name}: the moment of these faults never came: {missing}")
    end_s = world.ms / 1_000.0
    columns = np.frombuffer(fast).reshape(-1, len(FAST)).T.copy()
    values = dict(zip(FAST, columns, strict=True))
    grid = np.arange(world.ms, dtype=np.float64)
    at = np.arange(len(slow) // len(SLOW), dtype=np.float64) * SLOW_EVERY
    for name, column in zip(SLOW, np.frombuffer(slow).reshape(-1, len(SLOW)).T, strict=True):
        values[name] = np.interp(grid, at, column)
    happenings = tuple(watch.happenings(end_s))
    marks = {name: ms / 1_000.0 for name, ms in world.marks.items()}
    sensors.complete(values, scenario, happenings)
    return Truth(scenario, values, tuple(stages), marks, happenings)


def with_arguments(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Add what every program here takes to choose its evening."""
    parser.add_argument("--scenario", required=True, help="name of a scenario, or path of a .toml file")
    parser.add_argument("--seed", type=int, help="another evening of the same scenario")
    parser.add_argument("--confounders", help="names with commas between, `all` or `none`, in place of the scenario's")
    parser.add_argument("--fault", action="append", default=[], metavar="'KIND FROM_S UNTIL_S option=value'")
    return parser


def scenario_of(arguments: argparse.Namespace) -> Scenario:
    """Load the scenario that the arguments ask for. Raises ScenarioError."""
    wanted = arguments.confounders
    chosen = None
    if wanted is not None:
        chosen = {"all": list(sensors.ALL_CONFOUNDERS), "none": []}.get(wanted, wanted.split(","))
    scenario = load(arguments.scenario, arguments.seed, chosen)
    extra = tuple(fault_on_command_line(text) for text in arguments.fault)
    return replace(scenario, faults=scenario.faults + extra)


def _write(truth: Truth, out: Path, step_ms: int) -> None:
    values = {name: column[::step_ms] for name, column in truth.values.items()}
    t = np.arange(len(values["key"])) * (step_ms / 1_000.0)
    if out.suffix == ".npz":
        np.savez_compressed(out, t_s=t, **values)  # type: ignore[arg-type]  # numpy's stub takes the keywords for flags
        return
    table = np.column_stack([t, *values.values()])
    np.savetxt(out, table, fmt="%.7g", delimiter=",", header=",".join(["t_s", *values]), comments="")


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the truth of a scenario, or what it should give."""
    parser = with_arguments(argparse.ArgumentParser(prog="pullwatch_sim.truth", description=main.__doc__))
    parser.add_argument("--out", type=Path, help="file to write: .csv or .npz")
    parser.add_argument("--step-ms", type=int, default=1, help="one row every so many ms (default 1)")
    parser.add_argument("--expected", action="store_true", help="print stages, faults and expected alarms as JSON")
    chosen = parser.parse_args(arguments)
    if chosen.out is not None and chosen.out.suffix not in (".csv", ".npz"):
        parser.error(f"--out {chosen.out}: expected a name that ends in .csv or .npz")
    if chosen.step_ms < 1:
        parser.error(f"--step-ms {chosen.step_ms}: expected 1 or more")
    if chosen.out is None and not chosen.expected:
        parser.error("nothing to do: give --out FILE, --expected, or both")
    try:
        truth = simulate(scenario_of(chosen))
        story = truth.story()
    except ScenarioError as error:
        parser.error(str(error))
    if chosen.out is not None:
        _write(truth, chosen.out, chosen.step_ms)
    if chosen.expected:
        json.dump(story, sys.stdout, indent=1)
        print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
