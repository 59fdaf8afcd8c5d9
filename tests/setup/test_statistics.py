"""Statistics in the setup file: what they stand for, what rules may ask of them, and what is refused."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.channels import RATE_OF, RATE_UNITS, UNITS, Dimension, unit_named
from pullwatch.errors import SetupError, UnitError
from pullwatch.setup import Plan, load
from pullwatch.setup.deriving import deriving_for
from pullwatch.station import Path as Station
from pullwatch.watchdog.alarms import State

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.derived import Operator

FEED = """
[car]
name = "copper hatch"

[[feed]]
name = "ecu"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "manifold_pressure", key = "map" }, { channel = "barometric_pressure", key = "baro" },
          { channel = "boost_target", key = "target" }, { channel = "fuel_pressure", key = "fp" },
          { channel = "engine_speed", key = "rpm" }, { channel = "knock_retard", key = "knock" },
          { channel = "coolant_temperature", key = "clt" }, { channel = "vehicle_speed", key = "v" },
          { channel = "lambda_bank1", key = "l1" }, { channel = "lambda_bank2", key = "l2" },
          { channel = "cut_active", key = "cut" },
          { channel = "map_a", key = "ma" }, { channel = "map_b", key = "mb" }, { channel = "map_c", key = "mc" }]

[channel.map_a]
unit = "kPa"
kind = "absolute"
[channel.map_b]
unit = "kPa"
kind = "absolute"
[channel.map_c]
unit = "kPa"
kind = "absolute"
"""

ALL = """
[derived.map]
kind = "middle"
of = ["map_a", "map_b", "map_c"]
within = "5 kPa"

[derived.boost_rate]
kind = "rate"
of = "boost"
over_ms = 100

[derived.fuel_mean]
kind = "mean"
of = "fuel_differential_pressure"
over_ms = 100
least_known = 0.8

[derived.fuel_trend]
kind = "trend"
of = "fuel_differential_pressure"
over_ms = 1000

[derived.fuel_ahead]
kind = "ahead"
of = "fuel_differential_pressure"
over_ms = 500
ahead_ms = 300

[derived.idle_least]
kind = "least"
of = "engine_speed"
over_ms = 2000

[derived.idle_most]
kind = "most"
of = "engine_speed"
over_ms = 2000

[derived.idle_spread]
kind = "spread"
of = "coolant_temperature"
over_ms = 2000

[derived.over_speed]
kind = "time-beyond"
of = "engine_speed"
above = "7000 rpm"
over_ms = 2000

[derived.over_speeds]
kind = "crossings"
of = "engine_speed"
above = "7000 rpm"
deadband = "50 rpm"
over_ms = 2000

[derived.knock_rises]
kind = "rises"
of = "knock_retard"
at_least = "1 deg"
within_ms = 200
over_ms = 2000

[derived.banks_apart]
kind = "apart"
of = ["lambda_bank1", "lambda_bank2"]

[derived.boost_error]
kind = "difference"
of = "manifold_pressure"
less = "boost_target"

[limit.base]
value = 300
unit = "kPa"
limits = "fuel_differential_pressure"
"""

TRIPS = (
    "map > 250 kPa",
    "boost_rate > 400 kPa/s",
    "boost_rate > 4 bar/s deadband 10 kPa/s",
    "fuel_mean < 0.9 * base",
    "fuel_trend < -20 psi/s",
    "fuel_ahead < 0.8 * base",
    "idle_least < 500 rpm",
    "idle_most > 7500 rpm",
    "idle_spread > 5 K",
    "over_speed > 0.2 s",
    "over_speeds >= 3",
    "knock_rises >= 3",
    "banks_apart > 0.03 lambda",
    "boost_error > 10 kPa",
)


def rule(trip: str, number: int = 0) -> str:
    """Return a rule with this trip."""
    return f'\n[[rule]]\nname = "r{number}"\ntrip = "{trip}"\n'


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


FUEL = '{ channel = "fuel_pressure", key = "fp" }'


def test_every_kind_can_be_asked_for_and_judged(tmp_path: Path) -> None:
    """All kinds, each in a rule with the units it is to be asked in; the plan survives the record and builds."""
    plan = plan_of(tmp_path, ALL + "".join(rule(trip, number) for number, trip in enumerate(TRIPS)))
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict())))
    assert again == plan
    assert deriving_for(again).carried()["operators"]
    says = {derived.channel: derived.describe() for derived in plan.derived}
    assert says["fuel_mean"] == "mean of fuel_differential_pressure over 100 ms, 80% of it known"
    assert says["map"] == "vote of map_a, map_b, map_c, two of them within 5 kPa"
    assert says["knock_rises"] == "rises of knock_retard by 1 deg or more within 200 ms over 2000 ms"


@pytest.mark.parametrize(
    ("name", "dimension", "unit"),
    [
        ("map", Dimension.ABSOLUTE_PRESSURE, "kPa"),
        ("boost_rate", Dimension.PRESSURE_RATE, "kPa/s"),
        ("fuel_mean", Dimension.PRESSURE_DIFFERENCE, "kPa"),
        ("fuel_trend", Dimension.PRESSURE_RATE, "kPa/s"),
        ("idle_spread", Dimension.TEMPERATURE_DIFFERENCE, "°C"),
        ("over_speed", Dimension.TIME, "ms"),
        ("knock_rises", Dimension.NUMBER, ""),
        ("banks_apart", Dimension.LAMBDA, "lambda"),
        ("boost_error", Dimension.PRESSURE_DIFFERENCE, "kPa"),
    ],
)
def test_what_each_stands_for(tmp_path: Path, name: str, dimension: Dimension, unit: str) -> None:
    """A mean is what its channel is, two pressures differ by a difference, a rate is a quantity of its own."""
    channel = plan_of(tmp_path, ALL).channel(name)
    assert (channel.dimension, channel.unit) == (dimension, unit)


def test_operators_get_what_the_setup_says(tmp_path: Path) -> None:
    """Numbers with units arrive in stored units and nanoseconds: 0.2 bar within 200 ms, three times in two seconds."""
    more = '[derived.x]\nkind = "rises"\nof = "fuel_pressure"\nat_least = "0.2 bar"\nwithin_ms = 200\nover_ms = 2000\n'
    plan = plan_of(tmp_path, more + "least_known = 0.05\n")
    made = next(derived for derived in plan.derived if derived.channel == "x")
    channels = {channel.name: channel for channel in plan.channels}
    operator: Operator = made.kind.operator(made.section, "x", channels, plan.car)
    values = [300.0, 310.0, 325.0, 300.0, 319.0, 320.0, 300.0, 325.0, 335.0, 335.0, 335.0, 346.0]
    counts = [operator.one(n * 100_000_000, v, 0, ()) for n, v in enumerate(values)]
    assert [None if c is None or c[1] else c[0] for c in counts] == [None, 0.0, 1.0, 1.0, 1.0, 2.0, 2.0, *[3.0] * 5]


def made(kind: str, keys: str = "", of: str = '"engine_speed"') -> str:
    """Return a [derived.x] of a kind."""
    over = "" if "over_ms" in keys or kind in ("apart", "middle", "difference") else "over_ms = 100\n"
    return f'[derived.x]\nkind = "{kind}"\nof = {of}\n{over}{keys}\n'


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (made("mean", of='"engine_sped"'), 'it rests on "engine_sped", which no feed gives (did you mean "engine_spee'),
        (made("mean", "over_ms = 0"), "derived.x over_ms: 0 is not possible: it must be at least 1."),
        (made("mean", "over_ms = 60001"), "derived.x over_ms: 60001 is not possible: it must be at most 60000."),
        (made("least", "least_known = 0"), "derived.x least_known: 0 is not possible: it must be above 0."),
        (made("most", "above = 3"), "derived.x above: this key is not known"),
        (made("rate", "over_ms = '1 s'"), 'derived.x over_ms: "1 s" is not a number'),
        (made("trend", of='"x"'), "derived.x: rests on itself"),
        (made("ahead"), "derived.x ahead_ms: is missing."),
        (made("time-beyond"), "derived.x above: is missing. Write above = … or below = …, with its unit."),
        (made("crossings", 'above = "1 rpm"\nbelow = "1 rpm"'), "derived.x above: a channel is beyond one side only."),
        (made("crossings", 'above = "7000"'), "needs a unit"),
        (made("crossings", 'above = "7000 rpm"\ndeadband = "-5 rpm"'), 'deadband: "-5 rpm" is not possible'),
        (made("crossings", 'above = "7000 kPa"'), "kPa is not a unit of rotational speed"),
        (
            made("rises", 'within_ms = 200\nat_least = "0 rpm"'),
            'at_least: "0 rpm" is not possible: it must be above 0.',
        ),
        (made("rises", 'within_ms = 0\nat_least = "1 rpm"'), "within_ms: 0 is not possible"),
        (made("apart", of='["fuel_pressure"]'), "derived.x of: has 1 elements, at least 2 are wanted."),
        (
            made("apart", of='["fuel_pressure", "map_a"]'),
            "derived.x of: fuel_pressure is gauge pressure, map_a is absolute pressure. Only like can be held",
        ),
        (made("apart", of='["map_a", "map_a"]'), "derived.x of: map_a stands here twice."),
        (made("middle", 'within = "5 kPa"', '["map_a", "map_b"]'), "of: has 2 elements, at least 3 are wanted."),
        (made("middle", 'within = "5 rpm"', '["map_a", "map_b", "map_c"]'), "within: in "),
        (made("difference", 'less = "engine_speed"', '"map_a"'), "derived.x less: map_a is absolute pressure, engine_"),
        (
            '[derived.oil_pressure]\nkind = "mean"\nof = "map_a"\nover_ms = 9',
            "oil_pressure kind: what this makes is abs",
        ),
        (
            made("rate") + '[derived.y]\nkind = "rate"\nof = "x"\nover_ms = 100',
            "derived.y of: x is rotational speed per second already.",
        ),
        (made("rate", of='"map_a"') + rule("x > 400 kPa"), "x is in kPa/s; kPa is not a unit of pressure per second"),
        (made("rate", of='"map_a"') + rule("x > 400 rpm/s"), "rpm/s is not a unit of pressure per second"),
        (made("rate", of='"map_a"') + rule("x > 400"), "400 needs a unit; x is in kPa/s"),
        (made("rate", of='"map_a"') + rule("x > map_b"), "x is pressure per second, the other side is absolute"),
        (made("rate", of='"map_a"') + rule("map_a > 4 kPa/s"), "kPa/s is not a unit of absolute pressure"),
        (made("rate", of='"map_a"') + rule("x > 4 kpa/s"), 'unit "kpa/s" is not known (did you mean "kPa/s"?)'),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, more: str, said: str) -> None:
    """A wrong window, amount, unit or company is refused with its key."""
    assert said in problems(tmp_path, more)


JUDGED = """
[derived.fuel_ahead]
kind = "ahead"
of = "fuel_pressure"
over_ms = 500
ahead_ms = 500

[derived.boost_rate]
kind = "rate"
of = "boost"
over_ms = 200

[derived.knock_rises]
kind = "rises"
of = "knock_retard"
at_least = "1 deg"
within_ms = 200
over_ms = 2000
least_known = 0.5

[derived.banks_apart]
kind = "apart"
of = ["lambda_bank1", "lambda_bank2"]

[[rule]]
name = "fuel falls"
trip = "fuel_ahead < 240 kPa"
while = "boost > 50 kPa"

[[rule]]
name = "fuel low"
trip = "fuel_pressure < 240 kPa"
while = "boost > 50 kPa"

[[rule]]
name = "boost runs away"
trip = "boost_rate > 150 kPa/s"

[[rule]]
name = "knock again"
trip = "knock_rises >= 3"
while = "boost > 50 kPa"

[[rule]]
name = "banks differ"
trip = "banks_apart > 0.03 lambda deadband 0.005 lambda"
while = "boost > 50 kPa"
on_delay_ms = 1000
"""


def test_rules_trip_on_what_is_made(tmp_path: Path) -> None:
    """Bytes to alarms: fuel that falls 60 kPa/s is told half a second early, three knocks in 2 s once they were three.

    By hand, a line every 50 ms: fuel is 300 kPa and from 3 s on 3 kPa less each line; it is below 240 with line 81 and
    would be 500 ms on (30 kPa in 500 ms) below it with line 71. Boost rises 10 kPa a line from 100 to 160 kPa after
    line 100: over 150 kPa/s for the first time with line 104 (40 kPa in 200 ms). Knock retard steps up by 2 deg at
    lines 110, 120 and 130. The banks are 0.04 apart from line 60 on: told after 1 s, 20 lines.
    """
    station = Station(plan_of(tmp_path, JUDGED))
    found: dict[str, int] = {}
    for line in range(140):
        t = 1 + line * 50_000_000
        fuel = 300 - 3 * max(0, line - 60)
        boost = 100 + 10 * min(6, max(0, line - 100))
        knock = 2 * ((line >= 110) + (line >= 120) + (line >= 130))
        lean = 0.84 if line >= 60 else 0.80
        text = f"map={100 + boost};baro=100;fp={fuel};knock={knock};l1=0.80;l2={lean};cut=0\n".encode()
        _, changes = station.take(t + len(text), [Record(t, 1, Kind.DATA, text)])
        for change in changes:
            if change.state is State.UNACKNOWLEDGED:
                found.setdefault(station.plan.rules.rules[change.rule].name, line)
    names = ("fuel falls", "fuel low", "boost runs away", "knock again", "banks differ")
    assert {name: found.get(name) for name in names} == dict(zip(names, (71, 81, 104, 130, 80), strict=True))


def test_rates_have_units() -> None:
    """The unit of a rate is that of its channel with /s; 1 °F/s is 5/9 °C/s, and the zero of the scale is gone."""
    assert {dimension for dimension in Dimension if dimension not in RATE_OF} == set(RATE_OF.values())
    assert not UNITS.keys() & RATE_UNITS.keys()
    assert unit_named("°F/s").factor == 5 / 9
    assert unit_named("°F/s").offset == 0.0
    assert unit_named("m/s/s").stored == "km/h/s"
    with pytest.raises(UnitError, match="is not known"):
        unit_named("psig/s")


@pytest.mark.parametrize("trip", ["x > 3 km/h/s", "x > 3 m/s/s", "x > 3 mph/s + 1 m/s/s"])
def test_rates_of_what_is_a_rate_in_daily_life(tmp_path: Path, trip: str) -> None:
    """A road speed has a slash in its unit already."""
    assert plan_of(tmp_path, made("rate", of='"vehicle_speed"') + rule(trip)).channel("x").unit == "km/h/s"


@pytest.mark.parametrize("trip", ["x > 0.5 /s", "x > 0.5/s deadband 0.1 /s"])
def test_a_plain_number_changes_by_so_many_a_second(tmp_path: Path, trip: str) -> None:
    """Its unit is /s alone."""
    assert plan_of(tmp_path, made("rate", of='"cut_active"') + rule(trip)).channel("x").unit == "/s"


def test_a_feed_may_send_a_rate(tmp_path: Path) -> None:
    """A channel that is not in the catalogue can be kept in a unit of rates."""
    more = '[channel.slew]\nunit = "kPa/s"\n' + rule("slew > 400 kPa/s")
    path = tmp_path / "setup.toml"
    path.write_text(FEED.replace(FUEL, FUEL + ', { channel = "slew", key = "s" }') + more)
    assert load(path).channel("slew").dimension is Dimension.PRESSURE_RATE
