"""What a feed may be told in the setup file: one small options class a kind. `setup` reads them, feeds obey them.

A new kind of feed starts here: a module with its options class, and an entry in `OPTIONS`; then its decoder, its feed
(`feeds.kinds`) and its page in `setup.feed_kinds`.
"""

from __future__ import annotations

from typing import Final

from pullwatch.feeds.options.base import Options
from pullwatch.feeds.options.can import CanOptions
from pullwatch.feeds.options.diagnostics import DiagnosticsOptions
from pullwatch.feeds.options.line import LineField, Readiness, SerialLineOptions
from pullwatch.feeds.options.nmea import NmeaOptions
from pullwatch.feeds.options.packet import PacketField, SerialPacketOptions
from pullwatch.feeds.options.table import TableField, TableOptions

__all__ = [
    "OPTIONS",
    "CanOptions",
    "DiagnosticsOptions",
    "LineField",
    "NmeaOptions",
    "Options",
    "PacketField",
    "Readiness",
    "SerialLineOptions",
    "SerialPacketOptions",
    "TableField",
    "TableOptions",
]

OPTIONS: Final[dict[str, type[Options]]] = {
    "can": CanOptions,
    "diagnostics": DiagnosticsOptions,
    "nmea": NmeaOptions,
    "serial-line": SerialLineOptions,
    "serial-packet": SerialPacketOptions,
    "table": TableOptions,
}
