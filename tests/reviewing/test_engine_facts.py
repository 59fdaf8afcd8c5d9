"""What [review] says of the engine reaches the answers, and what cannot be is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import SetupError
from pullwatch.reviewing.gather import Gathering
from pullwatch.setup import load as load_setup

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.review.table import Table

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
baud = 9600
fields = [{ channel = "engine_speed", key = "n" }, { channel = "oil_temperature", key = "ot" }]
"""


def gathered(folder: Path, section: str) -> Table:
    """Return the empty table of a setup file with this section."""
    (folder / "setup.toml").write_text(SETUP + section, encoding="utf-8")
    return Gathering(load_setup(folder / "setup.toml"), "s", None).table()


def test_bore_and_valve_reach_the_answers(tmp_path: Path) -> None:
    """Stated, they are the car's; the accuracy of the oil temperature comes along. Not stated, they are not known."""
    stated = '[review]\nbore_mm = 82.5\nintake_valve_mm = 33\naccuracy = { oil_temperature = "2 °C" }\n'
    table = gathered(tmp_path, stated)
    assert (table.car.bore_mm, table.car.intake_valve_mm) == (82.5, 33.0)
    assert table.accuracy["oil_temperature"].at(100.0) == pytest.approx(2.0)
    bare = gathered(tmp_path, "")
    assert (bare.car.bore_mm, bare.car.intake_valve_mm) == (None, None)
    assert "oil_temperature" not in bare.accuracy


@pytest.mark.parametrize("line", ["bore_mm = 8.25", "bore_mm = 3.2e3", "intake_valve_mm = 1.8", "bore_mm = nan"])
def test_a_size_that_no_engine_has_is_refused(tmp_path: Path, line: str) -> None:
    """Centimetres, inches and no number at all stop the start, and the message names the key."""
    with pytest.raises(SetupError, match=line.split(maxsplit=1)[0]):
        gathered(tmp_path, f"[review]\n{line}\n")
