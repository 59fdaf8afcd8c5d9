"""Lines of text over a serial port or `socket://`: the stream feed at the port's baud. Lines are for the decoder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.feeds.base import StreamFeed
from pullwatch.feeds.ports import list_ports

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.feeds.options import SerialLineOptions
    from pullwatch.feeds.ports import Lister


def build(options: SerialLineOptions, number: int, base_folder: Path, lister: Lister = list_ports) -> StreamFeed:  # noqa: ARG001 - every kind is built alike
    """Build the feed. Raises PortError if the text of its port can name none."""
    return StreamFeed(number, options.name, options.port, options.baud, lister)
