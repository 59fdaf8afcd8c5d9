"""What is plugged in, with how to write it in a setup."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pullwatch.feeds.ports import PortFacts
from pullwatch.finding import ports
from pullwatch.finding.ports import can_interfaces, identity, list_all

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import pytest


def nothing(interface: str) -> Sequence[Mapping[str, Any]]:
    """Find no adapter."""
    del interface
    return ()


def test_none_is_said_plainly() -> None:
    """No port and no interface are said in words that help."""
    text = list_all(list, nothing, ["socketcan"])
    assert "No serial port is connected" in text
    assert "No CAN interface" in text


def test_a_port_is_listed_by_its_identity() -> None:
    """The line says what to write: the serial number where it is the only one, else the link, else the name."""
    one = PortFacts("/dev/ttyUSB0", "FT5678", "wideband adapter")
    twins = [PortFacts(f"/dev/ttyUSB{n}", "0001", "twin", (f"/dev/serial/by-id/twin-{n}",)) for n in (1, 2)]
    text = list_all(lambda: [one, *twins], nothing, [])
    assert 'write port = "serial:FT5678"' in text
    assert 'write port = "/dev/serial/by-id/twin-1"' in text
    connected = [one, *twins]
    assert identity("/dev/ttyUSB0", lambda: connected) == "serial:FT5678"
    assert identity("/dev/ttyUSB2", lambda: connected) == "/dev/serial/by-id/twin-2"
    for stays in ("socket://127.0.0.1:9", "serial:FT5678", "/dev/ttyS0", "/dev/serial/by-id/twin-1"):
        assert identity(stays, lambda: connected) == stays


def test_a_port_this_user_may_not_open_is_told_with_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The group is named; the list goes on."""
    device = tmp_path / "port"
    device.touch()
    # Root may open everything, and tests may run as root.
    monkeypatch.setattr(ports, "may_be_read", lambda _: False)
    text = list_all(lambda: [PortFacts(str(device), "AB")], nothing, [])
    assert "may not be opened by this user" in text
    assert "dialout" in text


def test_a_driver_that_fails_does_not_hide_the_others() -> None:
    """What a driver stumbles over is told beside what the others find; loopbacks are never asked."""
    asked: list[str] = []

    def detect(interface: str) -> Sequence[Mapping[str, Any]]:
        asked.append(interface)
        if interface == "broken":
            print("a driver talks")
            raise RuntimeError("its library is half installed")
        return [{"interface": interface, "channel": "can0"}]

    found, failed = can_interfaces(detect, ["virtual", "broken", "udp_multicast", "socketcan"])
    assert found == ['can0 through socketcan; write adapter = "socketcan", port = "can0"']
    assert failed == ["broken (its library is half installed)"]
    assert asked == ["broken", "socketcan"]


def test_what_a_driver_prints_is_not_ours(capsys: pytest.CaptureFixture[str]) -> None:
    """Drivers talk while they look; the list is all that is printed."""

    def detect(interface: str) -> Sequence[Mapping[str, Any]]:
        print(f"{interface}: not installed")
        return ()

    can_interfaces(detect, ["pcan"])
    assert capsys.readouterr().out == ""
