"""Reading what is left of a session: cut anywhere, flipped anywhere, with parts missing."""

from __future__ import annotations

import random
import shutil
from typing import TYPE_CHECKING, TypeAlias

import pytest

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import DamagedSession, NotASession, SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.store import Limits

from .sessions import Desk, change, read, records_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from pullwatch.batch import Record
    from pullwatch.recording.blocks import Block


Told: TypeAlias = "tuple[int, int, tuple[Record, ...], tuple[layout.RecordedChange, ...], str, str]"


def told_as(block: Block) -> Told:
    """Return what a block says, to compare."""
    return block.now, block.seq, tuple(block.records), tuple(block.changes), str(block.events), str(block.checkpoint)


def offset_of(part: Path, channel: int, which: int) -> layout.Frame:
    """Return the frame number `which` of a channel in a part."""
    return [frame for frame in layout.walk(part.read_bytes()) if frame.channel == channel][which]


def flip(part: Path, offset: int, bit: int = 0) -> None:
    """Flip a bit of a file."""
    raw = bytearray(part.read_bytes())
    raw[offset] ^= 1 << bit
    part.write_bytes(raw)


@pytest.fixture
def small(desk: Callable[..., Desk]) -> Desk:
    """Give a small session, stopped in order: records, changes, an event, checkpoints."""
    one = desk()
    one.run(2, count=2, size=9)
    one.recorder.event({"event": "mark", "says": "x"})
    one.pass_ms(10)
    one.take(2, 9, [change(one.now)])
    one.recorder.checkpoint({"n": 1})
    one.recorder.step()
    one.run(1, count=1, size=5)
    one.synced()
    one.run(1, count=1)
    one.recorder.close()
    return one


def check_cuts(one: Desk, cuts: Callable[[int, int, int], Iterable[int]]) -> None:
    """Cut the session's part after each of the bytes that `cuts(first frame, stop's end, size)` names."""
    part = one.folder / "0001.mcap"
    raw = part.read_bytes()
    whole = [told_as(block) for block in read(one.folder)]
    frames = list(layout.walk(raw))
    commits = [frame.end for frame in frames if frame.channel == Stream.COMMIT]
    stop = frames[-1].end
    assert frames[-1].channel == Stream.STOP
    for cut in cuts(frames[0].end, stop, len(raw)):
        part.write_bytes(raw[:cut])
        if cut < frames[0].end:
            with pytest.raises(DamagedSession):
                Session(one.folder)
            continue
        session = Session(one.folder)
        count = sum(end <= cut for end in commits)
        assert [told_as(block) for block in session.blocks()] == whole[:count]
        assert session.gaps == []
        assert session.ending.status == ("stopped" if cut >= stop else "cut")
        if cut < stop:
            assert f"byte {commits[count - 1] if count else 0}: cut here" in session.ending.reason
            assert session.ending.at_ns == (max(0, whole[count - 1][0]) if count else 0)
        else:
            assert session.check() != []
        if cut % 5:
            continue
        follower = Follower(one.folder)
        assert [told_as(block) for block in follower.poll()] == whole[:count]
        follower.poll()
        assert follower.ended is not None
        assert follower.ended.status == session.ending.status


def test_cut_at_any_byte_it_is_an_exact_prefix(small: Desk) -> None:
    """Cut after any byte of its frames, a session reads as the blocks whose commit is whole, and says it was cut."""
    check_cuts(
        small, lambda first, stop, size: [*range(0, first, 61), *range(first - 2, stop + 2), *range(stop, size, 61)]
    )


@pytest.mark.long
def test_cut_at_every_byte_it_is_an_exact_prefix(small: Desk) -> None:
    """The same after every byte of the file, from its first to its last but one."""
    check_cuts(small, lambda _, __, size: range(size))


def check_flip(folder: Path, whole: list[Told], raw: bytes, at: int) -> None:
    """Flip bit `at` of the part; what is read then must be true, and the flip must be told."""
    damaged = bytearray(raw)
    damaged[at // 8] ^= 1 << at % 8
    (folder / "0001.mcap").write_bytes(damaged)
    session = Session(folder)
    blocks = [told_as(block) for block in session.blocks()]
    if session.gaps:
        # A checkpoint is lost as an object of its own; what it stood for is not missed until judging goes on from it.
        assert set(blocks) < set(whole), at
        for block in session.blocks(everything=True):
            # Where a commit is lost two blocks are one.
            assert set(block.records) <= {record for one in whole for record in one[2]}, at
            assert set(block.changes) <= {found for one in whole for found in one[3]}, at
            assert all(record.t <= block.now for record in block.records), at
    elif session.ending.status == "stopped":
        assert blocks == whole, at
    else:
        assert blocks == whole[: len(blocks)], at
    assert session.gaps or session.notes or session.ending.status != "stopped", at


@pytest.fixture
def flippable(desk: Callable[..., Desk]) -> Desk:
    """Give a session of about 64 KiB."""
    one = desk()
    one.run(95, checkpoint_each=20, count=6, size=25)
    one.take(changes=[change(one.now)])
    one.run(10)
    one.recorder.close()
    size = (one.folder / "0001.mcap").stat().st_size
    assert 60_000 < size < 70_000
    return one


def test_a_flipped_bit_is_never_believed(flippable: Desk) -> None:
    """Any one bit flipped: nothing that is read was altered, and the damage is told (a sample of the bits)."""
    raw = (flippable.folder / "0001.mcap").read_bytes()
    whole = [told_as(block) for block in read(flippable.folder)]
    seed = 20250614
    some = random.Random(seed)
    frame = list(layout.walk(raw))[40]
    for at in [
        *range(frame.offset * 8, (frame.offset + 46) * 8, 7),  # a whole header
        *range((frame.offset - 31) * 8, frame.offset * 8, 7),  # the MCAP message around it
        *(some.randrange(len(raw) * 8) for _ in range(120)),
        *(some.randrange((len(raw) - 400) * 8, len(raw) * 8) for _ in range(40)),  # the end of the file
    ]:
        check_flip(flippable.folder, whole, raw, at)


def test_damage_to_what_was_on_disk_is_a_gap_up_to_a_checkpoint(desk: Callable[..., Desk]) -> None:
    """A damaged frame that was on disk is lost and told; judging goes on at the next checkpoint, looking at once."""
    one = desk()
    one.run(60)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    whole = read(one.folder)
    frame = offset_of(part, Stream.FEED_0 + 1, 23)
    flip(part, frame.end - 3)
    session = Session(one.folder)
    assert [(gap.first, gap.last) for gap in session.gaps] == [(frame.seq, frame.seq)]
    assert session.ending.status == "stopped"
    assert "1 gap at 0001.mcap, byte" in session.ending.reason
    assert any("damaged" in note for note in session.notes)
    hit = next(i for i, block in enumerate(whole) if block.seq > frame.seq)
    resumed = next(i for i, block in enumerate(whole) if i > hit and block.checkpoint)
    expected = whole[:hit] + whole[resumed:]
    blocks = list(session.blocks())
    assert [told_as(block) for block in blocks] == [told_as(block) for block in expected]
    assert [block.gap_before for block in blocks] == [i == hit for i in range(len(blocks))]
    everything = list(session.blocks(everything=True))
    assert [block.seq for block in everything] == [block.seq for block in whole]
    assert len(records_of(everything)) == len(one.records) - len(layout.decode_records(1, frame_payload(one, frame)))
    assert [block.gap_before for block in everything].index(True) == hit
    before = session.checkpoint_before(whole[hit].now)
    assert before is not None
    assert before.now <= whole[hit].now


def frame_payload(one: Desk, frame: layout.Frame) -> bytes:
    """Return the payload a frame had before it was damaged."""
    from_t = [record for record in one.records if record.feed == 1 and record.t >= frame.t][:2]
    return layout.encode_records(from_t)


def test_damage_to_what_was_not_on_disk_is_the_end(desk: Callable[..., Desk]) -> None:
    """A damaged frame that nothing says was on disk ends the session, whatever stands behind it."""
    one = desk()
    one.run(20)
    one.synced()
    one.run(20)
    part = one.folder / "0001.mcap"
    raw = part.read_bytes()
    whole = read(one.folder)
    known = max(
        layout.decode_commit(frame.payload(raw)).synced for frame in layout.walk(raw) if frame.channel == Stream.COMMIT
    )
    frame = next(frame for frame in layout.walk(raw) if frame.seq > known + 3 and frame.channel == Stream.FEED_0 + 1)
    one.recorder.close()
    part.write_bytes(raw)
    flip(part, frame.offset + 20)
    session = Session(one.folder)
    assert session.ending.status == "damaged"
    assert "not known to have been on the disk" in session.ending.reason
    assert "0001.mcap, byte" in session.ending.reason
    assert "left out" in session.ending.reason
    blocks = list(session.blocks())
    assert [told_as(block) for block in blocks] == [told_as(block) for block in whole if block.seq < frame.seq]


def test_a_damaged_start_record_stands_twice(desk: Callable[..., Desk]) -> None:
    """One damaged copy of the start record costs nothing; with both gone the records are still read, without names."""
    one = desk()
    one.run(5)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    first, second = list(layout.walk(part.read_bytes()))[:2]
    flip(part, first.offset + 60)
    assert Session(one.folder).feeds[1] == "ecu"
    assert records_of(read(one.folder)) == one.records
    flip(part, second.offset + 60)
    session = Session(one.folder)
    assert session.feeds == {}
    assert any("start record is damaged" in note for note in session.notes)
    assert records_of(list(session.blocks(everything=True))) == one.records


def test_a_part_that_is_missing_is_a_gap(desk: Callable[..., Desk]) -> None:
    """With a part in the middle gone, reading goes on at the checkpoint that begins the next."""
    one = desk(limits=Limits(flush=3_600_000 * NS_PER_MS, part=20_000))
    for _ in range(20):
        one.run(10)
        one.synced()
    one.recorder.close()
    session = Session(one.folder)
    assert len(session.parts) > 3
    session.parts[1].unlink()
    left = Session(one.folder)
    assert len(left.gaps) == 1
    blocks = list(left.blocks())
    again = [block for block in blocks if block.gap_before]
    assert len(again) == 1
    assert again[0].checkpoint is not None
    assert set(records_of(blocks)) < set(one.records)
    session.parts[0].unlink()
    blocks = list(Session(one.folder).blocks())
    assert blocks[0].gap_before
    assert blocks[0].checkpoint is not None
    follower = Follower(one.folder)
    followed = follower.poll()
    while follower.ended is None:
        followed += follower.poll()
    assert records_of(followed)[-len(records_of(blocks)) :] == records_of(blocks)
    assert followed[0].gap_before


def test_a_stretch_is_read_alone(desk: Callable[..., Desk]) -> None:
    """A stretch of time, or what follows a commit, is what the whole holds there."""
    one = desk()
    one.run(100)
    one.recorder.close()
    session = Session(one.folder)
    whole = list(session.blocks())
    since, until = 305 * NS_PER_MS, 655 * NS_PER_MS
    stretch = list(session.blocks(since=since, until=until))
    assert {record for record in one.records if since <= record.t <= until} <= set(records_of(stretch))
    assert stretch[0].now - 10 * NS_PER_MS < since <= stretch[0].now
    assert stretch[-1].now - 10 * NS_PER_MS < until <= stretch[-1].now
    after = list(session.blocks(after=whole[40].seq))
    assert [told_as(block) for block in after] == [told_as(block) for block in whole[41:]]
    bulk = session.bulk(2, since, until)
    assert bulk.records() == [record for record in one.records if record.feed == 2 and since <= record.t <= until]
    assert list(bulk.starts[:-1] + bulk.length) == list(bulk.starts[1:])
    assert len(session.bulk(2, until, since)) == 0
    assert len(session.bulk(9)) == 0
    joined = list(session.blocks(join_ns=100 * NS_PER_MS))
    assert len(joined) < 15
    columns = [block.bulk() for block in joined]
    for feed in (1, 2):
        found = [record for one_ in columns if feed in one_ for record in one_[feed].records()]
        assert found == [record for record in one.records if record.feed == feed]


def test_what_is_no_session_is_refused_in_words(tmp_path: Path, small: Desk) -> None:
    """A folder without parts, a folder that is not there, and a file of something else are said to be so."""
    with pytest.raises(NotASession, match="is not there"):
        Session(tmp_path / "nowhere")
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(NotASession, match="holds no recording"):
        Session(empty)
    (empty / "0001.mcap").write_bytes(b"\x89MCAP0\r\n" + bytes(5000))
    with pytest.raises(DamagedSession, match="not one frame is whole"):
        Session(empty)
    (empty / "0001.mcap").write_bytes(b"")
    with pytest.raises(DamagedSession):
        Session(empty)
    assert Follower(empty).poll() == []
    assert Follower(tmp_path / "nowhere").poll() == []


def test_a_later_version_is_said_to_be_one(desk: Callable[..., Desk]) -> None:
    """A whole frame whose content this version does not know is an error in words, not wrong data."""
    one = desk()
    one.run(2)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    raw = part.read_bytes()
    frame = offset_of(part, Stream.FEED_0 + 1, 0)
    payload = bytearray(frame.payload(raw))
    count = payload[0]
    payload[4 + 8 * count] = 77
    forged = layout.encode(frame.channel, frame.tag, frame.seq, frame.t, frame.now, bytes(payload))
    part.write_bytes(raw[: frame.offset] + forged + raw[frame.end :])
    with pytest.raises(SessionError, match="newer version"):
        records_of(read(one.folder))


def test_reading_alters_nothing(small: Desk, tmp_path: Path) -> None:
    """Reading, checking and following a session leave every byte as it was."""
    copy = tmp_path / "copy"
    shutil.copytree(small.folder, copy)
    session = Session(small.folder)
    list(session.blocks())
    session.check()
    Follower(small.folder).poll()
    assert {path.name: path.read_bytes() for path in copy.iterdir()} == {
        path.name: path.read_bytes() for path in small.folder.iterdir()
    }
    assert all(record.kind is Kind.DATA for record in small.records)
