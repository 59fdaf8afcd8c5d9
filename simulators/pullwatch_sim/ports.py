"""Where the programs are plugged in: a TCP listener or a pseudo-terminal, both as moody as a cheap USB adapter."""

from __future__ import annotations

import errno
import os
import pty
import select
import socket
import termios
import tty
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

BUFFER = 65_536
"""Bytes an adapter keeps for a reader that does not read; what does not fit is lost, as it is in the real thing."""
_GONE = frozenset({errno.EIO, errno.EPIPE, errno.ECONNRESET, errno.EBADF, errno.ECONNABORTED})


class Port(Protocol):
    """One port with at most one client."""

    @property
    def connected(self) -> bool:
        """Whether a client is there."""
        ...

    @property
    def clients(self) -> int:
        """How many clients there have been; a new number is a new client."""
        ...

    @property
    def plugged(self) -> bool:
        """Whether the port exists at all at this moment."""
        ...

    @property
    def where(self) -> str:
        """How the port is found: `HOST PORT` or a path."""
        ...

    def readers(self) -> list[int]:
        """Descriptors that become readable when there is something to `receive`."""
        ...

    def writers(self) -> list[int]:
        """Descriptors that become writable when what waits can go on."""
        ...

    def receive(self, ready: Collection[int]) -> bytes:
        """Take in a client that knocks, send on what waits, return what the client sent (`ready`: readable ones)."""
        ...

    def send(self, data: bytes) -> bool:
        """Send all of `data`, now or later; False: no client or no room, and nothing of it will be sent."""
        ...

    def plug(self) -> None:
        """Come (back) into being."""
        ...

    def unplug(self) -> None:
        """Be pulled out: the client loses its connection and none can come."""
        ...


class _Buffered:
    """What waits to be written to one descriptor."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def _put(self, descriptor: int, data: bytes) -> bool:
        if len(self._waiting) + len(data) > BUFFER:
            return False
        self._waiting += data
        return self._flush(descriptor)

    def _flush(self, descriptor: int) -> bool:
        """Write what goes; False when the client is gone."""
        while self._waiting:
            try:
                done = os.write(descriptor, self._waiting)
            except BlockingIOError:
                return True
            except OSError as error:
                if error.errno in _GONE:
                    return False
                raise
            del self._waiting[:done]
        return True


class TcpPort(_Buffered):
    """A listener on HOST:PORT (0: any free port). The newest client wins, so that a lost one cannot block it."""

    def __init__(self, host: str, port: int) -> None:
        super().__init__()
        self._host, self._port = host, port
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._clients = 0
        self.plug()

    @property
    def connected(self) -> bool:
        """Whether a client is there."""
        return self._client is not None

    @property
    def clients(self) -> int:
        """How many clients there have been."""
        return self._clients

    @property
    def plugged(self) -> bool:
        """Whether anyone listens."""
        return self._listener is not None

    @property
    def where(self) -> str:
        """`HOST PORT`."""
        return f"{self._host} {self._port}"

    def readers(self) -> list[int]:
        """Give listener and client."""
        return [each.fileno() for each in (self._listener, self._client) if each is not None]

    def writers(self) -> list[int]:
        """Give the client, while something waits for it."""
        return [self._client.fileno()] if self._client is not None and self._waiting else []

    def receive(self, ready: Collection[int]) -> bytes:
        """Take in a client that knocks, send on what waits, and return what the client sent."""
        if self._listener is not None and self._listener.fileno() in ready:
            self._accept(self._listener)
        if self._client is None:
            return b""
        if self._waiting and not self._flush(self._client.fileno()):
            self._drop()
            return b""
        if self._client.fileno() not in ready:
            return b""
        try:
            data = self._client.recv(4_096)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno not in _GONE:
                raise
            data = b""
        if not data:
            self._drop()
        return data

    def send(self, data: bytes) -> bool:
        """Send all of `data`, now or later; False: no client or no room."""
        return self._client is not None and self._put(self._client.fileno(), data)

    def plug(self) -> None:
        """Listen; after an `unplug` on the same port number as before."""
        if self._listener is not None:
            return
        listener = socket.create_server((self._host, self._port), backlog=4)
        listener.setblocking(False)
        self._port = listener.getsockname()[1]
        self._listener = listener

    def unplug(self) -> None:
        """Drop the client and stop listening."""
        self._drop()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except BlockingIOError:
                return
            self._drop()
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client
            self._clients += 1

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._waiting.clear()


class PtyPort(_Buffered):
    """A pseudo-terminal with a link to it at `link`. A client is whoever has the terminal open."""

    def __init__(self, link: Path) -> None:
        super().__init__()
        self._link = link
        self._master = -1
        self._clients = 0
        self._was_open = False
        self.plug()

    @property
    def connected(self) -> bool:
        """Whether someone had the terminal open when last looked."""
        return self._was_open

    def _look(self) -> bool:
        """Look whether someone has the terminal open."""
        if self._master < 0:
            return False
        is_open = not self._poll.poll(0)
        if is_open and not self._was_open:
            self._clients += 1
        if self._was_open and not is_open:
            # What the kernel still holds for the one who left is not for the next.
            self._waiting.clear()
            termios.tcflush(self._master, termios.TCOFLUSH)
        self._was_open = is_open
        return is_open

    @property
    def clients(self) -> int:
        """How many clients there have been."""
        return self._clients

    @property
    def plugged(self) -> bool:
        """Whether the terminal exists."""
        return self._master >= 0

    @property
    def where(self) -> str:
        """Path of the link."""
        return str(self._link)

    def readers(self) -> list[int]:
        """Give the master side while a client is there (without one it would always be readable)."""
        return [self._master] if self._was_open else []

    def writers(self) -> list[int]:
        """Give the master side while something waits."""
        return [self._master] if self._was_open and self._waiting else []

    def receive(self, ready: Collection[int]) -> bytes:
        """Notice a client that came or went, send on what waits, and return what the client sent."""
        if not self._look():
            return b""
        if self._waiting:
            self._flush(self._master)
        if self._master not in ready:
            return b""
        try:
            return os.read(self._master, 4_096)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno not in _GONE:
                raise
            return b""

    def send(self, data: bytes) -> bool:
        """Send all of `data`, now or later; False: no client or no room."""
        return self._was_open and self._put(self._master, data)

    def plug(self) -> None:
        """Make a terminal in raw mode and the link to it. Raises FileExistsError when something else is there."""
        if self._master >= 0:
            return
        if self._link.is_symlink():
            self._link.unlink()
        master, slave = pty.openpty()
        try:
            tty.setraw(slave)
            self._link.symlink_to(os.ttyname(slave))
        except OSError:
            os.close(master)
            raise
        finally:
            os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        self._poll = select.poll()
        # No event but the hang-up, which needs no asking for.
        self._poll.register(master, 0)

    def unplug(self) -> None:
        """Take the terminal and its link away."""
        if self._master < 0:
            return
        self._link.unlink(missing_ok=True)
        os.close(self._master)
        self._master = -1
        self._was_open = False
        self._waiting.clear()
