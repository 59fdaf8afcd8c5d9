"""A limit over two channels: planes between points, its edges as declared, the same whichever way it is asked."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Batch
from pullwatch.channels import Channel, Dimension
from pullwatch.checks import report
from pullwatch.columns import Why
from pullwatch.derived import Deriving, Wired
from pullwatch.derived.surface import AirFuel, Surface
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, deriving_for, load
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.judge import Watchdog

from .hold import hold_together, places, traces

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.columns import Sample

X, Y = (0.0, 10.0, 30.0), (100.0, 200.0)
VALUES = ((1.0, 2.0), (3.0, 6.0), (5.0, 4.0))


def make(*, hold: bool = True) -> Deriving:
    """Channel 2: the table over channels 0 and 1."""
    channels = [Channel(n, f"c{n}", "", Dimension.NUMBER, -math.inf, math.inf, stale_after=100) for n in range(3)]
    return Deriving(channels, [Wired(2, 0, (1,), Surface(X, Y, VALUES, hold=hold))])


@pytest.mark.parametrize(
    ("x", "y", "value"),
    [(0, 100, 1.0), (30, 200, 4.0), (10, 150, 4.5), (5, 150, 3.0), (20, 125, 4.25), (-5, 50, 1.0), (99, 999, 4.0)],
)
def test_points_planes_and_edges(x: float, y: float, value: float) -> None:
    """At the points, between them, and held beyond; by hand."""
    assert Surface(X, Y, VALUES).formula(x, y) == value


def test_beyond_declared_edges_there_is_no_value() -> None:
    """With edges that end, outside is not known, the edge itself is inside."""
    surface = Surface(X, Y, VALUES, hold=False)
    assert surface.formula(30.0, 200.0) == 4.0
    assert all(math.isnan(surface.formula(x, y)) for x, y in ((30.001, 150), (-0.001, 150), (5, 99.9), (5, 200.1)))


@given(st.floats(0, 30), st.floats(100, 200))
def test_numpy_interpolates_the_same(x: float, y: float) -> None:
    """Reference: numpy.interp along the one axis, then along the other."""
    along_x = [float(np.interp(x, X, [row[j] for row in VALUES])) for j in (0, 1)]
    assert Surface(X, Y, VALUES).formula(x, y) == pytest.approx(np.interp(y, Y, along_x), abs=1e-9)


@settings(max_examples=50)
@given(traces(2, st.floats(-50, 300)), places(), st.booleans())
def test_borders_and_ways_mean_nothing(samples: list[Sample], cuts: list[int], hold: bool) -> None:
    """Few or many, cut anywhere, with checkpoints between: the same to the last bit."""
    hold_together(lambda: make(hold=hold), samples, cuts)


def test_air_fuel_is_lambda_on_the_scale() -> None:
    """12.5 on 14.7 is lambda 0.850; the same lambda is 12.0 on 14.08 (arithmetic)."""
    assert AirFuel(14.7).formula(0.85) == pytest.approx(12.495)
    assert AirFuel(14.08).formula(0.85) == pytest.approx(11.968)


SETUP = """
[car]
name = "copper hatch"
air_fuel_scale = 14.1

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "engine_speed", key = "n" }, { channel = "manifold_pressure", key = "map" },
          { channel = "lambda", key = "lambda" }]

[channel.engine_speed]
slew_per_s = []

[channel.manifold_pressure]
slew_per_s = []
frozen_with = ""

[derived.leanest_now]
kind = "surface"
limits = "lambda"
over = ["manifold_pressure", "engine_speed"]
at = [[100, 200], [2000, 6000]]
value = [[1.0, 0.95], [0.85, 0.80]]

[derived.air_fuel]
kind = "air-fuel"

[[rule]]
name = "lean"
trip = "lambda > leanest_now"
on_delay_ms = 0
"""


def plan_of(folder: Path, old: str = "", new: str = "") -> Plan:
    """Return the plan of the setup with something put in the place of something."""
    assert old in SETUP
    path = folder / "setup.toml"
    path.write_text(SETUP.replace(old, new) if old else SETUP, encoding="utf-8")
    return load(path)


def test_a_rule_holds_a_channel_against_a_surface(tmp_path: Path) -> None:
    """0.90 is fine at 150 kPa and 2,000 rpm (0.925 there) and lean at 150 kPa and 6,000 rpm (0.875)."""
    plan = plan_of(tmp_path)
    assert "a table over manifold_pressure and engine_speed, held beyond its edges" in report(plan).text()
    assert "lambda × the car's air_fuel_scale, for showing" in report(plan).text()
    speed, pressure, mixture = (plan.channel(name).number for name in ("engine_speed", "manifold_pressure", "lambda"))
    samples = [(10, speed, 2000.0, 0), (11, pressure, 150.0, 0), (12, mixture, 0.90, 0)]
    samples += [(20, speed, 6000.0, 0), (21, pressure, 150.0, 0), (22, mixture, 0.90, 0)]
    batch = Batch(30, (), list(samples))
    deriving_for(plan).extend(batch)
    shown = {t: v for t, c, v, _ in batch.samples or () if c == plan.channel("air_fuel").number}
    assert shown[12] == pytest.approx(0.90 * 14.1)
    (raised,) = [c for c in Watchdog(plan.rules).judge(batch) if c.event is Event.RAISE and c.rule == 0]
    assert raised.t == 22
    assert raised.limit == pytest.approx(0.875)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("at = [[100, 200], [2000, 6000]]", "at = [[100, 100], [2000, 6000]]", "its first axis does not rise"),
        ("value = [[1.0, 0.95], [0.85, 0.80]]", "value = [[1.0, 0.95], [0.85, 0.80, 1]]", "is no table of 2 rows of 2"),
        ('limits = "lambda"', 'limits = "lamda"', "1 problem."),
        ('limits = "lambda"', 'limits = "lamda"', '"lamda" is no channel (did you mean "lambda"?)'),
        ('limits = "lambda"', 'limits = "lambda"\nunit = "kPa"', "kPa is not a unit of lambda"),
        ('"manifold_pressure", "engine_speed"]', '"engine_speed", "engine_speed"]', "names one channel twice"),
        ('kind = "air-fuel"', 'kind = "air-fuel"\nof = "engine_speed"', "engine_speed is rotational speed, not lambda"),
        ('kind = "air-fuel"', 'kind = "air-fuel"\nscale = 147', "scale"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, old: str, new: str, words: str) -> None:
    """A wrong table, channel or unit is refused with its key."""
    with pytest.raises(SetupError) as found:
        plan_of(tmp_path, old, new)
    assert words in str(found.value)


def test_a_channel_that_is_not_known_gives_no_limit() -> None:
    """Without the other axis there is no limit, and it is said why."""
    made = hold_together(make, [(10, 0, 5.0, 0)], [])
    assert [(c, why) for _, c, _, why in made if c == 2] == [(2, int(Why.SOURCE))]
