"""CAN through an adapter that speaks slcan, an ASCII protocol many of them share, over a serial port or TCP.

The feed says three commands to the adapter when it opens the port and one when it closes it, and never a frame: nothing
it writes reaches the bus. Asked to, it also has the adapter tell its status flags each second, by a command (`F`) that
the adapter answers by itself: they are all that slcan tells of errors on the bus, as it has no error frames. What the
adapter gives, its answers among it, goes to the records as it came.
"""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.errors import PortError
from pullwatch.feeds.base import FeedHealth, Stream, StreamFeed
from pullwatch.feeds.ports import list_ports

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.feeds.options import CanOptions
    from pullwatch.feeds.ports import Lister

CLOSE: Final = b"C\r"
OPEN: Final = b"O\r"
OPEN_LISTEN_ONLY: Final = b"L\r"
STATUS: Final = b"F\r"
BITRATES: Final[dict[int, bytes]] = {
    10_000: b"S0\r",
    20_000: b"S1\r",
    50_000: b"S2\r",
    100_000: b"S3\r",
    125_000: b"S4\r",
    250_000: b"S5\r",
    500_000: b"S6\r",
    800_000: b"S7\r",
    1_000_000: b"S8\r",
}
"""Bit/s to the command that sets it (the published slcan commands S0 to S8)."""
ANSWER_PATIENCE: Final = 0.1
"""Seconds an adapter is given to answer a command. Many never answer, so silence is no refusal."""
STATUS_EVERY: Final = 1.0
"""Seconds from one question for the status flags to the next."""
FLAGS: Final[dict[int, str]] = {
    0x01: "frames were lost in the adapter (receive queue full)",
    0x02: "transmit queue full",
    0x04: "error warning",
    0x08: "frames were lost in the adapter (data overrun)",
    0x20: "error passive",
    0x40: "arbitration lost",
    0x80: "bus error",
}
"""Bits of the answer to `F` (the published ASCII protocol of serial CAN adapters, from memory)."""

_STATUS: Final = re.compile(rb"[\r\a]F([0-9A-Fa-f]{2})\r")
_STATUS_LONGEST: Final = 5
_OK: Final = b"\r"
_REFUSED: Final = b"\a"


def bitrate_command(port: str, bitrate: int) -> bytes:
    """Return the command that sets `bitrate` (bit/s). Raises PortError for one the protocol has no command for."""
    command = BITRATES.get(bitrate)
    if command is None:
        rates = ", ".join(f"{rate:_}" for rate in BITRATES)
        raise PortError(port, f"slcan has no command for a bitrate of {bitrate:_} bit/s.", f"It has {rates}.")
    return command


def shown_flags(status: int) -> str:
    """Return what the status flags say, empty if nothing is wrong."""
    return ", ".join(words for bit, words in FLAGS.items() if status & bit)


@dataclass(slots=True)
class SlcanHealth(FeedHealth):
    """What an slcan feed says of itself. `error_frames` stays 0: slcan has none."""

    status: int = -1
    """The status flags the adapter told last; -1 if it was not asked, or did not answer."""
    status_told: int = 0
    """How many times it told them."""
    status_bad: int = 0
    """How many of these times something was wrong."""


class SlcanFeed(StreamFeed):
    """A CAN bus read through an slcan adapter."""

    def __init__(
        self,
        number: int,
        name: str,
        port: str,
        baud: int,
        *,
        bitrate: int,
        listen_only: bool,
        ask_status: bool = False,
        lister: Lister = list_ports,
    ) -> None:
        super().__init__(number, name, port, baud, lister)
        self._health: SlcanHealth = SlcanHealth()
        self._asks_status = ask_status
        self._asked = b""
        """The last bytes heard since the status was asked for; empty when no answer is awaited."""
        self._asking: asyncio.TimerHandle | None = None
        self._rate = bitrate_command(port, bitrate)
        self._begin = OPEN_LISTEN_ONLY if listen_only else OPEN
        self._last = _OK
        self._answer: asyncio.Future[bytes] | None = None

    def _named(self, stream: Stream) -> str:
        commands = " ".join(command.decode().strip() for command in (CLOSE, self._rate, self._begin))
        return f"{super()._named(stream)}; told {commands}"

    async def _hold(self) -> str:
        self._health.status = -1
        try:
            return await super()._hold()
        finally:
            self._ask_no_more()

    async def _set_up(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        self._last = _OK
        await self._ask(stream, CLOSE, lost)  # refused by an adapter that is closed already, which is as good
        if await self._ask(stream, self._rate, lost) == _REFUSED:
            raise PortError(
                self.port, f"the adapter refused {_shown(self._rate)} (bitrate).", "Is it an slcan adapter?"
            )
        if await self._ask(stream, self._begin, lost) == _REFUSED:
            if self._begin is OPEN:
                raise PortError(
                    self.port, f"the adapter refused {_shown(OPEN)} (open).", "Unplug it and plug it in again."
                )
            raise PortError(
                self.port,
                f"the adapter refused {_shown(OPEN_LISTEN_ONLY)} (open, listen-only).",
                "An adapter without listen-only acknowledges frames on the bus: use another one. On a bench, with no "
                "car on the bus, listen_only = false will do.",
            )
        if self._asks_status:
            self._ask_status(stream, lost)

    async def _farewell(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        self._ask_no_more()
        try:
            await self._ask(stream, CLOSE, lost)
        except PortError as error:  # it is being closed in any case
            self._health.last_error = str(error)

    def _ask_status(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        """Ask for the status flags, now and each STATUS_EVERY, until the port is lost or closed."""
        if lost.done():
            return
        if self._asked:  # the last question was not answered
            self._health.status = -1
        self._asked = self._last or _OK
        try:
            self._write(stream, STATUS)
        except PortError as error:  # only the question is lost by it; the port is read on
            self._health.last_error = str(error)
        self._asking = asyncio.get_running_loop().call_later(STATUS_EVERY, self._ask_status, stream, lost)

    def _ask_no_more(self) -> None:
        self._asked = b""
        if self._asking is not None:
            self._asking.cancel()
            self._asking = None

    def _heard_status(self, data: bytes) -> None:
        """Look for the answer to the question for the status flags."""
        heard = self._asked + data
        found = _STATUS.search(heard)
        if found is None:
            self._asked = heard[-_STATUS_LONGEST:]
            return
        self._asked = b""
        health = self._health
        health.status = int(found[1], 16)
        health.status_told += 1
        health.status_bad += health.status != 0

    async def _ask(self, stream: Stream, command: bytes, lost: asyncio.Future[str]) -> bytes:
        """Write a command and return its answer: CR, BEL, or nothing if none came in time or the port was lost."""
        if lost.done():
            return b""
        self._answer = asyncio.get_running_loop().create_future()
        try:
            self._write(stream, command)
            await asyncio.wait((self._answer, lost), timeout=ANSWER_PATIENCE, return_when=asyncio.FIRST_COMPLETED)
            return self._answer.result() if self._answer.done() else b""
        finally:
            self._answer = None

    def _write(self, stream: Stream, command: bytes) -> None:
        try:
            count = stream.write(command)
        except BlockingIOError:
            count = 0
        except OSError as error:
            raise PortError(self.port, f"the adapter takes no commands: {error.strerror or error}.") from error
        self.written.note(self.intake.clock.now(), command[:count])
        self._health.bytes_written += count
        if count < len(command):
            raise PortError(
                self.port, f"the adapter does not take {_shown(command)}.", "Unplug it and plug it in again."
            )

    def _heard(self, data: bytes) -> None:
        """Look for the answer to a command among the data: BEL, or a CR that ends no frame."""
        if self._asked:
            self._heard_status(data)
        answer = self._answer
        if answer is None or answer.done():
            self._last = data[-1:]
            return
        if _REFUSED in data:
            answer.set_result(_REFUSED)
        elif b"\r\r" in self._last + data or (self._last == _REFUSED and data.startswith(_OK)):
            answer.set_result(_OK)
        self._last = data[-1:]


def _shown(command: bytes) -> str:
    return command.decode().strip()


def build(options: CanOptions, number: int, base_folder: Path, lister: Lister = list_ports) -> SlcanFeed:  # noqa: ARG001 - every kind is built alike
    """Build the feed. Raises PortError for a port or a bitrate that cannot be."""
    return SlcanFeed(
        number,
        options.name,
        options.port,
        options.baud,
        bitrate=options.bitrate,
        listen_only=options.listen_only,
        ask_status=options.ask_status,
        lister=lister,
    )
