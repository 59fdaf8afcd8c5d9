"""What a driver hears, from samples and changes alone: on a pass, after the lift, off it, and with the engine off.

The oracle here goes through time 10 ms by 10 ms and asks of every instant what the last two, half or ten seconds held.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pullwatch.annunciators import driving as module
from pullwatch.annunciators.driving import Driving, signs, unknown
from pullwatch.annunciators.sound import CALLS_FOR, Sound
from pullwatch.batch import Batch
from pullwatch.channels import QUANTITIES, Channel
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import to_columns
from pullwatch.watchdog.alarms import TABLE, Change, Event, Priority, State
from pullwatch.watchdog.conditions import Lost
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pullwatch.columns import Sample

STALE = 250 * NS_PER_MS
STEP = 10 * NS_PER_MS
NAMES = (
    "manifold_pressure",
    "barometric_pressure",
    "boost",
    "launch_active",
    "throttle",
    "vehicle_speed",
    "engine_speed",
)
PRIORITIES = (Priority.CRITICAL, Priority.CAUTION, Priority.NOTE, Priority.CRITICAL)
LIFT, WARM, ODD, OVER = range(4)
QUIET_NOW, QUIET_AFTER = "quiet now", "quiet after the burst"
RAISE, CLEAR, CLEAR_L, ACK = Event.RAISE, Event.CLEAR, Event.CLEAR_LATCHED, Event.ACKNOWLEDGE

Heard: TypeAlias = "str | tuple[Priority, int]"


def channel(number: int, name: str) -> Channel:
    q = QUANTITIES[name]
    return Channel(number, name, q.unit, q.dimension, stale_after=STALE)


def rules(*names: str) -> RuleSet:
    """Return the four rules over channels of these names."""
    named = tuple(Rule(n, f"rule {n}", Lost(0), priority=p) for n, p in enumerate(PRIORITIES))
    return RuleSet(tuple(channel(n, name) for n, name in enumerate(names)), named)


class Car:
    """A car whose channels say what is told them, 20 times a second, and what its driver hears."""

    def __init__(self, *names: str, driver: bool = True) -> None:
        self.rules = rules(*(names or ("boost", "launch_active", "vehicle_speed", "engine_speed")))
        self.number = {c.name: c.number for c in self.rules.channels}
        self.asked: list[Heard] = []
        self.states = dict.fromkeys(range(4), State.NORMAL)
        self.sound = Sound(self.rules, self, driver=driver)
        self.now = 0

    def alarm(self, priority: Priority, rule: int, state: State) -> int:
        """Note what should sound."""
        assert self.states[rule] is state
        self.asked.append((priority, rule))
        return len(self.asked)

    def silence(self, *, finish: bool = False) -> None:
        """Note that nothing should."""
        self.asked.append(QUIET_AFTER if finish else QUIET_NOW)

    def drive(self, seconds: float, **values: float) -> list[Heard]:
        """Let time go by with these values; return what was asked to sound meanwhile."""
        before = len(self.asked)
        for _ in range(round(seconds * 20)):
            self.now += 50 * NS_PER_MS
            samples = [(self.now, self.number[n], v, int(math.isnan(v))) for n, v in values.items()]
            self.sound.take(Batch(self.now, (), samples), ())
        return self.asked[before:]

    def move(self, *moves: tuple[int, Event]) -> list[Heard]:
        """Let alarms move, in a step of their own; return what was asked to sound because of it."""
        self.now += 1
        before = len(self.asked)
        changes = []
        for rule, event in moves:
            was = self.states[rule]
            self.states[rule] = TABLE[was, event]
            changes.append(Change(self.now, rule, was, self.states[rule], event, math.nan, math.nan))
        self.sound.take(Batch(self.now), changes)
        return self.asked[before:]


PASS = {"boost": 120.0, "launch_active": 0.0, "vehicle_speed": 150.0, "engine_speed": 6_000.0}
OFF = {**PASS, "boost": -60.0}
PIT = {"boost": 0.0, "launch_active": 0.0, "vehicle_speed": 0.5, "engine_speed": 0.0}


def test_on_a_pass_one_signal_only_and_silent_by_itself_after_the_lift() -> None:
    """Cautions and notes raised under boost are not heard; "Lift" is, and ends with its burst 0.5 s after the lift."""
    car = Car()
    assert car.drive(2.0, **PASS) == []
    assert car.move((WARM, RAISE), (ODD, RAISE)) == []
    assert car.move((LIFT, RAISE)) == [(Priority.CRITICAL, LIFT)]
    assert car.drive(3.0, **PASS) == [], "it repeats by itself"
    assert car.drive(0.5, **OFF) == []
    assert car.drive(0.1, **OFF) == [QUIET_AFTER]


def test_lift_needs_no_acknowledgement_and_comes_back_with_boost() -> None:
    """A silenced "Lift" whose alarm still stands sounds again as soon as the pressure is back: nothing is forgotten."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((LIFT, RAISE))
    assert car.drive(1.0, **OFF) == [QUIET_AFTER]
    assert car.drive(1.0, **PASS) == [(Priority.CRITICAL, LIFT)]
    assert car.drive(1.0, **OFF) == [QUIET_AFTER]


def test_a_change_of_gear_is_no_lift() -> None:
    """Pressure that is back within half a second never ended the signal, and lets no caution through."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((LIFT, RAISE), (WARM, RAISE))
    assert car.drive(0.45, **OFF) == []
    assert car.drive(2.0, **PASS) == []
    car.move((LIFT, CLEAR_L))
    assert car.asked[-1] == QUIET_AFTER
    assert car.drive(1.9, **OFF) == [], "a slow change of gear"
    assert car.drive(2.0, **PASS) == []


def test_a_sample_at_the_very_instant_the_last_one_goes_stale_is_in_time() -> None:
    """Readings exactly as far apart as they may be are known throughout: the half second is not begun anew."""
    car = Driving((channel(0, "boost"),))
    samples = [(STALE * k, 0, 120.0 if k == 1 else -60.0, 0) for k in range(1, 5)]
    car.take(Batch(STALE * 4, (), samples))
    assert car.lifted_at == STALE * 2 + module.LIFTED_AFTER


def test_a_critical_alarm_raised_after_the_lift_sounds() -> None:
    """A lift answers what stood before it and nothing else."""
    car = Car()
    car.drive(1.0, **PASS)
    car.drive(1.0, **OFF)
    assert car.move((OVER, RAISE)) == [(Priority.CRITICAL, OVER)]
    assert car.drive(60.0, **OFF) == [], "it goes on for as long as it stands"
    assert car.move((OVER, CLEAR_L)) == [QUIET_AFTER]


def test_a_critical_alarm_off_boost_is_not_silenced_by_a_lift_that_never_was() -> None:
    """Idling from the start, pressure was never up: nothing was lifted from, the signal stays."""
    car = Car()
    car.move((LIFT, RAISE))
    assert car.drive(30.0, boost=-60.0, vehicle_speed=0.0, engine_speed=900.0) == []
    assert car.asked == [(Priority.CRITICAL, LIFT)]


def test_pressure_not_known_is_no_lift() -> None:
    """With the sensor lost in mid-pass "Lift" goes on, whatever else is known, and nothing lower is let through."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((LIFT, RAISE), (WARM, RAISE))
    assert car.drive(20.0, vehicle_speed=150.0, engine_speed=5000.0) == []
    assert car.drive(20.0, boost=math.nan, vehicle_speed=150.0, engine_speed=5000.0) == []


def test_a_lift_that_is_not_known_any_more_sounds_again() -> None:
    """Silenced, then the pressure is lost: it is not known any more that the driver lifted."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((LIFT, RAISE))
    assert car.drive(1.0, **OFF) == [QUIET_AFTER]
    assert car.drive(1.0, vehicle_speed=150.0) == [(Priority.CRITICAL, LIFT)]
    assert car.drive(0.4, **OFF) == []
    assert car.drive(0.2, **OFF) == [QUIET_AFTER]


def test_off_a_pass_a_caution_calls_and_ends_by_itself() -> None:
    """Raised in the return road it is heard for ten seconds; nobody has to do anything for it to end."""
    car = Car()
    car.drive(5.0, **OFF)
    assert car.move((WARM, RAISE)) == [(Priority.CAUTION, WARM)]
    assert car.drive(9.9, **OFF) == []
    assert car.drive(0.2, **OFF) == [QUIET_AFTER]
    assert car.drive(60.0, **OFF) == []
    assert car.states[WARM] is State.UNACKNOWLEDGED


def test_a_caution_of_the_pass_calls_after_it() -> None:
    """What was held back is heard once the pass is over, two seconds after the pressure fell."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((WARM, RAISE))
    assert car.drive(1.95, **OFF) == []
    assert car.drive(0.2, **OFF) == [(Priority.CAUTION, WARM)]
    assert car.drive(10.0, **OFF) == [QUIET_AFTER]


@pytest.mark.parametrize("begin", [{"boost": 30.0}, {"boost": -5.0, "launch_active": 1.0}])
def test_a_pass_that_begins_cuts_a_caution_off(begin: dict[str, float]) -> None:
    """Boost or the launch limiter end a caution in the middle of its burst."""
    car = Car()
    car.drive(5.0, **{**OFF, "vehicle_speed": 0.0})
    assert car.move((WARM, RAISE)) == [(Priority.CAUTION, WARM)]
    assert car.drive(1.0, **{**OFF, "vehicle_speed": 0.0, **begin}) == [QUIET_NOW]


def test_a_foot_down_begins_a_pass_before_the_boost_is_there() -> None:
    """Throttle or pedal beyond 60 % is a launch, even where nothing says so; with the engine off it is a check."""
    for foot in ("throttle", "pedal"):
        car = Car("boost", foot, "engine_speed")
        car.drive(5.0, **{"boost": -60.0, foot: 10.0, "engine_speed": 900.0})
        assert car.move((WARM, RAISE)) == [(Priority.CAUTION, WARM)]
        assert car.drive(0.1, **{"boost": -60.0, foot: 80.0, "engine_speed": 3000.0}) == [QUIET_NOW]
        car = Car("boost", foot, "engine_speed")
        car.drive(5.0, **{"boost": 0.0, foot: 10.0, "engine_speed": 0.0})
        car.move((WARM, RAISE))
        assert car.drive(0.1, **{"boost": 0.0, foot: 100.0, "engine_speed": 0.0}) == []


def test_a_slow_car_whose_pressure_is_lost_hears_cautions() -> None:
    """Below 20 km/h it is on no pass, although the pressure is not known; above, it may be."""
    car = Car()
    car.move((WARM, RAISE))
    assert car.drive(10.0, vehicle_speed=60.0, engine_speed=3000.0) == []
    assert car.drive(1.9, vehicle_speed=12.0, engine_speed=1500.0) == []
    assert car.drive(0.3, vehicle_speed=12.0, engine_speed=1500.0) == [(Priority.CAUTION, WARM)]


def test_with_the_engine_off_it_repeats_until_acknowledged() -> None:
    """Ten seconds after the engine stands somebody is there: alarms that are over remind, those that stand sound on."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((LIFT, RAISE), (WARM, RAISE), (OVER, RAISE))
    car.move((OVER, CLEAR_L))
    assert car.asked[-1] == (Priority.CRITICAL, LIFT)
    car.drive(5.0, **OFF)
    before = len(car.asked)
    car.drive(30.0, **PIT)
    assert car.asked[before:] == [QUIET_AFTER, (Priority.CRITICAL, LIFT)], "the caution's call ends, the pit begins"
    assert car.drive(120.0, **PIT) == []
    assert car.move((LIFT, ACK)) == [(Priority.CAUTION, WARM)]
    assert car.move((WARM, ACK)) == [(Priority.NOTE, OVER)]
    assert car.move((OVER, ACK)) == [QUIET_NOW]


def test_the_key_turned_off_in_the_pit_is_standing_too() -> None:
    """The controller falls silent with the key; a car known to stand, or whose engine stood before that, stands."""
    for rest in ({"vehicle_speed": 0.4}, {}):
        car = Car()
        car.drive(1.0, **PASS)
        car.move((LIFT, RAISE))
        car.move((LIFT, CLEAR_L))
        car.drive(3.0, **OFF)
        car.drive(0.5, **PIT)
        assert car.drive(9.0, **rest) == []
        assert car.drive(1.0, **rest) == [(Priority.NOTE, LIFT)]


@pytest.mark.parametrize(
    "where",
    [
        {**OFF, "vehicle_speed": 0.0, "engine_speed": 900.0},  # a red light, the start line
        {"vehicle_speed": 60.0},  # the controller is silent, and the car rolls
        {"engine_speed": 0.0, "vehicle_speed": 60.0},  # the engine died, and the car rolls
        {},  # nothing is known
    ],
)
def test_no_driver_is_ever_asked_to_acknowledge(where: dict[str, float]) -> None:
    """An alarm that is over is silent for good, however long nobody acknowledges it."""
    car = Car()
    car.drive(1.0, **PASS)
    car.move((LIFT, RAISE))
    assert car.move((LIFT, CLEAR_L)) == [QUIET_AFTER]
    assert car.drive(300.0, **where) == []


def test_a_crew_hears_everything_until_it_acknowledges() -> None:
    """On the dyno boost silences nothing and a lift ends nothing."""
    car = Car(driver=False)
    car.drive(1.0, **PASS)
    assert car.move((WARM, RAISE)) == [(Priority.CAUTION, WARM)]
    assert car.move((LIFT, RAISE)) == [(Priority.CRITICAL, LIFT)]
    assert car.drive(60.0, **OFF) == []
    assert car.move((LIFT, CLEAR_L)) == [(Priority.CAUTION, WARM)]
    assert car.move((WARM, ACK)) == [(Priority.NOTE, LIFT)]


# -- pressure without a measured air


def pressure(names: Sequence[str], *values: float) -> bool | None:
    """Say what one instant's pressures mean."""
    car = Driving(tuple(channel(n, name) for n, name in enumerate(names)))
    car.take(Batch(STEP, (), [(STEP, n, v, 0) for n, v in enumerate(values)]))
    return car._up


@pytest.mark.parametrize(
    ("manifold", "air", "up"),
    [
        *[(126.0, None, True), (124.0, None, None), (81.0, None, None), (79.0, None, False)],
        *[(101.0, 80.0, True), (99.0, 80.0, None), (89.0, 80.0, False)],
    ],
)
def test_absolute_pressure_is_held_against_all_the_air_there_can_be(
    manifold: float, air: float | None, up: bool | None
) -> None:
    """Without a barometric pressure what cannot be told between 70 and 105 kPa of air is not known."""
    names = ["manifold_pressure"] + ([] if air is None else ["barometric_pressure"])
    assert pressure(names, manifold, *([] if air is None else [air])) is up


def test_what_cannot_be_known_is_said() -> None:
    """Whoever sets up a car is told what follows from the channels it lacks."""
    full = [channel(n, name) for n, name in enumerate(NAMES)]
    assert unknown(full) == []
    assert signs(full) == "a pass is known by boost, manifold_pressure, launch_active, throttle"
    nothing = unknown([channel(0, "lambda")])
    assert [words.split(":")[0] for words in nothing] == [
        "there is no pressure",
        "nothing says when a pass is over",
        "there is no engine speed",
    ]
    assert len(unknown([channel(0, "lambda"), channel(1, "vehicle_speed")])) == 2


# -- the oracle

CHOICES = {
    "manifold_pressure": (30.0, 79.0, 100.0, 112.0, 126.0, 250.0),
    "barometric_pressure": (80.0, 98.0),
    "boost": (-60.0, 9.0, 15.0, 21.0, 120.0),
    "launch_active": (0.0, 1.0),
    "throttle": (0.0, 59.0, 61.0),
    "vehicle_speed": (0.0, 4.0, 12.0, 150.0),
    "engine_speed": (0.0, 900.0),
}
ROUGH = st.tuples(
    st.integers(0, 3), st.integers(0, 120), st.sampled_from(NAMES), st.integers(0, 5), st.sampled_from([0, 0, 0, 0, 3])
)
"""Seconds and 10 ms to the next sample, channel, choice of value, reason for doubt."""


def story(rough: Iterable[tuple[int, int, str, int, int]], hold: int) -> list[Sample]:
    """Return samples from a rough story: each value is said again every 100 ms, `hold` times."""
    at: dict[tuple[int, int], tuple[float, int]] = {}
    t = 0
    for seconds, steps, name, choice, why in rough:
        t += seconds * NS_PER_S // 2 + steps * STEP
        number = NAMES.index(name)
        for k in range(hold):
            at[t + k * 10 * STEP, number] = (CHOICES[name][choice % len(CHOICES[name])], why)
    return [(t, number, v, why) for (t, number), (v, why) in sorted(at.items())]


def oracle(samples: list[Sample], until: int) -> list[tuple[bool, int | None, bool]]:
    """Return (on a pass, lifted at, standing) for every 10 ms up to `until`, from what each instant knows."""
    by_time: dict[int, list[Sample]] = {}
    for sample in samples:
        by_time.setdefault(sample[0], []).append(sample)
    latest: dict[str, Sample] = {}
    up: bool | None = None
    down = calm = still = 0
    ever_up = over = lifted = False
    lift: int | None = None
    out = []
    for t in range(0, until + 1, STEP):
        for sample in by_time.get(t, []):
            latest[NAMES[sample[1]]] = sample
        know = {name: v for name, (at, _, v, why) in latest.items() if not why and t - at < STALE}
        if "boost" in know:
            low = high = know["boost"]
        elif "manifold_pressure" in know:
            air = know.get("barometric_pressure")
            low = know["manifold_pressure"] - (105.0 if air is None else air)
            high = know["manifold_pressure"] - (70.0 if air is None else air)
        else:
            low, high = math.inf, math.inf
            up = None
        if low != math.inf:
            up = True if low > 20 else False if high < 10 else up
        down = down + 1 if up is False else 0
        if ever_up and down * STEP > NS_PER_S // 2:  # counted from one: so long ago it began
            lift, ever_up = t, False
        if up:
            ever_up, lift = True, None
        lifted = lift is not None and down * STEP > NS_PER_S // 2
        stopped = know.get("engine_speed", 1.0) <= 0
        foot = know.get("throttle", 0.0) > 60 and not stopped
        if up or know.get("launch_active", 0.0) != 0 or foot:
            calm, over = 0, False
        elif up is False or stopped or know.get("vehicle_speed", 99.0) < 20:
            calm += 1
            over = over or calm * STEP > 2 * NS_PER_S
        else:
            calm, over = 0, False
        speed = know.get("vehicle_speed")
        if up or (speed is not None and speed >= 5) or know.get("engine_speed", 0.0) > 0:
            still = 0
        elif still or stopped or ("engine_speed" not in know and speed is not None):
            still += 1
        stands = still * STEP > 10 * NS_PER_S
        out.append((not over and not stands, lift if lifted else None, stands))
    return out


@given(st.lists(ROUGH, max_size=25), st.sampled_from([1, 4, 30, 130]), st.data())
@example([(0, 0, "boost", 4, 0), (3, 0, "boost", 0, 0), (3, 0, "engine_speed", 0, 0)], 130, None)
def test_any_cut_gives_what_the_oracle_says(
    rough: list[tuple[int, int, str, int, int]], hold: int, data: st.DataObject | None
) -> None:
    """At the end of every batch, however cut and whichever way samples come, the three answers are the oracle's."""
    samples = story(rough, hold)
    until = (samples[-1][0] if samples else 0) + 14 * NS_PER_S
    expected = oracle(samples, until)
    car = Driving(tuple(channel(n, name) for n, name in enumerate(NAMES)))
    ends = list(range(0, until + 1, 100 * STEP))
    if data is not None:
        drawn = data.draw(st.lists(st.integers(0, until // STEP), max_size=20))
        ends = [end * STEP for end in sorted({*drawn, until // STEP})]
    at = 0
    for number, end in enumerate(ends):
        mine = []
        while at < len(samples) and samples[at][0] <= end:
            mine.append(samples[at])
            at += 1
        car.take(Batch(end, (), mine) if number % 2 else Batch(end, (), None, to_columns(mine)))
        assert (car.on_pass, car.lifted_at, car.standing) == expected[end // STEP], f"at {end / NS_PER_S} s"


def test_the_times_are_those_that_are_told() -> None:
    """Half a second to a lift, two to the end of a pass, ten to standing, ten of calling; 20 kPa, 10 below."""
    assert (module.LIFTED_AFTER, module.OVER_AFTER, module.STANDING_AFTER) == (
        NS_PER_S // 2,
        2 * NS_PER_S,
        10 * NS_PER_S,
    )
    assert CALLS_FOR == 10 * NS_PER_S
    assert (module.ARMING, module.ARMING - module.BELOW) == (20.0, 10.0)
