"""Text tables of every shape, all of them invented: how they are written, their times, and what is lost of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch.exchange.table_layout import NoTable, read_layout
from pullwatch.exchange.table_reader import read_table
from pullwatch.exchange.table_times import TimeUnknown, clock_ns, day_of

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.exchange.columnar import Columnar

MS = 1_000_000
LATE = 1_700_000_000_000
"""ms since 1970 of 2023-11-14 22:13:20 UTC (`date -u -d @1700000000`)."""
NAN = math.nan


def table(tmp_path: Path, text: str | bytes, **asked: object) -> Columnar:
    """Write a file and read it as a table."""
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_table(path, **asked)  # type: ignore[arg-type] # as the caller says


def all_of(source: Columnar) -> tuple[list[float], np.ndarray]:
    """Return the times in ms, and all values."""
    chunks = list(source.chunks(None))
    times = np.concatenate([chunk.times_ns for chunk in chunks]) if chunks else np.zeros(0)
    values = np.concatenate([chunk.values for chunk in chunks]) if chunks else np.zeros((0, 0))
    return np.round(times / MS, 3).tolist(), values


def same(values: np.ndarray, *expected: tuple[float, ...]) -> bool:
    """Whether the values are these, NaN being NaN."""
    return bool(np.array_equal(values, np.array(expected), equal_nan=True))


PLAIN = "time,rpm,map\n0.00,900,35.5\n0.01,905,36\n0.02,910,36.5\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", "|"),
        PLAIN.replace(",", " , "),
        PLAIN.replace(",", "   "),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN.rstrip("\n"),
        PLAIN.replace("\n", ",\n"),
        "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.split()),
        "\n".join(",".join(f'"{cell}"'.replace(".", ",") for cell in line.split(",")) for line in PLAIN.split()),
        "an invented logger, version 7\nrun of the copper hatch\n\n" + PLAIN,
        "# made tonight\n# by nobody\n" + PLAIN,
        "# " + PLAIN,
        PLAIN.replace("0.01,", "# the lift was here\n0.01,"),
        PLAIN.replace("map\n", "map\ns,rpm,kPa\n"),
        PLAIN.replace("map\n", "map\n[s],[rpm],[kPa]\n"),
        PLAIN.replace("time,rpm,map", "time [s],rpm,map (kPa)"),
        PLAIN + PLAIN.split("\n", maxsplit=1)[0] + "\n",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_the_same_table_is_read_the_same_however_it_is_written(tmp_path: Path, text: str, encoding: str) -> None:
    """Separators, decimal commas, line ends, quotes, lines above, comments, units, encodings: the numbers are these."""
    source = table(tmp_path, text.encode(encoding))
    assert [name.lower() for name in source.names[:2]] == ["rpm", "map"]
    times, values = all_of(source)
    assert times == [0, 10, 20]
    assert same(values[:, :2], (900, 35.5), (905, 36), (910, 36.5))


def test_units_stand_beside_the_names_or_in_a_line_of_their_own(tmp_path: Path) -> None:
    """Either way each column has its unit, letters beyond ASCII included; what has none has none."""
    for head in ("time [s],oil temp [°C],thing\n", "time,oil temp,thing\ns,°C,\n"):
        source = table(tmp_path, (head + "0,80.5,1\n1,81,2\n2,81,3\n").encode("cp1252"))
        assert source.names == ("oil temp", "thing")
        assert source.units == ("°C", "")


def test_cells_that_are_no_numbers_are_no_samples_and_are_told(tmp_path: Path) -> None:
    """Empty cells, words for nothing and errors are no samples; yes and no are 1 and 0; words alone are left out."""
    text = (
        "time [s],rpm,fan,gearbox,name\n0,900,on,,idle\n1,,off,,idle\n2,ERR,true,3,pull\n3,n/a,No,4,pull\n"
        "4,--,yes,,lift\n"
    )
    source = table(tmp_path, text)
    _, values = all_of(source)
    assert same(
        values,
        (900, 1, NAN, NAN),
        (NAN, 0, NAN, NAN),
        (NAN, 1, 3, NAN),
        (NAN, 0, 4, NAN),
        (NAN, 1, NAN, NAN),
    )
    told = " / ".join(source.told())
    assert '"rpm": 1 cells are no numbers ("ERR")' in told
    assert '"name" holds words' in told
    assert "gearbox" not in told


def test_lines_of_another_width_and_rows_without_a_time_cost_themselves_alone(tmp_path: Path) -> None:
    """A torn line, a line too long and a row whose time is rubbish are counted; every other row is there."""
    source = table(tmp_path, "time [s],a,b\n0,1,2\n1,1\n2,1,2,3\nnoise,1,2\n4,1,2\n5,1,2\n")
    times, values = all_of(source)
    assert times == [0, 4_000, 5_000]
    assert len(values) == 3
    told = source.told()
    assert any("2 lines have another number of cells" in line for line in told)
    assert any("1 row has no time" in line for line in told)


def test_a_heading_that_comes_again_is_no_row(tmp_path: Path) -> None:
    """Logs put together keep their headings: they are counted as such."""
    source = table(tmp_path, PLAIN + PLAIN)
    times, _ = all_of(source)
    assert times == [0, 10, 20, 0, 10, 20]
    assert source.told() == ["the heading stands once more within the table"]


def test_the_end_of_one_block_in_the_middle_of_a_line_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However few bytes are read at a time, with every kind of line end, the rows are the same."""
    for end in ("\n", "\r\n", "\r"):
        text = "time;a\n" + "".join(f"{n / 100:.2f};{n}\n" for n in range(300))
        whole = all_of(table(tmp_path, text.replace("\n", end)))
        for size in (7, 64, 1_000):
            monkeypatch.setattr("pullwatch.exchange.table_reader.BLOCK", size)
            parts = all_of(table(tmp_path, text.replace("\n", end)))
            assert parts[0] == whole[0]
            assert np.array_equal(parts[1], whole[1])
        monkeypatch.undo()
        assert whole[1][:, 0].tolist() == list(range(300))


@pytest.mark.parametrize("text", ["", "\n\n", "words\nand words\nalone\n", "\x00\x01\x02" * 100])
def test_what_is_no_table_is_refused_in_words(tmp_path: Path, text: str) -> None:
    """Nothing, prose and rubbish are no tables, and the message says what is expected."""
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(NoTable, match=r"log\.csv"):
        read_layout(path)


@pytest.mark.parametrize(
    ("head", "cells", "expected", "dated"),
    [
        ("time", ("0.5", "0.6", "0.7"), (500, 600, 700), False),
        ("time", ("500", "510", "520"), (500, 510, 520), False),
        ("Time [ms]", ("0.5", "1.5", "2.5"), (0.5, 1.5, 2.5), False),
        ("Time (min)", ("1", "1.5", "2"), (60_000, 90_000, 120_000), False),
        ("elapsed_us", ("0", "1000", "2000"), (0, 1, 2), False),
        ("clock", ("21:13:05.250", "21:13:05.5", "21:13:06"), (76_385_250, 76_385_500, 76_386_000), False),
        ("time", ("59:59.9", "60:00.0", "60:00.1"), (3_599_900, 3_600_000, 3_600_100), False),
        ("time", ("9:13:05 PM", "9:13:06 PM", "9:13:07 PM"), (76_385_000, 76_386_000, 76_387_000), False),
        ("time", ("23:59:59.5", "00:00:00.0", "00:00:00.5"), (86_399_500, 86_400_000, 86_400_500), False),
        ("time", ("1700000000.25", "1700000000.5", "1700000001"), (LATE + 250, LATE + 500, LATE + 1_000), True),
        ("time", ("1700000000250", "1700000000500", "1700000001000"), (LATE + 250, LATE + 500, LATE + 1_000), True),
        ("time", ("2023-11-14T22:13:20Z", "2023-11-14T22:13:21Z"), (LATE, LATE + 1_000), True),
        ("time", ("2023-11-14 22:13:20.5", "2023-11-14 22:13:21"), (LATE + 500, LATE + 1_000), True),
        ("time", ("14.11.2023 22:13:20", "14.11.2023 22:13:21"), (LATE, LATE + 1_000), True),
        ("time", ("11/14/2023 10:13:20 PM", "11/14/2023 10:13:21 PM"), (LATE, LATE + 1_000), True),
    ],
)
def test_times_of_every_kind_are_read(
    tmp_path: Path, head: str, cells: tuple[str, ...], expected: tuple[float, ...], dated: bool
) -> None:
    """Seconds, milliseconds by their step, clock times, midnight, since 1970, dates."""
    source = table(tmp_path, f"{head};a\n" + "".join(f"{cell};1\n" for cell in cells))
    assert all_of(source)[0] == list(expected)
    assert (source.began is not None) is dated


def test_a_date_and_a_clock_time_may_stand_in_two_columns(tmp_path: Path) -> None:
    """Both together are the time, over midnight too; neither is a column of numbers."""
    text = "Date,Time,a\n2023-11-14,23:59:59.5,1\n2023-11-15,00:00:00.0,2\n2023-11-15,00:00:00.5,3\n"
    source = table(tmp_path, text)
    times, values = all_of(source)
    assert np.diff(times).tolist() == [500, 500]
    assert source.names == ("a",)
    assert same(values, (1,), (2,), (3,))


def test_whole_numbers_one_apart_could_be_seconds_or_milliseconds_and_are_asked(tmp_path: Path) -> None:
    """Nothing is taken for granted; an answer settles it."""
    text = "time,a\n0,1\n1,2\n2,3\n"
    with pytest.raises(TimeUnknown, match=r"seconds or milliseconds.*--set 'time=time\[ms\]'"):
        table(tmp_path, text)
    assert all_of(table(tmp_path, text, time={"Time": "ms"}))[0] == [0, 1, 2]
    with pytest.raises(TimeUnknown, match="no unit of time"):
        table(tmp_path, text, time={"time": "furlongs"})
    with pytest.raises(TimeUnknown, match='no column "clock"'):
        table(tmp_path, text, time={"clock": "s"})


def test_a_table_without_a_time_column_needs_to_be_told_its_rate(tmp_path: Path) -> None:
    """An injector's open time is no clock; without one the rate must be said."""
    text = "rpm,injector time,lap time\n900,2.5,0\n950,2.4,0\n940,2.6,0\n"
    with pytest.raises(TimeUnknown, match="--rate"):
        table(tmp_path, text)
    times, values = all_of(table(tmp_path, text, rate=50.0))
    assert times == [0, 20, 40]
    assert values.shape == (3, 3)


def test_columns_without_names_are_called_by_their_number(tmp_path: Path) -> None:
    """A table of numbers alone is a table; its first rising column is the time."""
    source = table(tmp_path, "0.00;900;35\n0.01;905;35\n0.02;899;36\n")
    assert source.names == ("column 2", "column 3")
    assert all_of(source)[0] == [0, 10, 20]


def test_a_name_that_stands_twice_names_two_columns(tmp_path: Path) -> None:
    """Each gets its number behind it, so that an answer can name one of them."""
    assert table(tmp_path, "time,lambda,lambda\n0,1,1\n0.1,1,1\n0.2,1,1\n").names == ("lambda #1", "lambda #2")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("00:00:00", 0),
        ("1:02:03.5", 3_723.5),
        ("02:03", 123),
        ("12:00 AM", 0),
        ("12:30 pm", 45_000),
        ("1:02:03,25", 3_723.25),
    ],
)
def test_clock_times(text: str, seconds: float) -> None:
    """Two numbers are minutes and seconds, unless AM or PM says otherwise; 12 AM is midnight."""
    assert clock_ns(text) == round(seconds * 1e9)


@pytest.mark.parametrize(
    ("text", "day_first", "days"),
    [
        ("1970-01-02", True, 1),
        ("02.01.1970", True, 1),
        ("1/2/1970", False, 1),
        ("31/02/2020", True, None),
        ("x", True, None),
    ],
)
def test_dates(text: str, day_first: bool, days: int | None) -> None:
    """The year in front or behind, day or month first; a day that never was is none."""
    assert day_of(text, day_first=day_first) == days
