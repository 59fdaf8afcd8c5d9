"""Every single bit of a session of 1 MiB flipped, and the session cut after every byte of it.

Reading a whole session anew for each of eight million bits would take half a day, so this is proved in two steps, each
by the code that reads: `layout.scan`, which is handed each frame with each of its bits flipped, between its neighbours,
finds the neighbours and not the frame; and a session in which a frame is not found is read right, tried for each frame.
Bits outside of frames (the MCAP messages around them, head and summary) are found by MCAP's own check sums.
"""

from __future__ import annotations

import zlib
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch.clock import NS_PER_S
from pullwatch.errors import DamagedSession
from pullwatch.recording import layout
from pullwatch.recording.layout import ENVELOPE, Frame, Stream
from pullwatch.recording.reader import Session, _footer
from pullwatch.recording.store import Limits

from .sessions import OPEN, Desk, HandClock, Stepped, change, read, records_of
from .test_reader import Told, told_as

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

    from pullwatch.recording.blocks import Block

SEED = 1
BY_HAND = Limits(flush=OPEN.flush, sync=OPEN.flush, stall=OPEN.flush)
"""Limits of a disk that syncs when the test says so, however long it takes."""
AT_ONCE = 2048
"""Flips put into one buffer."""


def recorded(root: Path, steps: int, *, stop: bool = True) -> tuple[Path, bytes]:
    """Record a session of about 950 bytes a step; return its folder and the bytes of its one part.

    With `stop` it is stopped in order, else cut: everything before the last quarter is known to be on the disk.
    """
    clock, steady = HandClock(), [10_000_000_000]
    recorder = Stepped(
        root / "session", {"car": "x"}, {1: "ecu", 2: "wideband"}, ("lean under boost",), clock, limits=BY_HAND,
        steady=lambda: steady[0],
    )  # fmt: skip
    one = Desk(root / "session", clock, steady, recorder)
    for step in range(steps):
        one.run(1, checkpoint_each=1000, count=8, size=60, changes=[change(one.now + 1)] if step % 30 == 3 else [])
        if step % 50 == 49:
            recorder.checkpoint({"step": step})
        if step in (steps // 2, 3 * steps // 4):
            one.synced()
    part = one.folder / "0001.mcap"
    raw = part.read_bytes()
    recorder.close()
    if stop:
        return one.folder, part.read_bytes()
    part.write_bytes(raw)
    return one.folder, raw


def not_found(raw: bytes, frames: list[Frame], which: int, bits: NDArray[np.int64]) -> None:
    """Check that frame `which` is not found with any of its `bits` flipped, and that its neighbours are."""
    first, last = max(0, which - 1), min(len(frames) - 1, which + 1)
    begin, end = frames[first].offset, frames[last].end
    window = np.frombuffer(raw[begin:end], dtype=np.uint8)
    beside = [frame.offset - begin for frame in frames[first : last + 1] if frame is not frames[which]]
    for some in np.array_split(bits, -(-len(bits) // AT_ONCE)):
        flipped = np.tile(window, (len(some), 1))
        flipped[np.arange(len(some)), frames[which].offset - begin + some // 8] ^= (1 << (some % 8)).astype(np.uint8)
        found, _ = layout.scan(flipped.tobytes())
        expected = (np.arange(len(some))[:, None] * len(window) + np.array(beside)).ravel()
        assert np.array_equal(found, expected), f"frame {which}"


def outside(raw: bytes, frames: list[Frame]) -> list[int]:
    """Return every byte that is in no frame."""
    inside = np.zeros(len(raw), dtype=bool)
    for frame in frames:
        inside[frame.offset : frame.end] = True
    return np.flatnonzero(~inside).tolist()


def told_by_a_check_sum(folder: Path, raw: bytes, offsets: Iterable[int]) -> int:
    """Check for every bit of bytes outside of frames that MCAP's sum over all before the summary differs; count them.

    `offsets` rise. This is what `Session` compares; that it does, and what it says, is checked by `is_told`.
    """
    with (folder / "0001.mcap").open("rb") as file:
        footer = _footer(file.read, file.seek)
    assert footer is not None
    end, crc, _ = footer
    assert zlib.crc32(raw[:end]) == crc
    view = memoryview(raw)
    done = before = count = 0
    for at in offsets:
        if at >= end:
            break
        before, done = zlib.crc32(view[done:at], before), at
        rest = raw[at + 1 : end]
        for bit in range(8):
            assert zlib.crc32(rest, zlib.crc32(bytes((raw[at] ^ 1 << bit,)), before)) != crc
            count += 1
    return count


def is_told(folder: Path, raw: bytes, whole: list[Told], bit: int) -> None:
    """Flip a bit outside of frames: nothing is lost, and it is told."""
    damaged = bytearray(raw)
    damaged[bit // 8] ^= 1 << bit % 8
    (folder / "0001.mcap").write_bytes(damaged)
    session = Session(folder)
    assert session.ending.status == "stopped"
    assert session.gaps == []
    assert session.notes, bit
    assert session.recorded == sum(len(one[2]) for one in whole)


def costs_one_frame(folder: Path, raw: bytes, whole: list[Block], frame: Frame, synced: int) -> None:
    """Damage a frame: one that was known to be on the disk is a gap up to the next checkpoint, any other is the end."""
    damaged = bytearray(raw)
    damaged[frame.offset + 20] ^= 4
    (folder / "0001.mcap").write_bytes(damaged)
    session = Session(folder)
    blocks = list(session.blocks())
    assert session.notes
    if frame.seq == 0:  # the other copy does
        assert session.gaps == []
        expected = whole
    elif frame.seq <= synced:
        assert [(gap.first, gap.last) for gap in session.gaps] == [(frame.seq, frame.seq)]
        hit = next(i for i, block in enumerate(whole) if block.seq >= frame.seq)
        again = next((i for i in range(hit + 1, len(whole)) if whole[i].checkpoint), len(whole))
        expected = whole[:hit] + whole[again:]
        assert [block.gap_before for block in blocks] == [i == hit for i in range(len(expected))]
        since, until = max(0, frame.now - NS_PER_S), frame.now + NS_PER_S
        near = [block for block in whole if since <= block.now <= until]
        everything = records_of(list(session.blocks(everything=True, since=near[0].now, until=near[-1].now)))
        missing = 0 if frame.channel < Stream.FEED_0 else len(layout.decode_records(1, frame.payload(raw)))
        if frame.seq == whole[-1].seq:  # no commit stands behind it that would take in what stands before it
            missing = len(whole[-1].records)
        assert sum(len(block.records) for block in near) - len(everything) == missing
    else:
        assert session.gaps == []
        expected = [block for block in whole if block.seq < frame.seq]
        assert session.ending.status in ("cut", "damaged")
    # All blocks by their seq, and all that those say which stand at most some twenty from the damage.
    assert [block.seq for block in blocks] == [block.seq for block in expected]
    hit = sum(block.seq < frame.seq for block in expected)
    for block, one in zip(blocks[max(0, hit - 20) : hit + 20], expected[max(0, hit - 20) : hit + 20], strict=True):
        assert told_as(block) == told_as(one)


def is_a_beginning(folder: Path, raw: bytes, frames: list[Frame], cut: int) -> None:
    """Cut the session: what is left is read up to its last commit, frame by frame as it was."""
    (folder / "0001.mcap").write_bytes(raw[:cut])
    left = [frame for frame in frames if frame.end <= cut]
    if not left:
        with pytest.raises(DamagedSession):
            Session(folder)
        return
    session = Session(folder)
    ends = [frame for frame in left if frame.channel in (Stream.COMMIT, Stream.STOP)]
    assert session.ending.seq == (ends[-1].seq if ends else -1)
    assert session.gaps == []
    assert [frame.data for frame in session.frames()] == [
        raw[frame.offset : frame.end] for frame in left[1:] if ends and frame.end <= ends[-1].end
    ] or len(left) < 3


def last_synced(raw: bytes, frames: list[Frame]) -> int:
    """Return what the last commit says was on the disk."""
    return layout.decode_commit([f for f in frames if f.channel == Stream.COMMIT][-1].payload(raw)).synced


# ---- in the usual run: every bit of a small session, a sample of 1 MiB -----------------------------------------------


def test_every_bit_of_the_frames_of_a_small_session(tmp_path: Path) -> None:
    """Each bit of each frame flipped: that frame is not found, its neighbours are."""
    _, raw = recorded(tmp_path, 12)
    frames = list(layout.walk(raw))
    for which, frame in enumerate(frames):
        not_found(raw, frames, which, np.arange((frame.end - frame.offset) * 8))


def test_some_bits_of_a_megabyte(tmp_path: Path) -> None:
    """Thousands of bits of 1 MiB, in frames and outside of them: not believed, told, and costing one frame."""
    folder, raw = recorded(tmp_path, 1210)
    assert len(raw) > 1 << 20
    whole = read(folder)
    told = [told_as(block) for block in whole]
    frames = list(layout.walk(raw))
    random = Random(SEED)
    for which in random.sample(range(len(frames)), 150):
        frame = frames[which]
        bits = random.sample(range((frame.end - frame.offset) * 8), 40)
        not_found(raw, frames, which, np.array(bits, dtype=np.int64))
    others = sorted(random.sample(outside(raw, frames), 150))
    assert told_by_a_check_sum(folder, raw, others) > 1000
    for at in others[::10]:
        is_told(folder, raw, told, 8 * at + random.randrange(8))
    for frame in (*frames[1:3], *random.sample(frames, 4), *frames[-2:-1]):
        costs_one_frame(folder, raw, whole, frame, frames[-2].seq)


def test_each_frame_of_a_cut_session(tmp_path: Path) -> None:
    """Each frame damaged in turn: what the last commit knew to be on the disk is a gap, all else is the end."""
    folder, raw = recorded(tmp_path, 120, stop=False)
    whole = read(folder)
    frames = list(layout.walk(raw))
    synced = last_synced(raw, frames)
    assert frames[len(frames) // 2].seq < synced < frames[-20].seq
    near = [frame for frame in frames if abs(frame.seq - synced) < 12]
    # The last commit is the one that says how far the disk had it; what the one before says is true too.
    for frame in (*frames[:-1:37], *near):
        costs_one_frame(folder, raw, whole, frame, synced)


def test_some_cuts_of_a_megabyte(tmp_path: Path) -> None:
    """Cut at the ends of frames, and at some bytes within: an exact beginning."""
    folder, raw = recorded(tmp_path, 1210)
    frames = list(layout.walk(raw))
    random = Random(SEED)
    for frame in random.sample(frames, 12):
        for cut in (frame.end - 1, frame.end, frame.end + random.randrange(ENVELOPE)):
            is_a_beginning(folder, raw, frames, cut)
    for frame in random.sample(frames, 40):
        for cut in random.sample(range(frame.offset, frame.end), 5):
            assert len(layout.scan(raw[frame.offset : cut])[0]) == 0


# ---- in the long run: every bit, every byte --------------------------------------------------------------------------


def test_flips_between_the_frames_of_a_cut_session(tmp_path: Path) -> None:
    """Without MCAP's sum at the end, a message that does not say what its frame says is told, and costs nothing."""
    folder, raw = recorded(tmp_path, 12, stop=False)
    whole = [told_as(block) for block in read(folder)]
    frames = list(layout.walk(raw))
    for frame in (frames[1], frames[-1]):
        for bit in range(8 * (frame.offset - ENVELOPE), 8 * frame.offset, 3):
            damaged = bytearray(raw)
            damaged[bit // 8] ^= 1 << bit % 8
            (folder / "0001.mcap").write_bytes(damaged)
            session = Session(folder)
            assert session.notes
            assert [told_as(block) for block in session.blocks()] == whole


@pytest.mark.long
def test_every_bit_of_the_frames_of_a_megabyte(tmp_path: Path) -> None:
    """Every bit of every frame of 1 MiB flipped once: that frame is not found, its neighbours are."""
    _, raw = recorded(tmp_path, 1210)
    frames = list(layout.walk(raw))
    bits = 0
    for which, frame in enumerate(frames):
        size = (frame.end - frame.offset) * 8
        not_found(raw, frames, which, np.arange(size))
        bits += size
    assert bits == 8 * (len(raw) - len(outside(raw, frames)))
    print(f"{bits} bits of {len(frames)} frames")


@pytest.mark.long
def test_every_bit_between_the_frames_of_a_megabyte(tmp_path: Path) -> None:
    """Every other bit of the same 1 MiB flipped once: told by a check sum, and nothing is lost."""
    folder, raw = recorded(tmp_path, 1210)
    told = [told_as(block) for block in read(folder)]
    others = outside(raw, list(layout.walk(raw)))
    bits = told_by_a_check_sum(folder, raw, others)
    with (folder / "0001.mcap").open("rb") as file:
        footer = _footer(file.read, file.seek)
    assert footer is not None
    for bit in range(footer[0] * 8, len(raw) * 8):
        is_told(folder, raw, told, bit)
        bits += 1
    assert bits == 8 * len(others)
    print(f"{bits} bits")


@pytest.mark.long
def test_every_frame_of_a_megabyte(tmp_path: Path) -> None:
    """Every frame of 1 MiB damaged once in the session as a whole: that frame is the gap, up to the next checkpoint."""
    folder, raw = recorded(tmp_path, 1210)
    whole = read(folder)
    frames = list(layout.walk(raw))
    for frame in frames[:-1]:
        costs_one_frame(folder, raw, whole, frame, frames[-2].seq)


@pytest.mark.long
def test_every_cut_of_a_megabyte(tmp_path: Path) -> None:
    """Cut after every byte: no part of a frame is taken for one; at the ends of all frames the session is read."""
    folder, raw = recorded(tmp_path, 1210)
    frames = list(layout.walk(raw))
    before = 0
    for frame in frames:
        for cut in range(before, frame.end):
            assert len(layout.scan(raw[before:cut])[0]) == 0
        before = frame.end
        for cut in (frame.end - 1, frame.end, frame.end + 1):
            is_a_beginning(folder, raw, frames, cut)
    for cut in range(before, len(raw), 7):
        is_a_beginning(folder, raw, frames, cut)
