"""Exports, each read back by a reader that is none of ours."""

from __future__ import annotations

import csv
import os
import re
from typing import TYPE_CHECKING, Any

import can
import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest
from mcap.records import Message
from mcap.stream_reader import StreamReader
from typer.testing import CliRunner

from pullwatch.batch import Kind, Record
from pullwatch.cli import app
from pullwatch.clock import SessionClock
from pullwatch.columns import Columns, join
from pullwatch.decoders.frames import pack
from pullwatch.errors import SessionError
from pullwatch.exchange import export_csv, export_mdf
from pullwatch.exchange.export_rows import CODE_WORDS, STALE, UNHEARD, Field, Rows, decoded
from pullwatch.exchange.exporting import Table, Wanted, export, time_of
from pullwatch.recording import layout
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.replaying import plan_of, replayed
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath

from . import recorded

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

S = 1_000_000_000


@pytest.fixture(scope="module", autouse=True)
def warm(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Begin the libraries' threads before anything is counted."""
    recorded.begin_threads(tmp_path_factory.mktemp("warm") / "a")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a session of twelve seconds that nobody alters."""
    return recorded.session(tmp_path_factory.mktemp("export"))


def by_name(folder: Path) -> dict[str, Any]:
    """Return the session's columns by name, as the path itself makes them in a replay."""
    session = Session(folder)
    plan = plan_of(session)
    parts: list[Columns] = []
    for step in replayed(plan, session.blocks(join_ns=20 * S)):
        assert step.batch.columns is not None
        parts.append(step.batch.columns)
    return {plan.channels[number].name: column for number, column in join(parts).items()}


def test_what_is_exported_is_what_the_path_decodes(folder: Path) -> None:
    """Decoding for an export gives the very samples that a replay judges, wherever it is cut and wherever it begins."""
    session = Session(folder)
    names = {channel.number: channel.name for channel in plan_of(session).channels}
    truth = by_name(folder)
    whole = {names[n]: c for n, c in join([columns for _, columns in decoded(session)]).items()}
    assert whole.keys() == truth.keys()
    for name, column in whole.items():
        np.testing.assert_array_equal(column.t, truth[name].t)
        np.testing.assert_array_equal(column.v, truth[name].v)
        np.testing.assert_array_equal(column.why, truth[name].why)
    since, until = 7 * S + 5, 9 * S
    some = {names[n]: c for n, c in join([columns for _, columns in decoded(session, None, since, until)]).items()}
    for name, column in some.items():
        inside = (truth[name].t >= since) & (truth[name].t <= until)
        np.testing.assert_array_equal(column.t, truth[name].t[inside])
        np.testing.assert_array_equal(column.v, truth[name].v[inside])


def test_csv_as_sampled_reads_back_to_the_last_bit(folder: Path, tmp_path: Path) -> None:
    """The csv module and polars both find one header row with units, each sample once, and nothing where nothing is."""
    path = tmp_path / "evening.csv"
    done = export(folder, path, Wanted("csv", why=True))
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert done.rows == len(rows)
    assert path.read_text(encoding="utf-8").startswith("time [s],engine_speed [rpm],engine_speed why,")
    truth = by_name(folder)
    for name, unit in (("engine_speed", "rpm"), ("oil_pressure", "kPa"), ("lambda", "lambda")):
        column = truth[name]
        got = [(row["time [s]"], row[f"{name} [{unit}]"], row[f"{name} why"]) for row in rows]
        got = [one for one in got if one[1] or one[2]]
        assert [int(t.replace(".", "")) for t, _, _ in got] == column.t.tolist()  # nine digits behind the point
        expected = ["" if why else value for value, why in zip(column.v.tolist(), column.why.tolist(), strict=True)]
        assert [value and float(value) for _, value, _ in got] == expected
        assert [why for _, _, why in got] == ["" if not why else CODE_WORDS[why] for why in column.why.tolist()]
    assert sum(bool(row["lambda why"]) for row in rows) == 12, "each second one reading is no number"
    frame = pl.read_csv(path)
    assert frame["lambda [lambda]"].null_count() == len(rows) - 108
    assert frame["engine_speed [rpm]"].drop_nulls().to_list() == truth["engine_speed"].v.tolist()


def test_csv_at_one_rate_holds_values_until_they_are_stale(folder: Path, tmp_path: Path) -> None:
    """Every row has the value in force by the path's own rule: an oracle takes it instant by instant."""
    path = tmp_path / "even.csv"
    export(folder, path, Wanted("csv", rate=37.0, why=True, since=2 * S, until=9 * S))
    frame = pl.read_csv(path, infer_schema_length=None)
    truth = by_name(folder)
    plan = plan_of(Session(folder))
    t = [int(str(one).replace(".", "")) for one in pl.read_csv(path, infer_schema=False)["time [s]"]]
    assert t == [round(k * S / 37) for k in range(74, 334)]
    for name, unit in (("engine_speed", "rpm"), ("oil_pressure", "kPa"), ("lambda", "lambda")):
        column, channel = truth[name], plan.channel(name)
        for at, value, why in zip(t, frame[f"{name} [{unit}]"], frame[f"{name} why"], strict=True):
            before = [i for i in range(len(column)) if column.t[i] <= at]
            last = before[-1]
            if at - column.t[last] >= channel.stale_after:
                assert (value, why) == (None, CODE_WORDS[STALE])
            elif column.why[last]:
                assert (value, why) == (None, CODE_WORDS[int(column.why[last])])
            else:
                assert (value, why) == (column.v[last], None)


def test_silence_and_the_time_before_the_first_sample_are_empty_cells(tmp_path: Path) -> None:
    """A channel that has not spoken, or no longer, has no value, never nought and never its last one."""
    plan = load(recorded.setup_file(tmp_path))
    records = [Record(k * 10_000_000 + 500_000_000, 1, Kind.DATA, pack(recorded.engine(3000, 100))) for k in range(50)]
    records.append(Record(3 * S, 1, Kind.DATA, pack(recorded.oil(300))))
    folder = recorded.write_session(tmp_path / "sessions", plan, records)
    export(folder, tmp_path / "a.csv", Wanted("csv", ("engine_speed", "oil_pressure"), rate=10.0, why=True))
    rows = pl.read_csv(tmp_path / "a.csv")
    assert rows["engine_speed [rpm]"].to_list()[:5] == [None] * 5
    assert set(rows["engine_speed why"].to_list()[:5]) == {CODE_WORDS[UNHEARD]}
    assert rows["engine_speed [rpm]"].to_list()[6:10] == [3000.0] * 4
    assert set(rows["engine_speed [rpm]"].to_list()[13:]) == {None}
    assert set(rows["engine_speed why"].to_list()[13:]) == {CODE_WORDS[STALE]}
    assert rows["oil_pressure [kPa]"].to_list()[-1] is None
    assert not (rows["engine_speed [rpm]"] == 0).any()


def hostile(name: str) -> Table:
    """Return a table of one column with this name."""

    def rows() -> Iterator[Rows]:
        yield Rows(np.array([1]), np.array([[-5.0]]), np.zeros((1, 1), np.uint8))

    return Table((Field(name, "=2+3"),), rows(), "s", "c", None, None, why=True, exact_time=False)


@pytest.mark.parametrize(
    "name", ['=HYPERLINK("http://x","y")', "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "plain", 'a,"b"']
)
def test_no_name_becomes_a_formula_of_a_spreadsheet(name: str, tmp_path: Path) -> None:
    """No cell of text begins as a formula does for a spreadsheet (the list of OWASP "CSV Injection", from memory)."""
    path = tmp_path / "a.csv"
    export_csv.write(hostile(name), path)
    with path.open(newline="", encoding="utf-8") as file:
        header, row = list(csv.reader(file))
    assert header[1].lstrip("'") == re.sub(r"[\t\r]", " ", name) + " [=2+3]"
    assert not any(cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n")) for cell in header)
    assert row == ["0.000000001", "-5", ""], "numbers stay numbers"


def test_parquet_has_units_nulls_and_exact_times(folder: Path, tmp_path: Path) -> None:
    """Polars reads every value and null; the field metadata say the unit, and the whole nanoseconds are exact."""
    path = tmp_path / "evening.parquet"
    done = export(folder, path, Wanted("parquet", why=True, exact_time=True))
    frame = pl.read_parquet(path)
    assert frame.height == done.rows
    truth = by_name(folder)
    for name in ("engine_speed", "manifold_pressure", "oil_pressure", "lambda"):
        column = truth[name]
        here = frame.filter(pl.col(name).is_not_null() | pl.col(f"{name} why").is_not_null())
        assert here["time_ns"].to_list() == column.t.tolist()
        assert here[name].to_list() == [None if w else v for v, w in zip(column.v.tolist(), column.why, strict=True)]
        assert here["time"].to_list() == pytest.approx((column.t / S).tolist(), abs=1e-12)
    schema = pq.read_schema(path)
    assert schema.field("engine_speed").metadata == {b"unit": b"rpm"}
    assert schema.field("oil_pressure").metadata == {b"unit": b"kPa", b"measured_from": b"gauge"}
    assert b'"began": 1750000000123456000' in schema.metadata[b"pullwatch"]


@pytest.mark.parametrize("rate", [None, 20.0])
@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # asammdf's own, and those of what it imports
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # it leaves its temporary file to the collector
def test_mdf_reads_back_with_units_and_invalid_values(folder: Path, tmp_path: Path, rate: float | None) -> None:
    """The library finds each channel with its unit, times and values; what is not known is marked invalid."""
    asammdf = pytest.importorskip("asammdf")
    path = tmp_path / "evening.mf4"
    export(folder, path, Wanted("mdf", rate=rate, why=True))
    truth = by_name(folder)
    with asammdf.MDF(path) as mdf:
        assert mdf.version == "4.10"
        for name, unit in (("engine_speed", "rpm"), ("lambda", "lambda"), ("oil_pressure", "kPa")):
            signal = mdf.get(name, ignore_invalidation_bits=True)
            assert signal.unit == unit
            invalid = np.asarray(signal.invalidation_bits, dtype=np.bool_)
            reasons = mdf.get(f"{name} why").samples
            assert np.array_equal(reasons != b"good", invalid)
            if rate is None:
                column = truth[name]
                assert np.array_equal(np.rint(signal.timestamps * S).astype(np.int64), column.t)
                assert np.array_equal(invalid, column.why != 0)
                assert np.array_equal(signal.samples[~invalid], column.v[column.why == 0])
            else:
                assert np.allclose(np.diff(signal.timestamps), 0.05)
            assert np.isnan(signal.samples[invalid]).all()
            assert len(mdf.get(name)) == np.count_nonzero(~invalid), "a reader that obeys the bits sees none of them"


def test_mdf_without_its_library_is_refused_in_a_plain_sentence(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is missing and how to get it; no file is left behind."""
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    with pytest.raises(SessionError, match=re.escape(f"{export_mdf.MISSING} {export_mdf.TODO}")):
        export(folder, tmp_path / "a.mf4", Wanted("mdf"))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("adapter", ["virtual", "slcan"])
def test_candump_text_reads_back_frame_by_frame(tmp_path: Path, adapter: str) -> None:
    """The reader of python-can finds every frame: identifier, data, wall-clock time, whatever the adapter gave."""
    folder = recorded.session(tmp_path, adapter=adapter, seconds=3.0)
    path = tmp_path / "a.log"
    done = export(folder, path, Wanted("candump"))
    with can.CanutilsLogReader(path) as reader:
        messages = list(reader)
    frames = [record for record in recorded.evening(3.0) if record.feed == 1]
    assert done.rows == len(messages) == len(frames)
    began = Session(folder).wall(0)
    assert began == recorded.WALL
    for message, record in zip(messages, frames, strict=True):
        assert message.channel == "ecu"
        assert message.is_extended_id == (message.arbitration_id != 0x100)
        assert pack_of(message) == record.data
        assert message.timestamp == pytest.approx((began + record.t) / S, abs=2e-6)


def pack_of(message: can.Message) -> bytes:
    """Return what was read as it was recorded."""
    from pullwatch.feeds.can_bus import packed

    return packed(message)


def test_a_feed_without_frames_is_refused(folder: Path, tmp_path: Path) -> None:
    """A name that is no CAN feed: the feeds there are, and no file."""
    with pytest.raises(SessionError, match=r'no CAN feed "wideband".*It has ecu'):
        export(folder, tmp_path / "a.log", Wanted("candump", feed="wideband"))
    assert not list(tmp_path.iterdir())


def test_a_session_part_is_read_by_the_mcap_library(folder: Path) -> None:
    """The recording itself needs no export: the mcap package finds every record, in its own channel."""
    count = 0
    with (folder / "0001.mcap").open("rb") as file:
        for record in StreamReader(file).records:
            if isinstance(record, Message) and record.channel_id >= layout.Stream.FEED_0:
                payload = record.data[layout.HEADER.size :]
                count += len(layout.decode_records(record.channel_id - layout.Stream.FEED_0, payload))
    assert count == len(recorded.evening())


def test_a_session_being_recorded_is_exported_up_to_its_last_commit(tmp_path: Path) -> None:
    """The file holds what was committed, says so, and the recording goes on untouched."""
    plan = load(recorded.setup_file(tmp_path))
    start = {"car": "copper hatch", "plan": plan.to_dict()}
    names = {feed.number: feed.options.name for feed in plan.feeds}
    folder = tmp_path / "sessions" / "now"
    path = WatchedPath(plan)
    records = recorded.evening(2.0)
    recorder = Recorder(folder, start, names, [rule.name for rule in plan.rules.rules], SessionClock())
    try:
        recorder.take(*path.take(records[99].end, records[:100]))
        recorder.checkpoint(path.checkpoint())
        deadline = SessionClock()
        while not Session(folder).recorded and deadline.now() < 20 * S:
            os.sched_yield()
        done = export(folder, tmp_path / "a.csv", Wanted("csv"))
        assert any("being recorded" in note for note in done.notes)
        assert pl.read_csv(tmp_path / "a.csv")["time [s]"].to_numpy().max() <= records[99].end / S
        assert done.rows == 100
        recorder.take(*path.take(records[-1].end, records[100:]))
    finally:
        recorder.close("stopped", "the test is over")
    assert export(folder, tmp_path / "b.csv", Wanted("csv")).rows > 200
    assert not Session(folder).check()


def test_positions_are_exported_and_told(tmp_path: Path) -> None:
    """Where the car was is in the file, and the person is told before it is given away."""
    setup = tmp_path / "gps.toml"
    setup.write_text(
        '[car]\nname = "copper hatch"\n\n[[feed]]\nname = "box"\nkind = "serial-line"\nport = "socket://127.0.0.1:9"\n'
        'fields = [{ channel = "latitude", key = "a" }, { channel = "longitude", key = "o" }]\n'
    )
    records = [Record(k * 10**8, 1, Kind.DATA, b"a=12.5;o=-3.25\n") for k in range(20)]
    folder = recorded.write_session(tmp_path / "sessions", load(setup), records)
    done = export(folder, tmp_path / "a.csv", Wanted("csv"))
    assert any("where the car was (latitude, longitude)" in note for note in done.notes)
    assert pl.read_csv(tmp_path / "a.csv")["latitude [deg]"].to_list() == [12.5] * 20


@pytest.mark.parametrize(
    ("text", "ns"),
    [("12.5", 12_500_000_000), ("1:02.000000001", 62_000_000_001), ("1:00:00", 3_600 * S), ("0", 0)],
)
def test_times_are_read_to_the_nanosecond(text: str, ns: int) -> None:
    """Seconds, minutes and hours, without a float between."""
    assert time_of(text) == ns


def test_the_command_says_what_it_wrote_and_what_it_refuses(folder: Path, tmp_path: Path) -> None:
    """Rows and channels; a file that is there, an ending that says nothing, a channel that is none: exit code 2."""

    def run(*words: str) -> Any:
        return CliRunner().invoke(app, ["export", str(folder), *words])

    target = str(tmp_path / "a.csv")
    done = run(target, "--channel", "engine_speed", "--from", "1", "--to", "2")
    assert done.exit_code == 0, done.output
    assert "100 rows, 1 channels" in done.output
    assert run(target).exit_code == 2
    assert "is there already" in run(target).output
    assert run(target, "--replace", "--rate", "10").exit_code == 0
    assert "says no format" in run(str(tmp_path / "a.xyz")).output
    wrong = run(str(tmp_path / "b.csv"), "--channel", "engine_sped")
    assert wrong.exit_code == 2
    assert 'did you mean "engine_speed"' in wrong.output
    assert run(str(tmp_path / "b.csv"), "--from", "soon").exit_code == 2
    assert run(str(tmp_path / "b.csv"), "--joined").exit_code == 2
    assert run(str(tmp_path / "nowhere" / "b.csv")).exit_code == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv"]
