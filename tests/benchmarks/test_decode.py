"""How long decoding takes, beside cantools' loop in the same run. `pytest --benchmark-enable -s` prints the figures.

The bus: ten messages of three signals each (Intel and Motorola, 10 to 16 bits, one signed), every one of them wanted.
Ours begins at the adapter's bytes and ends at columns; cantools is handed frames that are cut already.
"""

from __future__ import annotations

import time
from random import Random
from typing import TYPE_CHECKING, Any

import cantools
import pytest

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension
from pullwatch.decoders.dbc import CanDecoder
from pullwatch.decoders.frames import Frame, pack
from pullwatch.feeds.dbc_file import read_table

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pytest_benchmark.fixture import BenchmarkFixture

    from pullwatch.columns import Sample
    from pullwatch.decoders.dbc import DbcTable

MESSAGES = 10
FRAMES_A_READ = 16
"""What a read of a full bus holds when the path looks every 2 ms."""
CHANNELS = {f"c{n}": Channel(n, f"c{n}", "", Dimension.NUMBER) for n in range(3 * MESSAGES)}
DBC = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: ECU\n\n' + "".join(
    f"BO_ {256 + n} M{n}: 8 ECU\n"
    ' SG_ A : 0|16@1+ (0.25,0) [0|0] "" ECU\n'
    ' SG_ B : 23|16@0- (0.1,-40) [0|0] "" ECU\n'
    ' SG_ C : 37|10@0+ (0.001,0.5) [0|0] "" ECU\n\n'
    for n in range(MESSAGES)
)


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> DbcTable:
    path: Path = tmp_path_factory.mktemp("dbc") / "full.dbc"
    path.write_text(DBC)
    return read_table(path, {f"c{3 * n + k}": f"M{n}.{'ABC'[k]}" for n in range(MESSAGES) for k in range(3)}, CHANNELS)


def frames(count: int) -> list[Frame]:
    random = Random(20)
    return [Frame(256 + random.randrange(MESSAGES), random.randbytes(8)) for _ in range(count)]


def line(frame: Frame) -> bytes:
    return f"t{frame.can_id:03X}8{frame.data.hex().upper()}\r".encode()


def records(bus: list[Frame], write: Callable[[Frame], bytes]) -> list[Record]:
    return [
        Record(2_000_000 * number, 1, Kind.DATA, b"".join(write(frame) for frame in bus[begin : begin + FRAMES_A_READ]))
        for number, begin in enumerate(range(0, len(bus), FRAMES_A_READ))
    ]


def by_cantools(library: Any, bus: list[Frame]) -> int:
    decode = library.decode_message
    values = 0
    for frame in bus:
        values += len(decode(frame.can_id, frame.data, decode_choices=False))
    return values


def few(decoder: CanDecoder, of: list[Record]) -> int:
    out: list[Sample] = []
    for record in of:
        decoder.few(record.t, record.data, out)
    return len(out)


def many(decoder: CanDecoder, of: list[Record]) -> int:
    return sum(len(column) for column in decoder.many(of).values())


@pytest.mark.parametrize("count", [5, 16])
def test_few_frames(benchmark: BenchmarkFixture, table: DbcTable, count: int) -> None:
    """One read of a live bus, frame by frame."""
    of = records(frames(count), line)
    assert benchmark(few, CanDecoder(table, CHANNELS), of) == 3 * count


@pytest.mark.parametrize("count", [8_000, 80_000])
def test_many_frames(benchmark: BenchmarkFixture, table: DbcTable, count: int) -> None:
    """One second, and ten, of a full bus at once."""
    of = records(frames(count), line)
    assert benchmark(many, CanDecoder(table, CHANNELS), of) == 3 * count


def test_many_packed_frames(benchmark: BenchmarkFixture, table: DbcTable) -> None:
    """Ten seconds of a full bus from an adapter that gives frames."""
    of = records(frames(80_000), pack)
    assert benchmark(many, CanDecoder(table, CHANNELS, "frames"), of) == 240_000


def best(runs: int, work: Callable[[], int]) -> float:
    """Seconds of processor time of the quickest of some runs: what the machine's other work disturbs least."""
    seconds = []
    for _ in range(runs):
        begin = time.thread_time()
        work()
        seconds.append(time.thread_time() - begin)
    return min(seconds)


def test_beside_cantools(table: DbcTable, request: pytest.FixtureRequest) -> None:
    """In one run, a full bus decodes in bulk, from bytes to columns, ten times as fast as cantools' own loop.

    The ratios are printed always and held to only in a benchmark run (`--benchmark-enable`): a busy machine is no bug.
    """
    library = cantools.database.load_string(DBC, "dbc")
    bus = frames(8_000)
    lines, packed, long = records(bus, line), records(bus, pack), records(bus * 10, line)
    decoder, of_packed = CanDecoder(table, CHANNELS), CanDecoder(table, CHANNELS, "frames")
    assert by_cantools(library, bus) == 3 * len(bus)
    cost = {
        "cantools, frame by frame": best(3, lambda: by_cantools(library, bus)) / len(bus),
        "few, 16 frames a read": best(3, lambda: few(decoder, lines)) / len(bus),
        "many, 8,000 frames": best(20, lambda: many(decoder, lines)) / len(bus),
        "many, 8,000 packed frames": best(20, lambda: many(of_packed, packed)) / len(bus),
        "many, 80,000 frames": best(5, lambda: many(decoder, long)) / len(bus) / 10,
    }
    reference = cost["cantools, frame by frame"]
    for what, seconds in cost.items():
        print(f"{what:28} {1e6 * seconds:7.3f} µs a frame {reference / seconds:7.1f} times")
    if request.config.getoption("benchmark_enable"):
        assert reference / cost["many, 8,000 frames"] >= 10
        assert reference / cost["many, 80,000 frames"] >= 10
