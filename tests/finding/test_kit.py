"""The page on the smallest kit: its table of slowest rates is what the project's own chain gives."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pullwatch.finding.questions import run_setup
from pullwatch.setup import load
from pullwatch.watchdog.alarms import Priority

from .test_setup import ALL, ANSWERS, begun

if TYPE_CHECKING:
    from pullwatch.setup import Plan

PAGE = Path(__file__).resolve().parents[2] / "hardware_notes" / "smallest-kit.md"
KNOCK = """
[[rule]]
name = "heavy knock retard"
trip = "knock_retard >= 4 deg deadband 1 deg"
priority = "critical"
says = "Heavy knock. Lift."
"""


def slowest() -> list[tuple[str, int]]:
    """Return the rules of the page's table with their slowest rates."""
    table = re.findall(r"^\| ([a-z ,-]+) \| [^|]+ \| (\d+) \|", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    return [(rule, int(rate)) for rule, rate in table]


def at_rate(folder: Path, rate: float, delay: str = "[60, 180]") -> Plan:
    """Return the plan of what `setup` writes, every channel at `rate`."""
    channels = (*ALL, "knock_retard")
    more = "".join(
        f"\n[channel.{name}]\nrate_hz = {rate}\n" + (f"delay_ms = {delay}\n" if name == "lambda" else "")
        for name in channels
    )
    path = begun(folder, channels, more=f"{more}\n[channel.fuel_differential_pressure]\nrate_hz = {rate}\n{KNOCK}")
    run_setup(path, said=ANSWERS)
    return load(path)


def is_critical(plan: Plan, rule: str) -> bool:
    """Whether a rule is told as critical."""
    return next(facts.priority for facts in plan.facts if facts.name == rule) is Priority.CRITICAL


def test_the_table_has_every_timed_rule() -> None:
    """No rule of the table is missed by its form."""
    assert len(slowest()) == 7


@pytest.mark.parametrize(("rule", "rate"), slowest())
def test_the_slowest_rates_are_those_of_the_chain(tmp_path: Path, rule: str, rate: int) -> None:
    """At the rate of the page the rule is critical; one reading a second fewer, and it is told for the record."""
    assert is_critical(at_rate(tmp_path, rate), rule)
    assert not is_critical(at_rate(tmp_path, rate - 1), rule)


def test_ten_readings_a_second_need_a_quick_sensor(tmp_path: Path) -> None:
    """At 10 Hz the lean rule is critical if sensor and filter are done in 150 ms, and not in 180."""
    assert is_critical(at_rate(tmp_path, 10, "[50, 150]"), "lean under boost")
    assert not is_critical(at_rate(tmp_path, 10, "[60, 180]"), "lean under boost")
