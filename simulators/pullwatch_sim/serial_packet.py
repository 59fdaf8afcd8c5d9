"""A program: a box that gathers what the engine's sensors say and writes binary packets, in a protocol of its own.

A packet every 10 ms, each tenth longer; big end first; without ignition it is silent:

    0   C3 3C   sync                                10  u8   bits 0-3 lambda state, bit 4 a cut is active
    2   u8      bytes that follow, checksum too     11  u8   throttle, 0.5 %
    3   u8      running number                      12  i16  oil pressure, gauge, 0.1 kPa
    4   u16     engine speed, 0.25 rpm              14  u8   coolant temperature + 40 °C
    6   u16     manifold pressure, abs., 0.02 kPa   15  u16  battery voltage, mV
    8   u16     lambda, 0.0001; FFFF there is       17  u16  barometric pressure, 0.02 kPa
                none, FFFE the sensor is at fault   19  f32  exhaust gas temperature, °C (each tenth packet)
    last two    CRC-16 (polynomial 1021, begun with FFFF) over all from byte 2 on

The lambda states are 1 heating, 2 ready, 3 error. It stands in the place of the car's bus, and has its faults:
`bus_silent`, `bus_garbage` and `can_unplugged`.

    python -m pullwatch_sim.serial_packet --scenario dyno-evening --listen 127.0.0.1:0
"""

from __future__ import annotations

import argparse
import binascii
import struct
import sys
from typing import TYPE_CHECKING

import numpy as np

from pullwatch_sim.can_frames import during
from pullwatch_sim.play import arguments_of, away_spans, play
from pullwatch_sim.sensors import ERROR, HEATING, OFF, READY, Readings, generator
from pullwatch_sim.serial_lambda import LambdaController
from pullwatch_sim.tape import BUNDLE_NS, Tape, damage, record_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch_sim.play import Device
    from pullwatch_sim.truth import Truth

PERIOD_NS = 10_000_000
SYNC = b"\xc3\x3c"
LONG_EVERY = 10
NO_LAMBDA, LAMBDA_AT_FAULT = 0xFFFF, 0xFFFE
CUT = 0x10


def packet(body: bytes) -> bytes:
    """Put sync, length and checksum around a body (the running number and what follows)."""
    counted = bytes([len(body) + 2]) + body
    return SYNC + counted + binascii.crc_hqx(counted, 0xFFFF).to_bytes(2, "big")


def record_packets(truth: Truth) -> Tape:
    """Write the whole evening of the box's packets."""
    seed, confounders = truth.scenario.seed, truth.scenario.confounders
    times = np.arange(1_700_000, round(truth.duration_s * 1e9), PERIOD_NS, dtype=np.int64)
    random = generator(seed, "packets")
    if "frame_jitter" in confounders:
        times = times + random.integers(-400_000, 400_000, len(times))
    readings = Readings(truth)

    def whole(channel: str, step: float, least: int, most: int, offset: float = 0.0) -> list[int]:
        values = (readings.sample(channel, times / 1e9) + offset) / step
        return [int(value) for value in np.clip(np.round(values), least, most)]

    states = truth.values["lambda_state"][times // 1_000_000].astype(np.int64)
    cut = np.where(truth.values["cut_active"][times // 1_000_000] > 0.0, CUT, 0)
    columns = (
        whole("engine_speed", 0.25, 0, 0xFFFF),
        whole("manifold_pressure", 0.02, 0, 0xFFFF),
        _lambda(whole("lambda", 0.0001, 0, 0xFFFD), states, times, looks_like="heating_value" in confounders),
        (states | cut).tolist(),
        whole("throttle", 0.5, 0, 0xFF),
        whole("oil_pressure", 0.1, -0x8000, 0x7FFF),
        whole("coolant_temperature", 1.0, 0, 0xFF, 40.0),
        whole("battery_voltage", 0.001, 0, 0xFFFF),
        whole("barometric_pressure", 0.02, 0, 0xFFFF),
    )
    exhaust = readings.sample("exhaust_gas_temperature", times / 1e9).tolist()
    speaks = states != OFF
    garbled = np.zeros(len(times), dtype=np.bool_)
    for happening in truth.happenings:
        inside = during(happening, times)
        if happening.kind == "bus_silent":
            speaks &= ~inside
        elif happening.kind == "bus_garbage":
            garbled |= inside & (random.random(len(times)) < happening.number("share"))
    packets = []
    for i in np.flatnonzero(speaks).tolist():
        body = struct.pack(">BHHHBBhBHH", i & 0xFF, *(column[i] for column in columns))
        made = packet(body + struct.pack(">f", exhaust[i]) if i % LONG_EVERY == 0 else body)
        packets.append(damage(made, random) if garbled[i] else made)
    return record_lines(times[speaks], packets, BUNDLE_NS if "usb_bundles" in confounders else 0)


def _lambda(raw: list[int], states: NDArray[np.int64], times: NDArray[np.int64], *, looks_like: bool) -> list[int]:
    """Return what stands for lambda: while it heats that is nothing, or a number that looks like a mixture."""
    heating = np.round(8_600 + 200 * np.sin(times / 3e8)) if looks_like else np.full(len(times), NO_LAMBDA)
    sent = np.select(
        [states == READY, states == HEATING, states == ERROR], [np.array(raw), heating, LAMBDA_AT_FAULT], NO_LAMBDA
    )
    return [int(value) for value in sent]


class EngineBox(LambdaController):
    """Talks, and does not listen, as the lambda controller does; one line to it is one packet."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Play a scenario's engine as binary packets."""
    parser = arguments_of(argparse.ArgumentParser(prog="pullwatch_sim.serial_packet", description=main.__doc__))
    chosen = parser.parse_args(arguments)

    def build(truth: Truth) -> tuple[Device, int]:
        duration = round(truth.duration_s * 1e9)
        away = away_spans(truth, "can_unplugged")
        box = EngineBox(record_packets(truth), duration, repeats=chosen.repeat, away=away)
        return box, box.end

    return play(parser, chosen, build)


if __name__ == "__main__":
    sys.exit(main())
