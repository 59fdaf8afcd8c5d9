"""The lines of serial CAN adapters: check values, python-can as a second opinion, damage, any split of the bytes."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import EXTENDED, FD_LENGTHS, REMOTE, UNASKED, FewFrames
from pullwatch.decoders.slcan import LONGEST, Slcan

from .streams import records_of, time_of

if TYPE_CHECKING:
    from collections.abc import Iterator


def cut(data: bytes, *, fd: bool = False) -> tuple[FewFrames, Ledger]:
    ledger = Ledger()
    return Slcan(fd=fd).few(0, data, ledger), ledger


def frames_of(data: bytes, *, fd: bool = False) -> list[tuple[int, bytes]]:
    return [(word, payload) for _, word, payload, _ in cut(data, fd=fd)[0]]


@pytest.mark.parametrize(
    ("line", "word", "payload"),
    [
        # Check values slcan_0 to slcan_2. Source: Lawicel CAN232/CANUSB ASCII protocol (text seen); computed with
        # python-can 4.6.1, slcanBus('loop://').send.
        (b"t10081122334455667788\r", 0x100, bytes.fromhex("1122334455667788")),
        (b"T18FEF6002FF50\r", 0x18FEF600 | EXTENDED, bytes.fromhex("FF50")),
        (b"r7DF4\r", 0x7DF | REMOTE, b""),
        # From the same source: hexadecimal digits of either case, and the time stamp of four digits (Z1).
        (b"t1002abCD\r", 0x100, bytes.fromhex("ABCD")),
        (b"t1002ABCD1F3A\r", 0x100, bytes.fromhex("ABCD")),
        (b"R18FEF60081F3A\r", 0x18FEF600 | EXTENDED | REMOTE, b""),
        (b"t7FF0\r", 0x7FF, b""),
        (b"T1FFFFFFF0\r", 0x1FFFFFFF | EXTENDED, b""),
    ],
)
def test_lines_are_frames(line: bytes, word: int, payload: bytes) -> None:
    """Every kind of line gives its identifier, its flags and its data, and its time is that of the CR."""
    frames, ledger = cut(line)
    assert frames == [(len(line) - 1, word, payload, len(line))]
    assert ledger == Ledger(taken=len(line))  # the frame's own bytes are accounted for by whoever wanted it or not


@pytest.mark.parametrize("reply", [b"\r", b"z\r", b"Z\r", b"F00\r", b"\a\r", b"\a\a\r", b"V1013\r", b"NA123\r"])
def test_replies_are_passed_over(reply: bytes) -> None:
    """What an adapter answers to commands is neither a frame nor damage."""
    frames, ledger = cut(reply)
    assert frames == []
    assert ledger == Ledger(taken=len(reply), passed_over=len(reply))


def test_an_error_reply_before_a_frame_costs_nothing() -> None:
    """BEL has no CR after it: the frame that follows it at once is decoded."""
    frames, ledger = cut(b"\at1000\r")
    assert [frame[1:] for frame in frames] == [(0x100, b"", 6)]
    assert ledger == Ledger(taken=7, passed_over=1)


@pytest.mark.parametrize(
    "garbage",
    [
        b"t10081122\r",  # cut short
        b"t1008112233445566778\r",  # half a byte
        b"t100811223344556677881\r",
        b"t10081122334455667788112233\r",  # neither a frame nor one with a stamp
        b"t100911223344556677889\r",  # no length code of a classic frame
        b"t8000\r",  # 12 bits
        b"T200000000\r",  # 30 bits
        b"T1000\r",
        b"t1\r",
        b"t100 \r",
        b"t1002 1122\r",  # characters that int() or fromhex() would let pass
        b"t10021_22\r",
        b"t+1001AA\r",
        b"t1002AABBzzzz\r",  # a stamp that is none
        b"u1000\r",
        b"\x00\xff\xfe\r",
        b"t100\x001AA\r",
        b"xx\a\r",
    ],
)
def test_damage_is_rejected_and_counted_and_the_next_frame_decodes(garbage: bytes) -> None:
    """A line that is no frame takes nothing with it but itself."""
    frames, ledger = cut(b"t1000\r" + garbage + b"t1010\r")
    assert [word for _, word, _, _ in frames] == [0x100, 0x101]
    bell = garbage.endswith(b"\a\r")
    assert ledger == Ledger(taken=12 + len(garbage), rejected=len(garbage) - bell, passed_over=bell, bad_messages=1)


def test_a_runaway_line_is_cut_off() -> None:
    """A line longer than any line is rejected as it comes, not kept; what follows its CR decodes."""
    framing, ledger = Slcan(), Ledger()
    for t in range(0, 100_000, 1_000):
        assert framing.few(t, b"0" * 100, ledger) == []
        assert ledger.pending <= LONGEST
        assert ledger.balances
    framing.few(150_000, b"0", ledger)
    assert (ledger.pending, ledger.rejected) == (0, 10_001)
    assert [frame[1] for frame in framing.few(200_000, b"00\rt1000\r", ledger)] == [0x100]
    assert (ledger.bad_messages, ledger.rejected) == (1, 10_004)


def test_can_fd_frames_only_where_there_are_any() -> None:
    """CAN FD lines use its length codes; on a bus that is not said to have them nothing takes them for wanted."""
    for code, length in enumerate(FD_LENGTHS):
        data = bytes(range(length))
        line = f"d100{code:X}{data.hex()}\rB12345678{code:X}{data.hex()}\r".encode()
        assert frames_of(line, fd=True) == [(0x100, data), (0x12345678 | EXTENDED, data)]
        assert frames_of(line) == [(0x100 | UNASKED, data), (0x12345678 | EXTENDED | UNASKED, data)]


def test_the_tail_of_a_classic_frame_is_no_can_fd_frame() -> None:
    """After the port was opened the first line may be a tail; hexadecimal digits alone never make a frame there."""
    framing, ledger = Slcan(fd=True), Ledger()
    framing.fresh(ledger)
    # "t3008" was sent before the port was open. What is left reads as a frame 100 with two bytes.
    assert framing.few(0, b"B12345678210AA\r", ledger) == []
    assert [frame[1] for frame in framing.few(50, b"t1000\rb1000\r", ledger)] == [0x100, 0x100]
    assert ledger.bad_messages == 1
    framing.fresh(ledger)
    assert [frame[1] for frame in framing.few(100, b"t1000\r", ledger)] == [0x100]


def test_what_was_pending_is_rejected_when_the_port_comes_back() -> None:
    """Half a line before a loss is never joined to what comes after it."""
    framing, ledger = Slcan(), Ledger()
    framing.few(0, b"t1008112233", ledger)
    assert ledger.pending == 11
    framing.fresh(ledger)
    assert (ledger.pending, ledger.rejected, ledger.bad_messages) == (0, 11, 1)
    assert framing.few(20, b"4455667788\r", ledger) == []
    assert ledger.balances


# python-can 4.6.1 as a second opinion, both ways, over pyserial's loop:// (what is written is read back).


@contextlib.contextmanager
def loop() -> Iterator[slcanBus]:
    bus = slcanBus("loop://", sleep_after_open=0, timeout=0)
    try:
        bus.flush()
        yield bus
    finally:
        bus.shutdown()


@st.composite
def can_messages(draw: st.DrawFn) -> can.Message:
    extended = draw(st.booleans())
    fd = draw(st.booleans())
    remote = not fd and draw(st.booleans())
    length = draw(st.sampled_from(FD_LENGTHS) if fd else st.integers(0, 8))
    return can.Message(
        arbitration_id=draw(st.integers(0, 0x1FFF_FFFF if extended else 0x7FF)),
        is_extended_id=extended,
        is_fd=fd,
        bitrate_switch=fd and draw(st.booleans()),
        is_remote_frame=remote,
        dlc=length,
        data=None if remote else draw(st.binary(min_size=length, max_size=length)),
        check=True,
    )


def word_of(message: can.Message) -> int:
    flags = (EXTENDED if message.is_extended_id else 0) | (REMOTE if message.is_remote_frame else 0)
    return message.arbitration_id | flags


@settings(deadline=None, max_examples=60)
@given(st.lists(can_messages(), min_size=1, max_size=5))
def test_what_python_can_sends_is_read(messages: list[can.Message]) -> None:
    """Every frame python-can writes on an adapter's port is read with the same identifier, flags and data."""
    with loop() as bus:
        for message in messages:
            bus.send(message)
        sent = bus.serialPortOrig.read(bus.serialPortOrig.in_waiting)
    assert frames_of(sent, fd=True) == [(word_of(message), bytes(message.data)) for message in messages]


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_what_is_read_python_can_reads_too(data: st.DataObject) -> None:
    """A stream of good lines, replies among them, means the same frames to python-can."""
    lines = data.draw(st.lists(st.one_of(GOOD_LINES, st.sampled_from([b"\r", b"z\r", b"Z\r"])), max_size=6))
    with loop() as bus:
        bus.serialPortOrig.write(b"".join(lines))
        received = []
        while bus.serialPortOrig.in_waiting:
            message = bus.recv(timeout=0)
            if message is not None:
                received.append((word_of(message), bytes(message.data)))
    assert frames_of(b"".join(lines), fd=True) == received


# Any bytes, in any split, one record at a time or many at once.


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    kind = draw(st.sampled_from("tTrRdDbB"))
    can_id = draw(st.integers(0, 0x7FF)) if kind in "trdb" else draw(st.integers(0, 0x1FFF_FFFF))
    code = draw(st.integers(0, 15 if kind in "dDbB" else 8))
    length = 0 if kind in "rR" else FD_LENGTHS[code]
    text = f"{kind}{can_id:0{3 if kind in 'trdb' else 8}X}{code:X}"
    text += draw(st.binary(min_size=length, max_size=length)).hex().upper()
    return text.encode() + b"\r"


GOOD_LINES = lines()


@st.composite
def damaged_lines(draw: st.DrawFn) -> bytes:
    line = bytearray(draw(GOOD_LINES))
    place = draw(st.integers(0, len(line) - 1))
    match draw(st.integers(0, 3)):
        case 0:
            del line[place]
        case 1:
            line[place] = draw(st.integers(0, 255))
        case 2:
            line.insert(place, draw(st.sampled_from(b"\a\r 0fgT")))
        case _:
            del line[place:]
    return bytes(line)


STREAMS = st.lists(
    st.one_of(
        GOOD_LINES,
        GOOD_LINES.map(lambda line: line[:1] + line[1:].lower()),
        st.builds(lambda line, stamp: line[:-1] + b"%04X\r" % stamp, GOOD_LINES, st.integers(0, 0xFFFF)),
        damaged_lines(),
        st.sampled_from([b"\r", b"z\r", b"\a", b"F00\r", b"V1013\r", b"\a\a\r", b"0" * 143 + b"\r"]),
        st.sampled_from([b"\a" * 150, b"\a" * 143 + b"t1000\r", b"t8000\r", b"T200000000\r", b"t1009\r", b"1" * 150]),
        st.binary(max_size=20),
    ),
    max_size=25,
).map(b"".join)


@settings(deadline=None, max_examples=100)
@given(STREAMS, st.lists(st.integers(0, 10**6), max_size=8), st.booleans(), st.booleans())
def test_any_split_of_any_bytes_gives_the_same_frames(stream: bytes, cuts: list[int], fd: bool, begun: bool) -> None:
    """Frames, their times and the counts are a function of the bytes; where one read ended does not matter."""
    records = records_of(stream, cuts)
    whole, parts, at_once = Slcan(fd=fd), Slcan(fd=fd), Slcan(fd=fd)
    ledgers = [Ledger(), Ledger(), Ledger()]
    if not begun:
        for framing, ledger in zip((whole, parts, at_once), ledgers, strict=True):
            framing.fresh(ledger)
    expected = whole.few(0, stream, ledgers[0])  # with one record from 0 on, a time is a place in the stream
    if cuts:
        rest, ledger = Slcan(fd=fd), Ledger()  # what a first read left over is carried into the many that follow
        if not begun:
            rest.fresh(ledger)
        left = [t for t, *_ in rest.few(records[0].t, records[0].data, ledger)]
        left += rest.many(records[1:], 8, ledger).t.tolist()
        assert left == [time_of(records, place) for place, *_ in expected]
        assert ledger == ledgers[0]
    got: FewFrames = []
    taken = 0
    for record in records:
        frames = parts.few(record.t, record.data, ledgers[1])
        got += frames
        taken += sum(size for _, _, _, size in frames)
        ledger = ledgers[1]
        assert ledger.taken == taken + ledger.passed_over + ledger.rejected + ledger.pending
    assert got == [(time_of(records, place), *rest) for place, *rest in expected]

    many = at_once.many(records, 72, ledgers[2])
    counts = many.count.tolist()
    laid = [bytes(row[:count].tobytes()) for row, count in zip(many.data, counts, strict=True)]
    assert list(zip(many.t.tolist(), many.word.tolist(), laid, many.size.tolist(), strict=True)) == got
    assert ledgers[0] == ledgers[1] == ledgers[2]
    assert whole.carried() == parts.carried() == at_once.carried()


@given(STREAMS, st.integers(0, 10**6), st.booleans())
def test_a_checkpoint_goes_on_where_it_was_taken(stream: bytes, place: int, begun: bool) -> None:
    """A framing that takes up what another carried goes on exactly as that one does."""
    begin = place % (len(stream) + 1)
    first, first_ledger = Slcan(fd=True), Ledger()
    if not begun:
        first.fresh(first_ledger)
    first.few(0, stream[:begin], first_ledger)
    second, second_ledger = Slcan(fd=True), Ledger()
    second.few(0, b"t123", second_ledger)
    second.carry(first.carried(), second_ledger)
    assert second_ledger.balances
    assert second.carried() == first.carried()
    assert second.few(begin, stream[begin:], second_ledger) == first.few(begin, stream[begin:], first_ledger)
    assert second.carried() == first.carried()


def test_the_heads_remembered_are_bounded() -> None:
    """A broken bus with ever new identifiers does not fill the memory."""
    framing, ledger = Slcan(), Ledger()
    for can_id in range(10_000):
        framing.few(0, b"T%08X0\r" % can_id, ledger)
    assert len(framing._heads) <= 4_096
