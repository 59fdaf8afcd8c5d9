"""The recorder: a sink that writes what the path judged, never makes it wait, and survives whatever ends the process.

`take` only appends to a queue. One writer thread empties it every 10 ms, or at once when an alarm changed or a person
acted, into one write: a frame per feed that had records, the changes, a commit. Syncs run beside it (see `parts`).
"""

from __future__ import annotations

import hashlib
import os
import platform
import secrets
import threading
from collections import deque
from time import monotonic_ns
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import ACTS_FEED
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair, SessionClock, steady_name
from pullwatch.errors import SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Commit, Framed, Stream
from pullwatch.recording.parts import FILES, Files
from pullwatch.recording.session import boot_id, hold, parts_in
from pullwatch.recording.store import Limits, Store, words
from pullwatch.recording.taken import Gathered, Happened, Item, Lost, Remembered, Rules, Taken
from pullwatch.recording.thinning import Thinning
from pullwatch.sinks import Health
from pullwatch.watchdog.alarms import Change, Event, State

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from pullwatch.batch import Batch, Record
    from pullwatch.watchdog.rules import RuleSet

RECORD_COST: Final = 64
"""Bytes that a waiting record is counted with beside its data."""
STEP_TOLD: Final = 50 * NS_PER_MS
"""A wall clock that goes away by more between two flushes was set; less is how clocks are kept right."""
_SLEWED_PER: Final = 10
"""A clock that is being kept right may run up to a tenth faster or slower."""
_MOST_UNCOVERED: Final = 4096
FRAME_DATA: Final = 4 * 1024 * 1024
"""A feed frame is closed when its records reach this many bytes."""


class Recorder:
    """Records one session into `folder`, which is made if it is not there.

    `start` is kept whole in the start record; `feeds` names every feed by number; `rules` names the rules in file
    order. `fallback` is a folder in memory: when the disk fails, the session goes on in `fallback/<name of folder>`.

    `take`, `checkpoint`, `wants_checkpoint` and `rules_are` belong to the path's thread; `event` may come from any.
    `steady` measures how long the disk takes; unlike session time it stands while the machine is suspended, so a sleep
    is no stall.

    Raises SessionError at once if the folder holds a recording, another process records into it, nothing can be
    written, or the start record is not plain JSON.
    """

    def __init__(
        self,
        folder: Path,
        start: Mapping[str, Any],
        feeds: Mapping[int, str],
        rules: Sequence[str],
        clock: SessionClock,
        fallback: Path | None = None,
        *,
        files: Files = FILES,
        limits: Limits | None = None,
        steady: Callable[[], int] = monotonic_ns,
    ) -> None:
        self._steady = steady
        self.folder = folder
        self._clock = clock
        self._limits = limits or Limits()
        self._rules = tuple(rules)
        self._tag = secrets.randbits(32)
        memory = fallback / folder.name if fallback is not None else None
        self._feeds = {ACTS_FEED: "acts", **feeds}

        # Between the path and the writer. Each count has one thread that writes it, so no lock is needed.
        self._queue: deque[Item] = deque()
        self._now = -1
        self._in = 0
        self._out = 0
        self._losing: Lost | None = None
        self._dropped = 0
        self._checkpoint_now = -1
        self._checkpoint_due = True
        self._wake = threading.Event()
        self._closing = False
        self._closed = False
        self._finished = False

        # The writer's own.
        self._seq = 0
        self._records = 0
        self._rejected = 0
        self._hash = hashlib.sha256()
        self._standing: dict[str, tuple[State, int]] = {}
        self._raised = 0
        self._committed_now = -1
        self._committed_at = steady()
        self._clock_at = steady() - self._limits.clock
        self._parts_seen = 1
        self._lag_told = False
        self._worst_lag = 0
        self._stop: tuple[str, str] = ("", "")
        self._thinning = Thinning()
        self._last_pair: tuple[ClockPair, int] | None = None
        self._uncovered: deque[tuple[int, int]] = deque()
        """Per flush that is not known to be on disk: its last seq, and when it was written."""
        self._uncovered_since = self._flushed_at = steady()
        self._error = ""

        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SessionError(folder, f"the folder cannot be made: {words(error)}.", "Name another place.") from error
        self._lock = hold(folder)
        try:
            if parts_in(folder):
                raise SessionError(folder, "holds a recording already.", "Name a new folder.")  # noqa: TRY301 - the lock is let go below
            first = self._start_frame(start, memory)
            try:
                self._store = Store(folder, memory, self._feeds, first, files=files, limits=self._limits, steady=steady)
            except OSError as error:
                raise SessionError(
                    folder, f"cannot be written: {words(error)}.", "Make room, or name another place."
                ) from error
        except BaseException:
            self._unlock()
            raise
        self._thread = threading.Thread(target=self._write_loop, name="recorder", daemon=True)
        self._thread.start()

    def _start_frame(self, start: Mapping[str, Any], memory: Path | None) -> Framed:
        pair = self._clock.pair()
        ours = {
            "layout": layout.VERSION,
            "session": f"{self._tag:08x}",
            "boot_id": boot_id(),
            "clock": steady_name(),
            "zero": self._clock.zero,
            "pair": {"t": pair.t, "wall": pair.wall, "uncertainty": pair.uncertainty},
            "feeds": {str(number): name for number, name in self._feeds.items()},
            "rules": list(self._rules),
            "fallback": None if memory is None else str(memory),
            "pid": os.getpid(),
            "system": platform.platform(),
        }
        try:
            payload = layout.encode_json({**start, "recording": ours})
            return self._frame(Stream.START, pair.t, -1, payload)
        except (TypeError, ValueError) as error:
            raise SessionError(self.folder, f"the start record cannot be written: {error}.") from error

    # ---- what the path calls -----------------------------------------------------------------------------------------

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Take one judged step, an empty one too: its `now` is how followers know that the path lives."""
        records = batch.records
        if self._losing is not None and self._in - self._out < self._limits.queue // 2 and not self._closing:
            self._tell_lost()
        if records or changes:
            size = 0
            urgent = bool(changes)
            for record in records:
                size += len(record.data) + RECORD_COST
                urgent = urgent or record.feed == ACTS_FEED
            if self._losing is not None or self._closing or self._in - self._out + size > self._limits.queue:
                self._drop(records, changes, batch.now)
                return
            self._in += size
            self._queue.append(Taken(records, changes, batch.now, size))
            if urgent:
                self._wake.set()
        # After the append: whoever sees this now finds everything up to it in the queue. While records are being lost
        # it stands still, because a commit must not cover what is neither recorded nor told.
        if self._losing is None:
            self._now = batch.now

    @property
    def wants_checkpoint(self) -> bool:
        """Whether a checkpoint is due: each second, in every new part, and after a loss."""
        return self._checkpoint_due or self._now - self._checkpoint_now >= self._limits.checkpoint

    def checkpoint(self, state: Mapping[str, Any]) -> None:
        """Take what the watchdog remembers after the step last taken, as plain JSON that nobody alters any more."""
        self._checkpoint_due = False
        self._checkpoint_now = self._now
        self._queue.append(Remembered(state, self._now))

    def event(self, event: Mapping[str, Any]) -> None:
        """Record something that happened: plain JSON with an `event` name, and `says` in words. From any thread."""
        self._queue.append(Happened(dict(event), self._clock.now()))

    def rules_are(self, rules: RuleSet) -> None:
        """Say that a new rule set is judged by from the next step on.

        Alarms of rules that are no longer there stand no more; those of the others stand until a change says otherwise.
        """
        self._queue.append(Rules(tuple(rule.name for rule in rules.rules)))

    def close(self, status: str = "stopped", reason: str = "") -> None:
        """Write everything, the stop record, and let go. Waits for the disk, but some seconds at most."""
        if self._closed:
            return
        self._closed = True
        if self._losing is not None:
            self._tell_lost()
        self._stop = (status, reason)
        self._closing = True
        self._wake.set()
        self._thread.join(3 * self._limits.close / NS_PER_S)
        if self._thread.is_alive():
            self._error = "the disk did not take the end of the recording in time"
        elif not self._finished:
            self._store.close()  # the writer ended by a fault of ours, and left this to us
        self._unlock()

    @property
    def sync_lag_ns(self) -> int:
        """How much of what was taken a power cut would lose just now, in ns.

        Session time that passed while the machine was suspended does not count: nothing was taken then.
        """
        taken = self._now - max(0, self._store.synced[1])
        return max(0, min(taken, self._steady() - self._uncovered_since))

    @property
    def health(self) -> Health:
        """How the recorder is: `last_good` is the session time known to be on disk, `dropped` counts records."""
        error = self._error or self._store.last_error
        return Health(self._store.synced[1], error, self._dropped + self._thinning.left_out, self._rejected)

    @property
    def in_memory(self) -> bool:
        """Whether the recording stands in memory only, because the disk does not take it."""
        return self._store.in_memory

    def _unlock(self) -> None:
        lock, self._lock = self._lock, None
        if lock is not None:
            os.close(lock)

    def _drop(self, records: Sequence[Record], changes: Sequence[Change], now: int) -> None:
        if self._losing is None:
            self._losing = Lost(records[0].t if records else now, now)
        lost = self._losing
        lost.last = now
        lost.changes += len(changes)
        for record in records:
            count = lost.feeds.setdefault(record.feed, [0, 0, record.t])
            count[0] += 1
            count[1] += len(record.data)
        self._dropped += len(records)

    def _tell_lost(self) -> None:
        lost, self._losing = self._losing, None
        if lost is not None:
            self._queue.append(lost)
            self._checkpoint_due = True

    # ---- the writer thread -------------------------------------------------------------------------------------------

    def _write_loop(self) -> None:
        every = self._limits.flush / NS_PER_S
        try:
            while not self._closing:
                self._wake.wait(every)
                self._wake.clear()
                self._flush()
            self._flush()
            self._finish()
        except BaseException as error:
            # Nobody would see a dead thread: from now on everything is dropped, and `health` says why.
            self._error = f"the recorder stopped: {type(error).__name__}: {error}"
            self._closing = True
            raise

    def _flush(self) -> None:
        now = self._now  # before the queue: what is judged up to this stands in it
        steady = self._steady()
        self._note_covered(steady)
        block = Gathered(now=self._committed_now)
        frames: list[Framed] = []
        for _ in range(len(self._queue)):
            item = self._queue.popleft()
            match item:
                case Taken():
                    self._out += item.size
                    self._gather(block, item)
                case Remembered():
                    block, more = self._stretch(block, item)
                    frames += more
                case Happened():
                    block.events.append((item.t, item.event))
                case Rules():
                    if block.holds:
                        frames += self._commit(block)
                        block = Gathered(now=block.now)
                    self._rules = item.names
                    self._standing = {rule: at for rule, at in self._standing.items() if rule in item.names}
                    block.events.append((now, {"event": "rules", "names": list(item.names)}))
                case Lost():
                    block.lose(item)
        block.now = max(block.now, now)
        self._look_at_clock(block, steady)
        self._add_news(block)
        idle = block.now > self._committed_now and steady - self._committed_at >= self._limits.idle_commit
        if block.holds or idle or self._clock_due(steady):
            frames += self._commit(block)
        if frames:
            self._committed_at = steady
            self._store.write(frames)
            if len(self._uncovered) >= _MOST_UNCOVERED:
                self._uncovered.pop()
            self._uncovered.append((frames[-1].seq, steady))
        elif self._store.in_memory:
            self._store.write([])  # the disk may be back, though the path gives nothing
        if self._store.parts != self._parts_seen:
            self._parts_seen = self._store.parts
            self._checkpoint_due = True

    def _gather(self, block: Gathered, item: Taken) -> None:
        """Put a judged step into the block, without its readings if they are left out."""
        thinning = self._thinning
        stirred = thinning.seen(item.records, item.changes, item.now)
        if not thinning.leaving_out:
            block.add(item.records, item.changes, item.now)
            return
        block.add(thinning.stripped(item.records), item.changes, item.now)
        if stirred:
            self._checkpoint_due = True  # from which on everything is kept for a while

    def _stretch(self, block: Gathered, item: Remembered) -> tuple[Gathered, list[Framed]]:
        """Begin the stretch behind a checkpoint: return the block that goes on, and the frames that stand before it."""
        thinning = self._thinning
        keep = thinning.checkpoint(self._store.scarce, item.now)
        if keep and thinning.leaving_out:
            self._tell_left_out(block, item.now)
        frames: list[Framed] = []
        if block.holds:
            frames += self._commit(block)
            block = Gathered(now=block.now)
        if keep:
            frames += self._checkpoint_frame(item)
            block.extra = True
        elif not thinning.leaving_out:
            block.events.append((item.now, thinning.begin(item.now)))
        return block, frames

    def _tell_left_out(self, block: Gathered, now: int) -> None:
        said, records = self._thinning.end(now)
        block.events.append((now, said))
        block.add(records, (), block.now)

    def _note_covered(self, steady: int) -> None:
        """Note since when what was taken is not on the disk."""
        synced = self._store.synced[0]
        uncovered = self._uncovered
        while uncovered and uncovered[0][0] <= synced:
            self._uncovered_since = uncovered.popleft()[1]
        if not uncovered:
            self._uncovered_since = self._flushed_at
        self._flushed_at = steady

    def _look_at_clock(self, block: Gathered, steady: int) -> None:
        """Tell when the wall clock was set. Nothing depends on it: only clock pairs say what it showed."""
        pair = self._clock.pair()
        last, self._last_pair = self._last_pair, (pair, steady)
        if last is None:
            return
        before, at = last
        step = (pair.wall - pair.t) - (before.wall - before.t)
        slewed = (steady - at) // _SLEWED_PER
        if abs(step) > STEP_TOLD + before.uncertainty + pair.uncertainty + slewed:
            way = "forward" if step > 0 else "back"
            says = (
                f"The wall clock was set {way} by {abs(step) / NS_PER_S:.3f} s. "
                "Session time did not follow: order and durations are as they were."
            )
            block.events.append((pair.t, {"event": "clock step", "t": pair.t, "step": step, "says": says}))
            self._clock_at = steady - self._limits.clock  # a pair goes with it

    def _add_news(self, block: Gathered) -> None:
        """Add what the store has to tell, and the lag when it passes the limit."""
        news = self._store.news
        while news:
            block.events.append((self._clock.now(), news.popleft()))
        lag = self.sync_lag_ns
        self._worst_lag = max(self._worst_lag, lag) if self._lag_told else lag
        if lag > self._limits.told_lag and not self._lag_told:
            self._lag_told = True
            says = f"The last {lag / NS_PER_S:.2f} s are not on the disk yet: a power cut would lose them."
            block.events.append((self._clock.now(), {"event": "sync lag", "lag": lag, "says": says}))
        elif lag < self._limits.told_lag // 2 and self._lag_told:
            self._lag_told = False
            says = f"The disk is up to date again; at worst it was {self._worst_lag / NS_PER_S:.2f} s late."
            block.events.append((self._clock.now(), {"event": "sync well", "lag": self._worst_lag, "says": says}))

    def _clock_due(self, steady: int) -> bool:
        return steady - self._clock_at >= self._limits.clock

    def _frame(self, channel: int, t: int, now: int, payload: bytes) -> Framed:
        data = layout.encode(channel, self._tag, self._seq, t, now, payload)
        framed = Framed(self._seq, channel, t, now, data)
        self._seq += 1
        self._hash.update(data)
        return framed

    def _commit(self, block: Gathered) -> list[Framed]:
        """Turn a block into frames, the commit last."""
        now = block.now
        frames = []
        for t, happened in block.events:
            try:
                frames.append(self._frame(Stream.EVENT, t, now, layout.encode_json(happened)))
            except (TypeError, ValueError) as error:
                self._reject(f"an event could not be recorded: {error}: {happened!r:.200}")
        for feed, records in sorted(block.feeds.items()):
            if feed not in self._feeds:
                self._reject(f"{len(records)} records of feed {feed}, which is not in the setup, were not recorded")
                continue
            frames += self._feed_frames(feed, records, now)
        for change in block.changes:
            frames.append(
                self._frame(Stream.CHANGE, change.t, now, layout.encode_change(change, self._name(change.rule)))
            )
            self._raised += change.event is Event.RAISE
            self._standing[self._name(change.rule)] = (change.state, change.t)
        steady = self._steady()
        if self._clock_due(steady):
            self._clock_at = steady
            pair = self._clock.pair()
            said = {"t": pair.t, "wall": pair.wall, "uncertainty": pair.uncertainty}
            frames.append(self._frame(Stream.CLOCK, pair.t, now, layout.encode_json(said)))
        chain = self._hash.digest()[: layout.CHAIN_BYTES]
        self._hash = hashlib.sha256()
        commit = layout.encode_commit(Commit(self._records, self._store.synced[0], chain))
        frames.append(self._frame(Stream.COMMIT, now, now, commit))
        self._committed_now = now
        return frames

    def _feed_frames(self, feed: int, records: list[Record], now: int) -> list[Framed]:
        groups: list[list[Record]] = [[]]
        size = 0
        for record in records:
            size += len(record.data) + RECORD_COST
            if size > FRAME_DATA and groups[-1]:
                groups.append([])
                size = len(record.data) + RECORD_COST
            groups[-1].append(record)
        frames = []
        for group in groups:
            try:
                frames.append(self._frame(Stream.FEED_0 + feed, group[0].t, now, layout.encode_records(group)))
            except ValueError as error:  # one record that is larger than any feed gives
                self._reject(f"a record of feed {feed} was not recorded: {error}")
            else:
                self._records += len(group)
        return frames

    def _name(self, rule: int) -> str:
        return self._rules[rule] if 0 <= rule < len(self._rules) else f"rule {rule}"

    def _alarms(self) -> dict[str, Any]:
        return {
            rule: {"state": int(state), "since": since}
            for rule, (state, since) in self._standing.items()
            if state is not State.NORMAL
        }

    def _checkpoint_frame(self, item: Remembered) -> list[Framed]:
        said = {"alarms": self._alarms(), "raised": self._raised, "state": item.state}
        try:
            return [self._frame(Stream.CHECKPOINT, item.now, item.now, layout.encode_json(said))]
        except (TypeError, ValueError) as error:
            self._reject(f"a checkpoint could not be recorded: {error}")
            return []

    def _reject(self, says: str) -> None:
        self._rejected += 1
        self._error = says
        self._store.news.append({"event": "not recorded", "says": says})

    def _finish(self) -> None:
        if self._thinning.leaving_out:
            block = Gathered(now=self._committed_now)
            self._tell_left_out(block, block.now)
            self._store.write(self._commit(block))
        self._store.settle(self._seq - 1)
        if self._store.news:
            self._flush()
        status, reason = self._stop
        said = {
            "status": status,
            "reason": reason,
            "records": self._records,
            "synced": self._store.synced[0],
            "dropped": self._dropped + self._thinning.left_out,
            "raised": self._raised,
            "alarms": self._alarms(),
        }
        now = self._committed_now
        self._store.write([self._frame(Stream.STOP, max(0, now), now, layout.encode_json(said))])
        self._finished = True
        if not self._store.close():
            self._error = self._store.last_error or "the disk did not take the end of the recording in time"
