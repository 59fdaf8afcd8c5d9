"""Did the launch improve: slips first, what two runs cannot show, rollout, pedalled passes, and why."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy import stats
from tests.review.evenings import an_evening, table_of
from tests.review.tables import table
from tests.review.test_runs import launched

from pullwatch.review.given import Changed, Given, Slip
from pullwatch.review.launch import FACTS, TWO_UNIFORM, USUAL, Hit, differ, hits, scatter, states
from pullwatch.review.launch_answer import answer
from pullwatch.review.run import Class
from pullwatch.review.runs import Correction
from pullwatch.review.table import ROLLOUT, S
from pullwatch.reviewing.answers import ANSWERS
from pullwatch.reviewing.reading import reviewed
from pullwatch_sim.scenarios import read
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.review.tables import Points

    from pullwatch.review.answer import Answer, Reviewed
    from pullwatch.review.table import Table

WALL = 1_764_000_000 * S
PASS = 20.0
"""s from one pass to the next in a made session."""
INCH = 0.0254


def strip(gains: Sequence[float], name: str = "tonight", wall: int | None = WALL, **more: Any) -> Table:
    """Return a session of passes, each with its constant gain (m/s²); released at PASS·i + 3 s."""
    curves: dict[str, list[tuple[float, float]]] = {}
    changes: dict[int, dict[str, Points]] = more.pop("curves", {})
    for i, gain in enumerate(gains):
        one: dict[str, Any] = launched(9.5)
        one["vehicle_speed"] = [(0, 0), (3, 0), (9.5, gain * 6.5 * 3.6), (14, 0)]
        one["ignition_advance"] = [(0, 12), (1, 12), (1, -10), (3.1, -10), (3.1, 20)]
        one["cut_active"] = [(0, 0), (1.3, 0), (1.3, 2), (2.9, 2), (2.9, 0)]
        for channel, points in {**one, **changes.get(i, {})}.items():
            curves.setdefault(channel, [])
            curves[channel] += [(PASS * i + t, v) for t, v in points]
    more.setdefault("profile", "strip")
    return table(PASS * len(gains), curves, wall=wall, session=name, **more)


def slips(times: Sequence[float], name: str = "tonight") -> tuple[Slip, ...]:
    """Return a slip with a 60 ft time for each run from 1 on; NaN: none."""
    return tuple(
        Slip(f"{name} {i}", WALL + int(PASS * i * S), {"60 ft": seconds, "330 ft": seconds + 3.4}, session=name, run=i)
        for i, seconds in enumerate(times, 1)
        if math.isfinite(seconds)
    )


def asked(one: Table, given: Given | None = None, before: Sequence[Reviewed] = ()) -> Answer:
    """Return the answer; its data is JSON."""
    said = answer(reviewed(one, given or Given(), before))
    json.dumps(said.data, allow_nan=False)
    return said


def test_two_runs_cannot_show_three_hundredths() -> None:
    """0.03 s better by the slips of one pair: no answer, and the raw fact beside it."""
    said = asked(strip([5.0, 5.0]), Given(slips=slips([1.98, 1.95])))
    assert said.refused == (
        "60 ft by the slips, run 2 of tonight against run 1 of tonight: "
        "0.030 s better; two runs cannot show less than 0.055 s"
    )
    assert said.data["comparison"]["told"] is False


def test_two_runs_show_eight_hundredths() -> None:
    """More than 1.96·√2·0.02 s = 0.055 s apart: a value with its interval, in either direction."""
    better = asked(strip([5.0, 5.0]), Given(slips=slips([1.98, 1.90])))
    assert not better.refused
    assert better.lines[0].endswith("run 2 of tonight against run 1 of tonight: 0.080 s better (0.025 to 0.135 s)")
    worse = asked(strip([5.0, 5.0]), Given(slips=slips([1.90, 1.98])))
    assert worse.lines[0].endswith("0.080 s worse (0.025 to 0.135 s)")
    least, most = better.data["comparison"]["seconds"][1:]
    assert most - least == pytest.approx(2 * 1.96 * math.sqrt(2) * 0.02, abs=1e-4)


def test_five_repeats_know_their_own_scatter() -> None:
    """From five runs in one state on the car's own scatter stands, with Student's t, and its interval is told."""
    times = [1.950, 1.958, 1.946, 1.955, 1.951, 1.920]
    said = asked(strip([5.0] * 6), Given(slips=slips(times)))
    s = np.std(times[:5], ddof=1)
    half = stats.t.ppf(0.975, 4) * s * math.sqrt(1 + 1 / 5)
    value, least, most = said.data["comparison"]["seconds"]
    assert value == pytest.approx(1.920 - np.mean(times[:5]))
    assert (least, most) == pytest.approx((value - half, value + half))
    assert not said.refused
    assert any(line.startswith(f"repeatability: {s:.3f} (") for line in said.lines)


def test_few_that_scatter_widely_do_not_count_as_usual() -> None:
    """Three runs 0.15 s apart contradict the usual 0.02 s: theirs is taken, and nothing can be told."""
    known = scatter([[1.80, 1.95, 2.05]])
    assert known.own
    assert known.s == pytest.approx(np.std([1.80, 1.95, 2.05], ddof=1))
    assert not scatter([[1.94, 1.95, 1.97]]).own
    said = asked(strip([5.0] * 4), Given(slips=slips([1.80, 1.95, 2.05, 1.75])))
    assert "cannot show less than" in said.refused


def test_changes_part_the_runs_and_stand_beside_the_difference() -> None:
    """Runs since the last change against those since the one before; one change with nothing else different."""
    one = strip([5.0] * 5)
    change = Changed("c", WALL + int((PASS * 3 - 1) * S), "tyre_pressure", "90", "100", "kPa")
    said = asked(one, Given(changes=(change,), slips=slips([1.98, 2.00, 1.99, 1.90, 1.91])))
    assert said.data["comparison"]["new"] == [["tonight", 4], ["tonight", 5]]
    assert said.data["comparison"]["old"] == [["tonight", 1], ["tonight", 2], ["tonight", 3]]
    text = "\n".join(said.lines)
    assert "changed between them: tyre pressure: 100 to 90 kPa" in text
    assert "the surface is not measured" in text
    assert "cannot be told: they came together" not in text


def test_why_is_told_as_facts_and_no_cause_is_picked_of_several() -> None:
    """Released at another speed, on less advance, with a change noted: three together, and not separable."""
    other: dict[str, Points] = {
        "engine_speed": [(0, 900), (1, 900), (1.3, 4_800), (2.9, 4_800), (3.2, 3_700), (9.5, 6_400), (11.5, 1_000)],
        "ignition_advance": [(0, 12), (1, 12), (1, -16), (3.1, -16), (3.1, 20)],
    }
    change = Changed("c", WALL + int((PASS - 1) * S), "launch_speed", "4800", "4200", "rpm")
    said = asked(strip([5.0, 5.0], curves={1: other}), Given(changes=(change,), slips=slips([1.98, 1.88])))
    text = "\n".join(said.lines)
    assert "speed at release 4,800 rpm against 4,200 (+600; two runs give no interval)" in text
    assert "ignition advance while held -16.0 deg against -10.0 (-6.0" in text
    assert "cannot be told: they came together" in text
    assert "not known: most knock retard to 60 ft, wheels apart by up to" in text


def test_the_facts_of_a_launch_are_what_was_driven() -> None:
    """Limiter for 1.6 s at 4,200 rpm, timing 10 degrees late, engine pulled down to 3,700, foot all the way."""
    wheels: dict[str, Points] = {
        "wheel_speed_fl": [(0, 0), (3, 0), (9.5, 117 * 1.25), (14, 0)],
        "wheel_speed_rl": [(0, 0), (3, 0), (9.5, 117), (14, 0)],
        "knock_retard": [(0, 0), (3.5, 0), (3.5, 2.5), (4, 0)],
    }
    one = strip([5.0], curves={0: wheels})
    (hit,) = hits(one, reviewed(one).runs.runs, Given())
    assert hit.facts["release_rpm"] == pytest.approx(4_200, abs=20)
    assert hit.facts["limiter"] == pytest.approx(1.6, abs=0.05)
    assert hit.facts["advance"] == pytest.approx(-10, abs=0.5)
    assert hit.facts["dip"] == pytest.approx(500, abs=40)
    assert hit.facts["least_foot"] == 100
    assert hit.facts["slip"] == pytest.approx(20, abs=1)
    assert hit.facts["knock_retard"] == pytest.approx(2.5, abs=0.2)
    assert set(hit.facts) == {fact.name for fact in FACTS}


def test_by_the_cars_own_speed_the_rollout_is_in_the_interval() -> None:
    """Mechanics, computed: a clock that starts after d metres shows √(2(D + d)/a) - √(2d/a)."""
    one = strip([5.0])
    (hit,) = hits(one, reviewed(one).runs.runs, Given())
    by_hand = sorted(math.sqrt(2 * (18.288 + d) / 5.0) - math.sqrt(2 * d / 5.0) for d in ROLLOUT)
    assert hit.car is not None
    period = 0.01  # half of what lies between two samples at 50 Hz
    assert hit.car == pytest.approx((by_hand[0] - period, by_hand[1] + period), abs=0.02)
    # 11.5 to 12 inches of rollout lie within what is taken (sanctioning bodies' rule books, text seen).
    assert ROLLOUT[0] < 11.5 * INCH < 12.0 * INCH < ROLLOUT[1]


def test_a_pair_by_the_car_alone_shows_less_than_a_pair_of_slips() -> None:
    """Without slips the rollout of either run widens it; a large difference is told all the same."""
    near = asked(strip([5.0, 5.2]))
    assert near.refused.startswith("60 ft by the car's own speed, run 2 of tonight against run 1 of tonight: 0.0")
    assert near.data["comparison"]["seconds"][2] - near.data["comparison"]["seconds"][0] > 0.07
    far = asked(strip([5.0, 6.2]))
    assert not far.refused
    assert "better" in far.lines[0]
    assert any("rollout of 0.20 to 0.36 m" in line for line in far.lines)


def test_slips_go_before_the_cars_own_speed() -> None:
    """With a slip on both sides the car's own speed decides nothing, and a slip it does not allow is told."""
    said = asked(strip([5.0, 6.2]), Given(slips=slips([2.45, 2.46])))
    assert "by the slips" in said.refused
    assert "0.010 s worse" in said.refused
    assert any("the slip's is longer than that allows" in line for line in said.lines)
    only_one = asked(strip([5.0, 6.2]), Given(slips=slips([2.45, math.nan])))
    assert only_one.data["comparison"]["by"] == "car"


def test_a_pedalled_pass_is_no_launch_to_compare() -> None:
    """A lift before 60 ft refuses; the same lift beyond 60 ft does not touch it."""
    early: Points = [(0, 0), (1, 0), (1, 100), (4, 100), (4, 0), (4.6, 0), (4.6, 100), (9.5, 100), (9.5, 0)]
    said = asked(strip([5.0, 5.0], curves={1: {"pedal": early}}), Given(slips=slips([1.98, 1.80])))
    assert said.refused.startswith("pedalled: run 2 of tonight, the foot was lifted 0.9 s after the release")
    assert "1.800 s by the slip" in said.refused
    late: Points = [(0, 0), (1, 0), (1, 100), (7, 100), (7, 0), (7.6, 0), (7.6, 100), (9.5, 100), (9.5, 0)]
    said = asked(strip([5.0, 5.0], curves={1: {"pedal": late}}), Given(slips=slips([1.98, 1.80])))
    assert not said.refused
    assert any("lifted after 60 ft" in line for line in said.lines)
    by_owner = Correction("tonight", int((PASS + 5) * S), "class", "pedalled pass")
    said = asked(strip([5.0, 5.0]), Given(slips=slips([1.98, 1.80]), corrections=(by_owner,)))
    assert "the owner says" in said.refused


def test_an_earlier_pedalled_pass_is_left_out() -> None:
    """It is told, and does not spoil what the others are held against."""
    early: Points = [(0, 0), (1, 0), (1, 100), (4, 100), (4, 0), (4.6, 0), (4.6, 100), (9.5, 100), (9.5, 0)]
    said = asked(strip([5.0] * 3, curves={1: {"pedal": early}}), Given(slips=slips([1.98, 2.60, 1.90])))
    assert said.data["comparison"]["old"] == [["tonight", 1]]
    assert any(line.startswith("run 2:") and "pedalled" in line for line in said.lines)


def test_one_run_alone_is_told_as_it_is() -> None:
    """Nothing to hold it against: the raw fact, and how it left."""
    said = asked(strip([5.0]), Given(slips=slips([1.98])))
    assert said.refused == "one run: there is nothing to hold it against; 60 ft in 1.980 s by the slip."
    assert any("speed at release 4,200 rpm" in line for line in said.lines)
    said = asked(strip([5.0]))
    assert "by the car's own speed" in said.refused


def test_a_dyno_has_no_sixty_feet() -> None:
    """Practice there is named, and no time is made up."""
    said = asked(strip([5.0], profile="dyno"))
    assert "on a dyno the car goes nowhere" in said.refused
    (line,) = said.lines
    assert line.startswith("run 1, launch practice: released at 4,200 rpm, boost 91 kPa gauge, held 1.8 s")
    short = launched(4.5)
    assert "no launch that went 60 ft" in asked(table(12, short, profile="strip")).refused


def test_earlier_evenings_count_and_other_cars_do_not() -> None:
    """Sessions given before are held against, by their own names."""
    before = reviewed(strip([5.0, 5.0], "last week", WALL - 600_000 * S))
    given = Given(slips=slips([2.00, 2.01], "last week") + slips([1.92]))
    said = asked(strip([5.0]), given, (before,))
    assert said.lines[0].startswith(
        "60 ft by the slips, run 1 of tonight against runs 1, 2 of last week: 0.085 s better (0.037 to 0.133 s)"
    )


def test_without_a_time_of_day_changes_are_not_known() -> None:
    """It is said, and the last is held against the others."""
    change = Changed("c", WALL + int((PASS - 1) * S), "tyre_pressure", "90", "100", "kPa")
    one = strip([5.0] * 3, wall=None)
    said = asked(one, Given(changes=(change,), slips=slips([1.98, 1.99, 1.90])))
    assert len(said.data["comparison"]["old"]) == 2
    assert any("no time of day" in line for line in said.lines)


def test_a_gap_in_the_speed_ends_what_the_car_says() -> None:
    """A speed that goes silent before 60 ft gives no time, rather than a way drawn across the gap."""
    speed: Points = [(0, 0), (3, 0), (4.2, 21.6), (4.2, math.nan), (5.4, 43.2), (9.5, 117), (14, 0)]
    one = strip([5.0], curves={0: {"vehicle_speed": speed}})
    made = hits(one, reviewed(one).runs.runs, Given())
    assert all(hit.car is None for hit in made)


# ---- made-up pairs ---------------------------------------------------------------------------------------------------


def hit(run: int, slip: float, car: tuple[float, float] | None = None) -> Hit:
    """Return a launch with its time."""
    return Hit("made up", run, Class.PASS, None, None, slip, car, {}, "")


def test_false_better_is_rare_in_pairs_of_one_launch() -> None:
    """Two slips of one unchanged launch, 0.02 s from run to run: better is said in 2.5 % of 4,000 pairs."""
    rng = np.random.default_rng(31)
    times = 1.95 + rng.normal(0, USUAL, (4_000, 2))
    said = [differ([hit(2, b)], [hit(1, a)], "slip", [[hit(1, a)]]) for a, b in times.tolist()]
    better = sum(one.told and one.seconds.value < 0 for one in said) / len(said)
    assert better <= 0.05
    assert better == pytest.approx(0.025, abs=0.01)


def test_false_better_is_rare_by_the_cars_own_speed() -> None:
    """Staged anywhere within the rollout and 0.02 s from run to run, what the strip shows of both is held in 95 %."""
    rng = np.random.default_rng(32)
    least, most = 2.20, 2.27
    middle, half = (least + most) / 2, (most - least) / 2
    held = better = 0
    for _ in range(4_000):
        a, b = rng.normal(0, USUAL, 2)
        strips = middle + a + rng.uniform(-half, half), middle + b + rng.uniform(-half, half)
        one, two = (hit(n, math.nan, (least + x, most + x)) for n, x in ((1, a), (2, b)))
        said = differ([two], [one], "car", [[one]])
        held += said.seconds.holds(strips[1] - strips[0])
        better += said.told and said.seconds.value < 0
    assert better / 4_000 <= 0.05
    assert held / 4_000 >= 0.95
    # Half of the 95 % interval of a difference of two uniform ones, by chance (computed).
    wide = np.abs(rng.uniform(-1, 1, 200_000) - rng.uniform(-1, 1, 200_000))
    assert float(np.quantile(wide, 0.95)) == pytest.approx(TWO_UNIFORM, abs=0.01)


def covered(cases: int, seed: int, s: float = USUAL) -> tuple[float, float]:
    """Return in which share of evenings the true difference was held, and in which an unchanged launch was better."""
    rng = np.random.default_rng(seed)
    held = better = 0
    for _ in range(cases):
        n_old, n_new = int(rng.integers(1, 8)), int(rng.integers(1, 5))
        true = float(rng.choice([0.0, -0.05, 0.08]))
        old = [hit(i, t) for i, t in enumerate((1.95 + rng.normal(0, s, n_old)).tolist())]
        new = [hit(i, t) for i, t in enumerate((1.95 + true + rng.normal(0, s, n_new)).tolist())]
        said = differ(new, old, "slip", [old, new])
        held += said.seconds.holds(true)
        better += said.told and said.seconds.value < true and true == 0.0
    return held / cases, better / cases


def test_intervals_hold_the_true_difference() -> None:
    """95 % intervals hold in 93 to 97 % of 2,000 made-up evenings of one to eleven runs."""
    held, better = covered(2_000, 33)
    assert 0.93 <= held <= 0.97
    assert better <= 0.05


@pytest.mark.long
def test_intervals_hold_in_ten_thousand_evenings() -> None:
    """The same, with less room for chance."""
    held, better = covered(10_000, 34)
    assert 0.935 <= held <= 0.965
    assert better <= 0.04


def test_states_are_parted_by_what_was_written_down() -> None:
    """A change between two launches begins a new state; one before all of them does not."""
    made = [Hit("s", i, Class.PASS, i * 100, i * 100 + 50, 1.9, None, {}, "") for i in (1, 2, 3)]
    changes = (Changed("a", 50, "tyres", "new"), Changed("b", 260, "tyre_pressure", "90"))
    assert [[one.run for one in state] for state in states(made, Given(changes=changes))] == [[1, 2], [3]]


def test_a_constant_gain_takes_what_mechanics_say() -> None:
    """2.2 s to 60 ft at a constant gain are 0.7706 g (mechanics, computed; no rollout): through the whole way."""
    one = strip([0.7706 * 9.80665], rollout=(0.0, 0.0))
    (found,) = hits(one, reviewed(one).runs.runs, Given())
    assert found.car is not None
    assert sum(found.car) / 2 == pytest.approx(2.2, abs=0.03)


def test_it_is_one_of_the_answers() -> None:
    """`pullwatch review --answer launch` finds it."""
    assert ANSWERS["launch"] is answer


def test_a_simulated_pass_takes_by_the_car_what_it_truly_took() -> None:
    """The simulated car with all confounders on: the true 60 ft, by any rollout, lies within the car-side interval."""
    stages: list[dict[str, Any]] = [
        {"do": "key_on", "for_s": 1.0},
        {"do": "start", "for_s": 0.5},
        {"do": "idle", "name": "idle 0", "for_s": 2.0},
        {"do": "launch", "name": "run 1", "gear": 1, "for_s": 2.5, "to_rpm": 6_200, "duty": 30.0},
        {"do": "shift", "name": "shift 2", "gear": 2, "cut": "ignition", "to_rpm": 6_200},
        {"do": "shift", "name": "shift 3", "gear": 3, "cut": "ignition", "to_rpm": 5_600},
        {"do": "overrun", "name": "overrun 1", "for_s": 2.0},
    ]
    truth = simulate(read({**an_evening(1), "name": "a pass", "on": "road", "stage": stages}))
    one = table_of(truth)
    (found,) = hits(one, reviewed(one).runs.runs, Given())
    assert found.car is not None
    way = np.cumsum(truth.values["speed_m_s"]) / 1_000.0
    for rollout in (0.22, 0.30, 0.34):
        begin, end = (int(np.searchsorted(way, metres)) / 1_000.0 for metres in (rollout, 18.288 + rollout))
        assert found.car[0] <= end - begin <= found.car[1]
    assert found.facts["release_rpm"] > 3_000
    cut = truth.values["cut_active"][: int(np.searchsorted(way, 0.1))] > 0
    assert found.facts["limiter"] == pytest.approx(float(cut.sum()) / 1_000.0, abs=0.15)
