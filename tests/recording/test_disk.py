"""Disks that are full, broken, stuck: a new part, never a lost sample."""

from __future__ import annotations

import errno
import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Batch
from pullwatch.clock import NS_PER_MS, SessionClock
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.recorder import Recorder
from pullwatch.recording.session import bring_home, info, parts_in
from pullwatch.recording.store import Limits

from .sessions import DEADLINE_S, FEEDS, RULES, Desk, Disk, change, changes_of, records_of, some_records, wait_for

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


def begins_well(part: Path) -> bool:
    """Whether a later part begins with the start record, twice, and then a checkpoint."""
    buffer = part.read_bytes()
    return [frame.channel for frame in layout.walk(buffer)][:3] == [Stream.START, Stream.START, Stream.CHECKPOINT]


def nothing_is_missing(one: Desk) -> Session:
    """Check that all that was given is read once, live and afterwards, and return the session."""
    session = Session(one.folder)
    blocks = list(session.blocks())
    assert records_of(blocks) == one.records
    assert [found.change for found in changes_of(blocks)] == one.changes
    assert session.gaps == []
    assert not any(block.gap_before for block in blocks)
    followed = list(Follower(one.folder).poll())
    follower = Follower(one.folder)
    followed = []
    while follower.ended is None:
        followed += follower.poll()
    assert records_of(followed) == one.records
    assert not any(block.gap_before for block in followed)
    return session


def told(session: Session, event: str = "next part") -> list[str]:
    """Return what was said of an event."""
    return [said["says"] for _, said in session.events() if said["event"] == event]


@pytest.fixture
def disk(folder: Path) -> Iterator[Disk]:
    """Give a disk that works until it is told not to; it works again when the test is over."""
    made = Disk(folder)
    yield made
    made.gate.set()


@pytest.fixture
def one(desk: Callable[..., Desk], disk: Disk, tmp_path: Path) -> Desk:
    """Give a recorder on that disk, with a fallback in memory, that has run for 0.3 s and synced."""
    made = desk(files=disk, fallback=tmp_path / "memory")
    made.run(30)
    made.synced()
    return made


@pytest.mark.parametrize("torn", [0, 1, 100, 400])
def test_a_full_disk_frees_the_reserve(desk: Callable[..., Desk], disk: Disk, tmp_path: Path, torn: int) -> None:
    """When the disk is full, after any number of bytes of a write, the reserve is freed for the next part."""
    disk.reserved = 1e6
    one = desk(files=disk, fallback=tmp_path / "memory")
    for helper in one.recorder._store._helpers:
        helper.join(DEADLINE_S)
    one.run(30)
    one.synced()
    disk.room = torn
    one.run(30)
    one.recorder.close()
    session = nothing_is_missing(one)
    assert [path.parent for path in session.parts] == [one.folder] * 2
    assert begins_well(session.parts[1])
    assert "ENOSPC" in told(session)[0]
    assert "the reserve is freed" in told(session)[0]
    assert session.whole


def test_a_full_disk_frees_the_reserve_for_a_new_part_too(desk: Callable[..., Desk], disk: Disk) -> None:
    """When it is the beginning of the next part that finds no room, the reserve is freed as well."""
    disk.reserved = 1e6
    one = desk(files=disk, limits=Limits(flush=3_600_000 * NS_PER_MS, part=15_000))
    for helper in one.recorder._store._helpers:
        helper.join(DEADLINE_S)
    part = one.recorder._store._part
    while one.recorder._store._part is part and part is not None and part.size <= 15_000:
        one.run(1)
        one.synced()
    disk.room = 100
    one.run(5)
    one.recorder.close()
    session = nothing_is_missing(one)
    assert "has grown to" in told(session)[0]
    assert "the reserve is freed" in told(session)[0]


def test_closing_tries_once_more(desk: Callable[..., Desk], disk: Disk) -> None:
    """A disk that took nothing is tried once more for the end of the session."""
    one = desk(files=disk)
    one.run(10)
    disk.write_error = errno.EIO
    one.run(10)
    assert one.recorder.in_memory
    disk.write_error = None
    one.recorder.close("stopped", "at last")
    assert nothing_is_missing(one).ending.reason == "stopped: at last"


def test_a_last_sync_that_fails_is_not_silent(one: Desk, disk: Disk, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the sync behind the stop record fails, all since the last good sync goes to memory, and it is told."""
    store = one.recorder._store
    settle = store.settle

    def settled(seq: int) -> None:
        settle(seq)
        disk.sync_error = errno.EIO

    monkeypatch.setattr(store, "settle", settled)
    one.run(3)
    one.recorder.close()
    assert "EIO" in one.recorder.health.last_error
    assert one.recorder.in_memory
    session = nothing_is_missing(one)
    assert session.whole
    assert [path.parent == one.folder for path in session.parts] == [True, False]
    # Whatever the failed sync left of it at home.
    first = one.folder / "0001.mcap"
    first.write_bytes(first.read_bytes()[:-3_000])
    assert nothing_is_missing(one).ending.status == "stopped"


def test_a_disk_full_for_good_goes_on_in_memory(one: Desk, disk: Disk) -> None:
    """With no reserve left the session goes on in the fallback folder, and is told to stand in memory."""
    disk.room = 10
    one.run(30, changes=[])
    assert one.recorder.in_memory
    assert "0002.mcap" in told(Session(one.folder))[0]
    one.recorder.close()
    session = nothing_is_missing(one)
    assert [path.parent.parent.name for path in session.parts] == [one.folder.parent.name, "memory"]
    assert "a power cut would lose it" in told(session)[0]
    assert info(one.folder).in_memory
    assert bring_home(one.folder) == [one.folder / "0002.mcap"]
    assert parts_in(session.parts[1].parent) == []
    nothing_is_missing(one)
    assert not info(one.folder).in_memory


@pytest.mark.parametrize("what", ["write", "sync"])
def test_a_broken_disk_goes_on_in_memory(one: Desk, disk: Disk, what: str) -> None:
    """EIO of a write or of a sync begins the next part in memory with everything since the last good sync."""
    if what == "write":
        disk.write_error = errno.EIO
    else:
        disk.sync_error = errno.EIO
        one.run(1)
        wait_for(
            lambda: one.recorder._store._part is not None and one.recorder._store._part.failure is not None, disk.wrote
        )
        disk.create_error = errno.EIO
    one.run(30)
    assert one.recorder.in_memory
    assert "EIO" in one.recorder.health.last_error
    one.recorder.close()
    session = nothing_is_missing(one)
    assert begins_well(session.parts[1])
    assert "EIO" in told(session)[0]
    first = list(layout.walk(session.parts[0].read_bytes()))[-1].seq
    again = [frame.seq for frame in layout.walk(session.parts[1].read_bytes())][2]
    assert again < first, "the next part goes back to the newest checkpoint known to be on the disk"


def test_a_failed_sync_is_never_tried_again(one: Desk, disk: Disk) -> None:
    """After a failed sync its part is left alone, though the next sync would be called good."""
    disk.sync_error = errno.EIO
    one.run(1)
    part = one.recorder._store._part
    assert part is not None
    wait_for(lambda: part.failure is not None, disk.wrote)
    synced = one.recorder._store.synced
    disk.sync_error = None
    one.run(5)
    assert part.join(DEADLINE_S)
    assert part.synced == synced
    one.recorder.close()
    nothing_is_missing(one)


def test_a_stuck_sync_costs_a_part_and_no_time(one: Desk, disk: Disk) -> None:
    """When a sync takes over a second the next part goes to memory, and home again when the disk takes writes."""
    disk.gate.clear()
    disk.syncing.clear()
    one.run(1)
    assert disk.syncing.wait(DEADLINE_S)
    assert one.recorder.sync_lag_ns == 10 * NS_PER_MS
    one.run(99)
    assert not one.recorder.in_memory
    one.run(5)
    assert one.recorder.in_memory
    assert one.recorder.sync_lag_ns > 1_000 * NS_PER_MS  # memory does not count as disk
    one.run(200)
    disk.gate.set()
    wait_for(lambda: one.recorder._store._home_takes_writes, disk.synced)
    one.run(5)
    assert not one.recorder.in_memory
    one.recorder.close()
    session = nothing_is_missing(one)
    # What stood in memory meanwhile is at home too, so its part there is gone.
    assert [path.name for path in session.parts] == ["0001.mcap", "0003.mcap"]
    assert {path.parent for path in session.parts} == {one.folder}
    assert "longer than 1 s" in told(session)[0]
    assert "takes writes again" in told(session)[1]
    assert told(session, "sync lag")


def test_a_disk_that_keeps_failing_is_tried_less_and_less(one: Desk, disk: Disk) -> None:
    """A disk that fails each time it is tried is tried after 0.5, 1, 2 ... s, and costs no sample."""
    disk.write_error = errno.EIO
    one.run(1)
    store = one.recorder._store
    waits = []
    for _ in range(4):
        waits.append(store._retry_at - one.steady[0])
        one.pass_ms(waits[-1] / NS_PER_MS)
        one.run(1, ms=0.001)
        for helper in store._helpers:
            helper.join(DEADLINE_S)
    assert [round(wait / 5e8) for wait in waits] == [1, 2, 4, 8]
    one.recorder.close()
    nothing_is_missing(one)


@pytest.mark.parametrize("fault", [errno.EIO, errno.ENOSPC])
def test_with_no_fallback_the_next_part_is_beside_the_first(desk: Callable[..., Desk], disk: Disk, fault: int) -> None:
    """Without a fallback the session waits in memory until the folder takes a new part, and loses nothing."""
    one = desk(files=disk)
    one.run(30)
    one.synced()
    disk.write_error = fault
    one.run(200)
    assert one.recorder.in_memory
    disk.write_error = None
    for _ in range(30):
        one.run(10)
        for helper in one.recorder._store._helpers:  # what tries the disk is a thread of its own
            helper.join(DEADLINE_S)
    assert not one.recorder.in_memory
    one.recorder.close()
    session = nothing_is_missing(one)
    assert {path.parent for path in session.parts} == {one.folder}
    assert len(session.parts) == 2


def test_a_disk_gone_for_too_long_costs_what_it_must_and_says_so(desk: Callable[..., Desk], disk: Disk) -> None:
    """When more waits than memory may hold, the oldest readings are lost, counted, and read as a gap.

    No checkpoint comes meanwhile, so there is no stretch that could be left out as a whole. Changes are lost last.
    """
    one = desk(files=disk, limits=Limits(flush=3_600_000 * NS_PER_MS, retained=180_000))
    one.run(30)
    one.synced()
    disk.write_error = errno.EIO
    for step in range(300):
        one.run(1, checkpoint_each=1000, changes=[change(one.now + 1)] if step % 50 == 7 else [])
    store = one.recorder._store
    assert store._retained_bytes <= 180_000
    disk.write_error = None
    one.run(400)
    one.synced()
    one.run(10)
    one.recorder.close()
    session = Session(one.folder)
    assert session.gaps
    assert told(session, "frames lost")
    blocks = list(session.blocks())
    kept = records_of(blocks)
    assert 0 < len(kept) < len(one.records)
    assert set(kept) < set(one.records)
    assert [found.change for found in session.changes()] == one.changes
    again = [block for block in blocks if block.gap_before]
    assert again
    assert all(block.checkpoint is not None for block in again)
    assert not session.whole


def test_a_disk_that_fails_at_once_is_no_reason_not_to_record(
    desk: Callable[..., Desk], disk: Disk, tmp_path: Path
) -> None:
    """If the folder takes nothing from the beginning, the session begins in memory."""
    disk.create_error = errno.EROFS
    one = desk(files=disk, fallback=tmp_path / "memory")
    one.run(20)
    assert one.recorder.in_memory
    one.recorder.close()
    session = Session(tmp_path / "memory" / one.folder.name)
    assert records_of(list(session.blocks())) == one.records


def test_large_sessions_are_cut_into_parts(desk: Callable[..., Desk]) -> None:
    """A part that is full is finished, and the next begins with a checkpoint; the doubles are read once."""
    one = desk(limits=Limits(flush=3_600_000 * NS_PER_MS, part=20_000))
    one.run(200)
    one.recorder.close()
    session = nothing_is_missing(one)
    assert len(session.parts) > 3
    assert session.check() == []


def test_doubles_fill_what_is_torn_in_the_part_before(one: Desk, disk: Disk) -> None:
    """Whatever a failed part looks like behind its last synced checkpoint, the next part holds it again, whole."""
    disk.sync_error = errno.EIO
    one.run(1)
    part = one.recorder._store._part
    assert part is not None
    wait_for(lambda: part.failure is not None, disk.wrote)
    one.run(20)
    one.recorder.close()
    first = one.folder / "0001.mcap"
    raw = first.read_bytes()
    checkpoint = [frame for frame in layout.walk(raw) if frame.channel == Stream.CHECKPOINT][-1]
    for end in range(checkpoint.offset, len(raw), 9):
        first.write_bytes(raw[:end] + bytes((len(raw) - end) // 2))  # cut off or zeroed, as a power cut leaves it
        nothing_is_missing(one)


def test_a_stale_part_of_another_session_in_memory_is_not_read(one: Desk, disk: Disk, tmp_path: Path) -> None:
    """A part left in the fallback folder by a session of the same name is recognised as another's."""
    stale = tmp_path / "stale" / one.folder.name
    other = Recorder(stale, {}, FEEDS, RULES, SessionClock())
    other.take(Batch(5, some_records(10**9, 4, 10, (1,))), [change(4)])
    other.close()
    memory = tmp_path / "memory" / one.folder.name
    memory.mkdir(parents=True)
    (stale / "0001.mcap").rename(memory / "0002.mcap")
    one.run(5)
    one.recorder.close()
    nothing_is_missing(one)


@pytest.fixture
def small_volume(tmp_path: Path) -> Iterator[Path]:
    """Mount a volume of 1 MiB in memory."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small volume takes root")
    path = tmp_path / "volume"
    path.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(path)], capture_output=True, check=False, timeout=60
    )
    if mounted.returncode:
        pytest.skip(f"a small volume cannot be mounted here: {mounted.stderr.decode()}")
    yield path
    subprocess.run(["umount", str(path)], check=True, timeout=60)


def test_a_volume_that_really_fills_up(desk: Callable[..., Desk], small_volume: Path, tmp_path: Path) -> None:
    """On a real volume of 1 MiB the reserve is freed, then the session goes on in memory, and all of it is read."""
    limits = Limits(flush=3_600_000 * NS_PER_MS, reserve=400_000)
    one = desk(folder=small_volume / "session", fallback=tmp_path / "memory", limits=limits)
    for helper in one.recorder._store._helpers:
        helper.join(DEADLINE_S)
    for _ in range(30):
        one.run(5, checkpoint_each=5, count=10, size=700)
        one.synced()
    one.recorder.close()
    session = nothing_is_missing(one)
    assert [path.parent == one.folder for path in session.parts] == [True, True, False]
    assert all("ENOSPC" in says for says in told(session))
    assert "reserve is freed" in told(session)[0]
