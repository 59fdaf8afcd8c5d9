"""CAN frames on their way to the signals: what every framing gives, and our packed form for adapters that give frames.

Packed, a frame is six bytes of head and its data, little-endian:

    u32 id word     bits 0-28 the identifier, bit 29 remote, bit 30 error, bit 31 extended
    u8  length      bytes of data (0-8; CAN FD also 12, 16, 20, 24, 32, 48, 64); of a remote frame the length asked for
    u8  mark        0xC0 for a classic frame, 0xC1 for a CAN FD frame

A remote frame has no data. The mark is what a reader finds the next head by after damage: a head that cannot be is
slid over byte by byte.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from struct import Struct
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.batch import Record
    from pullwatch.decoders import Ledger

EXTENDED: Final = 1 << 31
ERROR: Final = 1 << 30
REMOTE: Final = 1 << 29
UNASKED: Final = 1 << 32
"""Set by a framing in the id word of a frame that must not be taken for a wanted one (CAN FD where there is none)."""
HIGHEST_STANDARD: Final = 0x7FF
HIGHEST_EXTENDED: Final = 0x1FFF_FFFF
FD_LENGTHS: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Bytes of data for each data length code of CAN FD (ISO 11898-1)."""
HEADS_KEPT: Final = 4_096
"""How many frame heads a framing remembers; more than a bus has, so that a broken one cannot fill the memory."""

FewFrames: TypeAlias = list[tuple[int, int, bytes, int]]
"""(t of the byte that completed the frame, id word, data, raw bytes it took), in order of time."""


class Frame(NamedTuple):
    """One CAN frame as an adapter gives it. `length` matters for remote frames only (the length asked for)."""

    can_id: int
    data: bytes = b""
    extended: bool = False
    remote: bool = False
    error: bool = False
    fd: bool = False
    length: int = 0


@dataclass(frozen=True, slots=True)
class ManyFrames:
    """Many frames in order of time: arrays of shape (n,), `data` of shape (n, width).

    What stands in `data` beyond a frame's own `count` is not defined. `count` may be larger than the width.
    """

    t: NDArray[np.int64]
    word: NDArray[np.int64]
    count: NDArray[np.uint8]
    data: NDArray[np.uint8]
    size: NDArray[np.int64]

    def taken(self, order: NDArray[np.int64]) -> ManyFrames:
        """Return the frames in another order."""
        width = self.data.shape[1]
        data = self.data.reshape(-1).view(f"V{width}")[order].view(np.uint8).reshape(-1, width)
        return ManyFrames(self.t[order], self.word[order], self.count[order], data, self.size[order])


class Framing(Protocol):
    """Cuts raw bytes into frames and accounts for every byte outside of them; the rest the caller accounts for."""

    def few(self, t: int, data: bytes, ledger: Ledger) -> FewFrames:
        """Cut one record that starts at `t`."""

    def many(self, records: Sequence[Record], width: int, ledger: Ledger) -> ManyFrames:
        """Cut many records at once; `width` bytes of data are wanted of each frame."""

    def fresh(self, ledger: Ledger) -> None:
        """Reject what is pending: the bytes before and after are not neighbours."""

    def carried(self) -> str:
        """Return what is carried between calls (JSON text)."""

    def carry(self, text: str, ledger: Ledger) -> None:
        """Take up what `carried` returned."""


def id_word(can_id: int, *, extended: bool, remote: bool = False, error: bool = False) -> int:
    """Return the id word of a frame."""
    return can_id | (EXTENDED if extended else 0) | (REMOTE if remote else 0) | (ERROR if error else 0)


_HEAD: Final = Struct("<IBB")
_SIZE: Final = _HEAD.size
_CLASSIC: Final = 0xC0
_FD: Final = 0xC1
_HEAD_FIELDS: Final = np.dtype([("word", "<u4"), ("count", "u1"), ("mark", "u1")])
_NO_HEADS: Final = np.empty(0, dtype=_HEAD_FIELDS)
_IS_FD_LENGTH: Final = np.isin(np.arange(256), FD_LENGTHS)


def pack(frame: Frame) -> bytes:
    """Pack one frame.

    Raises ValueError when there can be no such frame: an identifier or a length beyond what CAN has.
    """
    length = frame.length if frame.remote else len(frame.data)
    word = id_word(frame.can_id, extended=frame.extended, remote=frame.remote, error=frame.error)
    head = _HEAD.pack(word, length, _FD if frame.fd else _CLASSIC) if 0 <= word < 1 << 32 and length < 256 else b""
    if frame.can_id > HIGHEST_EXTENDED or not head or _read_head(head) is None:
        raise ValueError(f"{frame} cannot be a CAN frame")
    return head if frame.remote else head + frame.data


def _read_head(head: bytes) -> tuple[int, int, int] | None:
    """Return (id word, bytes of data, bytes of the whole packed frame), None if this can be no head."""
    word, length, mark = _HEAD.unpack(head)
    if mark == _CLASSIC:
        possible = length <= 8
    elif mark == _FD:
        possible = length in FD_LENGTHS and not word & REMOTE
    else:
        possible = False
    if not possible or (not word & (EXTENDED | ERROR) and word & HIGHEST_EXTENDED > HIGHEST_STANDARD):
        return None
    count = 0 if word & REMOTE else length
    return word, count, _SIZE + count


def gathered(text: bytes, starts: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    """Return the `width` bytes of `text` from each of `starts`, shape (n, width); text must reach that far."""
    windows = np.ndarray((len(text) - width + 1,), dtype=f"V{width}", buffer=text, strides=(1,))
    return windows[starts].view(np.uint8).reshape(len(starts), width)


def times_at(places: NDArray[np.int64], records: Sequence[Record], lead: int) -> NDArray[np.int64]:
    """Return the times of the bytes at `places` (ascending) of the joined records, after `lead` carried bytes."""
    begins = np.empty(len(records), dtype=np.int64)
    begins[0] = lead
    np.cumsum([len(record.data) for record in records[:-1]], out=begins[1:])
    begins[1:] += lead
    zeros = np.array([record.t for record in records], dtype=np.int64) - begins
    firsts = np.searchsorted(places, begins)
    firsts[0] = 0
    return places + np.repeat(zeros, np.diff(firsts, append=len(places)))


class Packed:
    """The framing of adapters that give frames: cuts what `pack` made. A frame's time is that of its last byte."""

    def __init__(self) -> None:
        self._half = b""
        self._sliding = False
        self._heads: dict[bytes, tuple[int, int, int]] = {}

    def few(self, t: int, data: bytes, ledger: Ledger) -> FewFrames:
        """Cut one record that starts at `t`."""
        text = self._half + data
        zero = t - len(self._half) - 1
        frames: FewFrames = []
        for start, (word, count, size) in self._walk(text, 0, len(data), ledger):
            end = start + size
            frames.append((zero + end, word, text[end - count : end], size))
        return frames

    def many(self, records: Sequence[Record], width: int, ledger: Ledger) -> ManyFrames:
        """Cut many records at once; `data` is `width` bytes wide."""
        lead = len(self._half)
        text = self._half + b"".join([record.data for record in records])
        starts, end = self._chain(text)
        rest = np.array([start for start, _ in self._walk(text, end, len(text) - lead, ledger)], dtype=np.int64)
        starts = np.concatenate((starts, rest))
        text += bytes(width)
        heads = gathered(text, starts, _SIZE).view(_HEAD_FIELDS).reshape(-1)
        word = heads["word"].astype(np.int64)
        count = np.where(word & REMOTE, 0, heads["count"]).astype(np.uint8)
        size = count.astype(np.int64) + _SIZE
        t = times_at(starts + size - 1, records, lead)
        return ManyFrames(t, word, count, gathered(text, starts + _SIZE, width), size)

    def _chain(self, text: bytes) -> tuple[NDArray[np.int64], int]:
        """Return the starts of the whole frames that follow each other from the beginning of `text`, and their end.

        Every place that could be a head is found at once. The frames are what is reached from one to the next.
        """
        marks = np.frombuffer(text, dtype=np.uint8)[_SIZE - 1 :]
        heads = np.flatnonzero((marks == _CLASSIC) | (marks == _FD))
        fields = gathered(text, heads, _SIZE).view(_HEAD_FIELDS).reshape(-1) if len(heads) else _NO_HEADS
        word, count = fields["word"], fields["count"]
        possible = np.where(fields["mark"] == _FD, _IS_FD_LENGTH[count] & (word & REMOTE == 0), count <= 8)
        possible &= (word & (EXTENDED | ERROR) != 0) | (word & HIGHEST_EXTENDED <= HIGHEST_STANDARD)
        ends = heads + np.where(word & REMOTE != 0, 0, count) + _SIZE
        possible &= ends <= len(text)
        heads, ends = heads[possible], ends[possible]
        if not len(heads) or heads[0] != 0 or self._sliding:
            return heads[:0], 0
        # Data may look like a head by chance. Where the next head is not where a frame ends, it is such a one: it is
        # jumped over to the head that is there, or else the chain ends.
        breaks = np.flatnonzero(heads[1:] != ends[:-1])
        after = np.searchsorted(heads, ends[breaks])
        there = heads[np.minimum(after, len(heads) - 1)] == ends[breaks]
        reached = np.zeros(len(heads), dtype=np.bool_)
        begin = 0
        for last, following, goes_on in zip(breaks.tolist(), after.tolist(), there.tolist(), strict=True):
            if last >= begin:
                reached[begin : last + 1] = True
                begin = following if goes_on else len(heads)
        reached[begin:] = True
        return heads[reached], int(ends[reached][-1])

    def _walk(self, text: bytes, at: int, new: int, ledger: Ledger) -> list[tuple[int, tuple[int, int, int]]]:
        """Return (start, head) of every whole frame in `text` from `at` on, and keep the rest; `new` bytes are new."""
        found: list[tuple[int, tuple[int, int, int]]] = []
        heads = self._heads
        sliding = self._sliding
        rejected = 0
        end = len(text)
        while at + _SIZE <= end:
            raw = text[at : at + _SIZE]
            head = heads.get(raw) or self._learn(raw)
            if head is None:
                rejected += 1
                at += 1
                if not sliding:
                    sliding = True
                    ledger.bad_messages += 1
                continue
            if at + head[2] > end:
                break
            found.append((at, head))
            at += head[2]
            sliding = False
        self._sliding = sliding
        self._half = text[at:]
        ledger.taken += new
        ledger.rejected += rejected
        ledger.pending = end - at
        return found

    def _learn(self, raw: bytes) -> tuple[int, int, int] | None:
        head = _read_head(raw)
        if head is not None:
            if len(self._heads) >= HEADS_KEPT:
                self._heads.clear()
            self._heads[raw] = head
        return head

    def fresh(self, ledger: Ledger) -> None:
        """Reject what is pending. Each run of bytes starts with a head, as the feed packs whole frames."""
        if self._half:
            ledger.rejected += len(self._half)
            ledger.bad_messages += not self._sliding
        ledger.pending = 0
        self._half = b""
        self._sliding = False

    def carried(self) -> str:
        """Return the half frame (as latin-1 text) and whether damage is being slid over."""
        return json.dumps({"half": self._half.decode("latin-1"), "sliding": self._sliding})

    def carry(self, text: str, ledger: Ledger) -> None:
        """Take up what `carried` returned; the half frame counts as taken."""
        state = json.loads(text)
        self.fresh(ledger)
        self._half = state["half"].encode("latin-1")
        self._sliding = state["sliding"]
        ledger.taken += len(self._half)
        ledger.pending = len(self._half)
