"""Following a session that grows."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pullwatch.batch import Batch
from pullwatch.clock import NS_PER_MS, SessionClock
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.recorder import Recorder
from pullwatch.recording.session import hold
from pullwatch.recording.store import Limits

from .sessions import (
    FEEDS,
    OPEN,
    RULES,
    Desk,
    Disk,
    HandClock,
    Stepped,
    change,
    read,
    records_of,
    some_records,
    wait_for,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

    from pullwatch.recording.blocks import Block


def drain(follower: Follower) -> list[Block]:
    """Poll until there is nothing new."""
    found: list[Block] = []
    while blocks := follower.poll():
        found += blocks
    return found


def test_each_block_comes_once_as_it_is_written(desk: Callable[..., Desk]) -> None:
    """A follower gives each block after its commit is written, none before, none twice."""
    one = desk()
    follower = Follower(one.folder)
    assert follower.poll() == []
    assert follower.start is not None
    assert follower.start["setup"] == "as resolved"
    seen = 0
    for _ in range(30):
        one.pass_ms(10)
        one.take()
        assert follower.poll() == []
        one.recorder.step()
        blocks = follower.poll()
        assert records_of(blocks) == one.records[seen:]
        assert follower.now == one.now
        seen = len(one.records)
        assert follower.poll() == []
    assert follower.ended is None
    one.recorder.close("stopped", "over")
    assert follower.poll() == []
    assert follower.ended is not None
    assert (follower.ended.status, follower.ended.reason) == ("stopped", "stopped: over")


def test_a_follower_on_the_live_recorder_misses_nothing(folder: Path) -> None:
    """Beside the running threads a follower gets everything, in order, while it is being recorded."""
    disk = Disk(folder)
    clock = SessionClock()
    recorder = Recorder(folder, {}, FEEDS, RULES, clock, files=disk, limits=Limits(part=60_000))
    follower = Follower(folder)
    given_, followed = [], []
    for count in range(300):
        now = clock.now()
        records = some_records(now, 5, 60, (1, 2))
        given_ += records
        recorder.take(Batch(now, records), [change(now)] if count % 10 == 0 else [])
        if recorder.wants_checkpoint:
            recorder.checkpoint({"count": count})
        followed += follower.poll()
        if count % 10 == 0:
            wait_for(lambda: recorder._committed_now == recorder._now, disk.wrote)
    recorder.close()
    followed += drain(follower)
    assert records_of(followed) == given_
    assert not any(block.gap_before for block in followed)
    assert len(Session(folder).parts) > 1
    assert follower.ended is not None
    assert follower.ended.status == "stopped"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=20)
@given(st.lists(st.integers(20, 3000), min_size=1), st.data())
def test_a_file_that_grows_by_any_pieces(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[int], data: st.DataObject
) -> None:
    """However the bytes arrive, what a follower has given at any time is exactly what is committed by then."""
    root = tmp_path_factory.mktemp("pieces")
    clock, steady = HandClock(), [0]
    limits = Limits(flush=OPEN.flush, part=data.draw(st.sampled_from([6_000, 10_000_000])))
    recorder = Stepped(root / "a", {}, FEEDS, RULES, clock, limits=limits, steady=lambda: steady[0])
    one = Desk(root / "a", clock, steady, recorder)
    one.run(20, count=2, size=15)
    recorder.close()
    whole = read(one.folder)
    copy = root / "b"
    copy.mkdir()
    lock = hold(copy)
    follower = Follower(copy)
    followed: list[Block] = []
    try:
        for part in Session(one.folder).parts:
            raw = part.read_bytes()
            at = turn = 0
            with (copy / part.name).open("ab", buffering=0) as file:
                while at < len(raw):
                    file.write(raw[at : at + pieces[turn % len(pieces)]])
                    at += pieces[turn % len(pieces)]
                    turn += 1
                    followed += follower.poll()
            commits = {frame.seq for frame in layout.walk(raw) if frame.channel == Stream.COMMIT}
            assert followed[-1].seq == max(commits)
    finally:
        _close(lock)
    assert [block.seq for block in followed] == [block.seq for block in whole]
    assert records_of(followed) == one.records
    assert follower.ended is not None
    assert follower.ended.status == "stopped"


def _close(lock: int | None) -> None:
    assert lock is not None
    os.close(lock)


def test_a_recorder_that_is_gone_is_an_end(desk: Callable[..., Desk]) -> None:
    """When nobody holds the folder any more and no stop record came, the session was cut."""
    one = desk()
    one.run(5)
    raw = (one.folder / "0001.mcap").read_bytes()
    one.recorder.close()
    (one.folder / "0001.mcap").write_bytes(raw[:-10])
    follower = Follower(one.folder)
    blocks = drain(follower)
    assert follower.ended is not None
    assert follower.ended.status == "cut"
    assert "0001.mcap, byte" in follower.ended.reason
    assert follower.ended.at_ns == blocks[-1].now
    assert follower.poll() == []


def test_a_cursor_goes_on_where_it_stood(desk: Callable[..., Desk]) -> None:
    """A follower that begins after a commit gives what came later, once."""
    one = desk()
    one.run(10)
    first = Follower(one.folder)
    drain(first)
    seen = len(one.records)
    one.run(10)
    second = Follower(one.folder, after=first.seq)
    assert records_of(drain(second)) == one.records[seen:]


def test_beginning_near_the_end_is_said_to_be_a_gap(desk: Callable[..., Desk]) -> None:
    """A follower that begins some bytes before the end gives whole blocks, the first flagged as following a gap."""
    one = desk()
    one.run(50)
    follower = Follower(one.folder, back=3_000)
    blocks = drain(follower)
    records = records_of(blocks)
    assert 0 < len(records) < len(one.records)
    assert records == one.records[-len(records) :]
    assert [block.gap_before for block in blocks] == [True] + [False] * (len(blocks) - 1)
    one.run(1)
    assert records_of(drain(follower)) == one.records[-4:]
    assert not drain(Follower(one.folder, back=10_000_000))[0].gap_before


def test_polls_are_bounded(desk: Callable[..., Desk]) -> None:
    """A follower far behind gets its blocks some bytes at a time."""
    one = desk()
    one.run(60)
    follower = Follower(one.folder)
    sizes = []
    while blocks := follower.poll(2_000):
        sizes.append(len(blocks))
    assert sum(sizes) == len(read(one.folder))
    assert max(sizes) < 10


def test_damage_in_the_middle_is_flagged(desk: Callable[..., Desk]) -> None:
    """A follower that meets a damaged frame goes on behind it and flags the block."""
    one = desk()
    one.run(20)
    part = one.folder / "0001.mcap"
    raw = bytearray(part.read_bytes())
    frame = [found for found in layout.walk(bytes(raw)) if found.channel == Stream.FEED_0 + 1][7]
    raw[frame.end - 1] ^= 1
    with part.open("rb+") as file:
        file.write(raw)
    blocks = drain(Follower(one.folder))
    assert [block.seq for block in blocks if block.gap_before] == [min(b.seq for b in blocks if b.seq > frame.seq)]
    assert len(records_of(blocks)) == len(one.records) - 2


def test_age_is_the_time_since_the_path_judged_last(folder: Path) -> None:
    """The age of the last commit is known on the same start of the machine, and on no other."""
    disk = Disk(folder)
    clock = SessionClock()
    recorder = Recorder(folder, {}, FEEDS, RULES, clock, files=disk)
    follower = Follower(folder)
    assert follower.age_ns() is None
    now = clock.now()
    recorder.take(Batch(now, some_records(now, 1, 1, (1,))), [])
    wait_for(lambda: recorder._committed_now == now, disk.wrote)
    follower.poll()
    before = clock.now() - now
    age = follower.age_ns()
    assert age is not None
    assert before <= age <= clock.now() - now
    assert age < 10_000 * NS_PER_MS
    assert follower.start is not None
    follower.start["recording"]["boot_id"] = "another"
    assert follower.age_ns() is None
    recorder.close()


def test_what_is_torn_in_a_part_is_read_in_the_next(desk: Callable[..., Desk]) -> None:
    """Holes that a power cut left at the end of a part that was given up are filled from the part that repeats it."""
    one = desk(limits=Limits(flush=OPEN.flush, sync=OPEN.flush, stall=OPEN.flush, part=9_000))
    one.run(20)
    one.synced()
    one.run(40)
    one.recorder.close()
    first, second = sorted(one.folder.iterdir())[:2]
    raw = first.read_bytes()
    again = next(frame for frame in layout.walk(second.read_bytes()) if frame.channel != Stream.START).seq
    torn = [frame for frame in layout.walk(raw) if frame.seq >= again]
    assert len(torn) > 6
    for hole in (torn[1], torn[len(torn) // 2]):
        first.write_bytes(raw[: hole.offset] + bytes(hole.end - hole.offset) + raw[hole.end :])
        blocks = drain(Follower(one.folder))
        assert records_of(blocks) == one.records
        assert not any(block.gap_before for block in blocks)
    first.write_bytes(raw)


def test_a_part_whose_start_is_damaged_is_followed_too(desk: Callable[..., Desk]) -> None:
    """Of a dead session a later part is read by its frames, though both its start records are gone."""
    one = desk(limits=Limits(flush=OPEN.flush, sync=OPEN.flush, stall=OPEN.flush, part=9_000))
    one.run(60)
    one.recorder.close()
    second = sorted(one.folder.iterdir())[1]
    raw = bytearray(second.read_bytes())
    for frame in list(layout.walk(bytes(raw)))[:2]:
        raw[frame.end - 1] ^= 1
    second.write_bytes(raw)
    assert records_of(drain(Follower(one.folder))) == one.records


def test_a_dead_session_without_a_start_ends(desk: Callable[..., Desk]) -> None:
    """A follower does not wait for ever for a start record that nobody will write."""
    one = desk()
    part = one.folder / "0001.mcap"
    raw = part.read_bytes()
    one.recorder.close()
    part.write_bytes(raw[:100])
    follower = Follower(one.folder)
    assert follower.poll() == []
    assert follower.ended is not None
    assert follower.ended.status == "damaged"
