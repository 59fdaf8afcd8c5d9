"""What the slcan feed says to its adapter: three commands to open, one to close, and never a frame."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest
from can.interfaces.slcan import slcanBus

from pullwatch.batch import Kind
from pullwatch.decoders import Ledger
from pullwatch.decoders.slcan import Slcan
from pullwatch.errors import PortError
from pullwatch.feeds import slcan
from pullwatch.feeds.base import SerialStream
from pullwatch.feeds.kinds import build
from pullwatch.feeds.slcan import BITRATES, SlcanFeed, SlcanHealth, bitrate_command, shown_flags

from .rigs import Pty, SlcanAdapter, Taker, Tcp, can_options

if TYPE_CHECKING:
    from collections.abc import Callable
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


async def test_stopped_long_after_it_was_opened_the_adapter_is_closed(taker: Taker, tmp_path: Path) -> None:
    """A session that ends in the middle of frames, with no command under way, leaves the adapter closed too."""
    wire = Pty(tmp_path)
    adapter = SlcanAdapter(wire.write)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await taker.until(lambda: taker.data() == b"\a\r\r")
    wire.write(b"t1000\r")
    await taker.until(lambda: taker.data().endswith(b"t1000\r"))
    await feed.stop()
    await wire.unplug()
    assert adapter.commands == [b"C", b"S6", b"L", b"C"]
    assert not adapter.open


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


class StatusAdapter(SlcanAdapter):
    """An adapter that answers `F`, while it is open, with the flags it is given; None: it does not know `F`."""

    flags: int | None = 0

    def _obey(self, line: bytes) -> bool:
        if line != b"F" or self.flags is None:
            return super()._obey(line)
        if self.open:
            self._answer(b"F%02X" % self.flags)
        return self.open


@pytest.fixture
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask for the status flags a hundred times as often."""
    monkeypatch.setattr(slcan, "STATUS_EVERY", 0.01)


async def health_until(taker: Taker, feed: SlcanFeed, there: Callable[[SlcanHealth], bool]) -> SlcanHealth:
    """Wait until the feed's health says enough."""
    await taker.until(lambda: isinstance(feed.health, SlcanHealth) and there(feed.health))
    assert isinstance(feed.health, SlcanHealth)
    return feed.health


@pytest.mark.usefixtures("often")
async def test_status_flags_are_asked_for_when_told(taker: Taker, tmp_path: Path) -> None:
    """With `ask_status` the adapter, open and listening only, tells its flags each period; nothing else is written."""
    wire = Pty(tmp_path)
    adapter = StatusAdapter(wire.write)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, ask_status=True)
    feed.start(taker.intake)
    health = await health_until(taker, feed, lambda health: health.status_told >= 2)
    assert (health.status, health.status_bad) == (0, 0)
    adapter.flags = 0xA4
    health = await health_until(taker, feed, lambda health: health.status == 0xA4)
    assert health.status_bad >= 1
    assert health.error_frames == 0
    await feed.stop()
    await wire.unplug()
    assert adapter.commands[:3] == [b"C", b"S6", b"L"]
    assert set(adapter.commands[3:-1]) == {b"F"}
    assert adapter.commands[-1] == b"C"
    assert shown_flags(0xA4) == "error warning, error passive, bus error"
    assert shown_flags(0) == ""


@pytest.mark.usefixtures("often")
async def test_the_answer_is_found_among_frames_and_no_frame_is_taken_for_it(taker: Taker, tmp_path: Path) -> None:
    """`F` and digits at the end of a frame's data are no status; an answer that comes in two reads is one."""
    wire = Pty(tmp_path)
    adapter = StatusAdapter(wire.write)
    adapter.flags = None
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, ask_status=True)
    feed.start(taker.intake)
    await adapter.until(lambda: b"F" in adapter.commands)
    wire.write(b"t10021F80\rt1002AF04\r")
    await taker.until(lambda: b"AF04\r" in taker.data())
    assert isinstance(feed.health, SlcanHealth)
    assert (feed.health.status, feed.health.status_told) == (-1, 0)
    wire.write(b"t1000\rF8")
    await taker.until(lambda: b"\rF8" in taker.data())
    wire.write(b"0\rt1000\r")
    health = await health_until(taker, feed, lambda health: health.status_told == 1)
    assert health.status == 0x80
    await feed.stop()
    await wire.unplug()


@pytest.mark.usefixtures("often")
async def test_an_adapter_that_does_not_know_the_question_is_read_on(taker: Taker, tmp_path: Path) -> None:
    """BEL to `F` leaves the status unknown, and the frames are read as ever."""
    wire = Pty(tmp_path)
    adapter = StatusAdapter(wire.write)
    adapter.flags = None
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, ask_status=True)
    feed.start(taker.intake)
    await adapter.until(lambda: adapter.commands.count(b"F") >= 3)
    wire.write(b"t1000\r")
    await taker.until(lambda: b"t1000\r" in taker.data())
    assert isinstance(feed.health, SlcanHealth)
    assert (feed.health.status, feed.health.status_told) == (-1, 0)
    await feed.stop()
    assert taker.of(Kind.LOST) == []
    await wire.unplug()


@pytest.mark.usefixtures("often")
async def test_a_status_of_before_is_not_kept(taker: Taker, tmp_path: Path) -> None:
    """An adapter that stops answering, or is pulled, has no status: what it said before is not what is."""
    wire = Pty(tmp_path)
    adapter = StatusAdapter(wire.write)
    adapter.flags = 4
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, ask_status=True)
    feed.start(taker.intake)
    await health_until(taker, feed, lambda health: health.status == 4)
    adapter.flags = None
    await adapter.until(lambda: adapter.commands.count(b"F") >= adapter.commands.index(b"F") + 3)
    await health_until(taker, feed, lambda health: health.status == -1)
    await wire.unplug()
    await taker.texts(Kind.LOST)
    await feed.stop()


@pytest.mark.parametrize("decoder_fd", [False, True])
def test_status_answers_are_no_frames_to_the_decoder(decoder_fd: bool) -> None:
    """The answers stand in the DATA among the frames, and the decoder passes them over."""
    ledger = Ledger()
    assert len(Slcan(fd=decoder_fd).few(0, b"t1000\rF00\rt1000\rFA4\r", ledger)) == 2
    assert (ledger.bad_messages, ledger.passed_over) == (0, 8)
