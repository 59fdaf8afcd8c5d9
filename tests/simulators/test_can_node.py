"""The slcan adapter, command by command, and with python-can as an independent client."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import can
import cantools
import numpy as np
import pytest
from can.interfaces.slcan import slcanBus

from pullwatch_sim.can_frames import DBC, record_bus
from pullwatch_sim.can_node import BITRATES, SlcanAdapter
from pullwatch_sim.play import serve
from pullwatch_sim.ports import TcpPort

from .fakes import SteppedClock

if TYPE_CHECKING:
    from pullwatch_sim.truth import Truth

S = 1_000_000_000


@pytest.fixture
def adapter(short_pull: Truth) -> SlcanAdapter:
    """Give an adapter on the bus of the short pull, as a new client finds it."""
    adapter = SlcanAdapter(record_bus(short_pull, 800), round(short_pull.duration_s * 1e9))
    adapter.met(0)
    return adapter


def test_silent_until_opened(adapter: SlcanAdapter) -> None:
    """Nothing is passed on before O or L, and nothing after C."""
    assert adapter.due(S) == (b"", 0)
    assert adapter.answer(b"S6\rL\r", S) == b"\r\r"
    data, lines = adapter.due(2 * S)
    assert lines == data.count(b"\r") == pytest.approx(800, abs=5)
    assert adapter.answer(b"C\r", 2 * S) == b"\r"
    assert adapter.due(3 * S) == (b"", 0)


def test_opening_begins_at_the_present(adapter: SlcanAdapter) -> None:
    """What passed by while the adapter was closed is not delivered late."""
    adapter.answer(b"S6\rO\r", 5 * S)
    assert adapter.due(5 * S) == (b"", 0)
    assert adapter.due(5 * S + 10_000_000)[1] == pytest.approx(8, abs=3)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (b"V\r", b"V1013\r"),
        (b"N\r", b"NCH42\r"),
        (b"\r\r\r", b"\r\r\r"),
        (b"C\r", b"\a"),
        (b"O\r", b"\a"),
        (b"L\r", b"\a"),
        (b"S9\r", b"\a"),
        (b"S6\rS8\r", b"\r\r"),
        (b"S6\rO\rO\r", b"\r\r\a"),
        (b"S6\rO\rS6\r", b"\r\r\a"),
        (b"s031C\rO\r", b"\r\r"),
        (b"s31C\r", b"\a"),
        (b"Z1\rZ2\r", b"\r\a"),
        (b"F\r", b"\a"),
        (b"S6\rO\rF\r", b"\r\rF00\r"),
        (b"q\r", b"\a"),
        (b"Vx\r", b"\a"),
        (b"x" * 200 + b"\rV\r", b"\a\a\a" + b"\a" + b"V1013\r"),
        (b"t10081122334455667788\r", b"\a"),
        (b"S6\rL\rt10021122\r", b"\r\r\a"),
    ],
)
def test_commands(adapter: SlcanAdapter, typed: bytes, said: bytes) -> None:
    """Each command is answered with CR, with its value, or with BEL (Lawicel CAN232 manual; text seen in part)."""
    assert adapter.answer(typed, 0) == said


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"t10081122334455667788\r", b"z\r"),
        (b"T18FEF6002FF50\r", b"Z\r"),
        (b"r7DF4\r", b"z\r"),
        (b"R18FEF6000\r", b"Z\r"),
        (b"t1002112\r", b"\a"),
        (b"t8002FF50\r", b"\a"),
        (b"t1009112233445566778899\r", b"\a"),
        (b"tXYZ0\r", b"\a"),
    ],
)
def test_sending(adapter: SlcanAdapter, line: bytes, said: bytes) -> None:
    """A frame in the protocol's form is taken when the adapter is open to send, anything else refused.

    The first three lines are published ones (Lawicel CAN232/CANUSB ASCII protocol; text seen).
    """
    adapter.answer(b"S6\rO\r", 0)
    assert adapter.answer(line, 0) == said
    assert adapter.sent_by_client == ([line[:-1]] if said != b"\a" else [])


def test_commands_in_pieces(adapter: SlcanAdapter) -> None:
    """A command may come byte by byte."""
    assert [adapter.answer(bytes([byte]), 0) for byte in b"S6\rL\r"] == [b"", b"", b"\r", b"", b"\r"]
    assert adapter.is_open


def test_bit_rates() -> None:
    """S0 to S8 are 10, 20, 50, 100, 125, 250, 500, 800, 1,000 kbit/s (Lawicel manual; text seen)."""
    assert [rate // 1_000 for rate in BITRATES] == [10, 20, 50, 100, 125, 250, 500, 800, 1_000]


def test_wrong_bit_rate_hears_nothing(short_pull: Truth) -> None:
    """On a bus of a known rate only that rate hears anything."""
    tape = record_bus(short_pull, 800)
    for rate, heard in ((b"S5", False), (b"S6", True)):
        adapter = SlcanAdapter(tape, round(short_pull.duration_s * 1e9), bitrate=500_000)
        adapter.met(0)
        adapter.answer(rate + b"\rL\r", 0)
        assert bool(adapter.due(S)[1]) is heard


def test_time_stamps(adapter: SlcanAdapter) -> None:
    """With Z1 each line carries four more digits: milliseconds, below one minute."""
    adapter.answer(b"Z1\rS6\rL\r", 0)
    lines = adapter.due(3 * S)[0].split(b"\r")[:-1]
    plain = SlcanAdapter(adapter._cursor.tape, adapter.end)
    plain.met(0)
    plain.answer(b"S6\rL\r", 0)
    bare = plain.due(3 * S)[0].split(b"\r")[:-1]
    assert [line[:-4] for line in lines] == bare
    assert {int(line[-4:], 16) for line in lines} == {3_000}


def test_a_slow_client_is_told_once(adapter: SlcanAdapter) -> None:
    """Frames that found no room are counted, and the status flag says so until it has been read."""
    adapter.answer(b"S6\rO\r", 0)
    adapter.lost(7)
    assert adapter.lines_lost == 7
    assert adapter.answer(b"F\rF\r", 0) == b"F01\rF00\r"


def test_a_new_client_finds_it_closed(adapter: SlcanAdapter) -> None:
    """After a reconnection the adapter is closed, forgets half a command, and goes on at the present time."""
    adapter.answer(b"S6\rO\rS", 0)
    adapter.met(4 * S)
    assert not adapter.is_open
    assert adapter.answer(b"6\r", 4 * S) == b"\a"
    assert adapter.answer(b"S6\rL\r", 4 * S) == b"\r\r"
    assert adapter.due(4 * S + 100_000_000)[1] == pytest.approx(80, abs=4)


def test_python_can_over_a_socket(short_pull: Truth) -> None:
    """python-can's slcan opens the adapter, receives the car's frames, and they decode to the truth."""
    port = TcpPort("127.0.0.1", 0)
    adapter = SlcanAdapter(record_bus(short_pull, 800), round(short_pull.duration_s * 1e9))
    host, number = port.where.split()
    bus = slcanBus(f"socket://{host}:{number}", bitrate=500_000, sleep_after_open=0, listen_only=True)
    try:
        clock = SteppedClock(start=8 * S)
        serve(port, adapter, clock, 8 * S + 400_000_000)
        assert adapter.is_open
        database: Any = cantools.database.load_file(DBC)
        counted = 0
        while counted < 300:
            message = bus.recv(timeout=2.0)
            assert message is not None, counted
            counted += 1
            if message.arbitration_id != 0x2A1:
                continue
            row = database.decode_message(message.arbitration_id, message.data)
            rpm = short_pull.values["engine_speed"][8_000:8_400]
            assert rpm.min() - 20 < row["Speed"] < rpm.max() + 20
            assert float(row["Map"]) == pytest.approx(
                float(np.mean(short_pull.values["manifold_pressure"][8_000:8_400])), abs=3
            )
            assert str(row["Cut"]) == "none"
    finally:
        bus.shutdown()
        port.unplug()


def test_python_can_asks_version_and_sends(short_pull: Truth) -> None:
    """python-can reads version and serial number, and puts a frame on the bus."""
    port = TcpPort("127.0.0.1", 0)
    adapter = SlcanAdapter(record_bus(short_pull, 310), round(short_pull.duration_s * 1e9))
    host, number = port.where.split()
    bus = slcanBus(f"socket://{host}:{number}", bitrate=500_000, sleep_after_open=0)
    try:
        bus.send(can.Message(arbitration_id=0x7DF, data=b"\x02\x01\x0c", is_extended_id=False))
        bus._write("V")
        bus._write("N")
        serve(port, adapter, SteppedClock(), 20_000_000)
        assert adapter.sent_by_client == [b"t7DF302010C"]
        assert bus.get_version(2.0) == (10, 13)
        assert bus.get_serial_number(2.0) == "CH42"
    finally:
        bus.shutdown()
        port.unplug()
