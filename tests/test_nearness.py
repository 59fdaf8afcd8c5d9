"""How near is near: what the rule says, else the usual for what is measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.channels import QUANTITIES, Channel, Dimension
from pullwatch.errors import SetupError
from pullwatch.nearness import near_of
from pullwatch.setup import load

if TYPE_CHECKING:
    from pathlib import Path

SETUP = """
[car]
name = "copper hatch"

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{{ channel = "coolant_temperature", key = "t" }}]

[[rule]]
name = "coolant hot"
trip = "{trip}"
near = "{near}"
"""


def near(folder: Path, text: str, trip: str = "coolant_temperature > 105 °C") -> float | None:
    file = folder / "setup.toml"
    file.write_text(SETUP.format(near=text, trip=trip), encoding="utf-8")
    return load(file).facts[0].near


def test_a_distance_is_read_in_the_unit_of_the_channel(tmp_path: Path) -> None:
    """10 K and 10 °C of difference are one distance; a degree whose zero lies elsewhere is no distance."""
    assert near(tmp_path, "10 K") == 10.0
    assert near(tmp_path, "10 °C") == 10.0


@pytest.mark.parametrize(
    ("text", "says"), [("-3 °C", "no distance"), ("5 bar", "bar"), ("far", "a number"), ("18 °F", "°F")]
)
def test_what_is_no_distance_is_refused(tmp_path: Path, text: str, says: str) -> None:
    """A negative one, one of another quantity and a word are told with the key's name."""
    with pytest.raises(SetupError, match=says) as refused:
        near(tmp_path, text)
    assert "near" in str(refused.value)


def test_silence_has_no_limit_to_be_near(tmp_path: Path) -> None:
    """A lost-test cannot be near its limit."""
    with pytest.raises(SetupError, match="silence has no limit"):
        near(tmp_path, "4 °C", "coolant_temperature is lost")


def test_the_usual_by_name_then_by_dimension_then_a_share() -> None:
    """What the rule says comes first; what nothing usual is known for is near within a tenth of its limit."""
    lam = Channel(0, "lambda", "lambda", Dimension.LAMBDA)
    gas = QUANTITIES["exhaust_gas_temperature"]
    probe = Channel(1, "exhaust_gas_temperature", gas.unit, gas.dimension)
    count = Channel(2, "events", "", Dimension.NUMBER)
    assert near_of(lam, 0.02, 0.85) == 0.02
    assert near_of(lam, None, 0.85) == 0.05
    assert near_of(probe, None, 950.0) == 50.0
    assert near_of(count, None, -40.0) == 4.0
    assert near_of(count, None, 0.0) == 1.0
