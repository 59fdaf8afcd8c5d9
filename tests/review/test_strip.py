"""The strip's arithmetic against published formulas and mechanics, and what cannot stand on a slip."""

from __future__ import annotations

import numpy as np
import pytest

from pullwatch.review.strip import (
    FOOT,
    FORMULAS,
    HORSEPOWER,
    MPH,
    POINTS,
    POUND,
    TRAP,
    car_side,
    power_from_speed,
    power_from_time,
    quarter_mile,
    slip_problems,
)
from pullwatch.review.table import S

NO_ROLLOUT = (0.0, 0.0)
G_FT = 32.17
"""ft/s², as in the source of the ideal constants below."""


def test_the_points_stand_where_rule_books_have_them() -> None:
    """60, 330, 660, 1000, 1320 ft and the 66 ft before a speed (sanctioning bodies' rule books, text seen)."""
    assert (
        pytest.approx({"60 ft": 18.288, "330 ft": 100.584, "660 ft": 201.168, "1000 ft": 304.8, "1320 ft": 402.336})
        == POINTS
    )
    assert pytest.approx(20.1168) == TRAP
    # 66 ft in 0.375 s are 120 mph: 66 ft/s are 45 mph exactly (computed).
    assert pytest.approx(120.0, abs=1e-6) == TRAP / 0.375 * 3.6 / MPH


@pytest.mark.parametrize(
    ("name", "pounds", "horsepower", "seconds", "mph"),
    [
        # common practice, no primary source: 5.825·(W/hp)^(1/3), 234·(hp/W)^(1/3) (text seen)
        ("common practice", 2_700, 300, 12.116, 112.495),
        ("common practice", 3_000, 300, 12.550, 108.613),
        ("common practice", 3_500, 800, 9.527, 143.073),
        # R. Huntington, Horsepower at the Drag Strip, 1958 (text seen)
        ("Huntington", 2_800, 350, 12.58, 112.0),
        ("Huntington", 3_500, 800, 10.2875, 136.958),
        # G. T. Fox, On the physics of drag racing, Am. J. Phys. 41 (1973) 311 (text seen)
        ("Fox", 2_800, 350, 12.538, 115.0),
        ("Fox", 3_500, 800, 10.2532, 140.627),
    ],
)
def test_published_formulas_give_their_published_figures(
    name: str, pounds: float, horsepower: float, seconds: float, mph: float
) -> None:
    """Time and speed of the quarter mile from weight and power, and power back from each."""
    formula = next(one for one in FORMULAS if one.name == name)
    mass, power = pounds * POUND, horsepower * HORSEPOWER
    time, speed = quarter_mile(formula, mass, power)
    assert time == pytest.approx(seconds, abs=0.0006)
    assert speed / MPH == pytest.approx(mph, abs=0.006)
    assert power_from_time(formula, mass, time) == pytest.approx(power)
    assert power_from_speed(formula, mass, speed) == pytest.approx(power)


def test_power_from_a_trap_speed_is_the_published_one() -> None:
    """3,000 lb at 130 mph are 514.4 hp by the common formula (common practice, text seen)."""
    assert power_from_speed(FORMULAS[0], 3_000 * POUND, 130 * MPH) / HORSEPOWER == pytest.approx(514.403, abs=0.01)


def constant_power(ratio_hp_per_lb: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """Return t (ns) and km/h of a car that puts constant power to the ground from a stand: v = √(2Pt/m)."""
    t = np.arange(0, seconds, 0.002)
    feet_s = np.sqrt(2.0 * 550.0 * G_FT * ratio_hp_per_lb * t)
    return (t * S).astype(np.int64), feet_s * FOOT * 3.6


def test_the_car_side_reaches_the_constant_power_limit() -> None:
    """KT and KV of the ideal quarter mile (E. L. McCaul, The ET & MPH Equations, text seen) from the integrated speed.

    The speed there is that at the line; the strip's is the mean of the 66 ft before it, a little less.
    """
    t, speed = constant_power(0.1, 12.0)
    side = car_side(t, speed, NO_ROLLOUT)
    time = side.times["1320 ft"][0]
    assert time * 0.1 ** (1 / 3) == pytest.approx(4.80281153, abs=0.002)
    at_line = float(np.interp(time, t / S, speed))
    assert at_line / MPH / 0.1 ** (1 / 3) == pytest.approx(281.08535, abs=0.1)
    assert 0.98 * at_line < side.trap["1320 ft"] < at_line


def test_an_eighth_and_a_quarter_mile_stand_as_constant_power_has_them() -> None:
    """Times as 2^(2/3), speeds as 2^(1/3) (mechanics, computed)."""
    t, speed = constant_power(0.1, 12.0)
    side = car_side(t, speed, NO_ROLLOUT)
    assert side.times["1320 ft"][0] / side.times["660 ft"][0] == pytest.approx(1.5874, abs=0.0005)
    at_lines = [float(np.interp(side.times[point][0], t / S, speed)) for point in ("660 ft", "1320 ft")]
    assert at_lines[1] / at_lines[0] == pytest.approx(1.25992, abs=0.001)
    # The mean of the last 66 ft lags more behind at the eighth mile: times go with the way to the 2/3 (computed).
    lag = (660 ** (2 / 3) - 594 ** (2 / 3)) / (1_320 ** (2 / 3) - 1_254 ** (2 / 3))
    assert side.trap["1320 ft"] / side.trap["660 ft"] == pytest.approx(lag, abs=0.002)


def test_sixty_feet_at_a_constant_gain_take_what_mechanics_say() -> None:
    """2.2 s to 60 ft are 0.7706 g and 16.625 m/s there (mechanics, computed; no rollout)."""
    t = np.arange(0, 4.0, 0.002)
    side = car_side((t * S).astype(np.int64), 0.7706 * 9.80665 * t * 3.6, NO_ROLLOUT)
    assert side.times["60 ft"][0] == pytest.approx(2.2, abs=0.002)
    assert side.times["60 ft"][0] == side.times["60 ft"][1]


def test_rollout_moves_the_sixty_foot_time_by_some_hundredths() -> None:
    """The clock starts when the tyre has left the beam: an interval, earlier than from the first move."""
    t = np.arange(0, 5.0, 0.002)
    speed = 8.0 * t * 3.6
    least, most = car_side((t * S).astype(np.int64), speed).times["60 ft"]
    from_the_move = car_side((t * S).astype(np.int64), speed, NO_ROLLOUT).times["60 ft"][0]
    # A clock that starts after d metres shows √(2(D + d)/a) - √(2d/a) (mechanics, computed).
    by_hand = [np.sqrt(2 * (18.288 + d) / 8.0) - np.sqrt(2 * d / 8.0) for d in (0.20, 0.36)]
    assert (least, most) == pytest.approx((min(by_hand), max(by_hand)), abs=0.002)
    assert 0.02 < most - least < 0.09
    assert most < from_the_move


def test_the_way_ends_where_the_speed_is_not_known() -> None:
    """Nothing beyond a gap is told, and nothing at all from one sample."""
    t, speed = constant_power(0.1, 12.0)
    speed[2_500:] = np.nan
    side = car_side(t, speed, NO_ROLLOUT)
    assert list(side.times) == ["60 ft", "330 ft"]
    assert side.trap == {}
    assert car_side(t[:1], speed[:1]).times == {}


GOOD = {"60 ft": 1.95, "330 ft": 5.40, "660 ft": 8.25, "1000 ft": 10.70, "1320 ft": 12.78}
SPEEDS = {"660 ft": 141.0, "1320 ft": 178.0}


def test_a_slip_that_can_be_has_no_problem() -> None:
    """All eight numbers, or four of them; the strip's own arithmetic passes too."""
    assert slip_problems(GOOD, SPEEDS, 0.412) == []
    assert slip_problems({"60 ft": 1.95, "660 ft": 8.25}, {"660 ft": 141.0}) == []
    for ratio in (0.05, 0.1, 0.2, 0.4):
        side = car_side(*constant_power(ratio, 20.0))
        assert slip_problems({point: most for point, (_, most) in side.times.items()}, side.trap) == []


@pytest.mark.parametrize(
    ("times", "speeds", "word"),
    [
        ({**GOOD, "330 ft": 8.25, "660 ft": 5.40}, {}, "two numbers are in the wrong places"),
        (GOOD, {"1320 ft": 110.6}, "does not fit its times"),  # mph typed for km/h
        (GOOD, {"660 ft": 178.0, "1320 ft": 141.0}, "does not fit its times"),
        ({**GOOD, "1000 ft": 12.5}, {}, "less than the"),
        ({"70 ft": 2.0}, {}, "is no point of a strip"),
        ({"60 ft": 195.0}, {}, "is no time"),
    ],
)
def test_a_slip_that_cannot_be_is_told_in_words(times: dict[str, float], speeds: dict[str, float], word: str) -> None:
    """Numbers in the wrong places, a speed in the wrong unit, times that slow the car down."""
    assert word in "; ".join(slip_problems(times, speeds))


def test_a_lift_before_the_line_is_no_mistake_of_the_slip() -> None:
    """A speed up to a tenth below the mean of its stretch is a car that was lifted."""
    mean = (402.336 - 304.8) / (12.78 - 10.70) * 3.6
    assert slip_problems(GOOD, {"1320 ft": 0.92 * mean}) == []
    assert slip_problems(GOOD, {"1320 ft": 0.85 * mean}) != []
