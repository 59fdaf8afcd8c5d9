"""Oil: a known loss is found within its interval; a grade or a temperature is not taken for wear; doubt is refused."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from tests.review.tables import channel

from pullwatch.columns import Column
from pullwatch.review.answer import Reviewed
from pullwatch.review.given import NOTHING, Changed, Given, OilReport
from pullwatch.review.oil import (
    EXPONENT,
    FEWEST,
    GRADES,
    SLOPE,
    Blocks,
    Compared,
    Oil,
    Session,
    compare,
    oil_of,
    thinning,
    viscosity,
)
from pullwatch.review.oil_answer import answer
from pullwatch.review.run import Class, Ended, Run
from pullwatch.review.runs import Runs
from pullwatch.review.table import Accuracy, CarFacts, S, Series, Table
from pullwatch_sim import engine

if TYPE_CHECKING:
    from collections.abc import Sequence

DAY = 86_400 * S
WALL = 1_750_000_000_000_000_000
TWO = Accuracy(0.0, 2.0, "stated")


# ---- viscosity -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("celsius", [40, 60, 80, 100, 120])
def test_viscosity(celsius: float) -> None:
    """ASTM D341 (from memory): through 85 mm²/s at 40 °C and 14 at 100 °C, as the simulator has it by its own code."""
    assert viscosity(celsius) == pytest.approx(engine.viscosity(celsius), rel=1e-9)
    assert viscosity(40.0) == pytest.approx(85.0)
    assert viscosity(100.0) == pytest.approx(14.0)


def test_viscosity_is_straight_on_its_paper() -> None:
    """Three temperatures lie on one line of log log(viscosity + 0.7) against log T, for a thick and a thin oil."""
    for at_100 in (5.0, 14.0, 25.0):
        x = [math.log10(t + 273.15) for t in (30.0, 75.0, 130.0)]
        y = [math.log10(math.log10(viscosity(t, at_100) + 0.7)) for t in (30.0, 75.0, 130.0)]
        assert (y[1] - y[0]) / (x[1] - x[0]) == pytest.approx((y[2] - y[1]) / (x[2] - x[1]), rel=1e-9)
        assert viscosity(100.0, at_100) == pytest.approx(at_100)


def test_one_step_of_grade_is_about_ten_degrees() -> None:
    """From the middle of one grade (SAE J300, from memory) to the next thinner is what 8 to 14 °C do at 100 °C."""
    for thick, thin in ((50, 40), (40, 30), (30, 20)):
        ratio = math.log(math.prod(GRADES[thick]) / math.prod(GRADES[thin])) / 2.0
        assert 8.0 < ratio / thinning(100.0) < 16.0


# ---- what oil it is --------------------------------------------------------------------------------------------------


def filled(now: str, at: int, was: str = "") -> Changed:
    return Changed(f"c{at}", at, "oil", now, was)


@pytest.mark.parametrize(
    ("text", "grade"), [("5W-30", 30), ("full synthetic 10w40", 40), ("15W/50", 50), ("SAE 60", 60)]
)
def test_the_grade_is_read(text: str, grade: int) -> None:
    """The number after the W, or of a single grade, names the range at 100 °C."""
    oil = oil_of(Given(changes=(filled(text, WALL - DAY),)), WALL)
    least, most = GRADES[grade]
    assert least < oil.at_100 < most
    assert oil.known
    assert oil.at_100 * math.exp(oil.doubt) == pytest.approx(most)


def test_what_is_filled_in_later_is_not_in_it_yet() -> None:
    """The last oil before the session counts; without one nothing is known, and a text without a grade says nothing."""
    changes = (filled("10W-40", WALL - DAY), filled("5W-30", WALL + DAY))
    assert oil_of(Given(changes=changes), WALL).text == "10W-40"
    assert not oil_of(Given(), WALL).known
    assert not oil_of(Given(changes=(filled("the good one", WALL - DAY),)), WALL).known
    assert oil_of(Given(changes=changes), None).since is None


# ---- coverage --------------------------------------------------------------------------------------------------------


def chance(rng: np.random.Generator, factor: float, exponent: float, slope: float, accuracy: float) -> Session:
    """Return a session of an engine with c × `factor`: each nuisance as far off as the model says it may be."""
    count = int(rng.integers(4, 9))
    numbers, speeds, shown, pressures = [], [], [], []
    off = rng.normal(0.0, accuracy / 1.96)
    base = rng.uniform(85.0, 105.0)
    for number in range(count):
        error = rng.normal(0.0, 0.02)
        celsius = base + rng.uniform(-3.0, 3.0)
        for _ in range(6):
            rpm = rng.uniform(880.0, 940.0)
            thick = math.log(viscosity(celsius) / viscosity(95.0)) * slope
            pressure = factor * 0.05 * math.exp(thick + error) * rpm**exponent * 10
            numbers.append(number)
            speeds.append(rpm)
            shown.append(celsius + off)
            pressures.append(pressure * (1.0 + rng.normal(0.0, 0.005)))
    blocks = Blocks(np.array(numbers), np.array(speeds), np.array(shown), np.array(pressures))
    return Session("s", None, blocks, math.nan, accuracy, Oil("", 14.0, 1.0, None))


def held(cases: int, seed: int) -> tuple[float, float]:
    """Return in which share of chance pairs the change was held, and in which one of none was called one."""
    rng = np.random.default_rng(seed)
    inside = wrong = 0
    for case in range(cases):
        true = 1.0 if case % 2 else rng.uniform(0.7, 1.1)
        exponent = rng.normal(EXPONENT[0], EXPONENT[1] / 1.96)
        slope = rng.normal(1.0, SLOPE / 1.96)
        accuracy = rng.uniform(0.5, 3.0)
        made = compare([chance(rng, f, exponent, slope, accuracy) for f in (1.0, true)])
        assert isinstance(made, Compared)
        change = made.change(made.levels[1], made.levels[0])
        inside += change.holds(100.0 * (true - 1.0))
        wrong += bool(case % 2) and not change.holds(0.0)
    return inside / cases, wrong / (cases // 2)


def test_intervals_hold_the_truth() -> None:
    """The change of c lies within its 95 % interval in 93 to 97 % of chance pairs; no change is called one in 5 %."""
    inside, wrong = held(500, 1)
    assert 0.925 <= inside <= 0.975
    assert wrong <= 0.08


@pytest.mark.long
def test_intervals_hold_the_truth_ten_thousand_times() -> None:
    """The same over ten thousand pairs."""
    inside, wrong = held(10_000, 2)
    assert 0.93 <= inside <= 0.97
    assert wrong <= 0.06


# ---- the answer ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drive:
    """A session of the simulated engine: oil at `celsius`, its pressure × `factor`, the sensor off by `off` °C."""

    celsius: float = 92.0
    factor: float = 1.0
    off: float = 0.0
    stretches: int = 5
    accuracy: Accuracy | None = TWO
    day: int = 0
    without: tuple[str, ...] = ()
    car: str = "copper hatch"
    thick: float = 1.0
    """Viscosity of what is really in it against the simulator's oil."""
    cruise: float = 1_500.0
    """rpm of the steady driving between."""


def drive(made: Drive, given: Given = NOTHING, before: Sequence[Reviewed] = ()) -> Reviewed:
    """Return a session: idle, steady driving and a pull, again and again, at 20 Hz."""
    rng = np.random.default_rng([made.day, 5])
    rpm_parts: list[np.ndarray] = []
    runs: list[Run] = []
    for number in range(made.stretches):
        at = sum(len(part) for part in rpm_parts) / 20.0
        rpm_parts += [np.full(200, 900.0), np.full(120, made.cruise), np.linspace(2_500.0, 6_500.0, 100)]
        runs.append(Run(number + 1, int((at + 16) * S), int((at + 21) * S), Class.PULL, Ended.LIFT, (4,)))
    rpm = np.concatenate(rpm_parts) + rng.normal(0, 3, made.stretches * 420)
    t = np.arange(len(rpm), dtype=np.int64) * (S // 20)
    celsius = made.celsius + 2.0 * np.sin(t / S / 30.0)
    pumped = np.array([engine.viscosity(one) for one in celsius]) * engine.OIL_COEFFICIENT * rpm**engine.OIL_EXPONENT
    relief = engine.RELIEF_KPA + 0.005 * rpm
    pressure = ((pumped * made.factor * made.thick) ** -8.0 + relief**-8.0) ** -0.125
    values = {
        "engine_speed": rpm,
        "oil_pressure": pressure + rng.normal(0, 1.2, len(rpm)),
        "oil_temperature": celsius + made.off,
        "coolant_temperature": np.full(len(rpm), 88.0),
    }
    series = {
        name: Series(channel(number, name), Column(t + number * 1_000, v, np.zeros(len(t), np.uint8)))
        for number, (name, v) in enumerate(values.items())
        if name not in made.without
    }
    table = Table(
        series, end=int(t[-1]), session=f"day {made.day}", wall=WALL + made.day * DAY, car=CarFacts(made.car),
        accuracy={} if made.accuracy is None else {"oil_temperature": made.accuracy},
    )  # fmt: skip
    return Reviewed(table, Runs(tuple(runs)), (), given, tuple(before))


def change(new: Drive, old: Drive, given: Given = NOTHING) -> Any:
    """Return the answer's change in %, [value, least, most]."""
    made = answer(drive(replace(new, day=1), given, [drive(old, given)]))
    assert made.refused == ""
    return made.data["changes"][-1]["percent"]


@pytest.mark.parametrize("factor", [0.70, 0.85])
def test_a_known_loss_is_found(factor: float) -> None:
    """With 15 and 30 % less pressure the interval holds it and not zero; what to look at is said."""
    _, least, most = change(Drive(factor=factor), Drive())
    assert least <= 100 * (factor - 1) <= most < 0
    made = answer(drive(Drive(factor=factor, day=1), before=[drive(Drive())]))
    assert any("less than it was" in line for line in made.lines)
    assert any("pickup" in line for line in made.lines)


@pytest.mark.parametrize(("new", "old"), [(80.0, 100.0), (104.0, 88.0)])
def test_hotter_oil_is_no_wear(new: float, old: float) -> None:
    """The same engine at oil 16 to 20 °C apart: no difference that can be told."""
    _, least, most = change(Drive(celsius=new), Drive(celsius=old))
    assert least <= 0 <= most


def test_a_sensor_within_its_accuracy_is_no_wear() -> None:
    """2 °C up and 2 °C down between sessions, as its accuracy allows, are not taken for a change."""
    _, least, most = change(Drive(off=1.5), Drive(off=-1.0))
    assert least <= 0 <= most


def test_another_grade_is_taken_out() -> None:
    """Thinner oil by one grade gives a quarter less pressure; as the grade is written down, it is no wear."""
    given = Given(changes=(filled("10W-40", WALL - DAY), filled("5W-30", WALL + DAY // 2, "10W-40")))
    thin = 10.8 / 14.3
    _, least, most = change(Drive(thick=thin), Drive(thick=14.3 / 14.0), given)
    assert least <= 0 <= most
    assert most - least > 20  # a grade says little: the interval is wide
    made = answer(drive(Drive(day=1, thick=thin), given, [drive(Drive(), given)]))
    assert any("10W-40 to 5W-30" in line for line in made.lines)


def test_an_unknown_other_oil_is_refused() -> None:
    """Another oil without a grade: it cannot be told against what was before."""
    given = Given(changes=(filled("10W-40", WALL - DAY), filled("what was there", WALL + DAY // 2)))
    made = answer(drive(Drive(day=1), given, [drive(Drive(), given)]))
    assert any("its grade is not known" in line for line in made.lines)
    assert any("kPa gauge" in line for line in made.lines)


@pytest.mark.parametrize(
    ("what", "why"),
    [
        (Drive(without=("oil_temperature",)), "that of the coolant is no substitute"),
        (Drive(accuracy=None), "is not stated"),
        (Drive(accuracy=Accuracy(0.0, 4.0, "stated")), "± 3 °C is needed"),
        (Drive(accuracy=Accuracy(0.05, 0.0, "stated")), "± 5 °C only"),
        (Drive(without=("oil_pressure",)), "oil pressure is not recorded"),
        (Drive(without=("engine_speed",)), "engine speed is not recorded"),
        (Drive(stretches=1), f"{FEWEST} are needed"),
        (Drive(celsius=45.0), f"{FEWEST} are needed"),
    ],
)  # fmt: skip
def test_refusals(what: Drive, why: str) -> None:
    """Without what it rests on it is refused, with why, and the raw fact beside it where there is one."""
    made = answer(drive(what))
    assert why in made.refused
    if not what.without or what.without == ("oil_temperature",):
        assert any(line.startswith("least oil pressure with the engine running") for line in made.lines)


def test_one_session_says_what_it_has() -> None:
    """The pressure at one speed and temperature, with its interval, holds what the model engine truly has."""
    made = answer(drive(Drive()))
    row = made.data["sessions"][-1]
    true = engine.settled_oil_pressure(made.data["rpm"], made.data["celsius"])
    assert row["pressure_kpa"][1] <= true <= row["pressure_kpa"][2]
    assert any("no earlier session" in line for line in made.lines)
    assert 0.8 < made.data["exponent"][0] < 1.0  # the model's is 0.90


def test_another_cars_session_does_not_count() -> None:
    """What another car did says nothing; what lacks a temperature is left out, with why."""
    made = answer(drive(Drive(day=2), before=[drive(Drive(car="another")), drive(Drive(day=1, accuracy=None))]))
    assert made.data["changes"] == []
    assert any("is left out" in line for line in made.lines)


def test_a_slow_loss_is_a_trend() -> None:
    """Five sessions of one oil that lose 4 % each are falling; five that lose none have no trend."""
    for loss, word in ((0.04, "falling"), (0.0, "no trend")):
        before = [drive(Drive(day=day, factor=1.0 - loss * day)) for day in range(4)]
        made = answer(drive(Drive(day=4, factor=1.0 - loss * 4), before=before))
        assert any(word in line and "5 sessions" in line for line in made.lines), made.lines


def test_what_the_laboratory_found_is_a_trend() -> None:
    """Two reports are two figures; three that rise are a trend, for every 1,000 km where the distance is known."""

    def report(place: int, iron: float, km: float | None) -> OilReport:
        return OilReport(f"o{place}", WALL + place * DAY, {"iron": (iron, "ppm")}, distance_km=km)

    two = answer(drive(Drive(), Given(oil=(report(0, 18, 2_000), report(1, 20, 2_000)))))
    assert any("18, 20 ppm" in line and "3 reports are needed" in line for line in two.lines)
    rising = Given(oil=tuple(report(k, 18.0 + 6 * k, 2_000.0) for k in range(4)))
    made = answer(drive(Drive(), rising))
    assert made.data["laboratory"][0]["per_1000_km"] == pytest.approx([9, 12, 15, 18])
    assert any(": rising" in line for line in made.lines)
    flat = Given(oil=tuple(report(k, iron, None) for k, iron in enumerate((18.0, 21.0, 17.0))))
    assert any("no trend" in line for line in answer(drive(Drive(accuracy=None), flat)).lines)


def test_what_the_relief_valve_holds_is_left_out() -> None:
    """Steady driving at relief pressure shows no loss; the loss at idle is found all the same, at an idle's speed."""
    new, old = Drive(factor=0.8, cruise=3_400.0, day=1), Drive(cruise=3_400.0)
    made = answer(drive(new, before=[drive(old)]))
    assert made.data["sessions"][0]["relief_kpa"] == pytest.approx(485, abs=10)
    assert made.data["rpm"] < 1_000
    value, least, most = made.data["changes"][0]["percent"]
    assert least <= -20 <= most < 0
    assert value == pytest.approx(-20, abs=1.5)
