"""Margins: the least distance to each limit as the watchdog holds it, and what makes it doubtful."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from tests.review.evenings import table_of
from tests.review.tables import pull, table

from pullwatch.batch import Batch
from pullwatch.channels import Delay
from pullwatch.columns import Column, Why
from pullwatch.review.judged import blind, held, holds, verdicts
from pullwatch.review.margins import lines, margins, trend
from pullwatch.review.runs import runs
from pullwatch.review.table import Accuracy, S, Series, Span, seconds_of
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.conditions import Names, Verdict, parse, parse_trip
from pullwatch.watchdog.judge import Watchdog
from pullwatch.watchdog.rules import Rule, RuleSet
from pullwatch_sim.scenarios import load
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from pullwatch.review.margins import Margin
    from pullwatch.review.table import Table

MS = S // 1_000


def ruled(
    made: Table, *rules: tuple[str, str], blinds: dict[str, str] | None = None, delay: Delay | None = None
) -> Table:
    """Return the table judged by rules (trip, gate); `delay` is that of lambda."""
    channels = list(made.rules.channels)
    if delay is not None:
        channels = [replace(one, delay=delay) if one.name == "lambda" else one for one in channels]
    named = Names({one.name: one for one in channels}, {}, {})
    series = {one.name: Series(one, made.series[one.name].samples) for one in channels} | {
        name: one for name, one in made.series.items() if one.channel.number < 0
    }
    made_rules = tuple(
        Rule(number, f"rule {number}", parse_trip(trip, named), parse(gate, named) if gate else None, trip_text=trip)
        for number, (trip, gate) in enumerate(rules)
    )
    blinded = {named.channels[name].number: parse(text, named) for name, text in (blinds or {}).items()}
    return replace(
        made,
        series=series,
        rules=RuleSet(tuple(channels), made_rules, {}, blinded, named.channels["engine_speed"].number),
    )


def of(made: Table) -> tuple[Margin, ...]:
    """Return the margins of the only run."""
    (run,) = runs(made).runs
    return margins(made, run)


def test_the_least_margin_is_where_it_was_least() -> None:
    """Value, limit, instant, speed and pressure there; above and below a limit alike."""
    made = ruled(
        table(11, pull(oil_pressure=[(0, 400), (5, 300), (8, 420)], coolant_temperature=[(0, 90), (8, 97)])),
        ("oil_pressure < 250 kPa", ""),
        ("coolant_temperature > 105 °C", "manifold_pressure > 120 kPa"),
    )
    oil, coolant = of(made)
    assert oil.least == pytest.approx(50, abs=1)
    assert oil.t / S == pytest.approx(5.0, abs=0.05)
    assert oil.rpm == pytest.approx(4_250, abs=30)
    assert oil.pressure == pytest.approx(188, abs=1)
    assert oil.near == 50.0  # the usual band of a gauge pressure
    assert coolant.least == pytest.approx(8.0, abs=0.1)
    assert coolant.near_s == pytest.approx(8 * 2 / 7 + 0.0, abs=0.1)  # 95 °C and above, from 5.71 s on
    assert coolant.armed_s == pytest.approx(5.5, abs=0.1)  # from 2.46 s on


def test_the_owners_band_decides_what_is_near() -> None:
    """It takes the place of the usual one."""
    made = ruled(table(11, pull(oil_pressure=[(0, 400)])), ("oil_pressure < 250 kPa", ""))
    assert not of(made)[0].is_near
    (margin,) = of(replace(made, near={"rule 0": 160.0}))
    assert margin.is_near
    assert margin.near_s == pytest.approx(6.0, abs=0.1)


def test_beyond_is_negative_and_said_so() -> None:
    """A single sample beyond counts: no alarm, but no margin either."""
    made = ruled(
        table(11, pull(oil_pressure=[(0, 400), (5, 400), (5, 230), (5.03, 230), (5.03, 400)])),
        ("oil_pressure < 250 kPa", ""),
    )
    (margin,) = of(made)
    assert margin.least == pytest.approx(-20)
    assert "BEYOND its limit by 20 kPa" in lines(made, [margin])[0]


def test_not_knowing_is_no_margin() -> None:
    """Never armed, silent, in doubt: each says why, and none is a number."""
    made = ruled(
        table(11, pull(oil_pressure=[(0, 400), (1, math.nan)], coolant_temperature=[(0, 90)])),
        ("oil_pressure < 250 kPa", ""),
        ("coolant_temperature > 105 °C", "manifold_pressure > 400 kPa"),
    )
    silent, unarmed = of(made)
    assert math.isnan(silent.least)
    assert silent.why_not == "not known while it was armed: it has gone silent"
    assert silent.unknown_s == pytest.approx(6.0, abs=0.1)
    assert unarmed.why_not == "not armed in this run"
    assert not silent.is_near
    assert lines(made, [silent])[0].startswith("rule 0: cannot tell, ")
    doubted = made.series["coolant_temperature"]
    why = np.full(len(doubted), Why.NOT_PROVED, np.uint8)
    unproved = replace(
        ruled(made, ("coolant_temperature > 105 °C", "")),
        series={**made.series, "coolant_temperature": Series(doubted.channel, Column(doubted.t, doubted.v, why))},
    )
    assert of(unproved)[0].why_not == "not known while it was armed: the sensor has not proved itself"


def test_a_sensor_at_its_ceiling_gives_at_most() -> None:
    """The true margin is no more than what is shown."""
    made = ruled(table(11, pull()), ("manifold_pressure > 205 kPa", ""))
    (margin,) = of(replace(made, ceilings={"manifold_pressure": 189.0}))
    assert margin.at_most
    assert "at most 15.0 kPa away" in lines(made, [margin])[0]
    assert not of(made)[0].at_most


def test_a_margin_smaller_than_the_accuracy_decides_nothing() -> None:
    """The sensor cannot say on which side of the limit it was; an accuracy nobody stated is told as such."""
    made = ruled(table(11, pull()), ("manifold_pressure > 192 kPa", ""))
    (margin,) = of(replace(made, accuracy={"manifold_pressure": Accuracy(0.0, 4.0, "stated")}))
    assert margin.undecided
    assert "cannot say on which side" in lines(made, [margin])[0]
    (unstated,) = of(made)
    assert not unstated.undecided
    assert "sensor accuracy not stated" in lines(made, [unstated])[0]


def test_a_sensor_that_speaks_late_is_held_to_the_limit_of_then() -> None:
    """With a delay the strictest limit of the window counts, as the alarm has it."""
    curves = pull(**{"lambda": [(0, 1.0), (2.4, 1.0), (3.2, 0.80), (8, 0.80)]})
    made = ruled(
        table(11, curves), ("lambda > 0.86 lambda", "manifold_pressure > 120 kPa"),
        delay=Delay(100 * MS, 300 * MS),
    )  # fmt: skip
    (margin,) = of(made)
    # Armed by what was 100 to 300 ms ago, from 2.46 + 0.1 s on, when lambda still was leaner.
    at = 2.46 + 0.1
    assert margin.value == pytest.approx(1.0 - (at - 2.4) / 0.8 * 0.20, abs=0.01)


def test_two_samples_are_asked_where_the_rule_asks_for_two() -> None:
    """One spike of ignition noise does not make a rule near that needs two samples."""
    curves = pull(**{"lambda": [(0, 0.80), (5, 0.80), (5, 0.95), (5.015, 0.95), (5.015, 0.80)]})
    made = ruled(table(11, curves), ("lambda > 0.86 lambda", ""))
    assert of(made)[0].least == pytest.approx(-0.09)
    two = replace(made, rules=replace(made.rules, rules=(replace(made.rules.rules[0], at_least_samples=2),)))
    assert of(two)[0].least == pytest.approx(0.06)


def test_rules_nobody_asked_for_and_road_speed_on_the_street_have_no_margin() -> None:
    """Lost readings have none; what was removed or added by pullwatch is left out."""
    made = ruled(
        table(11, pull(), profile="street"), ("manifold_pressure > 205 kPa", ""), ("vehicle_speed > 180 km/h", ""),
        ("manifold_pressure is lost", ""),
    )  # fmt: skip
    assert [one.rule for one in of(made)] == ["rule 0"]
    assert [one.rule for one in of(replace(made, profile="dyno"))] == ["rule 0", "rule 1"]
    assert of(replace(made, automatic=frozenset({"rule 0"}))) == ()


def test_the_way_over_the_runs_is_told_by_rule() -> None:
    """Runs without a margin are left out of it."""
    made = ruled(table(11, pull()), ("manifold_pressure > 205 kPa", ""))
    (margin,) = of(made)
    later, unknown = replace(margin, run=2, least=9.0), replace(margin, run=3, least=math.nan)
    assert trend([[margin], [later], [unknown]]) == {"rule 0": [(1, margin.least), (2, 9.0)]}


# ---- as the watchdog has it ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def faulty() -> Table:
    """Return the dyno evening: a clean pull, a lost lambda, a pump that fades."""
    return table_of(simulate(load("dyno-evening")))


def test_a_stretch_is_held_against_its_limits_as_the_watchdog_does(faulty: Table) -> None:
    """Value and limit at every alarm that was raised are those of the stretch at that instant."""
    (*_, run) = runs(faulty).runs
    by_rule = {one.rule.number: one for one in held(faulty, run.begin, run.end + S)}
    raised = [change for change in faulty.changes if change.event is Event.RAISE and run.begin <= change.t <= run.end]
    assert len(raised) == 3
    for change in raised:
        one = by_rule[change.rule]
        place = int(np.searchsorted(one.t, change.t, side="right")) - 1
        assert one.verdict[place] == Verdict.YES
        assert one.armed[place] == Verdict.YES
        assert one.value[place] == change.value
        assert one.limit[place] == change.limit


def test_margins_of_the_fading_pump_are_what_the_truth_says(faulty: Table) -> None:
    """The least fuel differential pressure and the leanest lambda of the model, within noise."""
    found = {one.rule: one for one in margins(faulty, runs(faulty).runs[-1])}
    assert found["fuel pressure falling"].least == pytest.approx(0.8 * 300 - 0.9 * 300, abs=6)
    assert found["lean under boost"].least == pytest.approx(-0.065, abs=0.02)
    assert found["oil pressure low"].least > 50


def test_blind_stretches_are_those_in_which_the_watchdog_calls_the_sensor_blind(faulty: Table) -> None:
    """The launch limiter and the cut shift, to the sample."""
    launch = runs(faulty).runs[1]
    lean = next(one for one in held(faulty, launch.begin, launch.end) if one.rule.name == "lean under boost")
    spans = blind(faulty, "lambda", launch.begin, launch.end)
    assert seconds_of(spans) > 1.5
    good = (lean.verdict == Verdict.BLIND) | (lean.verdict == Verdict.YES) | (lean.verdict == Verdict.NO)
    inside = np.array([any(span.begin - 6 * MS <= t < span.end + 6 * MS for span in spans) for t in lean.t.tolist()])
    outside = np.array(
        [not any(span.begin + 6 * MS <= t < span.end - 6 * MS for span in spans) for t in lean.t.tolist()]
    )
    assert inside[good & (lean.verdict == Verdict.BLIND)].all()
    assert outside[good & (lean.verdict != Verdict.BLIND)].all()
    assert blind(faulty, "oil_pressure", launch.begin, launch.end) == []
    assert blind(faulty, "no such channel", launch.begin, launch.end) == []


def test_a_condition_over_a_stretch_is_what_the_watchdog_answers() -> None:
    """From the begin of the stretch on, and where it surely holds."""
    made = ruled(table(11, pull()))
    named = Names({one.name: one for one in made.rules.channels}, {}, {})
    boost = parse("manifold_pressure > 120 kPa", named)
    (span,) = holds(made, boost, 0, 10 * S)
    assert span.begin / S == pytest.approx(2.46, abs=0.03)
    assert span.end / S == pytest.approx(8.045, abs=0.03)
    t, verdict = verdicts(made, boost, 5 * S, 6 * S)
    assert (t.tolist(), verdict.tolist()) == ([5 * S], [Verdict.YES])
    assert holds(replace(made, rules=RuleSet((), ())), boost, 0, S) == []
    assert held(replace(made, rules=RuleSet((), ())), 0, S) == []


def test_margins_do_not_depend_on_how_the_recording_was_judged(faulty: Table) -> None:
    """They are computed anew; the changes of the table only tell what was told."""
    columns = {
        one.channel.number: one.samples for one in faulty.series.values() if one.channel.number >= 0 and len(one)
    }
    again = Watchdog(faulty.rules).judge(Batch(faulty.end, (), None, columns))
    assert repr(tuple(again)) == repr(faulty.changes)
    run = runs(faulty).runs[0]
    assert margins(replace(faulty, changes=()), run) == margins(faulty, run)
    assert isinstance(run.span, Span)
