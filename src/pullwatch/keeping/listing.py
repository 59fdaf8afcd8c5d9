"""The list of recorded sessions, for people."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pullwatch.clock import NS_PER_S
from pullwatch.keeping.shelf import found, notes, place_words, protection
from pullwatch.recording.session import list_sessions

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.recording.session import SessionInfo


def print_sessions(root: Path) -> None:
    """Print the sessions in `root`, the newest last, what they take on the disk, and what is left of it."""
    sessions = list_sessions(root)
    if not sessions:
        print(f"No session in {root} yet. Record one with: pullwatch watch SETUP")
        return
    print(f"{'begin':<19}  {'car':<20}  {'length':>12}  {'size':>9}  {'alarms':>6}  state: folder")
    for one in sessions:
        print(line(one))
        for more in beside(one.folder):
            print(f"{'':<21}{more}")
    free = shutil.disk_usage(root).free
    print(f"{len(sessions)} sessions, {sum(one.size for one in sessions) / 1e6:,.1f} MB; {free / 1e9:,.1f} GB free.")


def print_found(root: Path, text: str) -> None:
    """Print the sessions in which a text occurs, and where."""
    hits = found(root, text)
    if not hits:
        print(f'"{text}" stands in no session in {root}: not in a name, car, note, mark or alarm.')
    for one, where in hits:
        print(line(one))
        for more in where:
            print(f"{'':<21}{more}")


def line(one: SessionInfo) -> str:
    """Return a session as one line: begin, car, length, size, alarms raised, whether it is whole, where else it is."""
    begin = datetime.fromtimestamp(one.start / NS_PER_S, UTC).astimezone()
    minutes, seconds = divmod(one.length / NS_PER_S, 60)
    imported = f", imported from {one.imported}" if one.imported else ""
    state = (
        f"{one.status}{imported}{', packed' if one.packed else ''}{', partly in memory only' if one.in_memory else ''}"
    )
    return (
        f"{begin:%Y-%m-%d %H:%M:%S}  {one.car:<20.20}  {int(minutes):>3} min {seconds:02.0f} s"
        f"  {one.size / 1e6:>6.1f} MB  {one.alarms:>6}  {state}, {place_words(one.folder)}: {one.folder.name}"
    )


def beside(folder: Path) -> list[str]:
    """Return what stands beside a session, in lines: protection, notes."""
    why = protection(folder)
    lines = [] if why is None else [f"protected{': ' + why if why else ''}"]
    return lines + [f"note: {note.text} ({note.who})" for note in notes(folder)]
