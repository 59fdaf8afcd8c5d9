"""Replay: a recording through the very same path, for reading (`replay`) or for proof (`replay --verify`)."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pullwatch.annunciators.console import Console, session_time
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair
from pullwatch.errors import DamagedSession, SessionError
from pullwatch.recording.reader import Session
from pullwatch.setup import Plan
from pullwatch.station import Path
from pullwatch.watchdog.alarms import QUIET, STATE_WORDS, Change, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path as FilePath

    from pullwatch.batch import Batch
    from pullwatch.recording.reader import Block

AT_ONCE: Final = 10 * NS_PER_S
"""Session ns put through the path in one step when nobody waits to see it: borders mean nothing."""
SHOWN: Final = 10
"""Differences that are printed; the others are counted."""


def plan_of(session: Session) -> Plan:
    """Return the plan a recording was judged by. Raises SessionError when it holds none that can be read."""
    recorded = session.start.get("plan")
    if not isinstance(recorded, dict):
        raise SessionError(session.folder, "holds no setup, so it cannot be judged.", "It may be of another version.")
    return Plan.from_dict(recorded)


@dataclass(slots=True)
class Replayed:
    """One step of a replay: the block as recorded, the batch and changes as computed from it now."""

    block: Block
    batch: Batch
    changes: list[Change]
    path: Path


def replayed(plan: Plan, blocks: Iterable[Block]) -> Iterator[Replayed]:
    """Put blocks through the path. After a gap judging is taken up again from the checkpoint that stands there."""
    path = Path(plan)
    for block in blocks:
        if block.gap_before:
            before = path
            path = Path(before.plan)
            if block.checkpoint is not None:
                if block.checkpoint.state.get("reloads", 0) != before.reloads:
                    what = "its rules were changed in a part that is lost; what follows cannot be judged."
                    raise DamagedSession(f"the recording at {session_time(block.checkpoint.now)}", what)
                path.restore(block.checkpoint.state)
        batch, changes = path.take(block.now, block.records)
        yield Replayed(block, batch, changes, path)


@dataclass(slots=True)
class Verification:
    """What comparing found. Recorded and computed changes are held against each other both ways."""

    changes: int = 0
    """Changes recorded and computed alike."""
    missing: list[Change] = field(default_factory=list)
    """Recorded, but not computed again."""
    added: list[Change] = field(default_factory=list)
    """Computed, but not recorded."""
    unverified: list[tuple[int, int]] = field(default_factory=list)
    """Spans (session ns) that cannot be verified, because something in them is lost."""
    now: int = -1
    records: int = 0
    seconds: float = 0.0

    @property
    def agree(self) -> bool:
        """Whether nothing differs in what can be verified."""
        return not self.missing and not self.added


def verify(session: Session, plan: Plan | None = None) -> Verification:
    """Compute every change again and compare it with the recorded one, field by field, to the nanosecond.

    After damage the comparison goes on from the next checkpoint; what lies between is listed as unverified.
    """
    found = Verification()
    begun = time.perf_counter()
    for step in replayed(plan or plan_of(session), session.blocks(join_ns=AT_ONCE)):
        block = step.block
        if block.gap_before:
            resumed = block.checkpoint.now if block.checkpoint is not None else block.now
            found.unverified.append((found.now, resumed))
        recorded = {repr(change.change): change.change for change in block.changes}
        computed = {repr(change): change for change in step.changes}
        found.changes += len(recorded.keys() & computed.keys())
        found.missing += [change for key, change in recorded.items() if key not in computed]
        found.added += [change for key, change in computed.items() if key not in recorded]
        found.now = block.now
        found.records += len(block.records)
    found.seconds = time.perf_counter() - begun
    return found


def run_replay(folder: FilePath, speed: float | None, *, verify: bool) -> bool:
    """Replay a session in the terminal; return whether all is well (see `cli.replay`). Raises SessionError."""
    session = Session(folder)
    return _verify(session) if verify else _show(session, speed)


def _show(session: Session, speed: float | None) -> bool:
    plan = plan_of(session)
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    console = Console(plan.rules, _pair(session), sys.stdout, replay=True, feeds=names)
    pace = _pacer(speed)
    states: list[State] = []
    reloads = 0
    try:
        console.say(0, f"{session.folder.name}: {plan.car.name}, {len(plan.rules.rules)} rules. This is not live.")
        for step in replayed(plan, session.blocks(join_ns=AT_ONCE if speed is None else 0)):
            pace(step.block.now)
            if step.block.gap_before:
                console.say(step.block.now, "something is missing before this", worse=True)
            if step.path.reloads != reloads:
                reloads = step.path.reloads
                console.rules_are(step.path.plan.rules)
            console.take(step.batch, step.changes)
            plan = step.path.plan
            states = step.path.watchdog.states()
        console.say(session.ending.at_ns, f"the recording ends: {session.ending.reason}")
        standing = [
            f"{rule.name} ({STATE_WORDS[state]})"
            for rule, state in zip(plan.rules.rules, states, strict=False)
            if state not in QUIET
        ]
        if standing:
            console.say(session.ending.at_ns, f"still standing: {', '.join(standing)}", worse=True)
    finally:
        console.close()
    return not standing


def _pacer(speed: float | None) -> Callable[[int], None]:
    """Return what waits until session time `now` is due at `speed` times real time (None: never)."""
    begun = time.perf_counter()

    def pace(now: int) -> None:
        if speed is not None:
            time.sleep(max(0.0, begun + now / NS_PER_S / speed - time.perf_counter()))

    return pace


def _verify(session: Session) -> bool:
    plan = plan_of(session)
    found = verify(session, plan)
    for line in describe(session, plan, found):
        print(line)
    return found.agree


def describe(session: Session, plan: Plan, found: Verification) -> list[str]:
    """Say what a verification found, in sentences, the outcome first."""
    names = [rule.name for rule in plan.rules.rules]
    pace = found.now / NS_PER_S / max(found.seconds, 1e-9)
    lines = []
    if found.agree:
        lines.append(
            f"REPLAY verified: {found.changes} alarm changes computed again from {found.records:,} records, every one "
            f"the recorded one to the nanosecond, up to {session_time(max(0, found.now))} ({pace:,.0f} times "
            "real time)."
        )
    else:
        lines.append(
            f"REPLAY differs: {len(found.missing)} recorded changes were not computed again, {len(found.added)} "
            f"computed ones were not recorded, {found.changes} agree."
        )
    for word, changes in (("recorded only", found.missing), ("computed only", found.added)):
        lines += [
            f"  {word}: {change.t} ns ({session_time(change.t)}) {names[change.rule]}: {STATE_WORDS[change.was]} to "
            f"{STATE_WORDS[change.state]}"
            for change in changes[:SHOWN]
        ]
        if len(changes) > SHOWN:
            lines.append(f"  {word}: {len(changes) - SHOWN} more")
    for first, last in found.unverified:
        lines.append(f"  cannot verify {session_time(max(0, first))} to {session_time(last)}: something there is lost")
    lines += [f"  {note}" for note in session.notes]
    lines.append(f"The recording ends at {session_time(max(0, session.ending.at_ns))}: {session.ending.reason}")
    return lines


def _pair(session: Session) -> ClockPair:
    clock: dict[str, Any] = session.start.get("clock", {})
    return ClockPair(0, int(clock.get("wall", 0)), int(clock.get("uncertainty", NS_PER_MS)))
