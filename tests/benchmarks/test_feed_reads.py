"""What a read costs, from a readable port to its record.

Figures: `uv run pytest tests/benchmarks/test_feed_reads.py --benchmark-enable`, latencies with `--benchmark-json`.
"""

from __future__ import annotations

import asyncio
import os
import pty
import socket
import statistics
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind
from pullwatch.clock import SessionClock
from pullwatch.feeds.base import StreamFeed, TcpStream
from pullwatch.feeds.intake import Intake

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

READS = 50
CHUNK = b"t10081122334455667788\r" * 10
"""Ten frame lines: what one read of an slcan adapter on a full bus gives every 1.25 ms."""


def test_put_and_take(benchmark: BenchmarkFixture) -> None:
    """The cost of stamping READS pieces and taking their records once."""
    intake = Intake(SessionClock(), lambda: None)

    def once() -> int:
        for _ in range(READS):
            intake.put(1, Kind.DATA, CHUNK)
        return len(intake.take()[1])

    assert benchmark(once) == READS


def test_put_from_a_thread_and_take(benchmark: BenchmarkFixture) -> None:
    """The cost of handing over READS stamped frames and taking their records once."""
    loop = asyncio.new_event_loop()
    intake = Intake(SessionClock(), lambda: None)

    async def begin() -> None:
        intake.open_to_threads()

    loop.run_until_complete(begin())

    def once() -> int:
        for stamp in range(READS):
            intake.put_from_thread(1, Kind.DATA, CHUNK[:14], stamp)
        return len(intake.take()[1])

    assert benchmark(once) == READS
    loop.run_until_complete(asyncio.sleep(0))
    loop.close()


def test_read(benchmark: BenchmarkFixture) -> None:
    """The cost of READS reads of 220 bytes that are there, from the loop's call to the record."""
    far, near = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)  # keeps what was sent at once apart
    near.setblocking(False)
    intake = Intake(SessionClock(), lambda: None)
    feed = StreamFeed(1, "ecu", "socket://127.0.0.1:1", 0)
    feed._intake = intake
    stream = TcpStream(near, "near")
    lost: asyncio.Future[str] = asyncio.Future(loop=asyncio.new_event_loop())

    def fill() -> None:
        intake.take()
        for _ in range(READS):
            far.send(CHUNK)

    def once() -> int:
        for _ in range(READS):
            feed._readable(stream, lost)
        return len(intake.take()[1])

    assert benchmark.pedantic(once, setup=fill, rounds=200) == READS  # type: ignore[no-untyped-call] # the plugin's
    lost.get_loop().close()
    far.close()
    near.close()


@pytest.mark.parametrize("wire", ["pty", "tcp"])
async def test_latency(wire: str, benchmark: BenchmarkFixture) -> None:
    """From the write at the far end to the record's stamp, and to its being taken: half of them in less than 5 ms."""
    clock = SessionClock()
    woken = asyncio.Event()
    intake = Intake(clock, woken.set)
    if wire == "pty":
        far, near = pty.openpty()
        feed = StreamFeed(1, "ecu", os.ttyname(near), 115_200)
        server = None
    else:
        server = socket.create_server(("127.0.0.1", 0))
        feed = StreamFeed(1, "ecu", f"socket://127.0.0.1:{server.getsockname()[1]}", 0)
    feed.start(intake)
    await asyncio.wait_for(woken.wait(), 5)
    intake.take()
    woken.clear()
    if server is not None:
        accepted = server.accept()[0]
        accepted.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        far, near = accepted.detach(), server.detach()
    stamped: list[float] = []
    taken: list[float] = []
    for _ in range(500):
        begun = clock.now()
        os.write(far, CHUNK)
        await asyncio.wait_for(woken.wait(), 5)
        woken.clear()
        now, records = intake.take()
        stamped.append((records[0].t - begun) / 1e6)
        taken.append((now - begun) / 1e6)
    await feed.stop()
    os.close(far)
    os.close(near)
    for name, figures in (("stamped", stamped), ("taken", taken)):
        centiles = statistics.quantiles(figures, n=100)
        benchmark.extra_info[f"{name}, ms: median, p99, most"] = [
            round(figure, 3) for figure in (statistics.median(figures), centiles[98], max(figures))
        ]
    benchmark(lambda: None)
    assert statistics.median(taken) < 5
