"""Searching a bus's bit rate: it is found, nothing but listen-only is ever opened, and what silence means is said."""

from __future__ import annotations

import asyncio
import threading
import time
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar

import can
import can.interfaces
import pytest
from can.interfaces.virtual import VirtualBus

from pullwatch.errors import PortError
from pullwatch.feeds import bitrate
from pullwatch.feeds.bitrate import LEAST_FRAMES, RATES, TRAP, Heard, judged, search_bitrate
from pullwatch.feeds.slcan import BITRATES

from .rigs import PATIENCE, Pty, SlcanAdapter, Tcp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

FRAMES = b"t10081122334455667788\rt1232000A\rT18FEF6002FF50\rt1232000B\r"
SECONDS = 0.02
"""Listened at each rate; the adapter of these tests gives its frames at once."""
ALLOWED = {b"C", b"L", *(command.strip() for command in BITRATES.values())}
"""All that may ever be written to an adapter while a bit rate is searched."""


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait less for quiet than at real adapters: the one of these tests is quiet at once."""
    monkeypatch.setattr(bitrate, "QUIET", 0.01)


class BusAdapter(SlcanAdapter):
    """An adapter on a bus of one bit rate: opened at it, it gives frames; opened at another, what `noise` says."""

    def __init__(
        self, answer: Callable[[bytes], object], rate: int, frames: bytes = FRAMES, noise: bytes = b"", **more: Any
    ) -> None:
        super().__init__(answer, **more)
        self.rate = BITRATES.get(rate, b"").strip()
        self.set = b""
        self.opened_at: list[bytes] = []
        self._tell = answer
        self._frames = frames
        self._noise = noise

    def hear(self, data: bytes) -> None:
        """Obey, and give what the bus gives."""
        before = len(self.commands), self.open
        super().hear(data)
        for command in self.commands[before[0] :]:
            if command[:1] == b"S":
                self.set = command
        if self.open and not before[1]:
            self.opened_at.append(self.set)
            self._tell(self._frames if self.set == self.rate else self._noise)


async def searched(folder: Path, rate: int, *, tcp: bool = False, **more: Any) -> tuple[Any, BusAdapter]:
    wire = Tcp(folder) if tcp else Pty(folder)
    adapter = BusAdapter(wire.write, rate, **more)
    await wire.plug(adapter.hear)
    try:
        async with asyncio.timeout(PATIENCE):
            return await search_bitrate(wire.port, seconds=SECONDS), adapter
    finally:
        await wire.unplug()
        assert set(adapter.commands) <= ALLOWED


@pytest.mark.parametrize("rate", sorted(BITRATES))
async def test_the_rate_at_which_frames_come_is_found(tmp_path: Path, rate: int) -> None:
    """Whatever bit rate of the protocol the bus has, it is found, with the frames heard at it, and all were tried."""
    found, adapter = await searched(tmp_path, rate)
    assert (found.rate, found.frames) == (rate, 4)
    assert sorted(adapter.opened_at) == sorted(command.strip() for command in BITRATES.values())
    assert [one.rate for one in found.heard] == list(RATES)
    assert {one.rate: one.why_not for one in found.heard if one.why_not} == {
        83_333: "slcan has no command for it",
        33_333: "slcan has no command for it",
    }


async def test_only_listen_only_is_ever_written(tmp_path: Path) -> None:
    """Of all that reaches the adapter each opening is `L`, between an `S` and a `C`, and the last word is `C`."""
    _, adapter = await searched(tmp_path, 500_000, tcp=True)
    tried = [BITRATES[rate].strip() for rate in RATES if rate in BITRATES]
    assert adapter.commands == [b"C", *(word for command in tried for word in (command, b"L", b"C")), b"C"]
    assert not adapter.open


async def test_an_adapter_left_open_is_closed_before_anything_else(tmp_path: Path) -> None:
    """An adapter somebody left open, in the middle of its frames, does not disturb the search."""

    class Busy(BusAdapter):
        def _obey(self, line: bytes) -> bool:
            if line == b"C" and not self.opened_at:
                self._tell(b"22334455\r" + FRAMES)
            return super()._obey(line)

    wire = Pty(tmp_path)
    adapter = Busy(wire.write, 250_000)
    adapter.open = True
    await wire.plug(adapter.hear)
    found = await search_bitrate(wire.port, seconds=SECONDS)
    await wire.unplug()
    assert (found.rate, found.frames) == (250_000, 4)


async def test_silence_says_the_trap(tmp_path: Path) -> None:
    """Where nothing is heard there is no rate, and it is said that a lone node is silent at the right one too."""
    found, _ = await searched(tmp_path, 83_333)
    assert (found.rate, found.frames) == (None, 0)
    assert found.reasons[:2] == ("Silence at every rate.", TRAP)
    assert "only one other node" in TRAP
    assert "silence" in TRAP


async def test_damage_is_no_frame(tmp_path: Path) -> None:
    """Damaged lines at wrong rates decide nothing, and are told as errors."""
    found, _ = await searched(tmp_path, 125_000, noise=b"t1008112\rt12\r")
    assert found.rate == 125_000
    assert {one.errors for one in found.heard if not one.why_not} == {0, 2}
    found, _ = await searched(tmp_path, 83_333, noise=b"t1008112\rt12\r")
    assert found.rate is None
    assert "Errors, but no whole frame" in found.reasons[0]


async def test_an_adapter_that_refuses_listen_only_is_refused(tmp_path: Path) -> None:
    """At the first refusal of `L` the search ends; the adapter is never opened otherwise."""
    with pytest.raises(PortError, match=r"refused L .*no bit rate is searched"):
        await searched(tmp_path, 500_000, refuses=b"L")


async def test_an_adapter_that_does_not_answer_is_refused(tmp_path: Path) -> None:
    """Who does not say that it listens only cannot be known to: it is refused before it is opened."""
    wire = Pty(tmp_path)
    adapter = BusAdapter(wire.write, 500_000, mute=True)
    await wire.plug(adapter.hear)
    with pytest.raises(PortError, match="does not answer S8: nobody knows whether it listens only"):
        await search_bitrate(wire.port, seconds=SECONDS)
    await adapter.until(lambda: adapter.commands[-1] == b"C")
    await wire.unplug()
    assert adapter.commands == [b"C", b"S8", b"C"]


async def test_a_rate_the_adapter_refuses_is_passed_over(tmp_path: Path) -> None:
    """A rate that the adapter does not have is said, not opened; the others are listened at."""

    class WithoutS8(BusAdapter):
        def _obey(self, line: bytes) -> bool:
            return line != b"S8" and super()._obey(line)

    wire = Pty(tmp_path)
    adapter = WithoutS8(wire.write, 500_000)
    await wire.plug(adapter.hear)
    found = await search_bitrate(wire.port, seconds=SECONDS, rates=(1_000_000, 500_000))
    await wire.unplug()
    assert found.rate == 500_000
    assert found.heard[0] == Heard(1_000_000, why_not="the adapter refused S8")
    assert adapter.opened_at == [b"S6"]


async def test_a_device_that_never_becomes_quiet_is_no_slcan_adapter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Something else on the port, which talks on whatever it is told, is told so before it is opened."""
    monkeypatch.setattr(bitrate, "CLOSING", 0.05)
    wire = Pty(tmp_path)
    await wire.plug()
    loop = asyncio.get_running_loop()
    talking: list[asyncio.TimerHandle] = []

    def talk() -> None:
        wire.write(b"lambda=0.853\r\n")
        talking[:] = [loop.call_later(0.002, talk)]

    talk()
    with pytest.raises(PortError, match="goes on giving after it was told to close"):
        await search_bitrate(wire.port, seconds=SECONDS)
    talking[0].cancel()
    await wire.unplug()


async def test_pulled_while_searching(tmp_path: Path) -> None:
    """A port lost in the middle ends the search in words, at once."""
    wire = Pty(tmp_path)
    adapter = BusAdapter(wire.write, 500_000)
    await wire.plug(adapter.hear)
    search = asyncio.create_task(search_bitrate(wire.port, seconds=60))
    await adapter.until(lambda: adapter.open)
    await wire.unplug()
    async with asyncio.timeout(PATIENCE):
        with pytest.raises(PortError, match="lost"):
            await search


async def test_cancelled_it_closes_the_adapter(tmp_path: Path) -> None:
    """A search given up in the middle leaves the adapter closed and the port free."""
    wire = Pty(tmp_path)
    adapter = BusAdapter(wire.write, 500_000)
    await wire.plug(adapter.hear)
    search = asyncio.create_task(search_bitrate(wire.port, seconds=60))
    await adapter.until(lambda: adapter.open)
    search.cancel()
    with pytest.raises(asyncio.CancelledError):
        await search
    await adapter.until(lambda: not adapter.open)
    assert adapter.commands == [b"C", b"S8", b"L", b"C"]
    await wire.unplug()


async def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    """A port that cannot be opened is told in words."""
    with pytest.raises(PortError, match="is not there"):
        await search_bitrate(str(tmp_path / "none"), seconds=SECONDS)


def test_how_it_is_judged() -> None:
    """One rate with frames is the rate; several, or too few frames, are none, each with its reason."""
    found = judged([Heard(500_000, 90, same=True), Heard(250_000, 1)])
    assert (found.rate, found.frames) == (500_000, 90)
    assert "one and the same frame" in found.reasons[1]
    found = judged([Heard(500_000, 90), Heard(250_000, 80)])
    assert found.rate is None
    assert "does not set the rate" in found.reasons[0]
    found = judged([Heard(500_000, LEAST_FRAMES - 1), Heard(250_000)])
    assert found.rate is None
    assert "listen longer" in found.reasons[0]
    assert TRAP in found.reasons
    assert "500,000 bit/s: 2 frames, 0 errors" in found.reasons
    assert judged([Heard(500_000, LEAST_FRAMES)]).rate == 500_000


class Listener(VirtualBus):
    """A driver with listen-only, on a bus of 250 kbit/s; at other rates it hears error frames, one it does not have."""

    opened: ClassVar[list[tuple[int, bool]]] = []
    deaf = False
    tell: ClassVar[list[Callable[[], object]]] = []

    def __init__(self, channel: str, listen_only: bool = False, bitrate: int = 0) -> None:
        self.opened.append((bitrate, listen_only))
        if bitrate == 33_333:
            raise can.CanInitializationError("no such bit rate")
        super().__init__(channel)
        self._bitrate = bitrate
        self._count = 0
        for tell in self.tell:
            tell()

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.deaf or self._count == 5:
            time.sleep(timeout or 0)  # as a driver does that hears nothing
            return None, False
        self._count += 1
        error = self._bitrate != 250_000
        return can.Message(arbitration_id=self._count, is_error_frame=error, data=b"\x01"), False


@pytest.fixture
def listener(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[Listener]]:
    """Make the driver known as `listener`."""
    monkeypatch.setitem(can.interfaces.BACKENDS, "listener", (Listener.__module__, "Listener"))
    monkeypatch.setattr(Listener, "deaf", False)
    Listener.opened.clear()
    yield Listener
    assert all(listen_only for _, listen_only in Listener.opened)


async def test_a_driver_with_listen_only_is_searched_with(listener: type[Listener]) -> None:
    """Each rate is opened listen-only, whatever the options say; frames decide, error frames are counted."""
    options = {"listen_only": False}
    found = await search_bitrate("can0", "listener", seconds=SECONDS, adapter_options=options)
    assert (found.rate, found.frames) == (250_000, 5)
    assert [rate for rate, _ in listener.opened] == list(RATES)
    by_rate = {one.rate: one for one in found.heard}
    assert by_rate[500_000] == Heard(500_000, 0, 5)
    assert by_rate[33_333].why_not == "the driver says: no such bit rate"


async def test_a_driver_that_opens_at_no_rate_is_told(listener: type[Listener]) -> None:
    """If the driver can be opened at no rate at all, it is no silence."""
    with pytest.raises(PortError, match=r"cannot be opened: the driver says: no such bit rate"):
        await search_bitrate("can0", "listener", seconds=SECONDS, rates=(33_333,))


async def test_a_search_through_a_driver_can_be_cancelled(
    listener: type[Listener], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled, the thread that listens ends and the bus is closed."""
    monkeypatch.setattr(listener, "deaf", True)
    before = set(threading.enumerate())
    opened = asyncio.Event()
    monkeypatch.setattr(listener, "tell", [partial(asyncio.get_running_loop().call_soon_threadsafe, opened.set)])
    search = asyncio.create_task(search_bitrate("can0", "listener", seconds=60, adapter_options={"listen_only": True}))
    async with asyncio.timeout(PATIENCE):
        await opened.wait()
        search.cancel()
        with pytest.raises(asyncio.CancelledError):
            await search
    for thread in set(threading.enumerate()) - before:
        thread.join(PATIENCE)
    assert set(threading.enumerate()) == before


@pytest.mark.parametrize(
    ("adapter", "said"),
    [
        ("socketcan", "listen-only cannot be guaranteed through socketcan"),
        ("virtual", "virtual has no bit rate to be found"),
        ("slkan", "there is no CAN adapter"),
    ],
)
async def test_where_listen_only_cannot_be_guaranteed_nothing_is_opened(adapter: str, said: str) -> None:
    """An interface without a listen-only of its own is refused before it is opened."""
    with pytest.raises(PortError, match=said):
        await search_bitrate("can0", adapter, seconds=SECONDS)
