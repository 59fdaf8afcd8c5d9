"""What boost a duty would give: the actuator's figures, the intervals, open loop only, and the hard refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy import stats
from tests.review.evenings import an_evening, table_of
from tests.review.tables import channel, pull, table

from pullwatch.columns import Column
from pullwatch.logbook.items import ITEMS
from pullwatch.review.boost import STEP_DUTY, Group, leak, missing, refusal, stretches
from pullwatch.review.boost_answer import answer
from pullwatch.review.boost_fit import USUAL, fitted, usual_mean
from pullwatch.review.given import Changed, Given
from pullwatch.review.table import S, Series
from pullwatch.reviewing.reading import reviewed
from pullwatch_sim.scenarios import read
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.review.tables import Points

    from pullwatch.review.answer import Answer, Reviewed
    from pullwatch.review.table import Table

WALL = 1_750_000_000_000_000_000
MODELS = ("line", "balance", "between")


def balance(duty: float, spring: float = 55.0, gain: float = 1.10) -> float:
    """Return gauge boost by the balance of forces, kPa."""
    return spring / (1.0 - gain * duty / 100.0)


def test_the_figures_of_an_actuator_by_both_models() -> None:
    """Worked by hand: 75.9 kPa at 25 % and 89.4 at 35 % are a spring of 55 kPa and k = 1.10; the line errs low."""
    models = fitted([25.0, 35.0], [75.862, 89.431])  # 75.9 and 89.4, unrounded
    assert models is not None
    assert models.balance.gain == pytest.approx(1.10, abs=0.005)
    assert models.balance.spring == pytest.approx(55.0, abs=0.15)
    assert models.balance.here(40) == pytest.approx(98.2, abs=0.1)
    assert models.line.here(40) == pytest.approx(96.2, abs=0.06)
    assert models.balance.here(45) == pytest.approx(108.9, abs=0.1)
    assert models.line.here(45) == pytest.approx(103.0, abs=0.1)
    said = models.next_run(40)
    assert said.least <= said.line.least
    assert said.most >= said.balance.most
    assert said.holds(96.2)
    assert said.holds(98.2)


@pytest.mark.parametrize("inverse", [False, True])
def test_the_fits_are_those_of_a_reference_library(inverse: bool) -> None:
    """Scipy's weighted curve fit (reference library): the same parameters and covariance over the scatter."""
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(3)
    duties = np.array([22.0, 25, 25, 30, 33, 35])
    boosts = np.array([balance(d) for d in duties]) * (1 + rng.normal(0, 0.01, 6))
    models = fitted(list(duties), list(boosts))
    assert models is not None
    fit = models.balance if inverse else models.line
    y = 1 / boosts if inverse else boosts
    wanted, covariance = curve_fit(lambda d, a, m: a + m * d, duties / 100, y, p0=[y[0], 0.0], sigma=y)
    assert [fit.at, fit.slope] == pytest.approx(list(wanted), rel=1e-5)
    rest = ((y - wanted[0] - wanted[1] * duties / 100) / y) ** 2
    own = rest.sum() / 4  # what curve_fit scales its covariance by
    assert np.array(fit.spread) * own == pytest.approx(covariance, rel=1e-4)
    assert fit.s**2 == pytest.approx(own)
    half = stats.t.ppf(0.975, 4) * fit.s * math.sqrt(fit.spread[1][1])
    assert fit.slope_interval().half == pytest.approx(half)


def case(rng: np.random.Generator, scatter: float = USUAL) -> tuple[list[float], list[float], float, float]:
    """Return duties, boosts, a duty asked and what the next run gives there, of a chance car."""
    spring, gain = rng.uniform(30, 90), rng.uniform(0.7, 1.3)
    low, high = rng.uniform(15, 25), rng.uniform(27, 40)
    kind = MODELS[int(rng.integers(3))]

    def true(duty: float) -> float:
        curved = balance(duty, spring, gain)
        one, two = balance(low, spring, gain), balance(high, spring, gain)
        straight = one + (two - one) * (duty - low) / (high - low)
        return {"line": straight, "balance": curved, "between": (curved + straight) / 2}[kind]

    n = int(rng.integers(3, 11))
    duties = [low, high, *rng.uniform(low, high, n - 2)]
    asked = float(rng.uniform(low, high + 3.0))
    boosts = [true(d) * (1 + rng.normal(0, scatter)) for d in duties]
    return duties, boosts, asked, true(asked) * (1 + rng.normal(0, scatter))


def covered(cases: int, seed: int) -> float:
    """Return the share of next runs within the interval."""
    rng = np.random.default_rng(seed)
    held = 0
    for _ in range(cases):
        duties, boosts, asked, came = case(rng)
        models = fitted(duties, boosts)
        assert models is not None
        held += models.next_run(asked).holds(came)
    return held / cases


def test_the_next_run_lies_within_its_interval() -> None:
    """95 % intervals hold 93 to 98 % of next runs, whichever model is the car's (1,500 made-up cars).

    A union of two holds more than each.
    """
    assert 0.93 <= covered(1_500, 11) <= 0.985  # and the chance of 1,500 cases


@pytest.mark.long
def test_ten_thousand_next_runs_lie_within_their_intervals() -> None:
    """The same, without room for chance."""
    assert 0.93 <= covered(10_000, 12) <= 0.98


def test_one_duty_has_a_mean_by_the_usual_scatter() -> None:
    """A single run is no better known than runs usually are; many know their own scatter."""
    one = usual_mean([90.0])
    assert one.half == pytest.approx(1.96 * 0.9, rel=1e-3)
    many = usual_mean([90.0 + 0.01 * i for i in range(40)])
    assert many.half < 0.15
    torn = usual_mean([84.0, 96.0])  # three times the usual scatter and more: it is not this car's
    assert torn.half == pytest.approx(stats.t.ppf(0.975, 1) * np.std([84, 96], ddof=1) / math.sqrt(2), rel=0.01)


# ---- from tables -----------------------------------------------------------------------------------------------------


def runs_at(duties: Sequence[float], boosts: Sequence[float] | None = None, **more: Points) -> dict[str, Points]:
    """Return curves of pulls one after the other in fourth gear, each at its duty; 14 s each."""
    wanted = [balance(d) for d in duties] if boosts is None else boosts
    curves: dict[str, list[tuple[float, float]]] = {name: [] for name in pull()}
    curves["wastegate_duty"] = []
    for i, (duty, boost) in enumerate(zip(duties, wanted, strict=True)):
        at = 14.0 * i
        manifold = [(0, 60), (2, 60), (3, 99 + boost * 0.97), (3.3, 99 + boost), (8, 99 + boost), (8.1, 40)]
        for name, points in pull(manifold_pressure=manifold).items():
            curves[name] += [(at + t, v) for t, v in points]
        curves["wastegate_duty"] += [(at, duty), (at + 14.0, duty)]
    return {**curves, **more}


def made(duties: Sequence[float], boosts: Sequence[float] | None = None, **more: Any) -> Table:
    """Return a table of pulls."""
    curves = {name: more.pop(name) for name in list(more) if name in ("gear", "wastegate_duty", "wastegate_duty_base")}
    more.setdefault("profile", "dyno")
    return table(14.0 * len(duties), runs_at(duties, boosts, **curves), session="tonight", wall=WALL, **more)


def asked(one: Table, duty: float | None = None, before: Sequence[Reviewed] = (), given: Given | None = None) -> Answer:
    """Return the answer."""
    said = answer(reviewed(one, given or Given(), before, duty))
    json.dumps(said.data, allow_nan=False)
    return said


def test_runs_at_two_duties_give_the_next_one() -> None:
    """The settled boost is measured, both models are told with the union, and the picture has what it draws."""
    said = asked(made([25, 35, 25, 35, 30]), 37.0)
    assert not said.refused
    (group,) = said.data["groups"]
    assert [round(boost, 1) for _, boost, _ in group["points"]] == pytest.approx(
        [round(balance(d), 1) for d in (25, 35, 25, 35, 30)], abs=0.15
    )
    assert group["asked"]["balance"][0] == pytest.approx(balance(37), abs=0.2)
    assert group["asked"]["least"] < group["asked"]["line"][0] < balance(37) < group["asked"]["most"]
    assert group["models"]["balance"]["gain"] == pytest.approx(1.10, abs=0.01)
    assert any(line.lstrip().startswith("37 % duty: ") for line in said.lines)
    assert said.data["picture"]["groups"][0]["curve"]


def test_no_duty_is_proposed() -> None:
    """Unasked it tells the duties driven and one step of the pick list, and whose decision it is."""
    said = asked(made([25, 35, 25, 35]))
    text = "\n".join(said.lines)
    assert "one step of the pick list, 36 % duty:" in text
    assert "the owner's decision" in text
    assert "25.0 % (runs 1, 3)" in text
    assert ITEMS["wastegate_duty"].step == STEP_DUTY
    for word in ("recommend", "try ", "should", "suggest", "safe"):
        assert word not in text


def test_spool_overshoot_and_taper_are_told_with_intervals() -> None:
    """Made: 90 % of the boost 0.9 s after the foot; falling by 4 kPa per 1,000 rpm; an overshoot of 5 kPa."""
    curves = runs_at([30, 30, 30])
    curves["manifold_pressure"] = [
        (14 * i + t, v)
        for i in range(3)
        for t, v in ((0, 60), (2, 99), (3, 179), (3.2, 184), (3.6, 180), (8, 180 - 4 * 3.3), (8.1, 40))
    ]
    said = asked(table(42, curves, session="tonight", profile="dyno"))
    (facts,) = said.data["groups"][0]["duties"]
    assert facts["spool"][0] == pytest.approx(0.9 * (180 - 6 - 99) / 80, abs=0.06)
    assert all(facts["spool"][i] is not None for i in (1, 2))
    assert facts["drift"][0] == pytest.approx(-4.0, abs=0.2)
    middle = facts["settled_kpa"][0]
    assert facts["overshoot"][0] == pytest.approx(85 - middle, abs=1.5)
    assert any("taper -4.0" in line for line in said.lines)
    assert said.refused.startswith("one duty was driven")


@pytest.mark.parametrize(
    ("duties", "duty", "word"),
    [
        ([30, 30, 30], 31, "two are the least"),
        ([25, 35, 25, 35], 38.5, "beyond what was driven"),
        ([25, 35, 25, 35], 21.5, "beyond what was driven"),
        ([50, 60, 50, 60], 63, "more than 10 kPa beyond"),
    ],
)
def test_beyond_what_was_driven_nothing_is_told(duties: list[float], duty: float, word: str) -> None:
    """Refused with the reason; what the duties driven gave is told all the same."""
    said = asked(made(duties), duty)
    assert word in said.refused
    assert said.data["groups"][0]["asked"] is None
    assert any("settled" in line for line in said.lines)


def test_the_upper_end_decides_how_far_beyond_is_told() -> None:
    """A line that says 9 kPa more is refused where the interval of either model reaches beyond 10 kPa."""
    said = asked(made([25, 35], [150.0, 180.0]), 38)
    assert "more than 10 kPa beyond the 180.0 kPa gauge" in said.refused


def test_a_sensor_at_its_ceiling_tells_nothing() -> None:
    """Where it only says at least this, no model is fitted; nor where the answer would lie beyond it."""
    said = asked(made([25, 35, 25, 35], ceilings={"manifold_pressure": 188.0}), 36)
    assert "ceiling" in said.refused
    said = asked(made([25, 35, 25, 35], ceilings={"manifold_pressure": 191.0}), 37)
    assert "sensor ends at 92 kPa gauge" in said.refused


def test_a_leak_is_suspected_where_a_run_falls_below_its_duty() -> None:
    """An eighth of the boost lost in the last run of six: nothing is told of any duty."""
    duties = [25, 35, 30, 25, 35, 30]
    boosts = [balance(d) for d in duties]
    boosts[-1] *= 0.88
    said = asked(made(duties, boosts), 36)
    assert said.refused.startswith("leak suspected: run 6 of tonight")


def closed_loop(duties: Sequence[float]) -> list[tuple[float, float]]:
    """Return a duty that a controller moves by 4 % while boost has settled."""
    return [(14.0 * i + t, d + move) for i, d in enumerate(duties) for t, move in ((0, 0), (3, -2), (8, 2), (13.9, 0))]


def test_closed_loop_is_refused_without_a_base_duty() -> None:
    """A duty that moves while boost has settled is the controller's doing."""
    duties = [25, 35, 25, 35]
    said = asked(made(duties, wastegate_duty=closed_loop(duties)), 36)
    assert said.refused.startswith("closed loop")
    assert any("the duty moved from" in line and "no base duty is known" in line for line in said.lines)


def test_with_a_base_duty_what_follows_it_counts() -> None:
    """A map over speed is open loop where the duty is its base; a correction of it is not."""
    duties = [25, 35, 25, 35]
    moves = closed_loop(duties)
    said = asked(made(duties, wastegate_duty=moves, wastegate_duty_base=moves), 36)
    assert not said.refused
    base = [(t, v + (3.0 if t >= 42 else 0.0)) for t, v in moves]
    said = asked(made(duties, wastegate_duty=moves, wastegate_duty_base=base), 36)
    assert any("corrected its base duty by up to 3.0 %" in line for line in said.lines)
    assert len(said.data["groups"][0]["points"]) == 3


def test_more_duty_with_less_boost_is_no_actuator() -> None:
    """A controller that corrects from run to run leaves a slope of the wrong sign."""
    said = asked(made([29, 31, 30, 32, 33], [86, 85, 85.5, 84.5, 84]), 33)
    assert "more duty gave no more boost" in said.refused


def test_gears_and_sweep_rates_are_kept_apart() -> None:
    """Two gears are two groups, and a run swept at another rate is left out of its gear by name."""
    duties = [25, 35, 25, 35]
    said = asked(made(duties, gear=[(0, 4), (28, 4), (28, 3)]), 36)
    assert [row["name"].split(",")[0] for row in said.data["groups"]] == ["gear 4", "gear 3"]
    curves = runs_at(duties)
    curves["engine_speed"] = [(t, v * 0.6 + 800 if t < 14 else v) for t, v in curves["engine_speed"]]
    said = asked(table(56, curves, session="tonight", profile="dyno"), 36)
    assert any("not with them: run 1 of tonight: swept at" in line for line in said.lines)
    assert [run for _, _, run in said.data["groups"][0]["points"]] == [2, 3, 4]


def test_earlier_sessions_count_until_the_actuator_was_changed() -> None:
    """The same car's runs of another evening are used; not those before its preload was changed."""
    first = reviewed(
        table(28, runs_at([25, 25]), session="yesterday", wall=WALL - 90_000 * S, profile="dyno"),
    )
    said = asked(made([35, 35]), 36, (first,))
    assert not said.refused
    changed = Given(changes=(Changed("u", WALL - 3_000 * S, "actuator_preload", "4", "3", "mm"),))
    said = asked(made([35, 35]), 36, (first,), changed)
    assert "two are the least" in said.refused
    assert any("not used: session yesterday: since then: actuator preload" in line for line in said.lines)


def test_an_earlier_session_without_a_duty_is_not_used() -> None:
    """It is named with the reason; the others go on."""
    curves = runs_at([30, 30])
    del curves["wastegate_duty"]
    first = reviewed(table(28, curves, session="yesterday", wall=WALL - 90_000 * S, profile="dyno"))
    said = asked(made([25, 35]), 36, (first,))
    assert not said.refused
    assert any("not used: session yesterday: wastegate_duty is not measured" in line for line in said.lines)
    assert len(said.data["groups"][0]["points"]) == 2


def test_what_is_not_measured_is_said() -> None:
    """Without a duty or gauge boost there is no answer, and no guess."""
    curves = runs_at([25, 35])
    del curves["wastegate_duty"]
    assert "wastegate_duty is not measured" in asked(table(28, curves), 36).refused
    curves = runs_at([25, 35])
    del curves["barometric_pressure"]
    assert "gauge boost is not measured" in asked(table(28, curves), 36).refused
    assert not missing(made([25]))
    curves = runs_at([25, 35], vehicle_speed=[(0, 0)])
    del curves["gear"], curves["vehicle_speed"]
    assert "gear is not known" in "\n".join(asked(table(28, curves, profile="dyno"), 36).lines)


def test_a_cut_or_half_a_foot_settles_nothing() -> None:
    """Boost under a cut or a foot half down is not the wastegate's, and is not used."""
    curves = runs_at(
        [25, 35], pedal=[(0, 10), (2, 10), (2, 70), (8, 70), (8, 0), (16, 10), (16, 100), (22, 100), (22, 0)]
    )
    one = table(28, curves, session="tonight", profile="dyno")
    found, why = stretches(one, reviewed(one).runs.runs[0], 1)
    assert not found
    assert "foot was not fully down" in why[0]


def wrong_refusals(cases: int, seed: int) -> tuple[int, int, int]:
    """Return how often a sound car was called leaky, a leak of 15 % was missed, and a duty too far was told."""
    one = made([25, 35])
    stretch = stretches(one, reviewed(one).runs.runs[0], 1)[0][0]
    rng = np.random.default_rng(seed)
    false_leaks = missed = too_far = 0
    for _ in range(cases):
        duties, boosts, _, _ = case(rng)
        duties, boosts = duties + duties[:3], boosts + [b * (1 + rng.normal(0, USUAL)) for b in boosts[:3]]
        driven = tuple(replace(stretch, run=i, order=i, duty=duty) for i, duty in enumerate(duties))
        sound = Group(driven, tuple(boosts), None, ())
        false_leaks += bool(leak(sound))
        missed += not leak(Group(driven, (*boosts[:-1], boosts[-1] * 0.85), None, ()))
        too_far += not refusal(sound, max(duties) + rng.uniform(3.01, 10), sound.models())
    return false_leaks, missed, too_far


def test_refusals_are_right() -> None:
    """A sound car is hardly ever called leaky, a leak of 15 % hardly ever missed, and too far is never told."""
    false_leaks, missed, too_far = wrong_refusals(100, 21)
    assert false_leaks <= 4  # 1 % and the chance of 100 cases
    assert missed <= 4
    assert too_far == 0


@pytest.mark.long
def test_two_thousand_refusals_are_right() -> None:
    """The same: 99 % right, without much room for chance."""
    false_leaks, missed, too_far = wrong_refusals(2_000, 22)
    assert false_leaks <= 24
    assert missed <= 24
    assert too_far == 0


def test_a_simulated_evening_is_measured_as_it_was() -> None:
    """The simulated car with all confounders on: settled boost is its actuator's, and the next run's is held."""
    stages: list[dict[str, Any]] = [
        {"do": "key_on", "for_s": 1.0},
        {"do": "start", "for_s": 0.5},
        {"do": "idle", "name": "idle 0", "for_s": 2.0},
    ]
    duties = (25.0, 35.0, 30.0)
    for number, duty in enumerate(duties, 1):
        stages += [
            {"do": "pull", "name": f"run {number}", "gear": 4, "duty": duty, "from_rpm": 2_500, "to_rpm": 6_000},
            {"do": "overrun", "name": f"overrun {number}", "for_s": 2.0},
            {"do": "idle", "name": f"idle {number}", "for_s": 6.0},
        ]
    scenario = {**an_evening(1), "name": "three duties", "on": "dyno", "stage": stages}
    truth = simulate(read(scenario))
    one = table_of(truth)
    rows = np.arange(0, len(truth.values["wastegate_duty"]), 20)
    column = Column((rows + 1) * (S // 1_000), truth.values["wastegate_duty"][rows], np.zeros(len(rows), np.uint8))
    one = replace(one, series={**one.series, "wastegate_duty": Series(channel(99, "wastegate_duty"), column)})
    said = asked(one, 36.0)
    (group,) = said.data["groups"]
    assert [duty for duty, _, _ in group["points"]] == pytest.approx(duties)
    for duty_driven, boost, _ in group["points"]:
        assert boost == pytest.approx(balance(duty_driven), rel=0.02)
    assert group["asked"]["least"] < balance(36.0) < group["asked"]["most"]
