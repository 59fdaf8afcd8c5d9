"""ISO-TP: messages put together from any frames, and can-isotp 2.0.7 at the other end in both directions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import isotp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.decoders import Ledger
from pullwatch.decoders.isotp import N_CR, Message, Reassembly, flow_control, single

SIZE = 14
"""Raw bytes of a packed frame of eight."""


@dataclass
class Receiver:
    """A reassembly with its ledger, fed frame by frame, a ms apart."""

    put: Reassembly = field(default_factory=Reassembly)
    ledger: Ledger = field(default_factory=Ledger)
    t: int = 0

    def take(self, word: int, data: bytes, after: int = 1_000_000) -> Message | None:
        """Take a frame; the ledger must balance after each."""
        self.t += after
        self.ledger.taken += SIZE
        message = self.put.take(self.t, word, data, SIZE, self.ledger)
        if message is not None:
            self.ledger.decoded += message.size
            self.ledger.messages += message.frames
        self.ledger.pending = self.put.held
        assert self.ledger.balances
        return message

    def all(self, word: int, *frames: str) -> list[str]:
        """Take frames written in hexadecimal; return the messages in hexadecimal."""
        taken = [self.take(word, bytes.fromhex(frame)) for frame in frames]
        return [message.payload.hex() for message in taken if message is not None]


@dataclass
class Library:
    """can-isotp at the other end of a wire that a test holds."""

    block_size: int = 0
    incoming: list[bytes] = field(default_factory=list)
    outgoing: list[bytes] = field(default_factory=list)
    errors: list[Exception] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Make the layer: no padding of ours, no waiting between frames."""
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E0, txid=0x7E8)
        params = {"stmin": 0, "blocksize": self.block_size, "tx_padding": 0xAA, "override_receiver_stmin": 0}
        self.layer: Any = isotp.TransportLayerLogic(self._rx, self._tx, address, self.errors.append, params)

    def _rx(self, timeout: float) -> Any:
        del timeout
        if not self.incoming:
            return None
        return isotp.CanMessage(arbitration_id=0x7E0, data=self.incoming.pop(0))

    def _tx(self, message: Any) -> None:
        self.outgoing.append(bytes(message.data))

    def hear(self, data: bytes) -> bytes | None:
        """Take one frame and return the message it ends."""
        self.incoming.append(data)
        self.layer.process()
        got = self.layer.recv()
        return None if got is None else bytes(got)


def sent_by_library(payload: bytes, block_size: int = 0) -> tuple[list[bytes], int]:
    """Return the frames in which the library sends a message to us, and how many flow controls of ours it took."""
    library = Library()
    library.layer.send(payload)
    frames: list[bytes] = []
    controls = 0
    for _ in range(3_000):
        library.layer.process()
        frames += library.outgoing
        new = len(library.outgoing)
        library.outgoing.clear()
        if not library.layer.transmitting():
            return frames, controls
        if new and (len(frames) == 1 or (block_size and (len(frames) - 1) % block_size == 0)):
            controls += 1
            library.incoming.append(flow_control(block_size, 0))
    raise AssertionError("the library did not come to an end")


def test_the_published_message() -> None:
    """The four frames of a chassis number (ISO 15765-2 framing, ISO 15031-5 service 09 PID 02; text seen)."""
    receiver = Receiver()
    got = receiver.all(0x7E8, "1014490201314731", "214a433534343452", "2237323532333637")
    assert got == ["4902013147314a43353434345237323532333637"]
    assert flow_control(0, 0).hex() == "3000000000000000"
    assert (receiver.ledger.decoded, receiver.ledger.messages) == (3 * SIZE, 3)


def test_the_published_single_frames() -> None:
    """`02010c` is sent to 7DF as eight bytes (ISO 15765-4; text seen in part, rest from memory), the answer read."""
    assert single(bytes.fromhex("010c")).hex() == "02010c0000000000"
    assert Receiver().all(0x7E8, "04410C1AF8000000") == ["410c1af8"]
    assert Receiver().all(0x7E8, "04410C1AF8") == ["410c1af8"], "a frame need not be filled up"
    for length in (0, 8):
        with pytest.raises(ValueError, match=f"{length} bytes are no single frame"):
            single(bytes(length))


def test_flow_controls_of_a_block_size_of_four() -> None:
    """100 bytes at BS 4: 14 consecutive frames, 4 flow controls (ISO 15765-2, computed), by the library's count."""
    frames, controls = sent_by_library(bytes(range(100)), 4)
    assert (len(frames) - 1, controls) == (14, 4)
    receiver = Receiver()
    assert [receiver.take(0x7E8, frame) for frame in frames][-1].payload == bytes(range(100))  # type: ignore[union-attr] # whole


@given(st.binary(min_size=1, max_size=300) | st.sampled_from([bytes(4_095), bytes(8), bytes(7)]))
def test_what_the_library_sends_is_put_together(payload: bytes) -> None:
    """A message of any length that can-isotp sends, under our flow control, comes out as it went in."""
    receiver = Receiver()
    got = [receiver.take(0x7E8, frame) for frame in sent_by_library(payload)[0]]
    assert [message.payload for message in got if message] == [payload]
    assert got[-1] is not None
    assert receiver.put.held == receiver.ledger.bad_messages == 0


@given(st.binary(min_size=1, max_size=7))
def test_what_we_send_the_library_reads(payload: bytes) -> None:
    """A single frame of ours is a whole message to can-isotp."""
    assert Library().hear(single(payload)) == payload


_FRAMES = st.one_of(
    st.builds(lambda n, rest: bytes([n]) + rest, st.integers(1, 7), st.binary(min_size=7, max_size=7)),
    st.builds(lambda n, rest: bytes([0x10, n]) + rest, st.integers(8, 40), st.binary(min_size=6, max_size=6)),
    st.builds(lambda n, rest: bytes([0x20 | n]) + rest, st.integers(0, 3), st.binary(min_size=7, max_size=7)),
    st.just(flow_control(0, 0)),
)


@given(st.lists(_FRAMES, max_size=25))
def test_any_frames_give_what_the_library_gives(frames: list[bytes]) -> None:
    """Frames in any order, out of turn, interrupted: the same messages as can-isotp, and every byte accounted for."""
    receiver, library = Receiver(), Library()
    for frame in frames:
        message = receiver.take(0x7E8, frame)
        assert (None if message is None else message.payload) == library.hear(frame)


@given(
    st.lists(st.binary(min_size=1, max_size=60), min_size=2, max_size=5),
    st.randoms(use_true_random=False),
)
def test_several_control_units_at_once(payloads: list[bytes], random: Any) -> None:
    """However the frames of several senders are mixed, each one's message is whole."""
    queues = {0x7E8 + n: list(sent_by_library(payload)[0]) for n, payload in enumerate(payloads)}
    receiver = Receiver()
    got = {}
    while queues:
        word = random.choice(sorted(queues))
        message = receiver.take(word, queues[word].pop(0))
        if message is not None:
            got[word] = message.payload
        if not queues[word]:
            del queues[word]
    assert list(map(got.get, sorted(got))) == payloads


def test_numbers_wrap_from_fifteen_to_nought() -> None:
    """The sixteenth consecutive frame bears the number 0 (ISO 15765-2; text seen)."""
    frames = sent_by_library(bytes(200))[0]
    assert [frame[0] & 15 for frame in frames[14:18]] == [14, 15, 0, 1]
    receiver = Receiver()
    assert sum(receiver.take(0x7E8, frame) is not None for frame in frames) == 1


def test_a_wrong_number_ends_the_message() -> None:
    """A lost frame loses the whole message, its rest too; the next message is read."""
    receiver = Receiver()
    assert receiver.all(0x7E8, "1014490201314731", "2237323532333637", "2300000000000000", "04410C1AF8") == ["410c1af8"]
    assert (receiver.ledger.rejected, receiver.ledger.bad_messages) == (3 * SIZE, 3)


def test_a_single_frame_ends_what_was_begun() -> None:
    """A sender that begins something new has given up the old (ISO 15765-2, from memory): its rest is rejected."""
    receiver = Receiver()
    got = receiver.all(0x7E8, "100A410C1AF80D00", "03410D0000000000", "2133656600000000")
    assert got == ["410d00"]
    assert receiver.ledger.bad_messages == 2


def test_a_message_that_stands_still_is_given_up() -> None:
    """A frame N_CR after the last one is in time; a nanosecond later nothing of the message is believed."""
    for late, whole in ((0, True), (1, False)):
        receiver = Receiver()
        receiver.take(0x7E8, bytes.fromhex("100A410C1AF80D00"))
        assert (receiver.take(0x7E8, bytes.fromhex("2133650000000000"), N_CR + late) is not None) is whole


@pytest.mark.parametrize(
    "frame",
    ["", "00410C1AF8", "08410C1AF8000000", "05410C1AF8", "1007410C1AF8000", "100A410C1AF80D", "210000", "40", "F0FF"],
)
def test_what_can_be_no_frame_is_rejected(frame: str) -> None:
    """Nothing, impossible lengths, too few bytes, unknown kinds: rejected, and nothing is begun."""
    receiver = Receiver()
    assert receiver.take(0x7E8, bytes.fromhex(frame + "0" * (len(frame) % 2))) is None
    assert (receiver.ledger.rejected, receiver.ledger.bad_messages, receiver.put.held) == (SIZE, 1, 0)


def test_a_last_frame_too_short_is_no_last_frame() -> None:
    """A consecutive frame without the bytes that are missing does not complete a message with less."""
    receiver = Receiver()
    assert receiver.all(0x7E8, "100A410C1AF80D00", "213365") == []
    assert receiver.ledger.bad_messages == 2
    assert Receiver().all(0x7E8, "100A410C1AF80D00", "2133656600") == ["410c1af80d00336566" + "00"]


def test_flow_control_is_passed_over() -> None:
    """Flow control from a control unit is no damage: another tester may be asking too."""
    receiver = Receiver()
    receiver.all(0x7E8, "100A410C1AF80D00", "3000000000000000", "2133656600")
    assert (receiver.ledger.passed_over, receiver.ledger.decoded, receiver.ledger.rejected) == (SIZE, 2 * SIZE, 0)


def test_carried_over_in_the_middle() -> None:
    """Half a message taken up by another reassembly goes on; what is held counts as taken, and fresh rejects it."""
    first, second = Receiver(), Receiver()
    first.all(0x7E8, "100A410C1AF80D00")
    second.all(0x7E9, "100A410C1AF80D00")
    second.put.carry(first.put.carried(), second.ledger)
    second.ledger.pending = second.put.held
    assert second.ledger.balances
    assert second.all(0x7E9, "2133656600") == []
    assert second.all(0x7E8, "2133656600") == ["410c1af80d0033656600"]
    for frame in ("100A410C1AF80D00",):
        second.all(0x7E8, frame)
    second.put.fresh(second.ledger)
    second.ledger.pending = second.put.held
    assert second.ledger.balances
    assert second.put.held == 0


def test_times_and_sizes_are_those_of_all_frames() -> None:
    """A message bears the time of its last frame and the bytes of all of them."""
    receiver = Receiver()
    taken = [receiver.take(0x7E8, bytes.fromhex(frame)) for frame in ("100A410C1AF80D00", "2133656600000000")]
    assert taken == [None, Message(2_000_000, 0x7E8, bytes.fromhex("410c1af80d0033656600"), 2 * SIZE, 2)]
