"""What every feed shares: it owns one port, keeps it open, says LOST and FOUND, and counts.

An adapter implements `Reopening._hold` (open, read, return why it ended); the shared part owns waiting and trying
again. `StreamFeed` is the one for byte streams: serial ports, pseudo terminals and TCP, read in bulk from the
descriptor. Nothing here blocks the loop: opening, looking up and closing a port may take the system seconds, so each is
done in a short-lived thread.
"""

from __future__ import annotations

import abc
import asyncio
import errno
import os
import socket
import sys
import threading
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeVar

import serial

from pullwatch.batch import Kind
from pullwatch.errors import PortError
from pullwatch.feeds.ports import Device, Peer, list_ports, note, parse, resolve
from pullwatch.feeds.written import Written
from pullwatch.sinks import Health

if sys.platform != "win32":
    import fcntl
    import struct
    import termios

if TYPE_CHECKING:
    from collections.abc import Callable

    from pullwatch.feeds.intake import Intake
    from pullwatch.feeds.ports import Lister

T = TypeVar("T")

RETRY_FIRST: Final = 0.05
"""Seconds between losing a port and the first try to open it again; doubled at each failure up to RETRY_MOST."""
RETRY_MOST: Final = 0.25
"""Seconds. A port that returns must give data within 500 ms, of which looking and opening need their share."""
READ_MOST: Final = 65_536
"""Bytes taken from one port before the other ports have their turn."""
CONNECT_PATIENCE: Final = 2.0
"""Seconds a TCP connection may take to come about."""
CLOSE_PATIENCE: Final = 1.0
"""Seconds waited for the system to close a port; after that it is left to it."""


@dataclass(slots=True)
class FeedHealth(Health):
    """What a feed says of itself. `last_good` is the time of the last read that gave data, session ns."""

    open: bool = False
    opened: int = 0
    lost: int = 0
    """How often the port went away after it had been open."""
    reads: int = 0
    bytes_read: int = 0
    bytes_written: int = 0
    error_frames: int = 0


class Feed(Protocol):
    """One port. `start` on the running loop; `stop` leaves no thread, task or descriptor behind."""

    @property
    def number(self) -> int:
        """Its number in the records: its place in the setup file, counting from 1."""

    @property
    def name(self) -> str:
        """Its name in the setup file."""

    @property
    def port(self) -> str:
        """The port as the setup file names it."""

    @property
    def written(self) -> Written:
        """The ledger of what it wrote to its port."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the owner should know of how it is set up, in sentences."""

    @property
    def health(self) -> FeedHealth:
        """Its counts up to now."""

    def start(self, intake: Intake) -> None:
        """Begin. Raises PortError if this platform cannot read the port at all."""

    async def stop(self) -> None:
        """End and let go of everything held. No LOST is said: that is for ports that go by themselves."""


async def aside(work: Callable[[], T], undo: Callable[[T], object] | None = None, patience: float = 1.0) -> T:
    """Run blocking `work` in a thread of its own and return its result.

    When cancelled, up to `patience` seconds are given for the thread to end; whenever its result comes, it is undone.
    A thread stuck in the system beyond that is left behind as a daemon: it cannot be ended from outside.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def run() -> None:
        settle: Callable[[], None]
        try:
            result = work()
        except BaseException as error:  # noqa: BLE001 - raised again by whoever awaits
            settle = partial(done.set_exception, error)
        else:
            settle = partial(done.set_result, result)
        with suppress(RuntimeError):  # the loop is closed: nobody awaits this any more
            loop.call_soon_threadsafe(settle)

    threading.Thread(target=run, name="pullwatch-aside", daemon=True).start()
    try:
        return await asyncio.shield(done)
    except asyncio.CancelledError:
        if undo is not None:
            done.add_done_callback(lambda done: undo(done.result()) if done.exception() is None else None)
        await asyncio.wait((done,), timeout=patience)
        raise


class Reopening(abc.ABC):
    """Keeps one port open: tries, says, waits, tries again, until stopped."""

    def __init__(self, number: int, name: str, port: str, notes: tuple[str, ...] = ()) -> None:
        self.number = number
        self.name = name
        self.port = port
        self.notes = notes
        self.written = Written()
        self._health = FeedHealth()
        self._intake: Intake | None = None
        self._task: asyncio.Task[None] | None = None
        self._said = ""

    @property
    def health(self) -> FeedHealth:
        """Its counts up to now."""
        self._health.dropped = self.intake.dropped.get(self.number, 0) if self._intake else 0
        return self._health

    @property
    def intake(self) -> Intake:
        """Where records go. Only after `start`."""
        assert self._intake is not None, "the feed is not started"
        return self._intake

    def start(self, intake: Intake) -> None:
        """Begin, on the running loop."""
        assert self._task is None, "the feed is started already"
        self._intake = intake
        self._task = asyncio.get_running_loop().create_task(self._keep_open(), name=f"feed {self.name}")

    async def stop(self) -> None:
        """End and let go of everything held."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait((self._task,))
            self._task = None

    @abc.abstractmethod
    async def _hold(self) -> str:
        """Open the port, call `_found`, read until it is gone, let go of it and return why it went.

        Raises PortError if it cannot be opened. When cancelled it lets go of the port too.
        """

    async def _keep_open(self) -> None:
        wait = RETRY_FIRST
        while True:
            reads = self._health.reads
            try:
                reason = await self._hold()
            except PortError as error:
                reason = str(error)
            except Exception as error:  # noqa: BLE001 - a fault in one feed is told and must not end the watching
                reason = f"{self.port}: pullwatch failed at this port: {type(error).__name__}: {error}"
            self._gone(reason)
            if self._health.reads > reads:  # a port that opens and at once goes again earns no quick tries
                wait = RETRY_FIRST
            await asyncio.sleep(wait)
            wait = min(2 * wait, RETRY_MOST)

    def _found(self, text: str) -> None:
        """Say that the port is open, on the loop's thread."""
        self._opened()
        self.intake.put(self.number, Kind.FOUND, text.encode())

    def _opened(self) -> None:
        self._health.open = True
        self._health.opened += 1
        self._said = ""

    def _gone(self, reason: str) -> None:
        """Say that the port is away and why; the same reason is said once."""
        self._health.last_error = reason
        if self._health.open:
            self._health.open = False
            self._health.lost += 1
        if reason != self._said:
            self._said = reason
            self.intake.put(self.number, Kind.LOST, reason.encode())


class Stream(Protocol):
    """An open port that gives and takes bytes without waiting."""

    name: str

    def fileno(self) -> int:
        """Return the descriptor to watch."""

    def read(self, most: int) -> bytes:
        """Return what is there; empty when the other end is gone. Raises BlockingIOError when nothing is there."""

    def write(self, data: bytes) -> int:
        """Write what can be written at once; return how many bytes that was."""

    def close(self) -> None:
        """Let go. What could not be sent is thrown away, for a dead device may hold up a close for half a minute."""


class SerialStream:
    """A serial port or pseudo terminal, opened and set up by pyserial, then read and written by its descriptor."""

    def __init__(self, device: str, baud: int) -> None:
        self.name = device
        self._port = serial.serial_for_url(device, baudrate=baud, exclusive=True, timeout=0)
        try:
            self._fd = self._port.fileno()
            self._make_reads_tell()
            with suppress(ValueError, NotImplementedError, AttributeError):  # only some USB adapters have such a mode
                self._port.set_low_latency_mode(True)
        except BaseException:
            self._port.close()
            raise

    def _make_reads_tell(self) -> None:
        """Have reads tell a quiet port from a dead one: with VMIN = 0 both give nothing, with 1 the quiet EAGAIN."""
        mode = termios.tcgetattr(self._fd)
        mode[6][termios.VMIN] = 1
        termios.tcsetattr(self._fd, termios.TCSANOW, mode)

    def fileno(self) -> int:
        """Return the descriptor to watch."""
        return self._fd

    def read(self, most: int) -> bytes:
        """Return what is there; empty when the device is gone."""
        return os.read(self._fd, most)

    def write(self, data: bytes) -> int:
        """Write what can be written at once."""
        return os.write(self._fd, data)

    def close(self) -> None:
        """Let go, throwing away what the device did not take."""
        with suppress(OSError, termios.error):  # a device that is gone has nothing left to throw away
            unsent = struct.unpack("I", fcntl.ioctl(self._fd, termios.TIOCOUTQ, bytes(4)))[0]
            if unsent:
                termios.tcflush(self._fd, termios.TCOFLUSH)
        with suppress(OSError):
            self._port.close()


class TcpStream:
    """A TCP connection that gives what a serial port would."""

    def __init__(self, connected: socket.socket, name: str) -> None:
        self.name = name
        self._socket = connected

    def fileno(self) -> int:
        """Return the descriptor to watch."""
        return self._socket.fileno()

    def read(self, most: int) -> bytes:
        """Return what is there; empty when the peer has ended."""
        return self._socket.recv(most)

    def write(self, data: bytes) -> int:
        """Write what can be written at once."""
        return self._socket.send(data)

    def close(self) -> None:
        """Let go."""
        self._socket.close()


def open_device(port: str, device: str, baud: int) -> SerialStream:
    """Open `device`, which the setup file calls `port`. Blocks. Raises PortError in words."""
    try:
        return SerialStream(device, baud)
    except (OSError, ValueError, termios.error) as error:
        raise _refused(port, device, baud, error) from error


def _refused(port: str, device: str, baud: int, error: Exception) -> PortError:
    """Return why a device could not be opened, so that the person at the car knows what to do."""
    # termios.error is no OSError and keeps its number as its first argument; pyserial wraps it in a text.
    number = getattr(error, "errno", None) or (error.args[0] if error.args else None)
    where = device if device == port else f"{device} ({port})"
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return PortError(where, "is not there.", "It is taken as soon as it is plugged in.")
    if number in (errno.EACCES, errno.EPERM):
        return PortError(where, "may not be opened by this user.", "Add the user to the group that owns it (dialout).")
    if number in (errno.EBUSY, errno.EWOULDBLOCK):
        return PortError(where, "is in use by another program.", "Close that program.")
    if isinstance(error, ValueError):
        return PortError(where, f"does not take {baud} Bd.", "Write the baud of the device in the setup file.")
    if number == errno.EISDIR or "Inappropriate ioctl" in str(error):
        return PortError(where, "is not a serial port.", "Write the path of a serial port.")
    return PortError(where, f"cannot be opened: {error}.")


async def connect(port: str, peer: Peer) -> TcpStream:
    """Connect to `peer` without blocking the loop. Raises PortError in words."""
    loop = asyncio.get_running_loop()
    try:
        async with asyncio.timeout(CONNECT_PATIENCE):
            addresses = await _addresses(peer)
            for family, address in addresses:
                connected = socket.socket(family, socket.SOCK_STREAM)
                try:
                    connected.setblocking(False)
                    await loop.sock_connect(connected, address)
                    _refuse_itself(connected)
                except BaseException as error:
                    connected.close()
                    if not isinstance(error, OSError) or (family, address) == addresses[-1]:
                        raise
                else:
                    _notice_silence(connected)
                    return TcpStream(connected, port)
    except TimeoutError:
        raise PortError(port, f"did not answer within {CONNECT_PATIENCE:g} s.", "Is it switched on?") from None
    except ConnectionRefusedError:
        raise PortError(port, "nobody listens there.", "It is taken as soon as somebody does.") from None
    except OSError as error:
        raise PortError(port, f"cannot be reached: {error.strerror or error}.") from error
    raise PortError(port, "has no address.")


async def _addresses(peer: Peer) -> list[tuple[int, tuple[Any, ...]]]:
    """Return families and addresses to try. Only a name needs looking up, which may take seconds without a network."""
    try:
        version = ip_address(peer.host).version
    except ValueError:
        found = await aside(lambda: socket.getaddrinfo(peer.host, peer.port, type=socket.SOCK_STREAM))
        return [(family, address) for family, _, _, _, address in found]
    return [(socket.AF_INET if version == 4 else socket.AF_INET6, (peer.host, peer.port))]


def _refuse_itself(connected: socket.socket) -> None:
    """Raise if it is connected to itself: with nobody there, a local socket may by chance be given the very port."""
    if connected.getsockname() == connected.getpeername():
        raise ConnectionRefusedError(errno.ECONNREFUSED, os.strerror(errno.ECONNREFUSED))


def _notice_silence(connected: socket.socket) -> None:
    """Have the system ask a silent peer whether it lives: an adapter without power ends no connection by itself."""
    connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connected.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 1), ("TCP_KEEPINTVL", 1), ("TCP_KEEPCNT", 2)):
        if hasattr(socket, option):
            connected.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


class StreamFeed(Reopening):
    """A byte stream, read in bulk: one read of a port for each turn of the loop, so that no port starves another."""

    def __init__(self, number: int, name: str, port: str, baud: int, lister: Lister = list_ports) -> None:
        parse(port)
        super().__init__(number, name, port, tuple(filter(None, (note(port),))))
        self._baud = baud
        self._lister = lister

    def start(self, intake: Intake) -> None:
        """Begin, on the running loop. Raises PortError where the loop cannot watch ports."""
        if type(asyncio.get_running_loop()).add_reader is asyncio.AbstractEventLoop.add_reader or os.name == "nt":
            raise PortError(
                self.port,
                "serial ports and socket:// cannot be read on this platform: its event loop cannot watch them.",
                "Watch on Linux or macOS, or use a CAN adapter through its python-can interface.",
            )
        super().start(intake)

    async def _open(self) -> Stream:
        place = parse(self.port)
        if isinstance(place, Peer):
            return await connect(self.port, place)
        return await aside(self._open_serial, SerialStream.close)

    def _open_serial(self) -> SerialStream:
        place = resolve(self.port, self._lister)
        assert isinstance(place, Device)
        return open_device(self.port, place.path, self._baud)

    async def _hold(self) -> str:
        stream = await self._open()
        loop = asyncio.get_running_loop()
        lost: asyncio.Future[str] = loop.create_future()
        try:
            self._found(self._named(stream))
            loop.add_reader(stream.fileno(), self._readable, stream, lost)
            self.intake.reads(stream.fileno(), partial(self._readable, stream, lost))
            await self._set_up(stream, lost)
            return await asyncio.shield(lost)  # a stop must not end `lost` itself: there is a farewell to be said
        finally:
            if not lost.done():
                await self._farewell(stream, lost)
            loop.remove_reader(stream.fileno())
            self.intake.reads_no_more(stream.fileno())
            with suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_PATIENCE):
                    await aside(stream.close, patience=0.0)

    def _readable(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        data = self._read(stream, lost)
        if not data:
            return
        stamp = self.intake.clock.now()
        self.intake.put(self.number, Kind.DATA, data, stamp)
        health = self._health
        health.last_good = stamp
        health.reads += 1
        health.bytes_read += len(data)
        self._heard(data)

    def _read(self, stream: Stream, lost: asyncio.Future[str]) -> bytes:
        """Return what came, b"" if nothing did. A port that is gone is given up."""
        try:
            data = stream.read(READ_MOST)
        except (BlockingIOError, InterruptedError):
            return b""
        except OSError as error:
            self._end(stream, lost, f"{self.port}: lost: {error.strerror or error}.")
            return b""
        if not data:
            self._end(stream, lost, f"{self.port}: lost: the other end is gone.")
        return data

    def _end(self, stream: Stream, lost: asyncio.Future[str], reason: str) -> None:
        """Stop reading, at once: a port that is gone is always readable."""
        asyncio.get_running_loop().remove_reader(stream.fileno())
        self.intake.reads_no_more(stream.fileno())
        if not lost.done():
            lost.set_result(reason)
            self._gone(reason)

    def _named(self, stream: Stream) -> str:
        """Return the text of the FOUND record."""
        return stream.name if stream.name == self.port else f"{stream.name} ({self.port})"

    def _heard(self, data: bytes) -> None:
        """Be told of data already put (for an adapter that waits for answers)."""

    async def _set_up(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        """Say to the device what it needs to be told; reading goes on meanwhile. Raises PortError if it refuses."""

    async def _farewell(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        """Say to the device what it needs to be told before it is closed; reading goes on meanwhile."""
