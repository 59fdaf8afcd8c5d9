"""The decoders of a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.setup.feed_kinds import KINDS

if TYPE_CHECKING:
    from pullwatch.decoders import Decoder
    from pullwatch.setup.plan import Plan


def decoders_for(plan: Plan) -> dict[int, Decoder]:
    """Return a new decoder for every feed of the plan, by feed number: live and replay build the same ones."""
    channels = {channel.name: channel for channel in plan.channels}
    return {feed.number: KINDS[feed.options.kind].decoder(feed, channels) for feed in plan.feeds}
