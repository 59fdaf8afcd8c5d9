"""Sessions to export and to join: small cars whose every sample is known."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pyarrow.parquet as pq

from pullwatch.batch import Kind, Record
from pullwatch.decoders.frames import Frame, pack
from pullwatch.exchange.can_session import SessionWriter
from pullwatch.setup import load

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from pullwatch.setup import Plan

WALL = 1_750_000_000_123_456_000
DBC = """VERSION ""

NS_ :

BS_:

BU_: ECU

BO_ 256 Engine: 8 ECU
 SG_ Speed : 0|16@1+ (1,0) [0|12000] "rpm" ECU
 SG_ ManifoldPressure : 16|16@1+ (0.1,0) [0|400] "kPa" ECU

BO_ 2566844416 Oil: 3 ECU
 SG_ OilPressure : 0|16@1+ (0.1,0) [0|1200] "kPa" ECU
"""
OIL_ID = 2566844416 & 0x1FFF_FFFF
SETUP = """[car]
name = "copper hatch"

[[feed]]
name = "ecu"
kind = "can"
adapter = "{adapter}"
port = "{port}"
bitrate = 500_000
dbc = "ecu.dbc"

[feed.channels]
engine_speed = "Engine.Speed"
manifold_pressure = "Engine.ManifoldPressure"
oil_pressure = "Oil.OilPressure"

[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{{ channel = "lambda", key = "l" }}]

[channel.lambda]
believable = [0.6, 1.9]
rate_hz = 10

[channel.engine_speed]
rate_hz = 100

[[rule]]
name = "too fast"
trip = "engine_speed > 6500 rpm"
off_delay_ms = 200
priority = "caution"
says = "Too fast."

[[rule]]
name = "lean"
while = "manifold_pressure > 120 kPa"
trip = "lambda > 0.95 lambda"
on_delay_ms = 100
priority = "caution"
says = "Lean."
"""


def setup_file(folder: Path, *, adapter: str = "virtual", port: str = "bench") -> Path:
    """Write a setup with a CAN bus and a wideband, and its DBC file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "ecu.dbc").write_text(DBC, encoding="utf-8")
    path = folder / "setup.toml"
    path.write_text(SETUP.format(adapter=adapter, port=port), encoding="utf-8")
    return path


def engine(speed: float, pressure: float) -> Frame:
    """Return the engine's frame: rpm, kPa."""
    raw = int(speed).to_bytes(2, "little") + round(pressure * 10).to_bytes(2, "little")
    return Frame(0x100, raw + bytes(4))


def oil(pressure: float) -> Frame:
    """Return the frame of the oil: kPa. Its identifier has 29 bits."""
    return Frame(OIL_ID, round(pressure * 10).to_bytes(2, "little") + b"\x00", extended=True)


def slcan(frame: Frame) -> bytes:
    """Return the frame as an slcan adapter writes it."""
    head = f"T{frame.can_id:08X}" if frame.extended else f"t{frame.can_id:03X}"
    return f"{head}{len(frame.data)}{frame.data.hex().upper()}\r".encode()


def evening(seconds: float = 12.0, *, text: bool = False) -> list[Record]:
    """Return the records of one pull: engine 100 Hz, oil 10 Hz, lambda 10 Hz and once each second no number at all.

    `text`: the CAN frames as an slcan adapter's lines, else packed.
    """
    write = slcan if text else pack
    heard: list[tuple[int, int, bytes]] = []
    for k in range(int(seconds * 100)):
        t = k * 10_000_000
        speed = 2000.0 + 5000.0 * math.sin(min(1.0, k / (seconds * 100)) * math.pi)
        heard.append((t, 1, write(engine(speed, 90.0 + speed / 50.0))))
        if not k % 10:
            heard.append((t + 1_000_000, 1, write(oil(250.0 + k / 10))))
            word = "0.97" if k % 100 else "heating"
            heard.append((t + 2_000_000, 2, f"l={word}\n".encode()))
    heard.sort()
    return [Record(t, feed, Kind.DATA, data) for t, feed, data in heard]


def write_session(root: Path, plan: Plan, records: Sequence[Record], *, step: int = 100, wall: int = WALL) -> Path:
    """Write a session of these records, judged in steps of so many."""
    feeds = {feed.number: feed.options.name for feed in plan.feeds}
    with SessionWriter(root, plan, feeds, {}, wall, 0) as writer:
        for begin in range(0, len(records), step):
            some = records[begin : begin + step]
            writer.take(some[-1].end, some)
        writer.finish("the test is over")
    return writer.folder


def session(tmp_path: Path, *, adapter: str = "virtual", seconds: float = 12.0) -> Path:
    """Write the session of an evening."""
    port = "socket://127.0.0.1:47998" if adapter == "slcan" else "bench"
    plan = load(setup_file(tmp_path / "setup", adapter=adapter, port=port))
    return write_session(tmp_path / "sessions", plan, evening(seconds, text=adapter == "slcan"))


LINE_SETUP = """[car]
name = "{car}"

[[feed]]
name = "box"
kind = "serial-line"
port = "socket://127.0.0.1:47998"
fields = [{{ channel = "{channel}", key = "n" }}{more}]

[channel.{channel}]
rate_hz = {rate}
"""


def line_session(
    folder: Path,
    car: str,
    t: NDArray[np.float64],
    v: NDArray[np.float64],
    *,
    rate: int,
    channel: str = "engine_speed",
    lambdas: Sequence[float] | None = None,
) -> Path:
    """Write a session of one channel at times t (s, from 0 up), and lambda beside it if given."""
    folder.mkdir(parents=True, exist_ok=True)
    more = ', { channel = "lambda", key = "l" }' if lambdas is not None else ""
    (folder / f"{car}.toml").write_text(LINE_SETUP.format(car=car, channel=channel, rate=rate, more=more))
    plan = load(folder / f"{car}.toml")
    beside = [f";l={one:.3f}" for one in lambdas] if lambdas is not None else [""] * len(t)
    records = [
        Record(at, 1, Kind.DATA, f"n={value:.1f}{text}\n".encode())
        for at, value, text in zip(np.rint(t * 1e9).astype(int).tolist(), v.tolist(), beside, strict=True)
    ]
    return write_session(folder / "sessions", plan, records, step=500)


def begin_threads(path: Path) -> None:
    """Let polars and pyarrow begin their worker threads, which they never end, before a test counts what it leaves."""
    pl.DataFrame({"a": [1.0]}).write_parquet(path)
    pl.read_parquet(path)
    pq.read_table(path)
    pl.DataFrame({"a": [1.0]}).write_csv(path)
    pl.read_csv(path)
