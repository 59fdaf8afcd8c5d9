"""The car's frames against an independent DBC library and published slcan lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cantools
import numpy as np
import pytest

from pullwatch_sim.can_frames import (
    CHANNELS,
    DBC,
    FILLER,
    Message,
    Signal,
    frames_of,
    pack,
    read_dbc,
    record_bus,
    slcan_lines,
)
from pullwatch_sim.sensors import NOISE, Readings

if TYPE_CHECKING:
    from pullwatch_sim.truth import Truth

CHANNELS_ASKED_FOR = {
    "engine_speed", "manifold_pressure", "barometric_pressure", "throttle", "pedal", "wastegate_duty",
    "ignition_advance", "knock_retard", "injector_pulse_width", "fuel_pressure", "fuel_differential_pressure",
    "oil_pressure", "oil_temperature", "coolant_temperature", "intake_air_temperature", "exhaust_gas_temperature",
    "battery_voltage", "vehicle_speed", "gear", "lambda_target", "cut_active", "boost_target",
}  # fmt: skip


@pytest.fixture(scope="module")
def database() -> Any:
    """Read the DBC with the independent library."""
    return cantools.database.load_file(DBC)


def test_our_reader_agrees_with_the_library(database: Any) -> None:
    """Every message and signal is read as cantools reads it."""
    ours = {message.name: message for message in read_dbc()}
    assert set(ours) == {message.name for message in database.messages}
    for theirs in database.messages:
        mine = ours[theirs.name]
        assert (mine.identifier, mine.extended, mine.length) == (
            theirs.frame_id,
            theirs.is_extended_frame,
            theirs.length,
        )
        assert mine.period_ms == theirs.cycle_time
        fields = {(s.name, s.start, s.size, s.intel, s.signed, s.scale, s.offset) for s in mine.signals}
        assert fields == {
            (s.name, s.start, s.length, s.byte_order == "little_endian", s.is_signed, s.scale, s.offset)
            for s in theirs.signals
        }


def test_every_channel_is_on_the_bus_with_both_byte_orders(database: Any) -> None:
    """All the quantities a watcher needs are carried, in Intel and Motorola fields, 11-bit and 29-bit frames."""
    assert set(CHANNELS) == CHANNELS_ASKED_FOR
    for signal in CHANNELS.values():
        message, name = signal.split(".")
        database.get_message_by_name(message).get_signal_by_name(name)
    orders = {signal.byte_order for message in database.messages for signal in message.signals}
    assert orders == {"little_endian", "big_endian"}
    assert {message.is_extended_frame for message in database.messages} == {True, False}


def test_frames_decode_to_the_readings(short_pull: Truth, database: Any) -> None:
    """What cantools decodes is what the sensors said, to half a step of each signal."""
    readings = Readings(short_pull)
    seen = set()
    for message in read_dbc():
        times, data = frames_of(short_pull, message, 1_000_000)
        decoded = [database.decode_message(message.identifier, bytes(row), decode_choices=False) for row in data]
        for channel, name in CHANNELS.items():
            if not name.startswith(f"{message.name}."):
                continue
            field = name.split(".")[1]
            scale = next(signal.scale for signal in message.signals if signal.name == field)
            values = np.array([row[field] for row in decoded], dtype=float)
            said = readings.sample(channel, times / 1e9)
            low = database.get_message_by_name(message.name).get_signal_by_name(field).minimum
            assert np.abs(values - np.maximum(said, low)).max() <= 0.5001 * scale, channel
            true = short_pull.values[channel][np.clip(times // 1_000_000, 0, None)]
            if channel not in ("throttle", "pedal"):
                assert np.abs(values - true).max() <= scale + 6.0 * NOISE.get(channel, 0.0) + 4.0, channel
            seen.add(channel)
    assert seen == CHANNELS_ASKED_FOR


@pytest.mark.parametrize("intel", [True, False])
@pytest.mark.parametrize("signed", [True, False])
def test_packing_of_every_place(database: Any, *, intel: bool, signed: bool) -> None:
    """Fields of any size at any place come out of cantools as they went in, their ends held."""
    del database
    for size in (1, 5, 8, 12, 16, 23):
        for start in range(64):
            # In Motorola order a field runs downwards in its byte, then on from bit 7 of the next.
            from_top = 8 * (start // 8) + 7 - start % 8
            if (start if intel else from_top) + size > 64 or (signed and size == 1):
                continue
            low = -(2 ** (size - 1)) if signed else 0
            raws = [low, low + 1, 0, low + 2**size - 1]
            message = Message(
                "M",
                1,
                extended=False,
                length=8,
                period_ms=0,
                signals=(Signal("a", start, size, intel, signed, 1.0, 0.0),),
            )
            data = pack(message, {"a": np.array([*raws, low - 9.0, low + 2.0**size + 9.0])}, 6)
            theirs = cantools.database.can.Signal(
                "a", start, size, byte_order="little_endian" if intel else "big_endian", is_signed=signed
            )
            frame = cantools.database.can.Message(1, "M", 8, [theirs])
            decoded: list[Any] = [frame.decode(bytes(row)) for row in data]
            got = [row["a"] for row in decoded]
            assert got == [*raws, low, low + 2**size - 1]


@pytest.mark.parametrize(
    ("identifier", "extended", "data", "line"),
    [
        (0x100, False, "1122334455667788", b"t10081122334455667788\r"),
        (0x18FEF600, True, "ff50", b"T18FEF6002FF50\r"),
    ],
)
def test_slcan_lines(identifier: int, data: str, line: bytes, *, extended: bool) -> None:
    """Lines are those of the Lawicel CAN232/CANUSB ASCII protocol (text seen; python-can 4.6.1 writes the same)."""
    frame = np.frombuffer(bytes.fromhex(data), dtype=np.uint8)[None, :]
    assert slcan_lines(identifier, frame, extended=extended).tobytes() == line


@pytest.mark.parametrize("rate", [310, 800, 8_000])
def test_bus_load(short_pull: Truth, rate: int) -> None:
    """The bus carries as many frames a second as asked for, evenly, the car's own among them at their periods."""
    tape = record_bus(short_pull, rate)
    assert len(tape) / short_pull.duration_s == pytest.approx(rate, rel=0.02)
    per_tenth = np.bincount(np.array(tape.times) // 100_000_000)[:-1]
    assert per_tenth.min() > 0.8 * rate / 10
    assert per_tenth.max() < 1.2 * rate / 10
    lines = [tape.slice(i, i + 1) for i in range(len(tape))]
    assert sum(line.startswith(b"t2A1") for line in lines) / short_pull.duration_s == pytest.approx(100, abs=1)
    assert all(line.endswith(b"\r") and line.count(b"\r") == 1 for line in lines)
    assert list(tape.times) == sorted(tape.times)


def test_filler_counts_itself(short_pull: Truth) -> None:
    """Frames nobody asks for carry one running number over all of them, so that a lost one can be found."""
    heads = tuple(f"t{identifier:03X}8".encode() for identifier in FILLER)
    tape = record_bus(short_pull, 1_000)
    counts = [int(line[5:13], 16) for i in range(len(tape)) if (line := tape.slice(i, i + 1)).startswith(heads)]
    assert counts == list(range(len(counts)))
    assert len(counts) > 5_000


def test_silent_without_the_key(evening: Any) -> None:
    """With the key off the bus sleeps."""
    truth = evening("clean-evening")
    off = dict(truth.stages)["key off"]
    assert max(record_bus(truth, 310).times) < off * 1e9 + 20e6
