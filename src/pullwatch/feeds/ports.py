"""Ports by identity: which device a port of the setup file is just now, and how to write it so that it stays that one.

Two USB adapters may swap names after a brown-out, and then the oil pressure arrives under the name of the lambda. So a
port is best written as `serial:NUMBER` (the adapter's own serial number) or as a link under `/dev/serial/by-id`, and
is looked up anew each time it is opened.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias
from urllib.parse import urlsplit

from pullwatch.errors import PortError, nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Lister: TypeAlias = Callable[[], Sequence["PortFacts"]]

BY_SERIAL: Final = "serial:"
BY_TCP: Final = "socket://"
_LINKS: Final = "/dev/serial/"


@dataclass(frozen=True, slots=True)
class PortFacts:
    """A serial port that is connected now, as the system describes it. Texts are empty where it says nothing."""

    device: str
    serial_number: str = ""
    description: str = ""
    links: tuple[str, ...] = ()
    """Names under `/dev/serial/by-id` that lead to it."""


@dataclass(frozen=True, slots=True)
class Device:
    """A place to open: a serial port or pseudo terminal, by its present name."""

    path: str


@dataclass(frozen=True, slots=True)
class Peer:
    """A place to open: a TCP server that gives what a serial port would."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Adapter:
    """A USB adapter by its serial number: which device it is must be looked up at each opening."""

    serial_number: str


Place: TypeAlias = Device | Peer


def list_ports() -> list[PortFacts]:
    """Return the serial ports connected now. Reads the system's tables: some milliseconds, so not on the loop."""
    from serial.tools import list_ports as tables  # noqa: PLC0415 - only who opens a port by identity needs them

    folder = Path(_LINKS, "by-id")
    leads: dict[str, list[str]] = {}
    for link in sorted(folder.iterdir()) if folder.is_dir() else ():
        leads.setdefault(os.path.realpath(link), []).append(str(link))
    return [
        PortFacts(
            device=port.device,
            serial_number=port.serial_number or "",
            description=port.description if port.description and port.description != "n/a" else "",
            links=tuple(leads.get(os.path.realpath(port.device), ())),
        )
        for port in tables.comports()
    ]


def parse(port: str) -> Place | Adapter:
    """Return what a port of the setup file names, without looking whether it is there.

    Raises PortError for a text that can name no port, however long one waits.
    """
    if port.startswith(BY_SERIAL):
        number = port.removeprefix(BY_SERIAL)
        if not number:
            raise PortError(port, "has no serial number after the colon.", 'Write for example port = "serial:AB12CD".')
        return Adapter(number)
    if port.startswith(BY_TCP):
        return _peer(port)
    if "://" in port:
        kind = port.split("://", 1)[0]
        raise PortError(
            port,
            f'"{kind}://" is not a way pullwatch opens ports.',
            "Use serial:NUMBER, a path under /dev or socket://HOST:PORT.",
        )
    if not port:
        raise PortError(
            '""', "an empty text names no port.", "Use serial:NUMBER, a path under /dev or socket://HOST:PORT."
        )
    return Device(port)


def _peer(port: str) -> Peer:
    wanted = PortError(port, "is not of the form socket://HOST:PORT.", 'Write for example "socket://127.0.0.1:29536".')
    try:
        parts = urlsplit(port)
        host, number = parts.hostname, parts.port
    except ValueError:
        raise wanted from None
    if not host or not number or parts.path or parts.query or parts.fragment or parts.username is not None:
        raise wanted
    return Peer(host, number)


def resolve(port: str, lister: Lister = list_ports) -> Place:
    """Return where `port` is to be opened now.

    Raises PortError when no connected adapter has that serial number, when several have, or as `parse` does.
    """
    place = parse(port)
    if not isinstance(place, Adapter):
        return place
    connected = lister()
    found = [facts for facts in connected if facts.serial_number == place.serial_number]
    if len(found) > 1:
        several = ", ".join(_named(facts) for facts in found)
        raise PortError(
            port,
            f"{len(found)} connected ports have this serial number: {several}.",
            "Write the path under /dev/serial/by-id of the one meant.",
        )
    if not found:
        raise PortError(port, f"no connected port has this serial number{_others(place.serial_number, connected)}.")
    return Device(found[0].device)


def _named(facts: PortFacts) -> str:
    return f"{facts.device} ({facts.links[0]})" if facts.links else facts.device


def _others(number: str, connected: Sequence[PortFacts]) -> str:
    numbers = [facts.serial_number for facts in connected if facts.serial_number]
    if not numbers:
        return "; none with a serial number is connected"
    return f"{nearest(number, numbers)}; connected are {', '.join(numbers)}"


def note(port: str) -> str:
    """Return what is to be said of a port that is accepted but may come to mean another device; empty if nothing."""
    if port.startswith((BY_SERIAL, BY_TCP, _LINKS)):
        return ""
    return (
        f"{port} is a name the system gives out in the order of plugging in: two adapters may swap names after a "
        "brown-out. Write serial:NUMBER or a path under /dev/serial/by-id."
    )


def describe_ports(lister: Lister = list_ports) -> list[str]:
    """Return a line for each connected serial port: what it is, and how to write it in the setup file."""
    connected = lister()
    numbers = [facts.serial_number for facts in connected]
    return [_described(facts, alone=numbers.count(facts.serial_number) == 1) for facts in connected]


def _described(facts: PortFacts, *, alone: bool) -> str:
    what = f"{facts.device}: {facts.description or 'no description'}"
    if facts.serial_number and alone:
        return f'{what}; write port = "{BY_SERIAL}{facts.serial_number}"'
    if facts.links:
        return f'{what}; write port = "{facts.links[0]}"'
    return f'{what}; it has no identity of its own: write port = "{facts.device}", which may swap with another'
