"""What the slcan feed says to its adapter: three commands to open, one to close, and never a frame."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest
from can.interfaces.slcan import slcanBus

from pullwatch.batch import Kind
from pullwatch.errors import PortError
from pullwatch.feeds.base import SerialStream
from pullwatch.feeds.kinds import build
from pullwatch.feeds.slcan import BITRATES, SlcanFeed, bitrate_command

from .rigs import Pty, SlcanAdapter, Taker, Tcp, can_options

if TYPE_CHECKING:
    from pathlib import Path

# Lawicel CAN232/CANUSB ASCII protocol, command Sn, kbit/s (text seen).
LAWICEL = {"S0": 10, "S1": 20, "S2": 50, "S3": 100, "S4": 125, "S5": 250, "S6": 500, "S7": 800, "S8": 1000}


def feed_at(port: str, folder: Path, **more: Any) -> SlcanFeed:
    """Build an slcan feed."""
    feed = build(can_options(port, **more), 1, folder)
    assert isinstance(feed, SlcanFeed)
    return feed


def test_bitrates_are_those_of_the_protocol() -> None:
    """Each bitrate of the protocol has its command, and no other bitrate has one."""
    assert {command.decode().strip(): rate // 1000 for rate, command in BITRATES.items()} == LAWICEL


def test_bitrates_agree_with_python_can() -> None:
    """python-can 4.6.1 sends the same commands; it has 750 kbit/s for S7, where the protocol has 800, and an S9."""
    theirs = {rate: f"{command}\r".encode() for rate, command in slcanBus._BITRATES.items()}
    assert {rate for rate, command in BITRATES.items() if theirs.get(rate) != command} == {800_000}


def test_a_bitrate_without_a_command_is_refused() -> None:
    """A bitrate the protocol does not have is refused before the start, with those it has."""
    with pytest.raises(PortError, match=r"83_300 bit/s.*10_000, 20_000.*500_000"):
        bitrate_command("/dev/ttyUSB0", 83_300)


@pytest.mark.parametrize(
    ("listen_only", "bitrate", "expected"),
    [
        (True, 500_000, [b"C", b"S6", b"L"]),
        (False, 500_000, [b"C", b"S6", b"O"]),
        (True, 1_000_000, [b"C", b"S8", b"L"]),
    ],
)
async def test_the_commands_of_a_session(
    taker: Taker, tmp_path: Path, listen_only: bool, bitrate: int, expected: list[bytes]
) -> None:
    """The adapter is closed, set and opened (listen-only unless told otherwise), and closed at the end: no more."""
    wire = Pty(tmp_path)
    adapter = SlcanAdapter(wire.write)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, listen_only=listen_only, bitrate=bitrate)
    feed.start(taker.intake)
    (found,) = await taker.texts(Kind.FOUND)
    await adapter.until(lambda: adapter.open)
    assert adapter.commands == expected
    assert found == f"{wire.port}; told {b' '.join(expected).decode()}"
    await feed.stop()
    assert adapter.commands == [*expected, b"C"]
    assert not adapter.open
    await wire.unplug()


async def test_every_byte_written_is_in_the_ledger(taker: Taker, tmp_path: Path) -> None:
    """The ledger holds each command with its time; it is all the adapter heard, and health counts its bytes."""
    wire = Tcp(tmp_path)
    adapter = SlcanAdapter(wire.write)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await adapter.until(lambda: adapter.open)
    await feed.stop()
    await wire.unplug()
    written = b"".join(data for _, data in feed.written)
    assert written.split(b"\r")[:-1] == adapter.commands == [b"C", b"S6", b"L", b"C"]
    times = [t for t, _ in feed.written]
    assert times == sorted(times)
    assert feed.health.bytes_written == len(written) == 9


async def test_answers_are_records_like_all_else(taker: Taker, tmp_path: Path) -> None:
    """What the adapter answers stands in the DATA as it came: the closed adapter's BEL, then CR, CR."""
    wire = Pty(tmp_path)
    adapter = SlcanAdapter(wire.write)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await taker.until(lambda: taker.data() == b"\a\r\r")
    await feed.stop()
    taker.take()
    assert taker.data() == b"\a\r\r\r"
    await wire.unplug()


async def test_an_adapter_left_open_is_closed_first(taker: Taker, tmp_path: Path) -> None:
    """An adapter a killed program left open, in the middle of its frames, is closed, set and opened."""
    wire = Pty(tmp_path)
    adapter = SlcanAdapter(wire.write)
    adapter.open = True
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    wire.write(b"234\rt1232")
    wire.write(b"0001\rt12320002\r")
    await adapter.until(lambda: adapter.commands == [b"C", b"S6", b"L"])
    wire.write(b"t12320003\r")
    await taker.until(lambda: taker.data().endswith(b"t12320003\r"))
    assert taker.data().startswith(b"234\rt12320001\rt12320002\r")
    await feed.stop()
    await wire.unplug()
    assert feed.health.last_error == ""


async def test_an_adapter_that_never_answers_is_used_all_the_same(taker: Taker, tmp_path: Path) -> None:
    """Silence is no refusal: the commands follow each other, and the frames are read."""
    wire = Pty(tmp_path)
    adapter = SlcanAdapter(wire.write, mute=True)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await adapter.until(lambda: adapter.open)
    wire.write(b"t1232000A\r")
    await taker.until(lambda: taker.data() == b"t1232000A\r")
    await feed.stop()
    assert adapter.commands == [b"C", b"S6", b"L", b"C"]
    await wire.unplug()


@pytest.mark.parametrize(
    ("refuses", "listen_only", "said"),
    [
        (b"L", True, "refused L (open, listen-only).*acknowledges frames on the bus"),
        (b"S", True, "refused S6 (bitrate)"),
        (b"O", False, "refused O (open)"),
    ],
)
async def test_a_refusal_is_told(taker: Taker, tmp_path: Path, refuses: bytes, listen_only: bool, said: str) -> None:
    """An adapter that refuses a command is not used: it is said, the adapter is closed, and nothing else is tried."""
    wire = Pty(tmp_path)
    adapter = SlcanAdapter(wire.write, refuses=refuses)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, listen_only=listen_only)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    await feed.stop()
    for part in said.split(".*"):
        assert part in reason
    wanted = {b"C", b"S6", b"L" if listen_only else b"O"}
    assert set(adapter.commands) <= wanted
    assert not adapter.open
    await wire.unplug()


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (BlockingIOError(11, "busy"), "the adapter does not take C."),
        (OSError(5, "Input/output error"), "the adapter takes no commands: Input/output error."),
    ],
)
async def test_an_adapter_that_takes_no_commands_is_told(
    taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, said: str
) -> None:
    """A command that cannot be written is not waited for: it is said, and the port is tried again."""

    def full(*_: object) -> int:
        raise error

    wire = Pty(tmp_path)
    await wire.plug()
    monkeypatch.setattr(SerialStream, "write", full)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert said in reason
    await feed.stop()
    await wire.unplug()
    assert feed.health.bytes_written == 0


async def test_pulled_while_being_told(taker: Taker, tmp_path: Path) -> None:
    """An adapter pulled between two commands is lost like any other, and told everything anew when it returns."""
    wire = Tcp(tmp_path)
    pulled = asyncio.Event()
    await wire.plug(lambda _: pulled.set())
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await pulled.wait()
    await wire.unplug()
    await taker.texts(Kind.LOST, 2)  # that it went, and that the first try found nobody
    assert [data for _, data in feed.written] == [b"C\r"]
    adapter = SlcanAdapter(wire.write)
    await wire.plug(adapter.hear)
    await adapter.until(lambda: adapter.open)
    assert adapter.commands == [b"C", b"S6", b"L"]
    await feed.stop()
    await wire.unplug()
