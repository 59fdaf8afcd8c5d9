"""What is plugged in: serial ports and CAN adapters, each with what to write in the setup file."""

from __future__ import annotations

import io
import logging
import os
from contextlib import redirect_stderr, redirect_stdout
from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import PortError
from pullwatch.feeds.ports import BY_SERIAL, Device, describe_ports, list_ports, parse, resolve
from pullwatch.finding.hearing import may_be_read

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from pullwatch.feeds.ports import Lister

    Detect = Callable[[str], Sequence[Mapping[str, Any]]]

NOISE: Final = frozenset({"virtual", "udp_multicast", "serial", "slcan", "robotell", "seeedstudio", "socketcand"})
"""Interfaces that need no adapter, list each serial port again, or ask the network."""
NO_SERIAL: Final = (
    "No serial port is connected (or the system knows of none). Plug the adapter in and ask again; an adapter that "
    "lights up and is not listed lacks its driver or has a charge-only cable."
)
NO_CAN: Final = (
    "No CAN interface that python-can finds by itself. A serial CAN adapter (slcan) stands among the serial ports."
)


def identity(port: str, lister: Lister = list_ports) -> str:
    """Return how to write `port` in a setup file so that it stays this one adapter; unchanged if nothing is better."""
    try:
        place = parse(port)
        connected = list(lister())
    except (PortError, OSError):
        return port
    if not isinstance(place, Device) or port.startswith("/dev/serial/"):
        return port
    numbers = [facts.serial_number for facts in connected]
    for facts in connected:
        if os.path.realpath(facts.device) == os.path.realpath(place.path):
            if facts.serial_number and numbers.count(facts.serial_number) == 1:
                return BY_SERIAL + facts.serial_number
            return facts.links[0] if facts.links else port
    return port


def forbidden(port: str, lister: Lister = list_ports) -> str:
    """Return what to do about a port this user may not open, empty if there is nothing in the way."""
    try:
        place = resolve(port, lister)
    except PortError:
        return ""
    if not isinstance(place, Device) or not os.path.exists(place.path) or may_be_read(place.path):  # noqa: PTH110 - as the feeds name it
        return ""
    return (
        f"{place.path} may not be opened by this user: add the user to the group that owns it (usually dialout: "
        "sudo usermod -aG dialout $USER), then log out and in again."
    )


def list_all(lister: Lister = list_ports, detect: Detect | None = None, interfaces: Iterable[str] | None = None) -> str:
    """Return what is plugged in, in words. Takes a second or two: drivers are asked."""
    try:
        connected = list(lister())
        serial = describe_ports(lambda: connected)
    except OSError as error:
        connected, serial = [], [f"the system's list of ports cannot be read: {error}"]
    out = ["Serial ports", *(f"  {line}" for line in serial or (NO_SERIAL,))]
    out += [f"  {words}" for facts in connected if (words := forbidden(facts.device, lambda: connected))]
    found, failed = can_interfaces(detect, interfaces)
    out += ["", "CAN interfaces", *(f"  {line}" for line in found or (NO_CAN,))]
    out += [f"  not asked: {line}" for line in failed]
    out += ["", "Next: pullwatch listen PORT   (it reads only, and says what arrives)"]
    return "\n".join(out)


def can_interfaces(
    detect: Detect | None = None, interfaces: Iterable[str] | None = None
) -> tuple[list[str], list[str]]:
    """Return a line for each CAN interface found, and one for each driver that failed.

    Drivers are asked one by one: what one of them stumbles over must not hide what another finds.
    """
    if detect is None or interfaces is None:
        detect, interfaces = _python_can()
    found: list[str] = []
    failed: list[str] = []
    for interface in interfaces:
        if interface in NOISE:
            continue
        try:
            # Drivers print and log what they lack on every machine that has other hardware.
            with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
                configurations = list(detect(interface))
        except Exception as error:  # noqa: BLE001 - a driver may fail in any way of its own; it is told
            failed.append(f"{interface} ({' '.join(str(error).split()) or type(error).__name__})")
            continue
        found += [_described(interface, configuration) for configuration in configurations]
    return found, failed


def _described(interface: str, configuration: Mapping[str, Any]) -> str:
    channel = configuration.get("channel", "")
    more = ", ".join(f"{key} {value}" for key, value in configuration.items() if key not in ("interface", "channel"))
    text = f'{channel} through {interface}; write adapter = "{interface}", port = "{channel}"'
    return f"{text} ({more})" if more else text


def _python_can() -> tuple[Detect, Iterable[str]]:
    # Imported here because python-can takes a fifth of a second, which nothing else here needs.
    logging.getLogger("can").addHandler(logging.NullHandler())
    import can  # noqa: PLC0415 - as above
    import can.interfaces  # noqa: PLC0415 - as above

    def detect(interface: str) -> Sequence[Mapping[str, Any]]:
        try:
            return can.detect_available_configs(interface)
        except (ImportError, AttributeError, NotImplementedError, can.CanError):
            return ()  # its library is not on this machine: there is no such adapter to be found

    return detect, tuple(can.interfaces.BACKENDS)
