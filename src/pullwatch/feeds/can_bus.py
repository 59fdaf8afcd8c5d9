"""CAN through any adapter python-can has an interface for: the one driver here that blocks, so it has a thread.

One supervised reader thread for each opening of the bus waits in `Bus.recv`, stamps each frame itself, packs it and
hands it over. However the thread ends, its reason comes to the loop, is told, and the bus is opened anew. Nothing is
ever sent.
"""

from __future__ import annotations

import asyncio
import importlib
import inspect
import logging
import socket
import threading
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

import can
import can.interfaces

from pullwatch.batch import Kind
from pullwatch.decoders.frames import Frame, pack
from pullwatch.errors import PortError, nearest
from pullwatch.feeds.base import Reopening

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.feeds.intake import Intake
    from pullwatch.feeds.options import CanOptions

logging.getLogger("can").addHandler(logging.NullHandler())
# What matters of python-can's troubles comes as errors and is told; its warnings (one for each message that came in two
# parts) would otherwise run over the console of the watching.

RECV_PATIENCE: Final = 0.1
"""Seconds the thread waits for a frame before it looks whether it is to end."""
STOP_PATIENCE: Final = 2.0
"""Seconds a stop waits for the thread; a driver that does not return by then keeps it, as a daemon."""
GREETING_PATIENCE: Final = 1.0
"""Seconds a socketcand server is given to greet."""
SPINNING: Final = 0.25
"""A wait without a frame in which the thread computed for more than this share: the driver turns on a dead port."""
SPINS: Final = 2
"""So many of these in a row mean that the port is gone."""
CLASSIC_MOST: Final = 8
"""Bytes of the longest classic frame."""
NO_CONTROLLER: Final = frozenset({"virtual", "udp_multicast"})
"""Interfaces without a CAN controller: nothing there could acknowledge a frame."""


def bus_class(adapter: str, port: str) -> type[can.BusABC]:
    """Return the class behind a python-can interface. Raises PortError if there is none or it cannot be loaded."""
    if adapter not in can.interfaces.BACKENDS:
        known = ("slcan", *can.interfaces.BACKENDS)
        raise PortError(
            port,
            f'there is no CAN adapter "{adapter}"{nearest(adapter, known)}.',
            "Use slcan or the name of a python-can interface.",
        )
    module, name = can.interfaces.BACKENDS[adapter]
    try:
        found: type[can.BusABC] = getattr(importlib.import_module(module), name)
    except Exception as error:  # a driver's module may fail in any way of its own
        raise PortError(port, f"the driver of {adapter} cannot be loaded: {error}.", "Install it.") from error
    return found


def listening(bus: type[can.BusABC]) -> dict[str, Any] | None:
    """Return the options that make this bus listen only, None if it has none that can be told from its signature."""
    for name, parameter in inspect.signature(bus).parameters.items():
        match name, parameter.default:
            case (("listen_only" | "monitor"), False):
                return {name: True}
            case "operation_mode", "normal":
                return {name: "silent"}
            case "state", can.BusState.ACTIVE:
                return {name: can.BusState.PASSIVE}
            case _:
                pass
    return None


class CanBusFeed(Reopening):
    """A CAN bus read through python-can."""

    def __init__(self, number: int, options: CanOptions) -> None:
        found = bus_class(options.adapter, options.port)
        notes: list[str] = []
        self._adapter = options.adapter
        self._settings: dict[str, Any] = {"bitrate": options.bitrate, **options.adapter_options}
        if options.listen_only and options.adapter not in NO_CONTROLLER:
            silent = listening(found)
            if silent is None:
                notes.append(
                    f"listen-only cannot be guaranteed through {options.adapter}: pullwatch sends nothing, but the "
                    "adapter may acknowledge frames. Set listen-only where the adapter or the interface is set up."
                )
            else:
                self._settings.update(silent)
        super().__init__(number, options.name, options.port, tuple(notes))

    def start(self, intake: Intake) -> None:
        """Begin, on the running loop."""
        intake.open_to_threads()
        super().start(intake)

    async def _hold(self) -> str:
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[str] = loop.create_future()
        stop = threading.Event()

        def tell(reason: str) -> None:
            with suppress(RuntimeError):  # the loop is closed: the session is over
                loop.call_soon_threadsafe(ended.set_result, reason)

        def read() -> None:
            reason = f"{self.port}: the reader thread ended without a reason."
            try:
                reason = self._read(loop, stop)
            except PortError as error:
                reason = str(error)
            except (can.CanError, OSError) as error:
                reason = f"{self.port}: lost: {error}."
            except BaseException as error:  # noqa: BLE001 - a driver may fail in any way; it is told, and opened anew
                reason = f"{self.port}: the reader thread died: {type(error).__name__}: {error}."
            finally:
                tell(reason)

        threading.Thread(target=read, name=f"pullwatch feed {self.name}", daemon=True).start()
        try:
            return await asyncio.shield(ended)
        finally:
            stop.set()
            await asyncio.wait((ended,), timeout=STOP_PATIENCE)
            if not ended.done():
                self._health.last_error = f"{self.port}: the driver does not return; its thread is left behind."

    def _read(self, loop: asyncio.AbstractEventLoop, stop: threading.Event) -> str:
        """Open the bus and read it until it is gone or `stop` is set; return why. Runs in the reader thread."""
        with self._bus() as bus:
            intake, health, number = self.intake, self._health, self.number
            now, put = intake.clock.now, intake.put_from_thread
            loop.call_soon_threadsafe(self._opened)
            put(number, Kind.FOUND, f"{bus.channel_info}; {self._adapter}".encode(), now())
            spins = 0
            while not stop.is_set():
                computed = time.thread_time()
                message = bus.recv(RECV_PATIENCE)
                stamp = now()
                if message is None:
                    spins = spins + 1 if time.thread_time() - computed > SPINNING * RECV_PATIENCE else 0
                    if spins == SPINS:
                        return f"{self.port}: lost: the driver turns without waiting, as it does at a dead port."
                    continue
                spins = 0
                try:
                    frame = packed(message)
                except ValueError as error:
                    health.rejected += 1
                    health.last_error = f"{self.port}: the driver gave what is no frame: {error}."
                    continue
                put(number, Kind.DATA, frame, stamp)
                health.last_good = stamp
                health.reads += 1
                health.bytes_read += len(frame)
                health.error_frames += message.is_error_frame
        return f"{self.port}: closed."

    def _bus(self) -> can.BusABC:
        """Open the bus. Blocks as long as the driver does. Raises PortError, or what the driver raises."""
        if self._adapter == "socketcand":
            self._greeted()
        try:
            return can.Bus(channel=self.port, interface=self._adapter, ignore_config=True, **self._settings)
        except can.CanInterfaceNotImplementedError as error:
            raise PortError(self.port, f"{self._adapter} is not usable here: {error}.") from error
        except (can.CanError, OSError) as error:
            raise PortError(self.port, f"cannot be opened: {error}.") from error
        except (TypeError, ValueError) as error:
            raise PortError(
                self.port, f"{self._adapter} does not take these settings: {error}.", "Look at adapter_options."
            ) from error

    def _greeted(self) -> None:
        """Make sure of a live socketcand server: at a dead one python-can turns for 10 s, at a mute one it hangs."""
        host, port = self._settings.get("host"), self._settings.get("port")
        where = f"{self.port} at {host}:{port}"
        try:
            with socket.create_connection((str(host), int(str(port))), timeout=GREETING_PATIENCE) as server:
                greeting = server.recv(256)
        except TimeoutError:
            raise PortError(where, f"did not answer within {GREETING_PATIENCE:g} s.", "Is it switched on?") from None
        except ValueError:
            raise PortError(where, "needs a host and a port.", "Write them in adapter_options.") from None
        except OSError as error:
            raise PortError(where, f"cannot be reached: {error.strerror or error}.") from error
        if not greeting.startswith(b"< hi >"):
            raise PortError(where, "does not greet as a socketcand server.", "Is it the right port?")


def packed(message: can.Message) -> bytes:
    """Return the record of one frame. Raises ValueError for one that cannot be on a CAN bus.

    A frame of more than 8 bytes is a CAN FD frame, also where a driver (socketcand's) does not say so.
    """
    return pack(
        Frame(
            can_id=message.arbitration_id,
            data=bytes(message.data),
            extended=message.is_extended_id,
            remote=message.is_remote_frame,
            error=message.is_error_frame,
            fd=message.is_fd or len(message.data) > CLASSIC_MOST,
            length=message.dlc,
        )
    )


def build(options: CanOptions, number: int, base_folder: Path) -> CanBusFeed:  # noqa: ARG001 - every kind is built alike
    """Build the feed. Raises PortError for an adapter that is not known or cannot be loaded."""
    return CanBusFeed(number, options)
