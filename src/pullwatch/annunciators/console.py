"""Console: what changed, as plain lines in a terminal. Calm while nothing is wrong, unmistakable when something is.

A line is: wall time, session time, priority, the rule's sentence, the value against its limit, where the alarm stands.
Colour says nothing that the words do not say too (ANSI/ISA-101.01: colour is always redundant), and there is none for
"all is well": that nothing tripped does not mean that nothing is wrong.
"""

from __future__ import annotations

import contextlib
import json
import math
import queue
import threading
from collections import deque
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from pullwatch.batch import ACTS_FEED, Batch, Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import WHY_WORDS, Why, to_samples
from pullwatch.sinks import Health
from pullwatch.watchdog.acts import SLEPT
from pullwatch.watchdog.alarms import STATE_WORDS, Event, Priority, State
from pullwatch.watchdog.conditions import Lost

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import tzinfo
    from typing import TextIO

    from pullwatch.batch import Record
    from pullwatch.clock import ClockPair
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

MOST_WAITING: Final = 1_000
"""Lines that may wait for a slow terminal; more are dropped, counted, and the count is printed."""
MOST_WAITING_CRITICAL: Final = 2_000
"""Lines of critical alarms being raised still find room up to here."""
JUMPS_FROM: Final = 20
"""With so many lines waiting, that of a critical alarm being raised goes before them; with fewer, order is kept."""
FLOOD_FROM: Final = 10
"""More alarms than this raised within a second are a flood: what is below critical is gathered, counted and listed."""
FLOOD_NS: Final = NS_PER_S
LIST_WIDTH: Final = 100
"""Names of a list share a line up to this many characters."""
FEW: Final = 3
"""From so many changes of one kind in one step on, they share a line."""
CLOSE_S: Final = 1.0
"""How long `close` waits for the terminal: one stopped by Ctrl-S must not keep the process from ending."""

PRIORITY_WORDS: Final = {Priority.CRITICAL: "CRITICAL", Priority.CAUTION: "CAUTION", Priority.NOTE: "note"}
WIDTH: Final = 8
RAISED_STYLES: Final = {Priority.CRITICAL: "bold reverse red", Priority.CAUTION: "bold yellow", Priority.NOTE: "bold"}
CALM: Final = ""
WORSE: Final = "bold"


class _Line(NamedTuple):
    t: int
    text: str
    style: str


_HURRY: Final = _Line(-1, "", CALM)
"""Put into the queue so that the writer wakes: there is an urgent line beside the queue."""


class Console:
    """A sink that prints changes, lost and found feeds, acts and marks.

    `clock_pair` ties session time to wall time; `zone` is the time zone of the wall time (None: the machine's own).
    `feeds` maps feed numbers to names. `stream` is written to by one small thread of ours and by nobody waiting; it is
    not closed. In a replay every line says so.
    """

    def __init__(
        self,
        ruleset: RuleSet,
        clock_pair: ClockPair,
        stream: TextIO,
        replay: bool = False,
        *,
        feeds: Mapping[int, str] | None = None,
        zone: tzinfo | None = None,
    ) -> None:
        self.health = Health()
        self._ruleset = ruleset
        self._pair = clock_pair
        self._replay = replay
        self._feeds = dict(feeds or {})
        self._zone = zone
        self._lines: queue.SimpleQueue[_Line | None] = queue.SimpleQueue()
        self._urgent: deque[_Line] = deque()
        self._raised: list[Change] = []
        self._flood_until = 0
        self._untold = 0
        self._now = 0
        self._batch = Batch(0)
        self._thread = threading.Thread(target=self._write, args=(stream,), name="console", daemon=True)
        self._thread.start()

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Print what there is to say of this step."""
        self._now = batch.now
        self._batch = batch
        for record in batch.records:
            if record.kind != Kind.DATA:
                self._record(record)
        self._flood_over(batch.now)
        together: dict[tuple[State, bool], list[Change]] = {}
        for change in changes:
            if self._joins_others(change):
                together.setdefault((change.state, change.event is Event.RAISE), []).append(change)
        for change in changes:
            held = change.event is Event.RAISE and self._in_flood(change)
            alike = together.get((change.state, change.event is Event.RAISE), [])
            if len(alike) >= FEW and any(change is one for one in alike):
                if change is alike[0]:
                    self._together(alike)
            elif not held:
                self._change(change)
        self._flood_over(batch.now)

    def rules_are(self, rules: RuleSet) -> None:
        """Take up rules changed while watching."""
        self._ruleset = rules

    def _in_flood(self, change: Change) -> bool:
        """Count an alarm that is raised; say whether its line is left to the list of a flood.

        Critical alarms have their own line at once whatever else there is, and so has the first-out of a group.
        """
        self._flood_over(change.t)
        if not self._raised:
            self._flood_until = change.t + FLOOD_NS
        self._raised.append(change)
        critical = self._ruleset.rules[change.rule].priority is Priority.CRITICAL
        return len(self._raised) > FLOOD_FROM and not critical and not change.first_out

    def _flood_over(self, now: int) -> None:
        """When the second is over, print how many alarms were raised in it, the first-out, and all their names."""
        if not self._raised or now < self._flood_until:
            return
        raised, self._raised = self._raised, []
        if len(raised) <= FLOOD_FROM:
            return
        rules = self._ruleset.rules
        first = next((change for change in raised if change.first_out), raised[0])
        named = {p: [rules[c.rule].name for c in raised if rules[c.rule].priority is p] for p in Priority}
        counts = ", ".join(f"{len(names)} {PRIORITY_WORDS[p]}" for p, names in named.items() if names)
        words = f"{len(raised)} alarms within a second ({counts}). First out: {rules[first.rule].name}. All of them:"
        self._put(self._flood_until, "FLOOD", words, WORSE)
        for priority, names in named.items():
            for line in _lines_of(names):
                self._put(self._flood_until, PRIORITY_WORDS[priority], line, CALM)

    def _joins_others(self, change: Change) -> bool:
        """Whether a change may share a line with others of its step: no critical one, and no value that was judged."""
        rule = self._ruleset.rules[change.rule]
        if rule.priority is Priority.CRITICAL or change.event is None or rule.name == SLEPT:
            return False
        return change.event is not Event.RAISE or isinstance(rule.trip, Lost)

    def _together(self, changes: Sequence[Change]) -> None:
        """Print one line for changes alike, such as a whole feed's silence: a dozen would hide the one that matters."""
        first = changes[0]
        if first.event is not Event.RAISE:
            rules = ", ".join(self._ruleset.rules[change.rule].name for change in changes)
            self._put(first.t, "", f"{STATE_WORDS[first.state]}: {rules}", CALM)
            return
        priority = min(self._ruleset.rules[change.rule].priority for change in changes)
        names = [self._ruleset.channels[self._ruleset.rules[change.rule].trip.left].name for change in changes]
        words = f"No reading of {len(names)} channels: {', '.join(names)}."
        if any(change.first_out for change in changes):
            words += "  FIRST OUT"
        self._put(first.t, PRIORITY_WORDS[priority], f"{words}  {STATE_WORDS[first.state]}", RAISED_STYLES[priority])

    def say(self, t: int, words: str, *, worse: bool = False) -> None:
        """Print a line of somebody else's (the sentinel, the recorder), at session time `t`."""
        self._put(t, "", words, WORSE if worse else CALM)

    def close(self) -> None:
        """Print what still waits, as far as the terminal takes it."""
        self._flood_over(self._flood_until)
        self._tell_dropped()
        self._lines.put(None)
        self._thread.join(CLOSE_S)

    def _change(self, change: Change) -> None:
        rule = self._ruleset.rules[change.rule]
        raised = change.event is Event.RAISE
        sentence = rule.says or rule.name
        parts = [sentence if raised else f"{rule.name}: {STATE_WORDS[change.state]}"]
        if change.event is None:
            parts = [f"{sentence} ({STATE_WORDS[change.state]}, carried in from the session before)"]
        elif raised:
            # That the monitor slept is told by an act: no reading tripped.
            reading = [] if rule.name == SLEPT else [self._reading(change)]
            parts += [*reading, STATE_WORDS[change.state], f"[{rule.name}]"]
            if change.first_out:
                parts.insert(1, "FIRST OUT")
        style = RAISED_STYLES[rule.priority] if change.state is State.UNACKNOWLEDGED else CALM
        critical = raised and rule.priority is Priority.CRITICAL
        self._put(change.t, PRIORITY_WORDS[rule.priority], "  ".join(parts), style, critical=critical)

    def _reading(self, change: Change) -> str:
        """Write the value against its limit: `lambda 0.912 > limit lambda 0.840`."""
        trip = self._ruleset.rules[change.rule].trip
        channel = self._ruleset.channels[trip.left]
        # What "lambda" names in the first place need not be named again.
        name = "" if channel.format(0.0).startswith(channel.name) else f"{channel.name} "
        if isinstance(trip, Lost):
            return f"{channel.name}: {self._why_lost(change, trip.left)}"
        value = f"{name}{channel.format(change.value)}"
        if math.isnan(change.limit):
            return value
        return f"{value} {trip.op} limit {channel.format(change.limit)}"

    def _why_lost(self, change: Change, channel: int) -> str:
        """Say why there is no reading: what the sample at that very instant was doubted for, else that none came."""
        if self._ruleset.rules[change.rule].on_delay:
            return "no reading"
        columns = self._batch.columns
        if columns is not None:
            columns = {channel: columns[channel]} if channel in columns else {}
        samples = self._batch.samples if columns is None else to_samples(columns)
        for t, number, _, why in samples or ():
            if t == change.t and number == channel and why:
                return f"no reading, {WHY_WORDS[Why(why)]}"
        return "no reading, nothing comes"

    def _record(self, record: Record) -> None:
        name = self._feeds.get(record.feed, f"feed {record.feed}")
        text = record.data.decode("utf-8", "replace")
        if record.kind == Kind.LOST:
            self._put(record.t, "LOST", f"{name} is lost: {text}", WORSE)
        elif record.kind == Kind.FOUND:
            self._put(record.t, "found", f"{name} is open: {text}", CALM)
        else:
            facts = _facts(record.data)
            if record.kind == Kind.DROPPED:
                count, why = facts.get("bytes", "some"), facts.get("why", "no reason given")
                self._put(record.t, "DROPPED", f"{count} bytes of {name} were thrown away: {why}", WORSE)
            elif record.kind == Kind.ACT:
                self._act(record, facts)
            elif record.kind == Kind.CARRIED:
                self._carried(record, facts)

    def _act(self, record: Record, facts: dict[str, Any]) -> None:
        act = str(facts.pop("act", "an act that cannot be read"))
        rule = facts.pop("rule", None)
        facts.pop("plan", None)  # the whole text of a new rule set
        words = [act]
        if act in ("acknowledge", "reset"):
            words.append("all alarms" if rule is None else str(rule))
        elif rule is not None:
            words.append(str(rule))
        if "for_ns" in facts:
            words.append(f"for {facts.pop('for_ns') / (60 * NS_PER_S):g} minutes")
        words += [str(value) if key in ("text", "words") else f"{key} {value}" for key, value in facts.items()]
        if record.feed != ACTS_FEED:
            words.append(f"(by {self._feeds.get(record.feed, f'feed {record.feed}')})")
        self._put(record.t, "mark" if act == "mark" else "act", " ".join(words[1:] if act == "mark" else words), CALM)

    def _carried(self, record: Record, facts: dict[str, Any]) -> None:
        alarms = facts.get("alarms")
        names = [str(a.get("rule")) for a in alarms if isinstance(a, dict)] if isinstance(alarms, list) else []
        if names:
            self._put(record.t, "", f"standing since the session before: {', '.join(names)}", WORSE)
        kept = facts.get("kept")
        for channel in self._ruleset.channels:
            value = kept.get(channel.name) if isinstance(kept, dict) else None
            if isinstance(value, int | float):
                self._put(record.t, "", f"kept from the session before: {channel.name} {channel.format(value)}", CALM)

    def _put(self, t: int, tag: str, words: str, style: str, *, critical: bool = False) -> None:
        if self._lines.qsize() >= (MOST_WAITING_CRITICAL if critical else MOST_WAITING):
            self.health.dropped += 1
            self._untold += 1
            return
        self._tell_dropped()
        replay = "REPLAY " if self._replay else ""
        text = f"{replay}{self._wall(t)} {session_time(t)} {tag:<{WIDTH}} {_printable(words)}".rstrip()
        line = _Line(t, text, style)
        if critical and self._lines.qsize() >= JUMPS_FROM:
            self._urgent.append(line)
            line = _HURRY
        self._lines.put(line)

    def _tell_dropped(self) -> None:
        if self._untold:
            count, self._untold = self._untold, 0
            replay = "REPLAY " if self._replay else ""
            line = f"{replay}{self._wall(self._now)} {session_time(self._now)} {'DROPPED':<{WIDTH}} "
            line += f"{count} lines were not printed: the terminal takes them too slowly"
            self._lines.put(_Line(self._now, line, WORSE))

    def _wall(self, t: int) -> str:
        ns = self._pair.wall + (t - self._pair.t)
        wall = datetime.fromtimestamp(ns // NS_PER_S, self._zone)
        return f"{wall:%H:%M:%S}.{ns % NS_PER_S // NS_PER_MS:03d}"

    def _write(self, stream: TextIO) -> None:
        """Write lines until there are no more. The only place that waits for the terminal."""
        show = _shower(stream)
        waiting: _Line | None = _HURRY
        while waiting is not None:
            waiting = self._lines.get()
            # append and popleft of a deque are atomic: whoever puts a line never waits for this thread.
            lines = [self._urgent.popleft() for _ in range(len(self._urgent))]
            lines += [] if waiting is None or waiting is _HURRY else [waiting]
            for line in lines:
                try:
                    show(line)
                except (OSError, ValueError) as problem:  # closed, or gone with its window
                    self.health.dropped += 1
                    self.health.last_error = str(problem)
                else:
                    self.health.last_good = line.t


def _lines_of(names: Sequence[str]) -> Iterator[str]:
    """Yield names, several to a line."""
    line = ""
    for name in names:
        if line and len(line) + len(name) > LIST_WIDTH:
            yield f"{line},"
            line = ""
        line += f"{', ' if line else ''}{name}"
    if line:
        yield line


def session_time(t: int) -> str:
    """Write session time: minutes, seconds and ms, `+1:02.345`."""
    ms = t // NS_PER_MS
    return f"+{ms // 60_000}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _facts(data: bytes) -> dict[str, Any]:
    with contextlib.suppress(ValueError):
        facts = json.loads(data)
        if isinstance(facts, dict):
            return facts
    return {}


def _printable(words: str) -> str:
    """Take out what could steer a terminal: some of these words come from whatever hangs on a port."""
    return "".join(c if c.isprintable() else " " for c in words)


def _shower(stream: TextIO) -> Callable[[_Line], None]:
    """Return what writes a line to `stream`: with colour on a terminal, plain elsewhere."""
    encoding = stream.encoding or "utf-8"

    def known(text: str) -> str:
        return text.encode(encoding, "replace").decode(encoding)

    def plain(line: _Line) -> None:
        stream.write(known(line.text) + "\n")
        stream.flush()

    if not stream.isatty():
        return plain

    import rich.console  # noqa: PLC0415 - 40 ms that only a terminal is worth
    import rich.text  # noqa: PLC0415 - same

    terminal = rich.console.Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=True)

    def coloured(line: _Line) -> None:
        terminal.print(rich.text.Text(known(line.text), style=line.style))
        stream.flush()

    return coloured
