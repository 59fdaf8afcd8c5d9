"""Faults on the wire: bytes in with the times at which they were sent, bytes out with the times at which they arrive.

Pure: no clock, no port. `Faulty` stands between a sender and a receiver; tests put a tape through it, `fault_shim` a
live connection. Every random choice hangs on its seed. Faults are given at stated times, and several may act at once,
in the order in which they are named.
"""

from __future__ import annotations

import heapq
import math
import random
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch_sim.wire_formats import Format

MS: Final = 1_000_000
SECOND: Final = 1_000_000_000
_BITS: Final = 10
"""Bits of a byte on a serial line: start, eight of data, stop."""


class KindOfFault(NamedTuple):
    """What a fault does, its options with their defaults, and what family it is of."""

    says: str
    family: str
    options: Mapping[str, float | str]


TIMING, FRAMING, VALUE, PORT = "timing", "framing", "value", "port"
KINDS: Final[Mapping[str, KindOfFault]] = {
    "off": KindOfFault("nothing is sent, the connection stays", TIMING, {}),
    "slow": KindOfFault("only one message in so many is sent", TIMING, {"every": 5}),
    "delayed": KindOfFault("messages come late, and in order", TIMING, {"ms": 1_000}),
    "intermittent": KindOfFault("silent for a time, then there for a time", TIMING, {"off_ms": 800, "on_ms": 100}),
    "garbage": KindOfFault("all bytes of this share of the messages are random ones", FRAMING, {"share": 1.0}),
    "bit_flip": KindOfFault("one bit of this share of the messages is turned", FRAMING, {"share": 1.0}),
    "half_lines": KindOfFault("the second half of each message is lost, its end with it", FRAMING, {}),
    "misaligned": KindOfFault("one byte of each message is lost, at a random place", FRAMING, {}),
    "wrong_rate": KindOfFault("the receiver samples at this many times the sender's bit rate", FRAMING, {"ratio": 2.0}),
    "flood": KindOfFault("random bytes between all messages, so many a second", FRAMING, {"bytes_per_s": 200_000}),
    "nan": KindOfFault("a field says it is no number", FRAMING, {"field": "", "value": math.nan}),
    "duplicated": KindOfFault("each message is sent twice", VALUE, {}),
    "counter_back": KindOfFault("running numbers, or times, go back by this at every message", VALUE, {"by": 3}),
    "stuck": KindOfFault("a field keeps the number it had", VALUE, {"field": ""}),
    "wrong_value": KindOfFault("a field says this at once", VALUE, {"field": "", "value": 0.0}),
    "bias": KindOfFault("a field is off by this", VALUE, {"field": "", "by": 0.0}),
    "drift": KindOfFault("a field goes off by so much a second", VALUE, {"field": "", "per_s": 0.0}),
    "stuck_bit": KindOfFault("a bit of a field's number is always this", VALUE, {"field": "", "bit": 5, "to": 0}),
    "unit_swap": KindOfFault("a field is sent in another unit: the number × this", VALUE, {"field": "", "factor": 1.0}),
    "impossible": KindOfFault("a field says what cannot be, in a whole message", VALUE, {"field": "", "value": 1e9}),
    "unplugged": KindOfFault("the port is gone", PORT, {}),
    "brown_out": KindOfFault("the port is gone for a moment while the starter turns", PORT, {"ms": 300}),
    "swapped": KindOfFault("gone for a moment, then the port is the other adapter's", PORT, {"ms": 300}),
}  # fmt: skip


class FaultError(ValueError):
    """A fault cannot be as it is written: says what was wrong and what was expected."""


@dataclass(frozen=True, slots=True)
class WireFault:
    """One fault, from `begin` up to but not including `end` (ns)."""

    kind: str
    begin: int
    end: int
    options: Mapping[str, float | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise FaultError(f'fault "{self.kind}" is not known; expected one of {", ".join(KINDS)}')
        known = KINDS[self.kind].options
        for key in self.options:
            if key not in known:
                raise FaultError(f'{self.kind} has no option "{key}"; it has {", ".join(known) or "none"}')
        if "field" in known and not self.options.get("field"):
            raise FaultError(f"{self.kind} needs field=NAME: the number it falsifies")
        if not 0 <= self.begin < self.end:
            raise FaultError(f"{self.kind} must begin at 0 or later, and end after its beginning")

    def number(self, key: str) -> float:
        """Return an option that is a number."""
        return float(self.options.get(key, KINDS[self.kind].options[key]))

    def word(self, key: str) -> str:
        """Return an option that is a word."""
        return str(self.options.get(key, KINDS[self.kind].options[key]))

    def acts(self, t: int) -> bool:
        """Whether it is there at `t`."""
        return self.begin <= t < self.end


def fault_of(text: str) -> WireFault:
    """Read `KIND FROM_S UNTIL_S option=value …`. Raises FaultError."""
    words = text.split()
    try:
        kind, begin, end = words[0], round(float(words[1]) * SECOND), round(float(words[2]) * SECOND)
        pairs = dict(word.split("=", 1) for word in words[3:])
        options: dict[str, float | str] = {
            key: value if isinstance(KINDS[kind].options.get(key), str) else float(value)
            for key, value in pairs.items()
        }
    except (IndexError, ValueError, OverflowError):
        raise FaultError(f'"{text}": expected "KIND FROM_S UNTIL_S option=value …"') from None
    except KeyError:
        options = {}
    return WireFault(kind, begin, end, options)


def away_spans(faults: Sequence[WireFault]) -> list[tuple[int, int]]:
    """Return the spans in which the port does not exist."""
    spans = [(fault.begin, fault.end) for fault in faults if fault.kind == "unplugged"]
    for fault in faults:
        if fault.kind in ("brown_out", "swapped"):
            spans.append((fault.begin, fault.begin + round(fault.number("ms") * MS)))
            if fault.kind == "swapped":
                spans.append((fault.end, fault.end + round(fault.number("ms") * MS)))
    return sorted(spans)


def sampled(data: bytes, ratio: float) -> bytes:
    """Return what a receiver makes of bytes sent without a pause, when it samples at `ratio` times their bit rate.

    A byte on the line is a start bit (low), eight bits of data, the least first, and a stop bit (high), as usual
    ("8N1"). The receiver looks at the middle of each bit, counted in its own time from the edge of the start bit; a
    byte whose stop bit is not high is a framing error and thrown away, as drivers do.
    """
    line = []
    for byte in data:
        line += [0, *(byte >> place & 1 for place in range(8)), 1]
    end = len(line)

    def level(at: float) -> int:
        place = int(at)
        return line[place] if 0 <= place < end else 1

    out = bytearray()
    at = 0.0
    while at < end:
        # The next falling edge: from the middle of nowhere, the line must be high before.
        place = math.ceil(at)
        while place < end and not (line[place] == 0 and (place == 0 or line[place - 1] == 1)):
            place += 1
        if place >= end:
            break
        start = float(place)
        bits = [level(start + (number + 0.5) / ratio) for number in range(_BITS)]
        if bits[0]:
            at = start + 1.0
            continue
        if bits[-1]:
            out.append(sum(bit << number for number, bit in enumerate(bits[1:9])))
        at = start + (_BITS - 0.5) / ratio
    return bytes(out)


class Faulty:
    """A wire with faults. Give it what is sent with `take`, get what arrives with `due`.

    `damaged` counts the messages that a fault touched. With nothing wrong every byte goes through as it came.
    """

    def __init__(self, form: Format, faults: Sequence[WireFault], seed: int = 1) -> None:
        self.damaged = 0
        self.away = away_spans(faults)
        self._form = form
        self._faults = [fault for fault in faults if KINDS[fault.kind].family != PORT]
        self._random = random.Random(seed)
        self._rest = b""
        self._out: list[tuple[int, int, bytes]] = []
        self._count = 0
        self._latest = 0
        self._kept: dict[int, float] = {}
        self._passed: dict[tuple[int, bytes], int] = {}
        self._flooded: dict[int, int] = {}

    def take(self, t: int, data: bytes) -> None:
        """Take what is sent at `t`; times never fall."""
        messages, self._rest = self._form.cut(self._rest + data)
        for message in messages:
            if any(begin <= t < end for begin, end in self.away):
                continue
            sent = [(t, message)]
            for number, fault in enumerate(self._faults):
                if fault.acts(t):
                    sent = [made for at, one in sent for made in self._hit(number, fault, at, one)]
            if sent != [(t, message)]:
                self.damaged += 1
            for at, one in sent:
                self._put(at, one)

    def due(self, now: int) -> list[tuple[int, bytes]]:
        """Return what has arrived by `now`, with its times, in order."""
        for number, fault in enumerate(self._faults):
            if fault.kind == "flood":
                self._flood(number, fault, now)
        arrived = []
        while self._out and self._out[0][0] <= now:
            t, _, data = heapq.heappop(self._out)
            if not any(begin <= t < end for begin, end in self.away):
                arrived.append((t, data))
        return arrived

    def next_due(self) -> int:
        """Return when the next piece arrives that is on its way; far away if none is."""
        return self._out[0][0] if self._out else 1 << 62

    def cut_off(self) -> None:
        """Forget what is on its way: the connection was made anew."""
        self._rest = b""
        self._out.clear()

    def _put(self, t: int, data: bytes) -> None:
        # A wire does not overtake itself: what was delayed holds up what is behind it.
        self._latest = t = max(t, self._latest)
        self._push(t, data)

    def _push(self, t: int, data: bytes) -> None:
        if data:
            heapq.heappush(self._out, (t, self._count, data))
            self._count += 1

    def _flood(self, number: int, fault: WireFault, now: int) -> None:
        """Lay random bytes between the messages, a piece each ms."""
        begun = self._flooded.get(number, fault.begin)
        until = min(now, fault.end)
        each = round(fault.number("bytes_per_s") / 1_000)
        while begun < until:
            self._push(begun, self._random.randbytes(each))
            begun += MS
        self._flooded[number] = begun

    def _hit(self, number: int, fault: WireFault, t: int, message: bytes) -> list[tuple[int, bytes]]:
        """Return what becomes of one message."""
        chance = self._random
        match fault.kind:
            case "off":
                return []
            case "slow":
                key = (number, self._form.sort(message))
                count = self._passed[key] = self._passed.get(key, 0) + 1
                return [(t, message)] if count % round(fault.number("every")) == 0 else []
            case "delayed":
                return [(t + round(fault.number("ms") * MS), message)]
            case "intermittent":
                off, on = fault.number("off_ms") * MS, fault.number("on_ms") * MS
                return [(t, message)] if (t - fault.begin) % (off + on) >= off else []
            case "garbage":
                hit = chance.random() < fault.number("share")
                return [(t, chance.randbytes(len(message)) if hit else message)]
            case "bit_flip":
                if chance.random() >= fault.number("share"):
                    return [(t, message)]
                made = bytearray(message)
                made[chance.randrange(len(made))] ^= 1 << chance.randrange(8)
                return [(t, bytes(made))]
            case "half_lines":
                return [(t, message[: len(message) // 2])]
            case "misaligned":
                at = chance.randrange(len(message))
                return [(t, message[:at] + message[at + 1 :])]
            case "wrong_rate":
                return [(t, sampled(message, fault.number("ratio")))]
            case "flood":  # the line is never at rest: there is something before every message
                return [(t, chance.randbytes(round(fault.number("bytes_per_s") / 1_000))), (t, message)]
            case "duplicated":
                return [(t, message), (t, message)]
            case "counter_back":
                key = (number, self._form.sort(message))
                count = self._passed[key] = self._passed.get(key, 0) + 1
                return [(t, self._form.counted_back(message, count * round(fault.number("by"))))]
            case _:
                return [(t, self._form.changed(message, fault.word("field"), self._lie(number, fault, t)))]

    def _lie(self, number: int, fault: WireFault, t: int) -> Callable[[float], float]:
        """Return what a fault of a value makes of a number sent at `t`."""
        match fault.kind:
            case "stuck":
                return lambda value: self._kept.setdefault(number, value)
            case "bias":
                return lambda value: value + fault.number("by")
            case "drift":
                return lambda value: value + fault.number("per_s") * (t - fault.begin) / SECOND
            case "unit_swap":
                return lambda value: value * fault.number("factor")
            case "stuck_bit":
                return lambda value: self._stuck_bit(fault, value)
            case _:  # nan, wrong_value, impossible
                return lambda _: fault.number("value")

    def _stuck_bit(self, fault: WireFault, value: float) -> float:
        step = self._form.step(fault.word("field"))
        raw, bit = round(value / step), 1 << round(fault.number("bit"))
        return (raw | bit if fault.number("to") else raw & ~bit) * step
