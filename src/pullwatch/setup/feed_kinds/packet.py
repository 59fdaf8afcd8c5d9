"""Binary packets: whether the framing holds together, and where each number stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.channels import unit_named
from pullwatch.decoders.packet_layout import LONGEST, SIZES, Checked, Field, Framing, Place, Ready, Told, from_end
from pullwatch.errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.decoders.checksums import Checksum
    from pullwatch.feeds.options import SerialPacketOptions
    from pullwatch.feeds.options.packet import PacketChecksum, PacketPlace
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan

    Path = tuple[str | int, ...]

_MOST_MARKS: Final = 16
"""Bytes of the longest sync or end."""
_CRC_KEYS: Final = ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out")


class PacketKind:
    """Binary packets over a serial port."""

    link_ms = (1.0, 20.0, "packet, and up to 16 ms in a USB adapter; common practice, from memory")

    def check(self, checking: Checking, options: SerialPacketOptions) -> None:
        """Check the port, the framing, the fields and the checksum."""
        checking.port(options.port)
        _Check(checking, options).all()

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        # Imported here because the catalogue of CRCs takes 30 ms, which a car without such a feed need not wait for.
        from pullwatch.decoders.packet import PacketDecoder  # noqa: PLC0415

        options: SerialPacketOptions = feed.options  # type: ignore[assignment] # of this kind
        fields = [
            Field(
                channel=field.channel,
                place=place_of(options, field),
                scale=field.scale,
                offset=field.offset,
                unit=unit_named(field.unit) if field.unit else None,
                not_available=tuple(field.not_available),
                error=tuple(field.error),
                identity=field.id,
            )
            for field in options.fields
        ]
        ready = None
        if options.ready is not None:
            ready = Ready(place_of(options, options.ready), tuple(options.ready.good), options.ready.id)
        return PacketDecoder(
            framing_of(options),
            fields,
            channels,
            identity=None if options.id is None else place_of(options, options.id),
            ready=ready,
        )

    def describe(self, options: SerialPacketOptions) -> Iterator[str]:
        """Yield what the feed is."""
        if options.length_field is None:
            size = f"{options.length} bytes"
        else:
            size = f"{options.length_field.least} to {options.length_field.most} bytes"
        checksum = "no checksum" if options.checksum is None else _shown(options.checksum)
        sync = bytes.fromhex(options.sync).hex(" ").upper()
        yield f"binary packets of {size} after {sync}, {options.byte_order} end first, {checksum}, {options.baud:,} Bd"
        if options.ready is not None:
            good = " or ".join(f"{number:g}" for number in options.ready.good)
            yield f"believed only while byte {options.ready.at} says {good}"

    def cautions(self, options: SerialPacketOptions) -> Iterator[str]:
        """Yield what to be wary of."""
        if options.checksum is None:
            yield (
                "its packets carry no checksum: a damaged byte is a wrong number that looks like a right one. Set "
                "`believable` of its channels tightly."
            )


class _Check:
    """Looks at the options of one feed, and notes what cannot be."""

    def __init__(self, checking: Checking, options: SerialPacketOptions) -> None:
        self.checking = checking
        self.options = options
        self.refuse = checking.refuse
        self.sync = b""
        self.end = b""
        self.least = self.most = 0
        self.behind = 0

    def all(self) -> None:
        """Check everything, in the order of what rests on what."""
        options = self.options
        self.sync = self.marks("sync", options.sync)
        if not options.sync.split():
            todo = 'Write the bytes that every packet begins with: sync = "A5 5A".'
            self.refuse(("sync",), "is empty: without it no packet's beginning could be found.", todo)
        self.end = self.marks("end", options.end)
        self.behind = len(self.end)
        if not self.lengths():
            return
        if options.checksum is not None:
            self.checksum(options.checksum)
        if options.id is not None:
            self.place(options.id, ("id",), self.least)
        self.fields()
        if options.ready is not None:
            self.place(options.ready, ("ready",), self.most)
            self.numbers(options.ready, options.ready.good, ("ready", "good"))
            if options.ready.id is not None and options.id is None and not self.is_wrong("id"):
                self.refuse(("ready", "id"), "the packets have no id.", "Write id = { at = … } for the feed.")

    def is_wrong(self, key: str) -> bool:
        """Whether a key that stands in the file was left out of the options: it is wrong, and that is told already."""
        stands = ("feed", self.checking.index, key) in self.checking.findings.setup.lines
        return stands and key not in self.options.model_fields_set

    def marks(self, key: str, text: str) -> bytes:
        """Return the bytes of a text in hexadecimal; none, with the problem noted, if it is no such text."""
        try:
            found = bytes.fromhex(text)
        except ValueError:
            todo = 'Write two digits for each byte: "A5 5A".'
            self.refuse((key,), f'"{text}" is not made of bytes in hexadecimal.', todo)
            return b""
        if len(found) > _MOST_MARKS:
            self.refuse((key,), f"{len(found)} bytes are too many: {_MOST_MARKS} at most.")
            return b""
        return found

    def lengths(self) -> bool:
        """Note the shortest and longest packet; say whether there can be one."""
        options = self.options
        told = options.length_field
        if options.length is None and told is None and (self.is_wrong("length") or self.is_wrong("length_field")):
            return False
        if (options.length is None) == (told is None):
            what = "is missing." if told is None else "a packet has one length, or tells it."
            todo = (
                "Write length = bytes of the whole packet, or length_field = { at = …, adds = …, least = …, most = … }."
            )
            self.refuse(("length",), what, todo)
            return False
        if told is None:
            self.least = self.most = options.length or 0
            if self.most > LONGEST:
                self.refuse(("length",), f"{self.most} bytes are too many: {LONGEST} at most.")
                return False
        else:
            self.least, self.most = told.least, told.most
            if self.most > LONGEST:
                self.refuse(("length_field", "most"), f"{self.most} bytes are too many: {LONGEST} at most.")
                return False
            if self.least > self.most:
                what = f"from {self.least} to {self.most} bytes there is no length."
                self.refuse(("length_field", "least"), what, "Write the shortest as least, the longest as most.")
                return False
            highest = (1 << 8 * SIZES[told.type]) - 1 + told.adds
            if highest < self.least or told.adds > self.most:
                what = f"adds = {told.adds} to a {told.type} never gives a length of {self.least} to {self.most} bytes."
                todo = "adds is what must be added to the number to give the bytes of the whole packet."
                self.refuse(("length_field", "adds"), what, todo)
            self.span(told.at, told.at + SIZES[told.type], ("length_field", "at"), self.least)
        if len(self.sync) + self.behind >= self.least:
            key = "length" if told is None else "length_field"
            self.refuse((key,), f"{self.least} bytes leave no room between sync and end.", "Count the whole packet.")
            return False
        return True

    def checksum(self, options: PacketChecksum) -> None:
        """Check the kind, the parameters and the place of the checksum."""
        from pullwatch.decoders.checksums import CATALOGUE, SIMPLE, named  # noqa: PLC0415 - see above

        own = options.kind == "crc"
        given = [key for key in _CRC_KEYS if key in options.model_fields_set]
        if not own and named(options.kind) is None:
            known = [*SIMPLE, *CATALOGUE, "crc"]
            meant = nearest(options.kind, known) or nearest(options.kind.upper(), known)
            what = f'"{options.kind}" is no checksum{meant}.'
            todo = f'Write {", ".join(SIMPLE)}, a CRC by name such as "CRC-16/MODBUS", or "crc" with width and poly.'
            self.refuse(("checksum", "kind"), what, todo)
            return
        if not own:
            for key in given:
                self.refuse(("checksum", key), "says what the name says already.", 'It is for kind = "crc" alone.')
        elif options.width is None or options.poly is None:
            key = "width" if options.width is None else "poly"
            todo = 'kind = "crc" needs width and poly, and init, reflect_in, reflect_out, xor_out where they are not 0.'
            self.refuse(("checksum", key), "is missing.", todo)
            return
        else:
            numbers = {"poly": options.poly, "init": options.init, "xor_out": options.xor_out}
            wrong = [name for name, number in numbers.items() if not (name == "poly") <= number < 1 << options.width]
            for name in wrong:
                self.refuse(("checksum", name), f"{numbers[name]:#x} is not a number of {options.width} bits.")
            if wrong:
                return
        self.coverage(options)

    def coverage(self, options: PacketChecksum) -> None:
        """Check where the checksum stands and what it covers, in the shortest packet."""
        checked = _checked(options, self.options, len(self.end))
        size = checked.checksum.size
        at, stop = from_end(checked.at, self.least), checked.stop(self.least)
        room = self.least - len(self.end)
        if not len(self.sync) <= at <= room - size:
            what = f"bytes {at} to {at + size - 1} do not stand between sync and end of a packet of {self.least} bytes."
            self.refuse(("checksum", "at"), what, "Count from 0, the first sync byte; or from the end: -1 is the last.")
            return
        if checked.at < 0:
            self.behind = max(self.behind, -checked.at)
        covers = ("checksum", "covers")
        if not 0 <= checked.first < stop <= self.least:
            what = f"bytes {checked.first} to {stop - 1} are none of a packet of {self.least} bytes."
            self.refuse(
                covers, what, "Write [first byte, the byte before which it stops], the second from the end if below 1."
            )
        elif checked.first < at + size and at < stop:
            self.refuse(covers, f"the checksum (bytes {at} to {at + size - 1}) is covered by itself.")

    def fields(self) -> None:
        """Check every field, and that no two are one."""
        options = self.options
        seen: dict[tuple[object, ...], int] = {}
        for number, field in enumerate(options.fields):
            path = ("fields", number)
            self.place(field, path, self.most)
            self.numbers(field, field.not_available, (*path, "not_available"))
            self.numbers(field, field.error, (*path, "error"))
            self.checking.unit(field.channel, field.unit, (*path, "unit"))
            if field.scale == 0:
                self.refuse((*path, "scale"), "0 makes every number the same.")
            if options.id is None and field.id is not None and not self.is_wrong("id"):
                self.refuse((*path, "id"), "the packets have no id.", "Write id = { at = … } for the feed.")
            elif options.id is not None and field.id is None:
                self.refuse(path, "does not say which packets hold it.", "Write id = the number of its kind of packet.")
            elif options.id is not None and field.id is not None:
                self.numbers(options.id, [field.id], (*path, "id"))
            source = (place_of(options, field), field.id)
            if source in seen:
                self.refuse(path, f"field {seen[source] + 1} is read from the same place (byte {field.at}).")
            seen.setdefault(source, number)

    def place(self, place: PacketPlace, path: Path, length: int) -> None:
        """Refuse a number that does not stand inside a packet of `length` bytes, or a mask that does not fit it."""
        self.span(place.at, place.at + SIZES[place.type], (*path, "at"), length)
        if place.mask and place.type[0] != "u":
            what = f"bits are taken of unsigned numbers, not of {place.type}."
            self.refuse((*path, "mask"), what, f'Write type = "u{8 * SIZES[place.type]}".')
        elif place.mask >> 8 * SIZES[place.type]:
            self.refuse((*path, "mask"), f"{place.mask:#x} has bits that {place.type} has not.")

    def span(self, first: int, beyond: int, path: Path, length: int) -> None:
        """Refuse bytes that are not between sync and what ends a packet, or are those of a checksum in the middle."""
        todo = "Count from 0, the first sync byte."
        room = length - self.behind
        if not len(self.sync) <= first < beyond <= room:
            what = f"bytes {first} to {beyond - 1} are not among bytes {len(self.sync)} to {room - 1}"
            self.refuse(path, f"{what}, which is what sync, checksum and end leave of {length} bytes.", todo)
            return
        checksum = self.options.checksum
        if checksum is not None and checksum.at is not None and checksum.at >= 0:
            stop = checksum.at + _size(checksum)
            if first < stop and checksum.at < beyond:
                self.refuse(
                    path, f"bytes {first} to {beyond - 1} overlap the checksum (from byte {checksum.at}).", todo
                )

    def numbers(self, place: PacketPlace, numbers: Sequence[float], path: Path) -> None:
        """Refuse a number that can never be sent at a place."""
        if place.type[0] == "f" or (place.mask and place.type[0] != "u"):
            return
        bits = 8 * SIZES[place.type]
        low, high = 0, (1 << bits) - 1
        if place.mask:
            high = place.mask >> (place.mask & -place.mask).bit_length() - 1
        elif place.type[0] == "i":
            low, high = -(1 << bits - 1), (1 << bits - 1) - 1
        for number in numbers:
            if not (low <= number <= high and number == int(number)):
                masked = f" with mask {place.mask:#x}" if place.mask else ""
                what = f"{number:g} is never sent: {place.type}{masked} is a whole number from {low:,} to {high:,}."
                self.refuse(path, what, "Write the number as it stands in the packet, before scale and offset.")


def place_of(options: SerialPacketOptions, place: PacketPlace) -> Place:
    """Return where a number stands, as the decoder takes it."""
    return Place(place.at, place.type, place.byte_order or options.byte_order, place.mask)


def framing_of(options: SerialPacketOptions) -> Framing:
    """Return how the packets of a feed are told from the stream, as the decoder takes it."""
    told = options.length_field
    length: int | Told = options.length or 0
    if told is not None:
        place = Place(told.at, told.type, told.byte_order or options.byte_order)
        length = Told(place, told.adds, told.least, told.most)
    end = bytes.fromhex(options.end)
    checked = None if options.checksum is None else _checked(options.checksum, options, len(end))
    return Framing(bytes.fromhex(options.sync), length, checked, end)


def _checked(checksum: PacketChecksum, options: SerialPacketOptions, end: int) -> Checked:
    """Return a checksum with its places; `end` is how many bytes end a packet."""
    made = _made(checksum)
    at = -(made.size + end) if checksum.at is None else checksum.at
    first, beyond = checksum.covers or (0, at)
    return Checked(made, at, first, beyond, checksum.byte_order or options.byte_order)


def _made(checksum: PacketChecksum) -> Checksum:
    from pullwatch.decoders.checksums import CrcFacts, TableCrc, named  # noqa: PLC0415 - see above

    if checksum.kind != "crc":
        found = named(checksum.kind)
        assert found is not None, "checked before"
        return found
    assert checksum.width is not None
    assert checksum.poly is not None
    turned = (checksum.reflect_in, checksum.reflect_out)
    return TableCrc(CrcFacts(checksum.width, checksum.poly, checksum.init, *turned, checksum.xor_out))


def _size(checksum: PacketChecksum) -> int:
    """Return the bytes of a checksum, 1 if its kind is not known."""
    from pullwatch.decoders.checksums import named  # noqa: PLC0415 - see above

    made = named(checksum.kind)
    return made.size if made is not None else (checksum.width or 8) // 8


def _shown(checksum: PacketChecksum) -> str:
    return checksum.kind if checksum.kind != "crc" else f"a CRC of {checksum.width} bits"
