"""Figures of the report: ten minutes of 100 channels at 100 Hz, decoding included, from the command to the file.

`uv run pytest tests/benchmarks/test_report.py --benchmark-enable -s` prints them; without that option the session is
short, and only that everything comes out right is asserted.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Final

import numpy as np
from tests.review.tables import pull

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath
from pullwatch.whatif.writing import SessionWriter

if TYPE_CHECKING:
    from pathlib import Path

    import pytest
    from numpy.typing import NDArray

    from pullwatch.setup import Plan

CHANNELS: Final = 100
PERIOD: Final = 10 * NS_PER_MS
EVERY: Final = 30.0
"""Seconds from one pull to the next."""
CURVES: Final = pull(
    **{  # type: ignore[arg-type]  # curves, as `pull` takes them: a list of pairs of numbers
        "lambda": [(0, 1.0), (2, 1.0), (3, 0.82), (8, 0.84), (8.2, 1.4), (9, 1.4), (9.5, 1.0)],
        "lambda_target": [(0, 1.0), (2, 1.0), (2.2, 0.82), (8, 0.82), (8.1, 1.0)],
        "wastegate_duty": [(0, 0), (2, 0), (2.1, 35), (8, 35), (8.1, 0)],
        "oil_pressure": [(0, 250), (2, 250), (8, 480), (10, 300)],
        "coolant_temperature": [(0, 88)],
        "fuel_differential_pressure": [(0, 300)],
        "injector_pulse_width": [(0, 2), (2, 2), (3, 9), (8, 12), (8.1, 0), (9, 2)],
        "knock_retard": [(0, 0), (5, 0), (5.1, 3), (6, 0)],
    }
)
SCALES: Final = {"engine_speed": (1.0, 0.0), "lambda": (0.0001, 0.0), "lambda_target": (0.0001, 0.0)}
OTHER: Final = (0.02, -100.0)
RULES: Final = """
[limit.leanest]
along = "manifold_pressure"
at = [120, 200]
value = [0.90, 0.86]

[[rule]]
name = "lean under boost"
while = "manifold_pressure > 120 kPa"
trip = "lambda > leanest"
on_delay_ms = 50
latch = true
priority = "critical"
says = "Lean under boost. Lift."
"""


def plan_in(folder: Path) -> Plan:
    """Write a setup of 100 channels, of which the first are an engine's, and return its plan."""
    names = [*CURVES, *(f"c{number:02d}" for number in range(len(CURVES), CHANNELS))]
    lines = ["[car]", 'name = "copper hatch"', "", "[[feed]]", 'name = "ecu"', 'port = "socket://127.0.0.1:47999"']
    lines += ['kind = "serial-packet"', 'sync = "A5 5A"', 'byte_order = "little"', f"length = {2 + 2 * CHANNELS}"]
    lines += ["fields = ["]
    for n, name in enumerate(names):
        scale, offset = SCALES.get(name, OTHER)
        lines += [f'{{ channel = "{name}", at = {2 + 2 * n}, type = "u16", scale = {scale}, offset = {offset} }},']
    lines += ["]"]
    for name in names[len(CURVES) :]:
        lines += ["", f"[channel.{name}]", 'unit = "kPa"', 'kind = "gauge"', "believable = [-100, 1300]"]
        lines += ["rate_hz = 100", "", "[[rule]]", f'name = "{name} high"', f'trip = "{name} > 500 kPa"']
        if name == f"c{len(CURVES) + 20}":
            break
    listed = {line.split(".")[1].rstrip("]") for line in lines if line.startswith("[channel.")}
    for name in names[len(CURVES) :]:
        if name not in listed:
            lines += ["", f"[channel.{name}]", 'unit = "kPa"', 'kind = "gauge"', "believable = [-100, 1300]"]
    text = "\n".join(lines) + RULES
    (folder / "setup.toml").write_text(text, encoding="utf-8")
    return load(folder / "setup.toml")


def readings(seconds: float) -> NDArray[np.uint16]:
    """Return raw readings, shape (samples, channels): a pull every half minute, and slow swings with noise beside."""
    count = int(seconds * 1e9 / PERIOD)
    rng = np.random.default_rng(1)
    t = np.arange(count) * (PERIOD / 1e9)
    out = np.empty((count, CHANNELS), np.uint16)
    for place, (name, points) in enumerate(CURVES.items()):
        scale, offset = SCALES.get(name, OTHER)
        at, v = np.array(points, dtype=np.float64).T
        # A step is two points at one time; `interp` needs them apart, and by less than a sample.
        value = np.interp(t % EVERY, at + np.arange(len(at)) * 1e-6, v)
        out[:, place] = np.clip(np.round((value - offset) / scale), 0, 65_535)
    for place in range(len(CURVES), CHANNELS):
        slow = 40.0 * np.sin(t / (7.0 + place) + place) + rng.normal(0, 0.5, count)
        out[:, place] = (slow - OTHER[1]) / OTHER[0]
    return out


def write(folder: Path, plan: Plan, seconds: float) -> Path:
    """Write a session and return its folder."""
    start = {
        "car": plan.car.name,
        "clock": {"zero": 0, "wall": 0, "uncertainty": 0},
        "plan": plan.to_dict(),
        "recording": {"feeds": {"0": "acts", "1": "ecu"}, "pair": {"t": 0, "wall": 0, "uncertainty": 0}},
    }
    path = WatchedPath(plan)
    session = folder / "session"
    raw = readings(seconds)
    with SessionWriter(session, start, {0: "acts", 1: "ecu"}) as writer:
        for first in range(0, len(raw), 100):
            if first:
                writer.checkpoint(path.checkpoint())
            records = [
                Record((first + i) * PERIOD, 1, Kind.DATA, b"\xa5\x5a" + row.astype("<u2").tobytes())
                for i, row in enumerate(raw[first : first + 100])
            ]
            now = records[-1].end
            _, changes = path.take(now, records)
            writer.block(now, records, [(change, plan.rules.rules[change.rule].name) for change in changes])
        writer.close("written for figures")
    return session


def test_ten_minutes_of_a_hundred_channels_become_a_report(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """From the command to the file, decoding included: 5 s to hold."""
    seconds = 600.0 if request.config.getoption("benchmark_enable") else 12.0
    session = write(tmp_path, plan_in(tmp_path), seconds)
    file = tmp_path / "report.html"
    words = ["review", str(session), "--html", str(file), "--logbook", str(tmp_path / "none.sqlite")]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", *words], check=False, capture_output=True, text=True, timeout=300
    )
    took = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert done.returncode == 0, done.stderr
    text = file.read_text(encoding="utf-8")
    assert text.count('class="run"') == round(seconds / EVERY + 0.4)
    print(
        f"\nreport of {seconds / 60:g} min, {CHANNELS} channels at 100 Hz: {took:.1f} s, {busy:.1f} s of processor "
        f"time, {len(text) / 1e6:.2f} MB"
    )
