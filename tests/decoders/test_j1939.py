"""SAE J1939: published values and codes, who sends what, and a reference of its own on random tables and frames."""

from __future__ import annotations

import json
import math
import struct
from typing import TYPE_CHECKING

import cantools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension
from pullwatch.columns import Why, to_samples
from pullwatch.decoders import Ledger
from pullwatch.decoders.dbc import DbcTable, Entry, Place, Selector
from pullwatch.decoders.frames import Frame, pack
from pullwatch.decoders.j1939 import Codes, Identifier, J1939Decoder, addressed, has_codes
from pullwatch.decoders.screen import Bring

from .streams import exactly, hold_checkpoint, hold_together

if TYPE_CHECKING:
    from typing import Any, Literal

    from pullwatch.columns import Sample

FILL = b"\xff" * 8


def channels(count: int, low: float = -math.inf, high: float = math.inf) -> dict[str, Channel]:
    return {f"c{n}": Channel(n, f"c{n}", "", Dimension.NUMBER, low, high) for n in range(count)}


def entry(
    channel: int,
    can_id: int,
    start: int,
    length: int,
    scale: float = 1,
    offset: float = 0,
    *,
    form: str = "unsigned",
    motorola: bool = False,
    when: tuple[Selector, ...] = (),
) -> Entry:
    place = Place.of_dbc(start, length, motorola=motorola)
    return Entry(channel, f"M.S{channel}", can_id, True, 8, place, form, scale, offset, Bring(), when)


def table(*entries: Entry, sources: dict[int, int] | None = None) -> DbcTable:
    return addressed(DbcTable("j.dbc", entries), sources or {})


def decoder(of: DbcTable, framing: Literal["slcan", "frames"] = "frames", count: int = 10) -> J1939Decoder:
    return J1939Decoder(of, channels(count), framing)


def both(of: DbcTable, *frames: Frame, ranges: dict[str, Channel] | None = None) -> list[tuple[int, float, int]]:
    """Decode frames both ways, which must agree to the last bit; return (channel, value, why) of each sample."""
    data = b"".join(pack(frame) for frame in frames)
    few = J1939Decoder(of, ranges or channels(10), "frames")
    many = J1939Decoder(of, ranges or channels(10), "frames")
    out: list[Sample] = []
    few.few(0, data, out)
    assert exactly(to_samples(many.many([Record(0, 1, Kind.DATA, data)]))) == exactly(out)
    assert few.ledger == many.ledger
    assert few.ledger.balances
    assert few.carried() == many.carried()
    assert few.heard == many.heard
    assert few.troubles() == many.troubles()
    return [(channel, value, why) for _, channel, value, why in out]


def sent(can_id: int, data: bytes = FILL) -> Frame:
    return Frame(can_id, data, extended=True)


# Published values and codes.

SPNS = {
    190: (0x0CF00400, 24, 16, 0.125, 0),  # engine speed, rpm
    100: (0x18FEEF00, 24, 8, 4, 0),  # oil pressure, kPa gauge
    110: (0x18FEEE00, 0, 8, 1, -40),  # coolant temperature, degC
    102: (0x18FEF600, 8, 8, 2, 0),  # boost, kPa gauge
    105: (0x18FEF600, 16, 8, 1, -40),  # intake temperature, degC
    173: (0x18FEF600, 40, 16, 0.03125, -273),  # exhaust gas temperature, degC
    108: (0x18FEF500, 0, 8, 0.5, 0),  # barometric pressure, kPa absolute
}
"""Identifier, start bit, bits, factor and offset, from the check values' figures and formulas."""


@pytest.mark.parametrize(
    ("spn", "can_id", "data", "value"),
    [
        # Check values j1939_SPN_DATA, tolerance 1e-6. Source: SAE J1939-71 / J1939DA (text seen); agreed with
        # cantools 45.1.0, decode_message.
        (190, 0x0CF00400, "FFFFFF80BBFFFFFF", 6000.0),
        (190, 0x0CF00400, "FFFFFFFFFAFFFFFF", 8031.875),
        (100, 0x18FEEF00, "FFFFFF00FFFFFFFF", 0.0),
        (100, 0x18FEEF00, "FFFFFFFAFFFFFFFF", 1000.0),
        (110, 0x18FEEE00, "82FFFFFFFFFFFFFF", 90.0),
        (102, 0x18FEF600, "FF32FFFFFFFFFFFF", 100.0),
        (102, 0x18FEF600, "FFFAFFFFFFFFFFFF", 500.0),
        (105, 0x18FEF600, "FFFF5AFFFFFFFFFF", 50.0),
        (105, 0x18FEF600, "FFFF00FFFFFFFFFF", -40.0),
        (173, 0x18FEF600, "FFFFFFFFFF2022FF", 0.0),
        (173, 0x18FEF600, "FFFFFFFFFFFFFAFF", 1734.96875),
        (108, 0x18FEF500, "A6FFFFFFFFFFFFFF", 83.0),
    ],
)
def test_published_values(spn: int, can_id: int, data: str, value: float) -> None:
    """Standard parameters in standard frames have the published values, up to the highest number there is."""
    ((_, got, why),) = both(table(entry(0, *SPNS[spn])), sent(can_id, bytes.fromhex(data)))
    assert got == pytest.approx(value, abs=1e-6)
    assert why == Why.GOOD


@pytest.mark.parametrize(
    ("spn", "can_id", "data", "why"),
    [
        # Check values j1939_state_SPN_DATA. Source: SAE J1939-71 / J1939DA (text seen). cantools 45.1.0 gives a number
        # for each of them (1020 kPa for the first), which is why the rule is this project's own.
        (100, 0x18FEEF00, "FFFFFFFFFFFFFFFF", Why.NOT_AVAILABLE),
        (100, 0x18FEEF00, "FFFFFFFBFFFFFFFF", Why.NOT_AVAILABLE),  # specific to the parameter: no number
        (100, 0x18FEEF00, "FFFFFFFCFFFFFFFF", Why.NOT_AVAILABLE),  # reserved: no number
        (100, 0x18FEEF00, "FFFFFFFAFFFFFFFF", Why.GOOD),
        (190, 0x0CF00400, "FFFFFF00FFFFFFFF", Why.NOT_AVAILABLE),
        (190, 0x0CF00400, "FFFFFF12FEFFFFFF", Why.ERROR),
        (190, 0x0CF00400, "FFFFFFFFFAFFFFFF", Why.GOOD),
    ],
)
def test_published_codes(spn: int, can_id: int, data: str, why: Why) -> None:
    """What a sender says instead of a value is a reason, and never a number."""
    ((_, got, told),) = both(table(entry(0, *SPNS[spn])), sent(can_id, bytes.fromhex(data)))
    assert told == why
    assert math.isnan(got) == (why is not Why.GOOD)


# Ranges written out from SAE J1939-71, transmitted signal ranges (1 and 2 bytes: text seen, in the check values; 4
# bytes and 2 bits: from memory; 3 bytes and 4 bits: common practice of the signal tables, from memory).
RANGES: dict[int, list[tuple[int, int, Why]]] = {
    1: [(0, 1, Why.GOOD)],
    2: [(0b00, 0b01, Why.GOOD), (0b10, 0b10, Why.ERROR), (0b11, 0b11, Why.NOT_AVAILABLE)],
    4: [(0, 0b1101, Why.GOOD), (0b1110, 0b1110, Why.ERROR), (0b1111, 0b1111, Why.NOT_AVAILABLE)],
    8: [
        (0x00, 0xFA, Why.GOOD),
        (0xFB, 0xFD, Why.NOT_AVAILABLE),
        (0xFE, 0xFE, Why.ERROR),
        (0xFF, 0xFF, Why.NOT_AVAILABLE),
    ],
    16: [
        (0x0000, 0xFAFF, Why.GOOD),
        (0xFB00, 0xFDFF, Why.NOT_AVAILABLE),
        (0xFE00, 0xFEFF, Why.ERROR),
        (0xFF00, 0xFFFF, Why.NOT_AVAILABLE),
    ],
    24: [
        (0x000000, 0xFAFFFF, Why.GOOD),
        (0xFB0000, 0xFDFFFF, Why.NOT_AVAILABLE),
        (0xFE0000, 0xFEFFFF, Why.ERROR),
        (0xFF0000, 0xFFFFFF, Why.NOT_AVAILABLE),
    ],
    32: [
        (0x00000000, 0xFAFFFFFF, Why.GOOD),
        (0xFB000000, 0xFDFFFFFF, Why.NOT_AVAILABLE),
        (0xFE000000, 0xFEFFFFFF, Why.ERROR),
        (0xFF000000, 0xFFFFFFFF, Why.NOT_AVAILABLE),
    ],
}


def by_ranges(length: int, raw: int) -> Why:
    """Return what the standard's table says; any other length: all ones are not available."""
    if length not in RANGES:
        return Why.NOT_AVAILABLE if raw == 2**length - 1 else Why.GOOD
    (why,) = [why for low, high, why in RANGES[length] if low <= raw <= high]
    return why


@pytest.mark.parametrize("length", [*range(1, 17), 24, 31, 32, 33, 40, 63, 64])
def test_codes_at_every_border(length: int) -> None:
    """Both ends of every range of every length, and their neighbours, are what the table says, both ways."""
    top = 2**length - 1
    borders = {raw for low, high, _ in RANGES.get(length, []) for raw in (low - 1, low, high, high + 1)}
    codes = Codes.of(length)
    for raw in {0, 1, top - 1, top, *borders, *(range(top + 1) if length <= 10 else ())}:
        if not 0 <= raw <= top:
            continue
        assert codes.why(raw) == by_ranges(length, raw)
        data = (raw | ((1 << 64) - 1 ^ top)).to_bytes(8, "little")
        ((_, value, why),) = both(table(entry(0, 0x18FEEF00, 0, length)), sent(0x18FEEF00, data))
        assert why == by_ranges(length, raw)
        assert math.isnan(value) if why else value == float(raw)
    assert has_codes(length) == (length in RANGES and length != 1)


def test_codes_are_of_the_bits_whatever_the_form() -> None:
    """A DBC that calls a signal signed or high-byte-first changes nothing of its codes."""
    of = table(
        entry(0, 0x18FEEF00, 0, 8, form="signed"),
        entry(1, 0x18FEEF00, 15, 16, motorola=True),
        entry(2, 0x18FEEF00, 24, 32, form="float"),
    )
    got = both(of, sent(0x18FEEF00, bytes.fromhex("FF FE01 FFFFFFFF 00")))
    assert [why for _, _, why in got] == [Why.NOT_AVAILABLE, Why.ERROR, Why.NOT_AVAILABLE]
    got = both(of, sent(0x18FEEF00, bytes.fromhex("F0 0102") + struct.pack("<f", 1.5) + b"\0"))
    assert got == [(0, -16.0, 0), (1, 258.0, 0), (2, 1.5, 0)]


def test_numbers_are_screened_as_any() -> None:
    """A number outside the believable range is implausible, and a code is told as the code it is."""
    of, ranges = table(entry(0, *SPNS[100])), channels(1, 0, 600)
    told = [
        both(of, sent(0x18FEEF00, bytes([0, 0, 0, raw, 0, 0, 0, 0])), ranges=ranges)[0][2] for raw in (150, 151, 0xFE)
    ]
    assert told == [Why.GOOD, Why.IMPLAUSIBLE, Why.ERROR]


# Identifiers: what is the same message, and from whom.


@pytest.mark.parametrize(
    ("can_id", "parts"),
    [
        # Check value j1939_id_18FEEE00. Source: SAE J1939-21 (computed; agreed with can-j1939 2.0.12).
        (0x18FEEE00, (6, 65262, None, 0)),
        # Computed from the same rule: PF below 240 is a destination, page bits belong to the group.
        (0x0C000B27, (3, 0, 0x0B, 0x27)),
        (0x18EFFF10, (6, 0xEF00, 0xFF, 0x10)),
        (0x18F00103, (6, 0xF001, None, 3)),
        (0x1DF00103, (7, 0x1F001, None, 3)),
        (0x03EE0102, (0, 0x3EE00, 1, 2)),
    ],
)
def test_identifiers_come_apart(can_id: int, parts: tuple[int, int, int | None, int]) -> None:
    """Priority, group, destination and source are those of the standard's rule."""
    assert Identifier.of(can_id) == parts


def test_the_priority_is_never_looked_at() -> None:
    """A node that sends a group more or less urgently than the DBC has it is still heard."""
    of = table(entry(0, 0x18FEEF00, 0, 8))
    for priority in range(8):
        assert both(of, sent(priority << 26 | 0x00FEEF00, bytes(8))) == [(0, 0.0, 0)]


@pytest.mark.parametrize("can_id", [0x18FEEE00, 0x19FEEF00, 0x1AFEEF00, 0x18FDEF00, 0x18FEEF01, 0x18FEEFFE])
def test_another_group_page_or_source_is_another_message(can_id: int) -> None:
    """Group, both page bits and the source must be those of the DBC."""
    of = table(entry(0, 0x18FEEF00, 0, 8))
    assert both(of, sent(can_id, bytes(8))) == []


def test_what_is_no_j1939_frame_is_passed_over() -> None:
    """11-bit, remote and error frames never give a value, whatever their identifier; they are counted."""
    of = decoder(table(entry(0, 0x18FEEF00, 0, 8), entry(1, 0x18000000, 0, 8)))
    frames = [
        Frame(0x0, bytes(8)),
        Frame(0x7EF, bytes(8)),
        Frame(0x18FEEF00, extended=True, remote=True, length=8),
        Frame(0x18FEEF00, bytes(8), extended=True, error=True),
    ]
    data = b"".join(map(pack, frames))
    out: list[Sample] = []
    of.few(0, data, out)
    assert out == []
    assert of.ledger == Ledger(taken=len(data), passed_over=len(data), messages=4)
    assert (of.remote_frames, of.error_frames) == (1, 1)
    again = decoder(table(entry(0, 0x18FEEF00, 0, 8)))
    assert again.many([Record(0, 1, Kind.DATA, data)]) == {}
    assert (again.remote_frames, again.error_frames) == (1, 1)
    assert again.ledger == of.ledger


@pytest.mark.parametrize(
    ("in_dbc", "taken"),
    [(0x0B, {0x0B, 0xFF}), (0xFF, {0xFF}), (0xFE, {0x00, 0x0B, 0xFE, 0xFF})],
)
def test_the_destination_is_the_dbcs_or_all(in_dbc: int, taken: set[int]) -> None:
    """A group sent to a node is taken when sent to the DBC's node or to all; 0xFE in the DBC means any node."""
    of = table(entry(0, 0x0C000000 | in_dbc << 8, 0, 8))
    heard = {to for to in (0x00, 0x0B, 0xFE, 0xFF) if both(of, sent(0x0C000000 | to << 8, bytes(8)))}
    assert heard == taken
    assert any("is taken when sent to" in note for note in of.notes)


def test_of_two_senders_the_declared_one_is_taken() -> None:
    """Two nodes send one group: each channel has the one node it is declared to be from, and no mixture."""
    frames = [sent(0x18FEEF00 | source, bytes([value] * 8)) for source, value in ((0, 1), (3, 2), (0, 3), (3, 4))]
    of = table(entry(0, 0x18FEEF00, 0, 8), entry(1, 0x18FEEF00, 0, 8), sources={1: 3})
    assert both(of, *frames) == [(0, 1.0, 0), (1, 2.0, 0), (0, 3.0, 0), (1, 4.0, 0)]
    assert [note for note in of.notes if "address" in note] == [
        "M.S0 is taken from address 0 only.",
        "M.S1 is taken from address 3 only.",
    ]


def test_two_senders_without_a_choice_are_a_fault_not_a_mixture() -> None:
    """Where any address will do, a second sender makes the channel a fault from its first frame on, for good."""
    of = table(entry(0, 0x18FEEFFE, 0, 8))
    assert "as soon as two do, it is a fault" in of.notes[0]
    frames = [sent(0x18FEEF00 | source, bytes([value] * 8)) for source, value in ((7, 1), (7, 2), (3, 3), (7, 4))]
    got = both(of, *frames)
    assert [why for _, _, why in got] == [Why.GOOD, Why.GOOD, Why.SOURCE, Why.SOURCE]
    assert [value for _, value, _ in got[:2]] == [1.0, 2.0]
    assert all(math.isnan(value) for _, value, _ in got[2:])
    made = decoder(of)
    for frame in frames:
        made.few(0, pack(frame), [])
    (trouble,) = made.troubles()
    assert trouble.startswith("M.S0 is sent by the addresses 3 and 7: nobody can tell which is meant")
    made.fresh()  # a lost port makes nobody wiser
    out: list[Sample] = []
    made.few(10**6, pack(frames[0]), out)
    assert [why for *_, why in out] == [Why.SOURCE]


@pytest.mark.parametrize("conflict", [False, True])
def test_who_was_heard_is_carried(conflict: bool) -> None:
    """A decoder that goes on from a checkpoint knows whose readings were taken, and that two nodes sent them."""
    of = table(entry(0, 0x18FEEFFE, 0, 8))
    first, second = decoder(of), decoder(of)
    for source in (7, 3) if conflict else (7,):
        first.few(0, pack(sent(0x18FEEF00 | source, bytes(8))), [])
    second.carry(first.carried())
    out: list[Sample] = []
    second.few(100, pack(sent(0x18FEEF07, bytes(8))), out)
    second.few(200, pack(sent(0x18FEEF03, bytes(8))), out)
    assert [why for *_, why in out] == [Why.SOURCE if conflict else Why.GOOD, Why.SOURCE]


def test_a_page_nobody_else_sends_is_no_conflict() -> None:
    """Of a multiplexed group two nodes may send different pages: only the same signal from both is a conflict."""
    page = Place(motorola=False, first=0, length=8)
    of = table(
        entry(0, 0x18FEEFFE, 8, 8, when=(Selector(page, ((1, 1),)),)),
        entry(1, 0x18FEEFFE, 8, 8, when=(Selector(page, ((2, 2),)),)),
    )
    frames = [sent(0x18FEEF00 | source, bytes([source, 5, 0, 0, 0, 0, 0, 0])) for source in (1, 2, 1, 2)]
    assert both(of, *frames) == [(0, 5.0, 0), (1, 5.0, 0), (0, 5.0, 0), (1, 5.0, 0)]


def test_a_wanted_node_that_is_silent_is_told_with_those_that_speak() -> None:
    """A group that comes from another address than the DBC's is not taken, and it is said from which it comes."""
    made = decoder(table(entry(0, 0x18FEEF00, 0, 8)))
    assert made.troubles() == []
    out: list[Sample] = []
    made.few(0, pack(sent(0x18FEEF11, bytes(8))), out)
    assert out == []
    (trouble,) = made.troubles()
    assert "wanted from address 0, which does not send it; 17 does" in trouble
    made.few(100, pack(sent(0x18FEEF00, bytes(8))), out)
    assert made.troubles() == []


def test_a_frame_too_short_is_rejected_only_for_whom_it_is_meant() -> None:
    """A short frame of the declared node is rejected whole; one of another node is passed over."""
    of = table(entry(0, 0x18FEEF00, 56, 8))
    for source, rejected in ((0, 1), (5, 0)):
        made = decoder(of)
        made.few(0, pack(sent(0x18FEEF00 | source, bytes(7))), [])
        assert made.ledger.bad_messages == rejected
        assert both(of, sent(0x18FEEF00 | source, bytes(7))) == []


def test_lengths_without_codes_are_said() -> None:
    """For a length that J1939 has no codes for it is said what is done; for the others nothing need be."""
    notes = table(entry(0, 0x18FEEF00, 0, 12), entry(1, 0x18FEEF00, 0, 1), entry(2, 0x18FEEF00, 0, 16)).notes
    said = [note for note in notes if "has no code" in note]
    assert [("M.S0" in note, "12 bits" in note, "M.S1" in note) for note in said] == [
        (True, True, False),
        (False, False, True),
    ]


def test_an_empty_table_passes_everything_over() -> None:
    """A feed with no wanted signal still accounts for every byte."""
    assert both(DbcTable("x.dbc", ()), sent(0x18FEEF00)) == []


# Random tables and frames, against a reference written from the standard's rules and cantools for the numbers.

GROUPS = [0x00FEEF00, 0x01FEEF00, 0x00000B00, 0x0000FE00, 0x0000FF00, 0x00EF0000]
"""Identifiers without priority and source: two PDU2 (of both pages), PDU1 to a node, to any, to all, to node 0."""


@st.composite
def wanted(draw: st.DrawFn, channel: int) -> Entry:
    length = draw(st.sampled_from([1, 2, 3, 4, 8, 8, 16, 16, 24, 32, 12, 64]))
    motorola = draw(st.booleans())
    first = draw(st.integers(0, 64 - length))
    start = 8 * (first // 8) + 7 - first % 8 if motorola else first
    page = Place(motorola=False, first=draw(st.integers(0, 7)), length=draw(st.integers(1, 4)))
    return entry(
        channel,
        draw(st.integers(0, 7)) << 26 | draw(st.sampled_from(GROUPS)) | draw(st.sampled_from([0, 3, 0xFE])),
        start,
        length,
        draw(st.sampled_from([1, 0.125, 4, -0.5])),
        draw(st.sampled_from([0, -40, 0.1])),
        motorola=motorola,
        form=draw(st.sampled_from(["unsigned", "unsigned", "signed"])) if length > 1 else "unsigned",
        when=draw(st.sampled_from([(), (), (), (Selector(page, ((1, 3),)),)])),
    )


BYTES = st.sampled_from([0x00, 0x01, 0x7F, 0xFA, 0xFB, 0xFD, 0xFE, 0xFF]) | st.integers(0, 255)


@st.composite
def bus_frames(draw: st.DrawFn) -> Frame:
    can_id = draw(st.integers(0, 7)) << 26 | draw(st.sampled_from([*GROUPS, 0x00F00400]))
    if can_id >> 16 & 0xFF < 240:
        can_id = can_id & ~0xFF00 | draw(st.sampled_from([0x0B, 0xFF, 0x00, 0x21])) << 8
    length = draw(st.sampled_from([8, 8, 8, 8, 8, 7, 3, 0]))
    odd = draw(st.integers(0, 15))
    if odd == 0:
        return Frame(can_id | draw(st.sampled_from([0, 3])), extended=True, remote=True, length=length)
    data = bytes(draw(st.lists(BYTES, min_size=length, max_size=length)))
    if odd == 1:
        return Frame(can_id & 0x7FF, data)
    return Frame(can_id | draw(st.sampled_from([0, 0, 0, 3, 9])), data, extended=True, error=odd == 2)


TABLES = st.tuples(*(wanted(channel) for channel in range(4))).map(lambda entries: table(*entries))


def reference(of: DbcTable, frames: list[Frame]) -> list[tuple[int, float, int]]:
    """Say what the frames mean, bit by bit and field by field from the standard, sharing nothing with the decoder."""
    out: list[tuple[int, float, int]] = []
    first: dict[int, int] = {}
    mixed: set[int] = set()
    for frame in frames:
        if not frame.extended or frame.remote or frame.error:
            continue
        bits = f"{frame.can_id:029b}"
        pages, pdu_format, pdu_specific, source = bits[3:5], int(bits[5:13], 2), int(bits[13:21], 2), int(bits[21:], 2)
        found: list[tuple[int, float, int]] | None = []
        picked: list[int] = []
        for wish in of.entries:
            own = f"{wish.can_id:029b}"
            if own[3:13] != pages + bits[5:13]:
                continue
            own_specific, own_source = int(own[13:21], 2), int(own[21:], 2)
            if pdu_format >= 240:
                if own_specific != pdu_specific:
                    continue
            elif own_specific != 0xFE and pdu_specific not in (own_specific, 0xFF):
                continue
            if own_source not in (0xFE, source):
                continue
            shown = True
            for selector in wish.when:
                page = raw_of(frame.data, selector.place)
                if page is None:
                    found = None
                    break
                if not any(low <= page <= high for low, high in selector.ranges):
                    shown = False
                    break
            if found is None:
                break
            raw = raw_of(frame.data, wish.place)
            if shown and raw is None:
                found = None
                break
            if shown and raw is not None:
                picked.append(wish.channel)
                found.append((wish.channel, number_of(wish, raw), int(by_ranges(wish.place.length, raw))))
        for channel, value, why in sorted(found or (), key=lambda one: one[0]):
            wish = of.entries[channel]
            doubt = why
            if wish.can_id & 0xFF == 0xFE:
                if first.setdefault(channel, frame.can_id & 0xFF) != frame.can_id & 0xFF:
                    mixed.add(channel)
                if channel in mixed:
                    doubt = int(Why.SOURCE)
            out.append((channel, math.nan if doubt else value, doubt))
    return out


def raw_of(data: bytes, place: Place) -> int | None:
    """Return the bits at a place, None where the frame is too short."""
    if place.motorola:
        bits = "".join(f"{byte:08b}" for byte in data)[place.first : place.first + place.length]
    else:
        bits = "".join(f"{byte:08b}"[::-1] for byte in data)[place.first : place.first + place.length][::-1]
    return int(bits, 2) if len(bits) == place.length else None


def number_of(wish: Entry, raw: int) -> float:
    """Return the number by cantools 45.1.0, Message.decode, of a message of this one signal at bit 0."""
    sign = "-" if wish.form == "signed" else "+"
    text = (
        'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: E\n\nBO_ 1 M: 8 E\n '
        f'SG_ S : 0|{wish.place.length}@1{sign} ({wish.scale!r},{wish.offset!r}) [0|0] "" E\n'
    )
    message = ORACLES.get(text)
    if message is None:
        library: Any = cantools.database
        message = ORACLES[text] = library.load_string(text, "dbc").get_message_by_name("M")
    return float(message.decode(raw.to_bytes(8, "little"), decode_choices=False)["S"])


ORACLES: dict[str, Any] = {}


@settings(deadline=None, max_examples=120)
@given(TABLES, st.lists(bus_frames(), max_size=20))
def test_any_bus_means_what_the_standard_says(of: DbcTable, frames: list[Frame]) -> None:
    """Groups, sources, destinations, codes and numbers of random frames are those of the reference, bit for bit."""
    got = both(of, *frames)
    assert [(channel, struct.pack("<d", value), why) for channel, value, why in got] == [
        (channel, struct.pack("<d", value), why) for channel, value, why in reference(of, frames)
    ]


def line_of(frame: Frame) -> bytes:
    kind = "r" if frame.remote else "t"
    digits = f"{frame.can_id:08X}" if frame.extended else f"{frame.can_id:03X}"
    length = frame.length if frame.remote else len(frame.data)
    return f"{kind.upper() if frame.extended else kind}{digits}{length:X}{frame.data.hex()}\r".encode()


@settings(deadline=None, max_examples=100)
@given(
    TABLES,
    st.sampled_from(["slcan", "frames"]),
    st.lists(bus_frames() | bus_frames() | st.binary(max_size=10), max_size=25),
    st.lists(st.integers(0, 10**6), max_size=6),
    st.lists(st.booleans(), max_size=7),
)
def test_any_split_gives_the_same_samples_and_few_is_many(
    of: DbcTable,
    framing: Literal["slcan", "frames"],
    pieces: list[Frame | bytes],
    cuts: list[int],
    modes: list[bool],
) -> None:
    """Samples, times, ledger and what is carried depend on the bytes alone: whole, in parts, at once, or mixed."""
    write = line_of if framing == "slcan" else pack
    stream = b"".join(piece if isinstance(piece, bytes) else write(piece) for piece in pieces)
    hold_together(lambda: decoder(of, framing), stream, cuts, modes)
    hold_checkpoint(lambda: decoder(of, framing), stream, cuts[0] if cuts else 0)


@given(TABLES)
def test_the_table_survives_the_start_record(of: DbcTable) -> None:
    """The addresses stand in the recorded table itself: a replay needs neither the DBC nor the setup for them."""
    assert DbcTable.from_dict(json.loads(json.dumps(of.to_dict()))) == of
