"""The feeds of a setup: their numbers, and what their kinds find wrong in them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.setup.feed_kinds import KINDS, Checking
from pullwatch.setup.plan import FeedPlan

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.setup.findings import Findings


def read_feeds(findings: Findings, channels: Mapping[str, Channel]) -> tuple[tuple[FeedPlan, ...], dict[str, str]]:
    """Return the feeds that are right, and the texts of their DBC files by name; what is wrong is noted.

    Feeds are numbered from 1 in file order, 0 being the acts.
    """
    plans: list[FeedPlan] = []
    texts: dict[str, str] = {}
    first: dict[str, int] = {}
    for index, feed in enumerate(findings.setup.feeds):
        if feed.options is None:
            continue
        checking = Checking(findings, channels, texts, index)
        if feed.name in first:
            line = findings.setup.line("feed", first[feed.name], "name")
            checking.refuse(("name",), f"line {line} has a feed of this name already.")
        first.setdefault(feed.name, index)
        table = KINDS[feed.options.kind].check(checking, feed.options)
        plans.append(FeedPlan(index + 1, feed.options, table))
    return tuple(plans), texts
