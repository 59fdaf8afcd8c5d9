"""What was recorded against what is computed now, byte by byte: the proof that a recording says what happened."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch.annunciators.console import session_time
from pullwatch.clock import NS_PER_S
from pullwatch.recording.layout import encode_change
from pullwatch.replaying.again import plan_of, replayed, resumed
from pullwatch.watchdog.alarms import STATE_WORDS, Change

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from pullwatch.recording.reader import Block, Session
    from pullwatch.setup import Plan

AT_ONCE: Final = 30 * NS_PER_S
"""Session ns put through the path in one step when nobody waits to see it: borders mean nothing."""
SHOWN: Final = 10
"""Differences that are printed; the others are counted."""


@dataclass(slots=True)
class Verification:
    """What comparing found. Recorded and computed changes are held against each other both ways."""

    changes: int = 0
    """Changes recorded and computed alike."""
    missing: list[Change] = field(default_factory=list)
    """Recorded, but not computed again."""
    added: list[Change] = field(default_factory=list)
    """Computed, but not recorded."""
    disordered: int = 0
    """Steps whose changes are the same, but in another order."""
    unverified: list[tuple[int, int]] = field(default_factory=list)
    """Spans (session ns) that cannot be verified, because something in them is lost."""
    since: int = -1
    """Session ns it began at: of a checkpoint in the middle; -1: the begin."""
    now: int = -1
    records: int = 0
    seconds: float = 0.0

    @property
    def agree(self) -> bool:
        """Whether nothing differs in what can be verified."""
        return not self.missing and not self.added and not self.disordered


def verify(
    session: Session,
    plan: Plan | None = None,
    *,
    since: int | None = None,
    until: int | None = None,
    pace: Callable[[int], None] | None = None,
) -> Verification:
    """Compute every change again and compare it with the recorded one: the same bytes, to the nanosecond.

    `since` begins with the last checkpoint before it (session ns), `until` ends with the step that holds it. `pace` is
    called with the session time of every step before it is judged; without it many steps are judged as one. After
    damage the comparison goes on from the next checkpoint; what lies between is listed as unverified.
    """
    plan = plan or plan_of(session)
    path, after = (None, -1) if since is None else resumed(session, plan, since)
    found = Verification(since=-1 if path is None else path.watchdog.now)
    found.now = found.since
    begun = time.perf_counter()
    blocks = session.blocks(after=after, until=until, join_ns=AT_ONCE if pace is None else 0)
    for step in replayed(plan, _paced(blocks, pace), path):
        block = step.block
        if block.gap_before:
            resumed_at = block.checkpoint.now if block.checkpoint is not None else block.now
            found.unverified.append((found.now, resumed_at))
        rules = step.path.plan.rules.rules
        recorded = {encode_change(change.change, change.name): change.change for change in block.changes}
        computed = {encode_change(change, rules[change.rule].name): change for change in step.changes}
        found.changes += len(recorded.keys() & computed.keys())
        found.missing += [change for key, change in recorded.items() if key not in computed]
        found.added += [change for key, change in computed.items() if key not in recorded]
        found.disordered += recorded.keys() == computed.keys() and list(recorded) != list(computed)
        found.now = block.now
        found.records += len(block.records)
    found.seconds = time.perf_counter() - begun
    return found


def _paced(blocks: Iterable[Block], pace: Callable[[int], None] | None) -> Iterator[Block]:
    for block in blocks:
        if pace is not None:
            pace(block.now)
        yield block


def describe(session: Session, plan: Plan, found: Verification) -> list[str]:
    """Say what a verification found, in sentences, the outcome first. Every line says that it is of a replay."""
    names = [rule.name for rule in plan.rules.rules]
    pace = (found.now - max(0, found.since)) / NS_PER_S / max(found.seconds, 1e-9)
    begin = f" from the checkpoint at {session_time(found.since)}" if found.since >= 0 else ""
    lines = []
    if found.agree:
        lines.append(
            f"verified: {found.changes} alarm changes computed again from {found.records:,} records, every one "
            f"the recorded one to the nanosecond,{begin} up to {session_time(max(0, found.now))} ({pace:,.0f} times "
            "real time)."
        )
    else:
        lines.append(
            f"differs: {len(found.missing)} recorded changes were not computed again, {len(found.added)} "
            f"computed ones were not recorded, {found.changes} agree."
        )
    for word, changes in (("recorded only", found.missing), ("computed only", found.added)):
        lines += [
            f"  {word}: {change.t} ns ({session_time(change.t)}) {_name(names, change)}: {STATE_WORDS[change.was]} to "
            f"{STATE_WORDS[change.state]}"
            for change in changes[:SHOWN]
        ]
        if len(changes) > SHOWN:
            lines.append(f"  {word}: {len(changes) - SHOWN} more")
    if found.disordered:
        lines.append(f"  {found.disordered} steps hold the same changes in another order")
    for first, last in found.unverified:
        lines.append(f"  cannot verify {session_time(max(0, first))} to {session_time(last)}: something there is lost")
    lines += [f"  {note}" for note in session.notes]
    lines.append(f"The recording ends at {session_time(max(0, session.ending.at_ns))}: {session.ending.reason}")
    return [f"REPLAY {line}" for line in lines]


def _name(names: list[str], change: Change) -> str:
    return names[change.rule] if change.rule < len(names) else f"rule {change.rule} (of rules changed later)"
