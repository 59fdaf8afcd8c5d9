"""The list of recorded sessions, for people."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pullwatch.clock import NS_PER_S
from pullwatch.recording.session import list_sessions

if TYPE_CHECKING:
    from pathlib import Path


def print_sessions(root: Path) -> None:
    """Print the sessions in `root`, the newest last: begin, car, length, size, alarms raised, whether it is whole."""
    sessions = list_sessions(root)
    if not sessions:
        print(f"No session in {root} yet. Record one with: pullwatch watch SETUP")
        return
    print(f"{'begin':<19}  {'car':<20}  {'length':>9}  {'size':>9}  {'alarms':>6}  state, folder")
    for one in sessions:
        begin = datetime.fromtimestamp(one.start / NS_PER_S, UTC).astimezone()
        minutes, seconds = divmod(one.length / NS_PER_S, 60)
        state = f"{one.status}{', partly in memory only' if one.in_memory else ''}"
        print(
            f"{begin:%Y-%m-%d %H:%M:%S}  {one.car:<20.20}  {int(minutes):>3} min {seconds:02.0f} s"
            f"  {one.size / 1e6:>6.1f} MB  {one.alarms:>6}  {state}: {one.folder.name}"
        )
