"""Gear, slips and latched barometric pressure: known where they follow, not known where they do not."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.channels import Channel, Dimension
from pullwatch.columns import Why
from pullwatch.derived import Deriving, Operator, Wired
from pullwatch.derived.engine import BarometricChange, BarometricLatch, ConverterSlip, Gear, WheelSlip, road_turns
from pullwatch_sim.sensors import Readings
from pullwatch_sim.vehicle import FINAL_DRIVE, RATIOS, TYRE_M

from .evenings import evening
from .hold import hold_together, places, traces

if TYPE_CHECKING:
    from collections.abc import Callable

    from pullwatch.columns import Sample

MS = 1_000_000
NAN = math.nan
CHANNELS = [Channel(n, f"c{n}", "", Dimension.NUMBER, stale_after=100) for n in range(5)]
NUMBERS = st.one_of(
    st.sampled_from([0.0, -0.0, 1.0, 2.0, 99.0, 99.3, 1_500.0, 3_000.0, 1e308, -1e308, 5e-324]), st.floats(0, 8_000)
)
MAKERS: dict[str, Callable[[], Operator]] = {
    "gear": lambda: Gear([3.0, 2.0, 1.0], 0.04, 100.0),
    "converter-slip": lambda: ConverterSlip([3.0, 2.0, 1.0]),
    "wheel-slip": lambda: WheelSlip(2),
    "latch": BarometricLatch,
    "change": BarometricChange,
}


@pytest.mark.parametrize("name", MAKERS)
@settings(max_examples=50)
@given(samples=traces(4, NUMBERS), cuts=places())
def test_few_and_many_agree(name: str, samples: list[Sample], cuts: list[int]) -> None:
    """Any numbers, cut anywhere, with checkpoints between; what is not known has no number."""
    out = hold_together(lambda: Deriving(CHANNELS, [Wired(4, 0, (1, 2, 3), MAKERS[name]())]), samples, cuts)
    assert all(math.isfinite(v) for _, c, v, why in out if c == 4 and not why)


def one(operator: Operator, ms: float, value: float, *others: float, why: int = 0) -> float | None:
    """Return what one sample gives, None for not known."""
    made = operator.one(round(ms * MS), value, why, others)
    assert made is not None
    return None if made[1] else made[0]


# -- gear


def test_turns_for_one_kilometre_an_hour() -> None:
    """1.10 × 3.94 on a tyre of 1.916 m: at 100 km/h 3,770 rpm (kinematics, computed by hand)."""
    assert road_turns(1.10, 3.94, 1.916) * 100.0 == pytest.approx(3_770.0, abs=1.0)


def held(operator: Operator, driveshaft: float, engine: float) -> float | None:
    """Return what is said after 0.2 s of these speeds."""
    for ms in range(0, 200, 10):
        found = one(operator, ms, driveshaft, engine)
    return found


@pytest.mark.parametrize(
    ("driveshaft", "engine", "gear"),
    [
        (1_000, 3_000, 1.0),
        (1_000, 3_110, 1.0),
        (1_000, 2_890, 1.0),
        (1_000, 3_130, None),
        (1_000, 2_000, 2.0),
        (4_000, 4_050, 3.0),
        (1_000, 2_500, None),
        (99, 297, None),
        (0, 900, None),
        (1_000, 1_000, None),
        (1_000, NAN, None),
    ],
)
def test_a_gear_is_known_within_its_tolerance_only(driveshaft: float, engine: float, gear: float | None) -> None:
    """Between ratios, at a stand, slower than any pull, and without one of the speeds it is not known."""
    assert held(Gear([3.0, 2.0, 1.0], 0.04, 100.0), driveshaft, engine) == gear


def test_a_ratio_that_is_passed_through_is_no_gear() -> None:
    """It must hold for 150 ms, also after a shift."""
    operator = Gear([3.0, 2.0], 0.04, 100.0)
    assert [one(operator, ms, 1_000.0, 3_000.0) for ms in (0, 149, 150)] == [None, None, 1.0]
    assert [one(operator, ms, 1_000.0, 2_000.0) for ms in (200, 349, 350)] == [None, None, 2.0]
    assert one(operator, 360, 1_000.0, 2_000.0, why=int(Why.ERROR)) is None


@pytest.mark.parametrize("name", ["clean-evening", "strip-pass"])
def test_the_gears_of_an_evening(name: str) -> None:
    """From road speed: never a wrong gear, and known for most of every pull.

    Now and then (1 %) a car that rolls out of gear has just the speeds of one, which no ratio can tell.
    """
    truth = evening(name)
    times = np.arange(0.0, truth.duration_s - 0.001, 0.02)
    readings = Readings(truth)
    circumference = 2.0 * math.pi * TYRE_M
    operator = Gear([road_turns(ratio, FINAL_DRIVE, circumference) for ratio in RATIOS[1:]], 0.04, 5.0)
    speeds = zip(readings.sample("vehicle_speed", times), readings.sample("engine_speed", times), strict=True)
    found = [one(operator, 20.0 * n, float(road), float(engine)) for n, (road, engine) in enumerate(speeds)]
    at = (times * 1_000).astype(np.int64)
    gear, throttle = truth.values["gear"][at], truth.values["throttle"][at]
    known = np.array([g is not None for g in found])
    says = np.array([0.0 if g is None else g for g in found])
    pulling = (throttle > 60.0) & (gear > 0) & (truth.values["speed_m_s"][at] > 8.0)
    assert (says[known & (gear > 0)] == gear[known & (gear > 0)]).all()
    assert (gear[known] == 0).mean() <= 0.012
    assert (says[known & pulling] == gear[known & pulling]).all()
    assert known[pulling].mean() > 0.8


# -- slips


def test_converter_slip_is_what_the_ratio_does_not_explain() -> None:
    """3,000 rpm in, 900 rpm out in a gear of 3: 300 rpm slip. In neutral and without the gear none is known."""
    operator = ConverterSlip([3.0, 2.0])
    assert one(operator, 0, 3_000.0, 900.0, 1.0) == 300.0
    assert one(operator, 0, 1_500.0, 900.0, 2.0) == -300.0
    for others in ((900.0, 0.0), (900.0, 3.0), (900.0, NAN), (NAN, 1.0)):
        assert one(operator, 0, 3_000.0, *others) is None
    assert one(operator, 0, 3_000.0, 900.0, 1.0, why=4) is None


def test_wheel_slip_is_a_share_of_the_undriven_speed() -> None:
    """Driven 44 and 46, undriven 40 and 40 km/h: 12.5 %. Slower than 10 km/h, and on a dyno, it is not known."""
    operator = WheelSlip(2)
    assert one(operator, 0, 44.0, 46.0, 40.0, 40.0) == 12.5
    assert one(operator, 0, 10.0, 10.0, 10.0, 10.0) == 0.0
    assert one(operator, 0, 30.0, 30.0, 9.9, 10.0) is None
    assert one(operator, 0, 30.0, 30.0, 0.0, 0.0) is None
    assert one(operator, 0, 44.0, NAN, 40.0, 40.0) is None
    assert one(operator, 0, 44.0, 46.0, 40.0, NAN) is None
    assert one(WheelSlip(1), 0, 55.0, 50.0) == 10.0


# -- barometric pressure


def latch(operator: Operator, begin_ms: int, seconds: float, kpa: Callable[[int], float], speed: float) -> float | None:
    """Return what is said after a time at 100 Hz."""
    found = None
    for n in range(round(seconds * 100) + 1):
        found = one(operator, begin_ms + 10 * n, kpa(n), speed)
    return found


def test_before_the_first_latch_nothing_is_known() -> None:
    """Not even a usual figure; and the reason says that it is not ready yet."""
    operator = BarometricLatch()
    assert latch(operator, 0, 0.99, lambda _: 98.9, 0.0) is None
    made = operator.one(2_000 * MS, 35.0, 0, (900.0,))
    assert made is not None
    assert math.isnan(made[0])
    assert made[1] == Why.NOT_READY


def test_the_middle_of_a_steady_second_is_kept_from_then_on() -> None:
    """98.5 to 99.3 kPa for a second; then whatever the manifold says, running, in doubt, or stopped but not steady."""
    operator = BarometricLatch()
    assert latch(operator, 0, 1.0, lambda n: 98.5 + 0.8 * (n % 2), 0.0) == 98.9
    assert latch(operator, 2_000, 60.0, lambda _: 210.0, 5_000.0) == 98.9
    assert one(operator, 70_000, 500.0, 900.0, why=int(Why.IMPLAUSIBLE)) == 98.9
    assert latch(operator, 80_000, 5.0, lambda n: 90.0 + 0.02 * n, 0.0) == pytest.approx(98.9)


@pytest.mark.parametrize(
    ("kpa", "speed"),
    [
        (lambda _: 98.9, 900.0),
        (lambda _: 98.9, NAN),
        (lambda _: 98.9, 150.0),
        (lambda _: 69.9, 0.0),
        (lambda _: 105.1, 0.0),
        (lambda n: 98.0 + 1.1 * (n % 2), 0.0),
    ],
    ids=["running", "speed not known", "cranking", "too low for air", "too high for air", "not steady"],
)
def test_what_is_no_air_is_not_latched(kpa: Callable[[int], float], speed: float) -> None:
    """An idling engine with a tired sensor of speed must not become the weather."""
    assert latch(BarometricLatch(), 0, 10.0, kpa, speed) is None


def test_a_lost_sample_begins_the_second_anew() -> None:
    """A second with a hole in it is none."""
    operator = BarometricLatch()
    latch(operator, 0, 0.9, lambda _: 98.9, 0.0)
    assert one(operator, 950, 98.9, 0.0, why=int(Why.ERROR)) is None
    assert latch(operator, 960, 0.9, lambda _: 98.9, 0.0) is None
    assert latch(operator, 1_870, 0.1, lambda _: 98.9, 0.0) == 98.9


@pytest.mark.parametrize("name", ["clean-evening", "dyno-evening"])
def test_the_latch_of_an_evening_is_the_air_of_its_place(name: str) -> None:
    """Latched with the key on, before the first start, to 0.2 kPa, and the same at the end."""
    truth = evening(name)
    times = np.arange(0.0, truth.duration_s - 0.001, 0.01)
    readings = Readings(truth)
    operator = BarometricLatch()
    speeds = readings.sample("engine_speed", times).tolist()
    manifold = readings.sample("manifold_pressure", times).tolist()
    found = [one(operator, 10.0 * n, kpa, speed) for n, (kpa, speed) in enumerate(zip(manifold, speeds, strict=True))]
    first = next(n for n, kpa in enumerate(found) if kpa is not None)
    assert 0.99 <= times[first] <= 1.05
    place = truth.scenario.place["barometric_kpa"]
    assert all(kpa == pytest.approx(place, abs=0.6) for kpa in found[first:])


def test_a_change_is_told_against_the_last_run() -> None:
    """Small steps of one stop add up, and nothing is a change before the engine ran, or while it runs."""
    operator = BarometricChange()
    assert one(operator, 0, 99.0, 0.0) == 0.0
    assert one(operator, 10, 96.0, 0.0) == 0.0
    assert one(operator, 20, 96.0, 900.0) == 0.0
    assert one(operator, 30, 96.0, 0.0) == 0.0
    assert [one(operator, 40 + n, 96.0 - n, 0.0) for n in range(5)] == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert one(operator, 50, 92.0, NAN) == 4.0
    assert one(operator, 60, 92.0, 900.0) == 0.0
    assert one(operator, 70, NAN, 900.0, why=int(Why.NOT_READY)) is None
