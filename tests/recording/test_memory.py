"""Memory does not grow with the length of what is followed; of what is read whole, only the index grows."""

from __future__ import annotations

import gc
import tracemalloc
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording import layout, reader
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Follower, Session

from .test_speed import Author

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

CHUNK = 128 * 1024
PER_S = 50


def long_session(folder: Path, seconds: int) -> int:
    """Write a session of about 100 kB a second; return its bytes."""
    author = Author(folder)
    step = NS_PER_S // PER_S
    for now in range(step, seconds * NS_PER_S + 1, step):
        if now % NS_PER_S == 0:
            author.add(Stream.CHECKPOINT, now - step, layout.encode_json({"alarms": {}, "raised": 0, "state": {}}))
        records = [Record(now - step + NS_PER_MS + i * 2000, 1, Kind.DATA, bytes(600)) for i in range(3)]
        author.records += len(records)
        author.add(Stream.FEED_0 + 1, now, layout.encode_records(records))
        author.commit(now)
    author.close(seconds * NS_PER_S)
    return (folder / "0001.mcap").stat().st_size


def peak(work: Callable[[], int], expected: int) -> int:
    """Return the most bytes that were in use during `work`, which returns how many records it saw."""
    work()  # whatever is made once is made
    gc.collect()
    tracemalloc.start()
    try:
        assert work() == expected
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def follow(folder: Path) -> int:
    """Follow a session from its beginning to its end, some KiB at a time; return how many records it has."""
    follower = Follower(folder)
    count = 0
    while follower.ended is None:
        count += sum(len(block.records) for block in follower.poll(CHUNK))
    return count


def replay(folder: Path) -> int:
    """Read a session block by block, as a replay does."""
    return sum(len(block.records) for block in Session(folder).blocks(join_ns=NS_PER_S))


@pytest.mark.parametrize("how", [follow, replay])
def test_memory_is_bounded(tmp_path: Path, how: Callable[[Path], int], monkeypatch: pytest.MonkeyPatch) -> None:
    """A session three times as long takes no more memory to follow; to read it, less than a tenth of what it grew."""
    monkeypatch.setattr(reader, "_CHUNK", CHUNK)
    monkeypatch.setattr(reader, "_WINDOW", CHUNK)
    monkeypatch.setattr(reader, "_BLOCKS_AT_ONCE", 64)
    sizes = [long_session(tmp_path / str(seconds), seconds) for seconds in (10, 30)]
    short, long = (peak(lambda s=s: how(tmp_path / str(s)), 3 * PER_S * s) for s in (10, 30))  # type: ignore[misc]
    print(f"{how.__name__}: {sizes[0] >> 10} KiB take {short >> 10} KiB, {sizes[1] >> 10} KiB take {long >> 10} KiB")
    grown = sizes[1] - sizes[0]
    assert grown > 1_500_000
    assert long - short < (0.01 if how is follow else 0.1) * grown


def test_a_port_of_rubbish_does_not_fill_a_follower(tmp_path: Path) -> None:
    """Behind a stretch that holds no frame, however long, a follower keeps no more than a frame may be long."""
    long_session(tmp_path / "a", 1)
    part = tmp_path / "a" / "0001.mcap"
    raw = part.read_bytes()
    rubbish = layout.MAGIC * 1000 + bytes(24 << 20)
    middle = list(layout.walk(raw))[20].end
    part.write_bytes(raw[:middle] + rubbish + raw[middle:])
    follower = Follower(tmp_path / "a")
    most = 0
    while follower.ended is None:
        follower.poll(4 << 20)
        most = max(most, len(follower._buffer))
    assert most <= layout.MOST_PAYLOAD + layout.HEADER.size
    assert follower.ended.status == "stopped"
