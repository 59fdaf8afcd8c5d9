"""Faults on the wire as pure functions of time and bytes: each does what its sentence says, and nothing else."""

from __future__ import annotations

import binascii
import math
import random
import struct
from typing import TYPE_CHECKING

import cantools
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch_sim.can_frames import CHANNELS, DBC, record_bus
from pullwatch_sim.gps import Receiver, record_gps
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.serial_packet import record_packets
from pullwatch_sim.wire_faults import KINDS, MS, SECOND, FaultError, Faulty, WireFault, fault_of, sampled
from pullwatch_sim.wire_formats import FORMATS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch_sim.tape import Tape
    from pullwatch_sim.truth import Truth

LINES = [b"lambda=0.8%02d;state=ready\r\n" % number for number in range(100)]


def through(form: str, faults: Sequence[str], sent: Sequence[bytes], every: int = 20 * MS) -> list[tuple[int, bytes]]:
    """Send messages at a steady rate; return what arrives."""
    faulty = Faulty(FORMATS[form](), [fault_of(text) for text in faults])
    arrived = []
    for number, message in enumerate(sent):
        faulty.take(number * every, message)
        arrived += faulty.due(number * every)
    return arrived + faulty.due(1 << 62)


def tapes(truth: Truth) -> dict[str, Tape]:
    """Return what each simulator sends in an evening, by format."""
    return {
        "lines": record_lambda(truth),
        "packets": record_packets(truth),
        "slcan": record_bus(truth),
        "nmea": record_gps(truth, Receiver()),
    }


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 1_000_000), form=st.sampled_from(["lines", "packets", "slcan", "nmea"]))
def test_without_a_fault_every_byte_goes_through(short_pull: Truth, seed: int, form: str) -> None:
    """However the bytes are cut, what arrives is what was sent, in order; a half message at the end is still held."""
    blob = tapes(short_pull)[form].blob[:20_000]
    chance = random.Random(seed)
    faulty = Faulty(FORMATS[form](), [])
    at, t, arrived = 0, 0, b""
    while at < len(blob):
        size = chance.randint(1, 300)
        faulty.take(t, blob[at : at + size])
        arrived += b"".join(data for _, data in faulty.due(t))
        at += size
        t += MS
    assert blob.startswith(arrived)
    assert len(blob) - len(arrived) < 100
    assert faulty.damaged == 0


def test_timing() -> None:
    """Off is silence, slow lets one of so many through, late messages keep their order, intermittent is both."""
    inside = [(t, data) for t, data in through("lines", ["off 0.5 1"], LINES) if 0.5 * SECOND <= t < SECOND]
    assert inside == []
    slow = through("lines", ["slow 0 2 every=10"], LINES)
    assert [data for _, data in slow] == LINES[9::10]
    late = through("lines", ["delayed 0 1 ms=300"], LINES)
    assert [data for _, data in late] == LINES
    assert late[0][0] == 300 * MS
    assert [t for t, _ in late] == sorted(t for t, _ in late)
    assert late[-1][0] == 99 * 20 * MS, "later messages are not late any more"
    gaps = through("lines", ["intermittent 0 2 off_ms=300 on_ms=100"], LINES)
    assert {t % (400 * MS) >= 300 * MS for t, _ in gaps} == {True}
    assert len(gaps) == 25


def test_framing() -> None:
    """Garbage keeps nothing, a flip turns one bit, half a line has no end, one byte is missing, doubles come twice."""
    garbage = through("lines", ["garbage 0 2"], LINES)
    assert [len(data) for _, data in garbage] == [len(line) for line in LINES]
    assert not any(data in LINES for _, data in garbage)
    flipped = through("lines", ["bit_flip 0 2"], LINES)
    turned = [
        sum((a ^ b).bit_count() for a, b in zip(data, line, strict=True))
        for (_, data), line in zip(flipped, LINES, strict=True)
    ]
    assert turned == [1] * 100
    assert [data for _, data in through("lines", ["half_lines 0 2"], LINES)] == [
        line[: len(line) // 2] for line in LINES
    ]
    missing = through("lines", ["misaligned 0 2"], LINES)
    assert [len(data) + 1 for _, data in missing] == [len(line) for line in LINES]
    assert b"".join(data for _, data in through("lines", ["duplicated 0 2"], LINES)) == b"".join(x + x for x in LINES)


def test_flood_fills_the_line_and_keeps_the_messages() -> None:
    """So many random bytes a second and more, and every message of the sender whole among them."""
    flooded = through("lines", ["flood 0 2 bytes_per_s=100000"], LINES)
    arrived = b"".join(data for _, data in flooded)
    assert 190_000 <= len(arrived) - sum(map(len, LINES)) <= 220_000
    assert all(line in arrived for line in LINES)
    assert [t for t, _ in flooded] == sorted(t for t, _ in flooded)


def test_ports() -> None:
    """While the port is gone nothing arrives, also of what was on its way; a brown-out is over after its time."""
    pulled = through("lines", ["unplugged 0.5 1", "delayed 0 2 ms=100"], LINES)
    assert not [t for t, _ in pulled if 0.5 * SECOND <= t < SECOND]
    brown = through("lines", ["brown_out 0.5 1"], LINES)
    assert [data for _, data in brown] == LINES[:25] + LINES[40:]
    assert Faulty(FORMATS["lines"](), [fault_of("swapped 1 2 ms=250")]).away == [
        (SECOND, SECOND + 250 * MS),
        (2 * SECOND, 2 * SECOND + 250 * MS),
    ]


@pytest.mark.parametrize("ratio", [0.98, 1.0, 1.02])
def test_a_receiver_that_is_nearly_right_reads_everything(ratio: float) -> None:
    """Within 2 % the middle of the tenth bit is still that bit (UART: 5 % for both sides together; from memory)."""
    data = bytes(range(256)) * 2
    assert sampled(data, ratio) == data


@pytest.mark.parametrize("ratio", [0.25, 0.5, 0.75, 1.25, 2.0, 4.0])
def test_a_receiver_at_another_rate_reads_other_bytes(ratio: float) -> None:
    """At the wrong rate something arrives, and it is not what was sent."""
    line = b"lambda=0.853;state=ready\r\n" * 4
    got = sampled(line, ratio)
    assert got
    assert b"lambda" not in got
    assert len(got) <= max(1.0, ratio) * len(line) + 1


def test_a_byte_at_twice_the_rate_by_hand() -> None:
    """0x55 is low and high in turn: at half the sampling rate every second of its ten bits is seen.

    Sent: start 0, then 1 0 1 0 1 0 1 0, stop 1. Sampled at 0.5 times the rate, bit k is looked at 2k + 1 bit times
    after the edge: 1 at once, so the edge is none to this receiver.
    """
    assert sampled(b"\x55", 0.5) == b""
    # At twice the rate each bit is seen twice, so the ten looks reach to the middle of the fifth bit.
    # 0x00: that is still low where the stop bit should be. 0xF8 is sent 0 | 0 0 0 1 1 …: eight looks low, then high.
    assert sampled(b"\x00", 2.0) == b""
    assert sampled(b"\xf8", 2.0) == b"\x80"


def test_lies_are_whole_messages(short_pull: Truth) -> None:
    """A falsified number is told by a receiver written by others as it was meant, and the check sum is right."""
    database = cantools.database.load_file(str(DBC))
    assert isinstance(database, cantools.database.Database)
    made = tapes(short_pull)
    lie: Callable[[float], float] = lambda value: value + 1.5  # noqa: E731 - three formats are given the same
    for channel, signal in CHANNELS.items():
        name, field = signal.split(".")
        form = FORMATS["slcan"]()
        wanted = database.get_message_by_name(name)
        head = form.changed(b"", channel, lie)
        assert head == b"", "what is no such frame stays as it is"
        for message in form.cut(made["slcan"].blob[:60_000])[0]:
            changed = form.changed(message, channel, lie)
            extended = message[:1] == b"T"
            if (
                int(message[1:9] if extended else message[1:4], 16) != wanted.frame_id
                or extended is not wanted.is_extended_frame
            ):
                assert changed == message
                continue
            at = 10 if extended else 5
            before = wanted.decode(bytes.fromhex(message[at:-1].decode()), decode_choices=False)
            after = wanted.decode(bytes.fromhex(changed[at:-1].decode()), decode_choices=False)
            assert isinstance(before, dict)
            assert isinstance(after, dict)
            step = wanted.get_signal_by_name(field).scale
            largest = wanted.get_signal_by_name(field).maximum
            assert largest is not None
            was = before.pop(field)
            assert isinstance(was, int | float)
            expected = min(was + 1.5, largest)
            assert after.pop(field) == pytest.approx(expected, abs=step / 2 + 1e-9)
            assert before == after
    nmea = FORMATS["nmea"]()
    for message in nmea.cut(made["nmea"].blob)[0][:60]:
        changed = pynmea2.parse(nmea.changed(message, "vehicle_speed", lambda _: 92.6).decode(), check=True)
        if changed.sentence_type == "RMC" and changed.status == "A":
            assert float(changed.spd_over_grnd) == pytest.approx(50.0)
    packets = FORMATS["packets"]()
    for message in packets.cut(made["packets"].blob)[0][:40]:
        changed = packets.changed(message, "manifold_pressure", lambda _: 123.4)
        assert struct.unpack_from(">H", changed, 6)[0] * 0.02 == pytest.approx(123.4)
        assert binascii.crc_hqx(changed[2:-2], 0xFFFF) == int.from_bytes(changed[-2:], "big")
        back = packets.counted_back(message, 3)
        assert (back[3] + 3) & 255 == message[3]
        assert binascii.crc_hqx(back[2:-2], 0xFFFF) == int.from_bytes(back[-2:], "big")
        assert math.isnan(_exhaust(packets.changed(message, "exhaust_gas_temperature", lambda _: math.nan), message))


def _exhaust(changed: bytes, message: bytes) -> float:
    """Return the exhaust gas temperature of a long packet; of a short one, which has none, NaN if it was left alone."""
    if len(message) == 21:
        return math.nan if changed == message else 0.0
    value: float = struct.unpack_from(">f", changed, 19)[0]
    return value


def test_values_over_time() -> None:
    """Stuck keeps the first, drift grows with time, a bit is always so, another unit multiplies."""
    lines = [b"lambda=0.8%02d;state=ready\r\n" % (number % 100) for number in range(100)]

    def values(fault: str) -> list[float]:
        return [float(data.split(b"=")[1].split(b";")[0]) for _, data in through("lines", [fault], lines)]

    assert set(values("stuck 0.2 2 field=lambda")[10:]) == {0.810}
    assert values("drift 0 2 field=lambda per_s=0.1")[50] == pytest.approx(0.85 + 0.1)
    assert values("bias 0 2 field=lambda by=-0.1")[50] == pytest.approx(0.75)
    assert values("unit_swap 0 2 field=lambda factor=14.7")[50] == pytest.approx(12.495)
    assert all(round(value * 1_000) & 32 for value in values("stuck_bit 0 2 field=lambda bit=5 to=1"))
    assert not any(round(value * 1_000) & 32 for value in values("stuck_bit 0 2 field=lambda bit=5 to=0"))
    assert values("wrong_value 0 2 field=lambda value=0.7") == [0.7] * 100


def test_an_answer_of_a_control_unit_is_falsified_in_its_own_coding() -> None:
    """PID 0B is one byte in kPa, 0C two in quarter turns; other answers stay; a byte cannot say more than 255."""
    form = FORMATS["diagnostics"]()
    pressure, speed = b"t7E8803410BB4AAAAAAAA\r", b"t7E88044 10C1AF8AAAAAA\r".replace(b" ", b"")
    assert form.changed(pressure, "manifold_pressure", lambda value: value - 80) == b"t7E8803410B64AAAAAAAA\r"
    assert form.changed(pressure, "manifold_pressure", lambda _: 1e9) == b"t7E8803410BFFAAAAAAAA\r"
    assert form.changed(speed, "engine_speed", lambda value: value + 100) == b"t7E8804410C1C88AAAAAA\r"
    assert form.changed(speed, "manifold_pressure", lambda _: 0.0) == speed


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("of 1 2", 'fault "of" is not known'),
        ("off 1", "expected"),
        ("off 2 1", "end after its beginning"),
        ("stuck 1 2", "needs field=NAME"),
        ("slow 1 2 evry=3", 'has no option "evry"'),
        ("slow 1 2 every=often", "expected"),
    ],
)
def test_faults_that_cannot_be_are_refused(text: str, words: str) -> None:
    """With what was wrong."""
    with pytest.raises(FaultError, match=words):
        fault_of(text)


def test_every_kind_says_what_it_does() -> None:
    """Every kind has a sentence, and a fault of it can be made from text."""
    for kind, about in KINDS.items():
        assert about.says
        field = " field=lambda" * ("field" in about.options)
        assert fault_of(f"{kind} 1 2{field}") == WireFault(
            kind, SECOND, 2 * SECOND, {"field": "lambda"} if field else {}
        )
