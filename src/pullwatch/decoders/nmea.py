"""Sentences of a satellite receiver (NMEA 0183, IEC 61162-1): `$GNRMC,…*hh`, of any talker.

A sentence begins at `$` (`!` for those that carry binary data), ends at CR or LF, and is believed only if its checksum
is there and right. A `$` within a sentence begins a new one: whatever was lost, the next sentence is whole again. Its
time is that of the byte that ended it, and all that it says shares that time.

A receiver says of every fix how much it is worth. What it marks as not valid, as reckoned on without satellites, as
typed in by hand or as simulated is NOT_AVAILABLE, not a number: whether it has no fix yet or has lost it, the sentence
does not say, and nothing is to be believed either way. Only what it says of itself, `fix_quality` and `satellites`, is
told then.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Final

from pullwatch.channels import Dimension
from pullwatch.columns import Why, to_columns
from pullwatch.decoders import Ledger
from pullwatch.decoders.screen import bounds, doubted

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch.batch import Record
    from pullwatch.channels import Channel
    from pullwatch.columns import Columns, Sample

LONGEST: Final = 256
"""Bytes of the longest sentence that is believed to be one, without its end. The standard allows 82 with it; receivers
that write positions to the millimetre go beyond that."""

KNOT_IN_KMH: Final = 1.852
"""The international nautical mile is 1,852 m (ISO 80000-3)."""

COURSE_FROM_KMH: Final = 5.0
"""Below this a course says nothing: it is the direction of the noise in the speed, which at 0.1 m/s turns it by 4
degrees at 5 km/h and by any angle at a standstill (common practice, no source)."""

SENTENCES: Final[Mapping[str, tuple[str, ...]]] = {
    "RMC": ("speed", "course", "latitude", "longitude", "time", "date"),
    "GGA": ("latitude", "longitude", "altitude", "satellites", "hdop", "fix_quality", "time"),
    "VTG": ("speed", "course"),
}
"""What is read, and what of it: speed km/h, course degrees from true north, position degrees (north and east positive),
altitude m above mean sea level, time ms since midnight UTC, date as the number YYYYMMDD."""

QUANTITIES: Final[Mapping[str, tuple[frozenset[Dimension], str]]] = {
    "speed": (frozenset({Dimension.SPEED}), "km/h"),
    "course": (frozenset({Dimension.ANGLE}), "deg"),
    "latitude": (frozenset({Dimension.ANGLE}), "deg"),
    "longitude": (frozenset({Dimension.ANGLE}), "deg"),
    "altitude": (frozenset({Dimension.LENGTH}), "m"),
    "satellites": (frozenset({Dimension.NUMBER}), ""),
    "hdop": (frozenset({Dimension.NUMBER, Dimension.RATIO}), ""),
    "fix_quality": (frozenset({Dimension.NUMBER}), ""),
    "time": (frozenset({Dimension.TIME}), "ms"),
    "date": (frozenset({Dimension.NUMBER}), ""),
}
"""Dimensions a channel of each may have, and the unit it is kept in."""

_GOOD: Final = 0
_NOT_AVAILABLE: Final = int(Why.NOT_AVAILABLE)
_GARBLED: Final = int(Why.GARBLED)
_IMPLAUSIBLE: Final = int(Why.IMPLAUSIBLE)
_NONE: Final = (math.nan, _NOT_AVAILABLE)
_UNREAD: Final = (math.nan, _GARBLED)

_STARTS: Final = b"$!"
_ENDS: Final = b"\r\n"
_PIECES: Final = re.compile(rb"[$!][^$!\r\n]*|[\r\n]+|[^$!\r\n]+")
_WHOLE: Final = re.compile(rb"[$!]([\x20-\x29\x2b-\x7e]+)\*([0-9A-Fa-f]{2})")
_ADDRESS: Final = re.compile(rb"[A-OQ-Z][A-Z0-9]([A-Z]{3})")
"""Two characters of the talker, three of the sentence. What begins with P belongs to one maker, however it ends."""
_NUMBER: Final = re.compile(rb"-?(?:\d+\.?\d*|\.\d+)")
_COUNT: Final = re.compile(rb"\d{1,3}")
_TIME: Final = re.compile(rb"(\d\d)(\d\d)(\d\d(?:\.\d*)?)")
_DATE: Final = re.compile(rb"(\d\d)(\d\d)(\d\d)")
_MINUTES: Final = rb"([0-5]\d(?:\.\d*)?)"
_LATITUDE: Final = re.compile(rb"(\d\d)" + _MINUTES)
_LONGITUDE: Final = re.compile(rb"(\d\d\d)" + _MINUTES)
_FEWEST: Final[Mapping[bytes, int]] = {b"RMC": 10, b"GGA": 11, b"VTG": 9}
"""Fields a sentence needs, its address counted. Later versions of the standard have put more behind them."""

_MODES: Final[Mapping[bytes, int]] = {
    **dict.fromkeys((b"A", b"D", b"P", b"R", b"F"), _GOOD),  # autonomous, differential, precise, RTK fixed and float
    **dict.fromkeys((b"N", b"E", b"M", b"S", b""), _NOT_AVAILABLE),  # no fix, reckoned, typed in, simulated, not said
}
_QUALITIES: Final[Mapping[bytes, int]] = {
    **dict.fromkeys((b"1", b"2", b"3", b"4", b"5"), _GOOD),  # GPS, differential, precise, RTK fixed and float
    **dict.fromkeys((b"0", b"6", b"7", b"8", b""), _NOT_AVAILABLE),  # no fix, reckoned, typed in, simulated, not said
}

_Reading = tuple[float, int]
_Fields = list[bytes]


@dataclass(frozen=True, slots=True)
class Wanted:
    """A channel, and the sentence and quantity (of `SENTENCES`) it is taken from."""

    channel: str
    sentence: str
    quantity: str


def source_of(quantity: str, sentences: Sequence[str]) -> str:
    """Return the sentence a quantity is taken from: the first of those that come which has it; empty if none has."""
    return next((sentence for sentence in sentences if quantity in SENTENCES.get(sentence, ())), "")


class NmeaDecoder:
    """Decodes one feed of sentences.

    Raises ValueError when a channel is not among `channels`, is wanted twice or is not kept in the unit of its
    quantity, when a sentence has no such quantity, or when nothing is wanted.
    """

    def __init__(self, wanted: Sequence[Wanted], channels: Mapping[str, Channel]) -> None:
        self.ledger = Ledger()
        entries = sorted((_entry(one, channels) for one in wanted), key=lambda entry: entry[0])
        if not entries or len({entry[0] for entry in entries}) != len(entries):
            raise ValueError("a receiver needs channels, each wanted once")
        self._wanted: dict[bytes, list[_Entry]] = {}
        for entry in entries:
            self._wanted.setdefault(entry[1], []).append(entry)
        self._half = b""
        self._junk = False

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        ledger = self.ledger
        ledger.taken += len(data)
        at = t - len(self._half)
        text = self._half + data
        self._half = b""
        for piece in _PIECES.finditer(text):
            begin, beyond = piece.span()
            size = beyond - begin
            if text[begin] in _ENDS:
                ledger.passed_over += size
                self._junk = False
            elif text[begin] not in _STARTS:
                ledger.rejected += size
                ledger.bad_messages += not self._junk
                self._junk = True
            elif size > LONGEST:
                self._reject(size)
                self._junk = beyond == len(text)  # what follows still belongs to it
            elif beyond == len(text):
                self._half = text[begin:]
                self._junk = False
            elif text[beyond] in _ENDS:
                self._sentence(at + beyond, text[begin:beyond], out)
            else:
                self._reject(size)
                self._junk = False
        ledger.pending = len(self._half)

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once. So few sentences come in a second that one by one is quick enough."""
        out: list[Sample] = []
        for record in records:
            self.few(record.t, record.data, out)
        return to_columns(out)

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected."""
        if self._half:
            self._reject(len(self._half))
        self.ledger.pending = 0
        self._half = b""
        self._junk = False

    def carried(self) -> str:
        """Return the half sentence (as latin-1 text), and whether we are amid bytes that are no sentence."""
        return json.dumps({"half": self._half.decode("latin-1"), "junk": self._junk})

    def carry(self, text: str) -> None:
        """Take up what `carried` returned; the half sentence counts as taken."""
        state = json.loads(text)
        self.fresh()
        self._half = state["half"].encode("latin-1")
        self._junk = state["junk"]
        self.ledger.taken += len(self._half)
        self.ledger.pending = len(self._half)

    def _reject(self, size: int) -> None:
        self.ledger.rejected += size
        self.ledger.bad_messages += 1

    def _sentence(self, at: int, sentence: bytes, out: list[Sample]) -> None:
        """Decode one sentence without its end, which came at `at`."""
        self._junk = False
        size = len(sentence)
        whole = _WHOLE.fullmatch(sentence)
        if whole is None or reduce(xor, whole[1], 0) != int(whole[2], 16):
            self._reject(size)
            return
        fields = whole[1].split(b",")
        address = _ADDRESS.fullmatch(fields[0])
        entries = self._wanted.get(address[1]) if address is not None and sentence[:1] == b"$" else None
        if address is None or entries is None:
            self.ledger.passed_over += size
            self.ledger.messages += 1
            return
        if len(fields) < _FEWEST[address[1]]:
            self._reject(size)
            return
        doubt = _DOUBTS[address[1]](fields)
        for channel, _, quantity, read, low, high in entries:
            value, why = (math.nan, doubt) if doubt and quantity not in _OF_ITSELF else read(fields)
            if not why and not low <= value <= high:
                value, why = doubted(value)
            out.append((at, channel, value, why))
        self.ledger.decoded += size
        self.ledger.messages += 1


# -- whether a fix is one


def _rmc_doubt(fields: _Fields) -> int:
    """Return what is wrong with the fix of an RMC: by its status, and by its mode where it has one (from 2.3 on)."""
    status = fields[2]
    if status != b"A":
        return _NOT_AVAILABLE if status in (b"V", b"") else _GARBLED
    return _MODES.get(fields[12], _GARBLED) if len(fields) > 12 else _GOOD


def _gga_doubt(fields: _Fields) -> int:
    """Return what is wrong with the fix of a GGA, by its quality."""
    return _QUALITIES.get(fields[6], _GARBLED)


def _vtg_doubt(fields: _Fields) -> int:
    """Return what is wrong with the fix of a VTG, by its mode.

    One without a mode (before 2.3) does not say whether there is a fix, and some then write a speed of 0.
    """
    return _MODES.get(fields[9], _GARBLED) if len(fields) > 9 else _NOT_AVAILABLE


_DOUBTS: Final[Mapping[bytes, Callable[[_Fields], int]]] = {b"RMC": _rmc_doubt, b"GGA": _gga_doubt, b"VTG": _vtg_doubt}

_OF_ITSELF: Final = frozenset({"fix_quality", "satellites"})
"""What the receiver says of itself, without a fix too."""


# -- what a field says: (value, why)


def _scaled(place: int, factor: float = 1.0, unit: bytes = b"") -> Callable[[_Fields], _Reading]:
    """Return what reads a number in the unit of the channel; the next field must say `unit`, if one is given."""

    def read(fields: _Fields) -> _Reading:
        number = fields[place]
        if not number:
            return _NONE
        if _NUMBER.fullmatch(number) is None or (unit and fields[place + 1] != unit):
            return _UNREAD
        return float(number) * factor, _GOOD

    return read


def _course(read: Callable[[_Fields], _Reading], speed: Callable[[_Fields], _Reading]) -> Callable[[_Fields], _Reading]:
    """Return what reads a course, which is none unless the same sentence says that the car moves."""

    def read_moving(fields: _Fields) -> _Reading:
        value, why = read(fields)
        if why == _GOOD and not (0.0 <= value <= 360.0):
            return value, _IMPLAUSIBLE
        kmh, unsure = speed(fields)
        return (value, why) if why or (not unsure and kmh >= COURSE_FROM_KMH) else _NONE

    return read_moving


def _position(
    place: int, form: re.Pattern[bytes], most: float, halves: Mapping[bytes, float]
) -> Callable[[_Fields], _Reading]:
    """Return what reads degrees and minutes in one field, and the half of the globe in the next."""

    def read(fields: _Fields) -> _Reading:
        if not fields[place]:
            return _NONE
        found = form.fullmatch(fields[place])
        sign = halves.get(fields[place + 1])
        if found is None or sign is None:
            return _UNREAD
        degrees = int(found[1]) + float(found[2]) / 60.0
        return sign * degrees, _GOOD if degrees <= most else _IMPLAUSIBLE

    return read


def _time(fields: _Fields) -> _Reading:
    """Read hhmmss.sss as ms since midnight UTC."""
    if not fields[1]:
        return _NONE
    found = _TIME.fullmatch(fields[1])
    if found is None:
        return _UNREAD
    hours, minutes, seconds = int(found[1]), int(found[2]), float(found[3])
    right = hours < 24 and minutes < 60 and seconds < 61.0  # a minute with a leap second has 61
    return (hours * 3_600 + minutes * 60) * 1e3 + seconds * 1e3, _GOOD if right else _IMPLAUSIBLE


def _date(fields: _Fields) -> _Reading:
    """Read ddmmyy as the number YYYYMMDD; years 69 to 99 are of the last century (the rule of POSIX)."""
    if not fields[9]:
        return _NONE
    found = _DATE.fullmatch(fields[9])
    if found is None:
        return _UNREAD
    day, month, year = int(found[1]), int(found[2]), int(found[3])
    right = 1 <= month <= 12 and 1 <= day <= 31
    return (1_900 if year >= 69 else 2_000) * 1e4 + year * 1e4 + month * 1e2 + day, _GOOD if right else _IMPLAUSIBLE


def _fix_quality(fields: _Fields) -> _Reading:
    """Read the quality itself: 0 is no fix, and is known."""
    if not fields[6]:
        return _NONE
    return (float(fields[6]), _GOOD) if fields[6] in _QUALITIES else _UNREAD


def _satellites(fields: _Fields) -> _Reading:
    """Read how many satellites are used; those of a fix that is typed in or simulated are none."""
    if not fields[7] or fields[6] in (b"7", b"8"):
        return _NONE
    return (float(fields[7]), _GOOD) if _COUNT.fullmatch(fields[7]) else _UNREAD


_NORTH: Final[Mapping[bytes, float]] = {b"N": 1.0, b"S": -1.0}
_EAST: Final[Mapping[bytes, float]] = {b"E": 1.0, b"W": -1.0}
_RMC_SPEED: Final = _scaled(7, KNOT_IN_KMH)
_VTG_SPEED: Final = _scaled(7, unit=b"K")
_READERS: Final[Mapping[tuple[str, str], Callable[[_Fields], _Reading]]] = {
    ("RMC", "time"): _time,
    ("RMC", "latitude"): _position(3, _LATITUDE, 90.0, _NORTH),
    ("RMC", "longitude"): _position(5, _LONGITUDE, 180.0, _EAST),
    ("RMC", "speed"): _RMC_SPEED,
    ("RMC", "course"): _course(_scaled(8), _RMC_SPEED),
    ("RMC", "date"): _date,
    ("GGA", "time"): _time,
    ("GGA", "latitude"): _position(2, _LATITUDE, 90.0, _NORTH),
    ("GGA", "longitude"): _position(4, _LONGITUDE, 180.0, _EAST),
    ("GGA", "fix_quality"): _fix_quality,
    ("GGA", "satellites"): _satellites,
    ("GGA", "hdop"): _scaled(8),
    ("GGA", "altitude"): _scaled(9, unit=b"M"),
    ("VTG", "course"): _course(_scaled(1, unit=b"T"), _VTG_SPEED),
    ("VTG", "speed"): _VTG_SPEED,
}

_Entry = tuple[int, bytes, str, "Callable[[_Fields], _Reading]", float, float]
"""(channel number, sentence, quantity, how it is read, low, high)."""


def _entry(wanted: Wanted, channels: Mapping[str, Channel]) -> _Entry:
    channel = channels.get(wanted.channel)
    if channel is None:
        raise ValueError(f'"{wanted.channel}" is no channel')
    read = _READERS.get((wanted.sentence, wanted.quantity))
    if read is None:
        raise ValueError(f'{wanted.sentence} has no "{wanted.quantity}"')
    unit = QUANTITIES[wanted.quantity][1]
    if channel.unit != unit:
        raise ValueError(f'{channel.name} is kept in "{channel.unit}", not in "{unit}"')
    return channel.number, wanted.sentence.encode(), wanted.quantity, read, *bounds(channel.low, channel.high)
