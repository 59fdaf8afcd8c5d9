"""How fast recording and reading are, against the figures the project holds itself to."""

from __future__ import annotations

import hashlib
import time
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording import layout
from pullwatch.recording.layout import Commit, Framed, Stream
from pullwatch.recording.parts import FILES, Part
from pullwatch.recording.reader import Session
from pullwatch.recording.session import standing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from .sessions import Desk

HOUR_S = 3600
PER_S = 50


class Author:
    """Writes a session of any length at once, without waiting for its time to pass."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.feeds = {0: "acts", 1: "ecu", 2: "wideband"}
        self.part = Part(folder / "0001.mcap", self.feeds, FILES, durable=False)
        self.seq = self.records = 0
        self.frames: list[Framed] = []
        self.chain = hashlib.sha256()
        ours: dict[str, Any] = {
            "feeds": {str(number): name for number, name in self.feeds.items()},
            "pair": {"t": 0, "wall": 0, "uncertainty": 0},
        }
        self.add(Stream.START, -1, layout.encode_json({"recording": ours}))
        self.part.put(self.frames)

    def add(self, channel: int, now: int, payload: bytes) -> None:
        """Add a frame."""
        data = layout.encode(channel, 1, self.seq, now, now, payload)
        self.frames.append(Framed(self.seq, channel, now, now, data))
        self.chain.update(data)
        self.seq += 1
        if len(self.frames) > 2000:
            self.part.put(self.frames)
            self.frames = []

    def commit(self, now: int) -> None:
        """Add a commit."""
        chain, self.chain = self.chain.digest()[:16], hashlib.sha256()
        self.add(Stream.COMMIT, now, layout.encode_commit(Commit(self.records, self.seq - 1, chain)))

    def close(self, now: int) -> None:
        """Add the stop record and finish."""
        said = {"status": "stopped", "reason": "", "records": self.records, "synced": self.seq - 1, "dropped": 0}
        self.add(Stream.STOP, now, layout.encode_json({**said, "raised": 0, "alarms": {}}))
        self.part.put(self.frames)
        self.part.finish()
        self.part.close()


@pytest.mark.long
def test_an_hour_opens_in_three_seconds(tmp_path: Path) -> None:
    """A session of one hour and about 100 MB is opened in 3 s, and what stood at its end is found in 50 ms."""
    author = Author(tmp_path / "session")
    step = NS_PER_S // PER_S
    for now in range(step, HOUR_S * NS_PER_S + 1, step):
        if now % NS_PER_S == 0:
            author.add(Stream.CHECKPOINT, now - step, layout.encode_json({"alarms": {}, "raised": 0, "state": {}}))
        for feed in (1, 2):
            records = [Record(now - step + feed * NS_PER_MS + i * 1000, feed, Kind.DATA, bytes(40)) for i in range(3)]
            author.records += len(records)
            author.add(Stream.FEED_0 + feed, now, layout.encode_records(records))
        author.commit(now)
    author.close(HOUR_S * NS_PER_S)
    size = (tmp_path / "session" / "0001.mcap").stat().st_size
    assert 90e6 < size < 130e6
    began = time.process_time()
    session = Session(tmp_path / "session")
    opened = time.process_time() - began
    assert session.ending.status == "stopped"
    assert session.notes == []
    assert len(session.bulk(1)) == len(session.bulk(2)) == 3 * HOUR_S * PER_S
    print(f"{size / 1e6:.0f} MB opened in {opened:.2f} s")
    assert opened <= 3.0
    began = time.process_time()
    standing(tmp_path / "session")
    assert time.process_time() - began <= 0.05


def test_what_a_flush_costs(desk: Callable[..., Desk], benchmark: Any) -> None:
    """The benchmark of five batches taken and written (run with --benchmark-enable)."""
    one = desk()

    def flush() -> None:
        for _ in range(5):
            one.pass_ms(2)
            one.take(16, 25)
        one.recorder.step()

    benchmark(flush)
    assert one.records
