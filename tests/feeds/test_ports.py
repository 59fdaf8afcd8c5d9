"""Ports by identity, with the system's table of ports played by a list."""

from __future__ import annotations

import pytest

from pullwatch.errors import PortError
from pullwatch.feeds.ports import (
    Adapter,
    Device,
    Peer,
    PortFacts,
    describe_ports,
    list_ports,
    note,
    parse,
    resolve,
)

CONNECTED = [
    PortFacts("/dev/ttyUSB0", "AB12CD", "USB adapter", ("/dev/serial/by-id/usb-adapter-AB12CD-if00",)),
    PortFacts("/dev/ttyUSB1", "EF34GH", "USB adapter"),
    PortFacts("/dev/ttyUSB2", "TWIN", "two ports", ("/dev/serial/by-id/usb-twin-if00",)),
    PortFacts("/dev/ttyUSB3", "TWIN", "two ports"),
    PortFacts("/dev/ttyS0"),
]


def test_a_serial_number_finds_its_device() -> None:
    """`serial:NUMBER` is the device that has the number now."""
    assert resolve("serial:EF34GH", lambda: CONNECTED) == Device("/dev/ttyUSB1")


def test_a_serial_number_follows_its_adapter() -> None:
    """After two adapters have swapped names the number still leads to its own."""
    swapped = [PortFacts("/dev/ttyUSB0", "EF34GH"), PortFacts("/dev/ttyUSB1", "AB12CD")]
    assert resolve("serial:AB12CD", lambda: swapped) == Device("/dev/ttyUSB1")


def test_several_ports_of_one_number_are_refused() -> None:
    """An adapter with several ports has one number: which is meant must be said by path, and the paths are shown."""
    with pytest.raises(PortError) as refused:
        resolve("serial:TWIN", lambda: CONNECTED)
    assert "/dev/ttyUSB2 (/dev/serial/by-id/usb-twin-if00), /dev/ttyUSB3" in str(refused.value)


def test_an_absent_number_names_what_is_there() -> None:
    """A number that is not connected is refused with the nearest, and with those that are."""
    with pytest.raises(PortError, match=r'did you mean "AB12CD"\?.*AB12CD, EF34GH'):
        resolve("serial:AB12CE", lambda: CONNECTED)
    with pytest.raises(PortError, match="none with a serial number is connected"):
        resolve("serial:AB12CE", list)


def test_paths_and_addresses_stand_for_themselves() -> None:
    """A path, a link and an address need no table."""
    assert resolve("/dev/ttyUSB7", list) == Device("/dev/ttyUSB7")
    assert resolve("/dev/serial/by-id/usb-x", list) == Device("/dev/serial/by-id/usb-x")
    assert resolve("socket://127.0.0.1:29536", list) == Peer("127.0.0.1", 29536)
    assert parse("socket://[::1]:1") == Peer("::1", 1)
    assert parse("serial:X") == Adapter("X")


@pytest.mark.parametrize(
    "port",
    [
        "",
        "serial:",
        "socket://",
        "socket://host",
        "socket://:80",
        "socket://host:0",
        "socket://host:x",
        "socket://host:99999",
        "socket://host:80/path",
        "socket://host:80?logging=debug",
        "socket://user@host:80",
        "socket://[::1:80",
        "rfc2217://host:80",
        "loop://",
    ],
)
def test_what_names_no_port_is_refused(port: str) -> None:
    """A text that can never name a port is refused in words, with what would be right."""
    with pytest.raises(PortError, match=r"(Write|Use|form).*(serial:|socket://)"):
        parse(port)


def test_names_that_may_swap_are_noted() -> None:
    """A plain device name is accepted with a note; identities and addresses are not noted."""
    assert "swap names" in note("/dev/ttyUSB0")
    assert "swap names" in note("COM3")
    for port in ("serial:AB12CD", "/dev/serial/by-id/usb-x", "/dev/serial/by-path/pci-x", "socket://127.0.0.1:1"):
        assert note(port) == ""


def test_ports_are_described_with_what_to_write() -> None:
    """Each connected port is told with the surest way to write it: number, link, or name as a last resort."""
    lines = describe_ports(lambda: CONNECTED)
    assert lines[0] == '/dev/ttyUSB0: USB adapter; write port = "serial:AB12CD"'
    assert lines[2] == '/dev/ttyUSB2: two ports; write port = "/dev/serial/by-id/usb-twin-if00"'
    assert lines[3].endswith('write port = "/dev/ttyUSB3", which may swap with another')
    assert lines[4].startswith("/dev/ttyS0: no description; it has no identity of its own")


def test_the_systems_own_table_can_be_read() -> None:
    """Whatever is connected here is listed and described, one line each."""
    assert len(describe_ports(list_ports)) == len(list_ports())
