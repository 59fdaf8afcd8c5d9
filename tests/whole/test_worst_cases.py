"""Real faults, seeded into evenings with everything that confuses, are told within what `check` prints.

The chain that `check` prints runs from the cylinder to the ear. Here it is held against the simulator's truth up to the
change of state: sound, person and pedal come after it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from pullwatch.batch import Kind, Record
from pullwatch.checks import chain_of
from pullwatch.clock import NS_PER_S
from pullwatch.setup import load as load_setup
from pullwatch.station import Path as WatchedPath
from pullwatch.watchdog.alarms import Event
from pullwatch_sim.can_frames import record_bus
from pullwatch_sim.evening import HERE
from pullwatch_sim.scenarios import fault_on_command_line, load
from pullwatch_sim.sensors import ALL_CONFOUNDERS
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pullwatch.setup import Plan
    from pullwatch_sim.tape import Tape
    from pullwatch_sim.truth import Truth

AFTER_JUDGING: Final = frozenset({"sound", "person", "pedal and manifold"})
SEEDS: Final = (3, 17)


@cache
def plan() -> Plan:
    """Return the demonstration's plan."""
    with TemporaryDirectory() as folder:
        for name in ("demo_setup.toml", "copper_hatch.dbc"):
            (Path(folder) / name).write_bytes((HERE / name).read_bytes())
        return load_setup(Path(folder) / "demo_setup.toml")


def reads(tape: Tape, feed: int) -> list[tuple[int, int, bytes]]:
    """Return what a port gives when it is read every 2 ms."""
    out: list[tuple[int, int, bytes]] = []
    for t, (begin, end) in zip(tape.times, pairwise(tape.offsets), strict=True):
        at = (t // 2_000_000 + 1) * 2_000_000
        if out and out[-1][0] == at:
            out[-1] = (at, feed, out[-1][2] + tape.blob[begin:end])
        else:
            out.append((at, feed, tape.blob[begin:end]))
    return out


def raised(truth: Truth, rule: str) -> list[float]:
    """Return when (s) a rule is raised in an evening put through the path."""
    arrivals = sorted([*reads(record_bus(truth, 310), 1), *reads(record_lambda(truth), 2)])
    path, free = WatchedPath(plan()), 0
    records = []
    for t, feed, data in arrivals:
        records.append(Record(max(t, free), feed, Kind.DATA, data))
        free = records[-1].end + 1
    number = next(facts for facts, each in enumerate(plan().facts) if each.name == rule)
    out = []
    for at in range(0, len(records), 4_000):
        some = records[at : at + 4_000]
        out += [c.t for c in path.take(some[-1].end, some)[1] if c.rule == number and c.event is Event.RAISE]
    return [t / NS_PER_S for t in out]


def bound_s(rule: str, *, run_up: bool = True) -> float:
    """Return the most (s) that `check` prints for a rule up to the change of state."""
    chain = chain_of(plan(), next(each for each in plan().rules.rules if each.name == rule))
    left_out = AFTER_JUDGING if run_up else AFTER_JUDGING | {"run-up"}
    return sum(part.most for part in chain.parts if part.name not in left_out) / 1e3


def from_then_on(holds: NDArray[np.bool_], for_s: float) -> float:
    """Return when (s) something begins to hold for at least so long."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
    for begin, end in edges.reshape(-1, 2).tolist():
        if end - begin >= for_s * 1_000:
            return float(begin) / 1_000.0
    pytest.fail("the fault never did what it is for")


def boosted(truth: Truth) -> NDArray[np.bool_]:
    """Return at every ms whether the engine truly is under boost, well above arming."""
    return truth.values["manifold_pressure"] > truth.values["barometric_pressure"] + 25.0


def evening(scenario: str, seed: int, *faults: str) -> Truth:
    """Play an evening with every confounder, and faults."""
    chosen = load(scenario, seed, set(ALL_CONFOUNDERS) - {"crank_brown_out"})
    return simulate(replace(chosen, faults=(*chosen.faults, *map(fault_on_command_line, faults))))


def midst_of_pull(scenario: str, seed: int) -> float:
    """Return a moment (s) well in the pull, under boost."""
    truth = evening(scenario, seed)
    return (from_then_on(boosted(truth), 1.0) + truth.marks["end of pull 1"]) / 2


@pytest.mark.parametrize("seed", SEEDS)
def test_a_mixture_that_goes_lean(seed: int) -> None:
    """The dose is full in truth; from there on it takes no longer than the chain without its run-up."""
    truth = evening("short-lean", seed)
    limit = plan().rules.curves["leanest"].many(truth.values["manifold_pressure"])
    excess = np.where(boosted(truth), np.maximum(truth.values["lambda_cylinder"] - limit, 0.0), 0.0)
    excess = np.where(truth.values["cut_active"] > 0, 0.0, np.minimum(excess, 1.0))
    full = float(np.flatnonzero(np.cumsum(excess) / 1_000.0 >= 0.008)[0]) / 1_000.0
    (first, *_) = raised(truth, "lean under boost")
    constant = plan().channel("lambda").delay.time_constant / NS_PER_S
    # A dose is fed by what the sensor says, which creeps up on the truth with its time constant.
    assert full < first <= full + bound_s("lean under boost", run_up=False) + 3 * constant


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cable_that_comes_off(seed: int) -> None:
    """The mixture is no longer known, under boost."""
    at = midst_of_pull("short-pull", seed)
    truth = evening("short-pull", seed, f"lambda_cable_off {at} {at + 5}")
    (first,) = raised(truth, "no mixture reading")
    assert at < first <= at + bound_s("no mixture reading")


@pytest.mark.parametrize("seed", SEEDS)
def test_oil_pressure_that_does_not_follow(seed: int) -> None:
    """Half of what it should be, in the midst of a pull."""
    at = midst_of_pull("short-pull", seed)
    truth = evening("short-pull", seed, f"oil_pressure_low {at} {at + 5} factor=0.4")
    least = plan().rules.curves["least_oil"].many(truth.values["engine_speed"])
    low = (truth.values["oil_pressure"] < least - 10.0) & (truth.values["engine_speed"] > 2_700)
    since = from_then_on(low, 0.5)
    (first, *_) = raised(truth, "oil pressure low")
    assert first <= since + bound_s("oil pressure low")


@pytest.mark.parametrize("seed", SEEDS)
def test_boost_beyond_what_the_engine_can_take(seed: int) -> None:
    """The wastegate stays shut."""
    truth = evening("short-pull", seed, "wastegate_stuck 0 60 duty=50")
    since = from_then_on(truth.values["manifold_pressure"] > 205.0 + 6.0, 0.4)
    (first, *_) = raised(truth, "overboost")
    assert first <= since + bound_s("overboost")


@pytest.mark.parametrize("seed", SEEDS)
def test_fuel_pressure_that_does_not_follow(seed: int) -> None:
    """The pump gives a part of its flow only."""
    truth = evening("short-pull", seed, "fuel_pump_fade 0 60 falls=0.35")
    since = from_then_on(boosted(truth) & (truth.values["fuel_differential_pressure"] < 0.8 * 300.0 - 8.0), 0.3)
    (first, *_) = raised(truth, "fuel differential pressure low")
    assert first <= since + bound_s("fuel differential pressure low")


@pytest.mark.parametrize("seed", SEEDS)
def test_heavy_knock(seed: int) -> None:
    """The controller takes five degrees out at once."""
    at = midst_of_pull("short-pull", seed)
    truth = evening("short-pull", seed, f"knock_burst {at} {at + 0.5} degrees=5")
    first = min(t for t in raised(truth, "heavy knock retard") if t > at)
    assert first <= at + bound_s("heavy knock retard")


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1_000, 1_170))
def test_many_evenings(seed: int) -> None:
    """The same six faults over 1,020 evenings."""
    test_a_mixture_that_goes_lean(seed)
    test_a_cable_that_comes_off(seed)
    test_oil_pressure_that_does_not_follow(seed)
    test_boost_beyond_what_the_engine_can_take(seed)
    test_fuel_pressure_that_does_not_follow(seed)
    test_heavy_knock(seed)
