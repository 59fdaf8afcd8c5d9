"""Doubts: what moves too fast, what does not move, what has proved nothing; and what a healthy engine is spared.

Every threshold here is common practice with no published source; figures of a run come from the engine simulator.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Batch
from pullwatch.channels import Channel, Delay, Dimension
from pullwatch.columns import Column, Why, column
from pullwatch.derived import Deriving, Operator, Wired
from pullwatch.derived.doubts import Between, Excitation, Frozen, ManifoldByThrottle, OilBySpeed, Proof, Slew
from pullwatch.setup.deriving import deriving_for
from pullwatch.watchdog.alarms import State
from pullwatch.watchdog.judge import Watchdog
from pullwatch_sim.scenarios import load
from pullwatch_sim.truth import simulate

from .evenings import demo_plan, doubts, evening, played, readings
from .hold import hold_together, places, traces

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pullwatch.columns import Sample

MS = 1_000_000
NAN = math.nan
STALE = 100
CHANNELS = [Channel(n, f"c{n}", "", Dimension.NUMBER, stale_after=STALE) for n in range(4)]
ENGINE = st.one_of(
    st.sampled_from([0.0, -0.0, 0.5, 1.0, 1.25, 4.0, 45.0, 150.0, 900.0, 3_500.0, 1e308, -1e308, 5e-324]),
    st.floats(-1e6, 1e6),
)

MAKERS: dict[str, Callable[[], Operator]] = {
    # Times of the traces are nanoseconds: rates a thousand million times the usual ones.
    "slew": lambda: Slew(-2e9, 1e9, 3, STALE),
    "between": lambda: Frozen(Between(1.0, 100.0, 50.0, 20)),
    "manifold": lambda: Frozen(_quick(ManifoldByThrottle())),
    "oil": lambda: Frozen(_quick(OilBySpeed())),
    "proof": lambda: Proof(Delay(10, 20), 1.3, cuts=True),
}


def _quick(excitation: Excitation) -> Excitation:
    """Let regions settle within a short trace."""
    excitation.settle = tuple(20 for _ in excitation.settle)
    return excitation


@pytest.mark.parametrize("name", MAKERS)
@settings(max_examples=60)
@given(samples=traces(4, ENGINE), cuts=places())
def test_few_and_many_doubt_alike(name: str, samples: list[Sample], cuts: list[int]) -> None:
    """Any numbers, cut anywhere, with checkpoints between: the same doubts, and a doubted sample keeps its number."""
    others = (1, 2) if name == "manifold" else (1, 2, 3)
    out = hold_together(lambda: Deriving(CHANNELS, [Wired(0, 0, others, MAKERS[name]())]), samples, cuts)
    assert sorted(sample[:3] for sample in out) == sorted(sample[:3] for sample in samples)
    came = {(t, c): why for t, c, _, why in samples}
    assert all(why == came[t, c] for t, c, _, why in out if c or came[t, c])


def whys(operator: Operator, rows: Sequence[tuple[float, float]], others: Sequence[float] = ()) -> list[Why]:
    """Return what becomes of samples given as (ms, value)."""
    out = []
    for ms, value in rows:
        made = operator.one(round(ms * MS), value, 0, others)
        assert made is not None
        out.append(Why(made[1]))
    return out


def manifold_slew() -> Slew:
    """Return the usual limits of a manifold sensor at 100 Hz: two periods apart at least, silent after 250 ms."""
    return Slew(-2_500.0, 800.0, 20 * MS, 250 * MS)


FAST, GOOD = Why.TOO_FAST, Why.GOOD


def test_one_wrong_sample_costs_itself_only() -> None:
    """A spike is doubted; the sample after it is reached from the last one believed."""
    assert whys(manifold_slew(), [(0, 100), (10, 101), (20, 180), (30, 102), (40, 103)]) == [
        GOOD, GOOD, FAST, GOOD, GOOD,
    ]  # fmt: skip


def test_a_step_that_stays_is_believed_from_the_second_sample_on() -> None:
    """A doubt does not hold for ever: two samples that agree with each other are believed."""
    assert whys(manifold_slew(), [(0, 100), (10, 180), (20, 181), (30, 182)]) == [GOOD, FAST, GOOD, GOOD]


@pytest.mark.parametrize(("change", "why"), [(16.0, GOOD), (16.1, FAST), (-50.0, GOOD), (-50.1, FAST)])
def test_up_and_down_have_limits_of_their_own(change: float, why: Why) -> None:
    """800 kPa/s up and 2,500 down over 20 ms."""
    assert whys(manifold_slew(), [(0, 100.0), (20, 100.0 + change)]) == [GOOD, why]


def test_samples_of_one_read_are_taken_to_be_apart() -> None:
    """Two samples handed over at once bear times nanoseconds apart: that is not how fast the pressure rose."""
    assert whys(manifold_slew(), [(16, 100), (16.0001, 106), (16.0002, 112), (32, 118)]) == [GOOD] * 4


@pytest.mark.parametrize(("ms", "why"), [(249, FAST), (250, GOOD)])
def test_the_first_sample_after_silence_is_not_judged(ms: float, why: Why) -> None:
    """Nobody knows how the value got there."""
    assert whys(manifold_slew(), [(0, 100), (ms, 400)]) == [GOOD, why]


def test_samples_in_doubt_are_passed_by() -> None:
    """What the sender doubts is neither judged nor held against anything, and keeps its own reason."""
    slew = manifold_slew()
    slew.one(0, 100.0, 0, ())
    assert slew.one(10 * MS, 400.0, int(Why.ERROR), ()) == (400.0, int(Why.ERROR))
    assert slew.one(20 * MS, 101.0, 0, ()) == (101.0, 0)


def test_a_healthy_column_is_not_walked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing is to be doubted a column is answered at once."""

    def never(*_: object) -> Column:
        raise AssertionError("walked")

    slew = manifold_slew()
    monkeypatch.setattr(Operator, "many", never)
    healthy = column([0, 10 * MS, 20 * MS], [100, 101, 102])
    assert slew.many(healthy.t, healthy.v, healthy.why, ()).why.tolist() == [0, 0, 0]
    assert slew.one(30 * MS, 150.0, 0, ()) == (150.0, int(FAST))


# -- frozen by excitation


def frozen(operator: Frozen, rows: Sequence[tuple[float, float, tuple[float, ...]]]) -> list[bool]:
    """Return whether the last sample of each row is FROZEN; rows are (seconds, value, others), sampled at 100 Hz."""
    out, t = [], 0
    for seconds, value, others in rows:
        why = 0
        for _ in range(round(seconds * 100)):
            made = operator.one(t, value, 0, others)
            assert made is not None
            why = made[1]
            t += 10 * MS
        out.append(why == Why.FROZEN)
    return out


def by_throttle() -> Frozen:
    """Return the usual doubt of a manifold sensor; others are throttle and engine speed."""
    return Frozen(ManifoldByThrottle())


def test_a_manifold_that_ignores_the_throttle_is_frozen() -> None:
    """35 kPa at idle and still 35 kPa 0.3 s after the throttle was opened; believed again when it moves."""
    rows = [(2, 35.0, (2.0, 900.0)), (0.3, 35.2, (90.0, 2_000.0)), (0.02, 35.2, (90.0, 2_000.0))]
    assert frozen(by_throttle(), [*rows, (0.01, 60.0, (90.0, 2_000.0))]) == [False, False, True, False]


@pytest.mark.parametrize(
    "rows",
    [
        [(60, 180.0, (100.0, 3_000.0)), (60, 180.0, (100.0, 6_500.0))],
        [(600, 35.0, (0.0, 900.0))],
        [(600, 99.0, (0.0, 0.0))],
        [(5, 35.0, (2.0, 900.0)), (5, 99.0, (90.0, 2_000.0)), (5, 35.0, (2.0, 900.0))],
        [(5, 35.0, (2.0, 900.0)), (5, 35.0, (NAN, 2_000.0)), (5, 35.0, (90.0, NAN))],
        [(5, 35.0, (2.0, 900.0)), (0.25, 35.0, (90.0, 2_000.0)), (5, 35.0, (2.0, 900.0))],
    ],
    ids=["boost held well", "idle", "key on", "follows", "drivers not known", "too short to count"],
)
def test_constant_and_healthy_is_not_frozen(rows: list[tuple[float, float, tuple[float, ...]]]) -> None:
    """Equal samples say nothing where what drives them stood still, is not known, or moved for a moment only."""
    assert not any(frozen(by_throttle(), rows))


def test_a_manifold_stuck_at_the_air_is_found_at_the_first_idle() -> None:
    """99 kPa while the engine stands, and still at idle: known half a second after it runs."""
    assert frozen(by_throttle(), [(3, 99.0, (0.0, 0.0)), (0.5, 99.0, (0.0, 900.0)), (0.02, 99.0, (0.0, 900.0))]) == [
        False, False, True,
    ]  # fmt: skip


def by_speed() -> Frozen:
    """Return the usual doubt of an oil pressure sensor; the other is engine speed."""
    return Frozen(OilBySpeed())


def test_oil_pressure_that_ignores_speed_is_frozen() -> None:
    """A middling pressure that is the same at idle and at 3,500 rpm, or under which the engine stands."""
    assert frozen(by_speed(), [(5, 180.0, (900.0,)), (1.4, 180.0, (3_500.0,)), (0.2, 180.0, (3_500.0,))]) == [
        False, False, True,
    ]  # fmt: skip
    assert frozen(by_speed(), [(6, 180.0, (0.0,)), (5.1, 180.0, (900.0,))]) == [False, True]


@pytest.mark.parametrize("pressure", [0.0, 20.0, 60.0, 99.0])
def test_oil_pressure_that_would_trip_is_never_doubted(pressure: float) -> None:
    """No oil pressure, or little at speed, is an alarm: it must not be turned into a fault of the sensor."""
    rows = [(10, pressure, (0.0,)), (10, pressure, (900.0,)), (10, pressure, (5_000.0,))]
    if pressure < 50.0:
        assert frozen(by_speed(), rows) == [False, False, False]
    assert frozen(by_speed(), rows[1:]) == [False, False]


def test_cold_oil_on_the_relief_valve_is_not_frozen() -> None:
    """450 kPa at idle and at speed: the valve is open at both."""
    assert frozen(by_speed(), [(20, 450.0, (1_100.0,)), (20, 455.0, (5_000.0,))]) == [False, False]


def test_a_partner_of_ones_own() -> None:
    """A second sensor of the same quantity went from 100 to 150 and stayed a second: this one must have moved by 10."""
    operator = Frozen(Between(100.0, 150.0, 10.0, 1_000 * MS))
    assert frozen(operator, [(3, 98.0, (97.0,)), (1, 98.0, (151.0,)), (0.1, 98.0, (151.0,))]) == [False, False, True]


def test_doubt_by_others_restarts_the_wait() -> None:
    """While the channel itself is in doubt nothing is learnt of it, and the reason it came with stays."""
    operator = by_throttle()
    assert frozen(operator, [(2, 35.0, (2.0, 900.0))]) == [False]
    for n in range(100):
        assert operator.one((2_000 + 10 * n) * MS, 35.0, int(Why.ERROR), (90.0, 2_000.0)) == (35.0, int(Why.ERROR))
    assert operator.one(3_000 * MS, 35.0, 0, (90.0, 2_000.0)) == (35.0, 0)


# -- proof

IDLE, STAND = (900.0, 0.0, 0.0), (0.0, 0.0, 0.0)
OVERRUN = (3_000.0, 1.0, 0.0)
RAIL = 1.8


class Sensor:
    """A lambda sensor at 50 Hz in front of the proof; its delay is 60 to 180 ms."""

    def __init__(self) -> None:
        self.operator = Proof(Delay(60 * MS, 180 * MS), RAIL, cuts=True)
        self.t = 0

    def says(self, seconds: float, value: float, others: tuple[float, float, float], why: int = 0) -> Why:
        """Let it say one value for a time; return what became of the last sample."""
        last = 0
        for _ in range(round(seconds * 50)):
            made = self.operator.one(self.t, value, why, others)
            assert made is not None
            assert made[0] == value
            last = made[1]
            self.t += 20 * MS
        return Why(last)

    def proved(self) -> Sensor:
        """Let the engine start and the sensor move."""
        assert self.says(1, 1.0, STAND) is NOT_PROVED
        assert self.says(1, 1.0, IDLE) is NOT_PROVED
        assert self.says(0.02, 0.89, IDLE) is GOOD
        return self

    def fails(self) -> Sensor:
        """Let it ignore an overrun cut of 1.5 s."""
        self.says(1.5, 0.95, OVERRUN)
        self.says(1, 1.0, IDLE)
        return self


NOT_PROVED = Why.NOT_PROVED


def test_a_sensor_is_proved_by_moving_in_the_running_engine() -> None:
    """Not by saying that it is ready, nor by 0.09, nor by what it did before the start."""
    sensor = Sensor()
    sensor.says(1, 0.8, STAND)
    sensor.says(1, 1.0, STAND)
    assert sensor.says(20, 1.0, IDLE) is NOT_PROVED
    assert sensor.says(5, 0.91, IDLE) is NOT_PROVED
    assert sensor.says(0.02, 0.89, IDLE) is GOOD
    assert sensor.says(60, 1.0, IDLE) is GOOD


def test_a_new_start_asks_for_a_new_proof() -> None:
    """The engine stood, and runs again."""
    sensor = Sensor().proved()
    assert sensor.says(2, 1.0, STAND) is GOOD
    assert sensor.says(0.5, 1.0, (250.0, 0.0, 0.0)) is GOOD
    assert sensor.says(1, 1.0, IDLE) is NOT_PROVED


@pytest.mark.parametrize(("seconds", "why"), [(2.9, GOOD), (3.1, NOT_PROVED)])
def test_an_engine_speed_that_is_not_known_for_long_may_hide_a_start(seconds: float, why: Why) -> None:
    """One lost or doubted sample of engine speed in a pull does not disarm the watch over the mixture."""
    sensor = Sensor().proved()
    assert sensor.says(seconds, 1.0, (NAN, 0.0, 0.0)) is GOOD
    assert sensor.says(1, 1.0, IDLE) is why


def test_air_on_an_overrun_cut_is_a_free_proof() -> None:
    """A sensor that has not moved enough yet passes 1.2 on the cut."""
    sensor = Sensor()
    sensor.says(1, 1.15, IDLE)
    assert sensor.says(0.5, 1.15, OVERRUN) is NOT_PROVED
    assert sensor.says(0.02, 1.2, OVERRUN) is GOOD
    assert sensor.says(5, 1.15, IDLE) is GOOD


def test_failing_twice_in_a_row_is_not_believed_until_it_passes_once() -> None:
    """One failure is let go; moving by 0.1 does not heal two, nor does a start; passing does."""
    sensor = Sensor().proved()
    assert sensor.fails().says(1, 1.0, IDLE) is GOOD
    assert sensor.fails().says(1, 1.0, IDLE) is NOT_PROVED
    assert sensor.says(1, 0.8, IDLE) is NOT_PROVED
    sensor.says(2, 1.0, STAND)
    sensor.says(2, 1.0, IDLE)
    assert sensor.says(1, 0.8, IDLE) is NOT_PROVED
    sensor.says(0.3, 0.95, OVERRUN)
    assert sensor.says(0.1, 1.3, OVERRUN) is GOOD
    assert sensor.says(10, 1.0, IDLE) is GOOD


def test_a_pass_between_two_failures_counts_anew() -> None:
    """Only two in a row."""
    sensor = Sensor().proved().fails()
    sensor.says(0.3, 1.0, OVERRUN)
    sensor.says(0.5, 1.5, OVERRUN)
    sensor.says(1, 1.0, IDLE)
    assert sensor.fails().says(1, 1.0, IDLE) is GOOD


def test_a_failure_is_told_when_the_time_and_the_delay_are_over() -> None:
    """1.0 s and the longest delay, 180 ms, after the cut began: not before."""
    sensor = Sensor().proved().fails()
    assert sensor.says(1.2, 0.95, OVERRUN) is GOOD
    assert sensor.says(0.02, 0.95, OVERRUN) is NOT_PROVED


@pytest.mark.parametrize(
    "cut",
    [
        [(0.9, 0.95, OVERRUN, 0)],
        [(1.5, 0.95, (3_000.0, 2.0, 0.0), 0)],
        [(1.5, 0.95, (3_000.0, 1.0, 80.0), 0)],
        [(1.5, 0.95, (3_000.0, NAN, 0.0), 0)],
        [(0.5, 0.95, OVERRUN, 0), (0.5, 0.95, OVERRUN, int(Why.ERROR)), (0.5, 0.95, OVERRUN, 0)],
    ],
    ids=["too short", "ignition", "limiter", "not known", "in doubt meanwhile"],
)
def test_what_is_no_overrun_cut_proves_nothing(cut: list[tuple[float, float, tuple[float, float, float], int]]) -> None:
    """A sensor is not blamed for what it need not have seen."""
    sensor = Sensor().proved()
    for _ in range(4):
        for part in cut:
            sensor.says(*part)
        assert sensor.says(2, 1.0, IDLE) is GOOD


def test_silence_over_a_cut_proves_nothing() -> None:
    """The link was away; the sensor may have passed."""
    sensor = Sensor().proved()
    for _ in range(3):
        sensor.says(0.2, 0.95, OVERRUN)
        sensor.t += 1_200 * MS
        sensor.says(0.2, 0.95, OVERRUN)
        assert sensor.says(1, 1.0, IDLE) is GOOD


def test_the_lean_rail_is_believed_unproved() -> None:
    """It trips, which is the safe way to be wrong; the rich rail is not known."""
    sensor = Sensor()
    assert sensor.says(2, RAIL, IDLE) is GOOD
    assert sensor.says(2, 1.75, IDLE) is NOT_PROVED
    other = Sensor()
    assert other.says(9, 0.6, IDLE) is NOT_PROVED


# -- the simulator's evenings


@pytest.mark.parametrize("name", ["clean-evening", "strip-pass", "short-pull", "short-lean", "dyno-evening"])
@pytest.mark.parametrize("bundled", [False, True], ids=["at once", "in bundles of 16 ms"])
def test_an_evening_of_sound_sensors_has_no_doubts(name: str, *, bundled: bool, tmp_path: Path) -> None:
    """The usual doubts spare every believed channel: launch, cut shifts, overruns, noise, repeated values and all."""
    assert doubts(evening(name), demo_plan(tmp_path), bundled=bundled) == {}


@pytest.mark.parametrize("seed", range(3))
def test_other_evenings_have_none_either(seed: int, tmp_path: Path) -> None:
    """The clean evening with other noise."""
    assert doubts(simulate(replace(load("clean-evening"), seed=seed)), demo_plan(tmp_path)) == {}


def test_two_periods_apart_leave_room_for_a_clutch_that_bites(tmp_path: Path) -> None:
    """A cut shift takes engine speed down at 27,000 rpm/s for two samples: half of the usual limit would doubt that."""
    plan = demo_plan(tmp_path, "engine_speed", slew_per_s="[-10_000, 20_000]")
    assert {why for _, why in doubts(evening("clean-evening"), plan)["engine_speed"]} == {Why.TOO_FAST}


@pytest.mark.parametrize("name", ["clean-evening", "dyno-evening", "strip-pass"])
def test_a_sound_sensor_has_proved_itself_before_boost(name: str, tmp_path: Path) -> None:
    """Asked for a proof, a healthy lambda sensor is in doubt once, after the start, and ends that before any boost."""
    truth = evening(name)
    found = doubts(truth, demo_plan(tmp_path, proof="true", lean_rail="1.8"))
    assert set(found) == {"lambda"}
    armed = truth.values["manifold_pressure"] > truth.values["barometric_pressure"] + 20.0
    assert max(t for t, _ in found["lambda"]) < armed.argmax() / 1_000.0 - 0.3


STAGES = (
    {"do": "key_on"},
    {"do": "start"},
    {"do": "idle"},
    {"do": "pull", "name": "pull 1"},
    {"do": "overrun", "name": "overrun 1"},
    {"do": "idle", "name": "idle 2"},
    {"do": "pull", "name": "pull 2"},
    {"do": "overrun", "name": "overrun 2", "for_s": 3.0},
)


@pytest.mark.parametrize(
    ("channel", "stage", "found_in", "within_s"),
    [
        # The pull opens the throttle 2.2 s into its stage, when the roller is up to speed.
        ("manifold_pressure", "idle", "pull 1", 2.6),
        ("manifold_pressure", "pull 1", "overrun 1", 0.7),
        ("lambda", "pull 1", "overrun 2", 1.5),
        ("oil_pressure", "idle", "pull 1", 6.2),
    ],
)
def test_a_stuck_sensor_is_found_as_soon_as_it_should_have_moved(
    channel: str, stage: str, found_in: str, within_s: float, tmp_path: Path
) -> None:
    """Manifold: the next throttle and 0.3 to 0.5 s; lambda: the second overrun cut and 1.45 s; oil: 1.5 s at speed."""
    fault = {"kind": "sensor_stuck", "channel": channel, "start": {"stage": stage, "after_s": 2.9}}
    truth = played(*STAGES, faults=(fault,))
    plan = demo_plan(tmp_path, proof="true", lean_rail="1.8")
    begin = truth.moment("sensor_stuck")
    told = [(t, why) for t, why in doubts(truth, plan)[channel] if t >= begin]
    assert {why for _, why in told} == {NOT_PROVED if channel == "lambda" else Why.FROZEN}
    since = dict(truth.stages)[found_in]
    assert since < told[0][0] <= since + within_s


def test_a_doubt_is_told_as_a_lost_reading(tmp_path: Path) -> None:
    """A manifold sensor that sticks at idle is an alarm 0.3 s after the throttle opens, before there is boost."""
    truth = played(
        *STAGES[:4], faults=({"kind": "sensor_stuck", "channel": "manifold_pressure", "start": {"at_s": 6}},)
    )
    plan = demo_plan(tmp_path)
    samples = deriving_for(plan).few(readings(truth, plan))
    last = samples[-1][0]
    changes = Watchdog(plan.rules).judge(Batch(now=last, samples=samples))
    told = {plan.facts[change.rule].says: change.t / 1e9 for change in changes if change.state is State.UNACKNOWLEDGED}
    throttle = truth.values["throttle"]
    opened = float(np.argmax((throttle >= 40.0) & (truth.values["engine_speed"] >= 1_500.0)) / 1_000.0)
    assert opened < told["No manifold pressure."] <= opened + 0.32
    assert truth.values["manifold_pressure"][round(told["No manifold pressure."] * 1_000)] < 118.9
