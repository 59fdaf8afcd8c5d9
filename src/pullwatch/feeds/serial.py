"""Bytes over a serial port or `socket://`: the stream feed at the port's baud. What they mean is for the decoder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from pullwatch.feeds.base import StreamFeed
from pullwatch.feeds.ports import list_ports

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.feeds.ports import Lister


class SerialOptions(Protocol):
    """What the options of every kind that is read from a serial port have."""

    @property
    def name(self) -> str:
        """Name of the feed."""

    @property
    def port(self) -> str:
        """The port, as `feeds.ports` reads it."""

    @property
    def baud(self) -> int:
        """Speed of the port."""


def build(options: SerialOptions, number: int, base_folder: Path, lister: Lister = list_ports) -> StreamFeed:  # noqa: ARG001 - every kind is built alike
    """Build the feed. Raises PortError if the text of its port can name none."""
    return StreamFeed(number, options.name, options.port, options.baud, lister)
