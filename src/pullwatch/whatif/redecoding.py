"""A second reading of old bytes: a corrected scale, delay or DBC, in a session of its own beside the first.

The first is never touched. The second holds the same bytes at the same times, the corrected setup, and the alarms that
follow from it; its start record says whose bytes they are and what is read otherwise, and every report says it again.
What was judged and told at the time stands in the first.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pullwatch.annunciators.console import session_time
from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.recording.layout import encode_json
from pullwatch.replaying import plan_of
from pullwatch.station import Path as WatchedPath
from pullwatch.whatif.sameness import as_recorded, differences, judged_otherwise
from pullwatch.whatif.writing import SessionWriter

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pullwatch.recording.reader import Block, Session
    from pullwatch.setup import Plan

JOIN: Final = NS_PER_S
"""Session ns judged and written in one step; a checkpoint stands between two of them."""
LEAD: Final = "redecoded_"
"""What the folder's name begins with: it is never the latest session, whose alarms the next takes over."""


@dataclass(frozen=True, slots=True)
class Redecoded:
    """What came of it: the new folder, what is read otherwise (in words), alarms raised then and in the new reading."""

    source: Path
    written: Path
    differences: tuple[str, ...]
    raised_then: int
    raised: int
    gaps: int

    def lines(self) -> list[str]:
        """Say it, the outcome first."""
        counts = f"{self.raised} alarms raised in it, {self.raised_then} in the first"
        out = [f"{self.source.name} was read again; the second reading is {self.written}: {counts}."]
        out += [f"  {each}" for each in self.differences]
        if self.gaps:
            out.append(f"  Something is lost in {self.gaps} places; in the second reading it counts as silence.")
        out.append(f"{self.source.name} itself is as it was.")
        return out


def told_apart(then: Plan, new: Plan) -> list[str]:
    """Return, in words, what `new` (its feeds numbered as recorded) reads or times otherwise than `then`."""
    out = [what.rstrip(".") for _, what in differences(then, new)]
    out += judged_otherwise(then, new)
    names = {channel.name for channel in new.channels}
    out += [f"{channel.name} is left out" for channel in then.channels if channel.name not in names]
    return out


def redecode(session: Session, setup: Plan, into: Path | None = None) -> Redecoded:
    """Write the second reading of `session` by `setup` into `into` (`redecoded_<name>` beside it if not given).

    Raises SetupError for a feed that was not recorded; SessionError when nothing is read otherwise, the session is
    being recorded or is a second reading itself, or the new folder cannot be written.
    """
    source = session.folder
    if session.ending.status == "being recorded":
        raise SessionError(source, "is being recorded.", "Read it again when the session has ended.")
    again: Any = session.start.get("redecoded")
    if isinstance(again, dict):
        raise SessionError(source, f"is a second reading itself, of {again.get('of')}.", "Read that one again.")
    then = plan_of(session)
    new = as_recorded(then, setup)
    changed = told_apart(then, new)
    if not changed:
        what = f"is read by {setup.setup_file} as it was read then."
        raise SessionError(source, what, "What other rules would have done: pullwatch whatif SESSION --rules FILE.")
    target = into if into is not None else _beside(source)
    raised, gaps = _write(session, new, target, changed)
    raised_then = sum(change.event == 0 for change in session.changes())
    return Redecoded(source, target, tuple(changed), raised_then, raised, gaps)


def _beside(source: Path) -> Path:
    source = source.resolve()
    for count in range(1, 1000):
        target = source.with_name(f"{LEAD}{source.name}" + ("" if count == 1 else f"-{count}"))
        if not target.exists():
            return target
    raise SessionError(source, "has been read again a thousand times.", "Name a folder for it.")


def _write(session: Session, plan: Plan, target: Path, changed: list[str]) -> tuple[int, int]:
    """Judge and write everything; return how many alarms were raised and how many gaps there are."""
    names = [rule.name for rule in plan.rules.rules]
    feeds = session.feeds or {ACTS_FEED: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    ours: Mapping[str, Any] = session.start.get("recording", {})
    start = {
        **session.start,
        "plan": plan.to_dict(),
        "recording": {**ours, "rules": names, "feeds": {str(number): name for number, name in feeds.items()}},
        "redecoded": {
            "of": session.folder.resolve().name,
            "session": f"{session.tag:08x}",
            "setup": plan.setup_file,
            "then": plan_of(session).setup_file,
            "differences": changed,
            "at": time.time_ns(),
            "ended": session.ending.reason,
        },
    }
    path = WatchedPath(plan)
    clocks = [encode_json({"t": p.t, "wall": p.wall, "uncertainty": p.uncertainty}) for p in session.clock_pairs()[1:]]
    times = [pair.t for pair in session.clock_pairs()[1:]]
    now, gaps, read = -1, 0, 0
    with SessionWriter(target, start, feeds) as writer:
        for block in session.blocks(join_ns=JOIN, everything=True):
            if now >= 0:
                writer.checkpoint(path.checkpoint())
            records = block.records
            events = [(int(event.get("t", block.now)), _kept(event)) for event in block.events]
            if block.gap_before:
                gaps += 1
                records = _lost(session.folder.name, block, now, feeds)
                says = f"Something is lost in {session.folder.name} before {session_time(block.now)}."
                events.append((block.now, {"event": "missing", "says": says}))
            _, changes = path.take(block.now, records)
            first = read
            while read < len(times) and times[read] <= block.now:
                read += 1
            writer.block(
                block.now, records, [(change, names[change.rule]) for change in changes], events, clocks[first:read]
            )
            now = block.now
        writer.close(f"read again from {session.folder.name}, which ended: {session.ending.reason}")
        return writer.raised, gaps


def _kept(event: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return an event as it is kept: what the first recorder lost is no gap in the second reading's own file."""
    return {**event, "event": "missing"} if event.get("event") == "lost" else event


def _lost(name: str, block: Block, now: int, feeds: Mapping[int, str]) -> list[Record]:
    """Return the records of a block with one more for each feed, before its first, that says something is lost.

    Without it the halves of two lines would be read as one. It stands where no other record does; a feed that goes on
    at the very next instant has lost nothing.
    """
    out = list(block.records)
    if any(record.kind is Kind.DROPPED for record in out):
        return out
    for feed in sorted(feeds):
        if feed == ACTS_FEED:
            continue
        for said in (json.dumps({"why": f"lost in the recording {name}"}).encode(), b""):
            place = _room(out, now, block.now, feed, len(said))
            if place is not None:
                out.insert(place[0], Record(place[1], feed, Kind.DROPPED, said))
                break
    return out


def _room(records: list[Record], now: int, until: int, feed: int, size: int) -> tuple[int, int] | None:
    """Return the first place and time free for a record of so many bytes before the first of its feed; None: none."""
    free = now + 1
    for place, record in enumerate(records):
        if free + size < record.t:
            return place, free
        if record.feed == feed:
            return None
        free = record.end + 1
    return (len(records), free) if free + size <= until else None
