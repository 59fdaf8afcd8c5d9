"""Sessions written at once for figures: 100 channels at 100 Hz with 20 rules, in packets or on a CAN bus.

What stands in them is judged as it is written, as live.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath
from pullwatch.whatif.writing import SessionWriter

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

CHANNELS: Final = 100
RULES: Final = 20
PERIOD: Final = 10 * NS_PER_MS
PER_MESSAGE: Final = 4
SYNC: Final = b"\xa5\x5a"
Wire = Literal["packets", "can"]

DBC: Final = 'VERSION ""\n\nBU_: X\n\n' + "".join(
    f"BO_ {0x100 + i} M{i:02d}: 8 X\n"
    + "".join(f' SG_ S{j} : {16 * j}|16@1+ (0.01,-100) [-100|555] "kPa" X\n' for j in range(PER_MESSAGE))
    + "\n"
    for i in range(CHANNELS // PER_MESSAGE)
)


def names() -> list[str]:
    """Return the channels' names."""
    return [f"c{number:02d}" for number in range(CHANNELS)]


def setup_text(wire: Wire) -> str:
    """Return a setup with gated, delayed and plain rules."""
    lines = ["[car]", 'name = "copper hatch"', "", "[[feed]]", 'name = "ecu"', 'port = "socket://127.0.0.1:47999"']
    if wire == "can":
        signals = (f'{name} = "M{n // PER_MESSAGE:02d}.S{n % PER_MESSAGE}"' for n, name in enumerate(names()))
        lines += ['kind = "can"', 'dbc = "bench.dbc"', "channels = { " + ", ".join(signals) + " }"]
    else:
        lines += ['kind = "serial-packet"', 'sync = "A5 5A"', 'byte_order = "little"', f"length = {2 + 2 * CHANNELS}"]
        lines += ["fields = ["]
        lines += [
            f'    {{ channel = "{name}", at = {2 + 2 * n}, type = "u16", scale = 0.01, offset = -100 }},'
            for n, name in enumerate(names())
        ]
        lines += ["]"]
    for n, name in enumerate(names()):
        lines += ["", f"[channel.{name}]", 'unit = "kPa"', 'kind = "gauge"', "believable = [-100, 600]"]
        lines += ["rate_hz = 100"] + ["delay_ms = [60, 180]"] * (n == 1)
    lines += ["", "[limit.along]", 'limits = "c01"', 'along = "c02"', "at = [20, 50, 80]", "value = [60, 55, 50]"]
    for rule in range(RULES):
        channel = names()[rule]
        lines += ["", "[[rule]]", f'name = "rule {rule:02d}"', "off_delay_ms = 500", 'priority = "caution"']
        lines += (
            [f'trip = "{channel} > along"'] if rule == 1 else [f'trip = "{channel} > {70 + rule} kPa deadband 2 kPa"']
        )
        lines += ['dose = "0.4 s"', "at_least_samples = 2"] if rule == 1 else ["on_delay_ms = 100"]
        if rule % 3 == 1:
            lines += ['while = "c02 > 10 kPa deadband 2 kPa and c03 > c04 - 90 kPa"']
    return "\n".join(lines) + "\n"


def readings(seconds: float, seed: int = 1) -> np.ndarray[tuple[int, int], np.dtype[np.uint16]]:
    """Return raw readings, shape (samples, channels): slow swings with noise that now and then go beyond."""
    count = int(seconds * NS_PER_S / PERIOD)
    rng = np.random.default_rng(seed)
    t = np.arange(count) * (PERIOD / NS_PER_S)
    out = np.empty((count, CHANNELS), np.uint16)
    for channel in range(CHANNELS):
        slow = 40.0 * np.sin(t / (7.0 + channel) + channel) + 38.0 * np.sin(t / 61.0) ** 9 + rng.normal(0, 0.5, count)
        out[:, channel] = np.clip((slow + 100.0) * 100.0, 0, 65_535)
    return out


def wire_bytes(row: np.ndarray[tuple[int], np.dtype[np.uint16]], wire: Wire) -> bytes:
    """Return one moment's readings as they come over the wire."""
    raw = row.astype("<u2").tobytes()
    if wire == "packets":
        return SYNC + raw
    size = 2 * PER_MESSAGE
    return b"".join(
        f"t{0x100 + i:03X}8{raw[size * i : size * i + size].hex().upper()}\r".encode()
        for i in range(CHANNELS // PER_MESSAGE)
    )


def plan_in(folder: Path, wire: Wire) -> Plan:
    """Write the setup into a folder and return its plan."""
    (folder / "bench.dbc").write_text(DBC, encoding="utf-8")
    (folder / f"{wire}.toml").write_text(setup_text(wire), encoding="utf-8")
    return load(folder / f"{wire}.toml")


def write(folder: Path, plan: Plan, wire: Wire, seconds: float) -> Path:
    """Write a session and return its folder."""
    start = {
        "car": plan.car.name,
        "clock": {"zero": 0, "wall": 0, "uncertainty": 0},
        "plan": plan.to_dict(),
        "recording": {"feeds": {"0": "acts", "1": "ecu"}, "pair": {"t": 0, "wall": 0, "uncertainty": 0}},
    }
    path = WatchedPath(plan)
    session = folder / f"session-{wire}"
    raw = readings(seconds)
    together = 100
    with SessionWriter(session, start, {0: "acts", 1: "ecu"}) as writer:
        for first in range(0, len(raw), together):
            if first:
                writer.checkpoint(path.checkpoint())
            records = [
                Record((first + i) * PERIOD, 1, Kind.DATA, wire_bytes(row, wire))
                for i, row in enumerate(raw[first : first + together])
            ]
            now = records[-1].end
            _, changes = path.take(now, records)
            writer.block(now, records, [(change, plan.rules.rules[change.rule].name) for change in changes])
        writer.close("written for figures")
    return session


__all__ = ["CHANNELS", "DBC", "PERIOD", "RULES", "Wire", "math", "plan_in", "readings", "setup_text", "struct", "write"]
