"""The car's CAN frames: layouts read from copper_hatch.dbc, values packed column by column, written as slcan lines.

The reader below knows only what that file contains. Tests hold its packing against an independent DBC library.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch_sim.sensors import Readings, generator
from pullwatch_sim.tape import BUNDLE_NS, Tape, damage, record, record_lines

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from pullwatch_sim.faults import Happening
    from pullwatch_sim.truth import Truth

DBC: Final = Path(__file__).with_name("copper_hatch.dbc")

CHANNELS: Final[Mapping[str, str]] = {
    "engine_speed": "Engine.Speed",
    "manifold_pressure": "Engine.Map",
    "cut_active": "Engine.Cut",
    "throttle": "Engine.Throttle",
    "pedal": "Engine.Pedal",
    "gear": "Engine.Gear",
    "injector_pulse_width": "Fuel.PulseWidth",
    "lambda_target": "Fuel.LambdaTarget",
    "fuel_pressure": "Fuel.Pressure",
    "fuel_differential_pressure": "Fuel.Differential",
    "wastegate_duty": "Boost.Duty",
    "boost_target": "Boost.Target",
    "ignition_advance": "Boost.Advance",
    "knock_retard": "Boost.Retard",
    "vehicle_speed": "Boost.RoadSpeed",
    "oil_pressure": "Oil.Pressure",
    "battery_voltage": "Oil.Battery",
    "oil_temperature": "Warmth.Oil",
    "coolant_temperature": "Warmth.Coolant",
    "intake_air_temperature": "Warmth.Intake",
    "exhaust_gas_temperature": "Warmth.Exhaust",
    "barometric_pressure": "Warmth.Barometric",
}
"""Quantity to the signal that carries it."""
_QUANTITY: Final = {signal: channel for channel, signal in CHANNELS.items()}

FILLER: Final = (0x0D7, 0x1B3, 0x1F9, 0x345, 0x39D, 0x4C6, 0x52B, 0x6E8)
"""Identifiers of frames nobody asks for: four bytes count them all (big end first), the rest is anything."""
USUAL_RATE: Final = 800
"""Frames a second, all together, on an everyday bus."""
FULL_RATE: Final = 8_000
"""Frames a second of a classic CAN bus at 1 Mbit/s that is as good as full."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One field of a frame: `start` and `size` in bits as a DBC counts them, raw = (value - offset) / scale."""

    name: str
    start: int
    size: int
    intel: bool
    signed: bool
    scale: float
    offset: float


@dataclass(frozen=True, slots=True)
class Message:
    """One frame of the car: identifier, length in bytes, period in ms (0: not sent by itself), signals."""

    name: str
    identifier: int
    extended: bool
    length: int
    period_ms: int
    signals: tuple[Signal, ...]


_MESSAGE = re.compile(r"^BO_ (\d+) (\w+): (\d+) ")
_SIGNAL = re.compile(r"^ SG_ (\w+) : (\d+)\|(\d+)@([01])([+-]) \(([^,]+),([^)]+)\)")
_PERIOD = re.compile(r'^BA_ "GenMsgCycleTime" BO_ (\d+) (\d+);')


def read_dbc(path: Path = DBC) -> tuple[Message, ...]:
    """Read messages, plain signals and cycle times of a DBC file. It understands no more than our own file needs."""
    text = path.read_text(encoding="utf-8").splitlines()
    periods = {int(found[1]): int(found[2]) for line in text if (found := _PERIOD.match(line))}
    signals: dict[int, list[Signal]] = {}
    heads: list[tuple[int, str, int]] = []
    for line in text:
        if head := _MESSAGE.match(line):
            heads.append((int(head[1]), head[2], int(head[3])))
            signals[int(head[1])] = []
        elif field := _SIGNAL.match(line):
            name, start, size, order, sign, scale, offset = field.groups()
            signal = Signal(name, int(start), int(size), order == "1", sign == "-", float(scale), float(offset))
            signals[heads[-1][0]].append(signal)
    return tuple(
        Message(name, key & 0x1FFFFFFF, bool(key & 0x80000000), length, periods.get(key, 0), tuple(signals[key]))
        for key, name, length in heads
    )


def pack(message: Message, values: Mapping[str, NDArray[np.float64]], n: int) -> NDArray[np.uint8]:
    """Pack `n` frames: `values` maps a signal's name to its physical values (n,); signals without values are 0.

    Values beyond a signal's range are held at its end. Returns bytes of shape (n, length).
    """
    frame = np.zeros((n, 8), dtype=np.uint8)
    for signal in message.signals:
        if signal.name not in values:
            continue
        raw = np.rint((values[signal.name] - signal.offset) / signal.scale)
        low = -(2 ** (signal.size - 1)) if signal.signed else 0
        bits = np.clip(raw, low, low + 2**signal.size - 1).astype(np.int64).astype(np.uint64) & np.uint64(
            2**signal.size - 1
        )
        if signal.intel:
            # Bit `start` counts from the least bit of byte 0 upwards through the bytes.
            field = (bits << np.uint64(signal.start)).astype("<u8")
        else:
            # The highest bit is bit start % 8 of byte start // 8, the rest follow downwards and into the next byte.
            from_top = 8 * (signal.start // 8) + 7 - signal.start % 8
            field = (bits << np.uint64(64 - from_top - signal.size)).astype(">u8")
        frame |= field.view(np.uint8).reshape(n, 8)
    return frame[:, : message.length].copy()


_HEX = np.frombuffer(b"".join(b"%02X" % byte for byte in range(256)), dtype=np.uint8).reshape(256, 2)


def slcan_lines(identifier: int, data: NDArray[np.uint8], *, extended: bool) -> NDArray[np.uint8]:
    """Write frames (n, length) as slcan lines (n, characters): t iii l dd… CR, or T iiiiiiii l dd… CR."""
    n, length = data.shape
    head = (f"T{identifier:08X}{length}" if extended else f"t{identifier:03X}{length}").encode()
    lines = np.empty((n, len(head) + 2 * length + 1), dtype=np.uint8)
    lines[:, : len(head)] = np.frombuffer(head, dtype=np.uint8)
    lines[:, len(head) : -1] = _HEX[data].reshape(n, 2 * length)
    lines[:, -1] = 0x0D
    return lines


def _awake(truth: Truth, times: NDArray[np.int64], name: str) -> NDArray[np.bool_]:
    """When frames of a message are sent: with the key on, and no fault in the way."""
    key = truth.values["key"]
    sent = key[np.clip(times // 1_000_000, 0, len(key) - 1)] > 0.0
    for happening in truth.happenings:
        lost = happening.kind == "frame_lost" and happening.word("message") == name
        if happening.kind == "bus_silent" or lost:
            sent &= ~during(happening, times)
    return sent


def during(happening: Happening, times: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which of `times` (scenario ns) lie within a fault."""
    inside = (times >= round(happening.begin_s * 1e9)) & (times < round(happening.end_s * 1e9))
    return np.asarray(inside, dtype=np.bool_)


def frames_of(truth: Truth, message: Message, phase_ns: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Every frame of one message in an evening: times (n,) in scenario ns, and bytes (n, length)."""
    period = message.period_ms * 1_000_000
    times = np.arange(phase_ns, round(truth.duration_s * 1e9), period, dtype=np.int64)
    if "frame_jitter" in truth.scenario.confounders:
        times = times + generator(truth.scenario.seed, message.name).integers(-400_000, 400_000, len(times))
    readings = Readings(truth)
    values: dict[str, NDArray[np.float64]] = {}
    for signal in message.signals:
        channel = _QUANTITY.get(f"{message.name}.{signal.name}")
        if channel is not None:
            values[signal.name] = readings.sample(channel, times / 1e9)
        elif signal.name == "Turn":
            values[signal.name] = np.arange(len(times), dtype=np.float64) % 2**signal.size
    data = pack(message, values, len(times))
    sent = _awake(truth, times, message.name)
    return times[sent], data[sent]


def record_bus(truth: Truth, rate: int = USUAL_RATE) -> Tape:
    """Record the whole evening of the bus as slcan lines, `rate` frames a second in all while the key is on."""
    parts = []
    used = 0.0
    for i, message in enumerate(read_dbc()):
        times, data = frames_of(truth, message, 500_000 + i * 1_370_000)
        parts.append((times, slcan_lines(message.identifier, data, extended=message.extended)))
        used += 1_000.0 / message.period_ms
    spare = rate - used
    if spare > 0:
        parts.extend(_filler(truth, spare))
    bundle = BUNDLE_NS if "usb_bundles" in truth.scenario.confounders else 0
    tape = record(parts, bundle)
    garbage = [happening for happening in truth.happenings if happening.kind == "bus_garbage"]
    return _damaged(truth, tape, garbage) if garbage else tape


def _filler(truth: Truth, rate: float) -> list[tuple[NDArray[np.int64], NDArray[np.uint8]]]:
    random = generator(truth.scenario.seed, "filler")
    n = int(truth.duration_s * rate)
    times = (np.arange(n) * (1e9 / rate)).astype(np.int64)
    count = np.arange(n, dtype=">u4").view(np.uint8).reshape(n, 4)
    data = np.concatenate([count, random.integers(0, 256, (n, 4), dtype=np.uint8)], axis=1)
    which = np.arange(n) % len(FILLER)
    parts = []
    for i, identifier in enumerate(FILLER):
        mine = (which == i) & _awake(truth, times, "")
        parts.append((times[mine], slcan_lines(identifier, data[mine], extended=False)))
    return parts


def _damaged(truth: Truth, tape: Tape, garbage: list[Happening]) -> Tape:
    random = generator(truth.scenario.seed, "bus garbage")
    times = np.array(tape.times, dtype=np.int64)
    lines = [tape.slice(i, i + 1) for i in range(len(tape))]
    for happening in garbage:
        hit = during(happening, times) & (random.random(len(times)) < happening.number("share"))
        for i in np.flatnonzero(hit).tolist():
            lines[i] = damage(lines[i], random)
    return record_lines(times, lines)
