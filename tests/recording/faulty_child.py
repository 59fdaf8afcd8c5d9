"""A process that records a counted stretch and says how its recorder was: for faults put under it from outside."""

from __future__ import annotations

import json
import struct
import sys
import threading
from pathlib import Path

from pullwatch.batch import Batch, Kind, Record
from pullwatch.clock import SessionClock
from pullwatch.recording.recorder import Recorder
from pullwatch.watchdog.alarms import Change, Event, State

BATCHES = 150
PACE_S = 0.002


def main(folder: Path, fallback: Path) -> None:
    """Give batch after batch of four counted records, then close and print the recorder's health as JSON."""
    clock = SessionClock()
    recorder = Recorder(folder, {"car": "x"}, {1: "ecu"}, ["lean under boost"], clock, fallback)
    pace = threading.Event()
    for count in range(BATCHES):
        now = clock.now()
        records = [Record(now - 20_000 + i * 1000, 1, Kind.DATA, struct.pack("<QQ", count, i)) for i in range(4)]
        state = State.UNACKNOWLEDGED if count % 20 == 10 else State.NORMAL
        change = Change(now, 0, State.NORMAL, state, Event.RAISE, 0.9, 0.86)
        recorder.take(Batch(now, records), [change] if count % 10 == 0 else [])
        if recorder.wants_checkpoint:
            recorder.checkpoint({"count": count})
        pace.wait(PACE_S)  # the pace of the data, not a wait for something to happen
    recorder.close()
    health = recorder.health
    print(json.dumps({"dropped": health.dropped, "error": health.last_error, "in_memory": recorder.in_memory}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
