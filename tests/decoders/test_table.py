"""Rows of float64: numbers and their reasons for doubt, empty places, any split of the bytes, interruptions."""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension, unit_named
from pullwatch.columns import Why
from pullwatch.decoders import Decoding
from pullwatch.decoders.table import Field, TableDecoder

from .streams import hold_checkpoint, hold_together

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.columns import Sample

CHANNELS = {
    "lambda": Channel(2, "lambda", "lambda", Dimension.LAMBDA, 0.5, 2.0),
    "oil_pressure": Channel(0, "oil_pressure", "kPa", Dimension.GAUGE_PRESSURE, -50, 1200),
    "knock_retard": Channel(1, "knock_retard", "deg", Dimension.ANGLE, 0, 30),
}
FIELDS = (
    Field("lambda", 1, unit_named("AFR@14.7")),
    Field("oil_pressure", 2, unit_named("bar"), offset=-1.0),
    Field("knock_retard", 4, scale=-1.0),
)
WIDTH = 4


def make() -> TableDecoder:
    return TableDecoder(WIDTH, FIELDS, CHANNELS)


def rows(*values: Sequence[float]) -> bytes:
    return b"".join(struct.pack(f"<{WIDTH}d", *row) for row in values)


def decoded(data: bytes, t: int = 1_000) -> list[Sample]:
    out: list[Sample] = []
    make().few(t, data, out)
    return out


def test_a_row_gives_its_numbers_in_the_channels_units_at_its_last_byte() -> None:
    """Scale and offset come first, then the unit: 4.0 bar less 1.0 is 300 kPa; −2.5 turned is 2.5 degrees."""
    samples = decoded(rows((12.495, 4.0, 77.0, -2.5)))
    assert samples == [(1_031, 0, 300.0, 0), (1_031, 1, 2.5, 0), (1_031, 2, 12.495 / 14.7, 0)]


def test_what_is_not_there_is_no_sample_and_what_cannot_be_is_doubted() -> None:
    """NaN is no sample at all; infinity is no number; a lambda of 0 is beyond what is believed."""
    samples = decoded(rows((0.0, math.inf, 0.0, math.nan)))
    assert [(channel, why) for _, channel, _, why in samples] == [(0, Why.NOT_A_NUMBER), (2, Why.IMPLAUSIBLE)]


def test_a_row_cut_by_an_interruption_is_rejected_and_counted() -> None:
    """LOST takes the half row with it: no sample is made of two halves of different rows."""
    whole = rows((14.7, 4.0, 0.0, 0.0))
    decoder = make()
    records = [
        Record(0, 1, Kind.DATA, whole[:20]),
        Record(100, 1, Kind.LOST, b"a run ended"),
        Record(200, 1, Kind.DATA, whole),
    ]
    batch = Decoding({1: decoder}).batch(300, records)
    assert batch.samples is not None
    assert [t for t, *_ in batch.samples] == [231, 231, 231]
    assert decoder.ledger.rejected == 20
    assert decoder.ledger.balances


@given(
    st.lists(st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=WIDTH, max_size=WIDTH), max_size=8),
    st.binary(max_size=40),
    st.lists(st.integers(0, 400), max_size=5),
    st.lists(st.booleans(), max_size=6),
    st.integers(0, 400),
)
def test_any_split_gives_the_same_samples_bit_for_bit(
    values: list[list[float]], tail: bytes, cuts: list[int], modes: list[bool], place: int
) -> None:
    """Row by row, all at once, cut anywhere, with a checkpoint anywhere: the same samples and the same account."""
    stream = rows(*values) + tail
    hold_together(make, stream, cuts, modes)
    hold_checkpoint(make, stream, place)


@pytest.mark.parametrize(
    ("width", "fields", "says"),
    [
        (0, FIELDS, "holds nothing"),
        (4, (), "needs fields"),
        (4, (Field("lambda", 1), Field("lambda", 2)), "another channel"),
        (4, (Field("lambda", 5),), "no column 5"),
        (4, (Field("lambda", 0),), "no column 0"),
        (4, (Field("gear", 1),), "no channel"),
        (4, (Field("lambda", 1, unit_named("kPa")),), "stored in"),
    ],
)
def test_what_cannot_be_decoded_is_refused(width: int, fields: tuple[Field, ...], says: str) -> None:
    """A table that names what is not there is refused when it is made, not while it is read."""
    with pytest.raises(ValueError, match=says):
        TableDecoder(width, fields, CHANNELS)
