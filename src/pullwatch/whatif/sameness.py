"""Whether two plans read the same bytes the same way: what may differ when only rules are asked about.

How a port is opened, what is asked of it, and everything that decides a verdict may differ; what a byte means may not.
Channels may be left out. A meaning that was wrong is corrected by `pullwatch redecode`, in a reading of its own.
"""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.errors import Problem, SetupError, nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.batch import Record
    from pullwatch.channels import Channel
    from pullwatch.setup import FeedPlan, Plan

_OPENING: Final = frozenset(
    {
        "port", "baud", "bitrate", "listen_only", "adapter_options", "ask_status", "rate_hz", "transmit",
        "while_moving", "again_s", "addressing", "ask_one", "rates", "pids_per_request", "gap_ms", "block_size",
        "separation_ms",
    }
)  # fmt: skip
"""How a port is opened and what is asked of it: no byte means anything else by these."""
_ELSEWHERE: Final = frozenset({"adapter", "dbc", "channels", "fields"})
"""Compared on their own: an adapter by what it hands over, a DBC by what was taken of it, the rest by channel."""
_JUDGED: Final = frozenset({"number", "stale_after", "delay", "blind_while", "digits", "says"})
"""Of a channel: what decides verdicts or how it is written, and no value."""
TODO: Final = "Correct what the bytes mean with: pullwatch redecode SESSION --setup FILE."


def without_reloads(records: Sequence[Record]) -> tuple[list[Record], int]:
    """Return the records with acts that changed the rules emptied, and how many those were.

    Who asks what other rules would have done means from the begin to the end.
    """
    out = list(records)
    changed = 0
    for place, record in enumerate(out):
        if record.feed == ACTS_FEED and record.kind is Kind.ACT and b'"reload"' in record.data:
            try:
                said = json.loads(record.data)
            except ValueError:
                continue
            if isinstance(said, dict) and said.get("act") == "reload":
                out[place] = record._replace(kind=Kind.DATA, data=b"")
                changed += 1
    return out, changed


def as_recorded(then: Plan, new: Plan) -> Plan:
    """Return `new` with its feeds numbered as they were recorded. Raises SetupError for a feed that was not.

    A feed is known by its name; its kind, and what its adapter hands over, must be those of then.
    """
    problems: list[Problem] = []
    feeds = []
    known = {feed.options.name: feed for feed in then.feeds}
    for feed in new.feeds:
        name = feed.options.name
        was = known.get(name)
        if was is None:
            what = f'no feed "{name}" was recorded{nearest(name, known)}.'
            problems.append(Problem(0, "feed", what, f"Recorded were: {', '.join(known)}."))
            continue
        if (was.options.kind, _hands_over(was)) != (feed.options.kind, _hands_over(feed)):
            what = f'"{name}" was recorded as {was.options.kind}{_adapter(was)}, not as {feed.options.kind}'
            problems.append(Problem(0, "feed", f"{what}{_adapter(feed)}: its bytes are of another make."))
        feeds.append(replace(feed, number=was.number))
    if problems:
        raise SetupError(new.setup_file, problems)
    return replace(new, feeds=tuple(feeds))


def same_reading(then: Plan, new: Plan) -> Plan:
    """Return `new` with its feeds numbered as recorded. Raises SetupError, naming every difference in what is read."""
    new = as_recorded(then, new)
    problems = [Problem(0, key, what, TODO) for key, what in differences(then, new)]
    if problems:
        raise SetupError(new.setup_file, problems)
    return new


def differences(then: Plan, new: Plan) -> Iterator[tuple[str, str]]:
    """Yield what `new` reads otherwise: (key, what in words). Channels that it leaves out are no difference."""
    known = {channel.name: channel for channel in then.channels}
    feeds = {feed.options.name: feed for feed in then.feeds}
    for feed in new.feeds:
        was = feeds[feed.options.name]
        if _ways(was) != _ways(feed):
            changed = sorted(key for key, value in _ways(feed).items() if _ways(was).get(key) != value)
            changed += sorted(set(_ways(was)) - set(_ways(feed)))
            yield "feed", f"{feed.options.name} is read otherwise ({', '.join(changed)})."
        for name in feed.options.gives:
            if name in known and name in was.options.gives:
                if source(was, name, known[name]) != source(feed, name, new.channel(name)):
                    yield "channel", f"{name} is taken from {feed.options.name} otherwise than it was."
            elif name in known:
                yield "channel", f"{name} came from another feed than {feed.options.name}, or was derived."
    for channel in new.channels:
        old = known.get(channel.name)
        if old is None:
            yield "channel", f'"{channel.name}" was no channel then{nearest(channel.name, known)}.'
        elif read_as(old) != read_as(channel):
            changed = sorted(key for key, value in read_as(channel).items() if read_as(old)[key] != value)
            yield "channel", f"{channel.name} has another {', '.join(changed)} than it had."
    made = {(each.channel, each.section.kind): each for each in then.derived}
    for each in new.derived:
        if made.get((each.channel, each.section.kind)) != each:
            yield "derived", f"{each.channel} ({each.section.kind}) is not derived as it was."
    names = {channel.name for channel in new.channels}
    doubted = {(each.channel, each.section.kind) for each in new.derived}
    for (channel_name, kind), each in made.items():
        if each.amends and channel_name in names and (channel_name, kind) not in doubted:
            yield "derived", f"{channel_name} was doubted ({kind}), and is not any more."
    if new.derived and replace(then.car, name="") != replace(new.car, name=""):
        yield "car", "is another, and channels are derived from what is known of it."


def judged_otherwise(then: Plan, new: Plan) -> list[str]:
    """Return, in words, what of the channels decides verdicts and is not what it was: delays, silences, blindness."""
    known = {channel.name: channel for channel in then.channels}
    words = {"stale_after": "stale_after_ms", "delay": "delay", "blind_while": "blind_while"}
    return [
        f"{channel.name} has another {' and another '.join(changed)} than it had"
        for channel in new.channels
        if channel.name in known
        and (
            changed := [
                word for key, word in words.items() if getattr(channel, key) != getattr(known[channel.name], key)
            ]
        )
    ]


def read_as(channel: Channel) -> dict[str, Any]:
    """Return what decides a channel's values."""
    return {key: value for key, value in asdict(channel).items() if key not in _JUDGED}


def source(feed: FeedPlan, name: str, channel: Channel) -> Any:
    """Return where a feed takes a channel from, and how, as something to compare."""
    dumped = feed.options.model_dump(mode="json")
    out: dict[str, Any] = {"address": dumped.get("source_addresses", {}).get(name)}
    if feed.table is not None:
        entries = [asdict(entry) for entry in feed.table.entries if entry.channel == channel.number]
        out["table"] = [{key: value for key, value in entry.items() if key != "channel"} for entry in entries]
        out["fd"] = feed.table.fd
        return out
    fields = [field for field in dumped.get("fields", []) if field.get("channel") == name]
    return {**out, "fields": fields, "channel": dumped.get("channels", {}).get(name)}


def _ways(feed: FeedPlan) -> dict[str, Any]:
    dumped = feed.options.model_dump(mode="json")
    apart = _OPENING | _ELSEWHERE | {"source_addresses"}
    return {key: value for key, value in dumped.items() if key not in apart}


def _hands_over(feed: FeedPlan) -> str:
    """Return what a CAN adapter hands over: its own text, or frames."""
    if feed.options.kind != "can":
        return ""
    return "text" if getattr(feed.options, "adapter", "") == "slcan" else "frames"


def _adapter(feed: FeedPlan) -> str:
    adapter = getattr(feed.options, "adapter", "")
    return f" ({adapter})" if adapter else ""
