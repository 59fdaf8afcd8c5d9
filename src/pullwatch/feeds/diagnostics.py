"""On-board diagnostics over CAN: the one feed that sends on a bus, so that control units answer.

What is asked and when is `diagnostics_talk`'s; here it is put on the bus through an slcan adapter or python-can, and
recorded. The record holds frames, packed as in `decoders.frames`: all that came, and each one that we sent in its place
among them, so that a replay knows what the answers were answers to. With an slcan adapter this means that its text is
cut into frames here; lines that are no frames are counted in `health.rejected`.

Of what was sent `health.bytes_written` counts the bytes, commands to the adapter included; `health.bytes_read` counts
the bytes of the record, frames sent among them.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.batch import Kind
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import (
    EXTENDED,
    HIGHEST_EXTENDED,
    HIGHEST_STANDARD,
    REMOTE,
    UNASKED,
    Frame,
    pack,
)
from pullwatch.decoders.slcan import Slcan
from pullwatch.errors import PortError
from pullwatch.feeds.diagnostics_talk import Talk
from pullwatch.feeds.ports import list_ports
from pullwatch.feeds.slcan import SlcanFeed, SlcanHealth

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.feeds.base import Feed, Stream
    from pullwatch.feeds.options.diagnostics import DiagnosticsOptions
    from pullwatch.feeds.ports import Lister

_REFUSED: Final = b"\a"


@dataclass(slots=True)
class DiagnosticsHealth(SlcanHealth):
    """What a diagnostics feed says of itself. `doing` says in words what it does, or why it asks nothing."""

    doing: str = "not open"
    requests: int = 0
    answers: int = 0
    unanswered: int = 0
    """Requests that nobody answered in time."""
    refused: int = 0
    """Requests that a control unit said no to."""
    not_sent: int = 0
    """Frames that the adapter did not take."""

    def tell(self, talk: Talk) -> None:
        """Take over what the talk counts."""
        self.doing = talk.state
        self.requests, self.answers = talk.requests, talk.answers
        self.unanswered, self.refused = talk.unanswered, talk.refused


def notes(options: DiagnosticsOptions) -> tuple[str, ...]:
    """Return what is said at the start of a feed that sends."""
    moving = (
        "It goes on while the car moves, because the setup says so."
        if options.while_moving
        else f"While the car moves it asks for the speed each {options.again_s:g} s, and nothing else: its "
        "channels are then lost."
    )
    return (f"it SENDS diagnostics requests on the bus of {options.port}. {moving}",)


def packed(word: int, data: bytes) -> bytes:
    """Return the record of a classic frame with this id word."""
    can_id = word & (HIGHEST_EXTENDED if word & EXTENDED else HIGHEST_STANDARD)
    return pack(Frame(can_id, data, extended=bool(word & EXTENDED), remote=bool(word & REMOTE), length=len(data)))


def line(word: int, data: bytes) -> bytes:
    """Return the slcan command that sends a frame."""
    head = f"T{word & HIGHEST_EXTENDED:08X}" if word & EXTENDED else f"t{word:03X}"
    return f"{head}{len(data)}{data.hex().upper()}\r".encode()


class SlcanDiagnostics(SlcanFeed):
    """Diagnostics through an slcan adapter."""

    def __init__(self, number: int, options: DiagnosticsOptions, lister: Lister = list_ports) -> None:
        super().__init__(
            number,
            options.name,
            options.port,
            options.baud,
            bitrate=options.bitrate,
            listen_only=False,
            lister=lister,
        )
        self.notes = (*self.notes, *notes(options))
        self._health: DiagnosticsHealth = DiagnosticsHealth()
        self._talk = Talk(options)
        self._framing = Slcan()
        self._ledger = Ledger()
        self._timer: asyncio.TimerHandle | None = None
        self._speaking = False

    @property
    def health(self) -> DiagnosticsHealth:
        """Its counts up to now."""
        super().health  # noqa: B018 - it takes over what the intake counts
        return self._health

    async def _hold(self) -> str:
        self._framing.fresh(self._ledger)
        try:
            return await super()._hold()
        finally:
            self._hush()

    async def _set_up(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        await super()._set_up(stream, lost)
        if not lost.done():
            self._speaking = True
            self._talk.opened(self.intake.clock.now())
            self._speak(stream, lost)

    async def _farewell(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        self._hush()
        await super()._farewell(stream, lost)

    def _end(self, stream: Stream, lost: asyncio.Future[str], reason: str) -> None:
        self._hush()
        super()._end(stream, lost, reason)

    def _hush(self) -> None:
        self._speaking = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._talk.closed()
        self._health.tell(self._talk)

    def _readable(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        """Cut what came into frames, record them, and go on talking if a control unit said something."""
        data = self._read(stream, lost)
        if not data:
            return
        stamp = self.intake.clock.now()
        frames = self._framing.few(stamp, data, self._ledger)
        self._health.rejected = self._ledger.bad_messages
        self._record(b"".join(_recorded(word, payload) for _, word, payload, _ in frames), stamp)
        if self._speaking and _REFUSED in data:
            self._health.not_sent += data.count(_REFUSED)
            self._health.last_error = (
                f"{self.port}: the adapter refused to send a request. Is it connected to the car, with the ignition on?"
            )
        self._heard(data)
        said = [self._talk.heard(stamp, word, payload) for _, word, payload, _ in frames]
        if any(said):
            self._speak(stream, lost)

    def _record(self, frames: bytes, stamp: int) -> None:
        if not frames:
            return
        self.intake.put(self.number, Kind.DATA, frames, stamp)
        health = self._health
        health.last_good = stamp
        health.reads += 1
        health.bytes_read += len(frames)

    def _speak(self, stream: Stream, lost: asyncio.Future[str]) -> None:
        """Send what is due, and come back when the next is."""
        if not self._speaking or lost.done():
            return
        if self._timer is not None:
            self._timer.cancel()
        now = self.intake.clock.now()
        for word, data in self._talk.due(now):
            try:
                self._write(stream, line(word, data))
            except PortError as error:
                self._end(stream, lost, str(error))
                return
            self._record(packed(word, data), self.intake.clock.now())
        self._health.tell(self._talk)
        wait = (self._talk.next_due(now) - now) / 1e9
        self._timer = asyncio.get_running_loop().call_later(wait, self._speak, stream, lost)


def _recorded(word: int, data: bytes) -> bytes:
    """Return the record of a frame an slcan adapter gave."""
    return b"" if word & UNASKED else packed(word, data)


def build(
    options: DiagnosticsOptions,
    number: int,
    base_folder: Path,  # noqa: ARG001 - every kind is built alike
    lister: Lister = list_ports,
) -> Feed:
    """Build the feed. Raises PortError without `transmit`, and for a port, a bit rate or an adapter that cannot be."""
    if not options.transmit:
        raise PortError(
            options.port,
            f'feed "{options.name}" would send diagnostics requests on the bus, and that is not agreed.',
            "Write transmit = true if it may.",
        )
    if options.adapter == "slcan":
        return SlcanDiagnostics(number, options, lister)
    # Imported here because python-can alone takes a fifth of a second.
    from pullwatch.feeds.diagnostics_bus import BusDiagnostics  # noqa: PLC0415

    return BusDiagnostics(number, options)
