"""The plan as the recording keeps it: the same plan again, from JSON alone."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.columns import Why
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, decoders_for, load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DBC = """VERSION ""

BU_: Controller

BO_ 291 Engine: 8 Controller
 SG_ Speed : 0|16@1+ (0.25,0) [0|16383.75] "rpm" Controller
 SG_ Map : 16|12@1+ (0.1,0) [0|409.5] "kPa" Controller
"""

CAN = """
[car]
name = "copper hatch"
mass_kg = 1240

[[feed]]
name = "ecu"
kind = "can"
port = "socket://127.0.0.1:4001"
dbc = "engine.dbc"
channels = { engine_speed = "Engine.Speed", manifold_pressure = "Engine.Map" }

[[feed]]
name = "wideband"
kind = "serial-line"
port = "serial:FT5678"
fields = [{ channel = "lambda", key = "afr", unit = "AFR@14.7" }]
ready = { key = "state", good = ["ready"] }

[channel.lambda]
delay_ms = [60, 180]
rate_hz = 20

[limit.leanest]
along = "manifold_pressure"
at = [120, 240]
value = [0.90, 0.83]

[limit.top]
value = 205.5

[[rule]]
name = "lean"
while = "manifold_pressure > 120 kPa deadband 5 kPa"
trip = "lambda > leanest"
dose = "0.008 s"
priority = "critical"
says = "Lean under boost. Lift."

[[rule]]
name = "over"
trip = "manifold_pressure > top"
on_delay_ms = 700
priority = "critical"
says = "Overboost. Lift."
"""


@pytest.fixture
def plan(write: Callable[[str], Path]) -> Plan:
    """Return a plan with a CAN feed, a serial feed, limits, and a rule told for the record."""
    path = write(CAN)
    path.with_name("engine.dbc").write_text(DBC)
    return load(path)


def test_same_plan_from_json_alone(plan: Plan) -> None:
    """A plan built from its JSON is the same to the last bit, rules, curves, blinds and table included."""
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict(), allow_nan=False)))
    assert again == plan
    assert again.rules == plan.rules
    assert again.to_dict() == plan.to_dict()


def test_everything_is_kept(plan: Plan) -> None:
    """The dict holds every default, the table of the DBC and the raw texts of both files."""
    data = plan.to_dict()
    assert data["files"] == {"engine.dbc": DBC, "setup.toml": CAN}
    assert data["feeds"][0]["options"]["bitrate"] == 500_000
    assert data["feeds"][0]["table"]["file"] == "engine.dbc"
    assert data["car"]["air_fuel_scale"] == 14.7
    assert data["channels"][0]["stale_after"] == 250_000_000
    assert data["rules"][1]["asked"] == "critical"
    assert data["rules"][1]["priority"] == "caution"
    assert data["rules"][0]["trip"] == "lambda > leanest"


def test_plan_is_read_without_files_and_without_a_dbc_reader(plan: Plan, tmp_path: Path) -> None:
    """A replay needs nothing but the dict: no DBC reader, nothing heavy is imported, the same decoders come out."""
    stored = tmp_path / "elsewhere.json"
    stored.write_text(json.dumps(plan.to_dict()))
    program = (
        "import json, sys\n"
        "from pullwatch.setup import Plan, decoders_for\n"
        f"plan = Plan.from_dict(json.load(open({str(stored)!r})))\n"
        "assert sorted(decoders_for(plan)) == [1, 2]\n"
        "heavy = {'cantools', 'can', 'scipy', 'jinja2', 'sqlite3', 'rich', 'typer', 'asyncio', 'serial'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    for name in ("setup.toml", "engine.dbc"):
        (tmp_path / name).unlink()
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda data: data.update(plan=2), "version 2"),
        (lambda data: data.clear(), "version None"),
        (lambda data: data.pop("rules"), "KeyError"),
        (lambda data: data["rules"][0].update(trip="lambda > richest"), "richest"),
        (lambda data: data["rules"][0].update(speed=1), "TypeError"),
        (lambda data: data["feeds"][0]["options"].update(bitrate="fast"), "bitrate"),
        (lambda data: data["feeds"][0]["table"].pop("entries"), "table of CAN signals"),
    ],
)
def test_plan_of_another_version_is_refused(plan: Plan, change: Callable[[dict[str, Any]], None], what: str) -> None:
    """What is no plan, or not of this version, is refused with the reason, never half read."""
    data = json.loads(json.dumps(plan.to_dict()))
    change(data)
    with pytest.raises(SetupError, match="the recorded plan is not used") as found:
        Plan.from_dict(data)
    assert what in str(found.value)


def test_decoders_of_a_plan(plan: Plan) -> None:
    """Each feed's bytes come out as samples of the plan's channels, in their units."""
    decoders = decoders_for(plan)
    out: list[tuple[int, int, float, int]] = []
    # 6000 rpm = 24000 x 0.25 = 0x5DC0; 180.0 kPa = 1800 x 0.1 = 0x708
    decoders[1].few(1_000, b"t1238C05D080700000000\r", out)
    decoders[2].few(2_000, b"afr=12.5;state=ready\r\nafr=12.5;state=heating\r\n", out)
    speed, pressure, lean = (plan.channel(n).number for n in ("engine_speed", "manifold_pressure", "lambda"))
    assert [(channel, why) for _, channel, _, why in out] == [
        (speed, 0),
        (pressure, 0),
        (lean, 0),
        (lean, Why.NOT_READY),
    ]
    assert [value for _, _, value, _ in out[:3]] == pytest.approx([6000.0, 180.0, 0.85034], abs=1e-5)


def test_frames_of_other_adapters(write: Callable[[str], Path]) -> None:
    """An adapter that gives frames is decoded from packed frames, and its port is the adapter's own business."""
    path = write(
        CAN.replace('kind = "can"', 'kind = "can"\nadapter = "virtual"').replace("socket://127.0.0.1:4001", "x")
    )
    path.with_name("engine.dbc").write_text(DBC)
    decoder = decoders_for(load(path))[1]
    out: list[tuple[int, int, float, int]] = []
    decoder.few(1_000, b"t1238C05D080700000000\r", out)
    assert out == []


def test_adapter_without_a_driver(write: Callable[[str], Path]) -> None:
    """An adapter no driver is known for is told at its line, with the nearest name."""
    path = write(CAN.replace('kind = "can"', 'kind = "can"\nadapter = "socketcam"'))
    path.with_name("engine.dbc").write_text(DBC)
    with pytest.raises(SetupError, match=r"line 9, feed \"ecu\" adapter: .*did you mean \"socketcan\""):
        load(path)


def test_what_is_wrong_with_a_dbc_stands_at_its_line(write: Callable[[str], Path]) -> None:
    """A signal that is not there is told at its line in the setup file; a broken DBC with the line in the DBC too."""
    path = write(CAN.replace('"Engine.Map"', '"Engine.Mep"'))
    dbc = path.with_name("engine.dbc")
    dbc.write_text(DBC)
    with pytest.raises(SetupError) as found:
        load(path)
    (problem,) = found.value.problems
    assert problem.line == 11
    assert problem.key == 'feed "ecu" channels manifold_pressure'
    assert 'no signal "Mep" (did you mean "Map"?)' in problem.what
    dbc.write_text(DBC.replace("(0.25,0)", "(0.25;0)"))
    with pytest.raises(SetupError) as found:
        load(path)
    (problem,) = found.value.problems
    assert (problem.line, problem.key) == (10, 'feed "ecu" dbc')
    assert problem.what.startswith("engine.dbc, line 6: ")
    dbc.unlink()
    with pytest.raises(SetupError, match=r"line 10, feed \"ecu\" dbc: .*cannot be read"):
        load(path)


def test_lookups(plan: Plan) -> None:
    """Channels and feeds are found by a channel's name."""
    assert plan.feed_of("lambda").options.name == "wideband"
    assert plan.feed_of("engine_speed").number == 1
    with pytest.raises(KeyError):
        plan.channel("boost")
    with pytest.raises(KeyError):
        plan.feed_of("boost")
