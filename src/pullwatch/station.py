"""The whole path on one page: bytes in, records, samples, verdicts, changes, sinks. Nothing else puts these together.

    feeds ─► intake ─► Path.take: decoders ─► derived ─► ring ─► watchdog ─► sinks: recorder · console · sound
    acts  ─┘                                               heartbeat to the sentinel, after judging, on this very loop
    recording.reader ─► Path.take …              a replay is the same path with records that are read, not heard

`watch` is that path for any steps, live or read. `Station` feeds it from ports, in real time, on one thread.
"""

from __future__ import annotations

import asyncio
import gc
import json
import sys
import time
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import ACTS_FEED, Batch, Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S, SessionClock
from pullwatch.columns import join, to_columns
from pullwatch.decoders import Decoding
from pullwatch.errors import PullwatchError
from pullwatch.feeds.intake import Intake
from pullwatch.feeds.kinds import build
from pullwatch.setup import Plan, decoders_for, deriving_for
from pullwatch.setup.reloading import reloaded
from pullwatch.watchdog.alarms import ACTIVE
from pullwatch.watchdog.judge import Watchdog

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path as FilePath

    from pullwatch.batch import Record
    from pullwatch.feeds.base import Feed
    from pullwatch.recording.recorder import Recorder
    from pullwatch.sentinel.link import SentinelLink
    from pullwatch.sinks import Sink
    from pullwatch.watchdog.alarms import Change, State

TICK: Final = 20 * NS_PER_MS
"""The loop turns at least this often, data or not: the heartbeat is due every 25 ms, silence must be judged too."""
TURN: Final = 500_000
"""Least ns from the begin of one turn to the begin of the next. What comes meanwhile is taken in one batch: a full bus
would else wake the loop for every frame. It is what a sample waits at the most, on top of the turn's own cost; one that
comes after a pause does not wait at all."""
QUIET_TURN: Final = 3 * NS_PER_MS
"""The same while little comes: a normal car's bus (1,000 frames/s) would else cost a turn for every frame."""
QUIET: Final = 100
"""Bytes a ms, over all ports, below which little comes (a full bus in text gives about 200)."""
OVER: Final = 50 * NS_PER_MS
"""Time over which it is reckoned how much comes."""
IN_A_ROW: Final = 8
"""Most turns before the event loop has its own: timers, keys and the local socket wait that long at the most."""
PATIENCE_MS: Final = 2
"""How long the ports are waited for between two turns in a row, ms."""
SLEPT_AFTER: Final = NS_PER_S
"""A loop that did not turn for longer than this has slept: suspended with the machine, stopped, or stuck."""
RESTS: Final = 60 * NS_PER_S
"""How often memory is tidied up, at the earliest, and only while the engine stands (it costs 15-40 ms)."""


class Path:
    """Decoders, operators and watchdog of one plan: records in, samples and changes out. Holds no clock and no port."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.decoders = decoders_for(plan)
        self.decoding = Decoding(self.decoders)
        self.deriving = deriving_for(plan) if plan.derived else None
        self.watchdog = Watchdog(plan.rules)
        self.reloads = 0
        """How often the rules were changed."""

    def take(self, now: int, records: Sequence[Record]) -> tuple[Batch, list[Change]]:
        """Decode and judge one step, everything up to and including `now` (session ns).

        A record that changes the rules is an instant like any other: what comes before it is judged by the rules of
        before, and from its `t` on those it brings are judged by.
        """
        for at, record in enumerate(records):
            if record.feed == ACTS_FEED and record.kind is Kind.ACT and (plan := self._reload(record)) is not None:
                batch, changes = self._judge(record.t - 1, records[:at])
                self.watchdog, made = self.watchdog.taken_over(plan.rules, record.t)
                self.plan = plan
                self.reloads += 1
                rest, later = self.take(now, [record._replace(kind=Kind.DATA, data=b""), *records[at + 1 :]])
                return joined(now, records, batch, rest), changes + made + later
        return self._judge(now, records)

    def _reload(self, record: Record) -> Plan | None:
        """Return the plan to go on with, None if this act changes no rules, or brings rules that cannot be used."""
        if b'"reload"' not in record.data:
            return None
        try:
            said = json.loads(record.data)
            if said.get("act") != "reload":
                return None
            return reloaded(self.plan, Plan.from_dict(said["plan"]))
        except (ValueError, KeyError, TypeError, AttributeError, PullwatchError):
            return None  # it was refused when it was asked for, or is damaged: the rules of before stay in force

    def _judge(self, now: int, records: Sequence[Record]) -> tuple[Batch, list[Change]]:
        batch = self.decoding.batch(now, records)
        if self.deriving is not None:
            for record in records:
                if record.kind is Kind.CARRIED:  # it stands at the beginning of a session, before anything is heard
                    self.deriving.keep(carried_in(record).get("kept"))
            self.deriving.extend(batch)
        return batch, self.watchdog.judge(batch)

    def checkpoint(self) -> dict[str, Any]:
        """Return all that the path remembers, as plain JSON."""
        return {
            "watchdog": self.watchdog.state(),
            "decoders": {str(feed): decoder.carried() for feed, decoder in self.decoders.items()},
            "derived": None if self.deriving is None else self.deriving.carried(),
            "reloads": self.reloads,
            "kept": {} if self.deriving is None else self.deriving.kept(),
        }

    def restore(self, checkpoint: Mapping[str, Any]) -> None:
        """Go on from a checkpoint of the same plan."""
        self.reloads = checkpoint.get("reloads", 0)
        self.watchdog.restore(checkpoint["watchdog"])
        for feed, text in checkpoint["decoders"].items():
            self.decoders[int(feed)].carry(text)
        if self.deriving is not None:
            self.deriving.carry(checkpoint["derived"])


def carried_in(record: Record) -> dict[str, Any]:
    """Return what a CARRIED record says; nothing, if it is damaged."""
    try:
        said = json.loads(record.data)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def joined(now: int, records: Sequence[Record], first: Batch, second: Batch) -> Batch:
    """Return two batches that follow each other as one."""
    if first.samples is not None and second.samples is not None:
        return Batch(now, records, first.samples + second.samples)
    parts = [to_columns(b.samples) if b.samples is not None else b.columns or {} for b in (first, second)]
    return Batch(now, records, None, join(parts))


def watch(
    steps: Iterable[tuple[int, Sequence[Record]]], path: Path, sinks: Sequence[Sink] = ()
) -> Iterator[tuple[Batch, list[Change]]]:
    """Put every step through the path and tell the sinks, live or replayed alike."""
    for now, records in steps:
        reloads = path.reloads
        batch, changes = path.take(now, records)
        for sink in sinks:
            if path.reloads != reloads:
                sink.rules_are(path.plan.rules)
            sink.take(batch, changes)
        yield batch, changes


@dataclass(slots=True)
class Turns:
    """How the loop fares: turns taken, the longest of them (ns), and time spent in all of them (ns)."""

    count: int = 0
    longest: int = 0
    busy: int = 0
    at: dict[str, int] = field(default_factory=dict)


class Station:
    """Watches the ports of a plan in real time, on the running loop's thread, until stopped.

    `sinks` are told after every turn, in order; the recorder is one of them and is named so that it can be handed
    checkpoints. `sentinel` hears a heartbeat after every turn (None: no sentinel, said by whoever starts it so).
    """

    def __init__(
        self,
        plan: Plan,
        sinks: Sequence[Sink],
        *,
        clock: SessionClock,
        base: FilePath,
        recorder: Recorder | None = None,
        sentinel: SentinelLink | None = None,
        carried: Sequence[Mapping[str, Any]] = (),
        kept: Mapping[str, float] | None = None,
    ) -> None:
        self.plan = plan
        self.clock = clock
        self.path = Path(plan)
        self.intake = Intake(clock, self._wake)
        self.feeds: list[Feed] = [build(feed.options, feed.number, base) for feed in plan.feeds]
        self.turns = Turns()
        self._sinks = tuple(sinks)
        self._recorder = recorder
        self._sentinel = sentinel
        self._carried = list(carried)
        self._kept = dict(kept or {})
        self._loop: asyncio.AbstractEventLoop | None = None
        self._done: asyncio.Future[str] | None = None
        self._soon = False
        self._due: asyncio.TimerHandle | None = None
        self._tick: asyncio.TimerHandle | None = None
        self._begun = 0
        self._least_turn = TURN
        self._came = self._came_since = 0
        self._rested = 0
        self._health_due = 0
        self._judged = -1
        """The last `now`, -1 while no turn is expected: before the first, and while the ports are being closed."""

    async def run(self) -> str:
        """Watch until `stop` is called; return the reason given to it. Raises what a turn raised."""
        self._loop = asyncio.get_running_loop()
        self._done = self._loop.create_future()
        switch = sys.getswitchinterval()
        thresholds = gc.get_threshold()
        sys.setswitchinterval(0.0005)
        gc.collect()
        gc.freeze()
        gc.set_threshold(700, 10, 1_000_000)
        started: list[Feed] = []
        try:
            if self._carried or self._kept:
                text = json.dumps({"alarms": self._carried, "kept": self._kept})
                self.intake.put(ACTS_FEED, Kind.CARRIED, text.encode())
            for feed in self.feeds:
                feed.start(self.intake)
                started.append(feed)
            self._ticking()
            reason = await self._done
            if self._sentinel is not None:
                self._sentinel.bye()  # closing the ports may take longer than a heartbeat
            return reason
        finally:
            for timer in (self._tick, self._due):
                if timer is not None:
                    timer.cancel()
            self._judged = -1
            await asyncio.gather(*(feed.stop() for feed in started))
            if not self._done.cancelled() and self._done.exception() is None:
                self._turn()
            self._loop = None
            sys.setswitchinterval(switch)
            gc.set_threshold(*thresholds)
            gc.unfreeze()

    def stop(self, reason: str) -> None:
        """End `run` after one last turn."""
        if self._done is not None and not self._done.done():
            self._done.set_result(reason)

    def also_tells(self, sink: Sink) -> None:
        """Tell one more sink after every turn, after all others. Before `run`."""
        self._sinks = (*self._sinks, sink)

    def standing(self) -> list[State]:
        """Return the state of every rule's alarm, in file order."""
        return self.path.watchdog.states()

    # -- the loop ----------------------------------------------------------------------------------

    def _wake(self) -> None:
        if not self._soon and self._loop is not None:
            self._soon = True
            self._loop.call_soon(self._guarded)

    def _ticking(self) -> None:
        assert self._loop is not None
        self._tick = self._loop.call_later(TICK / NS_PER_S, self._ticking)
        if not self._soon:
            self._guarded()

    def _guarded(self) -> None:
        """Take a turn; a fault in it ends the watching at once, and the sentinel says so to everybody."""
        if self._done is None or self._done.done():
            return
        try:
            self._turns_while_busy()
        except Exception as error:  # noqa: BLE001 - raised again by run()
            self._done.set_exception(error)

    def _turns_while_busy(self) -> None:
        """Take a turn, and further ones as long as ports keep giving: a busy bus needs the event loop less."""
        self._soon = True  # what is read here needs no waking
        for _ in range(IN_A_ROW):
            self._gather()
            busy = self._turn()
            due = self.path.watchdog.next_due
            if not busy or (due is not None and due < self.path.watchdog.now + 2 * PATIENCE_MS * NS_PER_MS):
                break
            if not self.intake.read_ready(PATIENCE_MS):
                break
        else:
            self._turn()
        self._soon = False

    def _gather(self) -> None:
        """Let a turn that follows too soon on the last one wait for more: frames come singly on a busy bus.

        Nothing on this thread is waited for meanwhile: what arrives lies in the kernel and is read in one piece.
        """
        wait = self._begun + self._least_turn - time.perf_counter_ns()
        if wait > 0:
            time.sleep(wait / NS_PER_S)
            self.intake.read_ready(0)

    def _turn(self) -> bool:
        """Take what there is through the path and tell everybody; say if there was any."""
        begun = time.perf_counter_ns()
        if self._judged >= 0 and (away := self.clock.now() - self._judged) > SLEPT_AFTER:
            self._slept(away)
        now, records = self.intake.take()
        self._judged = now
        self._begun = begun
        self._came += sum([len(record.data) for record in records])
        if begun - self._came_since > OVER:
            quiet = self._came * NS_PER_MS < QUIET * (begun - self._came_since)
            self._least_turn = QUIET_TURN if quiet else TURN
            self._came, self._came_since = 0, begun
        reloads = self.path.reloads
        batch, changes = self.path.take(now, records)
        if self.path.reloads != reloads:
            self.plan = self.path.plan
            for sink in self._sinks:
                sink.rules_are(self.plan.rules)
        for sink in self._sinks:
            sink.take(batch, changes)
        if self._sentinel is not None:
            self._sentinel.beat()
        if self._recorder is not None and self._recorder.wants_checkpoint:
            self._recorder.checkpoint(self.path.checkpoint())
        if now >= self._health_due:
            self._health_due = now + NS_PER_S
            self._every_second(now)
        self._look_ahead(now)
        took = time.perf_counter_ns() - begun
        turns = self.turns
        turns.count += 1
        turns.busy += took
        turns.longest = max(turns.longest, took)
        return bool(records)

    def _slept(self, away: int) -> None:
        """Put on the record that nothing was watched for `away` ns: an alarm follows, here and in a replay."""
        text = f"nothing was watched for {away / NS_PER_S:.1f} s"
        said = {"act": "slept", "rule": None, "text": text, "slept_ns": away, "who": "monitor"}
        self.intake.put(ACTS_FEED, Kind.ACT, json.dumps(said).encode())

    def _look_ahead(self, now: int) -> None:
        """Wake for a deadline that comes before the next tick."""
        if self._loop is None:
            return
        if self._due is not None:
            self._due.cancel()
            self._due = None
        due = self.path.watchdog.next_due
        if due is not None and due < now + TICK:
            self._due = self._loop.call_later(max(0, due - now) / NS_PER_S, self._wake)

    def _every_second(self, now: int) -> None:
        if self._recorder is not None:
            self._recorder.event({"event": "health", "t": now, **self.health()})
        if now - self._rested > RESTS and self._stands(now):
            self._rested = now
            gc.collect()

    def _stands(self, now: int) -> bool:
        """Whether the engine is known to stand and no alarm is active; a speed not known is no standing engine."""
        number = self.plan.rules.engine_speed
        latest = None if number is None else self.path.watchdog.latest(number)
        if number is None or latest is None:
            return False
        t, speed, why = latest
        known = not why and now - t < self.plan.channels[number].stale_after
        return known and speed == 0.0 and not ACTIVE.intersection(self.standing())

    def health(self) -> dict[str, Any]:
        """Return what every feed and the loop say of themselves, as plain JSON."""
        return {
            "feeds": {
                feed.name: {**asdict(feed.health), "ledger": asdict(self.path.decoders[feed.number].ledger)}
                for feed in self.feeds
                if feed.number in self.path.decoders
            },
            "turns": self.turns.count,
            "longest_turn_ns": self.turns.longest,
            "busy_ns": self.turns.busy,
        }
