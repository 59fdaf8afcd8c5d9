"""The list of lean cells from a recording: the owner's axes out of the setup file, and the CSV file."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING

import pytest
from tests.reviewing.test_gather import SETUP
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.errors import PullwatchError
from pullwatch.review.lean import axes_of
from pullwatch.reviewing.gather import Gathering
from pullwatch.setup import load as load_setup

if TYPE_CHECKING:
    from pathlib import Path

AXES = "speed_axis = [1000, 2000, 2500, 3000]\npressure_axis = [40, 80, 120, 160.5]\n"


def written(tmp_path: Path, axes: str) -> Path:
    """Return a setup file with these lines in [review]."""
    file = tmp_path / "setup.toml"
    file.write_text(SETUP.replace("[review]\n", f"[review]\n{axes}"), encoding="utf-8")
    return file


def test_the_axes_of_the_owners_table_reach_the_review(tmp_path: Path) -> None:
    """Points as written; without them the usual cells are taken and said to be so."""
    table = Gathering(load_setup(written(tmp_path, AXES)), "s", None).table()
    assert table.axes == ((1_000, 2_000, 2_500, 3_000), (40, 80, 120, 160.5))
    axes, stated = axes_of(table)
    assert stated
    assert axes.pressure_edges.tolist() == [20.0, 60.0, 100.0, 140.25, 180.75]
    assert not axes_of(Gathering(load_setup(written(tmp_path, "")), "s", None).table())[1]


@pytest.mark.parametrize(
    ("axes", "word"),
    [
        ("speed_axis = [1000, 2000]\n", "pressure_axis"),
        ("speed_axis = [1000, 1000]\npressure_axis = [40, 80]\n", "does not rise"),
        ("speed_axis = [1000]\npressure_axis = [40, 80]\n", "no two points"),
        ("speed_axis = [1, 2]\npressure_axis = [-0.5, 0.0, 1.5]\n", "kPa absolute"),
        ("speed_axis = [1000, 20000]\npressure_axis = [40, 80]\n", "is not in rpm"),
        ("speed_axis = [1000, inf]\npressure_axis = [40, 80]\n", "speed_axis"),
    ],
)
def test_axes_that_are_none_of_a_table_stop_the_start(tmp_path: Path, axes: str, word: str) -> None:
    """In words, with what to write."""
    with pytest.raises(PullwatchError) as told:
        load_setup(written(tmp_path, axes))
    assert word in str(told.value)


def test_the_list_is_written_as_csv(tmp_path: Path, evening_recorded: Path) -> None:
    """The same cells as the answer's, in the same order, and the pump found first."""
    file = tmp_path / "cells.csv"
    nowhere = {"PULLWATCH_LOGBOOK": str(tmp_path / "logbook.sqlite")}
    done = CliRunner().invoke(app, ["review", str(evening_recorded), "--csv", str(file)], env=nowhere)
    assert done.exit_code == 0, done.output
    assert "worst first" in done.output
    rows = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"), newline="")))
    assert any(row["verdict"] == "find first" and "fuel pressure" in row["explained by"] for row in rows)
    asked = ["review", str(evening_recorded), "--answer", "lean", "--answer", "order", "--json"]
    done = CliRunner().invoke(app, asked, env=nowhere)
    assert done.exit_code == 0, done.output
    answers = json.loads(done.stdout)["sessions"][0]["answers"]
    told = answers["lean"]["data"]["patches"]
    assert [row["speed from (rpm)"] for row in rows] == [f"{patch['speed_rpm'][0]:.0f}" for patch in told]
    assert [story["run"] for story in answers["order"]["data"]["stories"]] == [3, 4]


def test_a_list_that_cannot_be_told_or_written_is_refused(tmp_path: Path, evening_recorded: Path) -> None:
    """With exit code 2, and no file."""
    file = tmp_path / "no such folder" / "cells.csv"
    nowhere = {"PULLWATCH_LOGBOOK": str(tmp_path / "logbook.sqlite")}
    done = CliRunner().invoke(app, ["review", str(evening_recorded), "--csv", str(file)], env=nowhere)
    assert done.exit_code == 2
    assert "could not be written" in done.output
