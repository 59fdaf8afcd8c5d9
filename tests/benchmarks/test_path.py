"""Figures of the whole path, printed. Speed is claimed nowhere else; correctness along the way is asserted always.

`uv run pytest tests/benchmarks/test_path.py --benchmark-enable -s` takes some minutes; without that option each
measurement is short and only says that nothing was lost.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from full_bus import DBC, frame
from watch_full_bus import setup_text

from pullwatch.batch import Kind, Record
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath

HERE = Path(__file__).parent


@pytest.fixture
def thorough(request: pytest.FixtureRequest) -> bool:
    """Say whether this is a benchmark run."""
    return bool(request.config.getoption("benchmark_enable"))


def full_bus(folder: Path, seconds: float, burst_us: int, followers: int, signals: int) -> dict[str, Any]:
    """Watch a full bus with the real station in a process of its own; return its figures."""
    done = subprocess.run(
        [sys.executable, str(HERE / "watch_full_bus.py"), *map(str, (seconds, burst_us, followers, folder, signals))],
        capture_output=True, text=True, check=False, timeout=seconds + 120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    figures: dict[str, Any] = json.loads(done.stdout)
    return figures


@pytest.mark.parametrize(("burst_us", "followers", "signals"), [(1000, 0, 2), (1000, 10, 2), (500, 0, 2), (1000, 0, 4)])
def test_a_full_bus_from_bytes_to_state_change(
    tmp_path: Path, thorough: bool, burst_us: int, followers: int, signals: int
) -> None:
    """8,000 frames/s, four serial feeds, 60 rules, recording: nothing is lost, every change is told."""
    if not thorough and followers:
        pytest.skip("followers are measured in a benchmark run")
    figures = full_bus(tmp_path, 60.0 if thorough else 1.5, burst_us, followers, signals)
    print(
        f"\nfull bus, {signals} channels a frame, bursts of {burst_us} µs, {followers} followers: bytes to change p50 "
        f"{figures['p50_ms']:.2f}, p99 {figures['p99_ms']:.2f}, p99.9 {figures['p999_ms']:.2f}, most "
        f"{figures['most_ms']:.2f} ms ({figures['told']} changes); {figures['core_percent']:.1f} % of a core, "
        f"{figures['loop_percent']:.1f} % on the judging thread; {figures['turns_per_s']:.0f} turns/s"
    )
    assert figures["frames_decoded"] == figures["frames_sent"]
    assert figures["told"] == figures["toggles"]
    assert figures["dropped"] == 0


def test_the_whole_path_in_large_batches(tmp_path: Path, thorough: bool) -> None:
    """Decode, ring and 60 rules over recorded bytes: frames a second, large batches beside small ones in one run."""
    (tmp_path / "bench.dbc").write_text(DBC)
    (tmp_path / "setup.toml").write_text(setup_text([1, 2, 3, 4, 5], 4))
    plan = load(tmp_path / "setup.toml")
    count = 320_000 if thorough else 16_000
    text = [frame(number, number // 400 % 2 == 1) for number in range(1, count + 1)]
    rates: dict[int, list[float]] = {}
    for _ in range(3):
        for size in (8, 80_000):
            path = WatchedPath(plan)
            steps = []
            for begin in range(0, count, size):
                at = begin * 125_000
                records = [Record(at, 1, Kind.FOUND, b"")] if not begin else []
                records += [
                    Record(first * 125_000 + 10, 1, Kind.DATA, b"".join(text[first : first + 8]))
                    for first in range(begin, min(count, begin + size), 8)
                ]
                steps.append((records[-1].end, records))
            start = time.process_time()
            changes = sum(len(path.take(now, records)[1]) for now, records in steps)
            rates.setdefault(size, []).append(count / (time.process_time() - start))
            assert changes
            assert path.decoders[1].ledger.messages == count
    small, large = (statistics.median(rates[size]) for size in (8, 80_000))
    print(
        f"\nwhole path: {large:,.0f} frames/s in batches of 80,000 frames, {small:,.0f} in batches of 8 "
        f"({large / small:.1f} times)"
    )


def test_from_start_to_armed(tmp_path: Path, thorough: bool) -> None:
    """`pullwatch watch` says how long it took from its process's start until it was armed."""
    made = subprocess.run(
        [sys.executable, "-m", "pullwatch_sim.evening", "--into", str(tmp_path)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    took = []
    for _ in range(5 if thorough else 1):
        with subprocess.Popen(
            [
                *(sys.executable, "-m", "pullwatch", "watch", made.stdout.strip()),
                *("--sessions", str(tmp_path / "s"), "--device", "null"),
            ],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True,
        ) as watcher:  # fmt: skip
            assert watcher.stdout is not None
            line = next(line for line in watcher.stdout if "armed" in line)
            took.append(float(line.split("armed, ")[1].split(" s ")[0]))
            watcher.terminate()
            watcher.communicate(timeout=20)
    print(f"\nprocess start to armed: median {statistics.median(took):.2f} s, most {max(took):.2f} s")
