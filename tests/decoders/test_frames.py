"""The packed form of frames from adapters that give frames."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import ERROR, EXTENDED, FD_LENGTHS, REMOTE, FewFrames, Frame, Packed, pack

from .streams import records_of, time_of


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    extended, error = draw(st.booleans()), draw(st.booleans())
    fd = draw(st.booleans())
    remote = not fd and draw(st.booleans())
    length = draw(st.sampled_from(FD_LENGTHS) if fd else st.integers(0, 8))
    return Frame(
        can_id=draw(st.integers(0, 0x1FFF_FFFF if extended or error else 0x7FF)),
        data=b"" if remote else draw(st.binary(min_size=length, max_size=length)),
        extended=extended,
        remote=remote,
        error=error,
        fd=fd,
        length=length,
    )


def word_of(frame: Frame) -> int:
    return (
        frame.can_id
        | (EXTENDED if frame.extended else 0)
        | (ERROR if frame.error else 0)
        | (REMOTE if frame.remote else 0)
    )


@given(st.lists(frames()))
def test_what_is_packed_comes_out(packed: list[Frame]) -> None:
    """Every frame an adapter can give comes back as it was, at the time of its last byte."""
    ledger = Ledger()
    stream = b"".join(pack(frame) for frame in packed)
    end = 0
    expected = []
    for frame in packed:
        end += len(pack(frame))
        expected.append((end - 1, word_of(frame), frame.data, len(pack(frame))))
    assert Packed().few(0, stream, ledger) == expected
    assert ledger == Ledger(taken=len(stream))


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x800),
        Frame(0x2000_0000, extended=True),
        Frame(-1),
        Frame(1, data=bytes(9)),
        Frame(1, data=bytes(9), fd=True),
        Frame(1, data=bytes(65), fd=True),
        Frame(1, data=bytes(300), fd=True),
        Frame(1, remote=True, fd=True),
    ],
)
def test_what_can_does_not_have_is_not_packed(frame: Frame) -> None:
    """An identifier or length beyond what CAN has is refused when it is packed, not found when it is read."""
    with pytest.raises(ValueError, match="cannot be a CAN frame"):
        pack(frame)


def test_the_form_is_the_one_in_the_recordings() -> None:
    """Recordings hold this form: it may not change. The bytes are written out by hand from the module's description."""
    assert pack(Frame(0x123, b"\x01\x02")) == bytes.fromhex("23010000 02 C0 0102")
    assert pack(Frame(0x18FEF600, b"\xff", extended=True)) == bytes.fromhex("00F6FE98 01 C0 FF")
    assert pack(Frame(0x7DF, remote=True, length=8)) == bytes.fromhex("DF070020 08 C0")
    assert pack(Frame(0x4, bytes(8), error=True)) == bytes.fromhex("04000040 08 C0") + bytes(8)
    assert pack(Frame(0x1, bytes(12), fd=True)) == bytes.fromhex("01000000 0C C1") + bytes(12)


STREAMS = st.lists(
    st.one_of(
        frames().map(pack),
        frames().map(pack).flatmap(lambda packed: st.integers(0, len(packed)).map(lambda cut: packed[:cut])),
        st.binary(max_size=12),
    ),
    max_size=20,
).map(b"".join)


@settings(deadline=None, max_examples=100)
@given(STREAMS, st.lists(st.integers(0, 10**6), max_size=8))
def test_any_split_of_any_bytes_gives_the_same_frames(stream: bytes, cuts: list[int]) -> None:
    """Frames, their times and the counts are a function of the bytes, damaged or not, one record at a time or all."""
    records = records_of(stream, cuts)
    whole, parts, at_once = Packed(), Packed(), Packed()
    ledgers = [Ledger(), Ledger(), Ledger()]
    expected = whole.few(0, stream, ledgers[0])
    got: FewFrames = []
    for record in records:
        got += parts.few(record.t, record.data, ledgers[1])
        framed = sum(size for _, _, _, size in got)
        assert ledgers[1].taken == framed + ledgers[1].rejected + ledgers[1].pending
    assert got == [(time_of(records, place), *rest) for place, *rest in expected]
    many = at_once.many(records, 72, ledgers[2])
    laid = [bytes(row[:count].tobytes()) for row, count in zip(many.data, many.count.tolist(), strict=True)]
    assert list(zip(many.t.tolist(), many.word.tolist(), laid, many.size.tolist(), strict=True)) == got
    assert ledgers[0] == ledgers[1] == ledgers[2]
    assert whole.carried() == parts.carried() == at_once.carried()
    again, ledger = Packed(), Ledger()
    again.carry(whole.carried(), ledger)
    assert again.carried() == whole.carried()
    assert ledger.balances


def test_damage_is_slid_over_and_counted_once() -> None:
    """Bytes that can be no frame are rejected one by one until a head is found again; a run of them is one damage."""
    good = pack(Frame(0x100, bytes(8)))
    ledger = Ledger()
    got = Packed().few(0, good + b"\xff" * 9 + good + b"\xff" * 3 + good, ledger)
    assert [word for _, word, _, _ in got] == [0x100] * 3
    assert (ledger.rejected, ledger.bad_messages) == (12, 2)


def test_half_a_frame_before_a_loss_is_rejected() -> None:
    """What was pending when the port was lost is never joined to what comes after."""
    framing, ledger = Packed(), Ledger()
    good = pack(Frame(0x100, bytes(8)))
    framing.few(0, good[:9], ledger)
    framing.fresh(ledger)
    assert (ledger.pending, ledger.rejected, ledger.bad_messages) == (0, 9, 1)
    assert len(framing.few(20, good, ledger)) == 1


def test_the_heads_remembered_are_bounded() -> None:
    """A broken bus with ever new identifiers does not fill the memory."""
    framing, ledger = Packed(), Ledger()
    framing.few(0, b"".join(pack(Frame(can_id, extended=True)) for can_id in range(10_000)), ledger)
    assert len(framing._heads) <= 4_096
