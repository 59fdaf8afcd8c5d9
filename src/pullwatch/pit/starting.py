"""Starting the pit page: where it listens, the token, and what is printed for whoever holds the phone."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from typing import TYPE_CHECKING, Final

import segno

from pullwatch.clock import steady_ns
from pullwatch.errors import PortError
from pullwatch.pit.book import Book, Cards
from pullwatch.pit.deeds import Deeds
from pullwatch.pit.room import Room
from pullwatch.pit.server import Pit, Server, listen_at, new_token, own_addresses

if TYPE_CHECKING:
    from pathlib import Path

LOOPBACK: Final = "127.0.0.1"
EVERYWHERE: Final = "0.0.0.0"  # noqa: S104 - only when the user asks for the network
NICE: Final = 19


def run_pit(
    root: Path, folder: Path | None, *, port: int, network: bool, private: bool, logbook: Path | None = None
) -> None:
    """Serve the page until Ctrl-C. Raises PortError if it cannot listen."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(NICE)  # whatever a phone asks for, the monitor goes first
    host = EVERYWHERE if network else LOOPBACK
    try:
        listening = listen_at(host, port)
    except OSError as error:
        todo = "Give another with --port, or end what listens there."
        raise PortError(f"{host}:{port}", f"cannot be listened at: {error.strerror}.", todo) from error
    port = listening.getsockname()[1]
    addresses = own_addresses() if network else []
    token = new_token()
    for line in first_words(addresses, port, token, network=network):
        print(line)
    if addresses and sys.stdout.isatty():
        segno.make_qr(address(addresses[0], port, token)).terminal(compact=True)
    sys.stdout.flush()
    with listening:
        room = Room(root, folder, steady=steady_ns, private=private)
        deeds = Deeds(root, Book(logbook, lambda: room.car).forms())
        pit = Pit(room, deeds, token, Cards(lambda: room.folder), [LOOPBACK, "localhost", *addresses])
        asyncio.run(Server(pit, listening).run_until_stopped())


def address(host: str, port: int, token: str) -> str:
    """Return the address with the token: behind `#`, so that it is sent to nobody and stands in no server's log."""
    return f"http://{host}:{port}/#{token}"


def first_words(addresses: list[str], port: int, token: str, *, network: bool) -> list[str]:
    """Return what is printed at the start."""
    here = address(LOOPBACK, port, token)
    lines = [
        f"On this machine: {here}",
        "With the token behind # a page may acknowledge, mark and write into the logbook; without it only shows.",
    ]
    if network:
        phone = ", ".join(address(one, port, token) for one in addresses) or "this machine has no address in a network"
        lines += [
            f"On a phone in the same network: {phone}",
            "Not encrypted: use a network of your own (the phone's hotspot). Whoever has the token can acknowledge.",
        ]
    else:
        lines.append("For a phone: pullwatch pit --network")
    return [*lines, "A helper holds the phone, never the driver. Ctrl-C ends the page; the watching goes on."]
