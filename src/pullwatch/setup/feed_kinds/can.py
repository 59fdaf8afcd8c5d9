"""CAN: the adapter, and the part of the DBC file that is used."""

from __future__ import annotations

import inspect
from dataclasses import replace
from typing import TYPE_CHECKING

from pullwatch.decoders.dbc import CanDecoder
from pullwatch.decoders.j1939 import LONGEST, J1939Decoder, addressed
from pullwatch.errors import PortError, SetupError, nearest

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
        if options.source_addresses and options.protocol != "j1939":
            what = "means something with J1939 only."
            checking.refuse(("source_addresses",), what, 'Write protocol = "j1939", or take it out.')
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
        return (
            self._j1939(checking, options, table) if options.protocol == "j1939" else self._fd(checking, options, table)
        )

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        options: CanOptions = feed.options  # type: ignore[assignment] # of this kind
        assert feed.table is not None
        decoder = J1939Decoder if options.protocol == "j1939" else CanDecoder
        return decoder(feed.table, channels, "slcan" if options.adapter == "slcan" else "frames")

    def describe(self, options: CanOptions) -> Iterator[str]:
        """Yield what the feed is."""
        silent = "listen only" if options.listen_only else "NOT listen only"
        yield f"CAN through {options.adapter}, {options.bitrate:,} bit/s, {silent}, {options.dbc}"
        if options.protocol == "j1939":
            yield "J1939: found by group and source address; its codes for not available and error are no numbers"
        if options.adapter != "slcan":
            yield "bus errors: error frames are counted, as far as the adapter's driver gives them"
        elif options.ask_status:
            yield "bus errors: the adapter is asked for its status flags each second (F, to the adapter alone)"
        else:
            yield "bus errors: not available; slcan has no error frames (ask_status = true asks for its flags)"

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
        if options.ask_status:
            what = f"asks an slcan adapter; {options.adapter} gives error frames by itself, or nothing."
            checking.refuse(("ask_status",), what, "Take it out.")
        # Imported here because the library of all the other adapters takes a fifth of a second.
        from pullwatch.feeds.can_bus import bus_class  # noqa: PLC0415

        try:
            bus_class(options.adapter, options.port)
        except PortError as error:
            checking.refuse(("adapter",), f"{error}")

    def _j1939(self, checking: Checking, options: CanOptions, table: DbcTable) -> DbcTable | None:
        """Return the table with its source addresses; None, with the problems noted, if it cannot be J1939."""
        right = True
        names = {checking.channels[name].number: name for name in options.channels if name in checking.channels}
        for entry in table.entries:
            message = entry.signal.partition(".")[0]
            if not entry.extended:
                what = f"message {message} has an 11-bit identifier ({entry.can_id:X} hex); J1939 has 29 bits."
                todo = 'Take another DBC file, or protocol = "plain" for this bus.'
            elif entry.length > LONGEST:
                what = f"message {message} has {entry.length} bytes, so it comes in several frames."
                todo = "Such messages are not put together here: take a signal of another message."
            else:
                continue
            right = False
            checking.refuse(("channels", names[entry.channel]), what, todo)
        messages = {signal.partition(".")[0] for signal in options.channels.values()}
        for name in options.source_addresses:
            if name not in options.channels and name not in messages:
                known = sorted({*options.channels, *messages})
                what = f'"{name}" is no channel of this feed and no message it uses{nearest(name, known)}.'
                checking.refuse(("source_addresses", name), what, f"It may be one of {', '.join(known)}.")
                right = False
        if not right:
            return None
        sources: dict[int, int] = {}
        for entry in table.entries:
            for key in (names[entry.channel], entry.signal.partition(".")[0]):
                if key in options.source_addresses:
                    sources[entry.channel] = options.source_addresses[key]
                    break
        return addressed(table, sources)

    def _fd(self, checking: Checking, options: CanOptions, table: DbcTable) -> DbcTable | None:
        """Say how CAN FD frames come in, if the DBC has any; refuse an adapter that is known to need telling."""
        if not table.fd:
            return table
        if options.adapter == "slcan":
            note = "has CAN FD messages, for which slcan has no standard: lines of the usual forms d, D, b, B are read."
            return replace(table, notes=(*table.notes, f"{options.dbc} {note}"))
        from pullwatch.feeds.can_bus import bus_class  # noqa: PLC0415 - as in `_adapter`

        try:
            told = inspect.signature(bus_class(options.adapter, options.port)).parameters.get("fd")
        except PortError:
            return table  # refused already
        on = options.adapter_options.get("fd", told.default if told is not None else False)
        wanted = any(entry.length > LONGEST for entry in table.entries)
        if told is not None and not on and wanted:
            what = f"{options.dbc} has CAN FD messages that are wanted, and {options.adapter} is opened without CAN FD."
            checking.refuse(("adapter_options",), what, "Write adapter_options = { fd = true }.")
            return None
        if on or options.adapter == "virtual":
            return table
        note = f"has CAN FD messages; see whether {options.adapter} gives them, and what its driver wants for it."
        return replace(table, notes=(*table.notes, f"{options.dbc} {note}"))


def dbc_text(path: Path) -> str:
    """Return the text of a DBC file for the record: UTF-8, else the code page these files are usually written in."""
    raw = path.read_bytes()
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")
