"""The control units behind the adapter: what they answer, byte for byte, and with can-isotp as the tester."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import isotp
import numpy as np
import pytest
from scapy.contrib.automotive.obd.obd import OBD

from pullwatch_sim.diagnostics_responder import Responder, Unit, separation_us, units_of
from pullwatch_sim.tape import record_lines

from .test_programs import program

if TYPE_CHECKING:
    from pullwatch_sim.truth import Truth

MS = 1_000_000
S = 1_000_000_000


def asked_as(**more: Any) -> Any:
    """Return what the command line would choose."""
    usual = {
        "bits": 11,
        "units": 1,
        "delay_ms": 8.0,
        "pending_ms": 0.0,
        "singly": False,
        "wide_manifold": False,
        "silent": (0.0, 0.0),
    }
    return SimpleNamespace(**{**usual, **more})


class Client:
    """Somebody at the other end of the adapter's serial line, and the time."""

    def __init__(self, truth: Truth, **more: Any) -> None:
        nothing = record_lines(np.zeros(0, dtype=np.int64), [])
        self.units = units_of(truth, asked_as(**more))
        self.device = Responder(nothing, round(truth.duration_s * 1e9), self.units)
        self.now = 5 * S
        self.device.met(self.now)
        assert self.device.answer(b"S6\rO\r", self.now) == b"\r\r"

    def say(self, line: str) -> None:
        """Send one frame."""
        assert self.device.answer(line.encode() + b"\r", self.now) in (b"z\r", b"Z\r")

    def hear(self, ms: float) -> list[str]:
        """Return the frames of the next so many ms, a ms at a time."""
        got = b""
        for _ in range(round(ms)):
            self.now += MS
            got += self.device.due(self.now)[0]
        return got.decode().split("\r")[:-1]


def test_nothing_is_said_unasked(short_pull: Truth) -> None:
    """The bus is silent until something is asked."""
    tester = Client(short_pull)
    assert tester.hear(500) == []
    assert tester.device.next_due() == tester.device.end


def test_a_single_answer(short_pull: Truth) -> None:
    """The engine's speed comes after the delay, coded as scapy 2.8.0 reads it back to what truly was."""
    tester = Client(short_pull)
    tester.say("t7DF802010C0000000000")
    assert tester.hear(7) == []
    (line,) = tester.hear(5)
    assert line.startswith("t7E8804410C")
    packet = OBD(bytes.fromhex(line[7:15]))
    true = short_pull.values["engine_speed"][4_990:5_010].mean()
    assert float(packet.data_records[0].payload.data) == pytest.approx(true, abs=30)


def test_which_pids_there_are(short_pull: Truth) -> None:
    """Each range names its own, and the next range where there is more; scapy reads the same set."""
    tester = Client(short_pull, wide_manifold=True)
    found: set[str] = set()
    for pid in ("00", "20", "40", "60"):
        tester.say(f"t7DF80201{pid}0000000000")
        (line,) = tester.hear(10)
        body = OBD(bytes.fromhex(line[7:19])).data_records[0].payload
        found |= {str(name)[3:] for name in str(body.supported_pids).split("+")}
    wanted = "04 05 0B 0C 0D 0E 0F 11 20 33 34 40 42 44 49 4F 5C 60 70 72"
    assert found == set(wanted.split())
    tester.say("t7DF80201800000000000")
    assert tester.hear(50) == []


def test_two_units_answer_what_they_have(short_pull: Truth) -> None:
    """Both tell the speed, one alone the pressure; asked under its own identifier only the one answers."""
    tester = Client(short_pull, units=2)
    for line, answers in (
        ("t7DF802010D0000000000", ["7E8", "7E9"]),
        ("t7DF802010B0000000000", ["7E8"]),
        ("t7E1802010D0000000000", ["7E9"]),
        ("t7E2802010D0000000000", []),
    ):
        tester.say(line)
        assert [frame[1:4] for frame in tester.hear(20)] == answers


def test_29_bit_identifiers(short_pull: Truth) -> None:
    """18DB33F1 is heard, 18DAF110 answers (ISO 15765-4, from memory); 11-bit requests are not heard."""
    tester = Client(short_pull, bits=29)
    tester.say("T18DB33F1802010D0000000000")
    assert [frame[:9] for frame in tester.hear(20)] == ["T18DAF110"]
    tester.say("t7DF802010D0000000000")
    assert tester.hear(20) == []


@pytest.mark.parametrize(
    ("code", "microseconds"),
    [(0x00, 0), (0x0A, 10_000), (0x7F, 127_000), (0xF1, 100), (0xF9, 900), (0x80, 127_000), (0xFA, 127_000)],
)
def test_separation_times(code: int, microseconds: int) -> None:
    """The coding of STmin (ISO 15765-2, text seen; reserved codes count as the longest)."""
    assert separation_us(code) == microseconds


def test_flow_control_is_honoured(short_pull: Truth) -> None:
    """Nothing follows the first frame before flow control; then a block, apart as asked, and the next block."""
    tester = Client(short_pull)
    tester.say("t7E08070104050B0C0D0E")
    (first,) = tester.hear(100)
    assert first[:8] == "t7E88100"
    length = int(first[6:9], 16)
    assert length == 1 + 5 * 2 + 3
    tester.say("t7E083101000000000000")
    assert tester.hear(50) == [], "told to wait"
    tester.say("t7E083001140000000000")
    (second,) = tester.hear(100)
    assert second[5:7] == "21"
    tester.say("t7E083000140000000000")
    assert [frame[5:7] for frame in tester.hear(100)] == ["22"]
    tester.say("t7E08070104050B0C0D0E")
    tester.hear(100)
    tester.say("t7E083000140000000000")
    assert [len(tester.hear(ms)) for ms in (1, 19, 1, 50)] == [1, 0, 1, 0], "20 ms apart"
    tester.say("t7E08070104050B0C0D0E")
    tester.hear(1_100)
    tester.say("t7E083000000000000000")
    assert tester.hear(50) == [], "flow control came too late"


def test_pending_silence_and_refusal(short_pull: Truth) -> None:
    """A unit may say "pending" first, hear nothing for a time, and refuse several PIDs when asked by itself."""
    tester = Client(short_pull, pending_ms=200.0, silent=(6.0, 7.0), singly=True)
    tester.say("t7DF802010D0000000000")
    assert [frame[5:11] for frame in tester.hear(100)] == ["037F01"]
    assert [frame[5:11] for frame in tester.hear(150)] == ["03410D"]
    tester.say("t7E0803010D0C00000000")
    assert [frame[5:13] for frame in tester.hear(20)] == ["037F0112"]
    tester.say("t7DF803010D0C00000000")
    assert tester.hear(300) == []
    tester.now = 6_500 * MS
    tester.say("t7DF802010D0000000000")
    assert tester.hear(400) == []


def test_the_wide_manifold_scale(short_pull: Truth) -> None:
    """With a greatest value of 400 kPa the byte stands for less than with 255, and 4F tells so."""
    tester = Client(short_pull, wide_manifold=True)
    tester.say("t7DF802014F0000000000")
    assert tester.hear(20)[0][7:19] == "414F00000028"
    tester.say("t7DF802010B0000000000")
    raw = int(tester.hear(20)[0][11:13] or "0", 16)
    true = float(short_pull.values["manifold_pressure"][5_030])
    assert raw * 400 / 255 == pytest.approx(true, abs=4)


@pytest.mark.parametrize("block_size", [0, 1, 3])
def test_can_isotp_as_the_tester(short_pull: Truth, block_size: int) -> None:
    """can-isotp 2.0.7 asks for six PIDs and takes the long answer, whatever block size it asks for."""
    unit = units_of(short_pull, asked_as())[0]
    coming: list[bytes] = []
    going: list[bytes] = []
    errors: list[Exception] = []
    layer: Any = isotp.TransportLayerLogic(
        lambda _: isotp.CanMessage(arbitration_id=0x7E8, data=coming.pop(0)) if coming else None,
        lambda message: going.append(bytes(message.data)),
        isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E8, txid=0x7E0),
        errors.append,
        {"blocksize": block_size, "stmin": 1, "tx_padding": 0},
    )
    layer.send(bytes.fromhex("010405700C340D"))
    got = None
    for now in range(5 * S, 5 * S + 200 * MS, MS):
        layer.process()
        for data in going:
            unit.hear(0x7E0, data, now)
        going.clear()
        coming += unit.due(now)
        got = got or layer.recv()
    assert got is not None
    assert got[:2] == bytes.fromhex("4104")
    assert len(got) == 1 + 2 + 2 + 11 + 3 + 5 + 2
    assert errors == []


def test_a_unit_hears_its_own_identifiers_only(short_pull: Truth) -> None:
    """Frames of others, broken requests and other services are no requests to it."""
    del short_pull
    unit = Unit(0x7E8, 0x7E0, 0x7DF, {0x0C: lambda _: b"\1\2"})
    for can_id, data in ((0x7E1, "02010C"), (0x123, "02010C"), (0x7DF, ""), (0x7DF, "00"), (0x7DF, "07010C")):
        unit.hear(can_id, bytes.fromhex(data), 0)
    assert unit.due(S) == []
    unit.hear(0x7E0, bytes.fromhex("0209020000000000"), S)
    assert [frame[:4].hex() for frame in unit.due(2 * S)] == ["037f0912"]
    assert unit.next_due() > 1 << 60


def test_as_a_program() -> None:
    """It says where it listens, and refuses a delay that makes no sense."""
    arguments = ("--scenario", "short-pull", "--listen", "127.0.0.1:0", "--linger", "0")
    with program("diagnostics_responder", *arguments, "--units", "2") as (_, words):
        assert words[:2] == ["listening", "127.0.0.1"]
    with program("diagnostics_responder", *arguments, "--delay-ms", "-1") as (started, words):
        assert words == []
        assert started.stderr is not None
        assert "expected 0 to 10000" in started.stderr.read()
