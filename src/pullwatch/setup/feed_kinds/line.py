"""Lines of text: where each number stands in the line, and in which unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.channels import unit_named
from pullwatch.decoders.text import Field, LineDecoder, Ready

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.feeds.options import LineField, Readiness, SerialLineOptions
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan


class LineKind:
    """Lines of text over a serial port."""

    link_ms = (1.0, 20.0, "line, and up to 16 ms in a USB adapter; common practice, from memory")

    def check(self, checking: Checking, options: SerialLineOptions) -> None:
        """Check the port and the fields."""
        checking.port(options.port)
        if not options.separator:
            todo = 'Write what stands between two fields, " " for any white space.'
            checking.refuse(("separator",), "is empty.", todo)
        if options.decimal_comma and options.separator == ",":
            checking.refuse(("separator",), "a comma cannot be both between fields and in numbers.")
        sources: dict[str | int, int] = {}
        for number, line_field in enumerate(options.fields):
            source = _source(checking, line_field, ("fields", number))
            if source is not None and source in sources:
                what = f"field {sources[source] + 1} is read from the same place ({source})."
                checking.refuse(("fields", number), what)
            elif source is not None:
                sources[source] = number
            checking.unit(line_field.channel, line_field.unit, ("fields", number, "unit"))
        if options.ready is not None:
            _source(checking, options.ready, ("ready",))
        by_key = {bool(line_field.key) for line_field in options.fields}
        if len(by_key) > 1:
            checking.refuse(("fields",), "some fields are named by key and some by column.", "A line is read one way.")
        elif options.ready is not None and bool(options.ready.key) not in by_key:
            checking.refuse(
                ("ready",), "is not read the way the fields are (key or column).", "A line is read one way."
            )

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        options: SerialLineOptions = feed.options  # type: ignore[assignment] # of this kind
        fields = [
            Field(
                channel=line_field.channel,
                key=line_field.key,
                column=line_field.column,
                unit=unit_named(line_field.unit) if line_field.unit else None,
            )
            for line_field in options.fields
        ]
        ready = None
        if options.ready is not None:
            ready = Ready(tuple(options.ready.good), options.ready.key, options.ready.column)
        return LineDecoder(
            fields,
            channels,
            separator=options.separator,
            decimal_comma=options.decimal_comma,
            comment=options.comment,
            ready=ready,
        )

    def describe(self, options: SerialLineOptions) -> Iterator[str]:
        """Yield what the feed is."""
        yield f"lines of text, {options.baud:,} Bd"
        if options.ready is not None:
            place = f'"{options.ready.key}"' if options.ready.key else f"column {options.ready.column}"
            yield f"believed only while {place} says {' or '.join(options.ready.good)}"

    def cautions(self, options: SerialLineOptions) -> Iterator[str]:  # noqa: ARG002 - other kinds have some
        """Yield what to be wary of."""
        yield from ()


def _source(checking: Checking, place: LineField | Readiness, path: tuple[str | int, ...]) -> str | int | None:
    """Return where in the line a field stands, if it says so once."""
    if place.key and place.column:
        checking.refuse(path, "names a key and a column.", "Write one of them.")
    elif not place.key and not place.column:
        checking.refuse(path, "does not say where in the line it stands.", 'Write key = "…", or column = 1, 2, ….')
    else:
        return place.key or place.column
    return None
