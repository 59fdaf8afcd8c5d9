"""A recording's blocks through the path again, from the begin or from a checkpoint in the middle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pullwatch.annunciators.console import session_time
from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.errors import DamagedSession, SessionError
from pullwatch.recording.reader import Block, Session
from pullwatch.setup import Plan
from pullwatch.station import Path

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pullwatch.batch import Batch
    from pullwatch.watchdog.alarms import Change


def plan_of(session: Session) -> Plan:
    """Return the plan a recording was judged by. Raises SessionError when it holds none that can be read."""
    recorded = session.start.get("plan")
    if not isinstance(recorded, dict):
        raise SessionError(session.folder, "holds no setup, so it cannot be judged.", "It may be of another version.")
    return Plan.from_dict(recorded)


def reading_of(session: Session) -> list[str]:
    """Say by which reading of the bytes a session is judged, where it is not the first; every report says it."""
    made: Any = session.start.get("redecoded")
    if not isinstance(made, dict):
        return []
    changes = [str(each) for each in made.get("differences", [])]
    words = (
        f"READ AGAIN by {made.get('setup', 'another setup')}: the bytes are those of "
        f"{made.get('of', 'another session')}, where they stay as they were read then. "
        f"Otherwise than then: {'; '.join(changes) or 'nothing'}."
    )
    return [words]


@dataclass(slots=True)
class Replayed:
    """One step of a replay: the block as recorded, the batch and changes as computed from it now."""

    block: Block
    batch: Batch
    changes: list[Change]
    path: Path


class Again:
    """Puts blocks through the path. After a gap judging is taken up again from the checkpoint that stands there."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def take(self, block: Block) -> Replayed:
        """Judge one block. Raises DamagedSession where rules that were changed are lost."""
        if block.gap_before:
            before = self.path
            self.path = Path(before.plan)
            if block.checkpoint is not None:
                if block.checkpoint.state.get("reloads", 0) != before.reloads:
                    what = "its rules were changed in a part that is lost; what follows cannot be judged."
                    raise DamagedSession(f"the recording at {session_time(block.checkpoint.now)}", what)
                self.path.restore(block.checkpoint.state)
        batch, changes = self.path.take(block.now, block.records)
        return Replayed(block, batch, changes, self.path)


def replayed(plan: Plan, blocks: Iterable[Block], path: Path | None = None) -> Iterator[Replayed]:
    """Put blocks through a path of `plan`, or go on with `path`."""
    again = Again(path if path is not None else Path(plan))
    for block in blocks:
        yield again.take(block)


def resumed(session: Session, plan: Plan, t: int) -> tuple[Path, int]:
    """Return a path as it was at the last checkpoint at or before `t` (session ns), and the seq it goes on after.

    Without a checkpoint, or where the rules in force there cannot be told, it is a new one and goes on after -1.
    """
    checkpoint = session.checkpoint_before(t)
    if checkpoint is None:
        return Path(plan), -1
    before = Path(plan)
    acts = [record for record in session.bulk(ACTS_FEED, until=checkpoint.now).records() if record.kind is Kind.ACT]
    before.take(checkpoint.now, acts)  # only for the rules they bring
    if checkpoint.state.get("reloads", 0) != before.reloads:
        return Path(plan), -1
    path = Path(before.plan)
    path.restore(checkpoint.state)
    return path, checkpoint.seq


def split(block: Block, t: int) -> tuple[Block | None, Block | None]:
    """Cut a block in two at `t` (session ns): what lies before it, and what is at it or after.

    A record that has begun before `t` belongs whole to the first. Borders of blocks mean nothing to judging.
    """
    records = block.records
    first = [record for record in records if record.t < t]
    border = max(t - 1, first[-1].end if first else t - 1)
    if border >= block.now:
        return block, None
    if not first and t <= 0:
        return None, block
    before = Block(
        border,
        first,
        [change for change in block.changes if change.t <= border],
        block.seq,
        block.gap_before,
        block.checkpoint,
        list(block.events),
    )
    after = Block(
        block.now, records[len(first) :], [change for change in block.changes if change.t > border], block.seq
    )
    return before, after
