"""The layout of frames, against a reading of its specification that shares no code with it."""

from __future__ import annotations

import json
import math
import struct
import zlib
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.recording import layout
from pullwatch.recording.layout import Commit, Stream
from pullwatch.watchdog.alarms import Change, Event, State

if TYPE_CHECKING:
    from collections.abc import Iterator

TAG = 0xA1B2C3D4
instants = st.integers(-1, 2**62)
records = st.lists(
    st.builds(Record, instants, st.just(3), st.sampled_from(Kind), st.binary(max_size=40)),
    min_size=1,
    max_size=30,
)


def frame(seq: int, payload: bytes = b"", *, tag: int = TAG, channel: int = Stream.EVENT) -> bytes:
    return layout.encode(channel, tag, seq, seq * 10, seq * 10 + 5, payload)


def plain_walk(buffer: bytes, tag: int | None) -> Iterator[tuple[int, int]]:
    """Yield (offset, seq) of frames the slow way, from the specification."""
    at = 0
    while at + 46 <= len(buffer):
        magic, crc, length, _, found, seq, _, _ = struct.unpack_from("<8sIIHIQqq", buffer, at)
        end = at + 46 + length
        if (
            magic == bytes.fromhex("8b70571af70de301")
            and length <= 16 * 1024 * 1024
            and end <= len(buffer)
            and zlib.crc32(buffer[at + 12 : end]) == crc
            and tag in (None, found)
        ):
            yield at, seq
            at = end
        else:
            at += 1


def test_a_frame_stands_as_the_specification_says() -> None:
    """Every field of a frame is where the specification puts it, and the check sum covers all that follows it."""
    raw = layout.encode(Stream.CHANGE, TAG, 7, -1, 123_456_789_012, b"payload")
    assert raw[:8] == bytes.fromhex("8b 70 57 1a f7 0d e3 01")
    crc, length, channel, tag, seq, t, now = struct.unpack_from("<IIHIQqq", raw, 8)
    assert (length, channel, tag, seq, t, now) == (7, 3, TAG, 7, -1, 123_456_789_012)
    assert crc == zlib.crc32(raw[12:])
    assert raw[46:] == b"payload"


def test_the_check_sum_is_the_published_crc_32() -> None:
    """Zlib's CRC-32 of "123456789" is CBF43926: the check value of CRC-32/ISO-HDLC (catalogue of CRCs, from memory)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926


@given(records)
def test_records_come_back_as_they_were(some: list[Record]) -> None:
    """Packing and unpacking returns the very records, one by one and as columns."""
    payload = layout.encode_records(some)
    assert layout.decode_records(3, payload) == some
    assert layout.decode_bulk(3, [payload]).records() == some


@given(st.lists(records, min_size=1, max_size=12))
def test_frames_of_a_feed_unpack_together_as_one(groups: list[list[Record]]) -> None:
    """Columns of many frames are those of the single frames, joined."""
    bulk = layout.decode_bulk(3, [layout.encode_records(group) for group in groups])
    assert bulk.records() == [record for group in groups for record in group]
    assert len(bulk) == sum(map(len, groups))


def test_columns_stand_as_the_specification_says() -> None:
    """A feed frame is a count, then t, kind, length, then the data."""
    some = [Record(5, 3, Kind.DATA, b"ab"), Record(2**40, 3, Kind.LOST, b"gone")]
    payload = layout.encode_records(some)
    assert payload == struct.pack("<IqqBBII", 2, 5, 2**40, 0, 1, 2, 4) + b"abgone"


@given(records, st.data())
def test_columns_that_do_not_fit_are_refused(some: list[Record], data: st.DataObject) -> None:
    """A feed frame cut short or lengthened is refused, never read as something else."""
    payload = layout.encode_records(some)
    cut = data.draw(st.integers(0, len(payload) - 1))
    for wrong in (payload[:cut], payload + b"\0"):
        with pytest.raises(ValueError, match="feed frame"):
            layout.decode_records(3, wrong)
        with pytest.raises(ValueError, match="feed frame"):
            layout.decode_bulk(3, [payload, wrong, payload])


def test_a_kind_of_a_later_version_is_refused() -> None:
    """A record kind that this version does not know is said to be so."""
    payload = bytearray(layout.encode_records([Record(1, 3, Kind.DATA, b"x")]))
    payload[12] = 200
    with pytest.raises(ValueError, match="kind"):
        layout.decode_records(3, bytes(payload))
    with pytest.raises(ValueError, match="kind"):
        layout.decode_bulk(3, [bytes(payload)]).records()


@pytest.mark.parametrize("value", [0.1 + 0.2, -0.0, math.nan, math.inf, -math.inf, 5e-324, 1.7976931348623157e308])
@pytest.mark.parametrize("event", [Event.RAISE, None])
def test_changes_come_back_bit_for_bit(value: float, event: Event | None) -> None:
    """Every float of a change comes back bit for bit, in JSON that any reader takes."""
    change = Change(12, 1, State.NORMAL, State.LATCHED_ACKNOWLEDGED, event, value, -value, first_out=True)
    payload = layout.encode_change(change, "lean under boost")
    back = layout.decode_change(payload)
    assert struct.pack("<dd", back.value, back.limit) == struct.pack(
        "<dd", value, math.nan if math.isnan(value) else -value
    )
    assert (back.t, back.rule, back.name, back.was, back.state, back.event, back.first_out) == (
        12, 1, "lean under boost", State.NORMAL, State.LATCHED_ACKNOWLEDGED, event, True,
    )  # fmt: skip
    assert str(back.change) == str(Change(12, 1, back.was, back.state, event, back.value, back.limit, first_out=True))

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    strict = json.loads(payload, parse_constant=refuse)
    assert strict["value"] is None or not math.isnan(value)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=20,
)


@given(st.dictionaries(st.text(), json_values, max_size=5))
def test_json_comes_back_with_every_number(value: dict[str, object]) -> None:
    """What a checkpoint holds comes back, numbers that JSON has no word for included."""
    back = layout.decode_json(layout.encode_json(value))
    assert repr(back) == repr(value)  # as text: NaN is not equal to itself


@given(
    st.lists(st.binary(max_size=60) | st.integers(0, 3), max_size=12),
    st.booleans(),
)
def test_frames_are_found_in_any_rubbish(pieces: list[bytes | int], tagged: bool) -> None:
    """Whole frames of the session are found wherever they stand, by the fast walk as by the slow one."""
    buffer = b"".join(
        piece if isinstance(piece, bytes) else (
            frame(i, b"x" * i), frame(i, b"other", tag=TAG + 1), frame(i)[:-1], layout.MAGIC * 3,
        )[piece]
        for i, piece in enumerate(pieces)
    )  # fmt: skip
    tag = TAG if tagged else None
    assert [(found.offset, found.seq) for found in layout.walk(buffer, 0, tag)] == list(plain_walk(buffer, tag))


@given(st.integers(1, 8), st.data())
def test_a_walk_goes_on_where_it_ended(count: int, data: st.DataObject) -> None:
    """A file that grows by any pieces gives every frame once."""
    whole = b"".join(b"envelope" + frame(i, b"y" * i) for i in range(count))
    buffer, seqs, at = b"", [], 0
    while at < len(whole):
        step = data.draw(st.integers(1, len(whole) - at))
        buffer += whole[at : at + step]
        at += step
        end = 0
        for found in layout.walk(buffer, 0, TAG):
            seqs.append(found.seq)
            end = found.end
        buffer = buffer[end:]
    assert seqs == list(range(count))


def test_a_frame_within_the_data_of_another_is_data() -> None:
    """A recording that was itself recorded over a port is not taken for frames of this one."""
    inner = frame(99, b"inner")
    buffer = frame(1, inner) + frame(2)
    assert [found.seq for found in layout.walk(buffer)] == [1, 2]


def test_a_damaged_length_is_no_reason_to_wait() -> None:
    """A frame that claims more than any frame may have is passed over at once."""
    raw = bytearray(frame(1, b"abc"))
    raw[12:16] = struct.pack("<I", layout.MOST_PAYLOAD + 1)
    assert [found.seq for found in layout.walk(bytes(raw) + frame(2))] == [2]
    with pytest.raises(ValueError, match="do not fit"):
        layout.encode(Stream.EVENT, TAG, 0, 0, 0, bytes(layout.MOST_PAYLOAD + 1))


def test_a_commit_comes_back() -> None:
    """A commit keeps its count, the last seq on disk and the chain."""
    commit = Commit(12, -1, bytes(range(16)))
    assert layout.decode_commit(layout.encode_commit(commit)) == commit
