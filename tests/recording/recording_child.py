"""A process that records until it is killed, and says in shared memory what it has given to the recorder."""

from __future__ import annotations

import mmap
import struct
import sys
import time
from pathlib import Path

from pullwatch.batch import Batch, Kind, Record
from pullwatch.clock import SessionClock
from pullwatch.recording.recorder import Recorder

EVERY_S = 0.002


def main(folder: Path, shared: Path) -> None:
    """Give a batch each 2 ms; after each, write its now to the first 8 bytes of `shared`."""
    with shared.open("r+b") as file:
        memory = mmap.mmap(file.fileno(), 8)
    clock = SessionClock()
    recorder = Recorder(folder, {"car": "x"}, {1: "ecu"}, ["lean under boost"], clock)
    due = time.monotonic()
    count = 0
    while True:
        now = clock.now()
        records = [Record(now - 20_000 + i * 1000, 1, Kind.DATA, struct.pack("<QQ", count, i)) for i in range(16)]
        recorder.take(Batch(now, records), [])
        if recorder.wants_checkpoint:
            recorder.checkpoint({"count": count})
        struct.pack_into("<q", memory, 0, now)
        count += 1
        due += EVERY_S
        # This is the pace of the data, not a wait for something to happen.
        time.sleep(max(0.0, due - time.monotonic()))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
