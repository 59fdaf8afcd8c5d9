"""Reading a session whole: where every frame stands, what is missing, and everything up to the last commit."""

from __future__ import annotations

import hashlib
import struct
import zlib
from bisect import bisect_right
from itertools import islice
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.clock import ClockPair
from pullwatch.errors import DamagedSession, SessionError
from pullwatch.recording import layout
from pullwatch.recording.blocks import Block, Checkpoint, Ending, EndStatus, Gap, Piece, assemble, checkpoint, unknown
from pullwatch.recording.follower import Follower
from pullwatch.recording.layout import ENVELOPE, HEADER, Bulk, Framed, RecordedChange, Stream
from pullwatch.recording.session import held, parts_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["Block", "Bulk", "Checkpoint", "Ending", "Follower", "Gap", "Session"]

_CHUNK: Final = 2 * 1024 * 1024
_WINDOW: Final = 4 * 1024 * 1024
_BLOCKS_AT_ONCE: Final = 4096
_AT_ONCE: Final = 65_536
_SPARSE: Final = 64
"""Frames that are less than one part in so many of what lies between the first and the last are read one by one."""
_MCAP_MAGIC: Final = bytes((137, 77, 67, 65, 80, 48, 13, 10))
_MCAP_FOOTER: Final = struct.Struct("<BQQQI8s")
"""opcode 2, length 20, start of the summary, start of its offsets, CRC of the summary, magic"""
_MCAP_DATA_END: Final = struct.Struct("<BQI")
"""opcode 15, length 4, CRC of everything before it"""


class _Frames:
    """Where frames stand: arrays of shape (n,)."""

    def __init__(self, part: NDArray[np.uint16], offset: NDArray[np.int64], heads: NDArray[np.void]) -> None:
        self.part = part
        self.offset = offset
        self.length = heads["length"].astype(np.uint32)
        self.channel = heads["channel"].astype(np.uint16)
        self.seq = heads["seq"].astype(np.int64)
        self.t = heads["t"].astype(np.int64)
        self.now = heads["now"].astype(np.int64)

    def __len__(self) -> int:
        return len(self.seq)

    def keep(self, which: NDArray[np.intp] | slice) -> None:
        for name in ("part", "offset", "length", "channel", "seq", "t", "now"):
            setattr(self, name, getattr(self, name)[which])


def _index(path: Path, tag: int | None) -> tuple[NDArray[np.int64], NDArray[np.void], list[str]]:
    """Find every frame of a part: offsets, headers, and what is wrong with the bytes around them, in words."""
    offsets = [np.zeros(0, dtype=np.int64)]
    heads = [np.zeros(0, dtype=layout.HEAD)]
    pending = b""
    base = crc = strange = 0
    with path.open("rb") as file:
        footer = _footer(file.read, file.seek)
        data_end = footer[0] if footer else 0
        file.seek(0)
        read = 0
        while chunk := file.read(_CHUNK):
            if read < data_end:
                crc = zlib.crc32(memoryview(chunk)[: data_end - read], crc)
            read += len(chunk)
            buffer = pending + chunk
            found, found_heads = layout.scan(buffer, 0, tag)
            if len(found):
                offsets.append(found + base)
                heads.append(found_heads)
                if footer is None:  # no check sum covers what is between the frames
                    strange += int(np.count_nonzero(~layout.enveloped(buffer, found, found_heads)))
                done = int(found[-1]) + HEADER.size + int(found_heads["length"][-1])
            else:
                done = max(0, len(buffer) - layout.MOST_PAYLOAD - HEADER.size)
            base += done
            pending = buffer[done:]
    at, fields = np.concatenate(offsets), np.concatenate(heads)
    ends = at + HEADER.size + fields["length"]
    notes = [
        f"{path.name}, bytes {ends[hole]} to {at[hole + 1]}: damaged, no frame can be read there"
        for hole in np.flatnonzero(at[1:] - ends[:-1] != ENVELOPE)[:100]
    ]
    if strange:
        notes.append(f"{path.name}: {strange} MCAP messages are damaged around frames that are whole")
    if len(fields) > 1 and fields["channel"][1] != Stream.START == fields["channel"][0]:
        notes.append(f"{path.name}: one of its two start records is damaged")
    if footer and (footer[1] != crc or footer[2]):
        notes.append(f"{path.name}: its bytes are not those that were written (MCAP check sum)")
    if footer is None and len(fields) and fields["channel"][-1] == Stream.STOP:
        notes.append(f"{path.name}: its MCAP footer is damaged")
    return at, fields, notes


def _footer(read: Any, seek: Any) -> tuple[int, int, bool] | None:
    """Return (end of the data, their CRC, whether the summary is damaged) of a finished MCAP file, else None."""
    size = seek(0, 2)
    if size < _MCAP_FOOTER.size + len(_MCAP_MAGIC):
        return None
    seek(size - _MCAP_FOOTER.size)
    tail = read(_MCAP_FOOTER.size)
    opcode, length, begin, _, crc, magic = _MCAP_FOOTER.unpack(tail)
    if magic != _MCAP_MAGIC:
        return None
    data_end = begin - _MCAP_DATA_END.size
    if (opcode, length) != (2, 20) or not len(_MCAP_MAGIC) <= data_end <= size:
        return size, -1, True
    seek(data_end)
    end_opcode, end_length, data_crc = _MCAP_DATA_END.unpack(read(_MCAP_DATA_END.size))
    seek(begin)
    summary = read(size - begin - len(_MCAP_MAGIC) - 4)
    return data_end, data_crc, zlib.crc32(summary) != crc or (end_opcode, end_length) != (15, 4)


class Session:
    """A recording, read as far as it is good. Nothing of it is ever altered.

    `start` is the start record; `notes` says in words what is damaged, whether or not anything is lost by it; `gaps`
    what is lost. Raises NotASession if the folder holds no recording, DamagedSession if nothing in it can be read,
    SessionError if the disk does not give it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.notes: list[str] = []
        self.gaps: list[Gap] = []
        recording = held(folder)
        try:
            try:
                self._frames, self.tag = self._look(folder)
            except FileNotFoundError:  # a part in memory came home, or a part could not be begun: look again
                self._frames, self.tag = self._look(folder)
        except OSError as error:
            what = f"cannot be read: {error.strerror}."
            raise SessionError(folder, what, "Copy what can be copied to another disk, and read it there.") from error
        self.total = len(self._frames)
        """Whole frames found, those behind the end included."""
        self._starts_with_gap = np.zeros(0, dtype=np.int64)
        self.ending = self._end(recording)
        self._commits = np.flatnonzero(self._frames.channel == Stream.COMMIT)

    # ---- what it holds -----------------------------------------------------------------------------------------------

    @property
    def feeds(self) -> dict[int, str]:
        """The feeds' names by number."""
        return {int(number): name for number, name in self._ours.get("feeds", {}).items()}

    @property
    def rules(self) -> tuple[str, ...]:
        """The rules' names in file order, as the session began."""
        return tuple(self._ours.get("rules", ()))

    @property
    def _ours(self) -> dict[str, Any]:
        ours = self.start.get("recording", {})
        return ours if isinstance(ours, dict) else {}

    @property
    def whole(self) -> bool:
        """Whether everything that was judged is here: stopped in order, nothing missing, nothing dropped."""
        stop = self.ending.stop
        return stop is not None and not self.gaps and not stop.get("dropped") and stop.get("status") != "repaired"

    @property
    def recorded(self) -> int:
        """How many records the last commit counts."""
        for _, _, _, payload in self._pieces(self._commits[-1:]):
            return layout.decode_commit(payload).records
        return 0

    @property
    def dropped(self) -> int:
        """How many records the recorder says it had to drop."""
        lost = (event["feeds"] for _, event in self.events() if event.get("event") == "lost")
        return sum(feed["records"] for feeds in lost for feed in feeds.values())

    @property
    def highest_feed(self) -> int:
        """The highest number of a feed that has records."""
        return max(0, int(self._frames.channel.max(initial=0)) - Stream.FEED_0)

    def blocks(
        self,
        *,
        since: int | None = None,
        until: int | None = None,
        after: int = -1,
        join_ns: int = 0,
        everything: bool = False,
    ) -> Iterator[Block]:
        """Yield the blocks in order.

        Only those judged in `since`..`until` (session ns), and with commits later than seq `after`. After a gap reading
        goes on with the first block that begins with a checkpoint: `gap_before` is set, and judging can be taken up
        from that checkpoint. With `everything` the blocks between are yielded too, as far as they are whole: good for
        looking at, not for judging. `join_ns` makes one block of those that follow within so many ns.
        """
        joined: Block | None = None
        first = 0
        for block in self._one_by_one(*self._range(since, until, after), everything=everything):
            if joined is None or block.gap_before or block.now - first > join_ns or not join_ns:
                if joined is not None:
                    yield joined
                joined, first = block, block.now
            else:
                joined.join(block)
        if joined is not None:
            yield joined

    def bulk(self, feed: int, since: int | None = None, until: int | None = None) -> Bulk:
        """Return all records of a feed whose t lies in `since`..`until` (session ns) as columns, gaps left out."""
        frames = self._frames
        last = self._commits[-1] + 1 if len(self._commits) else 0
        which = frames.channel[:last] == Stream.FEED_0 + feed
        if since is not None:
            which &= frames.now[:last] >= since
        if until is not None:
            which &= frames.t[:last] <= until
        payloads = list(self._payloads(np.flatnonzero(which)))
        try:
            return layout.decode_bulk(feed, payloads).between(since, until)
        except ValueError as error:
            raise unknown(-1, error) from error

    def changes(self) -> list[RecordedChange]:
        """Return every recorded change of an alarm, in order."""
        return [layout.decode_change(payload) for _, _, _, payload in self._of(Stream.CHANGE)]

    def checkpoints(self) -> Iterator[Checkpoint]:
        """Yield the checkpoints in order."""
        for _, seq, now, payload in self._of(Stream.CHECKPOINT):
            yield checkpoint(seq, now, payload)

    def checkpoint_before(self, t: int) -> Checkpoint | None:
        """Return the last checkpoint at or before `t` (session ns): `blocks(after=its seq)` goes on from it."""
        frames = self._frames
        which = np.flatnonzero((frames.channel == Stream.CHECKPOINT) & (frames.now <= t))
        for _, seq, now, payload in self._pieces(which[-1:]):
            return checkpoint(seq, now, payload)
        return None

    def events(self) -> list[tuple[int, dict[str, Any]]]:
        """Return the events in order, each with its time (session ns)."""
        which = np.flatnonzero(self._frames.channel == Stream.EVENT)
        times = self._frames.t[which].tolist()
        return [(t, layout.decode_json(piece[3])) for t, piece in zip(times, self._pieces(which), strict=True)]

    def clock_pairs(self) -> list[ClockPair]:
        """Return the pairs of session and wall clock in order, the one of the start record first."""
        said = [layout.decode_json(payload) for _, _, _, payload in self._of(Stream.CLOCK)]
        if "pair" in self._ours:
            said.insert(0, self._ours["pair"])
        return [ClockPair(int(one["t"]), int(one["wall"]), int(one["uncertainty"])) for one in said]

    def wall(self, t: int) -> int | None:
        """Return the wall clock (ns since the Unix epoch) at session time `t`, by the last pair read before it."""
        pairs = self.clock_pairs()
        if not pairs:
            return None
        pair = pairs[max(0, bisect_right(pairs, t, key=lambda one: one.t) - 1)]
        return pair.wall + (t - pair.t)

    def frames(self) -> Iterator[Framed]:
        """Yield every good frame as it was recorded, up to the last commit or stop."""
        frames = self._frames
        fields = (field.tolist() for field in (frames.seq, frames.channel, frames.t, frames.now))
        return map(Framed, *fields, self._payloads(slice(None), head=True))

    def check(self) -> list[str]:
        """Say everything that is wrong with the recording, in words; empty if nothing is. Reads it whole."""
        told = [str(gap) for gap in self.gaps] + self.notes
        frames = self._frames
        chain = hashlib.sha256()
        gaps = set(self._starts_with_gap.tolist())
        broken = False
        for i, frame in enumerate(self.frames()):
            broken = broken or i in gaps
            if frame.channel == Stream.COMMIT:
                commit = layout.decode_commit(frame.data[HEADER.size :])
                if not broken and commit.chain != chain.digest()[: layout.CHAIN_BYTES]:
                    place = f"{self.parts[frames.part[i]].name}, byte {frames.offset[i]}"
                    told.append(f"{place}: the chain is broken: what stands before it is not what was recorded")
                chain = hashlib.sha256()
                broken = False
            chain.update(frame.data)
        if self.ending.status in ("cut", "damaged"):
            told.append(self.ending.reason)
        elif len(frames) < self.total and self.ending.status == "stopped":
            told.append("frames stand behind the stop record")
        return told

    # ---- how it is found ---------------------------------------------------------------------------------------------

    def _look(self, folder: Path) -> tuple[_Frames, int]:
        self.notes.clear()
        parts = parts_of(folder)
        self.parts = [path for _, path in parts.files]
        self.start = parts.start
        return self._gather(parts.tag)

    def _gather(self, tag: int | None) -> tuple[_Frames, int]:
        at, fields, part = [], [], []
        for number, path in enumerate(self.parts):
            offsets, heads, notes = _index(path, tag)
            if tag is None and len(heads):
                # No start frame is whole: the first frame's tag says whose the others must be.
                tag = int(heads["tag"][0])
                mine = heads["tag"] == tag
                offsets, heads = offsets[mine], heads[mine]
                notes.append(f"{path.name}: the start record is damaged; feeds have no names")
            at.append(offsets)
            fields.append(heads)
            part.append(np.full(len(offsets), number, dtype=np.uint16))
            self.notes += notes
        frames = _Frames(np.concatenate(part), np.concatenate(at), np.concatenate(fields))
        if tag is None or not len(frames):
            raise DamagedSession(self.folder, "nothing in it can be read: not one frame is whole.")
        again = frames.seq[1:] <= np.maximum.accumulate(frames.seq)[:-1]
        if np.any(again):
            # Mostly the doubles at the beginning of a part; but a later copy may fill a gap in an earlier part.
            first = np.concatenate(([True], ~again))
            whole = np.all(np.diff(frames.seq[first]) == 1)
            frames.keep(np.flatnonzero(first) if whole else np.unique(frames.seq, return_index=True)[1])
        return frames, tag

    def _end(self, recording: bool) -> Ending:
        """Cut the frames to the good ones, note the gaps, and say how the session ended."""
        frames = self._frames
        synced = self._synced()
        breaks = np.flatnonzero(np.diff(frames.seq, prepend=-1) != 1)  # the first frame may be what is missing
        uncertain = np.flatnonzero(frames.seq[breaks] - 1 > synced)
        good = len(frames) if not len(uncertain) else int(breaks[uncertain[0]])
        ends = np.flatnonzero(np.isin(frames.channel[:good], (Stream.COMMIT, Stream.STOP)))
        kept = int(ends[-1]) + 1 if len(ends) else 0
        damaged = good < len(frames)
        left_out = int(np.count_nonzero(frames.channel[kept:] != Stream.START))
        place = self._place(good - 1 if damaged else kept - 1)
        frames.keep(slice(0, kept))
        breaks = breaks[breaks < kept]
        self._starts_with_gap = breaks
        for i in breaks.tolist():
            before = int(frames.seq[i - 1]) if i else -1
            file, offset = self._place(i - 1)
            self.gaps.append(Gap(before + 1, int(frames.seq[i]) - 1, file, offset))
        seq = int(frames.seq[-1]) if kept else -1
        at = max(0, int(frames.now[-1])) if kept else 0
        stop = None
        if kept and frames.channel[-1] == Stream.STOP:
            stop = layout.decode_json(next(self._pieces(np.array([kept - 1])))[3])
        status: EndStatus
        frames_are = "1 frame behind it is" if left_out == 1 else f"{left_out} frames behind it are"
        behind = f" {frames_are} left out." if left_out else ""
        if stop is not None:
            status = "stopped"
            reason = f"{stop.get('status', 'stopped')}{': ' if stop.get('reason') else ''}{stop.get('reason', '')}"
            if self.gaps:
                count = "1 gap" if len(self.gaps) == 1 else f"{len(self.gaps)} gaps, the first"
                reason += f"; {count} at {self.gaps[0]}"
        elif recording:
            status, reason = "being recorded", "It is being recorded."
        elif damaged:
            status = "damaged"
            reason = (
                f"{place[0]}, byte {place[1]}: damaged, and not known to have been on the disk. "
                f"The recording ends at the last commit before it.{behind}"
            )
        else:
            status = "cut"
            reason = f"{place[0]}, byte {place[1]}: cut here, with no stop record (killed, or the power went).{behind}"
        return Ending(status, at, seq, reason, stop)

    def _synced(self) -> int:
        """Return the last seq that any commit or stop says was on disk: the last of them says the most."""
        ends = np.flatnonzero(np.isin(self._frames.channel, (Stream.COMMIT, Stream.STOP)))
        for channel, _, _, payload in self._pieces(ends[-1:]):
            if channel == Stream.COMMIT:
                return layout.decode_commit(payload).synced
            return int(layout.decode_json(payload).get("synced", -1))
        return -1

    def _place(self, i: int) -> tuple[str, int]:
        """Return the file, and the offset at which frame `i` ends in it."""
        if i < 0:
            return self.parts[0].name, 0
        frames = self._frames
        return self.parts[frames.part[i]].name, int(frames.offset[i]) + HEADER.size + int(frames.length[i])

    # ---- how it is read ----------------------------------------------------------------------------------------------

    def _payloads(self, which: NDArray[np.intp] | slice, *, head: bool = False) -> Iterator[bytes]:
        """Yield the payloads of frames (whole frames with `head`), some MiB read at a time."""
        frames = self._frames
        parts, starts, sizes = frames.part[which], frames.offset[which], frames.length[which].astype(np.int64)
        ends = starts + HEADER.size + sizes
        starts = starts if head else starts + HEADER.size
        window = _WINDOW if len(starts) and int(sizes.sum()) * _SPARSE > int(ends[-1] - starts[0]) else 0
        i = 0
        while i < len(starts):
            path, base = self.parts[parts[i]], int(starts[i])
            some = slice(i, i + _AT_ONCE)
            stop = np.flatnonzero((parts[some] != parts[i]) | (ends[some] > base + window) | (starts[some] < base))
            count = max(1, int(stop[0]) if len(stop) else len(starts[some]))
            some = slice(i, i + count)
            try:
                with path.open("rb") as file:
                    file.seek(base)
                    buffer = file.read(int(ends[i + count - 1]) - base)
            except FileNotFoundError as error:
                what = f"{path} was there when reading began, and is gone."
                raise SessionError(self.folder, what, "A part in memory may have come home: read it again.") from error
            yield from map(buffer.__getitem__, map(slice, (starts[some] - base).tolist(), (ends[some] - base).tolist()))
            i += count

    def _pieces(self, which: NDArray[np.intp]) -> Iterator[Piece]:
        frames = self._frames
        fields = (frames.channel[which], frames.seq[which], frames.now[which])
        return zip(*(field.tolist() for field in fields), self._payloads(which), strict=True)

    def _of(self, stream: Stream) -> Iterator[Piece]:
        return self._pieces(np.flatnonzero(self._frames.channel == stream))

    def _range(self, since: int | None, until: int | None, after: int) -> tuple[int, int]:
        """Return the first block of the range and the one behind its last."""
        commits = self._commits
        nows = self._frames.now[commits]
        first = int(np.searchsorted(self._frames.seq[commits], after, "right"))
        if since is not None:
            first = max(first, int(np.searchsorted(nows, since, "left")))
        last = len(commits) if until is None else min(len(commits), int(np.searchsorted(nows, until, "left")) + 1)
        return first, last

    def _one_by_one(self, first: int, last: int, *, everything: bool) -> Iterator[Block]:
        """Yield blocks `first` to `last` (excluded), those left out that stand between a gap and a checkpoint."""
        frames, commits, gaps = self._frames, self._commits, self._starts_with_gap
        waiting = False
        for at in range(first, last, _BLOCKS_AT_ONCE):
            some = commits[at : min(last, at + _BLOCKS_AT_ONCE)]
            begin = int(commits[at - 1]) + 1 if at else 0
            inside = np.arange(begin, int(some[-1]) + 1)
            broken = np.isin(np.arange(len(some)), np.searchsorted(some, gaps[(gaps >= begin) & (gaps <= some[-1])]))
            pieces = self._pieces(inside[frames.channel[inside] != Stream.COMMIT])
            counts = np.diff(some, prepend=begin - 1) - 1
            for count, gap, seq, now in zip(
                counts.tolist(), broken.tolist(), frames.seq[some].tolist(), frames.now[some].tolist(), strict=True
            ):
                mine = list(islice(pieces, count))
                if gap and not everything:
                    mine = self._after_gap(mine, seq)
                block = assemble(now, seq, mine)
                lost = block.lost
                if everything:
                    block.gap_before = gap or lost
                    yield block
                    continue
                waiting = waiting or gap or lost
                if waiting and (block.checkpoint is None or lost):
                    continue
                block.gap_before, waiting = waiting, False
                yield block

    def _after_gap(self, pieces: list[Piece], seq: int) -> list[Piece]:
        """Return those pieces of a broken block that follow its last gap without another."""
        expected = seq
        for i in range(len(pieces) - 1, -1, -1):
            if pieces[i][1] != expected - 1:
                return pieces[i + 1 :]
            expected -= 1
        return pieces
