"""Small sessions of an invented car, judged as they are written, and the setups they are judged by."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording.layout import HEADER, MAGIC
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath
from pullwatch.whatif.writing import SessionWriter

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from pullwatch.setup import Plan

WALL = 1_750_000_000 * NS_PER_S
"""2025-06-15 15:06:40 UTC."""
PERIOD = 20 * NS_PER_MS

SETUP = """
[car]
name = "copper hatch"
fuel = "E10"
cylinders = 4
displacement_cc = 1998

[[feed]]
name = "ecu"
kind = "serial-line"
port = "socket://127.0.0.1:47998"
fields = [
    { channel = "engine_speed", key = "n" },
    { channel = "manifold_pressure", key = "p" },
    { channel = "coolant_temperature", key = "t" },
]

[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "lambda", key = "l" }]

[channel.lambda]
believable = [0.6, 1.9]
rate_hz = 50
delay_ms = [40, 100]
time_constant_ms = 20

[limit.leanest]
limits = "lambda"
along = "manifold_pressure"
at = [120, 160, 200]
value = [0.92, 0.90, 0.88]

[limit.hottest]
limits = "coolant_temperature"
value = 105

[[rule]]
name = "lean under boost"
while = "manifold_pressure > 120 kPa deadband 5 kPa and engine_speed > 2500 rpm"
trip = "lambda > leanest deadband 0.01 lambda"
dose = "0.004 s"
at_least_samples = 2
off_delay_ms = 300
priority = "caution"

[[rule]]
name = "coolant hot"
trip = "coolant_temperature > hottest"
on_delay_ms = 200
off_delay_ms = 100
priority = "caution"
latch = true

[[rule]]
name = "over 6.2 thousand"
trip = "engine_speed > 6200 rpm deadband 100 rpm"
off_delay_ms = 100
priority = "note"
"""


def plan_in(folder: Path, text: str = SETUP, name: str = "setup.toml") -> Plan:
    """Write a setup into a folder and return its plan."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")
    return load(folder / name)


def act(t: int, **said: Any) -> Record:
    """Return an act."""
    return Record(t, ACTS_FEED, Kind.ACT, json.dumps(said).encode())


def pulls(
    seconds: float, *, hot: float = 90.0, lean: float = 0.0, silent: tuple[float, float] = (0, 0)
) -> list[Record]:
    """Return what a car sends that pulls for 3 s every 6 s: lambda too lean at the end of every pull by `lean`.

    The coolant warms by 5 °C at the peak of each pull above `hot`. Nothing comes within `silent` (s).
    """
    out = []
    for place in range(int(seconds * NS_PER_S / PERIOD)):
        t = place * PERIOD
        at = t / NS_PER_S
        if silent[0] <= at < silent[1]:
            continue
        in_pull = at % 6.0 < 3.0
        load = (at % 6.0) / 3.0 if in_pull else 0.0
        speed = 2400 + 4000 * load
        pressure = 100 + 105 * math.sin(math.pi * min(1.0, load))
        mixture = 0.86 + (lean * load if in_pull else 0.1) + 0.004 * math.sin(at * 37)
        heat = hot + 5 * load + 0.3 * math.sin(at * 11)
        out.append(Record(t, 1, Kind.DATA, f"n={speed:.0f};p={pressure:.1f};t={heat:.1f}\n".encode()))
        out.append(Record(t + NS_PER_MS, 2, Kind.DATA, f"l={mixture:.3f}\n".encode()))
    return out


def write(
    folder: Path, plan: Plan, records: Iterable[Record], *, end: int | None = None, step_ns: int = 100 * NS_PER_MS
) -> Path:
    """Write a session of steps of `step_ns`, a checkpoint each second, and return its folder."""
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    start = {
        "car": plan.car.name,
        "profile": plan.profile,
        "clock": {"zero": 0, "wall": WALL, "uncertainty": 1},
        "plan": plan.to_dict(),
        "recording": {
            "feeds": {str(number): name for number, name in names.items()},
            "rules": [rule.name for rule in plan.rules.rules],
            "pair": {"t": 0, "wall": WALL, "uncertainty": 1},
        },
    }
    path = WatchedPath(plan)
    waiting = sorted(records)
    last = max(end or 0, waiting[-1].end if waiting else 0)
    checkpoint = 0
    with SessionWriter(folder, start, names) as writer:
        for border in range(step_ns - 1, last + step_ns, step_ns):
            mine: list[Record] = []
            while waiting and waiting[0].end <= border:
                mine.append(waiting.pop(0))
            if border - checkpoint >= NS_PER_S:
                writer.checkpoint(path.checkpoint())
                checkpoint = border
            _, changes = path.take(border, mine)
            rules = path.plan.rules.rules
            writer.block(border, mine, [(change, rules[change.rule].name) for change in changes])
        writer.close("the test is over")
    return folder


def damage(folder: Path, share: float) -> None:
    """Flip one bit in the payload of a frame that begins at about that share of a session's first part."""
    part = folder / "0001.mcap"
    data = bytearray(part.read_bytes())
    place = data.index(MAGIC, int(len(data) * share))
    data[place + HEADER.size + 2] ^= 1
    part.write_bytes(data)


def lines_with(text: str, words: Sequence[str]) -> list[str]:
    """Return the lines that hold all of the words."""
    return [line for line in text.splitlines() if all(word in line for word in words)]
