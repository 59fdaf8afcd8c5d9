"""What kind of talk it is: text, sentences, frames, packets, or nothing that can be read."""

from __future__ import annotations

import math
import random
import struct

import can
import pynmea2
import pytest
from can.interfaces.slcan import slcanBus

from pullwatch.decoders.frames import Frame, pack
from pullwatch.finding.frames import Bus, read_bus
from pullwatch.finding.heard import Heard, rate_of
from pullwatch.finding.packets import Packets, read_packets
from pullwatch.finding.sentences import Sentences, checksum
from pullwatch.finding.sorting import Sort, sort
from pullwatch.finding.telling import tell

from .hearings import LAMBDA_LINES, heard, heard_lines

RMC = "$GPRMC,175741,A,4751.698,N,12209.774,W,000.0,360.0,191100,019.5,E*69"
"""NMEA 0183 (IEC 61162-1) sentence, text seen; pynmea2 1.19.0 agrees."""
GGA = "$GPGGA,092204.999,4250.5589,S,14718.5084,E,1,04,24.4,19.7,M,,,,0000*1F"
"""The same."""


def test_silence_is_nothing() -> None:
    """No byte is nothing, and what to look at is said."""
    talk = sort(Heard((), 0, 1_000_000_000))
    assert (talk.sort, talk.sure) == (Sort.NOTHING, 0.0)
    assert "Nothing arrives" in "\n".join(tell(Heard((), 0, 1_000_000_000), talk))


def test_lines_are_lines() -> None:
    """Text with numbers is lines, surely."""
    talk = sort(heard_lines(LAMBDA_LINES))
    assert (talk.sort, talk.sure) == (Sort.LINES, 1.0)


def test_sentences_count_by_their_checksums() -> None:
    """Rates by sentence, the fix, and only whole ones; pynmea2 takes the same ones."""
    broken = GGA.replace("4250", "4251")
    every = [one for _ in range(5) for one in (RMC, GGA, broken)]
    talk = sort(heard_lines(every, hz=15.0))
    assert talk.sort is Sort.SENTENCES
    found = talk.found
    assert isinstance(found, Sentences)
    assert found.count == sum(_whole(one) for one in every) == 10
    assert found.rates == {"GPRMC": pytest.approx(5, rel=0.02), "GPGGA": pytest.approx(5, rel=0.02)}
    assert found.share == pytest.approx(2 / 3)
    assert found.fix == "a fix"


def _whole(sentence: str) -> bool:
    try:
        pynmea2.parse(sentence, check=True)
    except pynmea2.ChecksumError:
        return False
    return True


def test_the_checksum_is_that_of_the_standard() -> None:
    """Exclusive or of the bytes between $ and * (published sentences, from the check values)."""
    for sentence in (RMC, GGA, "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"):
        body, _, digits = sentence[1:].partition("*")
        assert checksum(body.encode()) == int(digits, 16)


def test_no_fix_is_said() -> None:
    """A receiver that says V has no fix."""
    body = "GPRMC,175741,V,,,,,,,191100,,"
    line = f"${body}*{checksum(body.encode()):02X}"
    found = sort(heard_lines([line] * 5, 1.0)).found
    assert isinstance(found, Sentences)
    assert found.fix == "no fix"


def test_frames_of_an_slcan_adapter_are_told_by_identifier() -> None:
    """What python-can's own slcan interface (4.6.1) writes is read back: identifiers, lengths, bytes that change."""
    text = b""
    with slcanBus("loop://", sleep_after_open=0.0) as bus:
        bus.serialPortOrig.reset_input_buffer()
        for number in range(60):
            bus.send(can.Message(arbitration_id=0x2A1, data=[7, number, 0], is_extended_id=False))
            bus.send(can.Message(arbitration_id=0x1C0A55E1, data=[1, 2], is_extended_id=True))
            text += bus.serialPortOrig.read(bus.serialPortOrig.in_waiting)  # its loop holds little
    pieces = [line + b"\r" for line in text.split(b"\r") if line]
    talk = sort(heard(pieces, hz=200.0))
    assert talk.sort is Sort.SLCAN
    found = talk.found
    assert isinstance(found, Bus)
    first, second = found.identifiers
    assert (str(first), first.lengths, first.moving, first.count) == ("0x2A1", (3,), (1,), 60)
    assert (str(second), second.extended, second.moving) == ("0x1C0A55E1", True, ())
    assert first.rate == pytest.approx(100, rel=0.05)
    assert (found.frames, found.share) == (120, 1.0)


def test_packed_frames_of_other_adapters_are_read_too() -> None:
    """Frames as they are packed for drivers give the same table; error frames are counted aside."""
    frames = [pack(Frame(0x123, bytes([n, 0]))) for n in range(9)] + [pack(Frame(0, error=True))]
    found = read_bus(heard(frames), slcan=False)
    assert found is not None
    assert (found.frames, found.errors, found.identifiers[0].moving) == (9, 1, (0,))


def test_packets_are_told_by_what_comes_back() -> None:
    """Packets of 14 bytes that begin AA 55 are told so, from whatever byte on they are heard."""
    source = random.Random(3)
    packets = [struct.pack(">BBHI", 0xAA, 0x55, n, source.getrandbits(32)) + source.randbytes(6) for n in range(200)]
    joined = b"".join(packets)[5:]
    found = sort(heard([joined[at : at + 14] for at in range(0, len(joined), 14)])).found
    assert isinstance(found, Packets)
    assert (found.length, found.beginning) == (14, bytes([0xAA, 0x55, 0]))
    assert found.rate == pytest.approx(50, rel=0.05)


def test_packets_that_never_change_have_no_beginning() -> None:
    """Where every packet is the same nobody can say where it begins, and it is not said."""
    found = read_packets(heard([bytes([0xAA, 0x55, 1, 2, 3, 4, 5, 6])] * 100))
    assert found is not None
    assert (found.length, found.beginning) == (8, b"")


def test_one_byte_again_and_again_is_no_packet() -> None:
    """A line held low reads as zeros without end: that is no packet of any length."""
    assert sort(heard([bytes(32)] * 50)).sort is Sort.UNREADABLE


def test_a_rate_is_told_only_where_it_can_be() -> None:
    """Steadily heard: from first to last. One burst: over the whole time. Heard for a moment only: not known."""
    second = 1_000_000_000
    assert rate_of([0, second, 2 * second], 2.5) == pytest.approx(1.0)
    assert rate_of([0, 1_000, 2_000, 3_000], 2.0) == pytest.approx(2.0)
    assert math.isnan(rate_of([0, 1_000, 2_000], 0.1))


def test_noise_is_unreadable() -> None:
    """Random bytes are none of it, and the wrong speed is named as the likeliest reason."""
    noise = random.Random(1)
    hearing = heard([noise.randbytes(64) for _ in range(100)])
    talk = sort(hearing)
    assert talk.sort is Sort.UNREADABLE
    assert "--baud" in "\n".join(tell(hearing, talk))
