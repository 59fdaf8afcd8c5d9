"""A CAN log becomes a session: its frames are records of CAN feeds, judged by a setup at the log's own times.

By which rules? Those of a setup file, whose CAN feed takes the frames; or none, with a DBC file whose signals are taken
for channels by their names, each one a guess that is shown and has to be confirmed. Every frame is kept: error and
remote frames, CAN FD, and channels of the log that no feed of the setup reads, which stand in feeds of their own that
nothing decodes.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from struct import Struct
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.decoders.frames import ERROR
from pullwatch.errors import PullwatchError, SetupError, nearest
from pullwatch.exchange.can_session import SessionWriter
from pullwatch.exchange.formats_can import WALL_FROM, NotReadable, Reading, read_frames
from pullwatch.exchange.recording_log import imported_before, put_beside, sha256_of, under_way
from pullwatch.finding.frames import read_bus
from pullwatch.finding.heard import Heard
from pullwatch.finding.starting import Place, bus_setup, signal_guess, signals_of
from pullwatch.recording import layout
from pullwatch.setup import load
from pullwatch.setup.feed_kinds.can import dbc_text
from pullwatch.setup.rule_facts import essential

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from pullwatch.exchange.formats_can import Logged
    from pullwatch.setup.plan import Plan

    Ask = Callable[[str], bool]

STEP_RECORDS: Final = 20_000
"""Frames judged and written at once: what memory follows."""
LOOKED_AT: Final = 50_000
"""Frames looked at before the import, to see which channels there are and what comes on them."""
BACK: Final = NS_PER_S // 2
"""Time that falls back by more than this begins again: a new run in the same session, with silence between the two."""
BETWEEN: Final = 10 * NS_PER_S
LEAD: Final = NS_PER_MS
LATE: Final = "channels heard late"
"""Name of the feed of frames on channels that the beginning of the log has nothing of."""
DAY: Final = 86_400 * NS_PER_S
ADAPTER: Final = "a log file"
"""Stands in the plan where a feed's adapter was: its records are packed frames."""
_WORD: Final = Struct("<I")


@dataclass(slots=True)
class CanImport:
    """What an import did, for a person and for the record."""

    folder: Path
    before: bool = False
    """The very same was imported before: nothing was done now."""
    frames: int = 0
    moved: int = 0
    most_moved: int = 0
    runs: int = 1
    seconds: float = 0.0
    raised: int = 0
    error_frames: int = 0
    feeds: dict[int, str] = field(default_factory=dict)
    channels: dict[str, int] = field(default_factory=dict)
    """The log's channel to the number of the feed that has its frames."""
    notes: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Return it in sentences."""
        if self.before:
            return [f"it was imported before, in the very same way: {self.folder}"]
        where = ", ".join(f"{name or 'unnamed'} as {self.feeds[number]}" for name, number in self.channels.items())
        out = [
            f"{self.frames:,} frames over {self.seconds:,.1f} s in {self.folder}",
            f"channels of the log: {where}",
        ]
        if self.moved:
            count = "1 frame was" if self.moved == 1 else f"{self.moved:,} frames were"
            out.append(
                f"{count} moved later, by {self.most_moved / 1e6:.6g} ms at the most, so that no two share an instant"
            )
        else:
            out.append("no frame was moved: every time rose")
        if self.runs > 1:
            out.append(
                f"the log's time begins again {self.runs - 1} times: {self.runs} runs stand in one session, with "
                f"{BETWEEN // NS_PER_S} s of silence between them"
            )
        if self.error_frames:
            out.append(f"{self.error_frames:,} error frames are kept")
        alarms = "no alarm was raised" if not self.raised else f"alarms raised: {self.raised}"
        return [*out, alarms, *self.notes]


def import_can(
    log: Path,
    root: Path,
    *,
    rules: Path | None = None,
    dbc: Path | None = None,
    buses: Mapping[str, str] | None = None,
    confirm: Ask | None = None,
    again: bool = False,
    progress: Callable[[float], None] | None = None,
) -> CanImport:
    """Make a session below `root` of a CAN log, and say what was done.

    `rules` is a setup file with CAN feeds; else `dbc` is a DBC file whose signals are guessed: `confirm` is shown the
    guesses and says whether they are right (None: they are taken). `buses` maps channels of the log to names of feeds
    of the setup; without it, each feed gets the channel on which its messages come. A log that was imported in the very
    same way is not imported twice, unless `again`. Raises PullwatchError in words.
    """
    if (rules is None) == (dbc is None):
        raise PullwatchError(
            f"{log}: frames say nothing by themselves. Name the setup that reads this bus (--rules SETUP), or the DBC "
            "file of its messages (--dbc FILE)."
        )
    first, channels = _look(log)
    if not first:
        raise NotReadable(f"{log} holds no CAN frame.")
    notes: list[str] = []
    if rules is not None:
        plan = load(rules)
    else:
        assert dbc is not None
        plan = _guessed(log, dbc, first, confirm, notes)
    plan, given = _fed(plan, log, channels, buses or {})
    plan, silent = _without(plan, set(given))
    notes += silent
    names = _names(plan, given, channels)
    feeds = {number: feed for number, feed in names.items() if number in given}
    by_channel = {channel: number for number, channel in given.items()}
    begins = first[0].t
    late = len(first) == LOOKED_AT
    first.clear()
    if late:
        feeds[max(names | feeds) + 1] = LATE
    reading = Reading()
    stat = log.stat()
    known = begins >= WALL_FROM * NS_PER_S
    began = begins - LEAD if known else stat.st_mtime_ns
    sha256 = sha256_of(log)
    about = {
        "format": log.suffix.lower().lstrip("."),
        "file": log.name,
        "bytes": stat.st_size,
        "sha256": sha256,
        "can_feeds": {str(number): name for number, name in feeds.items()},
        "channels": dict(by_channel),
        "at": time.time_ns(),
        "wall": began,
        "wall_known": known,
    }
    recorded = layout.decode_json(layout.encode_json(plan.to_dict()))
    for folder, start in reversed(imported_before(root, sha256)):
        if start.get("plan") == recorded and not again:
            return CanImport(folder, before=True)
    done = CanImport(log, feeds=feeds, channels=by_channel)
    with (
        under_way(root) as hidden,
        SessionWriter(hidden, plan, {**names, **feeds}, about, began, NS_PER_MS if known else DAY) as writer,
    ):
        records: list[Record] = []
        for record in _records(read_frames(log, reading, progress), by_channel, feeds, done):
            records.append(record)
            if len(records) >= STEP_RECORDS:
                writer.take(records[-1].end, records)
                records = []
        if records:
            writer.take(records[-1].end, records)
        writer.finish(f"imported from {log.name}")
        done.raised = writer.raised
        done.folder = put_beside(writer.folder, root, plan.car.name, began)
    if not known:
        notes.append("the log does not say at what time of day it was made: the file's own date is taken")
    done.notes = [*notes, *reading.told()]
    return done


def _look(log: Path) -> tuple[list[Logged], dict[str, Counter[int]]]:
    """Return the first frames, and per channel of the log how often each id word came among them."""
    first: list[Logged] = []
    channels: dict[str, Counter[int]] = {}
    for frame in read_frames(log, Reading()):
        first.append(frame)
        channels.setdefault(frame.channel, Counter())[_WORD.unpack_from(frame.data)[0]] += 1
        if len(first) >= LOOKED_AT:
            break
    return first, channels


def _records(
    frames: Iterable[Logged], by_channel: dict[str, int], feeds: dict[int, str], done: CanImport
) -> Iterator[Record]:
    """Give frames their session times by the rule of time, and count what was moved."""
    free = 0
    last: int | None = None
    zero = 0
    for t, channel, data in frames:
        number = by_channel.get(channel)
        if number is None:  # it was silent for the first LOOKED_AT frames
            number = by_channel[channel] = max(feeds)
        if last is None:
            zero = t - LEAD
        elif t < last - BACK:
            done.runs += 1
            zero = t - (free + BETWEEN)
        last = t
        stamp = t - zero
        at = max(free, stamp)
        if at != stamp:
            done.moved += 1
            done.most_moved = max(done.most_moved, at - stamp)
        free = at + len(data) + 1
        done.frames += 1
        done.error_frames += bool(_WORD.unpack_from(data)[0] & ERROR)
        yield Record(at, number, Kind.DATA, data)
    done.seconds = free / NS_PER_S


# -- which feed reads which channel


def _fed(
    plan: Plan, log: Path, channels: Mapping[str, Counter[int]], buses: Mapping[str, str]
) -> tuple[Plan, dict[int, str]]:
    """Return the plan with its CAN feeds turned to the log, and the channel of the log by feed number.

    Channels that no feed reads get numbers behind the plan's.
    """
    readers = {feed.options.name: feed for feed in plan.feeds if feed.options.kind == "can"}
    if not readers:
        raise PullwatchError(f"{plan.setup_file} has no CAN feed, so nothing in it can read {log.name}.")
    given: dict[int, str] = {}
    for channel, name in buses.items():
        if channel not in channels:
            raise PullwatchError(f'{log.name} has no channel "{channel}". It has {_listed(channels)}.')
        if name not in readers:
            raise PullwatchError(
                f'{plan.setup_file} has no CAN feed "{name}"{nearest(name, readers)}. It has {", ".join(readers)}.'
            )
        given[readers[name].number] = channel
    for name, feed in readers.items():
        left = [channel for channel in channels if channel not in given.values()]
        if feed.number in given or not left:
            continue
        if len(readers) == len(channels) == 1:
            given[feed.number] = left[0]
            continue
        wanted = {entry.word for entry in feed.table.entries} if feed.table is not None else set()
        found = {channel: len(wanted & set(channels[channel])) for channel in left}
        best = max(found.values())
        fitting = [channel for channel, count in found.items() if count == best]
        if best and len(fitting) > 1:
            raise PullwatchError(
                f"{log.name}: the messages of {name} come on {_listed(fitting, ' and ')} alike. "
                f"Say which it is: --bus {fitting[0]}={name}"
            )
        if best:
            given[feed.number] = fitting[0]
    if not given:
        raise PullwatchError(
            f"{log.name} has no message that {' or '.join(readers)} reads. Is it the right DBC file, or another bus?"
        )
    options = {number: plan.feeds[number - 1].options for number in given}
    feeds = tuple(
        replace(feed, options=feed.options.model_copy(update={"adapter": ADAPTER, "port": log.name}))
        if feed.number in options
        else feed
        for feed in plan.feeds
    )
    number = max(feed.number for feed in plan.feeds)
    for channel in channels:
        if channel not in given.values():
            number += 1
            given[number] = channel
    return replace(plan, feeds=feeds), given


def _listed(channels: Iterable[str], between: str = ", ") -> str:
    return between.join(channel or "(unnamed)" for channel in channels)


def _names(plan: Plan, given: Mapping[int, str], channels: Mapping[str, Any]) -> dict[int, str]:
    """Return the names of all feeds by number."""
    names = {feed.number: feed.options.name for feed in plan.feeds}
    for number, channel in given.items():
        if number not in names:
            names[number] = channel or f"channel {list(channels).index(channel) + 1}"
    return names


def _without(plan: Plan, fed: set[int]) -> tuple[Plan, list[str]]:
    """Return the plan without the rules that rest on channels of feeds the log has nothing of, and say which.

    They would tell every such channel lost, which says nothing of the car.
    """
    missing = {name for feed in plan.feeds if feed.number not in fed for name in feed.options.gives}
    for derived in plan.derived:
        if not derived.amends and missing & set(derived.inputs):
            missing.add(derived.channel)
    if not missing:
        return plan, []
    numbers = {channel.number for channel in plan.channels if channel.name in missing}
    facts = []
    left = []
    for fact, rule in zip(plan.facts, plan.rules.rules, strict=True):
        out = bool(numbers & set(essential(rule, plan.rules))) and not fact.removed
        facts.append(replace(fact, removed=True) if out else fact)
        if out and not fact.automatic:
            left.append(fact.name)
    notes = [f"the log has nothing of {', '.join(sorted(missing))}"]
    if left:
        notes.append(f"so these rules are not judged: {', '.join(left)}")
    return replace(plan, facts=tuple(facts)), notes


# -- no setup, a DBC file


def _guessed(log: Path, dbc: Path, first: Sequence[Logged], confirm: Ask | None, notes: list[str]) -> Plan:
    """Return a plan without rules that reads what the names of the DBC's signals tell. Raises PullwatchError."""
    try:
        text = dbc_text(dbc)
    except OSError as error:
        raise PullwatchError(f"{dbc} cannot be read: {error.strerror or error}.") from error
    signals = signals_of(text)
    pieces = tuple((frame.t, frame.data) for frame in sorted(first, key=lambda frame: frame.t))
    bus = read_bus(Heard(pieces, pieces[0][0], pieces[-1][0]), slcan=False)
    if bus is None:
        raise NotReadable(f"{log} holds error frames alone.")
    heard = {(one.can_id, one.extended) for one in bus.identifiers}
    here = [signal for signal in signals if (signal.can_id, signal.extended) in heard]
    if not here:
        raise PullwatchError(f"{log.name} has no message that {dbc.name} describes. Is it the DBC file of this bus?")
    setup = bus_setup(bus, signals, Place("socket://127.0.0.1:9", "slcan", 500_000, dbc.name), f"{log.name}")
    if not setup:
        names = ", ".join(f"{one.message}.{one.name}" for one in here[:20])
        raise PullwatchError(
            f"none of the signals in {log.name} has a name that tells what it is ({names}). Write a setup with a CAN "
            "feed that says which is which, and name it: --rules SETUP"
        )
    with tempfile.TemporaryDirectory(prefix="pullwatch-") as folder:
        path = Path(folder) / f"{log.stem}.toml"
        path.write_text(setup, encoding="utf-8")
        shutil.copyfile(dbc, Path(folder) / dbc.name)
        try:
            plan = load(path)
        except SetupError as error:
            raise PullwatchError(
                f"{dbc.name}: no setup could be made of it by its names.\n{error}\nWrite a setup with a CAN feed, and "
                "name it: --rules SETUP"
            ) from error
    plan = replace(plan, car=replace(plan.car, name=log.stem))
    taken = {signal for feed in plan.feeds for signal in getattr(feed.options, "channels", {}).values()}
    shown = [
        f"{channel} from {signal}"
        for feed in plan.feeds
        for channel, signal in getattr(feed.options, "channels", {}).items()
    ]
    left = [f"{one.message}.{one.name}" for one in here if f"{one.message}.{one.name}" not in taken]
    if confirm is not None and not confirm("Guessed by the names of the signals:\n  " + "\n  ".join(shown)):
        raise PullwatchError("Nothing was imported. Write a setup that says which signal is which: --rules SETUP")
    notes.append(f"channels guessed by the names of the signals: {', '.join(shown)}")
    doubtful = [one for one in here if f"{one.message}.{one.name}" in taken and (g := signal_guess(one)) and g.question]
    notes += [f"{one.message}.{one.name}: {signal_guess(one).question}" for one in doubtful]  # type: ignore[union-attr] # just looked
    if left:
        notes.append(f"not taken, because their names do not tell: {', '.join(left)}")
    notes.append("nothing was judged: there are no rules. With a setup: --rules SETUP")
    return plan
