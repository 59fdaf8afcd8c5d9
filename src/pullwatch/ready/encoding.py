"""Values into the bytes that a feed would bring: what a test signal is made of. The inverse of the decoders.

It needs no device: the bytes go to a decoder of our own. Feeds that answer questions or give sentences of a receiver
are not made up here; what rests on them is said to be untried.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any, Final, Protocol

from pullwatch.channels import unit_named
from pullwatch.decoders.frames import Frame, pack
from pullwatch.decoders.packet_layout import SIZES, Told, from_end
from pullwatch.decoders.screen import Bring
from pullwatch.setup.feed_kinds.packet import framing_of, place_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch.decoders.dbc import Entry, Selector
    from pullwatch.decoders.dbc import Place as BitPlace
    from pullwatch.decoders.packet_layout import Place
    from pullwatch.setup.plan import FeedPlan

_FORMATS: Final = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f", "f64": "d"}


CLASSIC: Final = 8
"""Bytes of data of a classic CAN frame at the most."""


class Encoder(Protocol):
    """Makes the bytes in which a feed brings values, by channel name, in the channel's unit. The absent are silent."""

    def __call__(self, values: Mapping[str, float]) -> bytes:
        """Return the bytes; empty, if there is nothing to say."""


def encoder(feed: FeedPlan, names: Sequence[str]) -> Encoder | None:
    """Return what makes the bytes of a feed; None for a kind that cannot be made up. `names` are all channels'."""
    made = _MAKERS.get(feed.options.kind)
    return None if made is None else made(feed, names)


def sent(value: float, bring: Bring) -> float:
    """Return the number whose `bring` is `value`."""
    return value * bring.divisor if bring.divisor != 1.0 else (value - bring.offset) / bring.factor


# ---- lines of text ---------------------------------------------------------------------------------------------------


def _lines(feed: FeedPlan, _names: Sequence[str]) -> Encoder:
    options: Any = feed.options
    fields = [(field, Bring.of(unit_named(field.unit)) if field.unit else Bring()) for field in options.fields]
    begun = [False]

    def encode(values: Mapping[str, float]) -> bytes:
        if not any(field.channel in values for field, _ in fields):
            return b""
        texts: dict[str | int, str] = {}
        for field, bring in fields:
            if field.channel in values:
                number = f"{sent(values[field.channel], bring):.9g}"
                number = number.replace(".", ",") if options.decimal_comma else number
                texts[field.key or field.column] = f"{number}{field.suffix}"
            elif not field.key or options.header:
                texts[field.key or field.column] = ""
        if options.ready is not None:
            texts[options.ready.key or options.ready.column] = options.ready.good[0]
        head = b""
        if options.header:
            line = options.separator.join(texts.values())
            if not begun[0]:
                head = (options.separator.join(str(key) for key in texts) + "\n").encode()
                begun[0] = True
        elif options.fields[0].key:
            line = options.separator.join(f"{key}{options.assign}{text}" for key, text in texts.items())
        else:
            last = max(key for key in texts if isinstance(key, int))
            cells = [texts.get(column) or "0" for column in range(1, last + 1)]
            *first, lead = options.begins.split(options.separator)  # it counts as part of the columns it reaches into
            cells[: len(first)] = first
            cells[len(first)] = lead + (cells[len(first)] if len(first) + 1 in texts or not lead else "")
            line = options.separator.join(cells)
        if options.begins and not line.startswith(options.begins):
            line = f"{options.begins}{options.separator}{line}"
        return head + f"{line}\r\n".encode()

    return encode


# ---- CAN -------------------------------------------------------------------------------------------------------------


def _can(feed: FeedPlan, names: Sequence[str]) -> Encoder | None:
    options: Any = feed.options
    assert feed.table is not None
    if feed.table.fd and options.adapter == "slcan":
        return None
    framed: Callable[[Frame], bytes] = _slcan if options.adapter == "slcan" else pack
    groups: dict[tuple[int, bool, tuple[Selector, ...]], list[Entry]] = {}
    for entry in feed.table.entries:
        groups.setdefault((entry.can_id, entry.extended, entry.when), []).append(entry)

    def encode(values: Mapping[str, float]) -> bytes:
        out = b""
        for (can_id, extended, when), entries in groups.items():
            # A signal that is silent while its frame comes would read as some number: frames are silent as a whole.
            if not all(names[entry.channel] in values for entry in entries):
                continue
            data = bytearray(max(entry.length for entry in entries))
            for selector in when:
                _lay(data, selector.place, selector.ranges[0][0])
            for entry in entries:
                _lay(data, entry.place, _raw(entry, values[names[entry.channel]]))
            out += framed(Frame(can_id, bytes(data), extended, fd=len(data) > CLASSIC))
        return out

    return encode


def _lay(data: bytearray, place: BitPlace, raw: int) -> None:
    """Lay a raw value over the bits of a frame."""
    laid = (raw << place.shift(len(data))).to_bytes(len(data), "big" if place.motorola else "little")
    data[:] = bytes(there | new for there, new in zip(data, laid, strict=True))


def _raw(entry: Entry, value: float) -> int:
    number = (sent(value, entry.bring) - float(entry.offset)) / float(entry.scale)
    bits = entry.place.length
    if entry.form == "float":
        kinds = {32: ("<f", "<I"), 64: ("<d", "<Q")}[bits]
        raw: int = struct.unpack(kinds[1], struct.pack(kinds[0], number))[0]
        return raw
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if entry.form == "signed" else (0, (1 << bits) - 1)
    return min(max(round(number), low), high) & ((1 << bits) - 1)


def _slcan(frame: Frame) -> bytes:
    head = f"T{frame.can_id:08X}" if frame.extended else f"t{frame.can_id:03X}"
    return f"{head}{len(frame.data):X}{frame.data.hex().upper()}\r".encode()


# ---- binary packets --------------------------------------------------------------------------------------------------


def _packets(feed: FeedPlan, _names: Sequence[str]) -> Encoder:
    options: Any = feed.options
    framing = framing_of(options)
    length = framing.length if isinstance(framing.length, int) else framing.length.most
    identities = {field.id for field in options.fields}

    def encode(values: Mapping[str, float]) -> bytes:
        return b"".join(packet(values, identity) for identity in sorted(identities, key=lambda one: one or 0))

    def packet(values: Mapping[str, float], identity: int | None) -> bytes:
        fields = [field for field in options.fields if field.id == identity]
        # A field that is silent while its packet comes would read as some number: packets are silent as a whole.
        if not all(field.channel in values for field in fields):
            return b""
        data = bytearray(length)
        data[: len(framing.sync)] = framing.sync
        if isinstance(framing.length, Told):
            _put(data, framing.length.place, length - framing.length.adds)
        if options.id is not None and identity is not None:
            _put(data, place_of(options, options.id), identity)
        if options.ready is not None and options.ready.id in (None, identity):
            _put(data, place_of(options, options.ready), options.ready.good[0])
        for field in fields:
            bring = Bring.of(unit_named(field.unit)) if field.unit else Bring()
            number = (sent(values[field.channel], bring) - field.offset) / field.scale
            _put(data, place_of(options, field), number)
        if framing.end:
            data[-len(framing.end) :] = framing.end
        if framing.checked is not None:
            checked = framing.checked
            at = from_end(checked.at, length)
            summed = checked.checksum.one(bytes(data[checked.first : checked.stop(length)]))
            data[at : at + checked.checksum.size] = summed.to_bytes(checked.checksum.size, checked.byte_order)
        return bytes(data)

    return encode


def _put(data: bytearray, place: Place, number: float) -> None:
    """Write a number where it stands, bits beside a mask left as they are."""
    size = SIZES[place.type]
    order: Any = place.byte_order
    if place.type[0] == "f":
        form = ("<" if order == "little" else ">") + _FORMATS[place.type]
        data[place.at : place.end] = struct.pack(form, number)
        return
    signed = place.type[0] == "i"
    low, high = (-(1 << 8 * size - 1), (1 << 8 * size - 1) - 1) if signed else (0, (1 << 8 * size) - 1)
    raw = min(max(round(number), low), high)
    if place.mask:
        down = (place.mask & -place.mask).bit_length() - 1
        there = int.from_bytes(data[place.at : place.end], order)
        raw = there & ~place.mask | (raw << down) & place.mask
    data[place.at : place.end] = raw.to_bytes(size, order, signed=signed and raw < 0)


_MAKERS: Final[Mapping[str, Callable[[FeedPlan, Sequence[str]], Encoder | None]]] = {
    "serial-line": _lines,
    "can": _can,
    "serial-packet": _packets,
}
