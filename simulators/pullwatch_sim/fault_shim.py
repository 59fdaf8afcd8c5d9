"""A program: a bad cable. It stands between a simulator and the monitor and does to the bytes what it is told to.

    python -m pullwatch_sim.serial_lambda --scenario dyno-evening --listen 127.0.0.1:47802
    python -m pullwatch_sim.fault_shim --from 127.0.0.1:47802 --listen 127.0.0.1:47902 \
        --format lines --fault 'stuck 20 30 field=lambda' --fault 'unplugged 40 41'

What the client says goes to the simulator as it is. Seconds of faults count from `--start-at`: from when this program
is ready, from its first client, or from a moment of CLOCK_MONOTONIC, so that several programs can share one. With
`swapped` and `--other` the port becomes for a while that of the other adapter, which must then be free.
"""

from __future__ import annotations

import argparse
import gc
import signal
import socket
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch_sim.play import RealClock, open_port, serve
from pullwatch_sim.wire_faults import KINDS, SECOND, FaultError, Faulty, WireFault, fault_of
from pullwatch_sim.wire_formats import FORMATS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch_sim.wire_formats import Format

READ_MOST: Final = 65_536
LOOK: Final = 1_000_000
"""The sender is looked at this often, ns."""
CONNECT_PATIENCE: Final = 2.0
AGAIN: Final = 50_000_000
"""ns between two tries to reach a sender that is away."""


class Sender:
    """A connection to a simulator, made anew whenever it is asked for and there is none."""

    def __init__(self, where: tuple[str, int]) -> None:
        self.where = where
        self._socket: socket.socket | None = None

    @property
    def connected(self) -> bool:
        """Whether there is a connection."""
        return self._socket is not None

    def connect(self) -> None:
        """Connect, or stay without: it may be away for now."""
        self.close()
        try:
            self._socket = socket.create_connection(self.where, CONNECT_PATIENCE)
        except OSError:
            return
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def close(self) -> None:
        """Let go."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def read(self) -> bytes:
        """Return what has come; nothing when it has gone too."""
        if self._socket is None:
            return b""
        try:
            data = self._socket.recv(READ_MOST)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self.close()
        return data

    def write(self, data: bytes) -> None:
        """Pass on what the client said. Commands are a few bytes: a sender that takes none of them is gone."""
        if self._socket is None:
            return
        try:
            self._socket.sendall(data)
        except OSError:
            self.close()


class Shim:
    """What stands behind the port: the sender, and what the cable makes of it. A `play.Device`."""

    def __init__(
        self, form: Format, faults: Sequence[WireFault], sender: Sender, other: Sender | None, seed: int = 1
    ) -> None:
        self._faulty = Faulty(form, faults, seed)
        self.away: Sequence[tuple[int, int]] = self._faulty.away
        self.pieces_lost = 0
        self._swaps = [fault for fault in faults if fault.kind == "swapped"]
        self._sender, self._other = sender, other
        self._now: Sender | None = None
        self._tried = -AGAIN

    def met(self, now: int) -> None:
        """Plug the new client through to the sender."""
        self._faulty.cut_off()
        if self._now is not None:
            self._now.close()
        self._now = self._sender
        if self._other is not None and any(fault.acts(now) for fault in self._swaps):
            self._now = self._other
        self._now.connect()
        self._tried = now

    def answer(self, data: bytes, now: int) -> bytes:  # noqa: ARG002 - a cable asks for no time
        """Pass on what the client said."""
        if self._now is not None:
            self._now.write(data)
        return b""

    def due(self, now: int) -> tuple[bytes, int]:
        """Return what arrives, and in how many pieces."""
        if any(begin <= now < end for begin, end in self.away):
            # What is plugged out is plugged out on both sides; a sender may come and go meanwhile.
            if self._now is not None:
                self._now.close()
            return b"", 0
        if self._now is not None and not self._now.connected and now - self._tried >= AGAIN:
            self._tried = now
            self._now.connect()
        data = self._now.read() if self._now is not None else b""
        if data:
            self._faulty.take(now, data)
        arrived = self._faulty.due(now)
        return b"".join([piece for _, piece in arrived]), len(arrived)

    def next_due(self) -> int:
        """Return now: the sender has to be looked at, however soon that is."""
        return 0

    def lost(self, lines: int) -> None:
        """Count what the client was too slow for."""
        self.pieces_lost += lines

    def close(self) -> None:
        """Let go of the senders."""
        for sender in (self._sender, self._other):
            if sender is not None:
                sender.close()


def _moment(text: str) -> int | str:
    return text if text in ("ready", "client") else int(text)


def _place(parser: argparse.ArgumentParser, option: str, text: str) -> tuple[str, int]:
    host, colon, number = text.rpartition(":")
    if not colon or not number.isdigit() or not 0 < int(number) <= 65_535:
        parser.error(f"{option} {text}: expected HOST:PORT, such as 127.0.0.1:47802")
    return host, int(number)


def main(arguments: Sequence[str] | None = None) -> int:
    """Be a bad cable between a simulator and whoever listens to it."""
    parser = argparse.ArgumentParser(
        prog="pullwatch_sim.fault_shim",
        description=main.__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="faults:\n" + "\n".join(
            f"  {name:<13} {kind.says}" + "".join(f"  {key}={value}" for key, value in kind.options.items())
            for name, kind in KINDS.items()
        ),
    )  # fmt: skip
    parser.add_argument("--from", dest="sender", required=True, metavar="HOST:PORT", help="where the simulator listens")
    parser.add_argument("--other", metavar="HOST:PORT", help="the other adapter, for `swapped`")
    parser.add_argument("--format", required=True, choices=list(FORMATS), help="what the simulator speaks")
    parser.add_argument("--fault", action="append", default=[], metavar="'KIND FROM_S UNTIL_S option=value …'")
    parser.add_argument("--seed", type=int, default=1, help="of all random damage (default 1)")
    parser.add_argument("--start-at", type=_moment, default="ready", help="when second 0 of the faults is")
    parser.add_argument("--for", dest="duration", type=float, default=3_600.0, help="seconds until it ends by itself")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--listen", metavar="HOST:PORT", help="TCP address to listen on; port 0: any free one")
    where.add_argument("--pty", type=Path, metavar="LINK", help="make a pseudo-terminal and a link to it here")
    chosen = parser.parse_args(arguments)
    try:
        faults = [fault_of(text) for text in chosen.fault]
    except FaultError as error:
        parser.error(f"--fault {error}")
    if any(fault.kind == "swapped" for fault in faults) and chosen.other is None:
        parser.error("--fault swapped needs --other HOST:PORT, the adapter it is swapped with")
    other = None if chosen.other is None else Sender(_place(parser, "--other", chosen.other))
    sender = Sender(_place(parser, "--from", chosen.sender))
    shim = Shim(FORMATS[chosen.format](), faults, sender, other, chosen.seed)
    port = open_port(parser, chosen)
    gc.collect()
    gc.freeze()
    start = {"ready": time.monotonic_ns(), "client": None}.get(chosen.start_at, chosen.start_at)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        print(f"listening {port.where}", flush=True)
        serve(port, shim, RealClock(start), round(chosen.duration * SECOND))
        print("ended", flush=True)
    except KeyboardInterrupt:
        pass
    finally:
        shim.close()
        port.unplug()
    return 0


if __name__ == "__main__":
    sys.exit(main())
