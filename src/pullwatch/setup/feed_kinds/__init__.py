"""What the setup knows of each kind of feed: one module a kind, and the table of them.

A kind says what the shape of its options cannot show (`check`), what decodes it (`decoder`), how it is described
(`describe`, `cautions`), and how long its link takes (`link_ms`). Its options stand in `feeds.options`, the feed that
reads its port in `feeds.kinds`.
"""

from __future__ import annotations

from typing import Final

from pullwatch.setup.feed_kinds.base import Checking, KindOfFeed
from pullwatch.setup.feed_kinds.can import CanKind
from pullwatch.setup.feed_kinds.line import LineKind

__all__ = ["KINDS", "Checking", "KindOfFeed"]

KINDS: Final[dict[str, KindOfFeed]] = {
    "can": CanKind(),
    "serial-line": LineKind(),
}
"""By the kinds of `feeds.options.OPTIONS`."""
