"""The decoders of a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.channels import unit_named
from pullwatch.decoders.dbc import CanDecoder
from pullwatch.decoders.text import Field, LineDecoder, Ready
from pullwatch.feeds.options import CanOptions, SerialLineOptions

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.setup.plan import FeedPlan, Plan


def decoders_for(plan: Plan) -> dict[int, Decoder]:
    """Return a new decoder for every feed of the plan, by feed number: live and replay build the same ones."""
    channels = {channel.name: channel for channel in plan.channels}
    return {feed.number: _decoder(feed, channels) for feed in plan.feeds}


def _decoder(feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
    options = feed.options
    if isinstance(options, CanOptions):
        assert feed.table is not None
        return CanDecoder(feed.table, channels, "slcan" if options.adapter == "slcan" else "frames")
    assert isinstance(options, SerialLineOptions)
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
