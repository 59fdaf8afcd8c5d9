"""Figures of recordings, printed: an hour opened, decoded beside cantools, recovered after a cut.

`uv run pytest tests/benchmarks/test_recording.py --benchmark-enable -s`; without the option a minute stands for the
hour, and nothing is held to.

The hour: 25 CAN messages of four signals each, 100 times a second (100 channels at 100 Hz), packed frames.
"""

from __future__ import annotations

import hashlib
import time
from typing import TYPE_CHECKING, Any

import cantools
import pytest

from pullwatch.batch import Kind, Record
from pullwatch.channels import Channel, Dimension
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.decoders.dbc import CanDecoder
from pullwatch.decoders.frames import Frame, pack
from pullwatch.feeds.dbc_file import read_table
from pullwatch.recording import layout
from pullwatch.recording.layout import Commit, Framed, Stream
from pullwatch.recording.parts import FILES, Part
from pullwatch.recording.reader import Session
from pullwatch.recording.repair import repair

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MESSAGES = 25
PER_S = 100
FLUSHES_PER_S = 100
DBC = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: ECU\n\n' + "".join(
    f"BO_ {256 + n} M{n}: 8 ECU\n"
    + "".join(f' SG_ S{k} : {16 * k}|16@1{"+-"[k % 2]} (0.{k + 1}25,{-40 * k}) [0|0] "" ECU\n' for k in range(4))
    + "\n"
    for n in range(MESSAGES)
)
CHANNELS = {f"c{n}": Channel(n, f"c{n}", "", Dimension.NUMBER) for n in range(4 * MESSAGES)}


@pytest.fixture(scope="module")
def thorough(request: pytest.FixtureRequest) -> bool:
    """Say whether this is a benchmark run."""
    return bool(request.config.getoption("benchmark_enable"))


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory, thorough: bool) -> tuple[Path, int]:
    """Write the hour, as the recorder would: a flush each 10 ms, a checkpoint each second; (folder, frames)."""
    seconds = 3600 if thorough else 60
    folder = tmp_path_factory.mktemp("hour") / "session"
    folder.mkdir()
    part = Part(folder / "0001.mcap", {0: "acts", 1: "ecu"}, FILES, durable=False)
    chain, seq, records = hashlib.sha256(), 0, 0
    frames: list[Framed] = []

    def add(channel: int, t: int, now: int, payload: bytes) -> None:
        nonlocal seq
        data = layout.encode(channel, 7, seq, t, now, payload)
        chain.update(data)
        frames.append(Framed(seq, channel, t, now, data))
        seq += 1

    pair = {"t": 0, "wall": 0, "uncertainty": 0}
    add(Stream.START, 0, -1, layout.encode_json({"recording": {"feeds": {"0": "acts", "1": "ecu"}, "pair": pair}}))
    part.put((*frames, *frames))
    frames.clear()
    step = NS_PER_S // FLUSHES_PER_S
    bus = [[pack(Frame(256 + n, bytes(((n * 7 + i * k) & 0xFF) for k in range(8)))) for n in range(MESSAGES)]
           for i in range(61)]  # fmt: skip
    for flush in range(seconds * FLUSHES_PER_S):
        now = (flush + 1) * step
        if flush % FLUSHES_PER_S == 0:
            state = {"alarms": {}, "raised": 0, "state": {"latest": [0.1] * 400}}
            add(Stream.CHECKPOINT, now - step, now - step, layout.encode_json(state))
        # One message in each 0.4 ms, read each 3 ms and a bit, as a path does that has little to do.
        came = bus[flush % len(bus)]
        read = [
            Record(now - step + (3 * i + 1) * NS_PER_MS, 1, Kind.DATA, b"".join(came[9 * i : 9 * i + 9]))
            for i in range(3)
        ]
        records += len(read)
        add(Stream.FEED_0 + 1, read[0].t, now, layout.encode_records(read))
        digest, chain = chain.digest()[:16], hashlib.sha256()
        add(Stream.COMMIT, now, now, layout.encode_commit(Commit(records, seq - 1, digest)))
        if len(frames) > 20_000:
            part.put(frames)
            frames.clear()
    now = seconds * NS_PER_S
    said = {"status": "stopped", "reason": "", "records": records, "synced": seq - 1, "dropped": 0, "raised": 0}
    add(Stream.STOP, now, now, layout.encode_json({**said, "alarms": {}}))
    part.put(frames)
    part.finish()
    part.close()
    return folder, seconds * PER_S * MESSAGES


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return seconds of processor time, and what came of it."""
    begun = time.process_time()
    found = work()
    return time.process_time() - begun, found


def test_a_session_opens(recorded: tuple[Path, int], thorough: bool) -> None:
    """A session of an hour is opened, every frame checked, in three seconds."""
    folder, count = recorded
    size = (folder / "0001.mcap").stat().st_size
    took, session = min((timed(lambda: Session(folder)) for _ in range(3)), key=lambda one: one[0])
    assert session.whole
    print(f"\n{size / 1e6:.0f} MB, {count:,} CAN frames, {session.total:,} frames: opened in {took:.2f} s")
    if thorough:
        assert took <= 3.0


def test_decoding_a_session(recorded: tuple[Path, int], tmp_path: Path, thorough: bool) -> None:
    """From the frames of the recording to columns, beside cantools' loop over the same frames, in one run."""
    folder, count = recorded
    (tmp_path / "a.dbc").write_text(DBC)
    wanted = {f"c{4 * n + k}": f"M{n}.S{k}" for n in range(MESSAGES) for k in range(4)}
    decoder = CanDecoder(read_table(tmp_path / "a.dbc", wanted, CHANNELS), CHANNELS, "frames")
    session = Session(folder)
    reading = decoding = 0.0
    decoded = 0
    for begin in range(0, session.ending.at_ns, 60 * NS_PER_S):
        took, records = timed(lambda b=begin: session.bulk(1, b, b + 60 * NS_PER_S - 1).records())  # type: ignore[misc]
        reading += took
        some = [timed(lambda r=records: decoder.many(r)) for _ in range(3)]  # type: ignore[misc]
        decoding += min(took for took, _ in some)  # what the machine's other work disturbs least
        columns = some[0][1]
        decoded += sum(len(column) for column in columns.values())
    assert decoded == 4 * count
    library: Any = cantools.database.load_string(DBC, "dbc")
    frames = [(256 + n, bytes(range(n, n + 8))) for n in range(MESSAGES)] * 400
    took, _ = timed(lambda: [library.decode_message(name, data, decode_choices=False) for name, data in frames])
    reference = took / len(frames)
    print(
        f"\ndecoding: {count / decoding / 1e6:.1f} million frames/s, {reference * count / decoding:.1f} times "
        f"cantools' loop ({1e-6 / reference:.2f} million/s); "
        f"with reading them {count / (decoding + reading) / 1e6:.1f} million/s"
    )
    if thorough:
        assert reference * count / decoding >= 10  # the ratio: how fast a shared machine is just now is no part of it


def test_recovering_a_session(recorded: tuple[Path, int], tmp_path: Path, thorough: bool) -> None:
    """A session cut in the middle of a write: every frame checked and the good part found, at 100 MB/s and more."""
    folder, _ = recorded
    cut = tmp_path / "cut"
    cut.mkdir()
    raw = (folder / "0001.mcap").read_bytes()[:-100_000]
    (cut / "0001.mcap").write_bytes(raw)
    size = len(raw) / 1e6
    tries = [timed(lambda: Session(cut)) for _ in range(3)]
    took, session = min(tries, key=lambda one: one[0])  # what the machine's other work disturbs least
    assert session.ending.status == "cut"
    read, kept = timed(lambda: sum(len(frame.data) for frame in session.frames()))
    assert kept > 0.6 * len(raw)
    written, report = timed(lambda: repair(cut, tmp_path / "repaired"))
    assert report.written is not None
    print(
        f"\n{size:.0f} MB: good part found at {size / took:.0f} MB/s, read at {size / (took + read):.0f} MB/s, "
        f"repaired (read, copied, synced) at {size / written:.0f} MB/s"
    )
    if thorough:
        assert size / took >= 100
