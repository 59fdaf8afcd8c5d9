"""Logs joined to a session: where each is, how its clock lies on ours, and its channels as `log.NAME` on our time.

A joined log is a session of its own, imported like any other, in a folder of its own. Beside the session it was joined
to stands nothing but a small file, `joined/NAME.json`: the session itself is not altered by a byte, and its origin and
the log's never mix. No rule can name such a channel, as a dot is in no channel's name, and nothing that watches reads
these files: a joined channel can raise no alarm.

The file: {"joined": 1, "session": the log's session (path from the sessions folder, or absolute), "tag": its tag,
"offset_ns", "rate", "middle_ns", "covariance": ((s², s), (s, 1)), "by": channel, "correlation", "points", "said"}.
`ours = offset + (1 + rate) * theirs`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.columns import Column
from pullwatch.errors import SessionError, nearest
from pullwatch.exchange.export_rows import Source, decoded
from pullwatch.recording.reader import Session
from pullwatch.replaying import plan_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.channels import Channel
    from pullwatch.columns import Columns
    from pullwatch.exchange.aligning import Alignment

FOLDER: Final = "joined"
PREFIX: Final = "log."
VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class Joined:
    """A log joined to a session: its own session, and how its clock lies on ours (see the module)."""

    file: Path
    session: Path
    tag: str
    offset_ns: int
    rate: float
    by: str
    said: tuple[str, ...]

    def ours(self, t: int) -> int:
        """Return our session time of a moment of the log's, both ns."""
        return self.offset_ns + t + round(self.rate * t)


def write(folder: Path, name: str, log: Session, found: Alignment, by: str, said: Sequence[str]) -> Path:
    """Write the file of a join. Raises SessionError if it cannot be written."""
    inside = log.folder.resolve().parent == folder.resolve().parent
    facts: dict[str, Any] = {
        "joined": VERSION,
        "session": log.folder.name if inside else str(log.folder.resolve()),
        "tag": log.start.get("recording", {}).get("session", ""),
        "offset_ns": round(found.offset * 1e9),
        "rate": found.rate,
        "middle_ns": round(found.middle * 1e9),
        "covariance": found.covariance,
        "by": by,
        "correlation": found.correlation,
        "points": found.points,
        "said": list(said),
    }
    path = folder / FOLDER / f"{name}.json"
    try:
        path.parent.mkdir(exist_ok=True)
        part = path.with_suffix(".part")
        part.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise SessionError(path, f"cannot be written: {error.strerror or error}.", "Make room for it.") from error
    return path


def joined_to(folder: Path) -> list[Joined]:
    """Return the logs joined to a session, by name. Raises SessionError for a file that cannot be understood."""
    return [_read(path, folder) for path in sorted((folder / FOLDER).glob("*.json"))]


def _read(path: Path, folder: Path) -> Joined:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        if said["joined"] != VERSION:
            raise ValueError(f"it is of version {said['joined']}")  # noqa: TRY301 - told as every other fault below
        named = Path(said["session"])
        return Joined(
            file=path,
            session=named if named.is_absolute() else folder.resolve().parent / named,
            tag=str(said["tag"]),
            offset_ns=int(said["offset_ns"]),
            rate=float(said["rate"]),
            by=str(said["by"]),
            said=tuple(map(str, said["said"])),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SessionError(path, f"cannot be understood: {error}.", "Join the log again: pullwatch join") from error


def joined_sources(session: Session, names: Sequence[str] = ()) -> list[Source]:
    """Return the channels of the logs joined to a session, on its time; `names` (without `log.`): those alone.

    Where two logs have the same channel, the first by name has it. Raises SessionError if there is no such log or
    channel any more.
    """
    found = joined_to(session.folder)
    if not found:
        what = "has no log joined to it."
        raise SessionError(session.folder, what, "Join one with: pullwatch join SESSION LOG")
    sources = []
    taken: set[str] = set()
    for one in found:
        log = Session(one.session)
        if log.start.get("recording", {}).get("session", "") != one.tag:
            raise SessionError(one.session, f"is not the session {one.file} means.", "Join the log again.")
        plan = plan_of(log)
        channels = [c for c in plan.channels if c.name not in taken and (not names or c.name in names)]
        taken |= {channel.name for channel in channels}
        sources.append(Source(channels, _on_our_time(one, decoded(log, plan)), prefix=PREFIX))
    for name in names:
        if name not in taken:
            known = {c.name for one in found for c in plan_of(Session(one.session)).channels}
            what = f'has no joined channel "{PREFIX}{name}"{nearest(name, known)}.'
            raise SessionError(session.folder, what)
    return sources


def _on_our_time(one: Joined, pieces: Iterator[tuple[int, Columns]]) -> Iterator[tuple[int, Columns]]:
    for now, columns in pieces:
        moved: Columns = {}
        for number, column in columns.items():
            t = column.t + one.offset_ns + np.rint(column.t * one.rate).astype(np.int64)
            keep = t >= 0
            if keep.any():
                moved[number] = Column(t[keep], column.v[keep], column.why[keep])
        yield one.ours(now), moved


def channel_columns(session: Session, names: Sequence[str]) -> dict[str, tuple[Channel, Column]]:
    """Return whole columns of those of the named channels that a session has."""
    plan = plan_of(session)
    wanted = {channel.number: channel for channel in plan.channels if channel.name in names}
    parts: dict[int, list[Column]] = {number: [] for number in wanted}
    for _, columns in decoded(session, plan):
        for number in wanted.keys() & columns.keys():
            parts[number].append(columns[number])
    return {
        channel.name: (
            channel,
            Column(
                np.concatenate([c.t for c in parts[number]]),
                np.concatenate([c.v for c in parts[number]]),
                np.concatenate([c.why for c in parts[number]]),
            ),
        )
        for number, channel in wanted.items()
        if parts[number]
    }
