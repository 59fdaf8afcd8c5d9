"""Binary packets: numbers, framing, checksums, damage, readiness, any split of the bytes."""

from __future__ import annotations

import itertools
import math
import struct
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension, unit_named
from pullwatch.columns import Why, to_samples
from pullwatch.decoders import Decoding, Ledger
from pullwatch.decoders.checksums import SIMPLE, CrcFacts, TableCrc, named
from pullwatch.decoders.packet import PacketDecoder
from pullwatch.decoders.packet_layout import LONGEST, Checked, Field, Framing, Place, Ready, Told

from .streams import exactly, hold_checkpoint, hold_together

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.columns import Sample
    from pullwatch.decoders.checksums import Checksum

CHANNELS = {
    "lambda": Channel(1, "lambda", "lambda", Dimension.LAMBDA, 0.5, 2.0),
    "oil_pressure": Channel(2, "oil_pressure", "kPa", Dimension.GAUGE_PRESSURE, -50, 1200),
    "engine_speed": Channel(3, "engine_speed", "rpm", Dimension.ROTATION, 0, 12_000),
    "anything": Channel(4, "anything", "", Dimension.NUMBER),
}
SYNC = b"\xa5\x5a"


def checksum(name: str) -> Checksum:
    found = named(name)
    assert found is not None
    return found


MODBUS = checksum("CRC-16/MODBUS")
BOX = Framing(SYNC, 10, Checked(MODBUS, -2, 0, -2))
"""Sync, engine speed in quarters (u16), lambda in thousandths (u16), oil in hundredths of a bar (i16), CRC."""
BOX_FIELDS = (
    Field("engine_speed", Place(2, "u16"), scale=0.25, not_available=(0xFFFF,), error=(0xFFFE,)),
    Field("lambda", Place(4, "u16"), scale=0.001),
    Field("oil_pressure", Place(6, "i16"), scale=0.01, unit=unit_named("bar")),
)
TOLD = Framing(SYNC, Told(Place(2), 5, 6, 20), Checked(MODBUS, -2, 2, -2))
"""Sync, bytes of the payload, payload, CRC over all but the sync."""
TOLD_FIELDS = (Field("engine_speed", Place(3), scale=10.0), Field("lambda", Place(4, "u16", "big"), scale=0.001))


def signed(head: bytes, framing: Framing = BOX) -> bytes:
    """Return a packet with its checksum (little end first, last but the end) and end behind it."""
    assert framing.checked is not None
    check = framing.checked.checksum
    return head + check.one(head[framing.checked.first :]).to_bytes(check.size, "little") + framing.end


def box(rpm: int, thousandths: int = 853, oil: int = 400) -> bytes:
    return signed(SYNC + struct.pack("<HHh", rpm, thousandths, oil))


def told(payload: bytes) -> bytes:
    return signed(SYNC + bytes([len(payload)]) + payload, TOLD)


def box_decoder(**more: Any) -> PacketDecoder:
    return PacketDecoder(BOX, BOX_FIELDS, CHANNELS, **more)


def told_decoder() -> PacketDecoder:
    return PacketDecoder(TOLD, TOLD_FIELDS, CHANNELS)


def decoded(decoder: PacketDecoder, data: bytes, t: int = 0) -> list[Sample]:
    out: list[Sample] = []
    decoder.few(t, data, out)
    assert decoder.ledger.balances
    return out


def both(make: Callable[[], PacketDecoder], stream: bytes) -> list[Sample]:
    """Decode a stream both ways at once, hold the ways together, and return the samples."""
    return hold_together(make, stream, (), ())


def one_number(place: Place, sent: bytes, **more: Any) -> tuple[float, int]:
    """Return (value, why) of a number in a packet that holds nothing else."""
    framing = Framing(SYNC, 2 + len(sent))
    field = Field("anything", replace(place, at=2), **more)
    ((_, _, value, why),) = both(lambda: PacketDecoder(framing, [field], CHANNELS), SYNC + sent)
    return value, why


def test_a_packet() -> None:
    """All numbers of a packet share the time of its last byte and come in their channels' units, by channel number."""
    decoder = box_decoder()
    samples = decoded(decoder, box(12_000), 1_000)
    assert samples == [(1_009, 1, pytest.approx(0.853), 0), (1_009, 2, 400.0, 0), (1_009, 3, 3_000.0, 0)]
    assert decoder.ledger == Ledger(taken=10, decoded=10, messages=1)


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(
    ("kind", "code", "number"),
    [
        ("u8", "B", 200),
        ("i8", "b", -100),
        ("u16", "H", 60_000),
        ("i16", "h", -30_000),
        ("u32", "I", 4_000_000_001),
        ("i32", "i", -2_000_000_001),
        ("f32", "f", 0.853),
        ("f32", "f", -1.5e-42),
        ("f64", "d", -math.pi),
    ],
)
def test_every_type_in_either_order(kind: str, code: str, number: float, order: Any) -> None:
    """Numbers are read as Python's struct writes them (two's complement, IEEE 754), in either byte order."""
    sent = struct.pack((">" if order == "big" else "<") + code, number)
    assert one_number(Place(0, kind, order), sent) == (struct.unpack(">" + code, struct.pack(">" + code, number))[0], 0)


def test_three_bytes_in_either_order() -> None:
    """A u24 is 65,536 times the high byte, 256 times the middle one, and the low one."""
    assert one_number(Place(0, "u24", "big"), b"\x01\x02\x03")[0] == 65_536 + 2 * 256 + 3
    assert one_number(Place(0, "u24", "little"), b"\x01\x02\x03")[0] == 3 * 65_536 + 2 * 256 + 1


@pytest.mark.parametrize(
    ("sent", "number"),
    [
        # IEEE 754 binary32, little end first (computed; cantools 45.1.0 gives the same).
        ("9A99593F", 0.85),
        ("0000C0BF", -1.5),
    ],
)
def test_fractions_as_published(sent: str, number: float) -> None:
    """A 32-bit fraction is the published one, to the precision it has."""
    value, why = one_number(Place(0, "f32"), bytes.fromhex(sent))
    assert value == pytest.approx(number, abs=1e-6)
    assert why == Why.GOOD


@pytest.mark.parametrize(
    ("kind", "mask", "sent", "number"),
    [
        ("u8", 0x30, b"\xef", 2),
        ("u8", 0x01, b"\xfe", 0),
        ("u8", 0x80, b"\x80", 1),
        ("u16", 0x0FF0, b"\xcd\xab", 0xBC),
        ("u32", 0xFFFF_FFFF, b"\xff\xff\xff\xff", 0xFFFF_FFFF),
    ],
)
def test_bits(kind: str, mask: int, sent: bytes, number: int) -> None:
    """Of a mask only its bits count, shifted down to the lowest."""
    assert one_number(Place(0, kind, "little", mask), sent) == (number, 0)


def test_scale_offset_and_unit() -> None:
    """Sent × scale + offset is in the unit of the field, and is brought to the channel's."""
    framing = Framing(SYNC, 4)
    oil = Field("oil_pressure", Place(2), scale=0.5, offset=-1.0, unit=unit_named("psi"))
    mixture = Field("lambda", Place(3), scale=0.1, unit=unit_named("AFR@14.7"))
    samples = both(lambda: PacketDecoder(framing, [oil, mixture], CHANNELS), SYNC + b"\x14\x7d")
    # 9 psi, NIST SP 811: 1 psi = 6.894757 kPa; 12.5 on a scale of 14.7 (definition, computed).
    assert [sample[2] for sample in samples] == [pytest.approx(12.5 / 14.7), pytest.approx(9 * 6.894757)]


@pytest.mark.parametrize(
    ("rpm", "thousandths", "oil", "whys"),
    [
        (4_000, 853, 400, [Why.GOOD, Why.GOOD, Why.GOOD]),
        (0xFFFF, 853, 400, [Why.GOOD, Why.GOOD, Why.NOT_AVAILABLE]),
        (0xFFFE, 853, 400, [Why.GOOD, Why.GOOD, Why.ERROR]),
        (0xFFFD, 400, 1_300, [Why.IMPLAUSIBLE, Why.IMPLAUSIBLE, Why.IMPLAUSIBLE]),
        (0, 500, -50, [Why.GOOD, Why.GOOD, Why.GOOD]),
    ],
)
def test_every_reason(rpm: int, thousandths: int, oil: int, whys: list[Why]) -> None:
    """A number that stands for none, for an error, or beyond belief in a packet that is whole says so."""
    samples = both(box_decoder, box(rpm, thousandths, oil))
    assert [sample[3] for sample in samples] == whys
    assert all(math.isnan(value) for _, _, value, why in samples if why in (Why.NOT_AVAILABLE, Why.ERROR))


@pytest.mark.parametrize("sent", [math.nan, math.inf, -math.inf, struct.unpack("<f", b"\x01\x00\xa0\x7f")[0]])
def test_fractions_that_are_no_numbers(sent: float) -> None:
    """NaN and infinity are no numbers, also when only the scale makes them so."""
    assert one_number(Place(0, "f32"), struct.pack("<f", sent))[1] == Why.NOT_A_NUMBER
    assert one_number(Place(0, "f64"), struct.pack("<d", 1e308), scale=1e10)[1] == Why.NOT_A_NUMBER


@pytest.mark.parametrize(("state", "why"), [(2, Why.GOOD), (3, Why.GOOD), (1, Why.NOT_READY), (0, Why.NOT_READY)])
def test_a_sensor_that_is_not_ready(state: int, why: Why) -> None:
    """Only a good state makes the packet's values count; with any other they are not ready, whatever else is wrong."""
    framing = Framing(SYNC, 9)
    fields = [
        Field("lambda", Place(2, "u16"), scale=0.001),
        Field("engine_speed", Place(4, "u16"), not_available=(7,)),
        Field("anything", Place(6, "u16"), scale=1e308),
    ]
    ready = Ready(Place(8, mask=0x0F), (2, 3))
    packet = SYNC + struct.pack("<HHHB", 853, 3_000, 1, 0xF0 | state)
    samples = both(lambda: PacketDecoder(framing, fields, CHANNELS, ready=ready), packet)
    assert [sample[3] for sample in samples] == [why, why, why]
    wrong = SYNC + struct.pack("<HHHB", 9_999, 7, 65_535, state)
    samples = both(lambda: PacketDecoder(framing, fields, CHANNELS, ready=ready), wrong)
    if why is Why.NOT_READY:
        assert [sample[3] for sample in samples] == [why, why, why]
    else:
        assert [sample[3] for sample in samples] == [Why.IMPLAUSIBLE, Why.NOT_AVAILABLE, Why.NOT_A_NUMBER]


@pytest.mark.parametrize("name", [*SIMPLE, "CRC-8", "CRC-16/XMODEM", "CRC-32"])
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("end", [b"", b"\r\n"])
def test_a_damaged_packet_is_rejected_and_the_next_one_decodes(name: str, order: Any, end: bytes) -> None:
    """One bit turned anywhere in a packet costs that packet alone, whichever the checksum."""
    check = checksum(name)
    framing = Framing(
        SYNC, 4 + check.size + len(end), Checked(check, -check.size - len(end), 0, -check.size - len(end), order), end
    )

    def packet(number: int) -> bytes:
        head = SYNC + bytes([number, number ^ 0x55])
        return head + check.one(head).to_bytes(check.size, order) + end

    def make() -> PacketDecoder:
        return PacketDecoder(framing, [Field("anything", Place(2))], CHANNELS)

    for place, bit in itertools.product(range(framing.least), (0, 7)):
        packets = [bytearray(packet(number)) for number in range(12)]
        packets[5][place] ^= 1 << bit
        assert [sample[2] for sample in both(make, b"".join(packets))] == [0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11]


def test_where_the_checksum_stands_and_what_it_covers() -> None:
    """A checksum may stand in the head and cover what follows it to the very end."""
    check = checksum("CRC-32")
    framing = Framing(SYNC, Told(Place(2), 0, 8, 12), Checked(check, 3, 7, 0, "big"))

    def make() -> PacketDecoder:
        return PacketDecoder(framing, [Field("anything", Place(7, "u16"))], CHANNELS)

    payload = b"\x34\x12\x99"
    packet = SYNC + bytes([10]) + zlib.crc32(payload).to_bytes(4, "big") + payload
    assert [sample[2] for sample in both(make, packet * 20)] == [0x1234] * 20
    assert both(make, packet[:-1] + b"\x98") == []


def test_a_told_length() -> None:
    """Packets of different lengths follow each other; a field beyond a short one's end has no sample in it."""
    stream = told(b"\x64\x03\x55") + told(b"\x32") + told(b"\x32\x03\x56" + bytes(12))
    samples = both(told_decoder, stream)
    assert [(place, channel, round(value, 3)) for place, channel, value, _ in samples] == [
        (7, 1, 0.853),
        (7, 3, 1_000.0),
        (13, 3, 500.0),
        (33, 1, 0.854),
        (33, 3, 500.0),
    ]


def test_the_checksum_of_a_short_packet_is_no_field() -> None:
    """In a packet that ends before a field, the checksum's bytes are not taken for it."""
    assert [sample[1] for sample in both(told_decoder, told(b"\x32\x03"))] == [3]


def test_packets_of_several_kinds() -> None:
    """Fields are taken from the packets that hold them; packets nobody asks for are passed over whole."""
    framing = Framing(SYNC, 5)
    fields = [Field("engine_speed", Place(3, "u16"), identity=1), Field("oil_pressure", Place(3, "u16"), identity=2)]
    ready = Ready(Place(4), (0,), identity=2)

    def make() -> PacketDecoder:
        return PacketDecoder(framing, fields, CHANNELS, identity=Place(2), ready=ready)

    stream = SYNC + b"\x01\x10\x01" + SYNC + b"\x02\x10\x00" + SYNC + b"\x03\x10\x00" + SYNC + b"\x02\x10\x01"
    assert [sample[1:] for sample in both(make, stream)] == [(3, 272.0, 0), (2, 16.0, 0), (2, 272.0, Why.NOT_READY)]
    decoder = make()
    decoded(decoder, stream)
    assert decoder.ledger == Ledger(taken=20, decoded=15, passed_over=5, messages=4)


def test_bytes_between_packets_are_rejected_and_counted_once() -> None:
    """Rubbish before, between and after packets is one bad message each time, in however many reads it comes."""
    decoder = box_decoder()
    for byte in b"\x00\xa5\x01":
        assert decoded(decoder, bytes([byte])) == []
    assert len(decoded(decoder, box(4_000) + b"\xff\x5a" + box(4_000))) == 6
    assert decoder.ledger == Ledger(taken=25, decoded=20, rejected=5, messages=2, bad_messages=2)
    assert decoded(decoder, SYNC[:1]) == []
    assert decoder.ledger.pending == 1


def test_a_length_that_cannot_be_is_rejected_as_soon_as_it_is_read() -> None:
    """Nothing is waited for behind an impossible length, too short or too long."""
    for wrong in (0, 16):
        decoder = told_decoder()
        decoded(decoder, SYNC + bytes([wrong]))
        assert decoder.ledger == Ledger(taken=3, rejected=3, bad_messages=1)


def test_what_came_in_behind_a_wrong_length_is_not_lost() -> None:
    """Packets swallowed by a damaged length become known when it fails, one with each byte: none shares a time."""
    stream = SYNC + b"\x0f" + told(b"\x01") + told(b"\x02") + told(b"\x03") + b"\x00\x00" + told(b"\x04")
    samples = both(told_decoder, stream)
    # The damaged head wants 20 bytes: it fails at byte 19, when the first two are there. The third ends at byte 20.
    assert [(place, value) for place, channel, value, _ in samples if channel == 3] == [
        (19, 10.0),
        (20, 20.0),
        (21, 30.0),
        (28, 40.0),
    ]
    decoder = told_decoder()
    assert len(decoded(decoder, stream[:20])) == 1
    assert decoder.ledger.pending == 11
    assert [sample[0] for sample in decoded(decoder, b"", 500)] == []
    assert [sample[0] for sample in decoded(decoder, stream[20:21], 1_000)] == [1_000]


def test_a_long_run_behind_a_wrong_length() -> None:
    """Of a run of packets the swallowed ones come late, the others at their own last bytes."""
    stream = SYNC + b"\x0f" + b"".join(told(bytes([n])) for n in range(40))
    samples = both(told_decoder, stream)
    assert [place for place, *_ in samples] == [19, 20, 21, *range(26, len(stream), 6)]
    assert [value for _, _, value, _ in samples] == [10.0 * n for n in range(40)]


def test_a_fraction_that_is_no_number_before_its_sensor_is_ready() -> None:
    """Not ready is the reason that counts, and every kind of NaN is the one plain NaN."""
    framing = Framing(SYNC, 7)
    ready = Ready(Place(6), (1,))
    stream = b"".join(SYNC + nan + b"\x00" for nan in (b"\x01\x02\xc0\xff", b"\x01\x00\xa0\x7f")) * 10

    def make() -> PacketDecoder:
        return PacketDecoder(framing, [Field("anything", Place(2, "f32"))], CHANNELS, ready=ready)

    plain = exactly([(0, 4, math.nan, Why.NOT_READY)])[0][1:]
    assert {sample[1:] for sample in exactly(both(make, stream))} == {plain}


def test_a_sync_that_overlaps_itself() -> None:
    """A packet is found though a byte of rubbish looks like the beginning of its sync."""
    framing = Framing(b"\xaa\xaa", 5, Checked(SIMPLE["sum8"], -1, 0, -1))
    packet = signed(b"\xaa\xaa\x07\x00", framing)

    def make() -> PacketDecoder:
        return PacketDecoder(framing, [Field("anything", Place(2))], CHANNELS)

    assert [sample[2] for sample in both(make, b"\xaa" + packet + b"\xaa\xaa" + packet)] == [7, 7]


def test_what_was_pending_at_a_loss_is_rejected() -> None:
    """Through `Decoding`, few or many: half a packet before LOST is never joined to what comes after FOUND."""
    for packets in (1, 1_000):
        decoder = box_decoder()
        records = [
            Record(0, 1, Kind.DATA, box(4_000) * packets + box(8_000)[:5]),
            Record(10**6, 1, Kind.LOST, b"gone"),
            Record(2 * 10**6, 1, Kind.FOUND, b"port"),
            Record(3 * 10**6, 1, Kind.DATA, box(8_000)[5:] + box(6_000)),
        ]
        batch = Decoding({1: decoder}).batch(10**9, records)
        samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
        assert [sample[2] for sample in samples if sample[1] == 3] == [1_000.0] * packets + [1_500.0]
        assert decoder.ledger.balances
        assert decoder.ledger.rejected == 10
        assert decoder.ledger.bad_messages == 2


def test_many_packets_in_one_read_are_many_samples() -> None:
    """A read that holds fifteen packets gives fifteen samples, each at the time of its own last byte."""
    got = [sample for sample in decoded(box_decoder(), b"".join(box(n) for n in range(15)), 500) if sample[1] == 3]
    assert [(t, value) for t, _, value, _ in got] == [(509 + 10 * n, n / 4) for n in range(15)]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: PacketDecoder(Framing(b"", 4), BOX_FIELDS[:1], CHANNELS), "sync"),
        (lambda: PacketDecoder(Framing(SYNC, 2), BOX_FIELDS, CHANNELS), "cannot be"),
        (lambda: PacketDecoder(Framing(SYNC, LONGEST + 1), BOX_FIELDS, CHANNELS), "cannot be"),
        (lambda: PacketDecoder(Framing(SYNC, Told(Place(2), 0, 9, 8)), BOX_FIELDS, CHANNELS), "cannot be"),
        (lambda: PacketDecoder(Framing(SYNC, Told(Place(1), 0, 9, 10)), BOX_FIELDS, CHANNELS), "length does not"),
        (lambda: PacketDecoder(Framing(SYNC, 9), BOX_FIELDS + BOX_FIELDS[:1], CHANNELS), "another channel"),
        (lambda: PacketDecoder(BOX, [], CHANNELS), "needs fields"),
        (lambda: PacketDecoder(BOX, [Field("boots", Place(2))], CHANNELS), "no channel"),
        (lambda: PacketDecoder(BOX, [Field("lambda", Place(7, "u16"))], CHANNELS), "bytes 7 to 8"),
        (lambda: PacketDecoder(BOX, [Field("lambda", Place(2), unit=unit_named("bar"))], CHANNELS), "stored in"),
        (lambda: PacketDecoder(BOX, [Field("lambda", Place(2, mask=0x100))], CHANNELS), "mask"),
        (lambda: PacketDecoder(BOX, [Field("lambda", Place(2, "i8", mask=1))], CHANNELS), "mask"),
        (lambda: PacketDecoder(Framing(SYNC, 9, Checked(MODBUS, 8, 0, 7)), BOX_FIELDS, CHANNELS), "outside"),
        (lambda: PacketDecoder(Framing(SYNC, 9, Checked(MODBUS, -2, 0, -1)), BOX_FIELDS, CHANNELS), "itself"),
        (lambda: PacketDecoder(BOX, [Field("lambda", Place(2), identity=1)], CHANNELS), "identity"),
        (lambda: PacketDecoder(BOX, BOX_FIELDS, CHANNELS, identity=Place(2)), "identity"),
        (lambda: box_decoder(ready=Ready(Place(2), (1,), identity=1)), "identity"),
    ],
)
def test_what_makes_no_sense_is_refused(make: Callable[[], PacketDecoder], says: str) -> None:
    """Facts that contradict each other are refused when the decoder is made."""
    with pytest.raises(ValueError, match=says):
        make()


def loose_decoder() -> PacketDecoder:
    """Return a decoder whose packets have no checksum, one sync byte and an end: much looks like a packet."""
    framing = Framing(b"\xa5", Told(Place(1), 4, 5, 12), None, b"\x0d")
    fields = [
        Field("lambda", Place(2, "u16"), scale=0.001, not_available=(0,)),
        Field("engine_speed", Place(4, "u24", "big", 0x3FFF0)),
        Field("anything", Place(3, "f32", "big")),
        Field("oil_pressure", Place(2, "i8"), unit=unit_named("bar")),
    ]
    return PacketDecoder(framing, fields, CHANNELS, ready=Ready(Place(3), (0, 1, 2, 3)))


def several_decoder() -> PacketDecoder:
    """Return a decoder of packets of several kinds, in fixed frames with a weak checksum."""
    framing = Framing(b"\xaa\xaa", 8, Checked(SIMPLE["xor8"], -1, 2, -1))
    fields = [
        Field("anything", Place(3, "f32"), identity=1),
        Field("lambda", Place(3, "i32", "big"), scale=1e-9, identity=2, error=(-1,)),
        Field("engine_speed", Place(5, "i16", "big"), identity=1),
    ]
    return PacketDecoder(framing, fields, CHANNELS, identity=Place(2, mask=3), ready=Ready(Place(4), (0,), 2))


def several(body: bytes) -> bytes:
    return b"\xaa\xaa" + body + bytes([SIMPLE["xor8"].one(body)])


TURNED = TableCrc(CrcFacts(8, 0x2F, 0x55, reflect_in=True, reflect_out=False, xor_out=0x0F))


def turned_decoder() -> PacketDecoder:
    framing = Framing(SYNC, 6, Checked(TURNED, 2, 3, 0))
    return PacketDecoder(framing, [Field("anything", Place(3, "u24"))], CHANNELS)


PIECES = st.one_of(
    st.tuples(st.integers(0, 65_535), st.integers(0, 2_500)).map(lambda pair: box(*pair)),
    st.integers(2, 40).flatmap(lambda n: st.just(b"".join(box(4 * k) for k in range(n)))),
    st.binary(max_size=15).map(told),
    st.integers(2, 40).map(lambda n: told(bytes([n, 3, 85])) * n),
    st.binary(min_size=5, max_size=5).map(several),
    st.integers(2, 40).map(lambda n: several(bytes([1, n, 0, 0, 64])) * n),
    st.binary(min_size=1, max_size=9).map(lambda body: b"\xa5" + bytes([len(body) - 1]) + body + b"\x0d"),
    st.binary(min_size=3, max_size=3).map(lambda body: SYNC + bytes([TURNED.one(body)]) + body),
    st.sampled_from([SYNC, b"\xa5", b"\xaa", b"\xaa\xaa\xaa", b"\x5a", b"\x0d", b"\x0f", SYNC + b"\x0f", b"\xa5\x08"]),
    st.tuples(st.integers(0, 65_535), st.integers(0, 79)).map(
        lambda pair: (int.from_bytes(box(pair[0]), "big") ^ 1 << pair[1]).to_bytes(10, "big")
    ),
    st.binary(max_size=12),
)
MAKES: list[Callable[[], PacketDecoder]] = [
    box_decoder,
    told_decoder,
    loose_decoder,
    several_decoder,
    turned_decoder,
    lambda: box_decoder(ready=Ready(Place(2, mask=1), (1,))),
]


@settings(deadline=None, max_examples=300)
@given(
    st.sampled_from(MAKES),
    st.lists(PIECES, max_size=14).map(b"".join),
    st.lists(st.integers(0, 10**6), max_size=8),
    st.lists(st.booleans(), max_size=8),
)
def test_any_split_gives_the_same_samples_and_few_is_many(
    make: Callable[[], PacketDecoder], stream: bytes, cuts: list[int], modes: list[bool]
) -> None:
    """Samples, times and the ledger depend on the bytes alone: whole, record by record, at once, or mixed."""
    samples = hold_together(make, stream, cuts, modes)
    assert all(not math.isnan(value) for _, _, value, why in samples if why == Why.GOOD)
    for channel in CHANNELS.values():
        times = [t for t, number, _, _ in samples if number == channel.number]
        assert all(earlier < later for earlier, later in itertools.pairwise(times))
    hold_checkpoint(make, stream, cuts[0] if cuts else 0)


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.integers(0, 48_000), min_size=3, max_size=40),
    st.data(),
    st.sampled_from(["turned", "cut out", "put in", "sync put in"]),
)
def test_damage_costs_no_other_packet(speeds: list[int], data: st.DataObject, how: str) -> None:
    """Whatever happens inside one packet, every other packet is found, in order, with its own numbers.

    A CRC of 16 bits takes one of 65,536 damaged packets for a whole one; three or less bytes turned next to each other
    are among what it always sees when they are within 16 bits (property of every CRC, from memory), so two are turned.
    """
    packets = [box(speed) for speed in speeds]
    hit = data.draw(st.integers(0, len(packets) - 1), label="packet")
    place = data.draw(st.integers(0, 8), label="byte")
    if how == "turned":
        damage = data.draw(st.integers(1, 0xFFFF), label="bits")
        whole = packets[hit]
        inner = (int.from_bytes(whole[place : place + 2], "big") ^ damage).to_bytes(2, "big")
        packets[hit] = whole[:place] + inner + whole[place + 2 :]
    elif how == "cut out":
        packets[hit] = packets[hit][:place] + packets[hit][place + data.draw(st.integers(1, 9 - place + 1)) :]
    else:
        extra = SYNC if how == "sync put in" else data.draw(st.binary(min_size=1, max_size=30))
        packets[hit] = packets[hit][: place + 1] + extra + packets[hit][place + 1 :]
    others = [speed / 4 for number, speed in enumerate(speeds) if number != hit]
    found = [value for _, channel, value, _ in both(box_decoder, b"".join(packets)) if channel == 3]
    missing = iter(found)
    assert all(speed in missing for speed in others), "a packet that was whole is not among those found, in order"
    assert len(found) <= len(speeds)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.integers(0, 255), min_size=3, max_size=20), st.data())
def test_a_damaged_told_length_costs_no_other_packet(speeds: list[int], data: st.DataObject) -> None:
    """A length turned into another swallows packets for a while, and gives them back."""
    packets = [told(bytes([speed, 3, 85])) for speed in speeds]
    hit = data.draw(st.integers(0, len(packets) - 1))
    wrong = data.draw(st.integers(0, 255).filter(lambda length: length != 3))
    packets[hit] = SYNC + bytes([wrong]) + packets[hit][3:]
    others = [speed * 10.0 for number, speed in enumerate(speeds) if number != hit]
    # What swallowed the last packets fails only when bytes enough have come; they are then given back one by one.
    stream = b"".join(packets) + bytes(64)
    found = [value for _, channel, value, _ in both(told_decoder, stream) if channel == 3]
    assert found == others


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=30), st.sampled_from("<>"))
def test_fractions_come_back_to_the_last_bit(values: list[float], order: str) -> None:
    """A 64-bit fraction is the number that was sent, bit for bit (a negative zero is a zero), few and many."""
    framing = Framing(SYNC, 10)
    field = Field("anything", Place(2, "f64", "little" if order == "<" else "big"))
    stream = b"".join(SYNC + struct.pack(order + "d", value) for value in values)
    samples = both(lambda: PacketDecoder(framing, [field], CHANNELS), stream)
    expected: Sequence[Sample] = [(10 * n + 9, 4, value + 0.0, 0) for n, value in enumerate(values)]
    assert exactly(samples) == exactly(expected)
