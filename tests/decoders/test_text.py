"""Lines of text: fields, ends of lines, damage, readiness, any split of the bytes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension, unit_named
from pullwatch.columns import Why, to_samples
from pullwatch.decoders import Decoding, Ledger
from pullwatch.decoders.text import LONGEST, Field, LineDecoder, Ready

from .streams import exactly, hold_checkpoint, hold_together

if TYPE_CHECKING:
    from collections.abc import Callable

    from pullwatch.columns import Sample

CHANNELS = {
    "lambda": Channel(1, "lambda", "lambda", Dimension.LAMBDA, 0.5, 2.0),
    "oil_pressure": Channel(2, "oil_pressure", "kPa", Dimension.GAUGE_PRESSURE, -50, 1200),
    "engine_speed": Channel(3, "engine_speed", "rpm", Dimension.ROTATION, 0, 12_000),
}
KEYED = (Field("lambda", key="lambda"), Field("oil_pressure", key="oil", unit=unit_named("bar")))
READY = Ready(good=("ready", "ok"), key="state")


def keyed(ready: Ready | None = None) -> LineDecoder:
    return LineDecoder(KEYED, CHANNELS, ready=ready, comment="#")


def columns(separator: str = ",") -> LineDecoder:
    return LineDecoder([Field("engine_speed", column=3), Field("lambda", column=1)], CHANNELS, separator=separator)


def decoded(decoder: LineDecoder, data: bytes, t: int = 0) -> list[Sample]:
    out: list[Sample] = []
    decoder.few(t, data, out)
    assert decoder.ledger.balances
    return out


def test_a_line_of_named_fields() -> None:
    """Fields are found by name in any order, share the time of the line's end, and come in the channel's unit."""
    assert decoded(keyed(), b"oil=4.5;x=1; lambda = 0.853 \n", 1_000) == [(1_028, 1, 0.853, 0), (1_028, 2, 450.0, 0)]


def test_a_line_of_columns() -> None:
    """Columns are counted from 1; columns nobody asked for are passed by."""
    assert decoded(columns(), b"0.9,foo,3000,4\n") == [(14, 1, 0.9, 0), (14, 3, 3000.0, 0)]


def test_one_space_means_any_white_space() -> None:
    """With a single space as separator, runs of blanks and tabs stand between the fields."""
    assert [sample[2] for sample in decoded(columns(" "), b"  0.9 \t x   3000\n")] == [0.9, 3000.0]


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_every_end_of_line(end: bytes) -> None:
    """LF, CR and CRLF end a line; the time is that of the first byte of the end, wherever the read was cut."""
    stream = b"lambda=0.8" + end + b"lambda=0.9" + end
    expected = [(10, 1, 0.8, 0), (20 + len(end), 1, 0.9, 0)]
    decoder = keyed()
    assert decoded(decoder, stream) == expected
    assert decoder.ledger == Ledger(len(stream), 22, len(stream) - 22, messages=2)
    for cut in range(len(stream)):
        decoder = keyed()
        assert decoded(decoder, stream[:cut]) + decoded(decoder, stream[cut:], cut) == expected


def test_many_lines_in_one_read_are_many_samples() -> None:
    """A read that holds fifteen lines gives fifteen samples, each at the time of its own byte."""
    got = decoded(keyed(), b"".join(b"lambda=0.%d\n" % n for n in range(80, 95)), 500)
    assert [(t, value) for t, _, value, _ in got] == [(500 + 12 * n + 11, (80 + n) / 100) for n in range(15)]


@pytest.mark.parametrize(
    ("field", "why"),
    [
        (b"nan", Why.NOT_A_NUMBER),
        (b"inf", Why.NOT_A_NUMBER),
        (b"-Infinity", Why.NOT_A_NUMBER),
        (b"1e999", Why.NOT_A_NUMBER),
        (b"0.4", Why.IMPLAUSIBLE),
        (b"2.5", Why.IMPLAUSIBLE),
        (b"", Why.GARBLED),
        (b"---", Why.GARBLED),
        (b"0.8 5", Why.GARBLED),
        (b"0.85lambda=0.86", Why.GARBLED),
        (b"1_0", Why.GARBLED),
        (b"0x1", Why.GARBLED),
        (b"0,85", Why.GARBLED),
        (b"0.5", Why.GOOD),
        (b"+2.0", Why.GOOD),
        (b"8.5e-1", Why.GOOD),
        (b".9", Why.GOOD),
    ],
)
def test_every_reason(field: bytes, why: Why) -> None:
    """A field that cannot be read, is no number or is not believable says so, and the other fields stand."""
    got = decoded(keyed(), b"lambda=" + field + b";oil=1\n")
    assert [sample[3] for sample in got] == [why, Why.GOOD]
    if why is Why.GARBLED:
        assert math.isnan(got[0][2])


def test_a_name_that_stands_twice_is_garbled() -> None:
    """A line that says two things of one channel is believed in neither."""
    assert [sample[3] for sample in decoded(keyed(), b"lambda=0.8;lambda=0.9;lambda=1;oil=1\n")] == [
        Why.GARBLED,
        Why.GOOD,
    ]


def test_a_missing_field_gives_no_sample() -> None:
    """A line without a wanted name gives nothing for it; one without any is passed over."""
    decoder = keyed()
    assert [sample[1] for sample in decoded(decoder, b"oil=1\n")] == [2]
    assert decoded(decoder, b"volts=12.1\n") == []
    assert decoder.ledger == Ledger(taken=17, decoded=6, passed_over=11, messages=2)


def test_decimal_comma() -> None:
    """With decimal commas 0,853 is a number, and a point could be a thousand: garbled."""
    decoder = LineDecoder(KEYED, CHANNELS, decimal_comma=True)
    assert [sample[2:] for sample in decoded(decoder, b"lambda=0,853;oil=1\n")] == [(0.853, 0), (100.0, 0)]
    assert [sample[3] for sample in decoded(decoder, b"lambda=0.853;oil=1.234,5\n")] == [Why.GARBLED, Why.GARBLED]


@pytest.mark.parametrize(
    ("line", "whys"),
    [
        (b"lambda=0.8;state=ready\n", [Why.GOOD]),
        (b"lambda=0.8;state= ok \n", [Why.GOOD]),
        (b"lambda=0.8;state=heating\n", [Why.NOT_READY]),
        (b"lambda=0.8;state=Ready\n", [Why.NOT_READY]),
        (b"lambda=0.8;state=\n", [Why.NOT_READY]),
        (b"lambda=0.8\n", [Why.NOT_READY]),
        (b"lambda=0.8;state=ready;state=ready\n", [Why.NOT_READY]),
        (b"lambda=---;oil=nan;state=heating\n", [Why.NOT_READY, Why.NOT_READY]),
        (b"lambda=9;state=heating\n", [Why.NOT_READY]),
    ],
)
def test_a_sensor_that_is_not_ready(line: bytes, whys: list[Why]) -> None:
    """Only a good word, once, makes the line's values count; with any other, or none, they are a fault."""
    assert [sample[3] for sample in decoded(keyed(READY), line)] == whys


def test_readiness_in_a_column() -> None:
    """The word of readiness may stand in a column as well."""
    decoder = LineDecoder([Field("lambda", column=1)], CHANNELS, separator=" ", ready=Ready(("1",), column=2))
    assert [sample[3] for sample in decoded(decoder, b"0.8 1\n0.8 0\n")] == [Why.GOOD, Why.NOT_READY]
    assert decoded(decoder, b"0.8\n") == []
    assert decoder.ledger.bad_messages == 1


@pytest.mark.parametrize(
    "garbage",
    [b"lambda=0.8\xff\n", b"\x00lambda=0.8\n", b"lambda=\x1b0.8\n", b"lambda=0.8\xc2\xb0\n", b"x" * 513 + b"\n"],
)
def test_garbage_is_rejected_and_the_next_line_decodes(garbage: bytes) -> None:
    """A line with bytes no instrument writes, or of no end, takes nothing with it but itself."""
    decoder = keyed()
    assert [sample[2] for sample in decoded(decoder, garbage + b"lambda=0.9\n")] == [0.9]
    assert decoder.ledger == Ledger(len(garbage) + 11, 11, 0, len(garbage), messages=1, bad_messages=1)


def test_a_line_with_columns_missing_is_rejected() -> None:
    """Of a line with fewer columns nobody knows which are missing."""
    decoder = columns()
    assert decoded(decoder, b"0.8,1\n") == []
    assert decoder.ledger == Ledger(taken=6, rejected=6, bad_messages=1)


def test_comments_and_empty_lines_are_passed_over() -> None:
    """Comments count as read, whatever is in them; empty and blank lines count for nothing."""
    decoder = keyed()
    assert decoded(decoder, b"# lambda=0.8 \xb0\n\n \t\n") == []
    assert decoder.ledger == Ledger(taken=19, passed_over=19, messages=1)
    decoder = columns()
    assert decoded(decoder, b" \t \n") == []
    assert decoder.ledger == Ledger(taken=4, passed_over=4)


def test_a_runaway_line_is_cut_off() -> None:
    """A line without end is rejected as it comes, not kept; what follows its end decodes."""
    decoder = keyed()
    for t in range(0, 10**6, 1_000):
        assert decoded(decoder, b"9" * 100, t) == []
        assert decoder.ledger.pending <= LONGEST
    assert [sample[2] for sample in decoded(decoder, b"9\nlambda=0.9\n", 10**6)] == [0.9]
    assert decoder.ledger.bad_messages == 1


def test_the_first_line_of_columns_after_opening_is_not_believed() -> None:
    """A port is opened in the middle of a line: "1,2,3000" may be the rest of "0.81,2,3000"."""
    decoder = columns()
    decoder.fresh()
    assert decoded(decoder, b"1,2,3000\n0.8,2,3000\n")[0] == (19, 1, 0.8, 0)
    assert decoder.ledger.bad_messages == 1
    decoder.fresh()
    assert len(decoded(decoder, b"\n0.8,2,3000\n", 100)) == 2


def test_the_first_line_of_named_fields_after_opening_is_believed() -> None:
    """Fields that carry their names do not depend on what came before them; what was cut off is missing."""
    decoder = keyed()
    decoder.fresh()
    assert decoded(decoder, b"bda=0.7;oil=1\n") == [(13, 2, 100.0, 0)]


def test_what_was_pending_at_a_loss_is_rejected() -> None:
    """Through `Decoding`, few or many: half a line before LOST is never joined to what comes after FOUND."""
    for lines in (1, 1_000):
        decoder = keyed()
        records = [
            Record(0, 1, Kind.DATA, b"lambda=0.8\n" * lines + b"lambda=0.7"),
            Record(10**6, 1, Kind.LOST, b"gone"),
            Record(2 * 10**6, 1, Kind.FOUND, b"port"),
            Record(3 * 10**6, 1, Kind.DATA, b"7\nlambda=0.9\n"),
        ]
        batch = Decoding({1: decoder}).batch(10**9, records)
        samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
        assert [sample[2] for sample in samples] == [0.8] * lines + [0.9]
        assert decoder.ledger.balances
        assert decoder.ledger.rejected == 10


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: LineDecoder([Field("lambda")], CHANNELS), "key or a column"),
        (lambda: LineDecoder([Field("lambda", key="a", column=1)], CHANNELS), "key or a column"),
        (lambda: LineDecoder([Field("lambda", column=-1)], CHANNELS), "key or a column"),
        (lambda: LineDecoder([Field("lambda", key="a")], CHANNELS, ready=Ready(("x",))), "key or a column"),
        (lambda: LineDecoder([Field("boots", key="a")], CHANNELS), "no channel"),
        (lambda: LineDecoder([Field("lambda", key="a", unit=unit_named("bar"))], CHANNELS), "stored in"),
        (lambda: LineDecoder([], CHANNELS), "needs fields"),
        (lambda: LineDecoder([Field("lambda", key="a"), Field("lambda", key="b")], CHANNELS), "another channel"),
        (lambda: LineDecoder(KEYED, CHANNELS, separator=",", decimal_comma=True), "decimal commas"),
        (lambda: LineDecoder(KEYED, CHANNELS, separator=""), "cannot stand between"),
    ],
)
def test_what_makes_no_sense_is_refused(make: Callable[[], LineDecoder], says: str) -> None:
    """Facts that contradict each other are refused when the decoder is made."""
    with pytest.raises(ValueError, match=says):
        make()


PIECES = st.one_of(
    st.sampled_from(
        [b"lambda", b"oil", b"state", b"=", b";", b"ready", b" ", b",", b"\n", b"\r", b"\r\n", b"#", b"\n"]
    ),
    st.floats(allow_nan=True).map(lambda number: repr(number).encode()),
    st.sampled_from([b"lambda=0.853;state=ready\r\n", b"oil=4.1;lambda=nan\n", b"0.9,x,3000\n", b"0.9 x 3000\r"]),
    st.sampled_from([b"1" * 300, b"nan", b"-", b"0.9", b"0,9", b"1_0"]),
    st.binary(max_size=6),
)
MAKES: list[Callable[[], LineDecoder]] = [
    keyed,
    lambda: keyed(READY),
    columns,
    lambda: columns(" "),
    lambda: LineDecoder(KEYED, CHANNELS, decimal_comma=True),
]


@settings(deadline=None, max_examples=100)
@given(
    st.sampled_from(MAKES),
    st.lists(PIECES, max_size=30).map(b"".join),
    st.lists(st.integers(0, 10**6), max_size=8),
    st.lists(st.booleans(), max_size=8),
    st.booleans(),
)
def test_any_split_gives_the_same_samples_and_few_is_many(
    make: Callable[[], LineDecoder], stream: bytes, cuts: list[int], modes: list[bool], opened: bool
) -> None:
    """Samples, times and the ledger depend on the bytes alone: whole, record by record, at once, or mixed."""

    def begun() -> LineDecoder:
        decoder = make()
        if opened:
            decoder.fresh()
        return decoder

    samples = hold_together(begun, stream, cuts, modes)
    assert all(not math.isnan(value) for _, _, value, why in samples if why == Why.GOOD)
    hold_checkpoint(begun, stream, cuts[0] if cuts else 0)


@given(st.lists(st.floats(0.5, 2.0), min_size=1), st.floats(-0.5, 12.0))
def test_numbers_are_read_as_python_writes_them(values: list[float], bar: float) -> None:
    """A number written in full comes back to the last bit, after the unit's one multiplication."""
    stream = b"".join(b"lambda=%r;oil=%r\n" % (value, bar) for value in values)
    got = [(1, value) for value in values]
    assert [(c, v) for _, c, v, _ in exactly(decoded(keyed(), stream)) if c == 1] == [
        (c, v) for _, c, v, _ in exactly([(0, c, v, 0) for c, v in got])
    ]
    assert {v for _, c, v, _ in decoded(keyed(), stream) if c == 2} == {bar * 100.0 + 0.0}
