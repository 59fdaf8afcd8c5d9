"""What the setup knows of each kind of feed: one module a kind, and the table of them.

A kind says what the shape of its options cannot show (`check`), what decodes it (`decoder`), how it is described
(`describe`, `cautions`), and how long its link takes (`link_ms`). Its options stand in `feeds.options`, the feed that
reads its port in `feeds.kinds`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.lazily import Lazily
from pullwatch.setup.feed_kinds.base import Checking, KindOfFeed, StatesUsual, Usual

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.feeds.options import Options

__all__ = ["KINDS", "Checking", "KindOfFeed", "Usual", "usual_of"]


def _can(_: str) -> KindOfFeed:
    from pullwatch.setup.feed_kinds.can import CanKind  # noqa: PLC0415 - see `lazily`

    return CanKind()


def _diagnostics(_: str) -> KindOfFeed:
    from pullwatch.setup.feed_kinds.diagnostics import DiagnosticsKind  # noqa: PLC0415 - same

    return DiagnosticsKind()


def _nmea(_: str) -> KindOfFeed:
    from pullwatch.setup.feed_kinds.nmea import NmeaKind  # noqa: PLC0415 - same

    return NmeaKind()


def _line(_: str) -> KindOfFeed:
    from pullwatch.setup.feed_kinds.line import LineKind  # noqa: PLC0415 - same

    return LineKind()


def _packet(_: str) -> KindOfFeed:
    from pullwatch.setup.feed_kinds.packet import PacketKind  # noqa: PLC0415 - same

    return PacketKind()


def _table(_: str) -> KindOfFeed:
    from pullwatch.setup.feed_kinds.table import TableKind  # noqa: PLC0415 - same

    return TableKind()


KINDS: Final[Mapping[str, KindOfFeed]] = Lazily(
    {
        "can": _can,
        "diagnostics": _diagnostics,
        "nmea": _nmea,
        "serial-line": _line,
        "serial-packet": _packet,
        "table": _table,
    }
)
"""By the kinds of `feeds.options.OPTIONS`."""


def usual_of(options: Options | None) -> Usual:
    """Return what is usual of a feed's channels; None, for options that are wrong: nothing is."""
    kind = None if options is None else KINDS[options.kind]
    return kind.usual(options) if isinstance(kind, StatesUsual) else Usual()
