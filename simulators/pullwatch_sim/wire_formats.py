"""What passes over each kind of wire, taken apart far enough to be falsified: whole messages, and numbers in them.

A changed number is written back as the sender would have written it, with its check sum right: so it is a lie that the
receiver can tell from the truth by its meaning alone.
"""

from __future__ import annotations

import binascii
import re
import struct
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Final, Protocol

from pullwatch_sim.can_frames import CHANNELS, Message, Signal, read_dbc

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    Change = Callable[[float], float]

LONGEST: Final = 4_096
"""Bytes after which what has no end yet is passed on as it is."""


class Format(Protocol):
    """One kind of wire."""

    name: str
    carries_nan: frozenset[str]
    """Fields that can say that they are no number."""
    counts: bool
    """Whether messages carry a running number, or a time."""

    def cut(self, text: bytes) -> tuple[list[bytes], bytes]:
        """Return the whole messages that `text` begins with, nothing left out, and the rest."""
        ...

    def sort(self, message: bytes) -> bytes:
        """Return what messages of one sort have in common."""
        ...

    def changed(self, message: bytes, field: str, change: Change) -> bytes:
        """Return the message with a field's number changed; as it is when it has no such field."""
        ...

    def step(self, field: str) -> float:
        """Return by how much a field's number changes with its last bit."""
        ...

    def counted_back(self, message: bytes, by: int) -> bytes:
        """Return the message with a running number that lies `by` before its own."""
        ...


def _cut_at(text: bytes, ends: re.Pattern[bytes]) -> tuple[list[bytes], bytes]:
    """Cut behind each end; a rest that is too long for any message is one."""
    messages = []
    at = 0
    for end in ends.finditer(text):
        messages.append(text[at : end.end()])
        at = end.end()
    rest = text[at:]
    return ([*messages, rest], b"") if len(rest) > LONGEST else (messages, rest)


class Lines:
    """`key=value;key=value`, CR LF."""

    name = "lines"
    carries_nan = frozenset({"lambda"})
    counts = False
    _END = re.compile(rb"\n")

    def cut(self, text: bytes) -> tuple[list[bytes], bytes]:
        """Cut behind each LF."""
        return _cut_at(text, self._END)

    def sort(self, message: bytes) -> bytes:
        """Return the first key."""
        return message.partition(b"=")[0]

    def changed(self, message: bytes, field: str, change: Change) -> bytes:
        """Write another number, with as many decimals as there were."""
        found = re.search(rb"(?:^|;)%s=(-?\d+(?:\.(\d+))?)" % re.escape(field.encode()), message)
        if found is None:
            return message
        text = f"{change(float(found[1])):.{len(found[2] or b'')}f}".encode()
        return message[: found.start(1)] + text + message[found.end(1) :]

    def step(self, field: str) -> float:  # noqa: ARG002 - the same for all
        """Return the last decimal."""
        return 0.001

    def counted_back(self, message: bytes, by: int) -> bytes:  # noqa: ARG002 - there is nothing to count
        """Return the message: lines are not counted."""
        return message


@dataclass(frozen=True, slots=True)
class _Spot:
    """Where a number stands in a packet: `code` of struct, number = raw × scale + offset."""

    at: int
    code: str
    scale: float
    offset: float = 0.0


class Packets:
    """The binary packets of `serial_packet`: C3 3C, length, running number, fields, CRC-16."""

    name = "packets"
    carries_nan = frozenset({"exhaust_gas_temperature"})
    counts = True
    _SYNC = b"\xc3\x3c"
    _SPOTS: Final[Mapping[str, _Spot]] = {
        "engine_speed": _Spot(4, ">H", 0.25),
        "manifold_pressure": _Spot(6, ">H", 0.02),
        "lambda": _Spot(8, ">H", 0.0001),
        "throttle": _Spot(11, ">B", 0.5),
        "oil_pressure": _Spot(12, ">h", 0.1),
        "coolant_temperature": _Spot(14, ">B", 1.0, -40.0),
        "battery_voltage": _Spot(15, ">H", 0.001),
        "barometric_pressure": _Spot(17, ">H", 0.02),
        "exhaust_gas_temperature": _Spot(19, ">f", 1.0),
    }
    _RANGES: Final[Mapping[str, tuple[int, int]]] = {">H": (0, 0xFFFF), ">B": (0, 0xFF), ">h": (-0x8000, 0x7FFF)}

    def cut(self, text: bytes) -> tuple[list[bytes], bytes]:
        """Cut packets by their length; what stands before a sync is a message of its own."""
        messages = []
        at = 0
        while True:
            start = text.find(self._SYNC, at)
            if start < 0:
                kept = len(text) - text.endswith(self._SYNC[:1])
                if kept > at:
                    messages.append(text[at:kept])
                return messages, text[max(kept, at) :]
            if start > at:
                messages.append(text[at:start])
            if start + 3 > len(text) or start + 3 + text[start + 2] > len(text):
                return messages, text[start:]
            at = start + 3 + text[start + 2]
            messages.append(text[start:at])

    def sort(self, message: bytes) -> bytes:
        """Return nothing: all are alike."""
        del message
        return b""

    def changed(self, message: bytes, field: str, change: Change) -> bytes:
        """Write another number, held in its range, and the check sum anew."""
        spot = self._SPOTS[field]
        if not message.startswith(self._SYNC) or spot.at + struct.calcsize(spot.code) > len(message) - 2:
            return message
        value = change(struct.unpack_from(spot.code, message, spot.at)[0] * spot.scale + spot.offset)
        raw = (value - spot.offset) / spot.scale
        if spot.code in self._RANGES:
            low, high = self._RANGES[spot.code]
            raw = int(min(max(round(raw), low), high))
        made = bytearray(message)
        struct.pack_into(spot.code, made, spot.at, raw)
        return self._summed(made)

    def step(self, field: str) -> float:
        """Return the scale."""
        return self._SPOTS[field].scale

    def counted_back(self, message: bytes, by: int) -> bytes:
        """Set the running number back."""
        if not message.startswith(self._SYNC):
            return message
        made = bytearray(message)
        made[3] = (made[3] - by) & 0xFF
        return self._summed(made)

    @staticmethod
    def _summed(made: bytearray) -> bytes:
        made[-2:] = binascii.crc_hqx(bytes(made[2:-2]), 0xFFFF).to_bytes(2, "big")
        return bytes(made)


class Frames:
    """The car's own CAN frames as slcan lines. Commands' answers are messages too."""

    name = "slcan"
    carries_nan: frozenset[str] = frozenset()
    counts = True
    _END = re.compile(rb"[\r\a]")

    def __init__(self) -> None:
        self._found: dict[str, tuple[bytes, Message, Signal]] = {}
        self._turns: dict[bytes, Signal] = {}
        for message in read_dbc():
            head = f"T{message.identifier:08X}" if message.extended else f"t{message.identifier:03X}"
            for signal in message.signals:
                self._found[f"{message.name}.{signal.name}"] = (head.encode(), message, signal)
                if signal.name == "Turn":
                    self._turns[head.encode()] = signal

    def cut(self, text: bytes) -> tuple[list[bytes], bytes]:
        """Cut behind each CR and BEL."""
        return _cut_at(text, self._END)

    def sort(self, message: bytes) -> bytes:
        """Return the identifier."""
        return message[:9] if message[:1] == b"T" else message[:4]

    def changed(self, message: bytes, field: str, change: Change) -> bytes:
        """Write another number, held in its range."""
        head, layout, signal = self._found[CHANNELS[field]]
        if self.sort(message) != head or len(message) < len(head) + 2 + 2 * layout.length:
            return message
        return self._written(message, len(head) + 1, signal, change)

    def _written(self, message: bytes, at: int, signal: Signal, change: Change) -> bytes:
        data = bytes.fromhex(message[at:-1].decode("ascii"))
        order = "little" if signal.intel else "big"
        whole = int.from_bytes(data.ljust(8, b"\0"), order)  # type: ignore[arg-type] # one of the two
        # Motorola: the highest bit is bit start % 8 of byte start // 8, the rest follow downwards.
        shift = signal.start if signal.intel else 56 - 8 * (signal.start // 8) + signal.start % 8 - signal.size + 1
        mask = (1 << signal.size) - 1
        raw = whole >> shift & mask
        low, high = 0, mask
        if signal.signed:
            low, high = -(1 << signal.size - 1), (1 << signal.size - 1) - 1
            raw -= (raw > high) << signal.size
        value = change(raw * signal.scale + signal.offset)
        new = int(min(max(round((value - signal.offset) / signal.scale), low), high)) & mask
        whole = whole & ~(mask << shift) | new << shift
        written = whole.to_bytes(8, order)[: len(data)]  # type: ignore[arg-type] # one of the two
        return message[:at] + written.hex().upper().encode() + message[-1:]

    def step(self, field: str) -> float:
        """Return the signal's scale."""
        return self._found[CHANNELS[field]][2].scale

    def counted_back(self, message: bytes, by: int) -> bytes:
        """Set the message's counter back, if it has one."""
        head = self.sort(message)
        turn = self._turns.get(head)
        if turn is None:
            return message
        return self._written(message, len(head) + 1, turn, lambda value: (value - by) % 2**turn.size)


class Sentences:
    """NMEA 0183 sentences with their check sums."""

    name = "nmea"
    carries_nan = frozenset({"vehicle_speed"})
    counts = True
    _END = re.compile(rb"\n")
    _SPEEDS: Final[Mapping[bytes, tuple[tuple[int, float], ...]]] = {
        b"RMC": ((7, 1.852),),
        b"VTG": ((5, 1.852), (7, 1.0)),
    }

    def cut(self, text: bytes) -> tuple[list[bytes], bytes]:
        """Cut behind each LF."""
        return _cut_at(text, self._END)

    def sort(self, message: bytes) -> bytes:
        """Return the address."""
        return message[:6]

    def changed(self, message: bytes, field: str, change: Change) -> bytes:
        """Write another speed (km/h), with two decimals, and the check sum anew."""
        assert field == "vehicle_speed"
        parts = self._taken_apart(message)
        for place, kmh in self._SPEEDS.get(message[3:6], ()):
            if parts and parts[place]:
                parts[place] = f"{change(float(parts[place]) * kmh) / kmh:.2f}".encode()
        return self._whole(parts) if parts else message

    def step(self, field: str) -> float:  # noqa: ARG002 - the same for all
        """Return the last decimal."""
        return 0.01

    def counted_back(self, message: bytes, by: int) -> bytes:
        """Set the time of the fix back by seconds; at midnight it stays."""
        parts = self._taken_apart(message)
        if not parts or message[3:6] not in (b"RMC", b"GGA") or len(parts[1]) < 6:
            return message
        seconds = int(parts[1][:2]) * 3_600 + int(parts[1][2:4]) * 60 + int(parts[1][4:6]) - by
        hours, rest = divmod(max(seconds, 0), 3_600)
        parts[1] = b"%02d%02d%02d" % (hours, rest // 60, rest % 60) + parts[1][6:]
        return self._whole(parts)

    @staticmethod
    def _taken_apart(message: bytes) -> list[bytes]:
        found = re.fullmatch(rb"\$([^*]*)\*[0-9A-F]{2}\r\n", message)
        return found[1].split(b",") if found else []

    @staticmethod
    def _whole(parts: list[bytes]) -> bytes:
        body = b",".join(parts)
        return b"$%s*%02X\r\n" % (body, reduce(xor, body, 0))


class Answers:
    """Answers of a control unit (service 01, one PID in a single frame) as slcan lines."""

    name = "diagnostics"
    carries_nan: frozenset[str] = frozenset()
    counts = False
    _END = re.compile(rb"[\r\a]")
    _PIDS: Final[Mapping[str, tuple[int, int, float, float]]] = {
        "manifold_pressure": (0x0B, 1, 1.0, 0.0),
        "engine_speed": (0x0C, 2, 0.25, 0.0),
        "vehicle_speed": (0x0D, 1, 1.0, 0.0),
        "throttle": (0x11, 1, 100 / 255, 0.0),
        "coolant_temperature": (0x05, 1, 1.0, -40.0),
    }
    _ANSWER = re.compile(rb"t7E[89A-F]8(0[3-7])41([0-9A-F]{2})([0-9A-F]+)\r")

    def cut(self, text: bytes) -> tuple[list[bytes], bytes]:
        """Cut behind each CR and BEL."""
        return _cut_at(text, self._END)

    def sort(self, message: bytes) -> bytes:
        """Return identifier, length, service and PID."""
        return message[:11]

    def changed(self, message: bytes, field: str, change: Change) -> bytes:
        """Write another number, held in its range."""
        pid, size, scale, offset = self._PIDS[field]
        found = self._ANSWER.fullmatch(message)
        if found is None or int(found[2], 16) != pid:
            return message
        raw = int(found[3][: 2 * size], 16)
        value = change(raw * scale + offset)
        new = int(min(max(round((value - offset) / scale), 0), (1 << 8 * size) - 1))
        return message[: found.start(3)] + b"%0*X" % (2 * size, new) + message[found.start(3) + 2 * size :]

    def step(self, field: str) -> float:
        """Return the formula's factor."""
        return self._PIDS[field][2]

    def counted_back(self, message: bytes, by: int) -> bytes:  # noqa: ARG002 - there is nothing to count
        """Return the message: answers are not counted."""
        return message


FORMATS: Final[Mapping[str, Callable[[], Format]]] = {
    "lines": Lines, "packets": Packets, "slcan": Frames, "nmea": Sentences, "diagnostics": Answers
}  # fmt: skip
"""By name."""
