"""Figures of replay and what-if, printed: the whole path from the file on, and a number swept over an hour.

`uv run pytest tests/benchmarks/test_whatif.py --benchmark-enable -s` takes some minutes; without that option sessions
are short, and only that everything comes out right is asserted.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from recorded_hour import Wire, plan_in, write

from pullwatch.clock import NS_PER_S
from pullwatch.recording.reader import Session
from pullwatch.replaying import verify
from pullwatch.whatif.workers import usable_cores

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def thorough(request: pytest.FixtureRequest) -> bool:
    """Say whether this is a benchmark run."""
    return bool(request.config.getoption("benchmark_enable"))


@pytest.mark.parametrize("wire", ["packets", "can"])
def test_replay_of_a_hundred_channels_with_twenty_rules(tmp_path: Path, thorough: bool, wire: Wire) -> None:
    """100 channels at 100 Hz, 20 rules: opened, read, decoded, judged and compared, how many times real time."""
    seconds = 600.0 if thorough else 3.0
    folder = write(tmp_path, plan_in(tmp_path, wire), wire, seconds)
    begun, busy = time.perf_counter(), time.process_time()
    session = Session(folder)
    opened = time.perf_counter() - begun
    found = verify(session)
    took, busy = time.perf_counter() - begun, time.process_time() - busy
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\nreplay, {wire}: {seconds / took:,.0f} times real time ({seconds / busy:,.0f} by processor time), of it "
        f"{opened:.2f} s to open {seconds / 60:g} min; "
        f"{found.changes} changes verified; {memory:,.0f} MB at most in this process"
    )
    assert found.agree
    assert found.now > (seconds - 0.1) * NS_PER_S


def processor_time() -> float:
    """Return the seconds that programs started from here have computed."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


@pytest.fixture(scope="module")
def long_session(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """Return the folder of an hour (without --benchmark-enable: of three seconds)."""
    seconds = 3_600.0 if request.config.getoption("benchmark_enable") else 3.0
    folder = tmp_path_factory.mktemp("hour")
    return write(folder, plan_in(folder, "packets"), "packets", seconds)


@pytest.mark.parametrize(
    ("name", "span"),
    [
        ("rule.rule 00.trip", ("60", "79.98", "0.02")),
        ("limit.along.shift", ("-20", "29.95", "0.05")),
        ("rule.rule 01.dose", ("0.1", "20.08", "0.02")),
    ],
)
def test_a_thousand_variants_over_an_hour(
    long_session: Path, thorough: bool, name: str, span: tuple[str, str, str]
) -> None:
    """One rule of 20: a plain limit, a delayed one along a curve with a dose, the dose itself; the whole command."""
    first, last, step = span
    if not thorough:
        step = str(100 * float(step))
    options = ["--vary", name, "--from", first, "--to", last, "--step", step]
    begun, busy = time.perf_counter(), processor_time()
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "whatif", str(long_session), *options],
        capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    took, busy = time.perf_counter() - begun, processor_time() - busy
    assert done.returncode in (0, 1), done.stderr
    head = done.stdout.splitlines()[0]
    print(
        f"\n{took:.1f} s on {usable_cores()} cores ({busy:.1f} s of processor time), from the command to its table: "
        f"{head}"
    )
    assert f"({1000 if thorough else 10:,} values" in head
