"""CAN signals from a table: check values, the two ways, any split, damage, multiplexing."""

from __future__ import annotations

import json
import math
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension, unit_named
from pullwatch.columns import Why, to_samples
from pullwatch.decoders import Decoding, Ledger, dbc
from pullwatch.decoders.dbc import CanDecoder, DbcTable, Entry, Place, Selector
from pullwatch.decoders.frames import Frame, pack
from pullwatch.decoders.screen import Bring
from pullwatch.errors import PullwatchError

from .streams import exactly, hold_checkpoint, hold_together

if TYPE_CHECKING:
    from typing import Literal

    from pullwatch.columns import Sample


def channels(count: int, low: float = -math.inf, high: float = math.inf) -> dict[str, Channel]:
    return {f"c{n}": Channel(n, f"c{n}", "", Dimension.NUMBER, low, high) for n in range(count)}


def entry(
    channel: int,
    can_id: int,
    place: Place,
    scale: float = 1,
    offset: float = 0,
    *,
    form: str = "unsigned",
    extended: bool = False,
    length: int = 8,
    bring: Bring | None = None,
    when: tuple[Selector, ...] = (),
) -> Entry:
    return Entry(channel, f"M.S{channel}", can_id, extended, length, place, form, scale, offset, bring or Bring(), when)


def intel(start: int, length: int) -> Place:
    return Place.of_dbc(start, length, motorola=False)


def motorola(start: int, length: int) -> Place:
    return Place.of_dbc(start, length, motorola=True)


def slcan(can_id: int, data: bytes) -> bytes:
    return f"t{can_id:03X}{len(data)}{data.hex().upper()}\r".encode()


def decoded(table: DbcTable, data: bytes, ranges: dict[str, Channel] | None = None) -> dict[int, tuple[float, int]]:
    """Decode one record both ways; return channel number to (value, why)."""
    decoder = CanDecoder(table, ranges or channels(10))
    out: list[Sample] = []
    decoder.few(0, data, out)
    other = CanDecoder(table, ranges or channels(10))
    assert exactly(to_samples(other.many([Record(0, 1, Kind.DATA, data)]))) == exactly(out)
    assert other.ledger == decoder.ledger
    return {channel: (value, why) for _, channel, value, why in out}


PAGE = Place(motorola=False, first=0, length=8)
CHECKED = DbcTable(
    "check.dbc",
    (
        entry(0, 0x100, intel(0, 16), 0.25),  # Rpm
        entry(1, 0x100, intel(16, 12), 0.1),  # Map12
        entry(2, 0x100, intel(32, 8), form="signed"),  # TempS
        entry(3, 0x101, motorola(7, 16), 0.25),  # Rpm
        entry(4, 0x101, motorola(23, 10), 0.001, 0.5),  # Lam10
        entry(5, 0x101, motorola(29, 11), 0.1, -10),  # Ign11
        entry(6, 0x102, intel(8, 16), 0.1, -50, when=(Selector(PAGE, ((0, 0),)),)),  # Egt1
        entry(7, 0x102, intel(24, 16), 0.1, -50, when=(Selector(PAGE, ((0, 0),)),)),  # Egt2
        entry(8, 0x102, motorola(15, 16), when=(Selector(PAGE, ((1, 1),)),)),  # OilP
        entry(9, 0x103, intel(0, 32), form="float"),
    ),
)


@pytest.mark.parametrize(
    ("can_id", "data", "expected"),
    [
        # Check values dbc_le_…, dbc_be_…, dbc_mux_…, dbc_float_…, tolerance 1e-6. Source: Vector DBC signal convention
        # (Intel: start = least significant bit, "@1"; Motorola: start = most significant bit, "@0"); computed with
        # cantools 45.1.0, db.decode_message. Layout and scales follow from the values.
        (0x100, "FFFFFFFFFF000000", {0: 16383.75, 1: 409.5, 2: -1.0}),
        (0x101, "2EE0709F38000000", {3: 3000.0, 4: 0.95, 5: 89.9}),
        (0x101, "5DC0FFC000000000", {3: 6000.0, 4: 1.523, 5: -10.0}),
        (0x101, "1F403F8400000000", {3: 2000.0, 4: 0.754, 5: 2.8}),
        (0x102, "0010272823000000", {6: 950.0, 7: 850.0}),
        (0x102, "0101900000000000", {8: 400.0}),
        (0x102, "00F4010000000000", {6: 0.0, 7: -50.0}),
        (0x103, "9A99593F00000000", {9: 0.85}),
        (0x103, "0000C0BF00000000", {9: -1.5}),
    ],
)
def test_check_values(can_id: int, data: str, expected: dict[int, float]) -> None:
    """Published layouts give the published values, and of a multiplexed message only the selected page appears."""
    got = decoded(CHECKED, slcan(can_id, bytes.fromhex(data)))
    assert {channel: value for channel, (value, _) in got.items()} == pytest.approx(expected, abs=1e-6)
    assert all(why == Why.GOOD for _, why in got.values())


def test_all_signals_of_a_frame_share_the_time_of_its_last_byte() -> None:
    """The time is that of the CR; signals of one frame come in order of channel number."""
    decoder = CanDecoder(CHECKED, channels(10))
    out: list[Sample] = []
    line = slcan(0x100, bytes(8))
    decoder.few(1_000, b"\r" + line + line, out)
    assert [(t, channel) for t, channel, _, _ in out] == [(1_022, n) for n in range(3)] + [(1_044, n) for n in range(3)]


def test_values_are_screened() -> None:
    """NaN, infinity and values outside the believable range have their reason; both ends of the range are believed."""
    table = DbcTable("x.dbc", (entry(0, 1, intel(0, 32), form="float"), entry(1, 1, intel(32, 8))))
    ranges = channels(2, 10, 20)
    for hexes, value, why in (
        ("0000C07F", math.nan, Why.NOT_A_NUMBER),
        ("0000807F", math.inf, Why.NOT_A_NUMBER),
        ("000080FF", -math.inf, Why.NOT_A_NUMBER),
        ("00002041", 10.0, Why.GOOD),
        ("0000A041", 20.0, Why.GOOD),
        ("0100A041", 20.000001907348633, Why.IMPLAUSIBLE),
    ):
        got = decoded(table, slcan(1, bytes.fromhex(hexes) + bytes([9, 0, 0, 0])), ranges)
        assert got[0][0] == pytest.approx(value, rel=0, abs=0, nan_ok=True)
        assert got[0][1] == why
        assert got[1] == (9.0, Why.IMPLAUSIBLE)


def test_units_are_brought_before_the_screen() -> None:
    """The believable range is in the channel's unit, whatever the signal's: bar, or air-fuel ratio on its scale."""
    table = DbcTable(
        "x.dbc",
        (
            entry(0, 1, intel(0, 8), 0.01, bring=Bring.of(unit_named("bar"))),
            entry(1, 1, intel(8, 8), 0.1, bring=Bring.of(unit_named("AFR@14.7"))),
        ),
    )
    ranges = {
        "boost": Channel(0, "boost", "kPa", Dimension.GAUGE_PRESSURE, -100, 200),
        "lambda": Channel(1, "lambda", "lambda", Dimension.LAMBDA, 0.5, 1.0),
    }
    got = decoded(table, slcan(1, bytes([150, 120, 0, 0, 0, 0, 0, 0])), ranges)
    assert got == {0: (150 * 0.01 * 100.0, Why.GOOD), 1: (120 * 0.1 / 14.7, Why.GOOD)}
    got = decoded(table, slcan(1, bytes([250, 150, 0, 0, 0, 0, 0, 0])), ranges)
    assert [why for _, why in got.values()] == [Why.IMPLAUSIBLE, Why.IMPLAUSIBLE]


def test_a_frame_too_short_for_a_wanted_signal_is_rejected_whole() -> None:
    """A frame that lacks bytes of a signal it should carry is not the message the DBC means: none of it is used."""
    line = slcan(0x100, bytes(4))
    decoder = CanDecoder(CHECKED, channels(10))
    out: list[Sample] = []
    decoder.few(0, line + slcan(0x100, bytes(5)), out)
    assert len(out) == 3
    ledger = decoder.ledger
    assert (ledger.rejected, ledger.bad_messages, ledger.messages, ledger.decoded) == (len(line), 1, 1, len(line) + 2)
    assert decoded(CHECKED, line) == {}


def test_a_short_frame_is_rejected_only_if_the_page_it_shows_is_not_whole() -> None:
    """Of a multiplexed message only what the frame selects is needed; without the selector nothing is known of it."""
    assert set(decoded(CHECKED, slcan(0x102, bytes.fromhex("010190")))) == {8}
    for data in ("000000", ""):
        decoder = CanDecoder(CHECKED, channels(10))
        decoder.few(0, slcan(0x102, bytes.fromhex(data)), [])
        assert decoder.ledger.bad_messages == 1
        assert decoded(CHECKED, slcan(0x102, bytes.fromhex(data))) == {}


def test_longer_frames_are_read_as_far_as_they_are_known() -> None:
    """A message that has grown since the DBC was written still gives the signals it had."""
    table = DbcTable("x.dbc", (entry(0, 1, intel(0, 8), length=2), entry(1, 1, motorola(7, 16), length=2)))
    assert decoded(table, slcan(1, bytes([1, 2, 3, 4, 5]))) == {0: (1.0, 0), 1: (258.0, 0)}


def test_nested_multiplexing_needs_every_selector() -> None:
    """A signal of a nested page appears only when the outer and the inner selector both say so; a range is many."""
    inner = Place(motorola=True, first=8, length=4)
    table = DbcTable(
        "x.dbc", (entry(0, 1, intel(16, 8), when=(Selector(PAGE, ((2, 4), (9, 9))), Selector(inner, ((5, 5),)))),)
    )
    for outer in range(11):
        for within in range(16):
            got = decoded(table, slcan(1, bytes([outer, within << 4, 77])))
            assert got == ({0: (77.0, 0)} if outer in (2, 3, 4, 9) and within == 5 else {})


def test_the_same_number_with_29_bits_is_another_message() -> None:
    """Identifier 0x100 of 11 bits and of 29 bits are two messages."""
    table = DbcTable("x.dbc", (entry(0, 0x100, intel(0, 8)), entry(1, 0x100, intel(0, 8), extended=True)))
    assert decoded(table, b"t100111\r") == {0: (17.0, 0)}
    assert decoded(table, b"T00000100122\r") == {1: (34.0, 0)}


def test_what_nobody_asked_for_is_passed_over_and_counted() -> None:
    """Unwanted identifiers, pages and remote frames cost their bytes in the ledger and nothing else."""
    lines = [b"t7008" + b"00" * 8 + b"\r", b"r1008\r", b"R000001000\r", slcan(0x102, bytes([7] * 8)), b"z\r"]
    decoder = CanDecoder(CHECKED, channels(10))
    out: list[Sample] = []
    decoder.few(0, b"".join(lines), out)
    assert out == []
    assert decoder.ledger == Ledger(taken=len(b"".join(lines)), passed_over=len(b"".join(lines)), messages=4)
    assert (decoder.remote_frames, decoder.error_frames) == (2, 0)


def test_error_frames_are_counted_and_never_decoded() -> None:
    """An adapter's error frame whose number happens to be a wanted identifier gives no sample."""
    packed = pack(Frame(0x100, bytes(8), error=True)) + pack(Frame(0x100, remote=True, length=8))
    few, many = CanDecoder(CHECKED, channels(10), "frames"), CanDecoder(CHECKED, channels(10), "frames")
    out: list[Sample] = []
    few.few(0, packed, out)
    assert out == []
    assert many.many([Record(0, 1, Kind.DATA, packed)]) == {}
    for decoder in (few, many):
        assert (decoder.error_frames, decoder.remote_frames) == (1, 1)
        assert decoder.ledger == Ledger(taken=20, passed_over=20, messages=2)


def test_can_fd_frames_are_taken_only_on_a_bus_that_has_them() -> None:
    """Where the DBC knows no CAN FD, a line that reads as a CAN FD frame of a wanted identifier is not taken for it."""
    line = b"b1001AA\r"
    for fd in (False, True):
        got = decoded(DbcTable("x.dbc", (entry(0, 0x100, intel(0, 8)),), fd=fd), line)
        assert got == ({0: (170.0, 0)} if fd else {})


def test_signals_far_into_long_frames() -> None:
    """In a CAN FD frame of 64 bytes a signal of 64 bits may lie anywhere, across nine bytes too."""
    data = bytes(range(1, 65))
    for bit in (0, 3, 200, 301, 447, 448):
        table = DbcTable(
            "x.dbc",
            (
                entry(0, 1, Place(motorola=False, first=bit, length=64), length=64),
                entry(1, 1, Place(motorola=True, first=bit, length=64), length=64),
            ),
            fd=True,
        )
        little = int.from_bytes(data, "little") >> bit & (1 << 64) - 1
        big = int.from_bytes(data, "big") >> (512 - 64 - bit) & (1 << 64) - 1
        got = decoded(table, f"d001F{data.hex()}\r".encode())
        assert got == {0: (float(little), 0), 1: (float(big), 0)}


def test_a_table_that_feeds_a_channel_twice_is_refused() -> None:
    """Two signals for one channel would give it two values at one time."""
    both = (entry(0, 1, intel(0, 8)), entry(0, 2, intel(0, 8)))
    with pytest.raises(ValueError, match="channels"):
        CanDecoder(DbcTable("x.dbc", both), channels(1))
    with pytest.raises(ValueError, match="channels"):
        CanDecoder(DbcTable("x.dbc", (entry(5, 1, intel(0, 8)),)), channels(1))


def test_an_empty_table_passes_everything_over() -> None:
    """A feed with no wanted signal still accounts for every byte."""
    assert decoded(DbcTable("x.dbc", ()), b"t1000\rzz\r") == {}


def test_a_lost_port_cuts_the_half_line_off() -> None:
    """Through `Decoding`, few or many: half a line before LOST is never joined to what comes after FOUND."""
    one, other = slcan(0x100, bytes(8)), slcan(0x101, bytes(8))
    for many in (1, 400):
        decoder = CanDecoder(CHECKED, channels(10))
        records = [
            Record(0, 1, Kind.DATA, one * many + one[:9]),
            Record(10**6, 1, Kind.LOST, b"gone"),
            Record(2 * 10**6, 1, Kind.FOUND, b"port"),
            Record(3 * 10**6, 1, Kind.DATA, one[9:] + other),
        ]
        batch = Decoding({1: decoder}).batch(10**9, records)
        samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
        assert len(samples) == 3 * many + 3
        assert decoder.ledger.balances
        assert decoder.ledger.rejected == len(one)
        assert decoder.ledger.bad_messages == 2


@pytest.mark.parametrize("at_once", [1 << 22, 20_000, 1])
def test_a_second_of_a_full_bus_is_the_same_both_ways(monkeypatch: pytest.MonkeyPatch, at_once: int) -> None:
    """With thousands of frames of many messages every channel keeps its order of time, in however many goes."""
    monkeypatch.setattr(dbc, "_BYTES_AT_ONCE", at_once)
    random = Random(7)
    lines = [slcan(random.choice([0x100, 0x101, 0x102, 0x103, 0x2FF]), random.randbytes(8)) for _ in range(8_000)]
    records = [Record(2_000_000 * n, 1, Kind.DATA, b"".join(lines[n : n + 16])) for n in range(0, 8_000, 16)]
    few, many = CanDecoder(CHECKED, channels(10)), CanDecoder(CHECKED, channels(10))
    out: list[Sample] = []
    for record in records:
        few.few(record.t, record.data, out)
    columns = many.many(records)
    assert exactly(to_samples(columns)) == exactly(out)
    assert few.ledger == many.ledger
    assert few.ledger.balances
    assert all((col.t[1:] > col.t[:-1]).all() for col in columns.values())


def test_a_float_that_is_sent_as_it_is_keeps_its_bits() -> None:
    """A float with factor 1 and offset 0 is not calculated with: minus zero stays minus zero."""
    table = DbcTable(
        "x.dbc", (entry(0, 1, intel(0, 32), form="float"), entry(1, 1, intel(32, 32), 1, 0.5, form="float"))
    )
    got = decoded(table, slcan(1, bytes.fromhex("0000008000000080")))
    assert math.copysign(1, got[0][0]) == -1
    assert got[1] == (0.5, 0)


@pytest.mark.parametrize("count", [1, 500])
def test_two_buses_with_the_same_identifiers_are_kept_apart(count: int) -> None:
    """Two CAN feeds whose frames have the same identifier: each gives its own channels only, few or many."""
    first = DbcTable("one.dbc", (entry(0, 0x100, intel(0, 8)),))
    second = DbcTable("two.dbc", (entry(1, 0x100, intel(0, 8)), entry(2, 0x100, intel(8, 8))))
    buses = {1: CanDecoder(first, channels(3)), 2: CanDecoder(second, channels(3))}
    line = {1: slcan(0x100, bytes([11, 12])), 2: slcan(0x100, bytes([21, 22]))}
    records, t = [], 0
    for number in range(2 * count):
        feed = 1 + number % 2
        half = line[feed][:9]  # each bus's reads end in the middle of a line, in turn
        records += [Record(t, feed, Kind.DATA, half), Record(t + 5_000, 3 - feed, Kind.DATA, b"\r")]
        records.append(Record(t + 10_000, feed, Kind.DATA, line[feed][9:]))
        t += 20_000
    batch = Decoding(buses).batch(t, records)
    assert (batch.samples is None) == (count > 1)
    samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
    assert {(channel, value) for _, channel, value, _ in samples} == {(0, 11.0), (1, 21.0), (2, 22.0)}
    assert len(samples) == 3 * count
    assert all(decoder.ledger.bad_messages == 0 and decoder.ledger.balances for decoder in buses.values())


# The table as it is written into the start record.


@st.composite
def places(draw: st.DrawFn, size: int, longest: int = 64) -> Place:
    length = draw(st.integers(1, min(longest, 8 * size)))
    return Place(draw(st.booleans()), draw(st.integers(0, 8 * size - length)), length)


SCALES = st.one_of(
    st.integers(-(10**6), 10**6),
    st.sampled_from([1, 0.1, 0.25, 0.001, -0.5, 1e300, 10**18, 3]),
    st.floats(allow_nan=False, allow_infinity=False),
)
BRINGS = st.sampled_from([Bring(), Bring(100.0), Bring(divisor=14.7), Bring(5 / 9, -160 / 9), Bring(1e308)])


@st.composite
def entries(draw: st.DrawFn, channel: int) -> Entry:
    size = draw(st.sampled_from([8, 8, 8, 64]))
    form = draw(st.sampled_from(["unsigned", "signed", "float"]))
    place = draw(places(size))
    if form == "float":
        length = draw(st.sampled_from([32, 64]))
        place = Place(place.motorola, draw(st.integers(0, 8 * size - length)), length)
    number = st.integers(0, (1 << 64) - 1) | st.integers(0, 3)
    ranges = st.tuples(number, number).map(lambda ends: (min(ends), max(ends)))
    selectors = st.builds(Selector, places(size), st.lists(ranges, min_size=1, max_size=2).map(tuple))
    return entry(
        channel,
        draw(st.integers(1, 3)),
        place,
        draw(SCALES),
        draw(SCALES),
        form=form,
        length=draw(st.integers(place.need, 64)),
        extended=draw(st.booleans()),
        bring=draw(BRINGS),
        when=tuple(draw(st.lists(selectors, max_size=2))),
    )


TABLES = st.builds(
    DbcTable,
    st.just("any.dbc"),
    st.tuples(*(entries(channel) for channel in range(4))),
    st.booleans(),
    st.just(("a note",)),
)


@given(TABLES)
def test_a_table_survives_the_start_record(table: DbcTable) -> None:
    """Written as JSON and read again it is the same table, whole numbers still whole."""
    again = DbcTable.from_dict(json.loads(json.dumps(table.to_dict())))
    assert again == table
    for one, other in zip(table.entries, again.entries, strict=True):
        assert isinstance(one.scale, int) == isinstance(other.scale, int)


@pytest.mark.parametrize(
    "plain", [{}, {"file": "x", "entries": [{}], "fd": False, "notes": []}, {"file": "x", "entries": 3}]
)
def test_a_table_that_is_none_is_refused_in_words(plain: dict[str, object]) -> None:
    """A start record of another version ends in a sentence, not in a KeyError."""
    with pytest.raises(PullwatchError, match="another version or is damaged"):
        DbcTable.from_dict(plain)


# Any bytes, in any split, few or many.


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    fd = draw(st.booleans())
    length = draw(st.sampled_from([0, 5, 7, 8, 8, 64] if fd else [0, 1, 5, 7, 8, 8, 8]))
    remote = not fd and draw(st.integers(0, 9)) == 0
    return Frame(
        draw(st.integers(1, 4)),
        b"" if remote else draw(st.binary(min_size=length, max_size=length)),
        extended=draw(st.booleans()),
        remote=remote,
        error=draw(st.integers(0, 9)) == 0,
        fd=fd,
        length=length,
    )


def line_of(frame: Frame) -> bytes:
    kind = "d" if frame.fd else "r" if frame.remote else "t"
    code = frame.length if frame.length <= 8 else 15
    digits = f"{frame.can_id:08X}" if frame.extended else f"{frame.can_id:03X}"
    return f"{kind.upper() if frame.extended else kind}{digits}{code:X}{frame.data.hex()}\r".encode()


@settings(deadline=None, max_examples=100)
@given(
    TABLES,
    st.sampled_from(["slcan", "frames"]),
    st.lists(st.one_of(frames(), frames(), frames(), st.binary(max_size=10)), max_size=25),
    st.lists(st.integers(0, 10**6), max_size=6),
    st.lists(st.booleans(), max_size=7),
    st.sampled_from([(-math.inf, math.inf), (-100.0, 100.0)]),
)
def test_any_split_gives_the_same_samples_and_few_is_many(
    table: DbcTable,
    framing: Literal["slcan", "frames"],
    pieces: list[Frame | bytes],
    cuts: list[int],
    modes: list[bool],
    believed: tuple[float, float],
) -> None:
    """Samples, times and the ledger depend on the bytes alone: whole, record by record, at once, or mixed."""
    ranges = channels(4, *believed)
    write = line_of if framing == "slcan" else pack
    stream = b"".join(piece if isinstance(piece, bytes) else write(piece) for piece in pieces)
    hold_together(lambda: CanDecoder(table, ranges, framing), stream, cuts, modes)
    hold_checkpoint(lambda: CanDecoder(table, ranges, framing), stream, cuts[0] if cuts else 0)


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=5))
def test_the_ledger_balances_whatever_comes(stream: bytes, cuts: list[int]) -> None:
    """Pure noise is accounted for to the byte."""
    hold_together(lambda: CanDecoder(CHECKED, channels(10)), stream, cuts, [])
    hold_together(lambda: CanDecoder(CHECKED, channels(10), "frames"), stream, cuts, [])
