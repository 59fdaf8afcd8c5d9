"""What the setup knows of each kind of feed: one module a kind, and the table of them.

A kind says what the shape of its options cannot show (`check`), what decodes it (`decoder`), how it is described
(`describe`, `cautions`), and how long its link takes (`link_ms`). Its options stand in `feeds.options`, the feed that
reads its port in `feeds.kinds`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.setup.feed_kinds.base import Checking, KindOfFeed, StatesUsual, Usual
from pullwatch.setup.feed_kinds.can import CanKind
from pullwatch.setup.feed_kinds.diagnostics import DiagnosticsKind
from pullwatch.setup.feed_kinds.line import LineKind
from pullwatch.setup.feed_kinds.nmea import NmeaKind
from pullwatch.setup.feed_kinds.packet import PacketKind

if TYPE_CHECKING:
    from pullwatch.feeds.options import Options

__all__ = ["KINDS", "Checking", "KindOfFeed", "Usual", "usual_of"]

KINDS: Final[dict[str, KindOfFeed]] = {
    "can": CanKind(),
    "diagnostics": DiagnosticsKind(),
    "nmea": NmeaKind(),
    "serial-line": LineKind(),
    "serial-packet": PacketKind(),
}
"""By the kinds of `feeds.options.OPTIONS`."""


def usual_of(options: Options | None) -> Usual:
    """Return what is usual of a feed's channels; None, for options that are wrong: nothing is."""
    kind = None if options is None else KINDS[options.kind]
    return kind.usual(options) if isinstance(kind, StatesUsual) else Usual()
