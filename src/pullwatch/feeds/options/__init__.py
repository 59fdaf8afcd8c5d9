"""What a feed may be told in the setup file: one small options class a kind. `setup` reads them, feeds obey them.

A new kind of feed starts here: a module with its options class, and an entry in `OPTIONS`; then its decoder, its feed
(`feeds.kinds`) and its page in `setup.feed_kinds`.
"""

from __future__ import annotations

from typing import Final

from pullwatch.feeds.options.base import Options
from pullwatch.feeds.options.can import CanOptions
from pullwatch.feeds.options.line import LineField, Readiness, SerialLineOptions

__all__ = ["OPTIONS", "CanOptions", "LineField", "Options", "Readiness", "SerialLineOptions"]

OPTIONS: Final[dict[str, type[Options]]] = {
    "can": CanOptions,
    "serial-line": SerialLineOptions,
}
