"""The card: at most 14 lines, every number with its unit, nothing that says the run was good."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from tests.review.evenings import table_of
from tests.review.tables import pull, table
from tests.review.test_runs import launched

from pullwatch.columns import column
from pullwatch.review.answer import Reviewed
from pullwatch.review.card import MOST_LINES, Card, card, rises_in
from pullwatch.review.margins_answer import answer as margins_answer
from pullwatch.review.runs import Ended, runs
from pullwatch.review.runs_answer import answer as runs_answer
from pullwatch.review.table import Happened, S, Series, Span
from pullwatch_sim.scenarios import load
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from pullwatch.review.table import Table
    from pullwatch_sim.truth import Truth

MS = S // 1_000
NEVER_SAID = re.compile(r"\b(safe|good|fine|ok|all clear|healthy|no problem)\b|✓", re.IGNORECASE)


def cards(made: Table) -> list[Card]:
    """Return the cards of all runs, each made with those before it."""
    out: list[Card] = []
    for run in runs(made).runs:
        out.append(card(made, run, out))
    return out


def said(made: Card) -> dict[str, str]:
    """Return the card's lines by label."""
    return {line.label: str(line) for line in made.told}


@pytest.fixture(scope="module")
def dyno() -> tuple[Truth, Table]:
    """Return the dyno evening: a clean pull, a launch, a lost lambda, a pump that fades."""
    truth = simulate(load("dyno-evening"))
    return truth, table_of(truth)


def test_a_card_has_at_most_fourteen_lines_and_nothing_says_safe(dyno: tuple[Truth, Table]) -> None:
    """On every run of the evening, and on one that measures all there is."""
    _, made = dyno
    for one in cards(made):
        assert 8 <= len(one.lines()) <= MOST_LINES
        for line in one.lines():
            assert not NEVER_SAID.search(line), line
            assert "nan" not in line.lower(), line


def test_what_the_card_says_is_what_the_model_did(dyno: tuple[Truth, Table]) -> None:
    """Boost, leanest, oil, fuel pressure and duty against the model's own values over the run."""
    truth, made = dyno
    for number, name in ((0, "pull 1"), (3, "pull 3")):
        one = cards(made)[number]
        first, last = (round(truth.marks[f"{edge} of {name}"] * 1_000) for edge in ("start", "end"))
        values = {key: column_[first:last] for key, column_ in truth.values.items()}
        boost = values["manifold_pressure"] - truth.scenario.place["barometric_kpa"]
        loaded = boost > 20.0
        assert one.numbers["peak boost"] == pytest.approx(boost.max(), abs=2.5)  # noise and strokes of the cylinders
        assert one.numbers["settled boost"] == pytest.approx(np.median(boost[boost > 0.95 * boost.max()]), abs=1.0)
        assert one.numbers["injector duty"] == pytest.approx(values["injector_duty"].max(), abs=1.5)
        assert one.numbers["least oil pressure"] == pytest.approx(values["oil_pressure"][loaded].min(), abs=8)
        assert one.numbers["fuel differential"] == pytest.approx(
            values["fuel_differential_pressure"][loaded].min(), abs=6
        )
        # The leanest that was burned under boost, in the cylinder; the sensor smooths it, and reads a little richer.
        leanest = values["lambda_cylinder"][loaded].max()
        assert leanest - 0.03 < one.numbers["leanest"] < leanest + 0.01
    lean = said(cards(made)[3])["leanest"]
    speed, pressure = re.findall(r"([\d,]+) rpm, (\d+) kPa absolute", lean)[0]
    assert int(speed.replace(",", "")) > 5_200  # where the pump gave up, not where the sensor said so
    assert 175 < int(pressure) < 200


def test_blind_seconds_stand_beside_the_leanest(dyno: tuple[Truth, Table]) -> None:
    """The launch limiter and the cut shift hide the mixture; what a cut shows as lean is not the leanest."""
    _, made = dyno
    launch = cards(made)[1]
    line = said(launch)["leanest"]
    assert float(re.findall(r"blind (\d\.\d) s of", line)[0]) == pytest.approx(2.0, abs=0.4)
    assert launch.numbers["leanest"] < 0.9
    lost = said(cards(made)[2])["leanest"]
    assert float(re.findall(r"not known (\d\.\d) s", lost)[0]) == pytest.approx(1.0, abs=0.3)


def test_what_tripped_is_told_in_order(dyno: tuple[Truth, Table]) -> None:
    """With the time into the run; a run without an alarm says that nothing tripped, and how near it came."""
    _, made = dyno
    clean, *_, last = cards(made)
    assert said(clean)["tripped"] == "tripped: nothing"
    assert "lean under boost" in said(clean)["nearest to a limit"]
    tripped = said(last)["tripped, in order"]
    assert tripped.index("fuel pressure falling") < tripped.index("then lean under boost")
    assert tripped.endswith("(2 critical)")
    assert "BEYOND" in said(last)["nearest to a limit"]


def test_the_difference_is_to_the_last_comparable_run(dyno: tuple[Truth, Table]) -> None:
    """Pull 2 is held against pull 1, over the launch between them; without one the reason stands there."""
    _, made = dyno
    first, launch, second, third = cards(made)
    assert not [label for label in said(first) if label.startswith(("against", "difference"))]
    assert said(launch)["difference"].startswith("difference: no comparable run before this one (run 1: ")
    against = said(second)["against run 1"]
    gained = second.numbers["peak boost"] - first.numbers["peak boost"]
    assert f"peak boost {gained:+.1f} kPa" in against
    assert "against run 3" in said(third)


def test_a_run_that_cannot_be_compared_surely_says_so() -> None:
    """Without an oil temperature the difference is told, with the doubt beside it."""
    foot = [(0, 0), (2, 0), (2, 100), (5, 100), (5, 0), (8, 0), (8, 100), (11, 100), (11, 0)]
    curves = pull(pedal=foot, engine_speed=[(0, 2_000), (2, 2_000), (5, 5_000), (8, 2_000), (11, 5_000), (13, 2_000)])
    curves.pop("oil_temperature")
    one, two = cards(table(14, curves))
    assert "cannot tell whether comparable: the temperature of the oil is not known" in said(two)["against run 1"]
    assert "seconds +0.0" in said(two)["against run 1"]
    assert one.run.number == 1


def test_what_the_car_does_not_measure_has_no_line_and_what_was_not_heard_says_so() -> None:
    """A missing channel is no line; a silent one is no number."""
    curves = pull(oil_pressure=[(0, 400), (1, math.nan)], **{"lambda": [(0, 0.85), (1, math.nan)]})
    lines = said(cards(table(11, curves))[0])
    assert "knock retard" not in lines
    assert "injector duty" not in lines
    assert lines["oil pressure under load"].startswith("oil pressure under load: not measured in this run (not known 6")
    assert lines["leanest"] == "leanest: not seen under boost (blind 0.0 s, not known 6.0 s of 6.0 s)"


def test_without_a_barometer_the_peak_is_absolute_and_says_why() -> None:
    """No boost is made up of a guessed barometer."""
    curves = pull()
    curves.pop("barometric_pressure")
    made = cards(table(11, curves))[0]
    assert "kPa absolute" in said(made)["boost"]
    assert "barometric pressure is not known" in said(made)["boost"]
    assert "peak boost" not in made.numbers


def test_a_sensor_at_its_ceiling_says_at_least() -> None:
    """A ceiling is not a reading."""
    made = replace(
        table(11, pull(manifold_pressure=[(0, 60), (2, 60), (3, 245), (8, 245)])), ceilings={"manifold_pressure": 245.0}
    )
    assert "at least: the sensor was at its ceiling" in said(cards(made)[0])["boost"]


def test_of_two_banks_the_leaner_one_is_told() -> None:
    """With its own name beside its blind seconds."""
    made = table(11, pull(lambda_bank1=[(0, 0.82)], lambda_bank2=[(0, 0.86)]))
    line = said(cards(made)[0])["leanest"]
    assert line.startswith("leanest: lambda 0.860")
    assert "lambda_bank2 blind 0.0 s" in line


def test_knock_is_told_by_its_rises() -> None:
    """A rise of a degree within 0.2 s is one; slow growth and what is given back are none."""
    retard = [(0, 0), (4, 0), (4, 3), (5.5, 0), (6, 0), (6, 1.5), (7, 0.5)]
    line = said(cards(table(11, pull(knock_retard=retard)))[0])["knock retard"]
    assert line.startswith("knock retard: most 3.0 deg at ")
    assert "(2 rises of 1 deg or more)" in line
    slow = column([i * 100 * MS for i in range(20)], [0.2 * i for i in range(20)])
    assert rises_in(slow.t, slow.v) == []
    steps = column([0, 100 * MS, 150 * MS, 600 * MS], [0.0, 0.6, 1.1, 0.0])
    assert rises_in(steps.t, steps.v) == [150 * MS]


def test_a_pass_tells_its_launch_and_sixty_feet() -> None:
    """With the rollout it rests on; 8 m/s² need 2.0 s for 60 ft (mechanics, computed)."""
    made = cards(table(16, launched(9.5), profile="strip"))[0]
    line = said(made)["launch"]
    least, most = (float(text) for text in re.findall(r"60 ft in (\d\.\d\d) to (\d\.\d\d) s", line)[0])
    by_hand = [math.sqrt(2 * (18.288 + d) / 8.0) - math.sqrt(2 * d / 8.0) for d in (0.20, 0.36)]
    assert (least, most) == pytest.approx((min(by_hand), max(by_hand)), abs=0.05)
    assert "released at 4,200 rpm" in line
    assert "rollout 0.20 to 0.36 m" in line


def test_feeds_that_were_away_and_gaps_are_told() -> None:
    """Seconds away within the run; anything missing, dropped or still open is not recorded whole."""
    made = table(11, pull())
    whole = said(cards(made)[0])
    assert whole["feeds lost"] == "feeds lost: none"
    assert whole["recorded whole"] == "recorded whole: yes"
    away = (Happened(S, "gps", "lost", "gone"), Happened(3 * S, "gps", "found", ""), Happened(7 * S, "gps", "lost", ""))
    assert said(cards(replace(made, events=away))[0])["feeds lost"] == "feeds lost: gps 2.0 s"
    for broken in (
        replace(made, gaps=(Span(5 * S, 5 * S + 1),)),
        replace(made, events=(Happened(5 * S, "ecu", "dropped", ""),)),
        table(7, pull()),
    ):
        assert said(cards(broken)[0])["recorded whole"].startswith("recorded whole: no (")
    assert cards(table(7, pull()))[0].run.ended is Ended.OPEN


def test_a_fullest_card_still_has_fourteen_lines() -> None:
    """Every line at once."""
    curves = launched(
        9.5, oil_pressure=[(0, 400)], knock_retard=[(0, 0)], injector_duty=[(0, 60)], coolant_temperature=[(0, 90)],
        fuel_differential_pressure=[(0, 300)], exhaust_gas_temperature=[(0, 700)], **{"lambda": [(0, 0.82)]},
    )  # fmt: skip
    made = table(16, curves, profile="strip")
    (run,) = runs(made).runs
    one = card(made, run)
    two = card(made, replace(run, number=2), [one], one.margins)
    assert len(two.lines()) == MOST_LINES - 1  # there is no rule to be near to
    assert two.to_dict()["lines"][0]["label"] == "run 2"


# ---- the answers that stand on the same figures ----------------------------------------------------------------------


def test_the_runs_are_told_with_their_conditions_and_likeness(dyno: tuple[Truth, Table]) -> None:
    """Each run of a class is held against the one before it."""
    _, made = dyno
    told = runs_answer(Reviewed(made, runs(made), tuple(cards(made))))
    text = "\n".join(told.lines)
    assert "run 3: pull, gear 4" in text
    assert "with run 1: comparable" in text
    assert "oil 90 to 92 °C" in text
    assert [row["kind"] for row in told.data["runs"]] == ["pull", "launch practice", "pull", "pull"]


def test_margins_are_told_run_by_run_and_over_the_runs(dyno: tuple[Truth, Table]) -> None:
    """The nearest first; the way over the day names every run."""
    _, made = dyno
    told = margins_answer(Reviewed(made, runs(made), tuple(cards(made))))
    text = "\n".join(told.lines)
    assert "run 4, pull:" in text
    assert re.search(r"not near: .*oil pressure low, ", text)
    assert "oil pressure low: run 1" not in text
    assert re.search(r"overboost: run 1 \+\d+\.\d kPa, run 2 ", text)
    assert told.data["runs"][0]["margins"][0]["rule"] == "lean under boost"


def test_answers_without_runs_say_why() -> None:
    """Nothing found is told; nothing to find by is refused."""
    idle = table(5, pull(pedal=[(0, 0)], manifold_pressure=[(0, 40)]))
    empty = Reviewed(idle, runs(idle), ())
    assert runs_answer(empty).lines[0].startswith("No run was found")
    assert margins_answer(empty).lines == ("There is no run to measure margins in.",)
    road = table(5, {"vehicle_speed": [(0, 50)]})
    refused = Reviewed(road, runs(road), ())
    assert runs_answer(refused).refused.startswith("only road speed")
    assert margins_answer(refused).refused.startswith("only road speed")
    assert isinstance(idle.get("pedal"), Series)
