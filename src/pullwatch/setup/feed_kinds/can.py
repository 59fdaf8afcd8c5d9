"""CAN: the adapter, and the part of the DBC file that is used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.decoders.dbc import CanDecoder
from pullwatch.errors import PortError, SetupError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.decoders.dbc import DbcTable
    from pullwatch.feeds.options import CanOptions
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan


class CanKind:
    """A CAN bus through an adapter, its signals described by a DBC file."""

    link_ms = (0.2, 20.0, "frame, waiting for the bus, adapter; common practice, from memory")

    def check(self, checking: Checking, options: CanOptions) -> DbcTable | None:
        """Read the part of the DBC file that is used; None, with the problems noted, if it cannot be used."""
        self._adapter(checking, options)
        if not options.channels:
            what = 'Write channels = { engine_speed = "Message.Signal", … }.'
            checking.refuse(("channels",), "names no channel.", what)
            return None
        # Imported here because a replay needs no DBC reader, and neither does a car without a CAN feed.
        from pullwatch.feeds.dbc_file import read_table  # noqa: PLC0415

        wanted = {name: signal for name, signal in options.channels.items() if name in checking.channels}
        path = checking.findings.setup.path.parent / options.dbc
        try:
            table = read_table(path, wanted, checking.channels)
            text = dbc_text(path)
        except SetupError as found:
            for problem in found.problems:
                first, _, name = problem.key.partition(".")
                where = f"{options.dbc}, line {problem.line}: " if problem.line else ""
                checking.refuse((first, name) if name else (first,), where + problem.what, problem.todo)
            return None
        checking.texts[options.dbc] = text
        return table

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        options: CanOptions = feed.options  # type: ignore[assignment] # of this kind
        assert feed.table is not None
        return CanDecoder(feed.table, channels, "slcan" if options.adapter == "slcan" else "frames")

    def describe(self, options: CanOptions) -> Iterator[str]:
        """Yield what the feed is."""
        silent = "listen only" if options.listen_only else "NOT listen only"
        yield f"CAN through {options.adapter}, {options.bitrate:,} bit/s, {silent}, {options.dbc}"

    def cautions(self, options: CanOptions) -> Iterator[str]:
        """Yield what to be wary of."""
        if options.adapter != "slcan":
            yield (
                f"{options.port} is a name the system gives to a {options.adapter} channel: two adapters may swap "
                "names. See that each is the one meant."
            )
        if not options.listen_only:
            yield (
                "it is not listen only: the adapter acknowledges frames, and at a wrong bit rate it disturbs the bus."
            )

    def _adapter(self, checking: Checking, options: CanOptions) -> None:
        """Refuse an adapter there is no driver for, and a port that cannot be one of it."""
        if options.adapter == "slcan":
            checking.port(options.port)
            return
        # Imported here because the library of all the other adapters takes a fifth of a second.
        from pullwatch.feeds.can_bus import bus_class  # noqa: PLC0415

        try:
            bus_class(options.adapter, options.port)
        except PortError as error:
            checking.refuse(("adapter",), f"{error}")


def dbc_text(path: Path) -> str:
    """Return the text of a DBC file for the record: UTF-8, else the code page these files are usually written in."""
    raw = path.read_bytes()
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")
