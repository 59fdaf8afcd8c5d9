"""What one feed's flood of garbage costs the others, printed, with and without it in one run: steps, and real ports.

`uv run pytest tests/benchmarks/test_flood.py --benchmark-enable -s`
"""

from __future__ import annotations

import asyncio
import json
import random
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.clock import SessionClock, steady_ns
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath
from pullwatch.station import Station

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.batch import Batch
    from pullwatch.columns import Sample
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

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


WIRE = """
[car]
name = "bench"

[[feed]]
name = "talks"
kind = "serial-line"
port = "socket://127.0.0.1:{}"
fields = [{{ channel = "at", key = "at" }}]

[[feed]]
name = "floods"
kind = "serial-line"
port = "socket://127.0.0.1:{}"
fields = [{{ channel = "oil_pressure", key = "p" }}]

[channel.at]
unit = ""

[[rule]]
name = "rests on it"
trip = "at < 0"
"""
USB = 1_000_000
"""Bytes a second: what USB at full speed gives at the most (12 Mbit/s, less its framing)."""


class Lags:
    """A sink that notes when each line was in its hands."""

    def __init__(self, channel: int) -> None:
        self.got: list[tuple[int, int]] = []
        self._channel = channel

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:  # noqa: ARG002 - a sink is told so
        """Note sent (µs) and now (ns)."""
        now = steady_ns()
        samples: list[Sample] = batch.samples or []
        if batch.columns and self._channel in batch.columns:
            self.got += [(int(value), now) for value in batch.columns[self._channel].v]
        self.got += [(int(value), now) for _, channel, value, _ in samples if channel == self._channel]

    def rules_are(self, rules: RuleSet) -> None:
        """Rules are not changed here."""

    def close(self) -> None:
        """Nothing is held."""


@pytest.fixture
def seconds(request: pytest.FixtureRequest) -> float:
    """Return how long is measured."""
    return 20.0 if request.config.getoption("benchmark_enable") else 2.0


@pytest.fixture
def devices(seconds: float) -> Iterator[subprocess.Popen[str]]:
    """Start the two devices."""
    command = [sys.executable, str(Path(__file__).with_name("flooder.py")), str(seconds), str(USB)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as started:
        try:
            yield started
        finally:
            started.kill()


async def test_a_flood_at_full_usb_rate_beside_another_port(
    tmp_path: Path, seconds: float, devices: subprocess.Popen[str]
) -> None:
    """On real ports, in one run: no line of the other feed is lost; p99 from its writing to the sinks is printed.

    The ratio may be below one: while little comes the station gathers for some milliseconds (QUIET_TURN) before a turn.
    """
    assert devices.stdout is not None
    said_by = devices.stdout
    (tmp_path / "setup.toml").write_text(WIRE.format(*said_by.readline().split()), encoding="utf-8")
    plan = load(tmp_path / "setup.toml")
    lags = Lags(plan.channel("at").number)
    station = Station(plan, (lags,), clock=SessionClock(), base=tmp_path)
    loop = asyncio.get_running_loop()
    said: list[str] = []

    def ended() -> None:
        said.append(said_by.readline())
        loop.remove_reader(said_by)
        loop.call_later(0.2, station.stop, "the flood is over")

    loop.add_reader(said_by, ended)
    await station.run()
    told = json.loads(said[0])
    took = [(1_000 * sent + told["zero"], now) for sent, now in lags.got]
    calm = [(now - sent) / 1e6 for sent, now in took if sent < told["half"]]
    loud = [(now - sent) / 1e6 for sent, now in took if sent >= told["half"]]
    assert len(took) == sum(told["sent"])
    assert station.path.decoders[1].ledger.rejected == 0
    flooded = station.path.decoders[2].ledger
    assert flooded.balances
    assert flooded.taken + station.intake.dropped.get(2, 0) == told["flooded"] > 0.5 * USB * seconds / 2
    p99 = [statistics.quantiles(one, n=100)[98] for one in (calm, loud)]
    print(
        f"\ngarbage at {told['flooded'] / (seconds / 2) / 1e6:.1f} MB/s at another port: p99 of a line {p99[0]:.2f} ms "
        f"without, {p99[1]:.2f} ms with ({p99[1] / p99[0]:.2f} times), {len(took):,} lines, none lost"
    )
