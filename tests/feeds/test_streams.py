"""The stream feed where ports misbehave: pulled in mid-line, held by others, hung, flooded, not ports at all."""

from __future__ import annotations

import asyncio
import socket
import struct
import termios
import threading
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest
from serial import SerialException

from pullwatch.batch import Kind
from pullwatch.errors import PortError
from pullwatch.feeds import base, serial
from pullwatch.feeds.base import RETRY_FIRST, RETRY_MOST, Reopening, aside, open_device
from pullwatch.feeds.kinds import build
from pullwatch.feeds.ports import PortFacts

from .rigs import Pty, Taker, Tcp, serial_line

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.feeds.base import Feed


@pytest.fixture
def line(tmp_path: Path) -> Callable[..., Feed]:
    """Return what builds a serial line feed."""
    return lambda port, number=1: build(serial_line(port, f"line{number}"), number, tmp_path)


async def test_half_a_line_at_the_unplug_stays_in_the_records(
    line: Callable[..., Feed], taker: Taker, tmp_path: Path
) -> None:
    """What came before the cable was pulled is kept as it came; LOST and FOUND stand between it and what follows."""
    wire = Pty(tmp_path)
    await wire.plug()
    feed = line(wire.port)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    wire.write(b"lambda=0.8")
    await taker.until(lambda: taker.data() == b"lambda=0.8")
    await wire.unplug()
    await taker.texts(Kind.LOST)
    await wire.plug()
    await taker.texts(Kind.FOUND, 2)
    wire.write(b"53\nlambda=0.901\n")
    await taker.until(lambda: taker.data().endswith(b"901\n"))
    await feed.stop()
    await wire.unplug()
    kinds = [record.kind for record in taker.records]
    before, after = kinds.index(Kind.LOST), len(kinds) - kinds[::-1].index(Kind.FOUND)
    assert [record.data for record in taker.records[:before]] == [str(tmp_path / "port").encode(), b"lambda=0.8"]
    assert b"".join(record.data for record in taker.records[after:]) == b"53\nlambda=0.901\n"


async def test_bytes_sent_just_before_the_unplug_are_not_lost(
    line: Callable[..., Feed], taker: Taker, tmp_path: Path
) -> None:
    """What a TCP peer sent before it ended is read to its last byte, then LOST is said."""
    wire = Tcp(tmp_path)
    await wire.plug()
    feed = line(wire.port)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    sent = b"lambda=0.853\n" * 20_000
    wire.write(sent)
    await wire.unplug()
    await taker.texts(Kind.LOST)
    await feed.stop()
    assert taker.data() == sent


async def test_a_flood_beside_a_quiet_feed(line: Callable[..., Feed], tmp_path: Path) -> None:
    """With another port always full, a byte on a quiet port is in the records after a read or two of the flood."""
    taker = Taker(limit=1 << 24)
    flood, quiet = Tcp(tmp_path), Tcp(tmp_path)  # a pty's bytes come when a thread of the system has time
    await flood.plug()
    await quiet.plug()
    feeds = [line(flood.port, 1), line(quiet.port, 2)]
    for feed in feeds:
        feed.start(taker.intake)
    await taker.texts(Kind.FOUND, feed=1)
    await taker.texts(Kind.FOUND, feed=2)
    flood.write(bytes(8 << 20))
    seen = 0
    for number in range(20):
        quiet.write(b"%02d\n" % number)
        before = feeds[0].health.reads
        seen += 3
        await taker.until(lambda seen=seen: len(taker.data(2)) == seen)  # type: ignore[misc] # mypy cannot infer it
        assert feeds[0].health.reads - before <= 3
    assert 0 < feeds[0].health.bytes_read <= feeds[0].health.reads * 65_536
    for feed in feeds:
        await feed.stop()
    await flood.unplug()
    await quiet.unplug()
    assert taker.data(2) == b"".join(b"%02d\n" % number for number in range(20))
    assert {feed.health.dropped for feed in feeds} == {0}


async def test_a_port_in_use_is_refused_until_it_is_free(
    line: Callable[..., Feed], taker: Taker, tmp_path: Path
) -> None:
    """Two readers would each get half of the bytes: the second is told it is in use, and gets it when it is free."""
    wire = Pty(tmp_path)
    await wire.plug()
    first, second = line(wire.port, 1), line(wire.port, 2)
    first.start(taker.intake)
    await taker.texts(Kind.FOUND)
    second.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST, feed=2)
    assert "in use by another program" in reason
    await first.stop()
    await taker.texts(Kind.FOUND, feed=2)
    await second.stop()
    await wire.unplug()


async def test_a_serial_number_is_looked_up_at_each_opening(taker: Taker, tmp_path: Path) -> None:
    """An adapter that comes back under another name is found again by its number; the record says both."""
    connected: list[PortFacts] = []
    feed = serial.build(serial_line("serial:AB12CD"), 1, tmp_path, lambda: connected)
    feed.start(taker.intake)
    await taker.texts(Kind.LOST)
    for times in (1, 2):
        (tmp_path / str(times)).mkdir()
        wire = Pty(tmp_path / str(times))
        await wire.plug()
        connected[:] = [PortFacts("/dev/ttyOther", "EF34GH"), PortFacts(wire.device, "AB12CD")]
        assert (await taker.texts(Kind.FOUND, times))[-1] == f"{wire.device} (serial:AB12CD)"
        connected.clear()
        await wire.unplug()
        await taker.until(lambda: taker.of(Kind.LOST)[-1].data.startswith(b"serial:AB12CD: no connected port"))
    await feed.stop()


@pytest.mark.parametrize("port", ["/etc/passwd", "/dev/null", "/"])
async def test_what_is_no_serial_port_is_said(line: Callable[..., Feed], taker: Taker, port: str) -> None:
    """A file, a folder or another device is refused in words; nothing is written to it."""
    feed = line(port)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert "is not a serial port" in reason
    await feed.stop()


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (PermissionError(13, "Permission denied"), "/dev/x (serial:X): may not be opened by this user. Add the user"),
        (OSError(16, "Device or resource busy"), "/dev/x (serial:X): is in use by another program. Close"),
        (SerialException(2, "could not open port"), "/dev/x (serial:X): is not there. It is taken as soon as"),
        (ValueError("Failed to set custom baud rate"), "/dev/x (serial:X): does not take 115200 Bd. Write the baud"),
        (termios.error(5, "Input/output error"), "/dev/x (serial:X): cannot be opened: (5, 'Input/output error')."),
        (SerialException("a text"), "/dev/x (serial:X): cannot be opened: a text."),
    ],
)
async def test_why_a_port_cannot_be_opened_is_said(
    taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    """Each way the system refuses a port has its words and what to do (the system is played: root may open any)."""

    def refuse(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("serial.serial_for_url", refuse)
    feed = serial.build(serial_line("serial:X"), 1, tmp_path, lambda: [PortFacts("/dev/x", "X")])
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert reason.startswith(said)
    await feed.stop()


async def test_a_port_that_fails_while_it_is_set_up_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that opens but cannot be set up (pulled in between) is closed again, and refused in words."""
    wire = Pty(tmp_path)
    await wire.plug()

    def pulled(*_: object) -> None:
        raise termios.error(5, "Input/output error")

    monkeypatch.setattr(base.SerialStream, "_make_reads_tell", pulled)
    with pytest.raises(PortError, match="cannot be opened"):
        open_device(wire.port, wire.device, 115_200)
    await wire.unplug()


async def test_a_broken_connection_is_a_lost_port(line: Callable[..., Feed], taker: Taker) -> None:
    """A TCP peer that breaks off (its power fails and it comes back) is lost with the system's reason."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        feed = line(f"socket://127.0.0.1:{server.getsockname()[1]}")
        feed.start(taker.intake)
        await taker.texts(Kind.FOUND)
        accepted, _ = await asyncio.get_running_loop().sock_accept(server)
        accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        accepted.close()
        (reason,) = await taker.texts(Kind.LOST)
        await feed.stop()
    assert "lost: Connection reset by peer." in reason


async def test_a_peer_that_does_not_answer_holds_up_nobody(
    line: Callable[..., Feed], taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a TCP connection hangs the other feeds are read; then it is said, and a stop need not wait for it."""
    monkeypatch.setattr(base, "CONNECT_PATIENCE", 0.2)
    wire = Pty(tmp_path)
    await wire.plug()
    with socket.socket() as full, socket.socket() as queued:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        queued.connect(full.getsockname())  # the only place in its queue: the next one is never answered
        hung = line(f"socket://127.0.0.1:{full.getsockname()[1]}", 2)
        hung.start(taker.intake)
        quick = line(wire.port, 1)
        quick.start(taker.intake)
        await taker.texts(Kind.FOUND)
        wire.write(b"lambda=0.853\n")
        await taker.until(lambda: taker.data() == b"lambda=0.853\n")
        assert taker.of(Kind.LOST, 2) == []
        (reason,) = await taker.texts(Kind.LOST, feed=2)
        assert "did not answer within 0.2 s" in reason
        await hung.stop()
    await quick.stop()
    await wire.unplug()


async def test_an_opening_that_hangs_holds_up_nobody(
    line: Callable[..., Feed], taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the system hangs in one port the others are read, and it can be stopped; what opens later is closed."""
    wire = Pty(tmp_path)
    await wire.plug()
    answers, hangs = threading.Event(), threading.Event()

    def hanging() -> list[PortFacts]:
        hangs.set()
        answers.wait(5)
        return [PortFacts(wire.device, "AB12CD")]

    stuck = serial.build(serial_line("serial:AB12CD"), 2, tmp_path, hanging)
    stuck.start(taker.intake)
    await asyncio.to_thread(hangs.wait, 5)
    quick = line(wire.port, 1)
    quick.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await quick.stop()
    stopping = asyncio.create_task(stuck.stop())
    assert (await asyncio.wait((stopping,), timeout=0.05))[1] == {stopping}
    answers.set()
    await stopping
    await asyncio.sleep(0)
    await wire.unplug()
    assert taker.of(Kind.FOUND, 2) == []


async def test_what_comes_too_late_is_undone() -> None:
    """The result of work nobody waits for any more is undone, even when it comes after the patience is over."""
    goes, undone = threading.Event(), asyncio.Event()

    def work() -> str:
        goes.wait(5)
        return "opened"

    waiting = asyncio.create_task(aside(work, lambda _: undone.set(), patience=0.0))
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert not undone.is_set()
    goes.set()
    async with asyncio.timeout(5):
        await undone.wait()


async def test_a_fault_in_a_feed_is_told_and_it_goes_on(taker: Taker, tmp_path: Path) -> None:
    """A feed in which pullwatch itself fails says so as LOST and tries again, instead of ending unseen."""
    tried: list[int] = []

    def lister() -> list[PortFacts]:
        tried.append(1)
        if len(tried) == 1:
            raise RuntimeError("a fault of ours")
        return []

    feed = serial.build(serial_line("serial:AB12CD"), 1, tmp_path, lister)
    feed.start(taker.intake)
    reasons = await taker.texts(Kind.LOST, 2)
    await feed.stop()
    assert reasons[0] == "serial:AB12CD: pullwatch failed at this port: RuntimeError: a fault of ours"
    assert "no connected port" in reasons[1]


class Failing(Reopening):
    """A port that opens and at once goes again, `good` times with a read in between."""

    def __init__(self, reasons: list[str], good: int = 0) -> None:
        super().__init__(1, "failing", "nowhere")
        self.reasons = reasons
        self.good = good

    async def _hold(self) -> str:
        self._opened()
        if self.good:
            self.good -= 1
            self._health.reads += 1
        return self.reasons.pop(0) if self.reasons else "away"


class Waits:
    """The waits feeds take between their tries; none is really waited for, and the sixth ends them."""

    def __init__(self) -> None:
        self.taken: list[float] = []
        self.enough = asyncio.Event()
        self._pause = asyncio.sleep

    async def sleep(self, seconds: float) -> None:
        """Stand for asyncio's."""
        self.taken.append(seconds)
        if len(self.taken) == 6:
            self.enough.set()
            await asyncio.get_running_loop().create_future()
        await self._pause(0)


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> Waits:
    """Take the place of the feeds' waiting."""
    waits = Waits()
    monkeypatch.setattr(asyncio, "sleep", waits.sleep)
    return waits


@pytest.mark.parametrize(
    ("good", "expected"),
    [
        (0, [0.05, 0.1, 0.2, 0.25, 0.25, 0.25]),
        (2, [0.05, 0.05, 0.1, 0.2, 0.25, 0.25]),
    ],
)
async def test_tries_become_rarer_until_data_come(taker: Taker, waits: Waits, good: int, expected: list[float]) -> None:
    """Tries begin 50 ms after the loss and become rarer up to 250 ms; only data make them quick again."""
    assert (RETRY_FIRST, RETRY_MOST) == (0.05, 0.25)
    feed = Failing([], good)
    feed.start(taker.intake)
    await waits.enough.wait()
    await feed.stop()
    assert waits.taken == expected


async def test_the_same_reason_is_said_once(taker: Taker, waits: Waits) -> None:
    """While a port stays away each new reason makes one record, not each try."""

    class Absent(Failing):
        async def _hold(self) -> str:
            raise PortError(self.port, self.reasons.pop(0))

    feed = Absent(["is not there.", "is not there.", "is in use.", "is in use.", "is not there.", "is not there."])
    feed.start(taker.intake)
    await waits.enough.wait()
    await feed.stop()
    taker.take()
    assert [record.data for record in taker.of(Kind.LOST)] == [
        b"nowhere: is not there.",
        b"nowhere: is in use.",
        b"nowhere: is not there.",
    ]


class DeafLoop(asyncio.SelectorEventLoop):
    """A loop that cannot watch descriptors, as the usual one of Windows cannot."""

    add_reader = asyncio.AbstractEventLoop.add_reader


def test_a_platform_that_cannot_watch_ports_says_so(taker: Taker, line: Callable[..., Feed]) -> None:
    """Where the loop cannot watch ports the feed refuses to start, in a sentence, with what to do."""

    async def begin() -> None:
        with pytest.raises(PortError, match=r"cannot be read on this platform.*Watch on Linux or macOS"):
            line("socket://127.0.0.1:1").start(taker.intake)

    with asyncio.Runner(loop_factory=DeafLoop) as runner:
        runner.run(begin())


def test_a_port_that_may_swap_is_noted(line: Callable[..., Feed]) -> None:
    """The feed of a plain device name has a note; that of an identity has none."""
    assert "swap names" in line("/dev/ttyUSB0").notes[0]
    assert line("serial:AB12CD").notes == ()


def test_a_port_that_cannot_be_is_refused_before_the_start(line: Callable[..., Feed]) -> None:
    """A broken setting stops the start: it is refused when the feed is built."""
    with pytest.raises(PortError, match="socket://HOST:PORT"):
        line("socket://nowhere")


async def test_a_name_is_looked_up_without_holding_up_the_loop(
    line: Callable[..., Feed], taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name of a host is looked up aside, and each of its addresses is tried in turn."""
    wire = Tcp(tmp_path)
    await wire.plug()
    loop_thread = threading.get_ident()

    def looked_up(host: str, port: int, **_: object) -> list[object]:
        assert threading.get_ident() != loop_thread
        assert host == "bridge.local"
        kinds = (socket.AF_INET, socket.SOCK_STREAM, 0, "")
        return [(*kinds, ("127.0.0.1", 1)), (*kinds, ("127.0.0.1", port))]

    monkeypatch.setattr(socket, "getaddrinfo", looked_up)
    feed = line(f"socket://bridge.local:{wire.number}")
    feed.start(taker.intake)
    assert await taker.texts(Kind.FOUND) == [f"socket://bridge.local:{wire.number}"]
    await feed.stop()
    await wire.unplug()


async def test_a_quiet_port_is_not_a_dead_one(tmp_path: Path) -> None:
    """A read that finds nothing (a wake-up for no reason) is told apart from the end of the port."""
    wire = Pty(tmp_path)
    await wire.plug()
    stream = open_device(wire.port, wire.device, 115_200)
    with pytest.raises(BlockingIOError):
        stream.read(100)
    wire.write(b"x")
    assert stream.read(100) == b"x"
    await wire.unplug()
    assert stream.read(100) == b""
    stream.close()


async def test_a_device_that_takes_nothing_does_not_hold_up_its_closing(tmp_path: Path) -> None:
    """A pseudo terminal nobody reads is written full and closed at once: what it did not take is thrown away."""
    wire = Pty(tmp_path)
    await wire.plug()
    asyncio.get_running_loop().remove_reader(wire.far)
    stream = open_device(wire.port, wire.device, 115_200)
    with suppress(BlockingIOError):
        while True:
            stream.write(bytes(4096))
    async with asyncio.timeout(1):
        await aside(stream.close)
    await wire.unplug()


async def test_ports_can_be_read_without_the_loop(line: Callable[..., Feed], taker: Taker, tmp_path: Path) -> None:
    """Between two turns of the path the ports are read at once: the same records; nothing of a port that was let go."""
    wire = Pty(tmp_path)
    await wire.plug()
    feed = line(wire.port)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    assert not taker.intake.read_ready(0)
    wire.write(b"lambda=0.853\n")
    assert taker.intake.read_ready(5_000)
    taker.take()
    assert taker.data() == b"lambda=0.853\n"
    await wire.unplug()
    assert taker.intake.read_ready(5_000)
    taker.take()
    assert "the other end is gone" in taker.of(Kind.LOST)[0].data.decode()
    assert not taker.intake.read_ready(5_000)
    await feed.stop()
