"""Ready rules against figures from outside the project, each with its source and how certain it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.cases import read_cases, run
from pullwatch.setup import load
from pullwatch.setup.catalogue import shipped_cases
from pullwatch.watchdog.limits import Curve

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

HEALTHY = """
[healthy]
engine_speed = 5500
manifold_pressure = 180
barometric_pressure = 100
cut_active = 0
throttle = 100
vehicle_speed = 100
"""


def shipped(folder: Path, *changes: tuple[str, str]) -> Plan:
    """Return the plan of the catalogue's own cases, with changes to its setup."""
    with shipped_cases() as (setup, _):
        text = setup.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "setup.toml").write_text(text, encoding="utf-8")
    return load(folder / "setup.toml")


def speaks(folder: Path, plan: Plan, rule: str, **series: str) -> bool:
    """Whether a rule speaks in a case of 6 s."""
    said = "".join(f'series.{name} = "{text}"\n' for name, text in series.items())
    path = folder / "tried.cases.toml"
    case = f'[[case]]\nname = "tried"\nrule = "{rule}"\nlasts = "6 s"\nexpect = "quiet"\n{said}'
    path.write_text(f"{HEALTHY}\n{case}", encoding="utf-8")
    return run(plan, read_cases(path, plan)[0]).differs


LEANEST = """along = "manifold_pressure"
at = [120, 160, 200, 240]         # kPa absolute
value = [0.90, 0.86, 0.84, 0.83]"""


def test_a_lean_cut_of_12_5_to_1_is_lambda_0_85(tmp_path: Path) -> None:
    """12.5:1 on the scale of 14.7 is where a lean cut under boost is commonly set on petrol.

    Common practice, no single source, from memory; lambda = 12.5 / 14.7 = 0.85034 by definition, computed.
    """
    plan = shipped(tmp_path, (LEANEST, 'value = 12.5\nunit = "AFR@14.7"'))
    limit = next(each for each in plan.limits if each.name == "leanest")
    assert limit.value == pytest.approx((0.85034,), abs=1e-5)
    assert not speaks(tmp_path, plan, "lean under boost", **{"lambda": "12.49 AFR@14.7"})
    assert speaks(tmp_path, plan, "lean under boost", **{"lambda": "12.60 AFR@14.7"})
    # 13.2:1 is lambda 0.89796: it fills a dose of 0.008 at 0.0476 over in 168 ms.
    assert speaks(tmp_path, plan, "lean under boost", **{"lambda": "0.80 for 1 s, 13.2 AFR@14.7 for 0.2 s, 0.80"})
    assert not speaks(tmp_path, plan, "lean under boost", **{"lambda": "0.80 for 1 s, 13.2 AFR@14.7 for 0.14 s, 0.80"})


def test_oil_pressure_of_10_psi_for_each_1000_rpm(tmp_path: Path) -> None:
    """20 psi, 137.9 kPa gauge, at 2,000 rpm (common practice, no single source, from memory)."""
    plan = shipped(tmp_path)
    for name in ("least_oil", "least_slow_oil"):
        limit = next(each for each in plan.limits if each.name == name)
        curve = Curve(limit.name, 0, limit.at, limit.value, limit.hold)
        assert curve.one(2000.0) == pytest.approx(137.9, abs=0.1), name
    # 8 kPa below is told after a second, 8 kPa above is not.
    low = {"engine_speed": "2000", "manifold_pressure": "40"}
    assert speaks(tmp_path, plan, "oil pressure low at idle", oil_pressure="130", **low)
    assert not speaks(tmp_path, plan, "oil pressure low at idle", oil_pressure="146", **low)


def test_injector_duty_is_pulse_width_times_speed_over_1200(tmp_path: Path) -> None:
    """10 ms at 6,000 rpm are 50.0 %, 17.14 ms at 7,000 rpm 100.0 % (one injection in two turns; computed)."""
    plan = shipped(tmp_path)
    assert not speaks(tmp_path, plan, "injector duty high", engine_speed="6000", injector_pulse_width="10")
    assert speaks(tmp_path, plan, "injectors full", engine_speed="7000", injector_pulse_width="17.1428571")
    # 95 % at 6,000 rpm is 19.0 ms: the limit itself is not beyond it.
    assert not speaks(tmp_path, plan, "injectors full", engine_speed="6000", injector_pulse_width="18.99")
    assert speaks(tmp_path, plan, "injectors full", engine_speed="6000", injector_pulse_width="19.01")


def test_differential_pressure_is_rail_less_manifold(tmp_path: Path) -> None:
    """5.0 bar at the rail and 1.5 bar of boost leave 3.5 bar, 4.5 bar leave 3.0 bar (definition, computed)."""
    plan = shipped(tmp_path, ("value = 300                       # kPa", "value = 350"))
    boost = {"manifold_pressure": "250"}
    assert not speaks(tmp_path, plan, "fuel pressure falling", fuel_pressure="5.0 bar", **boost)
    # 3.0 of 3.5 bar is 86 %: below 90, above 80.
    assert speaks(tmp_path, plan, "fuel pressure falling", fuel_pressure="4.5 bar", **boost)
    assert not speaks(tmp_path, plan, "fuel differential pressure low", fuel_pressure="4.5 bar", **boost)


def test_pressure_ratio_counts_from_the_air_around(tmp_path: Path) -> None:
    """20 psi of boost over air of 12.2 psi are a pressure ratio of 2.6393 (definition, computed)."""
    pressed = {"manifold_pressure": "32.2 psia", "barometric_pressure": "12.2 psia"}
    added = "[limit.highest_pressure]\n"
    for limit, beyond in ((2.63, True), (2.65, False)):
        plan = shipped(tmp_path, (added, f"[limit.highest_pressure_ratio]\nvalue = {limit}\n\n{added}"))
        assert speaks(tmp_path, plan, "pressure ratio high", **pressed) is beyond


def test_knock_is_watched_from_two_degrees_and_critical_from_four(tmp_path: Path) -> None:
    """Watch at 2 degrees of retard, alarm at 4 (common practice, no single source, from memory)."""
    plan = shipped(tmp_path)
    for degrees, watched, alarmed in (("1.9", False, False), ("2.0", True, False), ("4.0", True, True)):
        said = f"0 for 1 s, {degrees}"
        assert speaks(tmp_path, plan, "knock retard", knock_retard=said) is watched
        assert speaks(tmp_path, plan, "heavy knock retard", knock_retard=said) is alarmed
