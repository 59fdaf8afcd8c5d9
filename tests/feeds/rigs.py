"""Hardware for the feeds to read: pseudo terminals, TCP sockets and buses that carry real bytes and can be pulled."""

from __future__ import annotations

import asyncio
import os
import socket
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

import can
import can.interfaces
from can.interfaces.virtual import VirtualBus

from pullwatch.batch import Kind, Record
from pullwatch.clock import SessionClock
from pullwatch.feeds.can_bus import packed
from pullwatch.feeds.intake import FEED_LIMIT, Intake
from pullwatch.feeds.kinds import build
from pullwatch.feeds.options import (
    CanOptions,
    LineField,
    NmeaOptions,
    PacketField,
    SerialLineOptions,
    SerialPacketOptions,
)
from pullwatch.feeds.options.diagnostics import DiagnosticsOptions

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from pullwatch.feeds.base import Feed

PATIENCE = 5.0
"""Seconds after which a test gives up waiting; nothing here takes a tenth of it."""


class Taker:
    """An intake, and somebody who waits for what comes in."""

    def __init__(self, limit: int = FEED_LIMIT) -> None:
        self.woken = asyncio.Event()
        self.intake = Intake(SessionClock(), self.woken.set, limit=limit)
        self.records: list[Record] = []
        self.nows: list[int] = []

    def take(self) -> None:
        """Take what is there."""
        now, records = self.intake.take()
        self.nows.append(now)
        self.records += records

    async def until(self, there: Callable[[], bool], seconds: float = PATIENCE) -> None:
        """Take records until `there` says it is enough."""
        async with asyncio.timeout(seconds):
            while True:
                self.take()
                if there():
                    return
                await self.woken.wait()
                self.woken.clear()

    def of(self, kind: Kind, feed: int = 1) -> list[Record]:
        """Return the records of one kind."""
        return [record for record in self.records if record.feed == feed and record.kind is kind]

    def data(self, feed: int = 1) -> bytes:
        """Return all data of a feed, joined."""
        return b"".join(record.data for record in self.of(Kind.DATA, feed))

    async def texts(self, kind: Kind, count: int = 1, feed: int = 1) -> list[str]:
        """Wait for `count` records of a kind; return their texts."""
        await self.until(lambda: len(self.of(kind, feed)) >= count)
        return [record.data.decode() for record in self.of(kind, feed)]


class Wire(Protocol):
    """A wire that carries bytes and can be pulled. It begins pulled."""

    port: str
    """The name of its near end, for a setup file."""

    async def plug(self, hear: Callable[[bytes], object]) -> None:
        """Connect; `hear` is told what is written at the near end."""

    async def unplug(self) -> None:
        """Pull the cable."""

    def write(self, data: bytes) -> int:
        """Send bytes to the near end; return how many the wire took."""


class Pty:
    """A pseudo terminal under a name that comes and goes like that of a USB port."""

    def __init__(self, folder: Path) -> None:
        self._link = folder / "port"
        self.port = str(self._link)
        self._ends: tuple[int, ...] = ()

    @property
    def device(self) -> str:
        """The name the system gave it, while it is plugged in."""
        return os.ttyname(self._ends[1])

    @property
    def far(self) -> int:
        """The descriptor of the device's end, while it is plugged in."""
        return self._ends[0]

    async def plug(self, hear: Callable[[bytes], object] = bytes) -> None:
        """Make the port appear. The near end is held open here too: else the far end cannot listen before the feed."""
        self._ends = os.openpty()
        far = self._ends[0]
        os.set_blocking(far, False)
        asyncio.get_running_loop().add_reader(far, lambda: hear(os.read(far, 4096)))
        self._link.symlink_to(self.device)

    async def unplug(self) -> None:
        """Hang up and take the name away."""
        if self._ends:
            asyncio.get_running_loop().remove_reader(self._ends[0])
            self._link.unlink()
            for end in self._ends:
                os.close(end)
            self._ends = ()

    def write(self, data: bytes) -> int:
        """Send bytes; return how many the line took, 0 if it is full."""
        try:
            return os.write(self._ends[0], data)
        except BlockingIOError:
            return 0


class _Client(asyncio.Protocol):
    """One connection to a `Tcp`."""

    def __init__(self, server: Tcp) -> None:
        self._server = server
        self.gone = asyncio.Event()
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Be greeted."""
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self._server.enter(self)

    def data_received(self, data: bytes) -> None:
        """Be heard."""
        self._server.hear(data)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio calls it so
        """Be gone."""
        self.gone.set()


class Tcp:
    """A TCP server that gives what a serial port would, to the client that came last."""

    def __init__(self, folder: Path, greeting: bytes = b"") -> None:
        del folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.number: int = probe.getsockname()[1]
        self.port = f"socket://127.0.0.1:{self.number}"
        self.hear: Callable[[bytes], object] = bytes
        self._greeting = greeting
        self._server: asyncio.Server | None = None
        self._clients: list[_Client] = []
        self._early = b""

    async def plug(self, hear: Callable[[bytes], object] = bytes) -> None:
        """Listen."""
        self.hear = hear
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Client(self), "127.0.0.1", self.number, reuse_address=True)

    async def unplug(self) -> None:
        """Stop listening and end every connection, once what was written is sent."""
        if self._server is not None:
            self._server.close()
            for _ in range(3):  # turns of the loop a connection already accepted takes to come in here
                await asyncio.sleep(0)
            for client in self._clients:
                assert client.transport is not None
                client.transport.close()
                async with asyncio.timeout(PATIENCE):
                    await client.gone.wait()
            await self._server.wait_closed()
            self._server = None
            self._clients.clear()

    def enter(self, client: _Client) -> None:
        """Take a client in."""
        self._clients.append(client)
        early, self._early = self._early, b""
        self.write(self._greeting + early)

    def write(self, data: bytes) -> int:
        """Send bytes, at once or as soon as there is a client."""
        if self._clients:
            transport = self._clients[-1].transport
            assert transport is not None
            transport.write(data)
        else:
            self._early += data
        return len(data)


class SlcanAdapter:
    """The command side of an slcan adapter, as the Lawicel CAN232/CANUSB ASCII protocol has it.

    CR answers a command done, BEL one refused: C of a closed channel; S, O and L of an open one; one not known.
    """

    def __init__(self, answer: Callable[[bytes], object], *, refuses: bytes = b"", mute: bool = False) -> None:
        self.commands: list[bytes] = []
        self.open = False
        self._answer = answer
        self._refuses = refuses
        self._mute = mute
        self._half = b""
        self._changed = asyncio.Event()

    def hear(self, data: bytes) -> None:
        """Obey what the feed wrote."""
        *lines, self._half = (self._half + data).split(b"\r")
        for line in lines:
            self.commands.append(line)
            done = self._obey(line)
            if not self._mute:
                self._answer(b"\r" if done else b"\a")
        self._changed.set()

    def _obey(self, line: bytes) -> bool:
        was = self.open
        if not line or line[:1] in [self._refuses[i : i + 1] for i in range(len(self._refuses))]:
            return False
        match line[:1]:
            case b"C":
                self.open = False
                return was
            case b"O" | b"L":
                self.open = True
                return not was
            case b"S":
                return not was
            case _:
                return False

    async def until(self, there: Callable[[], bool]) -> None:
        """Wait for the adapter to have heard enough."""
        async with asyncio.timeout(PATIENCE):
            while not there():
                self._changed.clear()
                await self._changed.wait()


def serial_line(port: str, name: str = "wideband") -> SerialLineOptions:
    """Return the options of a serial line at `port`."""
    field = LineField(channel="lambda", key="lambda")
    return SerialLineOptions(name=name, kind="serial-line", port=port, fields=[field])


def can_options(port: str, adapter: str = "slcan", **more: Any) -> CanOptions:
    """Return the options of a CAN feed at `port`."""
    return CanOptions(name="ecu", kind="can", adapter=adapter, port=port, dbc="ecu.dbc", channels={}, **more)


class Rig(Protocol):
    """The hardware of one feed. It begins unplugged, and may be plugged in and out again and again."""

    named: str
    """What a LOST record must name."""
    pluggable: bool
    """Whether it can be absent at all."""
    writes: bool
    """Whether the feed may write to it."""

    def feed(self) -> Feed:
        """Build the feed, as number 1."""

    async def plug(self) -> None:
        """Connect."""

    async def unplug(self) -> None:
        """Disconnect, as a pulled cable does."""

    async def ready(self) -> None:
        """Wait until the feed, which has said FOUND, has said to the hardware what it needs to be told."""

    def say(self, number: int) -> bytes:
        """Send message `number` (0 to 255); return the bytes of DATA it must become."""


class LineRig:
    """A device that sends lines of text."""

    pluggable = True
    writes = False

    def __init__(self, folder: Path, wire: Wire) -> None:
        self.named = wire.port
        self.wire = wire
        self.heard = b""
        self._folder = folder

    def feed(self) -> Feed:
        """Build the feed."""
        return build(serial_line(self.wire.port), 1, self._folder)

    async def plug(self) -> None:
        """Connect."""
        await self.wire.plug(self._hear)

    async def unplug(self) -> None:
        """Pull the cable."""
        await self.wire.unplug()

    async def ready(self) -> None:
        """Return: nothing is to be told."""

    def say(self, number: int) -> bytes:
        """Send a line."""
        line = b"lambda=0.%03d\r\n" % number
        self.wire.write(line)
        return line

    def _hear(self, data: bytes) -> None:
        self.heard += data


class NmeaRig(LineRig):
    """A satellite receiver."""

    def feed(self) -> Feed:
        """Build the feed."""
        channels = {"vehicle_speed": "speed"}
        return build(NmeaOptions(name="gps", kind="nmea", port=self.wire.port, channels=channels), 1, self._folder)

    def say(self, number: int) -> bytes:
        """Send a sentence."""
        body = b"GNVTG,,T,,M,,N,%d.0,K,A" % number
        sentence = b"$%s*%02X\r\n" % (body, reduce(xor, body))
        self.wire.write(sentence)
        return sentence


class PacketRig(LineRig):
    """A device that sends binary packets."""

    def feed(self) -> Feed:
        """Build the feed."""
        field = PacketField(channel="lambda", at=2, type="u16")
        options = SerialPacketOptions(
            name="box",
            kind="serial-packet",
            port=self.wire.port,
            sync="A5 5A",
            byte_order="big",
            length=4,
            fields=[field],
        )
        return build(options, 1, self._folder)

    def say(self, number: int) -> bytes:
        """Send a packet; among its bytes are those that mean something to a terminal."""
        packet = b"\xa5\x5a" + bytes([number, number ^ 0xFF])
        self.wire.write(packet)
        return packet


class SlcanRig:
    """An slcan adapter on a bus."""

    pluggable = True
    writes = True

    def __init__(self, folder: Path, wire: Wire) -> None:
        self.named = wire.port
        self.wire = wire
        self.adapter = SlcanAdapter(wire.write)
        self._folder = folder

    def feed(self) -> Feed:
        """Build the feed."""
        return build(can_options(self.wire.port), 1, self._folder)

    async def plug(self) -> None:
        """Connect; the adapter has power again and knows nothing of before."""
        self.adapter = SlcanAdapter(self.wire.write)
        await self.wire.plug(self.adapter.hear)

    async def unplug(self) -> None:
        """Pull the cable."""
        await self.wire.unplug()

    async def ready(self) -> None:
        """Wait until the adapter is opened: it gives no frames before."""
        await self.adapter.until(lambda: self.adapter.open)

    def say(self, number: int) -> bytes:
        """Send a frame, as a frame line."""
        line = b"t1232%04X\r" % number
        self.wire.write(line)
        return line


class VirtualRig:
    """A bus within this process: python-can's `virtual`. It is always there."""

    pluggable = False
    writes = False
    adapter = "virtual"

    def __init__(self, folder: Path) -> None:
        self.named = f"bus of {folder.name}"
        self._folder = folder
        self._sender: can.BusABC | None = None

    def feed(self) -> Feed:
        """Build the feed."""
        return build(can_options(self.named, self.adapter), 1, self._folder)

    async def plug(self) -> None:
        """Connect a second node to the bus."""
        self._sender = can.Bus(channel=self.named, interface="virtual", ignore_config=True)

    async def unplug(self) -> None:
        """Take the second node away."""
        if self._sender is not None:
            self._sender.shutdown()
            self._sender = None

    async def ready(self) -> None:
        """Return: nothing is to be told."""

    def say(self, number: int) -> bytes:
        """Send a frame."""
        assert self._sender is not None
        message = can.Message(arbitration_id=0x123, is_extended_id=False, data=[number >> 8, number & 255])
        self._sender.send(message)
        return packed(message)


class SwitchedBus(VirtualBus):
    """A bus whose adapter can be pulled: opening fails and reading fails, as drivers of USB adapters do."""

    connected: ClassVar[bool] = False

    def __init__(self, channel: str, **more: Any) -> None:
        if not self.connected:
            raise can.CanInitializationError("no such adapter")
        super().__init__(channel, **more)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if not self.connected:
            raise can.CanOperationError("the adapter is gone")
        return super()._recv_internal(timeout)


class SwitchedRig(VirtualRig):
    """A bus through an adapter that can be pulled."""

    pluggable = True
    adapter = "switched"

    async def plug(self) -> None:
        """Connect."""
        await super().plug()
        SwitchedBus.connected = True

    async def unplug(self) -> None:
        """Pull the adapter."""
        SwitchedBus.connected = False
        await super().unplug()


class SocketcandRig:
    """A socketcand server on 127.0.0.1, in raw mode, as the protocol description of socketcand has it."""

    pluggable = True
    writes = True

    def __init__(self, folder: Path) -> None:
        self.named = "can0"
        self._folder = folder
        self.wire = Tcp(folder, greeting=b"< hi >")

    def feed(self) -> Feed:
        """Build the feed."""
        where = {"host": "127.0.0.1", "port": self.wire.number}
        return build(can_options("can0", "socketcand", adapter_options=where), 1, self._folder)

    async def plug(self) -> None:
        """Start the server."""
        await self.wire.plug(self._hear)

    async def unplug(self) -> None:
        """End the server."""
        await self.wire.unplug()

    def _hear(self, data: bytes) -> None:
        assert data in {b"< open can0 >", b"< rawmode >"}
        self.wire.write(b"< ok >")

    async def ready(self) -> None:
        """Return: nothing is to be told."""

    def say(self, number: int) -> bytes:
        """Send a frame."""
        self.wire.write(b"< frame 123 23.424242 %04X >" % number)
        return packed(can.Message(arbitration_id=0x123, is_extended_id=False, data=[number >> 8, number & 255]))


def diagnostics_options(port: str, adapter: str = "slcan", **more: Any) -> DiagnosticsOptions:
    """Return the options of a diagnostics feed at `port` that may send."""
    told = {"transmit": True, "while_moving": True, "addressing": "11-bit", "channels": {"engine_speed": "0C"}, **more}
    return DiagnosticsOptions(name="diagnostics", kind="diagnostics", adapter=adapter, port=port, **told)


class SendingAdapter(SlcanAdapter):
    """An slcan adapter that also sends, once it is opened to take part (`O`); `sent` are its frames, as lines."""

    def __init__(self, answer: Callable[[bytes], object], **more: Any) -> None:
        super().__init__(answer, **more)
        self.sent: list[bytes] = []
        self._takes_part = False

    def _obey(self, line: bytes) -> bool:
        if line[:1] in (b"t", b"T"):
            if self.open and self._takes_part:
                self.sent.append(line)
                self.put_on_bus(line)
            return self.open and self._takes_part
        done = super()._obey(line)
        self._takes_part = line == b"O" if done else self._takes_part
        return done

    def put_on_bus(self, line: bytes) -> None:
        """Be heard by whoever is on the bus: nobody."""


class DiagnosticsRig(SlcanRig):
    """An slcan adapter on a bus on which nobody answers."""

    def __init__(self, folder: Path, wire: Wire) -> None:
        super().__init__(folder, wire)
        self.sending = SendingAdapter(wire.write)

    def feed(self) -> Feed:
        """Build the feed."""
        return build(diagnostics_options(self.wire.port), 1, self._folder)

    async def plug(self) -> None:
        """Connect; the adapter has power again and knows nothing of before."""
        self.sending = SendingAdapter(self.wire.write)
        await self.wire.plug(self.sending.hear)

    async def ready(self) -> None:
        """Wait until the first question is asked: the next comes more than a second later."""
        await self.sending.until(lambda: bool(self.sending.sent))

    def say(self, number: int) -> bytes:
        """Send a frame, which is recorded packed."""
        super().say(number)
        return packed(can.Message(arbitration_id=0x123, is_extended_id=False, data=[number >> 8, number & 255]))


class DiagnosticsBusRig(SwitchedRig):
    """A bus through an adapter that can be pulled, on which nobody answers."""

    writes = True

    def feed(self) -> Feed:
        """Build the feed."""
        return build(diagnostics_options(self.named, self.adapter), 1, self._folder)

    async def ready(self) -> None:
        """Wait until the first question is asked: the next comes more than a second later."""
        assert self._sender is not None
        assert self._sender.recv(PATIENCE) is not None


RIGS: Mapping[str, Callable[[Path], Rig]] = {
    "serial-line on a pty": lambda folder: LineRig(folder, Pty(folder)),
    "serial-line on TCP": lambda folder: LineRig(folder, Tcp(folder)),
    "serial-packet on a pty": lambda folder: PacketRig(folder, Pty(folder)),
    "serial-packet on TCP": lambda folder: PacketRig(folder, Tcp(folder)),
    "nmea on a pty": lambda folder: NmeaRig(folder, Pty(folder)),
    "nmea on TCP": lambda folder: NmeaRig(folder, Tcp(folder)),
    "slcan on a pty": lambda folder: SlcanRig(folder, Pty(folder)),
    "slcan on TCP": lambda folder: SlcanRig(folder, Tcp(folder)),
    "python-can virtual": VirtualRig,
    "python-can, pulled": SwitchedRig,
    "python-can socketcand": SocketcandRig,
    "diagnostics by slcan on a pty": lambda folder: DiagnosticsRig(folder, Pty(folder)),
    "diagnostics by slcan on TCP": lambda folder: DiagnosticsRig(folder, Tcp(folder)),
    "diagnostics by python-can": DiagnosticsBusRig,
}
"""Every kind of feed on every kind of wire it reads."""

can.interfaces.BACKENDS["switched"] = (SwitchedBus.__module__, "SwitchedBus")
