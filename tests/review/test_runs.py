"""Runs: found on simulated evenings whose truth is known, and by hand in every class and ending."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import pytest
from tests.review.evenings import driven, evening, table_of
from tests.review.tables import pull, table

from pullwatch.columns import Column
from pullwatch.review.finding import NAMES, Finder, cannot
from pullwatch.review.runs import Class, Correction, Ended, comparable, describe, runs
from pullwatch.review.runs_answer import plain
from pullwatch.review.table import S
from pullwatch_sim.scenarios import load
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from tests.review.tables import Points

    from pullwatch.review.run import Run
    from pullwatch.review.table import Table
    from pullwatch_sim.truth import Truth

CLOSE = 0.15
"""s: a foot takes 0.1 s, the pedal is measured at 20 Hz."""


@cache
def clean() -> Truth:
    """Return the clean evening of two pulls, a launch practice and a cut shift."""
    return simulate(load("clean-evening"))


def agrees(truth: Truth, made: Table) -> None:
    """Hold what was found against what was driven."""
    found, wanted = runs(made).runs, driven(truth)
    assert [str(run.kind) for run in found] == [one.kind for one in wanted]
    for run, one in zip(found, wanted, strict=True):
        assert run.begin / S == pytest.approx(one.begin, abs=CLOSE)
        assert run.end / S == pytest.approx(one.end, abs=CLOSE)
        assert run.gears == one.gears
        assert run.ended is Ended.LIFT
        assert run.lifts == ()


@pytest.mark.parametrize("seed", range(1, 5))
def test_runs_of_chance_evenings_are_found_as_they_were_driven(seed: int) -> None:
    """Class, begin, end, gears and ending, with every confounder on: dyno and strip, launches, shifts, pulls."""
    agrees(*evening(seed))


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 220))
def test_hundreds_of_runs_are_found_as_they_were_driven(seed: int) -> None:
    """The same on 120 evenings, some 400 runs."""
    agrees(*evening.__wrapped__(seed))


def in_pieces(made: Table, seconds: float) -> list[Run]:
    """Find the runs as a follower does: piece by piece."""
    finder = Finder({name: one.channel for name, one in made.series.items()}, made.profile)
    segments = []
    at = 0
    while at < made.end:
        until = min(at + int(seconds * S) + 1_234_567, made.end)
        part = {}
        for name, series in made.series.items():
            first, last = series.t.searchsorted((at, until), side="right" if at else "left").tolist()
            if last < len(series) and series.t[last] == until:
                last += 1
            if last > first and name in NAMES:
                part[name] = Column(series.t[first:last], series.v[first:last], series.why[first:last])
        segments += finder.take(part, until)
        at = until
    segments += finder.finish()
    return [replace(run, number=0) for one in segments if (run := describe(one, made)) is not None]


@pytest.mark.parametrize("seconds", [0.25, 7.0])
def test_runs_found_while_recording_are_those_found_afterwards(seconds: float) -> None:
    """However the samples are split, to the nanosecond and in every figure."""
    _, made = evening(3)
    whole = [replace(run, number=0) for run in runs(made).runs]
    assert len(whole) >= 2
    assert [plain(run) for run in in_pieces(made, seconds)] == [plain(run) for run in whole]


@pytest.mark.parametrize(
    "left_out", [{"gear"}, {"pedal"}, {"pedal", "throttle"}, {"cut_active"}, {"vehicle_speed", "gear", "cut_active"}]
)
def test_with_fewer_channels_the_same_pulls_are_found(left_out: set[str]) -> None:
    """Gears by ratio, the foot by the throttle, load by boost: begin and end stay, what is not known says so."""
    truth = clean()
    found = runs(table_of(truth, left_out)).runs
    pulls = [run for run in found if run.kind is Class.PULL and run.rpm[0] > 1_500]
    for name, run in zip(("pull 1", "pull 2"), (pulls[0], pulls[-1]), strict=True):
        # Boost comes up to a second after the foot at 2,000 rpm, and leaves with it.
        assert run.begin / S == pytest.approx(
            truth.marks[f"start of {name}"], abs=1.2 if "throttle" in left_out else 0.2
        )
        assert run.end / S == pytest.approx(truth.marks[f"end of {name}"], abs=0.3)
        if "throttle" in left_out:
            assert run.ended is Ended.UNKNOWN
        if "gear" in left_out:
            assert run.gears == ()
            assert len(run.ratios) == (0 if "vehicle_speed" in left_out else 1)


def test_road_speed_alone_is_refused() -> None:
    """It says that the car went, not what the engine did; the answer names what is missing."""
    found = runs(table(5, {"vehicle_speed": [(0, 50), (5, 150)]}))
    assert found.runs == ()
    assert found.why_not.startswith("only road speed is measured")
    assert "Feed engine_speed" in found.why_not
    assert cannot({"lambda": None}).startswith("engine speed is not measured")
    assert cannot({"engine_speed": None, "manifold_pressure": None}).startswith("nothing tells load")
    assert cannot({"engine_speed": None, "boost": None}) == ""


def the(made: Table) -> Run:
    """Return the only run of a table."""
    (run,) = runs(made).runs
    return run


def test_a_pull_is_described() -> None:
    """Class, gear, sweep rate, conditions at begin and end, how it ended."""
    run = the(table(11, pull(intake_air_temperature=[(0, 30), (2, 30), (8, 42)])))
    assert (run.kind, run.gears, run.ended) == (Class.PULL, (4,), Ended.LIFT)
    assert run.begin / S == pytest.approx(2.0, abs=0.03)
    assert run.end / S == pytest.approx(8.0, abs=0.03)
    assert run.sweeps[4] == pytest.approx(750.0, rel=0.01)  # 4,500 rpm in 6 s
    assert run.start["intake_air_temperature"] == pytest.approx(30, abs=0.2)
    assert run.finish["intake_air_temperature"] == pytest.approx(42, abs=0.2)
    assert run.start["oil_temperature"] == 92
    assert math.isnan(run.start["coolant_temperature"])
    assert run.line().startswith("run 1: pull, gear 4, 2,0")


def test_a_blip_and_a_rev_out_of_gear_are_no_runs() -> None:
    """Less than a second of full load is none, nor is an engine revved at a stand."""
    assert (
        runs(
            table(11, pull(pedal=[(0, 10), (2, 10), (2, 100), (2.8, 100), (2.8, 0)], manifold_pressure=[(0, 60)]))
        ).runs
        == ()
    )
    rev = pull(vehicle_speed=[(0, 0)], gear=[(0, 0)], manifold_pressure=[(0, 60)])
    assert runs(table(11, rev)).runs == ()


@pytest.mark.parametrize(
    ("profile", "kind"), [("dyno", Class.PULL), ("street", Class.STREET_PULL), ("strip", Class.STREET_PULL)]
)
def test_a_rolling_run_is_a_pull_on_the_dyno_and_a_street_pull_elsewhere(profile: str, kind: Class) -> None:
    """The profile decides what cannot be measured; nothing handed on of a street pull holds a road speed."""
    run = the(table(11, pull(), profile=profile))
    assert run.kind is kind
    said = plain(run)
    if kind is Class.STREET_PULL:
        assert said["metres"] is None
        assert said["ratios"] == []


def launched(seconds: float, **other: Points) -> dict[str, Points]:
    """Return curves of a start at 3 s after a hold of 2 s on the limiter, full throttle to `seconds`."""
    top = 8.0 * (seconds - 3.0) * 3.6
    return pull(
        engine_speed=[
            (0, 900), (1, 900), (1.3, 4_200), (2.9, 4_200), (3.2, 3_700), (seconds, 6_400), (seconds + 2, 1_000)
        ],
        pedal=[(0, 0), (1, 0), (1, 100), (seconds, 100), (seconds, 0)],
        vehicle_speed=[(0, 0), (3, 0), (seconds, top), (seconds + 5, 0)],
        gear=[(0, 1)],
        **other,
    )  # fmt: skip


def test_a_start_that_goes_far_is_a_pass_and_a_short_one_launch_practice() -> None:
    """100 m decide, except on a dyno, where every start is practice."""
    short, far = table(12, launched(6.0), profile="strip"), table(16, launched(9.5), profile="strip")
    assert the(short).kind is Class.LAUNCH_PRACTICE  # 8 m/s² for 3 s: 36 m
    run = the(far)
    assert run.kind is Class.PASS
    assert run.metres == pytest.approx(0.5 * 8.0 * 6.5**2, rel=0.02)
    assert run.launch is not None
    assert run.launch.release / S == pytest.approx(3.07, abs=0.1)
    assert run.launch.rpm == pytest.approx(4_200, abs=20)
    assert run.launch.held == pytest.approx(1.7, abs=0.3)
    assert the(table(16, launched(9.5))).kind is Class.LAUNCH_PRACTICE


def test_a_lift_in_the_same_gear_makes_a_pedalled_pass_and_one_into_another_gear_a_shift() -> None:
    """The foot alone does not tell them apart; the gear does, or the ratio where no gear is fed."""
    foot = [(0, 0), (1, 0), (1, 100), (5, 100), (5, 0), (5.6, 0), (5.6, 100), (9.5, 100), (9.5, 0)]
    pedalled = launched(9.5)
    pedalled["pedal"] = foot
    run = the(table(16, pedalled, profile="strip"))
    assert run.kind is Class.PEDALLED_PASS
    assert len(run.lifts) == 1
    assert run.lifts[0].seconds == pytest.approx(0.6, abs=0.05)
    shifted = {**pedalled, "gear": [(0, 1), (5.3, 1), (5.3, 2)]}
    run = the(table(16, shifted, profile="strip"))
    assert (run.kind, run.lifts, len(run.shifts), run.gears) == (Class.PASS, (), 1, (1, 2))
    by_ratio = {name: points for name, points in shifted.items() if name != "gear"}
    by_ratio["engine_speed"] = [(0, 4_200), (3, 4_200), (5, 6_400), (5.6, 6_400), (5.6, 3_800), (9.5, 5_700), (11, 900)]
    by_ratio["vehicle_speed"] = [(0, 0), (3, 0), (5, 64), (5.6, 64), (9.5, 96), (14, 0)]
    run = the(table(16, by_ratio, profile="strip"))
    assert (run.kind, len(run.shifts)) == (Class.PASS, 1)


def test_two_runs_with_a_pause_are_two_runs() -> None:
    """A lift of 1.4 s belongs to a run, one of 1.6 s ends it."""
    for pause, count in ((1.4, 1), (1.6, 2)):
        foot = [(0, 0), (2, 0), (2, 100), (5, 100), (5, 0), (5 + pause, 0), (5 + pause, 100), (9, 100), (9, 0)]
        made = table(12, pull(pedal=foot, engine_speed=[(0, 3_000)], manifold_pressure=[(0, 60)]))
        assert len(runs(made).runs) == count


def test_wheels_that_turn_under_a_standing_car_are_a_burnout() -> None:
    """By wheel speeds; where only driven wheels are measured, by how fast they stop. Never on a dyno."""
    curves = pull(
        vehicle_speed=[(0, 0)], wheel_speed_fl=[(0, 0)], wheel_speed_rl=[(0, 0), (2, 0), (3, 70), (7, 70), (8, 0)],
        pedal=[(0, 0), (2, 0), (2, 55), (7, 55), (7, 0)], manifold_pressure=[(0, 90)],
        engine_speed=[(0, 900), (2, 900), (3, 5_500), (7, 5_500), (8, 900)], gear=[(0, 2)],
    )  # fmt: skip
    assert the(table(11, curves, profile="strip")).kind is Class.BURNOUT
    assert runs(table(11, curves)).runs == ()  # the undriven wheels of a dyno always stand
    stopped = pull(
        vehicle_speed=[(0, 0), (2, 0), (3, 90), (7, 90), (7.2, 40), (7.6, 0)],
        pedal=[(0, 0), (2, 0), (2, 100), (7, 100), (7, 0)],
        engine_speed=[(0, 900), (2, 900), (3, 5_500), (7, 5_500), (8, 900)], gear=[(0, 2)],
    )  # fmt: skip
    assert the(table(11, stopped, profile="strip")).kind is Class.BURNOUT
    braked = {**stopped, "vehicle_speed": [(0, 0), (2, 0), (7, 140), (12, 0)]}
    assert the(table(14, braked, profile="strip")).kind is not Class.BURNOUT


def test_an_engine_held_at_one_speed_under_load_is_a_load_hold() -> None:
    """The brake takes what it gives: within 3 % of one speed for most of the time."""
    held = pull(engine_speed=[(0, 4_000)], vehicle_speed=[(0, 100)])
    assert the(table(11, held)).kind is Class.LOAD_HOLD
    slow = pull(engine_speed=[(0, 2_000), (2, 2_000), (8, 2_900)])
    assert the(table(11, slow)).kind is Class.PULL


def cut(code: float, at: float = 7.5, until: float = 8.5) -> Points:
    """Return a cut of that kind."""
    return [(0, 0), (at, 0), (at, code), (until, code), (until, 0)]


@pytest.mark.parametrize(
    ("other", "ended"),
    [
        ({"cut_active": cut(1)}, Ended.FUEL),
        ({"cut_active": cut(2)}, Ended.IGNITION),
        ({"cut_active": cut(3)}, Ended.THROTTLE),
        ({"cut_active": cut(7)}, Ended.CUT),
        ({"cut_active": cut(1, 4.0, 4.5)}, Ended.LIFT),
        ({"cut_active": cut(1, 8.1, 9.5)}, Ended.LIFT),
        ({"engine_speed": [(0, 2_000), (2, 2_000), (7, 5_500), (8, 4_800), (10, 2_000)]}, Ended.OPERATOR),
        ({"engine_speed": [(0, 2_000), (2, 2_000), (6, 5_500), (6.5, 0)]}, Ended.STOPPED),
        ({"engine_speed": [(0, 2_000), (2, 2_000), (6, 5_500), (6, math.nan), (20, 1)]}, Ended.LOST),
    ],
)
def test_how_a_run_ended_is_told(other: dict[str, Points], ended: Ended) -> None:
    """The driver's lift, the controller's cut and of which kind, the operator's brake, a stop, a lost reading."""
    assert the(table(12, pull(**other), protection={"engine_speed": 7_200.0})).ended is ended


def test_a_cut_near_the_rev_limit_is_the_limiter() -> None:
    """Held on it, or on and off: by the limit that the setup states, and only by that."""
    held = pull(
        cut_active=cut(1, 7.8, 8.3), engine_speed=[(0, 2_000), (2, 2_000), (7.8, 7_100), (8, 7_050), (10, 2_000)]
    )
    assert the(table(12, held, protection={"engine_speed": 7_200.0})).ended is Ended.LIMITER
    assert the(table(12, held)).ended is Ended.FUEL
    off_on = [(0, 0), (7.4, 0), (7.4, 1), (7.5, 1), (7.5, 0), (7.7, 0), (7.7, 1), (7.8, 1), (7.8, 0)]
    bounced = {
        **held,
        "cut_active": off_on,
        "engine_speed": [(0, 2_000), (2, 2_000), (7.4, 7_150), (8, 7_100), (10, 2_000)],
    }
    assert the(table(12, bounced, protection={"engine_speed": 7_200.0})).ended is Ended.LIMITER


def test_a_run_in_which_the_recording_ends_is_open() -> None:
    """It is described as far as it goes."""
    run = the(table(6, pull()))
    assert run.ended is Ended.OPEN
    assert run.end / S == pytest.approx(6.0, abs=0.03)


# ---- which may be compared -------------------------------------------------------------------------------------------


def test_runs_are_comparable_only_in_likeness() -> None:
    """Sweep rate within 25 %, intake and oil within 10 °C, same gear and class, no lift; each reason is told."""
    one = the(table(11, pull()))
    assert comparable(one, replace(one, number=2)).answer == "yes"
    for other, word in (
        (replace(one, sweeps={4: 750 * 1.4}), "swept at 750 and 1,050 rpm/s in gear 4"),
        (replace(one, gears=(3,)), "gear 4 and gear 3"),
        (replace(one, start={**one.start, "intake_air_temperature": 41.0}), "intake air at 30 and 41 °C"),
        (replace(one, start={**one.start, "oil_temperature": 80.0}), "oil at 92 and 80 °C"),
        (replace(one, kind=Class.LOAD_HOLD), "a pull and a load hold"),
        (replace(one, lifts=(one.span,)), "was lifted in (1 times)"),
    ):
        said = comparable(one, other)
        assert said.answer == "no"
        assert word in said.line()
    within = replace(one, sweeps={4: one.sweeps[4] * 0.76}, start={**one.start, "intake_air_temperature": 40.0})
    assert comparable(one, within)


def test_what_is_not_known_is_no_likeness() -> None:
    """Without an oil temperature nobody can say; a known difference decides all the same."""
    one = the(table(11, pull()))
    unknown = replace(one, start={**one.start, "oil_temperature": math.nan})
    said = comparable(one, unknown)
    assert (said.answer, bool(said)) == ("cannot tell", False)
    assert said.line() == "cannot tell: the temperature of the oil is not known"
    assert comparable(replace(unknown, gears=(3,)), one).answer == "no"
    assert "the gear is not known" in comparable(replace(one, gears=(), ratios=()), one).line()
    by_ratio = replace(one, gears=(), ratios=(38.0,))
    assert comparable(by_ratio, replace(by_ratio, ratios=(38.5,))).answer == "yes"
    assert comparable(by_ratio, replace(by_ratio, ratios=(48.0,))).answer == "no"


# ---- the owner's word ------------------------------------------------------------------------------------------------


def test_the_owner_corrects_and_what_was_found_stays() -> None:
    """Class, ending and gears are replaced; the run says by whom; the last word counts."""
    made = table(11, pull(), session="evening")
    corrections = [
        Correction("evening", 5 * S, "class", "street pull"),
        Correction("evening", 5 * S, "class", "load hold"),
        Correction("evening", 5 * S, "ended", "operator"),
        Correction("evening", 5 * S, "gears", "3"),
        Correction("another", 5 * S, "class", "burnout"),
        Correction("evening", 9_999 * S, "class", "burnout"),
    ]
    (run,) = runs(made, corrections).runs
    assert (run.kind, run.ended, run.gears) == (Class.LOAD_HOLD, Ended.OPERATOR, (3,))
    assert run.corrected == ("class", "ended", "gears")
    assert "set by the owner" in run.line()
    assert the(made).corrected == ()


def test_another_begin_or_end_describes_the_run_anew() -> None:
    """Sweep, conditions and ends follow the owner's times."""
    made = table(11, pull(), session="evening")
    (run,) = runs(made, [Correction("evening", 5 * S, "end", "6.0"), Correction("evening", 5 * S, "begin", "3")]).runs
    assert (run.begin, run.end) == (3 * S, 6 * S)
    assert run.rpm[1] == pytest.approx(5_000, abs=30)
    assert run.number == 1


def test_a_run_that_is_none_is_left_out_and_numbers_stay() -> None:
    """The others keep their numbers, so that what was noted of them stays right."""
    foot = [(0, 0), (2, 0), (2, 100), (5, 100), (5, 0), (7, 0), (7, 100), (10, 100), (10, 0)]
    made = table(13, pull(pedal=foot, manifold_pressure=[(0, 60)]), session="evening")
    found = runs(made, [Correction("evening", 3 * S, "no run")])
    assert [run.number for run in found.runs] == [2]
    assert [run.number for run in found.left_out] == [1]


def test_a_correction_that_means_nothing_is_refused_in_words() -> None:
    """With what was expected."""
    made = table(11, pull())
    for what, value, word in (
        ("class", "sprint", "expected one of: burnout"),
        ("colour", "red", "these can: class"),
        ("begin", "soon", "session seconds are expected"),
        ("gears", "third", "numbers with - between"),
    ):
        with pytest.raises(ValueError, match=word):
            runs(made, [Correction("", 5 * S, what, value)])
