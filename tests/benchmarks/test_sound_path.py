"""From the bytes of the triggering sample to the first frame of "Lift" handed to the device; figures printed.

`uv run pytest tests/benchmarks/test_sound_path.py --benchmark-enable -s` takes two minutes; without that option it is
short and says that every alarm was heard once. The whole path is the real one: another process writes a line to a port,
the station reads, decodes and judges it, `Sound` asks, the sentinel's process plays; its null device stamps the frame.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pullwatch.annunciators.sound import Sound
from pullwatch.clock import NS_PER_MS, SessionClock
from pullwatch.sentinel.link import SentinelLink
from pullwatch.sentinel.wire import What
from pullwatch.setup import load
from pullwatch.station import Station

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.watchdog.alarms import Priority, State

SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "strip"

[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:{port}"
fields = [{{ channel = "lambda", key = "lambda" }}]

[channel.lambda]
rate_hz = 100

[[rule]]
name = "lean"
trip = "lambda > 0.9 lambda"
off_delay_ms = 5
priority = "critical"
says = "Lean. Lift."
"""
REQUIRED_MS = 100.0


class Numbered:
    """Signals that go to the sentinel; remembers the message numbers of those that were asked for."""

    def __init__(self, link: SentinelLink) -> None:
        self.link = link
        self.asked: list[int] = []

    def alarm(self, priority: Priority, rule: int, state: State) -> int:
        """Pass it on."""
        self.asked.append(self.link.alarm(priority, rule, state))
        return self.asked[-1]

    def silence(self, *, finish: bool = False) -> None:  # noqa: ARG002 - signals are asked so
        """Pass it on, without waiting for the burst: the next alarm is to begin from silence."""
        self.link.silence()


@pytest.fixture
def count(request: pytest.FixtureRequest) -> int:
    """Return how many alarms are raised."""
    return 1_500 if request.config.getoption("benchmark_enable") else 15


@pytest.fixture
def sender(count: int) -> Iterator[subprocess.Popen[str]]:
    """Start the device."""
    command = [sys.executable, str(Path(__file__).with_name("lambda_sender.py")), str(count)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as started:
        try:
            yield started
        finally:
            started.kill()


async def test_from_the_triggering_bytes_to_the_first_frame(
    tmp_path: Path, count: int, sender: subprocess.Popen[str]
) -> None:
    """Every lean sample is heard, once; from its writing to the first frame handed over p99.9 is at most 100 ms."""
    assert sender.stdout is not None
    assert sender.stdin is not None
    said_by, to = sender.stdout, sender.stdin
    (tmp_path / "setup.toml").write_text(SETUP.format(port=int(said_by.readline())), encoding="utf-8")
    plan = load(tmp_path / "setup.toml")
    link = SentinelLink(device="null", stderr=subprocess.DEVNULL)
    link.start()
    signals = Numbered(link)
    station = Station(
        plan, (Sound(plan.rules, signals, driver=True),), clock=SessionClock(), base=tmp_path, sentinel=link
    )
    loop = asyncio.get_running_loop()
    frames: dict[int, int] = {}
    sent: list[int] = []

    def reports() -> None:
        for report in link.poll():
            if report.what is What.FIRST_FRAME:
                frames[report.seq] = report.t
            elif report.what is What.DEVICE_NULL:
                to.write("go\n")
                to.flush()
            assert not report.trouble, report

    def ended() -> None:
        sent.extend(json.loads(said_by.readline()))
        loop.remove_reader(said_by)
        loop.call_later(0.3, station.stop, "all was sent")

    loop.add_reader(link.fileno(), reports)
    loop.add_reader(said_by, ended)
    try:
        async with asyncio.timeout(600.0):
            await station.run()
    finally:
        loop.remove_reader(link.fileno())
        with suppress(ValueError):
            loop.remove_reader(said_by)
        link.close()
    took = [(frames[seq] - at) / NS_PER_MS for seq, at in zip(signals.asked, sent, strict=True)]
    assert len(took) == count
    assert min(took) > 0.0
    p50, p99, p999 = (statistics.quantiles(took, n=1000, method="inclusive")[k] for k in (499, 989, 998))
    print(
        f"\ntriggering bytes to first frame handed over, {count:,} alarms: p50 {p50:.1f}, p99 {p99:.1f}, "
        f"p99.9 {p999:.1f}, most {max(took):.1f} ms"
    )
    assert p999 <= REQUIRED_MS
