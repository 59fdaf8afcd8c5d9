"""The ASCII protocol of serial CAN adapters (slcan): lines ended by CR, cut into frames.

    t iii l dd…       classic frame, 11-bit identifier      T iiiiiiii l dd…  29-bit identifier
    r iii l           remote frame                          R iiiiiiii l
    d iii l dd…       CAN FD frame; b: with the faster rate   D, B            29-bit identifier

All digits are hexadecimal; `l` is the data length code. An adapter may end a line with a time stamp of four digits:
checked and passed over, our own time is that of the CR. Replies to commands (CR alone, BEL, `z`, `Z`, `Fxx`, version
and serial number) are passed over.

The lines of CAN FD are in no published protocol; this is what python-can and some adapters write. d, D, b and B are
hexadecimal digits themselves, so the tail of a line whose beginning was lost may look like a CAN FD frame. Therefore
they count only on a bus that is said to have CAN FD, and never in the first line after the port was opened.
"""

from __future__ import annotations

import json
import re
from binascii import Error as NotHex
from binascii import unhexlify
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.decoders.frames import (
    EXTENDED,
    FD_LENGTHS,
    HEADS_KEPT,
    HIGHEST_EXTENDED,
    HIGHEST_STANDARD,
    REMOTE,
    UNASKED,
    ManyFrames,
    gathered,
    times_at,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.batch import Record
    from pullwatch.decoders import Ledger
    from pullwatch.decoders.frames import FewFrames

LONGEST: Final = 10 + 2 * 64 + 4
"""Characters of the longest line there is (29-bit CAN FD frame of 64 bytes with a time stamp), without its CR."""

_KINDS: Final = b"tTrRdDbB"
_FD_KINDS: Final = b"dDbB"
_CLASSIC_LENGTHS: Final = (*range(9), *[-1] * 7)
_NO_LENGTHS: Final = (*[0] * 9, *[-1] * 7)
_STAMP: Final = 4
_CR: Final = 13
_ZERO: Final = np.uint8(ord("0"))
_AT_ONCE: Final = 4_096
"""Lines laid out at once: few enough for the processor's cache, and for memory that need not be asked for anew."""
_IS_HEX: Final = np.isin(np.arange(256), list(b"0123456789abcdefABCDEF"))
_REPLY: Final = re.compile(rb"[zZ]|F[0-9A-Fa-f]{2}|[Vv][0-9A-Za-z.]{1,16}|N[0-9A-Za-z]{1,16}")
_BEL: Final = b"\a"

_Head = tuple[int, int, int, int]
"""(id word, bytes of data, characters of the head, characters of the line without a time stamp)."""


def _lengths(kind: int) -> tuple[int, ...]:
    """Return the bytes of data that follow each data length code, -1 where there is no such code."""
    if kind in _FD_KINDS:
        return FD_LENGTHS
    return _NO_LENGTHS if kind in b"rR" else _CLASSIC_LENGTHS


def _flags(kind: int, *, fd: bool) -> int:
    flags = EXTENDED if kind in b"TRDB" else 0
    if kind in b"rR":
        flags |= REMOTE
    if kind in _FD_KINDS and not fd:
        flags |= UNASKED
    return flags


_KIND_INDEX: Final = np.zeros(256, dtype=np.int64)
_KIND_INDEX[list(_KINDS)] = np.arange(1, len(_KINDS) + 1)
_COUNTS: Final = {kind: np.array(_lengths(kind), dtype=np.int64) for kind in _KINDS}


def _hex_rows(characters: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Return the bytes (n, k) that rows of hexadecimal digits (n, 2k) mean, and which rows are such (None: all)."""
    shape = (len(characters), characters.shape[1] // 2)
    try:
        return np.frombuffer(unhexlify(characters.data), dtype=np.uint8).reshape(shape), None
    except NotHex:
        good: NDArray[np.bool_] = np.asarray(_IS_HEX[characters].all(axis=1))
        values = np.zeros(shape, dtype=np.uint8)
        values[good] = np.frombuffer(unhexlify(characters[good].data), dtype=np.uint8).reshape(-1, shape[1])
        return values, good


class Slcan:
    """Cuts the adapter's bytes into frames, one record or many at once, with the same outcome.

    `fd` says whether CAN FD frames are looked for; if not, they are passed over.
    """

    def __init__(self, *, fd: bool = False) -> None:
        self.fd = fd
        self._half = b""
        self._runaway = False
        """The line so far was longer than any line: its rest is rejected too."""
        self._begun = True
        """The beginning of the line at hand was seen."""
        self._heads: dict[bytes, _Head] = {}

    def few(self, t: int, data: bytes, ledger: Ledger) -> FewFrames:
        """Cut one record that starts at `t` (ns)."""
        ledger.taken += len(data)
        at = t - len(self._half) - 1
        lines = (self._half + data).split(b"\r")
        rest = lines.pop()
        frames: FewFrames = []
        if lines and (self._runaway or not self._begun):
            first = lines.pop(0)
            at += len(first) + 1
            frame = self._first(first, ledger)
            if frame is not None:
                frames.append((at, *frame))
        heads = self._heads
        append = frames.append
        for line in lines:
            size = len(line) + 1
            at += size
            head = heads.get(line[:5]) or heads.get(line[:10])
            if head is not None:
                word, count, skip, whole = head
                try:
                    if size == whole + 1:
                        append((at, word, unhexlify(line[skip:]), size))
                        continue
                    if size == whole + _STAMP + 1:
                        append((at, word, unhexlify(line[skip:])[:count], size))
                        continue
                except NotHex:
                    pass
            frame = self._odd(line, ledger)
            if frame is not None:
                append((at, *frame))
        self._keep(rest, ledger)
        return frames

    def many(self, records: Sequence[Record], width: int, ledger: Ledger) -> ManyFrames:
        """Cut many records at once; `data` is `width` bytes wide."""
        lead = len(self._half)
        text = self._half + b"".join([record.data for record in records])
        ledger.taken += len(text) - lead
        characters = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(characters == _CR)
        starts = np.empty_like(ends)
        starts[:1] = 0
        starts[1:] = ends[:-1] + 1
        word = np.full(len(ends), -1, dtype=np.int64)
        count = np.zeros(len(ends), dtype=np.uint8)
        size = ends - starts + 1
        payload = np.zeros((len(ends), width), dtype=np.uint8)

        first = None
        if len(ends):
            for begin in range(0, len(ends), _AT_ONCE):
                some = slice(begin, begin + _AT_ONCE)
                self._regular(text, starts[some], size[some] - 1, (word[some], count[some], payload[some]))
            empty = size == 1
            if self._runaway or not self._begun:
                word[0] = -1
                empty[0] = False
                first = int(ends[0])
            word[empty] = -2
            ledger.passed_over += int(np.count_nonzero(empty))
        for row in np.flatnonzero(word == -1).tolist():
            line = text[starts[row] : ends[row]]
            frame = self._first(line, ledger) if first == ends[row] else self._odd(line, ledger)
            if frame is not None:
                word[row], data, size[row] = frame
                count[row] = len(data)
                payload[row, : len(data)] = np.frombuffer(data[:width], dtype=np.uint8)
        self._keep(text[ends[-1] + 1 :] if len(ends) else text, ledger)

        t = times_at(ends, records, lead)
        whole = word >= 0
        if whole.all():
            return ManyFrames(t, word, count, payload, size)
        return ManyFrames(t[whole], word[whole], count[whole], payload[whole], size[whole])

    def _regular(
        self,
        text: bytes,
        starts: NDArray[np.int64],
        lengths: NDArray[np.int64],
        out: tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint8]],
    ) -> None:
        """Fill `out` (id words, counts, data) for every line that is a frame and nothing else; leave the others alone.

        Lines of one kind and length are laid in a matrix of character pairs, and each pair is looked up at once.
        """
        word, count, payload = out
        kinds = _KIND_INDEX[np.frombuffer(text, dtype=np.uint8)[starts]]
        codes = kinds * 256 + np.minimum(lengths, 255)
        for code in np.flatnonzero(np.bincount(codes)).tolist():
            index, length = divmod(code, 256)
            if not index or length > LONGEST:
                continue
            kind = _KINDS[index - 1]
            standard = kind in b"trdb"
            skip, head = (1, 2) if standard else (2, 4)
            pairs, odd = divmod(length - skip, 2)
            if odd or pairs < head:
                continue
            found = codes == code
            rows = slice(None) if found.all() else np.flatnonzero(found)
            begins = starts[rows]
            values, good = _hex_rows(gathered(text, begins + skip, pairs * 2))
            wide = values[:, :head].astype(np.int64)
            if standard:
                can_id = wide[:, 0] << 4 | wide[:, 1] >> 4
                valid = can_id <= HIGHEST_STANDARD
            else:
                top = np.frombuffer(text, dtype=np.uint8)[begins + 1] - _ZERO
                valid = top <= 1
                can_id = (
                    top.astype(np.int64) << 28 | wide[:, 0] << 20 | wide[:, 1] << 12 | wide[:, 2] << 4 | wide[:, 3] >> 4
                )
            counts = _COUNTS[kind][wide[:, head - 1] & 15]
            valid &= (counts == pairs - head) | ((counts >= 0) & (counts == pairs - head - _STAMP // 2))
            if good is not None:
                valid &= good
            word[rows] = np.where(valid, can_id | _flags(kind, fd=self.fd), -1)
            count[rows] = counts
            columns = min(pairs - head, payload.shape[1])
            payload[rows, :columns] = values[:, head : head + columns]

    def _first(self, line: bytes, ledger: Ledger) -> tuple[int, bytes, int] | None:
        """Take the first line after a runaway, or the first after the port was opened."""
        runaway, self._runaway, self._begun = self._runaway, False, True
        if runaway:
            ledger.rejected += len(line) + 1
            return None
        return self._odd(line, ledger, begun=False)

    def _odd(self, line: bytes, ledger: Ledger, *, begun: bool = True) -> tuple[int, bytes, int] | None:
        """Take any line the slow and careful way: return (id word, data, bytes), or account for the bytes here."""
        size = len(line) + 1
        if len(line) > LONGEST:
            ledger.rejected += size
            ledger.bad_messages += 1
            return None
        after_bell = line.rfind(_BEL) + 1
        if after_bell:
            if line[:after_bell].strip(_BEL):
                ledger.rejected += after_bell
                ledger.bad_messages += 1
            else:
                ledger.passed_over += after_bell
            line = line[after_bell:]
            size -= after_bell
            begun = True
        if not line or _REPLY.fullmatch(line):
            ledger.passed_over += size
            return None
        frame = self._parse(line) if begun or line[0] not in _FD_KINDS else None
        if frame is None:
            ledger.rejected += size
            ledger.bad_messages += 1
            return None
        return *frame, size

    def _parse(self, line: bytes) -> tuple[int, bytes] | None:
        """Return (id word, data) of a line that is one frame, else None."""
        kind = line[0]
        if kind not in _KINDS:
            return None
        skip = 5 if kind in b"trdb" else 10
        try:
            # Standard heads have four digits after the kind; extended ones nine, which a leading 0 makes even.
            head = int.from_bytes(unhexlify(line[1:skip] if skip == 5 else b"0" + line[1:skip]), "big")
            rest = unhexlify(line[skip:])
        except NotHex:
            return None
        can_id = head >> 4
        count = _lengths(kind)[head & 15]
        if len(line) < skip or count < 0 or can_id > (HIGHEST_STANDARD if skip == 5 else HIGHEST_EXTENDED):
            return None
        if len(rest) not in (count, count + _STAMP // 2):
            return None
        word = can_id | _flags(kind, fd=self.fd)
        if len(self._heads) >= HEADS_KEPT:
            self._heads.clear()
        self._heads[line[:skip]] = (word, count, skip, skip + 2 * count)
        return word, rest[:count]

    def _keep(self, rest: bytes, ledger: Ledger) -> None:
        """Keep the unfinished line, unless it is longer than any line."""
        if self._runaway or len(rest) > LONGEST:
            ledger.rejected += len(rest)
            ledger.bad_messages += not self._runaway
            self._runaway = True
            rest = b""
        self._half = rest
        ledger.pending = len(rest)

    def fresh(self, ledger: Ledger) -> None:
        """Reject what is pending; the next line's beginning may not have been seen."""
        if self._half:
            ledger.rejected += len(self._half)
            ledger.bad_messages += 1
        ledger.pending = 0
        self._half = b""
        self._runaway = False
        self._begun = False

    def carried(self) -> str:
        """Return the half line (as latin-1 text), whether it is a runaway, and whether its beginning was seen."""
        return json.dumps({"half": self._half.decode("latin-1"), "runaway": self._runaway, "begun": self._begun})

    def carry(self, text: str, ledger: Ledger) -> None:
        """Take up what `carried` returned; the half line counts as taken."""
        state = json.loads(text)
        self.fresh(ledger)
        self._half = state["half"].encode("latin-1")
        self._runaway = state["runaway"]
        self._begun = state["begun"]
        ledger.taken += len(self._half)
        ledger.pending = len(self._half)
