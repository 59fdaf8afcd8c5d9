"""Lines of text: where each number stands in the line, and in which unit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.channels import unit_named
from pullwatch.decoders.text import Field, LineDecoder, Ready

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.feeds.options import LineField, Readiness, SerialLineOptions
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan


_OF_NUMBERS: Final = frozenset("0123456789+-.")


class LineKind:
    """Lines of text over a serial port."""

    link_ms = (1.0, 20.0, "line, and up to 16 ms in a USB adapter; common practice, from memory")

    def check(self, checking: Checking, options: SerialLineOptions) -> None:
        """Check the port and the fields."""
        checking.port(options.port)
        _marks(checking, options)
        sources: dict[str | int, int] = {}
        for number, line_field in enumerate(options.fields):
            source = _source(checking, line_field, ("fields", number))
            if source is not None and source in sources:
                what = f"field {sources[source] + 1} is read from the same place ({source})."
                checking.refuse(("fields", number), what)
            elif source is not None:
                sources[source] = number
            checking.unit(line_field.channel, line_field.unit, ("fields", number, "unit"))
            _suffix(checking, options, line_field.suffix, ("fields", number, "suffix"))
            _key(checking, options, line_field.key, ("fields", number, "key"))
        if options.ready is not None:
            _source(checking, options.ready, ("ready",))
            _key(checking, options, options.ready.key, ("ready", "key"))
        by_key = {bool(line_field.key) for line_field in options.fields}
        if len(by_key) > 1:
            checking.refuse(("fields",), "some fields are named by key and some by column.", "A line is read one way.")
        elif options.ready is not None and bool(options.ready.key) not in by_key:
            checking.refuse(
                ("ready",), "is not read the way the fields are (key or column).", "A line is read one way."
            )
        elif options.header and False in by_key:
            todo = 'Write key = the name in the header line; or take header out, and comment = "…" for the header line.'
            checking.refuse(("fields",), "columns are found by their names when there is a header.", todo)

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        options: SerialLineOptions = feed.options  # type: ignore[assignment] # of this kind
        fields = [
            Field(
                channel=line_field.channel,
                key=line_field.key,
                column=line_field.column,
                unit=unit_named(line_field.unit) if line_field.unit else None,
                suffix=line_field.suffix,
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
            assign=options.assign,
            header=options.header,
            decimal_comma=options.decimal_comma,
            comment=options.comment,
            begins=options.begins,
            ready=ready,
        )

    def describe(self, options: SerialLineOptions) -> Iterator[str]:
        """Yield what the feed is."""
        header = ", columns named by a header line" if options.header else ""
        yield f"lines of text{header}, {options.baud:,} Bd"
        if options.ready is not None:
            place = f'"{options.ready.key}"' if options.ready.key else f"column {options.ready.column}"
            yield f"believed only while {place} says {' or '.join(options.ready.good)}"

    def cautions(self, options: SerialLineOptions) -> Iterator[str]:
        """Yield what to be wary of."""
        if options.header:
            yield (
                "nothing is read before a header line came: a device that sends it only when it is switched on must be "
                "switched on after pullwatch, and again whenever its port was lost."
            )


def _marks(checking: Checking, options: SerialLineOptions) -> None:
    """Refuse separators and assignments that cannot be told from each other, or from a number."""
    separator, assign = options.separator, options.assign
    if not separator:
        todo = 'Write what stands between two fields, " " for any white space.'
        checking.refuse(("separator",), "is empty.", todo)
    if options.decimal_comma and separator == ",":
        checking.refuse(("separator",), "a comma cannot be both between fields and in numbers.")
    if options.header or not any(line_field.key for line_field in options.fields):
        return
    if not assign:
        checking.refuse(("assign",), "is empty.", 'Write what stands between key and value, " " for any white space.')
    elif assign == separator:
        what = f'"{assign}" stands between fields already: key and value could not be told from two fields.'
        checking.refuse(("assign",), what, "Give the fields by column instead, or write another separator.")
    elif options.decimal_comma and assign == ",":
        checking.refuse(("assign",), "a comma cannot be both between key and value and in numbers.")
    elif set(assign) <= _OF_NUMBERS:
        checking.refuse(("assign",), f'"{assign}" is a part of numbers.', "Write what stands between key and value.")


def _suffix(checking: Checking, options: SerialLineOptions, suffix: str, path: tuple[str | int, ...]) -> None:
    """Refuse a text behind the number that could not be told from it, or would be cut off as another field."""
    if suffix.strip()[:1] in _OF_NUMBERS and suffix.strip():
        checking.refuse(
            path, f'"{suffix}" could be a part of the number.', "Write the text alone that stands behind it."
        )
    elif _is_cut(options.separator, suffix.strip()):
        what = f'"{suffix}" holds what stands between fields ("{options.separator}"), so it is cut in two.'
        checking.refuse(path, what, "Write it as far as the separator.")


def _key(checking: Checking, options: SerialLineOptions, key: str, path: tuple[str | int, ...]) -> None:
    """Refuse a key that no line can have."""
    if _is_cut(options.separator, key) or (not options.header and _is_cut(options.assign, key)):
        what = f'"{key}" holds what stands between fields or before a value, so no line can have it.'
        checking.refuse(path, what, "Write the key alone, as it stands in the line.")
    elif key != key.strip():
        checking.refuse(path, f'"{key}" begins or ends with white space, which is not counted.', "Take it out.")


def _is_cut(mark: str, text: str) -> bool:
    """Whether a mark (a single space: any white space) falls into a text."""
    return bool(text) and bool(mark) and (len(text.split()) > 1 if mark == " " else mark in text)


def _source(checking: Checking, place: LineField | Readiness, path: tuple[str | int, ...]) -> str | int | None:
    """Return where in the line a field stands, if it says so once."""
    if place.key and place.column:
        checking.refuse(path, "names a key and a column.", "Write one of them.")
    elif not place.key and not place.column:
        checking.refuse(path, "does not say where in the line it stands.", 'Write key = "…", or column = 1, 2, ….')
    else:
        return place.key or place.column
    return None
