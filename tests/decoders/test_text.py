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
    [
        b"lambda=0.8\xff\n",
        b"\x00lambda=0.8\n",
        b"lambda=\x1b0.8\n",
        b"lambda=0.8\xc2\xb0\n",
        b"x" * (LONGEST + 1) + b"\n",
    ],
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
        (lambda: LineDecoder(KEYED, CHANNELS, assign=""), "between key and value"),
        (lambda: LineDecoder(KEYED, CHANNELS, assign=";"), "between key and value"),
        (lambda: LineDecoder(KEYED, CHANNELS, assign=",", decimal_comma=True), "between key and value"),
        (lambda: LineDecoder([Field("lambda", column=1)], CHANNELS, header=True), "by their names"),
    ],
)
def test_what_makes_no_sense_is_refused(make: Callable[[], LineDecoder], says: str) -> None:
    """Facts that contradict each other are refused when the decoder is made."""
    with pytest.raises(ValueError, match=says):
        make()


def headed(separator: str = ";", ready: Ready | None = None) -> LineDecoder:
    fields = [Field("lambda", key="lambda"), Field("oil_pressure", key="oil", unit=unit_named("bar"))]
    return LineDecoder(fields, CHANNELS, separator=separator, header=True, ready=ready)


def values(samples: list[Sample]) -> list[tuple[int, float, int]]:
    """Return channel, value and reason of some samples."""
    return [sample[1:] for sample in samples]


@pytest.mark.parametrize(
    ("separator", "line"),
    [
        ("\t", b"0.9\t\t3000\n"),
        (", ", b"0.9, x, 3000\n"),
        ("|", b" 0.9 |x| 3000 \n"),
        (" ", b"\t0.9 x\t  3000 \n"),
        ("::", b"0.9::x:::3000\n"),
    ],
)
def test_any_separator(separator: str, line: bytes) -> None:
    """A tab keeps empty columns apart, a text of several characters separates, one space is any white space."""
    fields = [Field("lambda", column=1), Field("engine_speed", column=3)]
    got = decoded(LineDecoder(fields, CHANNELS, separator=separator), line)
    expected_why = Why.GARBLED if separator == "::" else Why.GOOD
    assert [sample[3] for sample in got] == [Why.GOOD, expected_why]


@pytest.mark.parametrize(
    ("separator", "assign", "line"),
    [
        (";", ":", b"lambda:0.853;oil: 3\n"),
        (",", " ", b"lambda 0.853, oil\t3\n"),
        (" ", ":", b"oil :3   lambda : 0.853\n"),
        (" ", "=", b"time=1 lambda=0.853 oil= 3\n"),
        ("\t", "->", b"lambda -> 0.853\toil->3\n"),
        (",", "=", b'"lambda"="0.853","oil=3"\n'),
    ],
)
def test_any_assignment(separator: str, assign: str, line: bytes) -> None:
    """Between key and value any text may stand, with white space around it, or white space alone."""
    decoder = LineDecoder(KEYED, CHANNELS, separator=separator, assign=assign)
    assert values(decoded(decoder, line)) == [(1, 0.853, 0), (2, 300.0, 0)]


@pytest.mark.parametrize(
    ("line", "value", "why"),
    [
        (b"14.2psi\n", 14.2, Why.GOOD),
        (b" 14.2  psi \n", 14.2, Why.GOOD),
        (b"14.2\n", math.nan, Why.GARBLED),
        (b"14.2bar\n", math.nan, Why.GARBLED),
        (b"14.2 psig\n", math.nan, Why.GARBLED),
        (b"psi\n", math.nan, Why.GARBLED),
        (b"14.2 psi psi\n", math.nan, Why.GARBLED),
    ],
)
def test_the_text_behind_a_number_must_be_the_expected_one(line: bytes, value: float, why: Why) -> None:
    """A device that is switched to another unit is not read in the old one: without its suffix a number is garbled."""
    oil = Field("oil_pressure", column=1, unit=unit_named("psi"), suffix="psi")
    # NIST SP 811: 1 psi = 6.894757 kPa
    ((_, _, got, reason),) = decoded(LineDecoder([oil], CHANNELS), line)
    assert reason == why
    assert got == pytest.approx(value * 6.894757, nan_ok=True)


def test_a_suffix_and_a_decimal_comma() -> None:
    """The suffix goes first, then the comma is read."""
    decoder = LineDecoder([Field("lambda", key="l", suffix="La.")], CHANNELS, decimal_comma=True)
    assert values(decoded(decoder, b"l=0,853 La.\n")) == [(1, 0.853, 0)]


@pytest.mark.parametrize("degree", ["°".encode(), "°".encode("latin-1")])
def test_characters_beyond_ascii_that_the_setup_has(degree: bytes) -> None:
    """What the setup writes is read as UTF-8 and as Latin-1; anything else beyond ASCII is damage."""
    decoder = LineDecoder([Field("engine_speed", key="n°", suffix="°/s")], CHANNELS)
    assert values(decoded(decoder, b"n" + degree + b"=90" + degree + b"/s\n")) == [(3, 90.0, 0)]
    assert decoded(decoder, b"n" + degree + b"=90" + degree + b"/s;\xe9\n") == []
    assert decoder.ledger.bad_messages == 1


def test_quotes() -> None:
    """Separators between double quotes separate nothing; an odd quote makes the whole line unreadable."""
    decoder = columns()
    assert values(decoded(decoder, b'"0.9","a,b,""c""",3000\n')) == [(1, 0.9, 0), (3, 3000.0, 0)]
    assert decoded(decoder, b'0.9,"x,3000\n') == []
    assert decoder.ledger.bad_messages == 1
    assert values(decoded(columns(" "), b' "0.9"  "a b" 3000\n')) == [(1, 0.9, 0), (3, 3000.0, 0)]
    assert values(decoded(keyed(), b'lambda="0.853";oil="1;lambda=0.9"\n')) == [
        (1, 0.853, 0),
        (2, pytest.approx(math.nan, nan_ok=True), Why.GARBLED),
    ]


def test_lines_that_begin_otherwise_are_passed_over() -> None:
    """Of a stream of several kinds of lines only one is read, so that no other is taken for it."""
    fields = [Field("lambda", column=2)]
    decoder = LineDecoder(fields, CHANNELS, separator=",", begins="$LAM,")
    assert values(decoded(decoder, b"$OIL,1.1\n$LAM,0.9\n$LAMP,1.2\n")) == [(1, 0.9, 0)]
    assert decoder.ledger == Ledger(taken=28, decoded=9, passed_over=19, messages=3)


def test_a_header_names_the_columns() -> None:
    """Until a header came every line is rejected and counted; then columns are where the last header put them."""
    decoder = headed()
    assert decoded(decoder, b"1;0.8;3\n") == []
    assert decoder.ledger == Ledger(taken=8, rejected=8, bad_messages=1)
    assert values(decoded(decoder, b'time; lambda ;"oil"\n1;0.8;3\n')) == [(1, 0.8, 0), (2, 300.0, 0)]
    assert values(decoded(decoder, b"oil;lambda\n3;0.9\n")) == [(1, 0.9, 0), (2, 300.0, 0)]
    assert decoder.ledger.messages == 4
    assert decoder.ledger.bad_messages == 1


def test_a_header_may_name_other_columns_as_it_likes() -> None:
    """Of the header only the wanted names must be readable; a line of numbers must be readable whole."""
    decoder = headed()
    assert values(decoded(decoder, b"oil;T [\xb0C];lambda\n3;80;0.9\n")) == [(1, 0.9, 0), (2, 300.0, 0)]
    assert decoded(decoder, b"3;\xb080;0.9\n") == []
    assert decoded(decoder, b"oil;\x00;lambda\n") == []
    assert decoder.ledger.bad_messages == 2


def test_a_line_with_other_columns_than_its_header_is_rejected() -> None:
    """Nobody knows which column is missing, or which header was."""
    decoder = headed()
    decoded(decoder, b"time;lambda;oil\n")
    for line in (b"1;0.8\n", b"1;0.8;3;\n", b"1;0.8;3;4\n"):
        assert decoded(decoder, line) == []
    assert decoder.ledger.bad_messages == 3


def test_a_header_that_lacks_a_name_or_has_it_twice() -> None:
    """What the last header does not name once has no reading; a readiness it does not name is none."""
    decoder = headed(ready=Ready(("1",), key="ok"))
    assert values(decoded(decoder, b"lambda;ok\n0.8;1\n")) == [(1, 0.8, 0)]
    assert values(decoded(decoder, b"oil;lambda;lambda;ok\n3;0.8;0.8;1\n")) == [(2, 300.0, 0)]
    assert values(decoded(decoder, b"lambda;state\n0.8;1\n")) == [(1, 0.8, Why.NOT_READY)]
    assert values(decoded(decoder, b"lambda;ok\n0.8;0\n")) == [(1, 0.8, Why.NOT_READY)]


def test_a_header_is_forgotten_when_the_port_is_lost() -> None:
    """What comes after may be another device; a first line that lost its beginning cannot pass for a whole header."""
    decoder = headed()
    decoded(decoder, b"time;lambda;oil\n")
    decoder.fresh()
    assert decoded(decoder, b"1;0.8;3\n2;0.8;3\n") == []
    decoder.fresh()
    assert decoded(decoder, b"ambda;oil\n1;0.8;3\n") == []
    assert values(decoded(decoder, b"lambda;oil\n0.8;3\n")) == [(1, 0.8, 0), (2, 300.0, 0)]


def test_a_header_is_carried() -> None:
    """A decoder that takes up from a checkpoint knows the columns, and one without a header forgets its own."""
    first, second = headed(), headed()
    decoded(first, b"oil;lambda\n3;0.")
    second.carry(first.carried())
    assert values(decoded(second, b"9\n")) == [(1, 0.9, 0), (2, 300.0, 0)]
    second.carry(headed().carried())
    assert decoded(second, b"3;0.9\n") == []


PIECES = st.one_of(
    st.sampled_from(
        [b"lambda", b"oil", b"state", b"=", b";", b"ready", b" ", b",", b"\n", b"\r", b"\r\n", b"#", b"\n"]
    ),
    st.floats(allow_nan=True).map(lambda number: repr(number).encode()),
    st.sampled_from([b"lambda=0.853;state=ready\r\n", b"oil=4.1;lambda=nan\n", b"0.9,x,3000\n", b"0.9 x 3000\r"]),
    st.sampled_from(
        [b"a;lambda;oil\n", b"\xb0;oil;state\r\n", b"1;0.9;3\n", b"lambda oil\n", b"0.9 3\n", b"lambda;lambda\n"]
    ),
    st.sampled_from(
        [b"lambda: 0.9 oil:3\n", b"oil 3\n", b'"0.9";"1"\n', b'"', b"3000;0.9 \xc2\xb0C\n", b"3000;1\xb0C\n", b":"]
    ),
    st.sampled_from([b"1" * 1_100, b"nan", b"-", b"0.9", b"0,9", b"1_0"]),
    st.binary(max_size=6),
)
MAKES: list[Callable[[], LineDecoder]] = [
    keyed,
    lambda: keyed(READY),
    columns,
    lambda: columns(" "),
    lambda: LineDecoder(KEYED, CHANNELS, decimal_comma=True),
    lambda: headed(";"),
    lambda: headed(" "),
    lambda: LineDecoder(KEYED, CHANNELS, separator=" ", assign=":"),
    lambda: LineDecoder(KEYED, CHANNELS, separator=",", assign=" ", begins="oil"),
    lambda: LineDecoder([Field("lambda", column=2, suffix="°C"), Field("engine_speed", column=1)], CHANNELS),
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
