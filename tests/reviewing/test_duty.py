"""`pullwatch review --duty`: the question reaches the answer, and its picture can be drawn."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.review import boost_answer
from pullwatch.reviewing.draw_scatter import draw
from pullwatch.reviewing.reading import review

if TYPE_CHECKING:
    from pathlib import Path


def test_a_duty_is_asked_on_the_command_line(evening_recorded: Path, tmp_path: Path) -> None:
    """It is the owner's question: carried to the answer, which is about that duty and no other."""
    nowhere = {"PULLWATCH_LOGBOOK": str(tmp_path / "none")}
    words = ["review", str(evening_recorded), "--answer", "boost", "--json", "--duty", "36.5"]
    done = CliRunner().invoke(app, words, env=nowhere)
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)["sessions"][0]["answers"]["boost"]
    assert said["data"]["asked"] == 36.5
    asked = [row["asked"] for row in said["data"]["groups"] if row["asked"]]
    assert [one["duty"] for one in asked] == [36.5]
    # The simulated actuator: a spring of 55 kPa and k = 1.10.
    assert asked[0]["least"] < 55.0 / (1.0 - 1.10 * 0.365) < asked[0]["most"]
    refused = CliRunner().invoke(app, ["review", str(evening_recorded), "--duty", "130"], env=nowhere)
    assert refused.exit_code == 2


@pytest.mark.parametrize("duty", [None, 36.5, 60.0])
def test_its_picture_is_drawn(evening_recorded: Path, tmp_path: Path, duty: float | None) -> None:
    """With a band where something is told, and without one where nothing is."""
    (one,) = review([evening_recorded], tmp_path / "none", duty)
    said = boost_answer.answer(one)
    assert "<svg" in str(draw("boost", said.data["picture"]))
    assert bool(said.refused) == (duty == 60.0)
