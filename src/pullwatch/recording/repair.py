"""Repair: what is good of a damaged or cut session, written as a clean one beside it. The original is never touched."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Framed, Stream
from pullwatch.recording.parts import FILES, Files, Part
from pullwatch.recording.reader import Session
from pullwatch.recording.session import end_of, parts_in
from pullwatch.recording.store import words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_AT_ONCE: Final = 4 * 1024 * 1024
_PART: Final = 1024 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class RepairReport:
    """What a repair found: the clean session (None: there was nothing to do), judged up to `until` (session ns).

    `kept` and `left_out` count frames, `gaps` what is missing in the middle, each in words.
    """

    source: Path
    written: Path | None
    until: int
    kept: int
    left_out: int
    gaps: tuple[str, ...]
    reason: str

    def __str__(self) -> str:
        if self.written is None:
            return f"{self.source} is whole: there is nothing to repair."
        lines = [
            f"{self.source}: {self.reason}",
            f"Everything judged up to {self.until / NS_PER_S:.3f} s is in {self.written}, as it was recorded.",
        ]
        if self.left_out:
            lines.append(f"{self.left_out} frames behind the last commit were never judged and are left out.")
        if self.gaps:
            lines.append("Missing in between, and still missing:")
            lines += [f"  {gap}" for gap in self.gaps]
        lines.append(f"{self.source.name} itself is as it was.")
        return "\n".join(lines)


def repair(folder: Path, into: Path | None = None, *, files: Files = FILES) -> RepairReport:
    """Write what is good of `folder` as a clean session into `into` (`<name>_repaired` beside it if not given).

    Every frame up to the last commit is copied as it is, so no sample is altered and none is invented; a stop record
    says that it was repaired. Raises NotASession, DamagedSession (nothing can be read), and SessionError if the session
    is being recorded or the new folder cannot be written.
    """
    session = Session(folder)
    ending = session.ending
    if ending.status == "being recorded":
        raise SessionError(folder, "is being recorded.", "Stop the watching process first.")
    gaps = tuple(str(gap) for gap in session.gaps)
    if ending.status == "stopped" and not session.check():
        return RepairReport(folder, None, ending.at_ns, session.total, 0, gaps, ending.reason)
    target = into if into is not None else _beside(folder)
    if parts_in(target):
        raise SessionError(target, "holds a recording already.", "Name a new folder.")
    try:
        target.mkdir(parents=True, exist_ok=True)
        kept = _copy(session, target, files)
    except OSError as error:
        raise SessionError(
            target, f"cannot be written: {words(error)}.", "Make room, or name another place."
        ) from error
    return RepairReport(folder, target, ending.at_ns, kept, session.total - kept, gaps, ending.reason)


def _beside(folder: Path) -> Path:
    for count in range(1, 1000):
        target = folder.with_name(f"{folder.name}_repaired" if count == 1 else f"{folder.name}_repaired-{count}")
        if not target.exists():
            return target
    raise SessionError(folder, "has been repaired a thousand times.", "Name a folder for it.")


def _copy(session: Session, target: Path, files: Files) -> int:
    """Copy every good frame into parts of their own; return how many.

    Parts get their names when all of them are on the disk, one after the other: if the power goes before, there is no
    session, and if it goes between, there is the beginning of one. Raises OSError; nothing of the copy is left then.
    """
    arriving: list[Path] = []
    try:
        kept = _write(session, target, files, arriving)
        for path in arriving:
            files.rename(path, path.with_suffix(""))
            files.sync_folder(target)
        files.sync_folder(target.parent)
    except OSError:
        for path in arriving:
            for name in (path, path.with_suffix("")):
                with suppress(OSError):
                    files.remove(name)
        raise
    return kept


def _write(session: Session, target: Path, files: Files, arriving: list[Path]) -> int:
    kept = number = 0
    start: Framed | None = None
    feeds = session.feeds or {session.highest_feed: "not named"}
    frames = _with_stop(session)
    ahead: Framed | None = next(frames)
    while ahead is not None:
        number += 1
        part = Part(target / f"{number:04}.mcap.arriving", feeds, files)
        arriving.append(part.path)
        try:
            if ahead.channel == Stream.START:
                start = ahead
            if start is not None:
                part.put((start,) if ahead is start else (start, start))
            while ahead is not None and part.size < _PART:
                waiting: list[Framed] = []
                size = 0
                while ahead is not None and size < _AT_ONCE:
                    waiting.append(ahead)
                    size += len(ahead.data)
                    ahead = next(frames, None)
                part.put(waiting)
                kept += len(waiting)
            part.finish()
        finally:
            part.close()
            while not part.join(1.0):
                pass
        if part.failure is not None:
            raise part.failure
    return kept if session.ending.stop is not None else kept - 1


def _with_stop(session: Session) -> Iterator[Framed]:
    """Yield the good frames, and a stop frame behind them if they have none."""
    seq = now = -1
    for frame in session.frames():
        yield frame
        seq, now = frame.seq, frame.now
    ending = session.ending
    if ending.stop is None:
        end = end_of(session.folder)
        said = {
            "status": "repaired",
            "reason": f"{ending.status}: {ending.reason}",
            "records": session.recorded,
            "synced": seq,
            "dropped": session.dropped,
            "raised": end.raised,
            "alarms": {one.rule: {"state": int(one.state), "since": one.since} for one in end.standing},
        }
        data = layout.encode(Stream.STOP, session.tag, seq + 1, max(0, now), now, layout.encode_json(said))
        yield Framed(seq + 1, Stream.STOP, max(0, now), now, data)
