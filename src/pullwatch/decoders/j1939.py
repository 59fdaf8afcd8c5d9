"""SAE J1939 on top of CAN: frames are found by what they carry and who sends them, and "no value" is no number.

A 29-bit identifier is priority (3 bits), parameter group number and source address (8 bits). The group's own bits are
extended data page, data page, format PF (8 bits) and PS (8 bits). From PF 240 on (PDU2) PS belongs to the group; below
(PDU1) it is the address of the node the frame is sent to (SAE J1939-21).

    priority      never looked at
    group         must be that of the DBC's identifier, both page bits included
    source        that of the DBC's identifier; 0xFE there means any, and is changed by `addressed`
    destination   of a PDU1: that of the DBC's identifier, or all (0xFF); 0xFE in the DBC means any

Where any source will do, the first one heard is taken. As soon as a second one sends the same signal, nobody can tell
which is meant: from then on it is a fault (`Why.SOURCE`), never a mixture of two nodes' readings.

A value has codes besides its numbers (SAE J1939-71, transmitted signal ranges), by its length:

    1, 2, 4 bytes   by the highest byte: 00 to FA a number; FB specific to the parameter, FC and FD reserved, FF not
                    available: NOT_AVAILABLE; FE an error: ERROR
    3 bytes         the same (from memory of the signal tables that have them)
    2 bits          0, 1 numbers; 2 an error; 3 not available
    4 bits          0 to 13 numbers; 14 an error; 15 not available (common practice of the signal tables)
    1 bit           no codes
    any other       all ones: not available, as fill bits are ones; the rest are numbers (common practice, no source)

Not done: values that come in several frames (transport protocol), and J1939 over CAN FD.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.columns import Column, Why
from pullwatch.decoders.dbc import CanDecoder, Data
from pullwatch.decoders.frames import ERROR, EXTENDED, REMOTE, UNASKED
from pullwatch.decoders.screen import screened, screened_all

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Literal

    from numpy.typing import NDArray

    from pullwatch.channels import Channel
    from pullwatch.columns import Columns, Sample
    from pullwatch.decoders.dbc import DbcTable, Entry, Message
    from pullwatch.decoders.frames import ManyFrames

GLOBAL: Final = 0xFF
"""The destination that means every node."""
ANY: Final = 0xFE
"""The null address: no node's own, so that DBC files write it where any address will do."""
HIGHEST_ADDRESS: Final = 0xFD
"""The highest address a node can have (SAE J1939-81)."""
LONGEST: Final = 8
"""Bytes of a frame; more come in several frames, which are not put together here."""

_FLAGS: Final = EXTENDED | ERROR | REMOTE | UNASKED
_FIRST_PDU2: Final = 240
_NOT_AVAILABLE: Final = int(Why.NOT_AVAILABLE)
_ERROR: Final = int(Why.ERROR)
_SOURCE: Final = int(Why.SOURCE)


class Identifier(NamedTuple):
    """The parts of a 29-bit identifier. `destination` is None for a group that is sent to nobody in particular."""

    priority: int
    pgn: int
    destination: int | None
    source: int

    @classmethod
    def of(cls, can_id: int) -> Identifier:
        """Take an identifier apart."""
        pgn = pgn_of(can_id | EXTENDED)
        destination = None if is_pdu2(can_id) else can_id >> 8 & 0xFF
        return cls(can_id >> 26 & 7, pgn, destination, can_id & 0xFF)


def is_pdu2(can_id: int) -> bool:
    """Whether the identifier's group is sent to nobody in particular."""
    return (can_id >> 16 & 0xFF) >= _FIRST_PDU2


def pgn_of(word: int) -> int:
    """Return the parameter group number of a frame's id word; -1 for a frame that is no J1939 frame."""
    if word & _FLAGS != EXTENDED:
        return -1
    return word >> 8 & (0x3FFFF if is_pdu2(word) else 0x3FF00)


def pgns_of(words: NDArray[np.int64]) -> NDArray[np.int64]:
    """Do the same for an array of id words."""
    groups = words >> 8 & np.where((words >> 16 & 0xFF) >= _FIRST_PDU2, 0x3FFFF, 0x3FF00)
    return np.where(words & _FLAGS == EXTENDED, groups, -1)


@dataclass(frozen=True, slots=True)
class Codes:
    """Which raw values of a length are numbers: up to `highest`; from `error` to below `beyond_error`: ERROR.

    Every other one is NOT_AVAILABLE.
    """

    highest: int
    error: int = 0
    beyond_error: int = 0

    @classmethod
    def of(cls, length: int) -> Codes:
        """Return the codes of a signal of `length` bits."""
        match length:
            case 1:
                return cls(1)
            case 2 | 4:
                top = (1 << length) - 1
                return cls(top - 2, top - 1, top)
            case 8 | 16 | 24 | 32:
                shift = length - 8
                return cls((0xFB << shift) - 1, 0xFE << shift, 0xFF << shift)
            case _:
                return cls((1 << length) - 2)

    def why(self, raw: int) -> int:
        """Return GOOD (0) for a number, else why it is none."""
        if raw <= self.highest:
            return 0
        return _ERROR if self.error <= raw < self.beyond_error else _NOT_AVAILABLE

    def whys(self, raws: NDArray[np.uint64]) -> NDArray[np.uint8]:
        """Do the same for an array."""
        why = np.where(raws <= np.uint64(self.highest), 0, _NOT_AVAILABLE).astype(np.uint8)
        why[(raws >= np.uint64(self.error)) & (raws < np.uint64(self.beyond_error))] = _ERROR
        return why


def has_codes(length: int) -> bool:
    """Whether J1939 itself says which values of this length are no numbers."""
    return length in (2, 4, 8, 16, 24, 32)


def addressed(table: DbcTable, sources: Mapping[int, int]) -> DbcTable:
    """Return the table with the source address of each channel (by number) that has one in `sources`.

    What is taken for true, and cannot be seen in a DBC file, is added to its notes.
    """
    entries: list[Entry] = []
    notes = list(table.notes)
    for given in table.entries:
        source = sources.get(given.channel)
        entry = given if source is None else replace(given, can_id=given.can_id & ~0xFF | source)
        entries.append(entry)
        parts = Identifier.of(entry.can_id)
        if parts.source == ANY:
            notes.append(
                f"{entry.signal} is taken from whichever address sends it; as soon as two do, it is a fault. "
                "source_addresses says which."
            )
        else:
            notes.append(f"{entry.signal} is taken from address {parts.source} only.")
        if parts.destination is not None:
            to = {ANY: "any address", GLOBAL: "all only"}.get(parts.destination, f"address {parts.destination} or all")
            notes.append(f"{entry.signal} is taken when sent to {to}.")
        bits = entry.place.length
        if not has_codes(bits):
            meant = "it has none" if bits == 1 else "all ones are taken as not available"
            notes.append(f"J1939 has no code for a missing value of {bits} bits: {entry.signal}, {meant}.")
    return replace(table, entries=tuple(entries), notes=tuple(notes), fd=False)


class _Signal:
    """One wanted signal, ready to be laid over a frame."""

    __slots__ = ("any_source", "codes", "conditions", "destination", "entry", "high", "low", "shift", "source")

    def __init__(self, entry: Entry, width: int, low: float, high: float) -> None:
        parts = Identifier.of(entry.can_id)
        self.entry = entry
        self.source = parts.source
        self.any_source = parts.source == ANY
        self.destination = ANY if parts.destination is None else parts.destination
        self.conditions = [(selector, selector.place.shift(width)) for selector in entry.when]
        self.shift = entry.place.shift(width)
        self.codes = Codes.of(entry.place.length)
        self.low = low
        self.high = high

    def means(self, word: int) -> bool:
        """Whether a frame of the group comes from and goes to the right nodes."""
        return (self.any_source or word & 0xFF == self.source) and (
            self.destination == ANY or word >> 8 & 0xFF in (self.destination, GLOBAL)
        )

    def means_all(self, words: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Do the same for an array of id words."""
        here = np.ones(len(words), dtype=np.bool_) if self.any_source else words & 0xFF == self.source
        if self.destination != ANY:
            destination = words >> 8 & 0xFF
            here &= (destination == self.destination) | (destination == GLOBAL)
        return here


class J1939Decoder(CanDecoder):
    """Decodes one J1939 bus into the channels of a `DbcTable` that went through `addressed`.

    Frames of a wanted group from or to other nodes are passed over. `heard` says who sends each wanted group.
    Raises ValueError as `CanDecoder` does.
    """

    def __init__(
        self, table: DbcTable, channels: Mapping[str, Channel], framing: Literal["slcan", "frames"] = "slcan"
    ) -> None:
        super().__init__(table, channels, framing)
        self.heard: dict[int, set[int]] = {pgn: set() for pgn in self._messages}
        """By parameter group number: the source addresses heard so far, wanted or not."""
        self._first: dict[int, int] = {}
        """By channel: the source it is taken from, where any would do."""
        self._mixed: set[int] = set()
        """Channels that any source would do for, and more than one has sent."""
        self._signals = {
            pgn: [_Signal(entry, message.width, *self._ranges[entry.channel]) for entry in message.entries]
            for pgn, message in self._messages.items()
        }

    def _key(self, entry: Entry) -> int:
        return pgn_of(entry.word)

    def troubles(self) -> list[str]:
        """Return what is wrong with who sends what, in sentences."""
        found: list[str] = []
        for pgn, signals in self._signals.items():
            heard = sorted(self.heard[pgn])
            senders = " and ".join(str(source) for source in heard)
            for signal in signals:
                name = signal.entry.signal
                if signal.entry.channel in self._mixed:
                    found.append(
                        f"{name} is sent by the addresses {senders}: nobody can tell which is meant, so neither is "
                        "taken. Say which in source_addresses."
                    )
                elif heard and not signal.any_source and signal.source not in self.heard[pgn]:
                    found.append(
                        f"{name} is wanted from address {signal.source}, which does not send it; {senders} "
                        f"{'does' if len(heard) == 1 else 'do'}. Look at source_addresses."
                    )
        return found

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        ledger = self.ledger
        for at, word, payload, size in self._framing.few(t, data, ledger):
            pgn = pgn_of(word)
            message = self._messages.get(pgn)
            if message is None:
                ledger.passed_over += size
                ledger.messages += 1
                self.remote_frames += word & REMOTE != 0
                self.error_frames += word & ERROR != 0
                continue
            self.heard[pgn].add(word & 0xFF)
            whole = payload[: message.width].ljust(message.width, b"\0")
            read = (int.from_bytes(whole, "little"), int.from_bytes(whole, "big"))
            present = self._present(self._signals[pgn], word, len(payload), read)
            if present is None:
                ledger.rejected += size
                ledger.bad_messages += 1
                continue
            ledger.messages += 1
            if present:
                ledger.decoded += size
            else:
                ledger.passed_over += size
            for signal in present:
                entry = signal.entry
                raw = read[entry.place.motorola] >> signal.shift & (1 << entry.place.length) - 1
                why = _SOURCE if signal.any_source and self._is_mixed(entry.channel, word & 0xFF) else 0
                why = why or signal.codes.why(raw)
                if why:
                    out.append((at, entry.channel, math.nan, why))
                    continue
                value = entry.value(raw)
                if not entry.bring.is_none:
                    value = entry.bring.one(value)
                out.append((at, entry.channel, *screened(value, signal.low, signal.high)))

    @staticmethod
    def _present(signals: list[_Signal], word: int, count: int, read: tuple[int, int]) -> list[_Signal] | None:
        """Return the signals that a frame of `count` bytes carries; None if it is too short for one of them."""
        present: list[_Signal] = []
        for signal in signals:
            if not signal.means(word):
                continue
            for selector, shift in signal.conditions:
                place = selector.place
                if count < place.need:
                    return None
                if not selector.picks(read[place.motorola] >> shift & (1 << place.length) - 1):
                    break
            else:
                if count < signal.entry.place.need:
                    return None
                present.append(signal)
        return present

    def _is_mixed(self, channel: int, source: int) -> bool:
        """Note who sent a channel that any source would do for; say whether more than one does."""
        if self._first.setdefault(channel, source) != source:
            self._mixed.add(channel)
        return channel in self._mixed

    def _slots(self, words: NDArray[np.int64]) -> NDArray[np.int16]:
        if not len(self._words):
            return np.zeros(len(words), dtype=np.int16)
        return self._slots_of_keys(pgns_of(words))

    def _lay(self, message: Message, frames: ManyFrames, rows: slice, out: Columns) -> None:
        t, word, count, size = frames.t[rows], frames.word[rows], frames.count[rows], frames.size[rows]
        data = Data(frames.data[rows])
        pgn = pgn_of(message.entries[0].word)
        signals = self._signals[pgn]
        self.heard[pgn].update(np.unique(word & 0xFF).tolist())
        present, short = message.present_all(count, data, [signal.means_all(word) for signal in signals])
        for signal, make, here in zip(signals, message.makers, present, strict=True):
            if not here.any():
                continue
            entry = signal.entry
            raws = data.raws(entry.place)[here]
            values, why = screened_all(make(raws), signal.low, signal.high)
            doubts = signal.codes.whys(raws)
            if signal.any_source:
                doubts[self._mixed_from(entry.channel, word[here] & 0xFF) :] = _SOURCE
            why = np.where(doubts, doubts, why)
            out[entry.channel] = Column(t[here], np.where(doubts, math.nan, values), why)
        self._account(present, short, size)

    def _mixed_from(self, channel: int, sources: NDArray[np.int64]) -> int:
        """Do as `_is_mixed` for the sources of many frames; return the first of them from which on it is so."""
        first = self._first.setdefault(channel, int(sources[0]))
        if channel in self._mixed:
            return 0
        others = np.flatnonzero(sources != first)
        if not len(others):
            return len(sources)
        self._mixed.add(channel)
        return int(others[0])

    def carried(self) -> str:
        """Return what the framing carries, and which sources were taken (JSON text). It outlasts a lost port."""
        first = sorted(self._first.items())
        return json.dumps({"framing": super().carried(), "first": first, "mixed": sorted(self._mixed)})

    def carry(self, text: str) -> None:
        """Take up what `carried` returned."""
        state = json.loads(text)
        super().carry(state["framing"])
        self._first = dict(state["first"])
        self._mixed = set(state["mixed"])
