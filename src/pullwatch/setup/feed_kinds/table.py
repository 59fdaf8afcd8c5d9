"""A table that was taken in: which column goes to which channel."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.channels import unit_named
from pullwatch.decoders.table import Field, TableDecoder

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.feeds.options.table import TableOptions
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan


class TableKind:
    """Rows of a file that somebody else recorded."""

    link_ms = (0.0, 0.0, "a table that was taken in has no link; how late it was written nobody knows")

    def check(self, checking: Checking, options: TableOptions) -> None:
        """Check that every field has a column of the row, and a unit its channel can be in."""
        for number, field in enumerate(options.fields):
            if field.column > options.columns:
                what = f"there is no column {field.column}: the rows have {options.columns}."
                checking.refuse(("fields", number, "column"), what)
            checking.unit(field.channel, field.unit, ("fields", number, "unit"))

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the table."""
        options: TableOptions = feed.options  # type: ignore[assignment] # of this kind
        fields = [
            Field(
                channel=field.channel,
                column=field.column,
                unit=unit_named(field.unit) if field.unit else None,
                scale=field.scale,
                offset=field.offset,
            )
            for field in options.fields
        ]
        return TableDecoder(options.columns, fields, channels)

    def describe(self, options: TableOptions) -> Iterator[str]:
        """Yield what the table is."""
        yield f"a table taken in from {options.port}, {options.columns} columns of numbers"

    def cautions(self, options: TableOptions) -> Iterator[str]:  # noqa: ARG002 - what every kind has
        """Yield what to be wary of."""
        yield "it is a log that somebody else's program wrote: it is read once and cannot be watched."
