"""The ports: TCP and pseudo-terminal, one contract."""

from __future__ import annotations

import os
import select
import socket
import time
import tty
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

import pytest

from pullwatch_sim.ports import BUFFER, PtyPort, TcpPort

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pullwatch_sim.ports import Port


class Client(Protocol):
    """The other end."""

    def fileno(self) -> int:
        """Descriptor to read and write."""
        ...

    def close(self) -> None:
        """Hang up."""
        ...


class TerminalClient:
    """Whoever opens a terminal."""

    def __init__(self, path: str) -> None:
        self._descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._descriptor)

    def fileno(self) -> int:
        """Descriptor to read and write."""
        return self._descriptor

    def close(self) -> None:
        """Hang up."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
        self._descriptor = -1


class Rig:
    """One kind of port with clients to it."""

    def __init__(self, kind: str, folder: Path) -> None:
        self.port: Port = TcpPort("127.0.0.1", 0) if kind == "tcp" else PtyPort(folder / "link")
        self.kind = kind
        self._clients: list[Client] = []

    def client(self) -> Client:
        """Connect a new client."""
        client: Client
        if self.kind == "tcp":
            host, number = self.port.where.split()
            client = socket.create_connection((host, int(number)), timeout=2.0)
        else:
            client = TerminalClient(self.port.where)
        self._clients.append(client)
        return client

    def hear(self, wanted: int = 0) -> bytes:
        """Let the port receive until it has `wanted` bytes, or once for 0."""
        got = b""
        deadline = time.monotonic() + 2.0
        while True:
            ready = select.select(self.port.readers(), [], [], 0.05 if wanted else 0)[0]
            got += self.port.receive(ready)
            if len(got) >= wanted or time.monotonic() > deadline:
                return got

    def until(self, connected: bool) -> None:
        """Let the port look until a client is there or gone."""
        deadline = time.monotonic() + 2.0
        while self.port.connected is not connected and time.monotonic() < deadline:
            self.port.receive(select.select(self.port.readers(), [], [], 0.01)[0])
        assert self.port.connected is connected

    def close(self) -> None:
        """Leave nothing open."""
        for client in self._clients:
            client.close()
        self.port.unplug()


@pytest.fixture(params=["tcp", "pty"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    """Give each kind of port."""
    rig = Rig(request.param, tmp_path)
    yield rig
    rig.close()


def read_all(client: Client, wanted: int) -> bytes:
    """Read `wanted` bytes at the client's end, or what comes within two seconds."""
    got = b""
    deadline = time.monotonic() + 2.0
    while len(got) < wanted and (left := deadline - time.monotonic()) > 0:
        if select.select([client.fileno()], [], [], left)[0]:
            more = os.read(client.fileno(), 65_536)
            if not more:
                break
            got += more
    return got


def test_both_ways(rig: Rig) -> None:
    """Bytes pass unchanged in both directions, control characters too."""
    client = rig.client()
    rig.until(connected=True)
    every = bytes(range(256))
    assert rig.port.send(every)
    assert read_all(client, 256) == every
    os.write(client.fileno(), every)
    assert rig.hear(256) == every


def test_nobody_there(rig: Rig) -> None:
    """Without a client nothing is kept for one."""
    assert rig.hear() == b""
    assert not rig.port.connected
    assert not rig.port.send(b"lost")
    client = rig.client()
    rig.until(connected=True)
    rig.port.send(b"kept")
    assert read_all(client, 4) == b"kept"


def test_a_client_that_goes_and_comes_back(rig: Rig) -> None:
    """A client that hangs up is noticed, the next one is counted as a new one and gets nothing old."""
    first = rig.client()
    rig.until(connected=True)
    assert rig.port.clients == 1
    first.close()
    rig.until(connected=False)
    assert not rig.port.send(b"old")
    second = rig.client()
    rig.until(connected=True)
    assert rig.port.clients == 2
    assert rig.port.send(b"new")
    assert read_all(second, 3) == b"new"


def test_a_client_that_does_not_read_loses_whole_pieces(rig: Rig) -> None:
    """When the buffer is full a piece is refused whole; what was taken arrives complete and in order."""
    client = rig.client()
    rig.until(connected=True)
    taken = []
    piece = 0
    refused = 0
    while refused < 3:
        data = b"%09d\n" % piece * 100
        if rig.port.send(data):
            taken.append(data)
        else:
            refused += 1
        piece += 1
        assert len(taken) * 1_000 < 64 * BUFFER
    expected = b"".join(taken)
    got = b""
    deadline = time.monotonic() + 5.0
    while len(got) < len(expected) and time.monotonic() < deadline:
        if select.select([client.fileno()], [], [], 0.01)[0]:
            got += os.read(client.fileno(), 65_536)
        rig.port.receive([])
    assert got == expected
    assert rig.port.writers() == []


def test_unplugged_and_plugged_again(rig: Rig) -> None:
    """Unplugging takes the client's connection and the way to a new one; afterwards it is found where it was."""
    client = rig.client()
    rig.until(connected=True)
    where = rig.port.where
    rig.port.unplug()
    assert not rig.port.plugged
    assert not rig.port.connected
    assert rig.port.readers() == []
    # The end of a connection shows as nothing to read or as an error, by the kind of port.
    with suppress(OSError):
        assert os.read(client.fileno(), 10) == b""
    with pytest.raises((ConnectionRefusedError, FileNotFoundError)):
        rig.client()
    rig.port.plug()
    assert rig.port.where == where
    again = rig.client()
    rig.until(connected=True)
    rig.port.send(b"back")
    assert read_all(again, 4) == b"back"


def test_newest_tcp_client_wins(tmp_path: Path) -> None:
    """A second client takes the place of the first, whose connection ends."""
    rig = Rig("tcp", tmp_path)
    try:
        first = rig.client()
        rig.until(connected=True)
        second = rig.client()
        deadline = time.monotonic() + 2.0
        while rig.port.clients < 2 and time.monotonic() < deadline:
            rig.hear()
        assert rig.port.send(b"x")
        assert read_all(second, 1) == b"x"
        assert select.select([first.fileno()], [], [], 2.0)[0]
        assert os.read(first.fileno(), 1) == b""
    finally:
        rig.close()


def test_the_link_is_ours_only(tmp_path: Path) -> None:
    """An old link is replaced, any other file is left alone, and the link goes with the port."""
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "gone")
    port = PtyPort(link)
    assert link.resolve().exists()
    port.unplug()
    assert not link.is_symlink()
    link.write_text("precious", encoding="utf-8")
    with pytest.raises(FileExistsError):
        PtyPort(link)
    assert link.read_text(encoding="utf-8") == "precious"


def test_what_waited_for_one_client_is_not_for_the_next(rig: Rig) -> None:
    """A client that leaves with its buffer full leaves nothing to the next one."""
    first = rig.client()
    rig.until(connected=True)
    while rig.port.send(b"o" * 4_000):
        pass
    assert rig.port.writers()
    first.close()
    rig.until(connected=False)
    second = rig.client()
    rig.until(connected=True)
    assert rig.port.writers() == []
    assert rig.port.send(b"new")
    assert read_all(second, 3) == b"new"
