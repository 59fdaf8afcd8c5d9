"""Finding a CAN bus's bit rate by listening, and only so.

An adapter that takes part in a bus at a wrong bit rate destroys other nodes' frames. So nothing here ever opens an
adapter but listen-only, and an adapter that does not say clearly that it will listen only is refused.

Each usual bit rate is listened at in turn, all of them, and the one at which frames come is the bus's: a frame passes
its checksum at the right rate only. What was heard at every rate is in the result, for a person to judge.

The trap: a CAN frame needs another node to acknowledge it, and who listens only does not. Where only one node sends and
nobody else is on the bus, that node repeats its frame as an error without end, and every rate is silent.
"""

from __future__ import annotations

import asyncio
import os
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from pullwatch.decoders import Ledger
from pullwatch.decoders.slcan import Slcan
from pullwatch.errors import PortError
from pullwatch.feeds.base import CLOSE_PATIENCE, READ_MOST, SerialStream, aside, connect, open_device
from pullwatch.feeds.ports import Device, Peer, list_ports, parse, resolve
from pullwatch.feeds.slcan import BITRATES, CLOSE, OPEN_LISTEN_ONLY

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import can

    from pullwatch.feeds.base import Stream
    from pullwatch.feeds.ports import Lister

RATES: Final = (1_000_000, 800_000, 500_000, 250_000, 125_000, 100_000, 83_333, 50_000, 33_333, 20_000, 10_000)
"""Bit/s that buses in vehicles have (common practice, no source)."""
LEAST_FRAMES: Final = 3
"""Frames that tell a bit rate; fewer are said, and decide nothing."""
ANSWER_PATIENCE: Final = 0.25
"""Seconds an adapter is given to answer: more than by a feed, as one that does not answer is refused here."""
QUIET: Final = 0.05
"""Seconds without a byte after which a closed adapter counts as closed."""
CLOSING: Final = 1.0
"""Seconds an adapter is given to become quiet after it was told to close."""
RECV_PATIENCE: Final = 0.05

TRAP: Final = (
    "Silence is no proof of a wrong bit rate: with only one other node on the bus nobody acknowledges its frames, so "
    "that node repeats its first one as an error without end, and a listener hears silence at any rate. Put a second "
    "ordinary node on the bus, or read the bit rate from the controller's own settings."
)

_OK: Final = b"\r"
_REFUSED: Final = b"\a"


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard at one bit rate. `errors` are damaged lines or error frames; `same` means one frame all along.

    `why_not` says why it could not be listened at; empty if it was.
    """

    rate: int
    frames: int = 0
    errors: int = 0
    same: bool = False
    why_not: str = ""

    def __str__(self) -> str:
        if self.why_not:
            return f"{self.rate:,} bit/s: not listened at, {self.why_not}"
        again = ", all the same one" if self.same else ""
        return f"{self.rate:,} bit/s: {self.frames:,} frames{again}, {self.errors:,} errors"


@dataclass(frozen=True, slots=True)
class BitrateFound:
    """The bit rate (bit/s; None: not found), the frames heard at it, and the reasons, in sentences for people."""

    rate: int | None
    frames: int
    reasons: tuple[str, ...]
    heard: tuple[Heard, ...] = ()


async def search_bitrate(
    port: str,
    adapter: str = "slcan",
    *,
    seconds: float = 0.5,
    rates: Sequence[int] = RATES,
    baud: int = 2_000_000,
    adapter_options: Mapping[str, Any] | None = None,
    lister: Lister = list_ports,
) -> BitrateFound:
    """Listen at each of `rates` (bit/s) for `seconds` and say which is the bus's. May be cancelled at any time.

    `adapter` is `slcan` or a python-can interface, as in the setup file; `baud` is the serial port's speed (slcan).
    Nothing is sent onto the bus. It takes `seconds` a rate, and a second a rate more at the worst.
    Raises PortError when the port cannot be opened or is lost, and when listen-only cannot be guaranteed.
    """
    if adapter == "slcan":
        heard = await _by_slcan(port, baud, seconds, rates, lister)
    else:
        heard = await _by_driver(port, adapter, seconds, rates, adapter_options or {})
    return judged(heard)


def judged(heard: Sequence[Heard]) -> BitrateFound:
    """Decide by what was heard at each rate."""
    lines = tuple(str(one) for one in heard)
    clear = [one for one in heard if one.frames >= LEAST_FRAMES]
    if len(clear) == 1:
        (found,) = clear
        reasons = [f"{found.rate:,} bit/s: {found.frames:,} whole frames, and no other rate gave as many as a few."]
        if found.same:
            reasons.append(
                "It was one and the same frame again and again. Perhaps nobody acknowledges it: is there only one "
                "other node on the bus?"
            )
        return BitrateFound(found.rate, found.frames, (*reasons, *lines), tuple(heard))
    if clear:
        rates = ", ".join(f"{one.rate:,}" for one in clear)
        why = (
            f"Frames came at several bit rates ({rates}), which a bus cannot do: the adapter does not set the rate it "
            "is told."
        )
        return BitrateFound(None, 0, (why, *lines), tuple(heard))
    few = [one for one in heard if one.frames]
    if few:
        why = f"Only {few[0].frames} of the {LEAST_FRAMES} frames that would tell, at {few[0].rate:,} bit/s: "
        why += "listen longer."
    elif any(one.errors for one in heard):
        why = "Errors, but no whole frame at any rate: the bus has another rate than these, or its wiring is wrong."
    else:
        why = "Silence at every rate."
    return BitrateFound(None, 0, (why, TRAP, *lines), tuple(heard))


# -- slcan


async def _by_slcan(port: str, baud: int, seconds: float, rates: Sequence[int], lister: Lister) -> list[Heard]:
    place = parse(port)
    if type(asyncio.get_running_loop()).add_reader is asyncio.AbstractEventLoop.add_reader or os.name == "nt":
        raise PortError(port, "serial ports cannot be read on this platform.", "Search on Linux or macOS.")

    def opened() -> SerialStream:
        found = resolve(port, lister)
        assert isinstance(found, Device)
        return open_device(port, found.path, baud)

    stream: Stream
    if isinstance(place, Peer):
        stream = await connect(port, place)
    else:
        by_serial: SerialStream = await aside(opened, SerialStream.close)
        stream = by_serial
    talk = _Talk(port, stream)
    try:
        await talk.closed()  # whoever left it open
        return [await _listened(talk, rate, seconds) for rate in rates]
    finally:
        talk.farewell()
        with suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_PATIENCE):
                await aside(stream.close, patience=0.0)


async def _listened(talk: _Talk, rate: int, seconds: float) -> Heard:
    """Listen at one rate through an slcan adapter that is closed, and close it again."""
    command = BITRATES.get(rate)
    if command is None:
        return Heard(rate, why_not="slcan has no command for it")
    if await talk.ask(command) == _REFUSED:
        return Heard(rate, why_not=f"the adapter refused {command.decode().strip()}")
    if await talk.ask(OPEN_LISTEN_ONLY) == _REFUSED:
        raise PortError(
            talk.port,
            "the adapter refused L (open, listen-only), so no bit rate is searched with it.",
            "An adapter that takes part at a wrong bit rate disturbs the bus: use another one.",
        )
    text = await talk.listen(seconds)
    await talk.closed()
    ledger = Ledger()
    frames = Slcan().few(0, text, ledger)
    return Heard(rate, len(frames), ledger.bad_messages, len(frames) > 1 and len({one[1:3] for one in frames}) == 1)


class _Talk:
    """A conversation with an slcan adapter: commands, their answers, and what it gives while it is open."""

    def __init__(self, port: str, stream: Stream) -> None:
        self.port = port
        self._stream = stream
        self._heard = bytearray()
        self._news = asyncio.Event()
        self._lost = ""
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(stream.fileno(), self._readable)

    def _readable(self) -> None:
        try:
            data = self._stream.read(READ_MOST)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._end(f"lost: {error.strerror or error}.")
            return
        if not data:
            self._end("lost: the other end is gone.")
        self._heard += data
        self._news.set()

    def _end(self, reason: str) -> None:
        self._lost = reason
        self._loop.remove_reader(self._stream.fileno())
        self._news.set()

    def _say(self, command: bytes) -> None:
        self._heard.clear()
        try:
            count = self._stream.write(command)
        except BlockingIOError:
            count = 0
        except OSError as error:
            raise PortError(self.port, f"the adapter takes no commands: {error.strerror or error}.") from error
        if count < len(command):
            raise PortError(self.port, "the adapter takes no commands.", "Unplug it and plug it in again.")

    async def _more(self, seconds: float) -> bool:
        """Wait for further bytes; say whether some came. Raises PortError when the port is lost."""
        self._news.clear()
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._news.wait()
        if self._lost:
            raise PortError(self.port, self._lost)
        return self._news.is_set()

    async def closed(self) -> None:
        """Close the adapter and let run out what it still gives. Raises PortError if it does not become quiet."""
        self._say(CLOSE)
        until = self._loop.time() + CLOSING
        await self._more(ANSWER_PATIENCE)
        while await self._more(QUIET):
            if self._loop.time() > until:
                raise PortError(
                    self.port,
                    "goes on giving after it was told to close.",
                    "Is it an slcan adapter, and this its port?",
                )

    async def ask(self, command: bytes) -> bytes:
        """Tell a closed adapter a command; return its answer, CR or BEL. Raises PortError if it does not answer."""
        self._say(command)
        until = self._loop.time() + ANSWER_PATIENCE
        while not self._heard:
            left = until - self._loop.time()
            if left <= 0 or not await self._more(left):
                break
        answer = bytes(self._heard[:1])
        if answer not in (_OK, _REFUSED):
            raise PortError(
                self.port,
                f"the adapter does not answer {command.decode().strip()}: nobody knows whether it listens only, so no "
                "bit rate is searched with it.",
                "Use an adapter that answers, or read the bit rate from the controller's own settings.",
            )
        del self._heard[:1]
        return answer

    async def listen(self, seconds: float) -> bytes:
        """Return what comes in so many seconds."""
        until = self._loop.time() + seconds
        while (left := until - self._loop.time()) > 0:
            await self._more(left)
        return bytes(self._heard)

    def farewell(self) -> None:
        """Close the adapter without waiting, and stop reading."""
        if not self._lost:
            with suppress(PortError):
                self._say(CLOSE)
            self._loop.remove_reader(self._stream.fileno())


# -- python-can


async def _by_driver(
    port: str, adapter: str, seconds: float, rates: Sequence[int], options: Mapping[str, Any]
) -> list[Heard]:
    # Imported here because python-can takes a fifth of a second, which slcan does not need.
    from pullwatch.feeds.can_bus import NO_CONTROLLER, bus_class, listening  # noqa: PLC0415

    found = bus_class(adapter, port)
    if adapter in NO_CONTROLLER:
        raise PortError(port, f"{adapter} has no bit rate to be found: it is no CAN bus of wires.")
    silent = listening(found)
    if silent is None:
        raise PortError(
            port,
            f"listen-only cannot be guaranteed through {adapter}, so no bit rate is searched with it.",
            "Search where the adapter or the interface is set up, listen-only, or use an slcan adapter.",
        )
    stop = threading.Event()

    def opened(rate: int) -> can.BusABC:
        import can  # noqa: PLC0415 - as above

        return can.Bus(channel=port, interface=adapter, ignore_config=True, **{**options, **silent, "bitrate": rate})

    try:
        heard = [await aside(partial(_driven, rate, opened, seconds, stop)) for rate in rates]
    finally:
        stop.set()
    if all(one.why_not for one in heard):
        raise PortError(port, f"cannot be opened: {heard[-1].why_not if heard else 'no rate was given'}.")
    return heard


def _driven(rate: int, opened: Callable[[int], can.BusABC], seconds: float, stop: threading.Event) -> Heard:
    """Listen at one rate through a driver. Blocks, in a thread of its own, until the time is over or `stop` is set."""
    import can  # noqa: PLC0415 - as above

    frames = errors = 0
    seen: set[tuple[int, bytes]] = set()
    try:
        with opened(rate) as bus:
            until = time.monotonic() + seconds
            while not stop.is_set() and (left := until - time.monotonic()) > 0:
                message = bus.recv(min(left, RECV_PATIENCE))
                if message is None:
                    continue
                if message.is_error_frame:
                    errors += 1
                else:
                    frames += 1
                    if len(seen) < 2:
                        seen.add((message.arbitration_id, bytes(message.data)))
    except (can.CanError, OSError, ValueError, TypeError) as error:
        return Heard(rate, why_not=f"the driver says: {str(error).rstrip('.') or type(error).__name__}")
    return Heard(rate, frames, errors, frames > 1 and len(seen) == 1)
