"""Derived channels in the setup file: made when asked for, made by themselves when named, refused in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.setup.derived_kinds import KINDS
from pullwatch.setup.derived_kinds.engine import ENGINE
from pullwatch.setup.derived_kinds.formulas import FORMULAS
from pullwatch.setup.derived_kinds.lately import LATELY
from pullwatch.setup.derived_kinds.sensors import VOLTS
from pullwatch.setup.derived_kinds.statistics import STATISTICS
from pullwatch.setup.derived_kinds.surface import SURFACES
from pullwatch.setup.derived_kinds.temperature_sensors import TEMPERATURES

FEED = """
[car]
name = "copper hatch"

[[feed]]
name = "ecu"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "manifold_pressure", key = "map" }, { channel = "barometric_pressure", key = "baro" },
          { channel = "injector_pulse_width", key = "pw" }, { channel = "engine_speed", key = "rpm" }]

[channel.manifold_pressure]
rate_hz = 20
"""


def plan_of(folder: Path, more: str) -> Plan:
    """Return the plan of the feed above and more."""
    path = folder / "setup.toml"
    path.write_text(FEED + more)
    return load(path)


def problems(folder: Path, more: str) -> str:
    """Return everything that is wrong."""
    with pytest.raises(SetupError) as found:
        plan_of(folder, more)
    return str(found.value)


RULE = '\n[[rule]]\nname = "r"\ntrip = "{}"\n'


def test_every_kind_stands_on_its_page_with_its_keys() -> None:
    """The page of derived channels names every kind, and every key that must be there."""
    page = (Path(__file__).parents[2] / "hardware_notes" / "derived-channels.md").read_text(encoding="utf-8")
    rows = [row for row in page.splitlines() if row.startswith("| `")]
    for name, kind in KINDS.items():
        (row,) = [row for row in rows if f"`{name}`" in row.split("|")[1]]
        needed = [
            field.alias or key
            for key, field in kind.section.model_fields.items()
            if field.is_required() and key != "kind"
        ]
        if name not in ("linear", "ratiometric", "table", "thermistor", "thermistor-ohms", "thermocouple"):
            assert all(f"`{key}`" in row for key in needed), (name, needed)


def test_a_standard_channel_is_made_when_a_rule_names_it(tmp_path: Path) -> None:
    """Boost follows from two pressures; it is as fresh as its trigger, and its loss has a rule of its own."""
    plan = plan_of(tmp_path, RULE.format("boost > 120 kPa"))
    assert [(d.channel, d.inputs, d.automatic) for d in plan.derived if not d.amends] == [
        ("boost", ("manifold_pressure", "barometric_pressure"), True)
    ]
    assert plan.channel("boost").stale_after == plan.channel("manifold_pressure").stale_after
    assert plan.rates[plan.channel("boost").number] == 20
    assert "boost lost" in [facts.name for facts in plan.facts]
    assert plan.feed_of("boost").number == 1


def test_nothing_is_made_that_nobody_names(tmp_path: Path) -> None:
    """A channel nobody asks for costs nothing."""
    plan = plan_of(tmp_path, RULE.format("engine_speed > 7000 rpm"))
    assert [derived.channel for derived in plan.derived if not derived.amends] == []
    assert [channel.name for channel in plan.channels] == [
        "manifold_pressure", "barometric_pressure", "injector_pulse_width", "engine_speed",
    ]  # fmt: skip


def test_the_plan_survives_the_record(tmp_path: Path) -> None:
    """What was derived, and how, is in the recorded plan."""
    more = '\n[derived.injector_duty]\nkind = "injector-duty"\ninjections_per_cycle = 2\n'
    plan = plan_of(tmp_path, more + RULE.format("injector_duty > 85 %"))
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict())))
    assert again == plan
    duty = next(derived for derived in again.derived if derived.channel == "injector_duty")
    assert duty.section.model_dump()["injections_per_cycle"] == 2


def test_a_window_of_a_delayed_channel_speaks_of_longer_ago(tmp_path: Path) -> None:
    """The mean of 100 ms of a reading that is 5 to 20 ms late is about what was 5 to 120 ms ago."""
    more = '\ndelay_ms = [5, 20]\n[derived.settled]\nkind = "mean"\nof = "manifold_pressure"\nover_ms = 100\n'
    plan = plan_of(tmp_path, more)
    delay = plan.channel("settled").delay
    assert (delay.least, delay.most) == (5_000_000, 120_000_000)
    undelayed = plan_of(tmp_path, more.replace("delay_ms = [5, 20]\n", ""))
    assert undelayed.channel("settled").delay.is_none


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('[derived.boost]\nkind = "boots"', 'derived.boost kind: "boots" is no kind of derived channel'),
        ("[derived.boost]\n", "derived.boost kind: is missing."),
        ('[derived.boost]\nkind = "boost"\nof = 1', "of"),
        (
            '[derived.fuel]\nkind = "fuel-differential"',
            'derived.fuel: it rests on "fuel_pressure", which no feed gives',
        ),
        ('[derived.engine_speed]\nkind = "boost"', "derived.engine_speed: a feed gives this channel already."),
        ('[derived.over]\nkind = "boost"', '"over" is not in the catalogue of channels'),
        (RULE.format("fuel_differential_pressure < 200 kPa"), '"fuel_differential_pressure" is no channel'),
        ("derived = 3", "derived: 3 is not a table."),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, more: str, said: str) -> None:
    """A wrong section is refused with its line and key."""
    text = problems(tmp_path, more) if more[0] != "d" else problems_first(tmp_path, more)
    assert said in text


def problems_first(folder: Path, line: str) -> str:
    """Return what is wrong with a line before the first section."""
    path = folder / "setup.toml"
    path.write_text(line + "\n" + FEED)
    with pytest.raises(SetupError) as found:
        load(path)
    return str(found.value)


def test_every_kind_of_every_family_can_be_had() -> None:
    """The table of kinds names what the families have, no more and no less, and each entry is the kind of its name."""
    families = (STATISTICS, SURFACES, LATELY, VOLTS, TEMPERATURES, FORMULAS, ENGINE)
    assert set(KINDS) == {name for family in families for name in family}
    for family in families:
        assert all(KINDS[name] is kind for name, kind in family.items())
    assert KINDS.get("no such kind") is None
