"""Diagnostics through any adapter python-can has an interface for. The thread that reads also talks."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

import can

from pullwatch.batch import Kind
from pullwatch.decoders.frames import ERROR, EXTENDED, HIGHEST_EXTENDED, REMOTE
from pullwatch.feeds.can_bus import RECV_PATIENCE, SPINNING, SPINS, CanBusFeed, packed
from pullwatch.feeds.diagnostics import DiagnosticsHealth, notes
from pullwatch.feeds.diagnostics_talk import Talk
from pullwatch.feeds.options import CanOptions

if TYPE_CHECKING:
    import asyncio
    import threading

    from pullwatch.feeds.options.diagnostics import DiagnosticsOptions

LONG_ENOUGH: Final = 0.02
"""Seconds; in a shorter wait it cannot be told whether the driver turns without waiting."""


class BusDiagnostics(CanBusFeed):
    """Diagnostics through python-can."""

    def __init__(self, number: int, options: DiagnosticsOptions) -> None:
        as_can = CanOptions(
            name=options.name,
            kind="can",
            port=options.port,
            adapter=options.adapter,
            bitrate=options.bitrate,
            listen_only=False,
            dbc="",
            channels={},
            adapter_options=options.adapter_options,
        )
        super().__init__(number, as_can)
        self.notes = (*self.notes, *notes(options))
        self._health: DiagnosticsHealth = DiagnosticsHealth()
        self._talk = Talk(options)

    async def _hold(self) -> str:
        try:
            return await super()._hold()
        finally:
            self._talk.closed()
            self._health.tell(self._talk)

    def _read(self, loop: asyncio.AbstractEventLoop, stop: threading.Event) -> str:
        """Open the bus, read it and talk until it is gone or `stop` is set; return why. Runs in the reader thread."""
        with self._bus() as bus:
            talk, now = self._talk, self.intake.clock.now
            loop.call_soon_threadsafe(self._opened)
            text = f"{bus.channel_info}; {self._adapter}"
            self.intake.put_from_thread(self.number, Kind.FOUND, text.encode(), now())
            talk.opened(now())
            spins = 0
            due = now()
            while not stop.is_set():
                if now() >= due:
                    self._speak(bus)
                    due = talk.next_due(now())
                wait = min(RECV_PATIENCE, max(0.0, (due - now()) / 1e9))
                computed = time.thread_time()
                message = bus.recv(wait)
                stamp = now()
                if message is None:
                    if wait >= LONG_ENOUGH:
                        spins = spins + 1 if time.thread_time() - computed > SPINNING * wait else 0
                    if spins == SPINS:
                        return f"{self.port}: lost: the driver turns without waiting, as it does at a dead port."
                    continue
                spins = 0
                if self._take(message, stamp):
                    due = stamp
        return f"{self.port}: closed."

    def _take(self, message: can.Message, stamp: int) -> bool:
        """Record a frame; say whether a control unit said something."""
        health = self._health
        try:
            frame = packed(message)
        except ValueError as error:
            health.rejected += 1
            health.last_error = f"{self.port}: the driver gave what is no frame: {error}."
            return False
        self._record(frame, stamp)
        health.error_frames += message.is_error_frame
        word = int.from_bytes(frame[:4], "little")
        return not word & (REMOTE | ERROR) and self._talk.heard(stamp, word, bytes(message.data))

    def _record(self, frame: bytes, stamp: int) -> None:
        self.intake.put_from_thread(self.number, Kind.DATA, frame, stamp)
        health = self._health
        health.last_good = stamp
        health.reads += 1
        health.bytes_read += len(frame)

    def _speak(self, bus: can.BusABC) -> None:
        """Send what is due."""
        health = self._health
        for word, data in self._talk.due(self.intake.clock.now()):
            message = can.Message(
                arbitration_id=word & HIGHEST_EXTENDED, is_extended_id=bool(word & EXTENDED), data=data
            )
            try:
                bus.send(message)
            except can.CanOperationError as error:  # no node acknowledges, or the queue is full: told, and asked again
                health.not_sent += 1
                health.last_error = f"{self.port}: a request could not be sent: {error}."
                continue
            frame = packed(message)
            self.written.note(self.intake.clock.now(), frame)
            health.bytes_written += len(frame)
            self._record(frame, self.intake.clock.now())
        health.tell(self._talk)
