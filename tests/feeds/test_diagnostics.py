"""The diagnostics feed on real wires: what it writes to the adapter, what it records, and when it writes nothing."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import can
import pytest

from pullwatch.batch import Kind, Record
from pullwatch.channels import QUANTITIES, Channel
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import EXTENDED, Packed
from pullwatch.decoders.j1979 import J1979Decoder
from pullwatch.decoders.pids import parse
from pullwatch.errors import PortError
from pullwatch.feeds.base import SerialStream
from pullwatch.feeds.diagnostics import SlcanDiagnostics, line, packed
from pullwatch.feeds.diagnostics_bus import BusDiagnostics
from pullwatch.feeds.kinds import build

from .rigs import PATIENCE, Pty, SendingAdapter, SwitchedBus, Tcp, diagnostics_options
from .units import ENGINE, ENGINE_29, ControlUnit, S

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from .rigs import Taker

CHANNELS = {"engine_speed": "0C", "manifold_pressure": "0B", "throttle": "11", "coolant_temperature": "05"}
HAS: dict[int, bytes] = {0x0C: b"\x1a\xf8", 0x0B: b"\x65", 0x11: b"\x33", 0x05: b"\x5a", 0x0D: b"\0"}


class CarAdapter(SendingAdapter):
    """An slcan adapter on the bus of a car whose control units answer at once."""

    def __init__(self, answer: Callable[[bytes], object], *units: ControlUnit, **more: Any) -> None:
        super().__init__(answer, **more)
        self.units = units

    def put_on_bus(self, line: bytes) -> None:
        """Let the control units hear a frame, and answer."""
        word, data = frame_of(line)
        for unit in self.units:
            for _, frame in unit.hear(0, word, data):
                self._answer(answer_line(unit.answers, frame))


def frame_of(text: bytes) -> tuple[int, bytes]:
    """Return the frame of a line, read as the published slcan commands t and T have it."""
    digits = 3 if text[:1] == b"t" else 8
    can_id = int(text[1 : 1 + digits], 16)
    data = bytes.fromhex(text[2 + digits :].decode())
    assert int(text[1 + digits : 2 + digits]) == len(data)
    return can_id | (EXTENDED if digits == 8 else 0), data


def answer_line(word: int, data: bytes) -> bytes:
    """Return the line in which an adapter gives a frame."""
    head = b"T%08X" % (word & 0x1FFFFFFF) if word & EXTENDED else b"t%03X" % word
    return head + b"%d" % len(data) + data.hex().encode() + b"\r"


def feed_at(port: str, folder: Path, **more: Any) -> SlcanDiagnostics:
    """Build a feed that pauses while the car moves."""
    feed = build(diagnostics_options(port, **{"while_moving": False, "channels": CHANNELS, **more}), 1, folder)
    assert isinstance(feed, SlcanDiagnostics)
    return feed


def frames_in(records: list[Record]) -> list[tuple[int, bytes]]:
    """Return the frames of the DATA records."""
    framing, ledger = Packed(), Ledger()
    data = [record for record in records if record.kind is Kind.DATA]
    return [(word, payload) for record in data for _, word, payload, _ in framing.few(record.t, record.data, ledger)]


def values_in(records: list[Record], channels: dict[str, str]) -> dict[str, float]:
    """Return the last value of each channel, decoded from the records alone."""
    known = {}
    for number, name in enumerate(channels):
        quantity = QUANTITIES[name]
        known[name] = Channel(number, name, quantity.unit, quantity.dimension, quantity.low, quantity.high)
    decoder = J1979Decoder({name: parse(text) for name, text in channels.items()}, known)
    samples: list[Any] = []
    for record in records:
        if record.kind is Kind.DATA:
            decoder.few(record.t, record.data, samples)
        else:
            decoder.fresh()
    assert decoder.ledger.balances
    names = list(channels)
    return {names[number]: value for _, number, value, why in samples if not why}


# -- nothing is sent before it is agreed


@pytest.mark.parametrize("adapter", ["slcan", "virtual"])
async def test_nothing_is_built_without_transmit(taker: Taker, tmp_path: Path, adapter: str) -> None:
    """A feed that may not send is refused in words; nobody connects, and not a byte is written."""
    wire = Tcp(tmp_path)
    heard: list[bytes] = []
    await wire.plug(heard.append)
    options = diagnostics_options(wire.port, adapter, transmit=False)
    assert not options.model_copy(update={"transmit": False}).transmit
    with pytest.raises(PortError, match=r"would send diagnostics requests.*not agreed.*Write transmit = true"):
        build(options, 1, tmp_path)
    assert taker.records == []
    assert heard == []
    assert wire._clients == []
    await wire.unplug()


def test_that_it_sends_is_said(tmp_path: Path) -> None:
    """The notes of the feed say that it sends, on which port, and what happens while the car moves."""
    *_, said = feed_at("socket://127.0.0.1:9", tmp_path).notes
    assert "SENDS diagnostics requests on the bus of socket://127.0.0.1:9" in said
    assert "While the car moves it asks for the speed each 10 s, and nothing else" in said
    (said,) = feed_at("socket://127.0.0.1:9", tmp_path, while_moving=True).notes
    assert "goes on while the car moves, because the setup says so" in said
    said = " ".join(BusDiagnostics(1, diagnostics_options("can0", "virtual")).notes)
    assert "SENDS" in said


# -- on the wire


@pytest.mark.parametrize(("word", "identifiers"), [(ENGINE, (0x7DF, 0x7E0)), (ENGINE_29, (0x18DB33F1, 0x18DA10F1))])
async def test_questions_and_answers_on_the_wire(
    taker: Taker, tmp_path: Path, word: int, identifiers: tuple[int, int]
) -> None:
    """The adapter is opened to take part, asked, and all is recorded: the values come out of the records alone."""
    wire = Pty(tmp_path)
    unit = ControlUnit(word, HAS)
    adapter = CarAdapter(wire.write, unit)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, addressing="auto", pids_per_request=4, gap_ms=0)
    feed.start(taker.intake)
    await taker.until(lambda: len(values_in(taker.records, CHANNELS)) == len(CHANNELS))
    await feed.stop()
    taker.take()
    assert values_in(taker.records, CHANNELS) == pytest.approx(
        {"engine_speed": 1726.0, "manifold_pressure": 101.0, "throttle": 20.0, "coolant_temperature": 50.0}
    )
    assert adapter.commands[:3] == [b"C", b"S6", b"O"]
    assert adapter.commands[-1] == b"C"
    frames = frames_in(taker.records)
    ours = [frame_of(text) for text in adapter.sent]
    assert [frame for frame in frames if frame[0] & 0x1FFFFFFF in (*identifiers, 0x7DF)] == ours
    assert {sent & 0x1FFFFFFF for sent, data in ours if data[0] == 0x30} == {identifiers[1]}
    assert {sent for sent, _ in frames} - {sent for sent, _ in ours} == {word}
    assert feed.health.answers >= 3
    assert feed.health.doing == "not open"
    await wire.unplug()


async def test_every_byte_written_is_counted(taker: Taker, tmp_path: Path) -> None:
    """What the adapter heard is what the ledger holds and health counts; requests are counted as such."""
    wire = Tcp(tmp_path)
    heard: list[bytes] = []
    adapter = CarAdapter(wire.write, ControlUnit(ENGINE, HAS))

    def hear(data: bytes) -> None:
        heard.append(data)
        adapter.hear(data)

    await wire.plug(hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await taker.until(lambda: "engine_speed" in values_in(taker.records, CHANNELS))
    await feed.stop()
    await wire.unplug()
    assert b"".join(data for _, data in feed.written) == b"".join(heard)
    assert feed.health.bytes_written == len(b"".join(heard))
    assert feed.health.requests == len(adapter.sent)
    taker.take()
    assert feed.health.bytes_read == len(taker.data())
    assert not any(command.startswith(b"L") for command in adapter.commands)


async def test_paused_on_the_wire(taker: Taker, tmp_path: Path) -> None:
    """A car that moves is asked its speed, and then the wire is silent; the feed says why."""
    wire = Pty(tmp_path)
    unit = ControlUnit(ENGINE, {**HAS, 0x0D: b"\x39"})
    adapter = CarAdapter(wire.write, unit)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await taker.until(lambda: feed.health.doing.startswith("paused"))
    assert feed.health.doing == "paused because the car moves (57 km/h); asks for the speed again after 10 s"
    assert list(feed._talk.due(taker.intake.clock.now() + 9 * S)) == [], "nothing is due for a long time"
    await feed.stop()
    await wire.unplug()
    assert unit.pids == [b"\x0d"]
    assert values_in(taker.records, CHANNELS) == {}


async def test_unplugged_and_returned(taker: Taker, tmp_path: Path) -> None:
    """An adapter that goes is told; when it returns everything is asked anew, the speed first."""
    wire = Pty(tmp_path)
    adapter = CarAdapter(wire.write, ControlUnit(ENGINE, HAS))
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await taker.until(lambda: "engine_speed" in values_in(taker.records, CHANNELS))
    await wire.unplug()
    await taker.texts(Kind.LOST)
    assert feed.health.doing == "not open"
    again = CarAdapter(wire.write, ControlUnit(ENGINE, {**HAS, 0x0C: b"\x0f\xa0"}))
    await wire.plug(again.hear)
    await taker.until(lambda: values_in(taker.records, CHANNELS).get("engine_speed") == 1000.0)
    await feed.stop()
    assert frame_of(again.sent[0]) == (0x7DF, bytes.fromhex("02010D0000000000"))
    assert frame_of(again.sent[1])[1][1:3] == b"\x01\x00"
    await wire.unplug()


async def test_an_adapter_that_refuses_to_send_is_told(taker: Taker, tmp_path: Path) -> None:
    """A request that the adapter does not take is counted and told; the port stays open."""
    wire = Pty(tmp_path)
    adapter = CarAdapter(wire.write)
    adapter._obey = lambda line: line[:1] != b"t" and SendingAdapter._obey(adapter, line)  # type: ignore[method-assign] # the fault
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path, addressing="11-bit")
    feed.start(taker.intake)
    await adapter.until(lambda: any(command[:1] == b"t" for command in adapter.commands))
    wire.write(answer_line(0x123, b"\1"))
    await taker.until(lambda: any(word == 0x123 for word, _ in frames_in(taker.records)))
    assert feed.health.not_sent == 1
    assert "refused to send a request" in feed.health.last_error
    assert feed.health.open
    await feed.stop()
    await wire.unplug()


async def test_lines_that_are_no_frames_are_counted(taker: Taker, tmp_path: Path) -> None:
    """Damage on the line between adapter and us is counted and not recorded; the frames around it are."""
    wire = Pty(tmp_path)
    adapter = CarAdapter(wire.write)
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    await adapter.until(lambda: bool(adapter.sent))
    wire.write(b"t12\rt1231AA\rtXYZ0\r")
    await taker.until(lambda: (0x123, b"\xaa") in frames_in(taker.records))
    await taker.until(lambda: feed.health.rejected == 2)
    await feed.stop()
    await wire.unplug()


async def test_a_port_that_takes_no_more_is_lost(taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A request that cannot be written whole loses the port in words; half a request is not recorded as sent."""
    wire = Pty(tmp_path)
    adapter = CarAdapter(wire.write)
    whole = SerialStream.write
    monkeypatch.setattr(SerialStream, "write", lambda self, data: whole(self, data[:4]))
    await wire.plug(adapter.hear)
    feed = feed_at(wire.port, tmp_path)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    await feed.stop()
    assert "the adapter does not take t7DF802010D" in reason
    assert frames_in(taker.records) == []
    await wire.unplug()


async def test_speaks_through_python_can(taker: Taker, tmp_path: Path) -> None:
    """The same over a python-can interface: questions, answers, flow control, all in the record, all counted."""
    name = f"bus of {tmp_path.name}"
    channels = {name: text for name, text in CHANNELS.items() if name != "coolant_temperature"}
    unit = ControlUnit(ENGINE, HAS)
    options = diagnostics_options(
        name, "virtual", addressing="auto", while_moving=False, channels=channels, pids_per_request=3, gap_ms=0
    )
    sent: list[tuple[int, bytes]] = []
    with can.Bus(channel=name, interface="virtual", ignore_config=True) as node:
        feed = build(options, 1, tmp_path)
        feed.start(taker.intake)
        await taker.texts(Kind.FOUND)
        while len(values_in(taker.records, channels)) < len(channels):
            message = node.recv(PATIENCE)
            assert message is not None, "no further question"
            sent.append((message.arbitration_id, bytes(message.data)))
            for _, frame in unit.hear(0, *sent[-1]):
                node.send(can.Message(arbitration_id=ENGINE, is_extended_id=False, data=frame))
            await asyncio.sleep(0)
            taker.take()
        await feed.stop()
    taker.take()
    assert sent[0] == (0x7DF, bytes.fromhex("02010D0000000000"))
    assert values_in(taker.records, channels)["engine_speed"] == 1726.0
    ours = [frame for frame in frames_in(taker.records) if frame[0] != ENGINE]
    assert ours[: len(sent)] == sent
    assert feed.health.bytes_written == 14 * len(ours)
    assert feed.health.bytes_read == len(taker.data())


class Unsendable(SwitchedBus):
    """An adapter on a bus where nobody acknowledges."""

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - as the driver has it
        """Fail as drivers do."""
        raise can.CanOperationError("no acknowledge")


can.interfaces.BACKENDS["unsendable"] = (Unsendable.__module__, "Unsendable")


async def test_a_driver_that_cannot_send_is_told(taker: Taker, tmp_path: Path) -> None:
    """A frame that the driver does not take is counted, told and not recorded as sent; reading goes on."""
    Unsendable.connected = True
    name = f"bus of {tmp_path.name}"
    with can.Bus(channel=name, interface="virtual", ignore_config=True) as node:
        feed = build(diagnostics_options(name, "unsendable"), 1, tmp_path)
        feed.start(taker.intake)
        await taker.texts(Kind.FOUND)
        node.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\1"))
        await taker.until(lambda: (0x123, b"\1") in frames_in(taker.records))
        health: Any = feed.health
        await feed.stop()
    assert health.not_sent >= 1
    assert "a request could not be sent: no acknowledge" in health.last_error
    assert frames_in(taker.records) == [(0x123, b"\1")]
    assert health.bytes_written == 0


def test_frames_as_lines() -> None:
    """`t7DF8…` and `T18DB33F18…` (published slcan commands t and T; text seen), and packed for the record."""
    data = bytes.fromhex("02010C0000000000")
    assert line(0x7DF, data) == b"t7DF802010C0000000000\r"
    assert line(EXTENDED | 0x18DB33F1, data) == b"T18DB33F1802010C0000000000\r"
    assert frame_of(line(EXTENDED | 0x18DB33F1, data)[:-1]) == (EXTENDED | 0x18DB33F1, data)
    assert packed(0x7DF, data) == bytes.fromhex("DF07000008C0") + data
