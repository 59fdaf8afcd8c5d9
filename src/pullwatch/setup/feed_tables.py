"""The feeds of a setup: their numbers, what the shape of their options cannot show, and their DBC tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.channels import suits, unit_named
from pullwatch.errors import PortError, SetupError, UnitError
from pullwatch.feeds import ports
from pullwatch.feeds.options import CanOptions, SerialLineOptions
from pullwatch.setup.plan import FeedPlan

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.channels import Channel
    from pullwatch.decoders.dbc import DbcTable
    from pullwatch.feeds.options import LineField, Readiness
    from pullwatch.setup.findings import Findings


class FeedReader:
    """Reads every feed, in file order; feeds are numbered from 1, 0 being the acts."""

    def __init__(self, findings: Findings, channels: dict[str, Channel]) -> None:
        self.findings = findings
        self.channels = channels
        self.texts: dict[str, str] = {}
        self.index = 0
        self.shown = ""

    def read(self) -> tuple[tuple[FeedPlan, ...], dict[str, str]]:
        """Return the feeds that are right, and the texts of their DBC files by name; what is wrong is noted."""
        plans: list[FeedPlan] = []
        first: dict[str, int] = {}
        for index, feed in enumerate(self.findings.setup.feeds):
            if feed.options is None:
                continue
            self.index = index
            self.shown = f'feed "{feed.name}"'
            if feed.name in first:
                line = self.findings.setup.line("feed", first[feed.name], "name")
                self.refuse(("name",), f"line {line} has a feed of this name already.")
            first.setdefault(feed.name, index)
            table = None
            if isinstance(feed.options, SerialLineOptions):
                self.lines(feed.options)
            elif isinstance(feed.options, CanOptions):
                table = self.dbc(feed.options)
            plans.append(FeedPlan(index + 1, feed.options, table))
        return tuple(plans), self.texts

    def refuse(self, path: tuple[str | int, ...], what: str, todo: str = "") -> None:
        """Note a problem with one key of the feed in hand."""
        key = "".join(f"[{part + 1}]" if isinstance(part, int) else f" {part}" for part in path)
        self.findings.refuse(("feed", self.index, *path), f"{self.shown}{key}", what, todo)

    def lines(self, options: SerialLineOptions) -> None:
        """Check the port and the fields of text lines."""
        self.port(options.port)
        if not options.separator:
            self.refuse(("separator",), "is empty.", 'Write what stands between two fields, " " for any white space.')
        if options.decimal_comma and options.separator == ",":
            self.refuse(("separator",), "a comma cannot be both between fields and in numbers.")
        sources: dict[str | int, int] = {}
        for number, line_field in enumerate(options.fields):
            source = self.source(line_field, ("fields", number))
            if source is not None and source in sources:
                what = f"field {sources[source] + 1} is read from the same place ({source})."
                self.refuse(("fields", number), what)
            elif source is not None:
                sources[source] = number
            self.unit(line_field, number)
        if options.ready is not None:
            self.source(options.ready, ("ready",))
        by_key = {bool(line_field.key) for line_field in options.fields}
        if len(by_key) > 1:
            self.refuse(("fields",), "some fields are named by key and some by column.", "A line is read one way.")
        elif options.ready is not None and bool(options.ready.key) not in by_key:
            self.refuse(("ready",), "is not read the way the fields are (key or column).", "A line is read one way.")

    def source(self, place: LineField | Readiness, path: tuple[str | int, ...]) -> str | int | None:
        """Return where in the line a field stands, if it says so once."""
        if place.key and place.column:
            self.refuse(path, "names a key and a column.", "Write one of them.")
        elif not place.key and not place.column:
            self.refuse(path, "does not say where in the line it stands.", 'Write key = "…", or column = 1, 2, ….')
        else:
            return place.key or place.column
        return None

    def unit(self, line_field: LineField, number: int) -> None:
        """Refuse a unit that the channel cannot be in."""
        channel = self.channels.get(line_field.channel)
        if not line_field.unit or channel is None:
            return
        try:
            unit = unit_named(line_field.unit)
        except UnitError as error:
            self.refuse(("fields", number, "unit"), f"{error.what.rstrip('.')}.")
            return
        if not suits(unit, channel.dimension):
            what = f"{unit.word} is not a unit of {channel.name}, which is {channel.dimension.value}."
            self.refuse(("fields", number, "unit"), what)

    def port(self, port: str) -> None:
        """Refuse a text that can name no port."""
        try:
            ports.parse(port)
        except PortError as error:
            self.refuse(("port",), f"{error}")

    def adapter(self, options: CanOptions) -> None:
        """Refuse an adapter there is no driver for, and a port that cannot be one of it."""
        if options.adapter == "slcan":
            self.port(options.port)
            return
        # Imported here because the library of all the other adapters takes a fifth of a second.
        from pullwatch.feeds.can_bus import bus_class  # noqa: PLC0415

        try:
            bus_class(options.adapter, options.port)
        except PortError as error:
            self.refuse(("adapter",), f"{error}")

    def dbc(self, options: CanOptions) -> DbcTable | None:
        """Read the part of the DBC file that is used; None, with the problems noted, if it cannot be used."""
        self.adapter(options)
        if not options.channels:
            self.refuse(("channels",), "names no channel.", 'Write channels = { engine_speed = "Message.Signal", … }.')
            return None
        # Imported here because a replay needs no DBC reader, and neither does a car without a CAN feed.
        from pullwatch.feeds.dbc_file import read_table  # noqa: PLC0415

        wanted = {name: signal for name, signal in options.channels.items() if name in self.channels}
        path = self.findings.setup.path.parent / options.dbc
        try:
            table = read_table(path, wanted, self.channels)
            text = dbc_text(path)
        except SetupError as found:
            for problem in found.problems:
                first, _, name = problem.key.partition(".")
                where = f"{options.dbc}, line {problem.line}: " if problem.line else ""
                self.refuse((first, name) if name else (first,), where + problem.what, problem.todo)
            return None
        self.texts[options.dbc] = text
        return table


def dbc_text(path: Path) -> str:
    """Return the text of a DBC file for the record: UTF-8, else the code page these files are usually written in."""
    raw = path.read_bytes()
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")
