"""What one feed's flood of garbage costs the others, printed: the same steps with and without it, in one run.

`uv run pytest tests/benchmarks/test_flood.py --benchmark-enable -s`
"""

from __future__ import annotations

import random
import statistics
import time
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:47998"
fields = [{ channel = "lambda", key = "lambda" }]

[[feed]]
name = "oil"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "oil_pressure", key = "p" }]

[[rule]]
name = "lean"
trip = "lambda > 0.9 lambda"
"""
STEP = 2_000_000
"""ns of path time."""
LINK = 115_200 // 10 * STEP // 1_000_000_000
"""Bytes that a full link at 115,200 Bd gives in a step; a fast USB device gives a hundred times as much."""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Return a plan of two feeds."""
    path = tmp_path / "setup.toml"
    path.write_text(SETUP, encoding="utf-8")
    return load(path)


def watched(plan: Plan, steps: int, flood: int) -> tuple[list[float], int]:
    """Return what each step with a lambda line took (ms), and how many lambda messages were read."""
    rng = random.Random(1)
    path = WatchedPath(plan)
    took = []
    for number in range(steps):
        t = (number + 1) * STEP
        records = [Record(t, 2, Kind.DATA, rng.randbytes(flood))] if flood else []
        line = Record(t + flood + 1, 1, Kind.DATA, b"lambda=0.8%02d\n" % (number % 100))
        records.append(line)
        begun = time.perf_counter()
        path.take(line.end, records)
        took.append((time.perf_counter() - begun) * 1e3)
    return took, path.decoders[1].ledger.messages


@pytest.mark.parametrize("times", [1, 100])
def test_a_flood_costs_the_others_nothing(plan: Plan, request: pytest.FixtureRequest, times: int) -> None:
    """No line of the other feed is lost; what a step takes longer is printed."""
    steps = 5_000 if request.config.getoption("benchmark_enable") else 200
    calm, alone = watched(plan, steps, 0)
    loud, beside = watched(plan, steps, LINK * times)
    assert alone == beside == steps
    p99 = [statistics.quantiles(one, n=100)[98] for one in (calm, loud)]
    print(
        f"\ngarbage at {times} × a full link of 115,200 Bd: p99 of a step {p99[0]:.3f} ms without, {p99[1]:.3f} with "
        f"({p99[1] / p99[0]:.1f} times)"
    )
