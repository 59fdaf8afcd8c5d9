"""Hearings made by hand: lines, sentences, packets and frames with their times."""

from __future__ import annotations

import socket
import threading
from typing import TYPE_CHECKING, Self

from pullwatch.finding.heard import Heard

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from types import TracebackType

LAMBDA_LINES = [f"lambda=0.{850 + i % 30};state={'ready' if i > 20 else 'heating'}" for i in range(100)]


def heard(pieces: Iterable[bytes], hz: float = 50.0) -> Heard:
    """Return a hearing of pieces that came one after the other at `hz`."""
    every = tuple((round(number * 1e9 / hz), piece) for number, piece in enumerate(pieces))
    return Heard(every, 0, round(len(every) * 1e9 / hz))


def heard_lines(lines: Sequence[str], hz: float = 50.0, end: str = "\r\n") -> Heard:
    """Return a hearing of whole lines after the tail of one whose beginning was missed."""
    return heard([f"{line}{end}".encode() for line in ["ail", *lines]], hz)


class Talker:
    """A device behind a TCP port: says its say to each who connects, hangs up, and keeps what it was told.

    With `after` it first answers each command (ended by CR) with `answer`, until it has heard that one.
    """

    def __init__(self, says: bytes, *, after: bytes = b"", answer: bytes = b"\r") -> None:
        self._says = says
        self._after = after
        self._answer = answer
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(10)
        self._thread = threading.Thread(target=self._talk)
        self.told = b""
        self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._thread.join(10)
        self._server.close()

    def _talk(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return  # shut down: nobody is to come any more
            with client:
                client.settimeout(10)
                heard = b""
                while not heard.endswith(self._after) and (data := client.recv(4096)):
                    heard += data
                    client.sendall(self._answer * data.count(b"\r"))
                self.told += heard
                client.sendall(self._says)
                client.shutdown(socket.SHUT_WR)
                while data := client.recv(4096):
                    self.told += data
