"""Framed binary packets: sync bytes, a length that is fixed or told, fields, and a checksum.

A packet begins with its sync bytes. What is between two packets, a length that cannot be, a checksum that does not
agree and a wrong end are damage: one byte is rejected and the next sync is looked for, inside the rejected packet too.
So damage costs the packet it fell into and no other.

A packet's time is that of its last byte. One exception: while the rest of a packet is waited for whose length is told
wrongly, whole packets may come in. They become known when it fails, and then one with each byte, so that no two share
an instant.
"""

from __future__ import annotations

import json
import math
import struct
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import Column, Why
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import gathered, times_at
from pullwatch.decoders.packet_layout import from_end, refuse
from pullwatch.decoders.screen import Bring, bounds, doubted, screened_all

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.batch import Record
    from pullwatch.channels import Channel
    from pullwatch.columns import Columns, Sample
    from pullwatch.decoders.packet_layout import Field, Framing, Order, Place, Ready

_NOT_READY: Final = int(Why.NOT_READY)
_NOT_AVAILABLE: Final = int(Why.NOT_AVAILABLE)
_ERROR: Final = int(Why.ERROR)
_FEWEST_AT_ONCE: Final = 8
_MOST_AT_ONCE: Final = 4_096
"""Packets of one length that are looked at together: few enough for the processor's cache."""


class PacketDecoder:
    """Decodes one feed of binary packets.

    `identity` is where a packet says which of several it is. A field that reaches beyond a short packet's end has no
    sample in it.

    Raises ValueError when the framing cannot be (no sync, or something stands outside the packet), a field names a
    channel that is not among `channels` or already fed, or has a unit that is not stored as the channel's.
    """

    def __init__(
        self,
        framing: Framing,
        fields: Sequence[Field],
        channels: Mapping[str, Channel],
        *,
        identity: Place | None = None,
        ready: Ready | None = None,
    ) -> None:
        refuse(framing, fields, identity, ready)
        self.ledger = Ledger()
        self._framing = framing
        self._told = None if isinstance(framing.length, int) else framing.length
        self._behind = framing.behind
        self._head = len(framing.sync)
        if self._told is not None and self._told.place.at == self._head:
            self._head = self._told.place.end  # packets of mixed lengths are seen to be such at a glance
        self._identity = None if identity is None else _Reader(identity)
        self._ready = None if ready is None else _Reader(ready.place)
        self._good = frozenset() if ready is None else frozenset(ready.good)
        self._governed = None if ready is None else ready.identity
        self._fields = sorted((_Wanted(field, channels) for field in fields), key=lambda field: field.channel)
        if not fields or len({field.channel for field in self._fields}) != len(fields):
            raise ValueError("a packet needs fields, each for another channel")
        self._half = b""
        self._astray = False
        """The bytes before those at hand were rejected: what is rejected next belongs to the same damage."""

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        lead = len(self._half)
        text = self._half + data
        zero = t - lead
        for place, start, length in zip(*self._cut(text, lead), strict=True):
            packet = text[start : start + length]
            room = length - self._behind
            identity = self._identity
            which = None if identity is None else identity.one(packet) if identity.end <= room else -1
            ready = self._is_ready(packet, room, which)
            before = len(out)
            out.extend(
                (zero + place, field.channel, *field.one(packet, ready))
                for field in self._fields
                if field.end <= room and field.identity == which
            )
            self._count(length, wanted=len(out) > before)

    def _is_ready(self, packet: bytes, room: int, which: float | None) -> bool:
        ready = self._ready
        if ready is None or (self._governed is not None and self._governed != which):
            return True
        return ready.end <= room and ready.one(packet) in self._good

    def _count(self, length: int, *, wanted: bool) -> None:
        self.ledger.messages += 1
        if wanted:
            self.ledger.decoded += length
        else:
            self.ledger.passed_over += length

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once."""
        if not records:
            return {}
        lead = len(self._half)
        text = self._half + b"".join([record.data for record in records])
        cut = self._cut(text, lead, at_once=True)
        if not cut[0]:
            return {}
        places, starts, lengths = (np.array(column, dtype=np.int64) for column in cut)
        t = times_at(places, records, lead)
        room = lengths - self._behind
        which = self._identities(text, starts, room)
        ready = self._are_ready(text, starts, room, which)
        wanted = np.zeros(len(starts), dtype=np.bool_)
        columns: Columns = {}
        for field in self._fields:
            has = field.end <= room
            if which is not None:
                has &= which == field.identity
            if not has.any():
                continue
            wanted |= has
            rows = slice(None) if has.all() else has
            values, why = field.all(text, starts[rows], None if ready is None else ready[rows])
            columns[field.channel] = Column(t[rows], values, why)
        self.ledger.messages += len(starts)
        self.ledger.decoded += int(lengths[wanted].sum())
        self.ledger.passed_over += int(lengths[~wanted].sum())
        return columns

    def _identities(
        self, text: bytes, starts: NDArray[np.int64], room: NDArray[np.int64]
    ) -> NDArray[np.float64] | None:
        """Return which of several each packet is, -1 where it is too short to say; None if all are alike."""
        if self._identity is None:
            return None
        found = np.full(len(starts), -1.0)
        has = self._identity.end <= room
        found[has] = self._identity.all(text, starts[has])
        return found

    def _are_ready(
        self,
        text: bytes,
        starts: NDArray[np.int64],
        room: NDArray[np.int64],
        which: NDArray[np.float64] | None,
    ) -> NDArray[np.bool_] | None:
        """Return which packets' values count, None if all do."""
        if self._ready is None:
            return None
        good = self._ready.end <= room
        good[good] = np.isin(self._ready.all(text, starts[good]), list(self._good))
        if self._governed is not None and which is not None:
            good |= which != self._governed
        return good

    def _cut(self, text: bytes, lead: int, *, at_once: bool = False) -> tuple[list[int], list[int], list[int]]:
        """Find the packets in what was carried and what came after `lead` bytes of it; carry what is left.

        Return three lists: at which byte of the text each became known, where it starts, its length. The rejected are
        accounted for here. `at_once` looks at packets of one length together, with the same outcome.
        """
        self.ledger.taken += len(text) - lead
        sync, length, told = self._framing.sync, self._framing.least, self._told
        places: list[int] = []
        starts: list[int] = []
        lengths: list[int] = []
        at, end = 0, len(text)
        floor = lead  # the first byte with which a packet can still become known
        together = 4 * _FEWEST_AT_ONCE
        while True:
            start = text.find(sync, at)
            if start != at:
                kept = _begun(text, at, sync) if start < 0 else start
                self._reject(kept - at)
                at = kept
                if start < 0:
                    break
            if told is not None:
                seen = start + told.place.end
                if seen > end:
                    break
                length = int.from_bytes(text[start + told.place.at : seen], told.place.byte_order) + told.adds
                if not told.least <= length <= told.most:
                    self._fail()
                    floor = max(floor, seen - 1)
                    at = start + 1
                    continue
            stop = start + length
            if stop > end:
                break
            if not self._holds(text[start:stop]):
                self._fail()
                floor = max(floor, stop - 1)
                at = start + 1
                continue
            place = max(stop - 1, floor)
            if place >= end:
                break
            places.append(place)
            starts.append(start)
            lengths.append(length)
            self._astray = False
            floor = place + 1
            at = stop
            if at_once and floor == stop:
                alike = self._alike(text[start:stop], text, stop, together)
                if alike:
                    stop += alike * length
                    places.extend(range(at + length - 1, stop, length))
                    starts.extend(range(at, stop, length))
                    lengths.extend([length] * alike)
                    at = floor = stop
                together = min(4 * together, _MOST_AT_ONCE) if alike == together else 4 * _FEWEST_AT_ONCE
        self._half = text[at:]
        self.ledger.pending = end - at
        return places, starts, lengths

    def _holds(self, packet: bytes) -> bool:
        """Whether a packet of the right length has the right end and checksum."""
        framing = self._framing
        checked = framing.checked
        if not packet.endswith(framing.end):
            return False
        if checked is None:
            return True
        sent = packet[checked.at :][: checked.checksum.size]
        computed = checked.checksum.one(packet[checked.first : checked.stop(len(packet))])
        return int.from_bytes(sent, checked.byte_order) == computed

    def _alike(self, packet: bytes, text: bytes, at: int, most: int) -> int:
        """Return how many packets, framed and as long as `packet`, follow each other without a gap from `at` on."""
        length = len(packet)
        count = min(most, (len(text) - at) // length)
        eighth = at + (_FEWEST_AT_ONCE - 1) * length
        if count < _FEWEST_AT_ONCE or not text.startswith(packet[: self._head], eighth):
            return 0
        rows = np.frombuffer(text, dtype=np.uint8, count=count * length, offset=at).reshape(count, length)
        model = np.frombuffer(packet, dtype=np.uint8)
        framing, told, checked = self._framing, self._told, self._framing.checked
        spans = [(0, len(framing.sync)), (length - len(framing.end), length)]
        if told is not None:
            spans.append((told.place.at, told.place.end))
        good = np.ones(count, dtype=np.bool_)
        for first, beyond in spans:
            good &= (rows[:, first:beyond] == model[first:beyond]).all(axis=1)
        if checked is not None:
            first = from_end(checked.at, length)
            size = checked.checksum.size
            sent = _unsigned(rows[:, first : first + size], checked.byte_order)
            good &= sent == checked.checksum.all(rows[:, checked.first : checked.stop(length)])
        return count if good.all() else int(good.argmin())

    def _fail(self) -> None:
        """Reject the first byte of what looked like a packet and was none."""
        self.ledger.rejected += 1
        self.ledger.bad_messages += 1
        self._astray = True

    def _reject(self, count: int) -> None:
        """Reject bytes between packets."""
        if count:
            self.ledger.rejected += count
            self.ledger.bad_messages += not self._astray
            self._astray = True

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected."""
        if self._half:
            self.ledger.rejected += len(self._half)
            self.ledger.bad_messages += 1
        self.ledger.pending = 0
        self._half = b""
        self._astray = False

    def carried(self) -> str:
        """Return the bytes of the packet begun (as latin-1 text), and whether damage stands before them."""
        return json.dumps({"half": self._half.decode("latin-1"), "astray": self._astray})

    def carry(self, text: str) -> None:
        """Take up what `carried` returned; the packet begun counts as taken."""
        state = json.loads(text)
        self.fresh()
        self._half = state["half"].encode("latin-1")
        self._astray = state["astray"]
        self.ledger.taken += len(self._half)
        self.ledger.pending = len(self._half)


class _Reader:
    """Takes a number out of one packet, or out of many."""

    def __init__(self, place: Place) -> None:
        self.at, self.end = place.at, place.end
        self._order: Order = place.byte_order
        self._mask = place.mask
        self._shift = (place.mask & -place.mask).bit_length() - 1 if place.mask else 0
        self._signed = place.type[0] == "i"
        self._float = None
        if place.type[0] == "f":
            self._float = struct.Struct(("<" if place.byte_order == "little" else ">") + "fd"[place.type == "f64"])

    def one(self, packet: bytes) -> float:
        """Return the number in a packet, a whole one unless it is sent as a fraction."""
        if self._float is not None:
            value: float = self._float.unpack_from(packet, self.at)[0]
            return value
        number = int.from_bytes(packet[self.at : self.end], self._order, signed=self._signed)
        return (number & self._mask) >> self._shift if self._mask else number

    def all(self, text: bytes, starts: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the numbers of the packets that start at `starts` (n,), shape (n,)."""
        if not len(starts):
            return np.empty(0)
        sent = gathered(text, starts + self.at, self.end - self.at)
        if self._float is not None:
            with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN like any other
                return sent.view(np.dtype(self._float.format)).astype(np.float64)[:, 0]
        numbers = _unsigned(sent, self._order)
        if self._signed:
            top = 1 << 8 * (self.end - self.at) - 1
            numbers = (numbers ^ top) - top
        if self._mask:
            numbers = (numbers & self._mask) >> self._shift
        return numbers.astype(np.float64)


class _Wanted:
    """A field made ready: number in, value and reason out."""

    def __init__(self, field: Field, channels: Mapping[str, Channel]) -> None:
        channel = channels.get(field.channel)
        if channel is None:
            raise ValueError(f'"{field.channel}" is no channel')
        self._bring = Bring()
        if field.unit is not None:
            if field.unit.stored != channel.unit:
                raise ValueError(f'{field.channel} is stored in "{channel.unit}", not in {field.unit.word}')
            self._bring = Bring.of(field.unit)
        self.channel = channel.number
        self.end = field.place.end
        self.identity = field.identity
        self._reader = _Reader(field.place)
        self._scale, self._offset = field.scale, field.offset
        self._low, self._high = bounds(channel.low, channel.high)
        self._codes = dict.fromkeys(field.error, _ERROR) | dict.fromkeys(field.not_available, _NOT_AVAILABLE)

    def one(self, packet: bytes, ready: bool) -> tuple[float, int]:
        """Return (value, why) of a packet that has the field."""
        number = self._reader.one(packet)
        code = self._codes.get(number)
        if code is not None:
            return math.nan, code if ready else _NOT_READY
        value = self._bring.one(number * self._scale + self._offset)
        if not ready:
            return value if value == value else math.nan, _NOT_READY  # noqa: PLR0124 - the quickest test for NaN
        if self._low <= value <= self._high:
            return value, 0
        return doubted(value)

    def all(
        self, text: bytes, starts: NDArray[np.int64], ready: NDArray[np.bool_] | None
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Return (values, whys), both of shape (n,), as `one` does for one."""
        numbers = self._reader.all(text, starts)
        with np.errstate(over="ignore", invalid="ignore"):  # beyond every range: it is told as no number below
            values, why = screened_all(self._bring.all(numbers * self._scale + self._offset), self._low, self._high)
        for code, reason in self._codes.items():
            coded = numbers == code
            why[coded] = reason
            values = np.where(coded, math.nan, values)
        if ready is not None:
            why[~ready] = _NOT_READY
        return values, why


def _unsigned(sent: NDArray[np.uint8], order: Order) -> NDArray[np.int64]:
    """Return the whole numbers (n,) that rows of bytes (n, k) mean, k up to 4."""
    numbers = np.zeros(len(sent), dtype=np.int64)
    for column in sent.T[:: 1 if order == "big" else -1]:
        numbers = numbers << 8 | column
    return numbers


def _begun(text: bytes, at: int, sync: bytes) -> int:
    """Return where in `text`, not before `at` and without a whole sync, the beginning of one stands; else its end."""
    for kept in range(max(at, len(text) - len(sync) + 1), len(text)):
        if sync.startswith(text[kept:]):
            return kept
    return len(text)
