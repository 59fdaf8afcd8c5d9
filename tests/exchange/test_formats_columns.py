"""Parquet and MDF4 files as logs with times: values, units, what is missing, and the times they say."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pullwatch.columns import join
from pullwatch.errors import PullwatchError
from pullwatch.exchange import formats_mdf, formats_parquet
from pullwatch.exchange.export_rows import decoded
from pullwatch.exchange.exporting import Wanted, export
from pullwatch.exchange.formats_mdf import read_mdf
from pullwatch.exchange.formats_parquet import read_parquet
from pullwatch.recording.reader import Session

from . import recorded

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from pullwatch.exchange.columnar import Columnar

S = 1_000_000_000


@pytest.fixture(scope="module", autouse=True)
def warm(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Begin the libraries' threads before anything is counted."""
    recorded.begin_threads(tmp_path_factory.mktemp("warm") / "a")


def whole(source: Columnar) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """Return all rows of a source: times, and values by name; reading it twice gives the same."""
    chunks = list(source.chunks(None))
    shares: list[float] = []
    again = list(source.chunks(shares.append))
    assert len(again) == len(chunks)
    assert all(0.0 <= a <= 1.0 for a in shares)
    t = np.concatenate([chunk.times_ns for chunk in chunks])
    values = np.concatenate([chunk.values for chunk in chunks])
    np.testing.assert_array_equal(t, np.concatenate([chunk.times_ns for chunk in again]))
    return t, dict(zip(source.names, values.T, strict=True))


def test_our_parquet_comes_back_as_it_went_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Times to the ns, every value, nothing where nothing was known, units, the time of day; words are left out."""
    monkeypatch.setattr(formats_parquet, "ROWS_AT_ONCE", 77)
    folder = recorded.session(tmp_path, seconds=3.0)
    export(folder, tmp_path / "a.parquet", Wanted("parquet", why=True, exact_time=True))
    source = read_parquet(tmp_path / "a.parquet")
    assert source.names == ("engine_speed", "manifold_pressure", "oil_pressure", "lambda")
    assert source.units == ("rpm", "kPa", "kPa", "lambda")
    assert source.began == recorded.WALL
    assert any("engine_speed why" in note for note in source.notes)
    t, values = whole(source)
    plan_names = ("engine_speed", "manifold_pressure", "oil_pressure", "lambda")
    columns = join([columns for _, columns in decoded(Session(folder))])
    for number, name in enumerate(plan_names):
        good = ~np.isnan(values[name])
        known = columns[number].why == 0
        np.testing.assert_array_equal(t[good], columns[number].t[known])
        np.testing.assert_array_equal(values[name][good], columns[number].v[known])


@pytest.mark.parametrize(
    ("name", "column", "steps"),
    [
        ("time", pl.Series([0.0, 0.25, 0.5]), 250_000_000),
        ("time [ms]", pl.Series([0.0, 250.0, 500.0]), 250_000_000),
        ("time_us", pl.Series([0, 250_000, 500_000]), 250_000_000),
        ("stamp", pl.Series([dt.datetime(2026, 5, 1, 12, 0, 0, 250_000 * k, dt.UTC) for k in range(3)]), 250_000_000),
        ("t", pl.Series([dt.timedelta(milliseconds=250 * k) for k in range(3)]), 250_000_000),
    ],
)
def test_a_time_is_found_with_its_unit(name: str, column: pl.Series, steps: int, tmp_path: Path) -> None:
    """By name and unit, by type, by metadata; of files that polars writes."""
    pl.DataFrame({"rpm": [900, None, 950], name: column, "gear [x]": [1.0, 2.0, float("nan")]}).write_parquet(
        tmp_path / "a.parquet"
    )
    source = read_parquet(tmp_path / "a.parquet")
    t, values = whole(source)
    assert np.diff(t).tolist() == [steps, steps]
    assert (source.names, source.units) == (("rpm", "gear"), ("", "x"))
    np.testing.assert_array_equal(values["rpm"], [900.0, np.nan, 950.0])
    np.testing.assert_array_equal(values["gear"], [1.0, 2.0, np.nan])
    if name == "stamp":
        assert source.began == 0
        assert t[0] == int(dt.datetime(2026, 5, 1, 12, tzinfo=dt.UTC).timestamp()) * S


def test_a_parquet_without_a_time_that_can_be_read_is_refused(tmp_path: Path) -> None:
    """No time; whole numbers that say no unit; a unit that is none of time; no Parquet at all."""
    for frame, words in (
        ({"rpm": [1.0]}, "no column that is the time"),
        ({"time": [1], "rpm": [1.0]}, "do not say whether they are s, ms"),
        ({"time [furlong]": [1.0], "rpm": [1.0]}, '"furlong"'),
    ):
        pl.DataFrame(frame).write_parquet(tmp_path / "a.parquet")
        with pytest.raises(PullwatchError, match=words):
            read_parquet(tmp_path / "a.parquet")
    (tmp_path / "a.parquet").write_bytes(b"PAR1 and then nothing")
    with pytest.raises(PullwatchError, match="is no Parquet file"):
        read_parquet(tmp_path / "a.parquet")


def test_rows_without_a_time_are_no_samples(tmp_path: Path) -> None:
    """A null where the time should be: the row cannot be placed."""
    table = pa.table({"time": pa.array([0.0, None, 1.0]), "rpm": pa.array([1, 2, 3])})
    pq.write_table(table, tmp_path / "a.parquet")
    t, values = whole(read_parquet(tmp_path / "a.parquet"))
    assert t.tolist() == [0, S]
    assert values["rpm"].tolist() == [1.0, 3.0]


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of asammdf and what it imports
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # asammdf leaves its temporary file to the collector
def test_signals_of_an_mdf_file_keep_their_own_times(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Groups of different rates are read side by side; invalid values are none; nothing is repeated to fill a row."""
    asammdf: Any = pytest.importorskip("asammdf")
    monkeypatch.setattr(formats_mdf, "ROWS_AT_ONCE", 40)
    fast, slow = np.arange(0.0, 10.0, 0.01), np.arange(0.005, 10.0, 0.1)
    invalid = np.arange(len(slow)) % 7 == 3
    with asammdf.MDF(version="4.10") as mdf:
        mdf.start_time = dt.datetime(2026, 5, 1, 12, tzinfo=dt.UTC)
        mdf.append([asammdf.Signal(fast * 100, fast, name="rpm", unit="1/min")], common_timebase=True)
        mdf.append(
            [asammdf.Signal(slow + 1, slow, name="oil", unit="bar", invalidation_bits=invalid)], common_timebase=True
        )
        mdf.append([asammdf.Signal(np.array([b"a", b"b"]), np.array([0.0, 1.0]), name="word", encoding="utf-8")])
        mdf.save(tmp_path / "a.mf4")
    source = read_mdf(tmp_path / "a.mf4")
    assert (source.names, source.units) == (("rpm", "oil"), ("1/min", "bar"))
    assert source.began == int(dt.datetime(2026, 5, 1, 12, tzinfo=dt.UTC).timestamp()) * S
    t, values = whole(source)
    assert np.all(np.diff(t) > 0)
    rpm, oil = ~np.isnan(values["rpm"]), ~np.isnan(values["oil"])
    np.testing.assert_array_equal(t[rpm], np.rint(fast * S).astype(np.int64))
    np.testing.assert_array_equal(values["rpm"][rpm], fast * 100)
    np.testing.assert_array_equal(t[oil], np.rint(slow[~invalid] * S).astype(np.int64))
    np.testing.assert_array_equal(values["oil"][oil], slow[~invalid] + 1)


@pytest.mark.filterwarnings("ignore")  # whatever the library says of rubbish
def test_what_is_no_mdf_file_is_refused_in_words(tmp_path: Path) -> None:
    """Rubbish with the right ending."""
    pytest.importorskip("asammdf")
    (tmp_path / "a.mf4").write_bytes(b"rubbish" * 100)
    with pytest.raises(PullwatchError, match="is no MDF4 file that can be read"):
        read_mdf(tmp_path / "a.mf4")
