"""CAN signals: a table of shifts, and the decoder that lays it over frames.

The table is plain data. It is made from a DBC file at start (`feeds.dbc_file`), written into the session's start
record, and read from there by a replay, which needs neither the DBC file nor the library that reads it.

A value is made in the same steps whether frames are few or many, so that it is the same to the last bit: the raw
integer (or IEEE 754 float) · raw × scale + offset · to the channel's unit · screened.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from struct import Struct
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

import numpy as np

from pullwatch.columns import Column, join
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import ERROR, HIGHEST_STANDARD, REMOTE, Packed, id_word
from pullwatch.decoders.screen import Bring, bounds, doubted, screened_all
from pullwatch.decoders.slcan import Slcan
from pullwatch.errors import PullwatchError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.batch import Record
    from pullwatch.channels import Channel
    from pullwatch.columns import Columns, Sample
    from pullwatch.decoders.frames import Framing, ManyFrames

EXACT: Final = 1 << 53
"""Up to here every integer is a float64, and float arithmetic on integers is exact."""
LARGEST_SCALED: Final = 10**300

_FLOATS: Final = {32: (Struct("<I"), Struct("<f")), 64: (Struct("<Q"), Struct("<d"))}
_BYTES_AT_ONCE: Final = 1 << 22
"""Raw bytes decoded in one go (half a minute of a full bus): what is in the works takes about five times as much."""
_CLASSIC_WIDTH: Final = 8
_FD_WIDTH: Final = 64 + 8
"""Wide enough for an eight-byte window from any byte of a CAN FD frame, and the byte after it."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a signal's bits lie. Both orders count bits from 0 so that the frame needs `first + length` bits.

    Intel (`motorola` false): `first` is the least significant bit, bit 8b + i being bit i (of weight 2^i) of byte b.
    Motorola: `first` is the most significant bit as sent, bit 8b + i being the bit of weight 2^(7 - i) of byte b.
    """

    motorola: bool
    first: int
    length: int

    @classmethod
    def of_dbc(cls, start: int, length: int, *, motorola: bool) -> Place:
        """Return the place of a signal from the start bit as a DBC writes it (Motorola: the sawtooth bit number)."""
        return cls(motorola, 8 * (start // 8) + 7 - start % 8 if motorola else start, length)

    @property
    def need(self) -> int:
        """Bytes a frame must have."""
        return (self.first + self.length + 7) // 8

    def shift(self, width: int) -> int:
        """How far the frame, read as one integer of `width` bytes, is shifted right to bring the signal to bit 0."""
        return 8 * width - self.first - self.length if self.motorola else self.first


@dataclass(frozen=True, slots=True)
class Selector:
    """A condition of multiplexing: the raw unsigned value at `place` lies in one of `ranges` (both ends included)."""

    place: Place
    ranges: tuple[tuple[int, int], ...]

    def picks(self, raw: int) -> bool:
        """Whether a frame with this raw value is meant."""
        return any(low <= raw <= high for low, high in self.ranges)

    def picks_all(self, raws: NDArray[np.uint64]) -> NDArray[np.bool_]:
        """Say the same of an array."""
        hit = np.zeros(len(raws), dtype=np.bool_)
        for low, high in self.ranges:
            hit |= (raws >= np.uint64(low)) & (raws <= np.uint64(high))
        return hit


@dataclass(frozen=True, slots=True)
class Entry:
    """One signal of one message that feeds one channel.

    `form` is `unsigned`, `signed` or `float` (IEEE 754 of 32 or 64 bits). Value in the signal's own unit:
    raw × scale + offset, the product in whole numbers if scale is an `int`, the sum if both are. `when` lists the
    multiplexing conditions, outermost first.
    """

    channel: int
    signal: str
    can_id: int
    extended: bool
    length: int
    place: Place
    form: str
    scale: float
    offset: float
    bring: Bring
    when: tuple[Selector, ...] = ()

    @property
    def word(self) -> int:
        """The id word of its frames."""
        return id_word(self.can_id, extended=self.extended)

    @property
    def need(self) -> int:
        """Bytes of data looked at, the multiplexing conditions included."""
        return max(self.place.need, *(selector.place.need for selector in self.when), 0)

    @property
    def is_plain(self) -> bool:
        """Whether raw is the value already."""
        return self.scale == 1 and self.offset == 0

    @property
    def in_whole_numbers(self) -> bool:
        """Whether the product must be made in whole numbers, because float64 would round it."""
        if self.form == "float" or self.is_plain or not isinstance(self.scale, int):
            return False
        offset = abs(self.offset) if isinstance(self.offset, int) else 0
        return EXACT < (abs(self.scale) << self.place.length) + offset < LARGEST_SCALED

    def value(self, raw: int) -> float:
        """Return the value, in the signal's own unit, of a raw unsigned integer."""
        if self.form == "float":
            as_integer, as_float = _FLOATS[self.place.length]
            number: float = as_float.unpack(as_integer.pack(raw))[0]
            return number if self.is_plain else number * float(self.scale) + float(self.offset)
        if self.form == "signed" and raw >> (self.place.length - 1):
            raw -= 1 << self.place.length
        if self.in_whole_numbers:
            return float(raw * self.scale + self.offset)
        return raw * float(self.scale) + float(self.offset)

    def maker(self) -> Callable[[NDArray[np.uint64]], NDArray[np.float64]]:
        """Return what makes an array of values, in the channel's unit, of an array of raw unsigned integers.

        The same to the last bit as `value` and `bring`. Steps that change nothing are left out.
        """
        if self.in_whole_numbers:
            return lambda raws: self.bring.all(np.array([self.value(raw) for raw in raws.tolist()], dtype=np.float64))
        number = self._number_maker()
        scale, offset = float(self.scale), float(self.offset)
        multiplies = not self.is_plain and scale != 1
        # Adding 0.0 matters to -0.0 alone: of a float, or of 0 times a negative scale.
        adds = not self.is_plain and (offset != 0 or scale < 0 or self.form == "float")
        brings = not self.bring.is_none

        def make(raws: NDArray[np.uint64]) -> NDArray[np.float64]:
            values = number(raws)
            if multiplies:
                values = values * scale
            if adds:
                values = values + offset
            return self.bring.all(values) if brings else values

        return make

    def _number_maker(self) -> Callable[[NDArray[np.uint64]], NDArray[np.float64]]:
        if self.form == "float":
            if self.place.length == 64:
                return lambda raws: raws.view(np.float64)
            return lambda raws: raws.astype(np.uint32).view(np.float32).astype(np.float64)
        if self.form == "signed":
            up, down = np.uint64(64 - self.place.length), np.int64(64 - self.place.length)
            return lambda raws: ((raws << up).view(np.int64) >> down).astype(np.float64)
        return lambda raws: raws.astype(np.float64)


@dataclass(frozen=True, slots=True)
class DbcTable:
    """Everything the decoder must know of a DBC file, and what was assumed in reading it (`notes`, for people).

    `fd` says whether the bus carries CAN FD frames.
    """

    file: str
    entries: tuple[Entry, ...]
    fd: bool = False
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the table as what JSON can hold."""
        return asdict(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> DbcTable:
        """Build the table from what `to_dict` returned, after JSON or not.

        Raises PullwatchError when it is anything else.
        """
        try:
            return cls(
                plain["file"], tuple(_entry(entry) for entry in plain["entries"]), plain["fd"], tuple(plain["notes"])
            )
        except (KeyError, TypeError, ValueError) as wrong:
            raise PullwatchError(
                f"the table of CAN signals cannot be understood ({type(wrong).__name__}: {wrong}); "
                f"it was written by another version or is damaged"
            ) from wrong


def _entry(plain: Mapping[str, Any]) -> Entry:
    when = tuple(
        Selector(Place(**selector["place"]), tuple((low, high) for low, high in selector["ranges"]))
        for selector in plain["when"]
    )
    return Entry(**{**plain, "place": Place(**plain["place"]), "bring": Bring(**plain["bring"]), "when": when})


class Data:
    """The data of many frames, shape (n, `_CLASSIC_WIDTH` or `_FD_WIDTH`), to be read at any `Place`."""

    __slots__ = ("_data", "_intel", "_motorola")

    def __init__(self, data: NDArray[np.uint8]) -> None:
        self._data = data
        self._intel: NDArray[np.uint64] | None = None
        self._motorola: NDArray[np.uint64] | None = None

    def _window(self, begin: int, *, motorola: bool) -> NDArray[np.uint64]:
        """Return the eight bytes from `begin` on, of each frame, as one integer in that order."""
        data = self._data
        if data.shape[1] != _CLASSIC_WIDTH:
            data = np.ascontiguousarray(data[:, begin : begin + _CLASSIC_WIDTH])
        return data.view(">u8" if motorola else "<u8").reshape(-1).astype(np.uint64, copy=False)

    def raws(self, place: Place) -> NDArray[np.uint64]:
        """Return the raw unsigned integers, shape (n,); what they are where a frame is too short is not defined."""
        if place.need > _CLASSIC_WIDTH:
            return self._far_raws(place)
        if place.motorola:
            if self._motorola is None:
                self._motorola = self._window(0, motorola=True)
            words = self._motorola
        else:
            if self._intel is None:
                self._intel = self._window(0, motorola=False)
            words = self._intel
        shift = place.shift(_CLASSIC_WIDTH)
        if shift:
            words = words >> np.uint64(shift)
        return words if shift + place.length == 64 else words & np.uint64((1 << place.length) - 1)

    def _far_raws(self, place: Place) -> NDArray[np.uint64]:
        """Do the same beyond the first eight bytes, where a signal of 64 bits may touch nine."""
        begin, first = divmod(place.first, 8)
        words = self._window(begin, motorola=place.motorola)
        beyond = first + place.length - 64
        if beyond <= 0:
            words = words >> np.uint64(-beyond if place.motorola else first)
        else:
            ninth = self._data[:, begin + _CLASSIC_WIDTH].astype(np.uint64)
            if place.motorola:
                words = words << np.uint64(beyond) | ninth >> np.uint64(8 - beyond)
            else:
                words = words >> np.uint64(first) | ninth << np.uint64(64 - first)
        return words & np.uint64((1 << place.length) - 1)


_Maker: TypeAlias = "Callable[[int], float] | None"
_Bringer: TypeAlias = "Callable[[float], float] | None"
_Shifts: TypeAlias = tuple[int, bool, int, int, int, float, float, _Maker, _Bringer, float, float]
"""(channel, Motorola, shift, mask, sign bit or 0, scale, offset, how a value is made otherwise, brought, low, high)."""


class Message:
    """The wanted signals of one message, ready to be laid over a frame."""

    __slots__ = ("_chosen", "entries", "intel", "makers", "motorola", "multiplexed", "need", "shifts", "width")

    def __init__(self, entries: Sequence[Entry], ranges: Mapping[int, tuple[float, float]]) -> None:
        self.entries = sorted(entries, key=lambda entry: entry.channel)
        self.need = max(entry.need for entry in entries)
        self.width = max(self.need, *(entry.length for entry in entries))
        places = [entry.place for entry in entries] + [part.place for entry in entries for part in entry.when]
        self.intel = not all(place.motorola for place in places)
        self.motorola = any(place.motorola for place in places)
        self.multiplexed = any(entry.when for entry in entries)
        self.makers = [entry.maker() for entry in self.entries]
        self.shifts = [self._shifts(entry, *ranges[entry.channel]) for entry in self.entries]
        self._chosen = [
            ([(part, part.place.shift(self.width)) for part in entry.when], entry.place.need, shifts)
            for entry, shifts in zip(self.entries, self.shifts, strict=True)
        ]

    def _shifts(self, entry: Entry, low: float, high: float) -> _Shifts:
        made = entry.form == "float" or entry.in_whole_numbers
        length = entry.place.length
        return (
            entry.channel,
            entry.place.motorola,
            entry.place.shift(self.width),
            (1 << length) - 1,
            1 << (length - 1) if entry.form == "signed" else 0,
            float(entry.scale),
            float(entry.offset),
            entry.value if made else None,
            None if entry.bring.is_none else entry.bring.one,
            *bounds(low, high),
        )

    def present(self, count: int, intel: int, motorola: int) -> list[_Shifts] | None:
        """Return the signals that this frame of `count` bytes carries; None if it is too short for one of them."""
        present: list[_Shifts] = []
        for conditions, need, shifts in self._chosen:
            for selector, shift in conditions:
                place = selector.place
                if count < place.need:
                    return None
                if not selector.picks((motorola if place.motorola else intel) >> shift & (1 << place.length) - 1):
                    break
            else:
                if count < need:
                    return None
                present.append(shifts)
        return present

    def present_all(
        self, count: NDArray[np.uint8], data: Data, meant: Sequence[NDArray[np.bool_]] = ()
    ) -> tuple[list[NDArray[np.bool_]], NDArray[np.bool_]]:
        """Return for each entry which frames carry it, and which are too short for one of theirs (carrying none).

        `meant` says for each entry which frames may carry it at all; without it every frame may.
        """
        short = np.zeros(len(count), dtype=np.bool_)
        present: list[NDArray[np.bool_]] = []
        for number, entry in enumerate(self.entries):
            here = meant[number].copy() if meant else np.ones(len(count), dtype=np.bool_)
            for selector in entry.when:
                short |= here & (count < selector.place.need)
                here &= count >= selector.place.need
                here &= selector.picks_all(data.raws(selector.place))
            short |= here & (count < entry.place.need)
            present.append(here)
        return [here & ~short for here in present], short


class CanDecoder:
    """Decodes one CAN feed's raw bytes into the channels of a `DbcTable`.

    A frame too short for a wanted signal that it should carry is rejected whole: it is not the message the DBC means.
    Remote and error frames, unwanted identifiers and pages of multiplexed messages nobody asked for are passed over.

    Raises ValueError when two entries feed one channel, or a channel of the table is not among `channels`.
    """

    def __init__(
        self, table: DbcTable, channels: Mapping[str, Channel], framing: Literal["slcan", "frames"] = "slcan"
    ) -> None:
        self.ledger = Ledger()
        self.remote_frames = 0
        self.error_frames = 0
        self._framing: Framing = Packed() if framing == "frames" else Slcan(fd=table.fd)
        self._ranges = {channel.number: (channel.low, channel.high) for channel in channels.values()}
        fed = [entry.channel for entry in table.entries]
        if len(set(fed)) != len(fed) or not set(fed) <= set(self._ranges):
            raise ValueError(f"channels {sorted(fed)} of the table are not each one of {sorted(self._ranges)}")
        per_word: dict[int, list[Entry]] = {}
        for entry in table.entries:
            per_word.setdefault(self._key(entry), []).append(entry)
        self._messages = {word: Message(per_word[word], self._ranges) for word in sorted(per_word)}
        self._words = np.array(list(self._messages), dtype=np.int64)
        self._standard = np.full(HIGHEST_STANDARD + 1, len(self._words), dtype=np.int16)
        for slot, word in enumerate(self._messages):
            if word <= HIGHEST_STANDARD:
                self._standard[word] = slot
        widest = max((message.need for message in self._messages.values()), default=0)
        self._width = _CLASSIC_WIDTH if widest <= _CLASSIC_WIDTH else _FD_WIDTH

    def _key(self, entry: Entry) -> int:
        """Return what the frames of an entry are found by."""
        return entry.word

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        ledger = self.ledger
        decoded = passed_over = messages = 0
        wanted = self._messages
        append = out.append
        for at, word, payload, size in self._framing.few(t, data, ledger):
            message = wanted.get(word)
            if message is None:
                passed_over += size
                messages += 1
                if word & (REMOTE | ERROR):
                    self.remote_frames += word & REMOTE != 0
                    self.error_frames += word & ERROR != 0
                continue
            count = len(payload)
            width = message.width
            if count != width:
                payload = payload[:width].ljust(width, b"\0")  # noqa: PLW2901 - the frame as wide as the shifts expect it
            intel = int.from_bytes(payload, "little") if message.intel else 0
            motorola = int.from_bytes(payload, "big") if message.motorola else 0
            if not message.multiplexed:
                present = message.shifts if count >= message.need else None
            else:
                present = message.present(count, intel, motorola)
            if present is None:
                ledger.rejected += size
                ledger.bad_messages += 1
                continue
            messages += 1
            if present:
                decoded += size
            else:
                passed_over += size
            for channel, in_motorola, shift, mask, sign, scale, offset, made, bring, low, high in present:
                raw = (motorola if in_motorola else intel) >> shift & mask
                value = ((raw ^ sign) - sign) * scale + offset if made is None else made(raw)
                if bring is not None:
                    value = bring(value)
                if low <= value <= high:
                    append((at, channel, value, 0))
                else:
                    append((at, channel, *doubted(value)))
        ledger.decoded += decoded
        ledger.passed_over += passed_over
        ledger.messages += messages

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once."""
        parts: list[Columns] = []
        begin = taken = 0
        for end, record in enumerate(records, 1):
            taken += len(record.data)
            if taken >= _BYTES_AT_ONCE or end == len(records):
                parts.append(self._at_once(records[begin:end]))
                begin, taken = end, 0
        return parts[0] if len(parts) == 1 else join(parts)

    def _at_once(self, records: Sequence[Record]) -> Columns:
        out: Columns = {}
        ledger = self.ledger
        with np.errstate(all="ignore"):  # what comes out NaN or infinite is screened, not warned of
            frames = self._framing.many(records, self._width, ledger)
            slots = self._slots(frames.word)
            edges = np.cumsum(np.bincount(slots, minlength=len(self._messages) + 1)).tolist()
            frames = frames.taken(np.argsort(slots, kind="stable"))
            begin = 0
            for message, end in zip(self._messages.values(), edges, strict=False):  # the last edge is of the unwanted
                if begin < end:
                    self._lay(message, frames, slice(begin, end), out)
                begin = end
        odd = frames.word[begin:]
        ledger.passed_over += int(frames.size[begin:].sum())
        ledger.messages += len(odd)
        self.remote_frames += int(np.count_nonzero(odd & REMOTE))
        self.error_frames += int(np.count_nonzero(odd & ERROR))
        return out

    def _slots(self, words: NDArray[np.int64]) -> NDArray[np.int16]:
        """Return the number of each id word's message in the order of `_messages`, one more if it is unwanted."""
        if not len(self._words) or not len(words) or words.max() <= HIGHEST_STANDARD:
            found: NDArray[np.int16] = self._standard[words & HIGHEST_STANDARD]
            return found
        return self._slots_of_keys(words)

    def _slots_of_keys(self, keys: NDArray[np.int64]) -> NDArray[np.int16]:
        unwanted = len(self._words)
        slots = np.minimum(np.searchsorted(self._words, keys), unwanted - 1)
        return np.where(self._words[slots] == keys, slots, unwanted).astype(np.int16)

    def _lay(self, message: Message, frames: ManyFrames, rows: slice, out: Columns) -> None:
        """Lay one message's signals over its frames."""
        t, count, size, data = frames.t[rows], frames.count[rows], frames.size[rows], Data(frames.data[rows])
        ledger = self.ledger
        if not message.multiplexed and count.min() >= message.need:
            for entry, make in zip(message.entries, message.makers, strict=True):
                values = make(data.raws(entry.place))
                out[entry.channel] = Column(t, *screened_all(values, *self._ranges[entry.channel]))
            ledger.decoded += int(size.sum())
            ledger.messages += len(t)
            return
        present, short = message.present_all(count, data)
        for entry, make, here in zip(message.entries, message.makers, present, strict=True):
            if here.any():
                values = make(data.raws(entry.place)[here])
                out[entry.channel] = Column(t[here], *screened_all(values, *self._ranges[entry.channel]))
        self._account(present, short, size)

    def _account(self, present: list[NDArray[np.bool_]], short: NDArray[np.bool_], size: NDArray[np.int64]) -> None:
        """Account for the frames of one message, of which some carry what is wanted and some are too short for it."""
        ledger, used = self.ledger, np.logical_or.reduce(present)
        ledger.rejected += int(size[short].sum())
        ledger.bad_messages += int(np.count_nonzero(short))
        ledger.decoded += int(size[used].sum())
        ledger.passed_over += int(size[~(used | short)].sum())
        ledger.messages += len(short) - int(np.count_nonzero(short))

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected."""
        self._framing.fresh(self.ledger)

    def carried(self) -> str:
        """Return what is carried between calls, for a checkpoint (JSON text)."""
        return self._framing.carried()

    def carry(self, text: str) -> None:
        """Take up what `carried` returned."""
        self._framing.carry(text, self.ledger)
