"""Faults: they begin and end when they should, and each does what its sentence says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch_sim.can_frames import record_bus
from pullwatch_sim.faults import CONFOUNDERS, EVERYDAY, KINDS, Fault, Watch, When
from pullwatch_sim.play import away_spans
from pullwatch_sim.scenarios import fault_on_command_line, load
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.truth import Truth, simulate

if TYPE_CHECKING:
    from collections.abc import Callable

README = Path(__file__).parents[2] / "simulators" / "README.md"


def pull_with(text: str) -> Truth:
    """Play the short pull with one more fault."""
    scenario = load("short-pull")
    return simulate(replace(scenario, faults=(*scenario.faults, fault_on_command_line(text))))


def worst(truth: Truth, channel: str, pick: Callable[[np.ndarray[tuple[int], np.dtype[np.float64]]], float]) -> float:
    """Pick one figure of a channel over the span of the fault."""
    return pick(truth.values[channel][6_000:9_000])


def test_engine_faults(short_pull: Truth) -> None:
    """Leaks lower boost, a stuck wastegate raises it, low oil and lost charging show, knock takes timing out."""
    settled = float(short_pull.values["charge_pressure"][9_000])
    assert pull_with("boost_leak 2 12 share=0.3").values["charge_pressure"][9_000] < 0.75 * settled
    assert pull_with("wastegate_stuck 2 12 duty=50").values["charge_pressure"][9_000] > 1.25 * settled
    oil = pull_with("oil_pressure_low 2 12 factor=0.4").values["oil_pressure"][9_000]
    assert oil == pytest.approx(0.4 * float(short_pull.values["oil_pressure"][9_000]), rel=0.03)
    assert pull_with("charging_lost 2 12").values["battery_voltage"][9_000] < 12.5
    knock = pull_with("knock_burst 7 8 degrees=6")
    assert knock.values["knock_retard"][7_000] == pytest.approx(6.0, abs=0.1)
    assert knock.values["knock_retard"][10_100] == pytest.approx(0.0, abs=1.5)
    whole = short_pull.values["ignition_advance"][7_000] + short_pull.values["knock_retard"][7_000]
    assert knock.values["ignition_advance"][7_000] == pytest.approx(whole - 6.0, abs=0.2)


def test_weak_pump_gives_out_where_most_is_asked(short_pull: Truth) -> None:
    """A pump with half its flow holds the pressure at low speed, loses it at high speed, and the mixture follows."""
    weak = pull_with("fuel_pump_weak 0 20 share=0.42")
    pressure = weak.values["fuel_differential_pressure"]
    end = round(weak.moment("end of pull 1") * 1_000) - 50
    assert pressure[6_000] == pytest.approx(300.0, abs=0.5)
    assert pressure[end] < 290.0
    healthy = short_pull.values["lambda_cylinder"][round(short_pull.moment("end of pull 1") * 1_000) - 50]
    leaner = weak.values["lambda_cylinder"][end] / healthy
    assert leaner == pytest.approx(float(np.sqrt(300.0 / pressure[end])), rel=0.01)


def test_lambda_faults() -> None:
    """A cable off is silence, garbage damages lines, an error is said in words."""
    base = record_lambda(pull_with("lambda_garbage 5 7 share=0"))
    off = record_lambda(pull_with("lambda_cable_off 5 7"))
    assert not any(5.0e9 <= t < 7.0e9 for t in off.times)
    assert len(off) == pytest.approx(len(base) - 100, abs=2)
    garbled = record_lambda(pull_with("lambda_garbage 5 7 share=1"))
    assert len(garbled) == len(base)
    same = [base.slice(i, i + 1) == garbled.slice(i, i + 1) for i in range(len(base))]
    inside = [5.0e9 <= t < 7.0e9 for t in base.times]
    assert sum(same[i] for i in range(len(same)) if inside[i]) <= 2
    assert all(same[i] for i in range(len(same)) if not inside[i])
    error = record_lambda(pull_with("lambda_error 5 7"))
    words = {error.slice(i, i + 1) for i in range(len(error)) if 5.0e9 <= error.times[i] < 7.0e9}
    assert words == {b"lambda=0.000;state=error\r\n"}


def test_can_faults() -> None:
    """A lost message is missing alone, a silent bus is silent, garbage damages lines."""
    lost = record_bus(pull_with("frame_lost 5 7 message=Oil"), 310)
    inside = [lost.slice(i, i + 1)[:4] for i, t in enumerate(lost.times) if 5.0e9 <= t < 7.0e9]
    assert b"t2C3" not in inside
    assert inside.count(b"t2A1") == pytest.approx(200, abs=2)
    silent = record_bus(pull_with("bus_silent 5 7"), 800)
    assert not any(5.0e9 <= t < 7.0e9 for t in silent.times)
    assert any(t >= 7.0e9 for t in silent.times)
    whole = record_bus(pull_with("bus_garbage 5 7 share=0"), 310)
    bad = record_bus(pull_with("bus_garbage 5 7 share=0.5"), 310)
    changed = [whole.slice(i, i + 1) != bad.slice(i, i + 1) for i in range(len(whole))]
    assert 0.4 < sum(changed) / (2 * 310) < 0.6
    assert not any(changed[i] for i, t in enumerate(whole.times) if not 5.0e9 <= t < 7.0e9)


def test_unplugged_spans_and_the_starter() -> None:
    """Each adapter has its own fault; a brown-out on cranking takes both."""
    truth = pull_with("can_unplugged 5 7")
    assert away_spans(truth, "can_unplugged") == [(5_000_000_000, 7_000_000_000)]
    assert away_spans(truth, "lambda_unplugged") == []
    browned = simulate(load("short-pull", None, ["crank_brown_out"]))
    [(begin, end)] = away_spans(browned, "lambda_unplugged")
    assert end - begin == 400_000_000
    assert browned.values["engine_speed"][begin // 1_000_000 + 100] > 30.0


def test_when() -> None:
    """A fault waits for its stage and speed, then for its delay; its end likewise, or it lasts to the end."""
    fault = Fault("charging_lost", "a", When("pull 1", 4_000.0, 0.0, 0.5), When("idle", 0.0, 0.0, 0.2))
    lasting = Fault("boost_leak", "b", When(at_s=2.0), None, {"share": 0.1})
    never = Fault("boost_leak", "c", When("nowhere"), None, {"share": 0.1})
    watch = Watch([fault, lasting, never])
    for t, stage, rpm in [
        (0.0, "idle", 5_000.0),
        (1.0, "pull 1", 3_000.0),
        (2.0, "pull 1", 4_100.0),
        (2.4, "pull 1", 4_200.0),
        (2.5, "pull 1", 1_000.0),
        (3.0, "idle", 900.0),
        (3.2, "idle", 900.0),
    ]:
        watch.look(t, stage, rpm)
        assert watch.troubles.charging is not (2.5 <= t < 3.2)
    assert [(h.name, h.begin_s, h.end_s) for h in watch.happenings(9.0)] == [("b", 2.0, 9.0), ("a", 2.5, 3.2)]
    assert watch.waiting == [never]


def test_the_readme_lists_every_switch() -> None:
    """Each confounder and each fault, with its options, stands in the README, under its own name."""
    text = README.read_text(encoding="utf-8")
    for name in CONFOUNDERS:
        assert f"| `{name}` |" in text
    for name, kind in KINDS.items():
        [row] = [line for line in text.splitlines() if line.startswith(f"| `{name}` |")]
        assert all(f"`{option}`" in row for option in kind.options)
    assert set(CONFOUNDERS) > EVERYDAY
