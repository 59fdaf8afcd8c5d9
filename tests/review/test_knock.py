"""Knock: every rise is real until shown otherwise, and what it would take to call it noise is all asked for."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from tests.review.pulls import Pull, pulls
from tests.review.test_card import NEVER_SAID

from pullwatch.columns import Column
from pullwatch.review.knock import FIRST_MODE, GAS, first_mode, rises
from pullwatch.review.knock_answer import answer
from pullwatch.review.run import Class, Ended, Run
from pullwatch.review.runs import Runs
from pullwatch.review.table import S, Series, Span
from pullwatch.reviewing.reading import reviewed as review

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.review.answer import Reviewed

MS = S // 1_000
NOISY = Pull(falls=0.25, richer=0.03, knock_at=5_760.0)
"""Valves float from 5,700 rpm on, and the sensor hears them: the controller takes 3 degrees out at 5,760."""


# ---- the first mode --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bore", "gas", "hertz"), [(92.0, 950.0, 6051.8), (77.0, 1000.0, 7611.3)])
def test_first_mode(bore: float, gas: float, hertz: float) -> None:
    """Draper, f = 1.8412·c/(π·B) (NACA Report 493, 1934, from memory): to 1 Hz."""
    assert first_mode(bore, gas) == pytest.approx(hertz, abs=1.0)


def test_first_mode_is_the_bessel_zero() -> None:
    """The factor is the first zero of J1' (scipy 1.17, jnp_zeros): 1.841 to 0.001."""
    from scipy.special import jnp_zeros

    assert pytest.approx(float(jnp_zeros(1, 1)[0]), abs=1e-4) == FIRST_MODE


def test_the_rule_of_thumb_lies_in_the_band() -> None:
    """900/(π·r) kHz (common practice, text seen): 6,944.9 Hz at 82.5 mm, Draper with 977.6 m/s; within our band."""
    least, most = (first_mode(82.5, gas) for gas in GAS)
    assert least < 6944.9 < most
    assert first_mode(82.5, 1_800 / FIRST_MODE) == pytest.approx(6944.9, abs=0.1)


@pytest.mark.parametrize(("kelvin", "gamma", "speed"), [(2_200.0, 1.28, 899.0), (2_500.0, 1.25, 947.0)])
def test_the_band_is_that_of_burned_gas(kelvin: float, gamma: float, speed: float) -> None:
    """Speed of sound of an ideal gas, √(gamma·R·T), R = 287 (computed): burned gas is within 900 to 1,000 m/s."""
    assert math.sqrt(gamma * 287.0 * kelvin) == pytest.approx(speed, abs=0.5)
    assert GAS[0] - 1.5 <= speed <= GAS[1]


# ---- events ----------------------------------------------------------------------------------------------------------


def test_events_are_rises() -> None:
    """A standing retard is none, a slow rise is none, one degree within 0.2 s is one; a long silence hides nothing."""
    t = np.arange(0, 4_000, 50, dtype=np.int64) * MS
    assert rises(t, np.full(len(t), 5.0)) == []
    assert rises(t, t / S * 2.0) == []  # 2 degrees a second: 0.4 in 0.2 s
    step = np.where(t >= 2 * S, 1.0, 0.0)
    assert rises(t, step) == [2 * S]
    seldom = np.array([0, S, 2 * S], np.int64)
    assert rises(seldom, np.array([0.0, 0.0, 3.0])) == [2 * S]
    assert rises(seldom, np.array([3.0, 3.0, 2.0])) == []


def test_an_event_is_told_with_what_stood_beside_it() -> None:
    """Speed as an interval that holds the truth, pressure, size; and that it is to be treated as real."""
    made = answer(pulls([Pull(knock_at=5_200.0)]))
    event = made.data["runs"][0]["events"][0]
    least, most = event["rpm"]
    assert least - 12 <= 5_200 <= most + 12
    assert most - least < 40
    assert event["rise_deg"] == pytest.approx(3.0, abs=0.01)
    assert event["advance_deg"] == pytest.approx(14.0, abs=0.1)
    assert sum("treat it as real" in line.lower() for line in made.lines) >= 2
    assert made.data["verdict"] == "treat as real"


@pytest.mark.parametrize(
    ("what", "evidence"),
    [({"richer": -0.05, "float_at": 4_900.0}, "lean"), ({"intake": 68.0}, "hot charge"), ({}, "load")],
)
def test_evidence_for_real_knock_is_listed(what: dict[str, float], evidence: str) -> None:
    """Lean, a hot charge and high load are named where they were."""
    made = answer(pulls([replace(Pull(knock_at=5_200.0), **what)]))
    names = [one["what"] for one in made.data["runs"][0]["events"][0]["real"] if one["known"]]
    assert evidence in names


def test_what_could_not_be_seen_is_said() -> None:
    """Without a commanded lambda nobody knows whether it was lean, and the answer says so."""
    made = answer(pulls([Pull(knock_at=5_200.0)], without=("lambda_target", "intake_air_temperature")))
    assert any("cannot tell whether it was lean and how hot the charge was" in line for line in made.lines)


def test_evidence_for_noise_lowers_nothing() -> None:
    """Beside a gear change and a cut it is listed so, and still to be treated as real."""
    reviewed = pulls([replace(NOISY, falls=0.0)])
    event = answer(reviewed).data["runs"][0]["events"][0]
    beside = Span(event["t"][0] - 50 * MS, event["t"][1] + 50 * MS)
    run = replace(reviewed.runs.runs[0], cuts=(beside,), shifts=(beside,))
    made = answer(replace(reviewed, runs=Runs((run,))))
    assert {one["what"] for one in made.data["runs"][0]["events"][0]["mechanical"]} >= {"cut", "shift", "rich"}
    assert made.data["verdict"] == "treat as real"
    assert any("treat it as real" in line.lower() for line in made.lines)


# ---- noise or not ----------------------------------------------------------------------------------------------------


def three(base: Pull = NOISY, *, apart: float = 6.0, at: tuple[float, ...] = (0.0, 30.0, -40.0, 20.0)) -> list[Pull]:
    """Return four pulls with the onset of the knock a little apart and the timing `apart` degrees in all."""
    return [
        replace(
            base, knock_at=base.knock_at + off, float_at=base.float_at + off / 2.0,
            advance=10.0 + apart * number / (len(at) - 1),
        )
        for number, off in enumerate(at)
    ]  # fmt: skip


def test_consistent_with_mechanical_noise() -> None:
    """Four runs, one speed, timing 6 degrees apart, no lean, cool, with the signature; and still: treat it as real."""
    made = answer(pulls(three()))
    assert made.data["verdict"] == "consistent with mechanical noise", made.data["missing"]
    text = " ".join(made.lines)
    assert "Treat it as real all the same" in text
    assert "same act" in text
    assert any("nothing can be told" in line and "spectrum" in line for line in made.lines)


def test_twenty_kilopascals_apart_do_as_well() -> None:
    """The same timing at pressures 22 kPa apart says as much."""
    many = [replace(one, advance=12.0, pressure=178.0 + 11.0 * k) for k, one in enumerate(three()[:3])]
    assert answer(pulls(many, 4)).data["verdict"] == "consistent with mechanical noise"


def cases() -> Iterator[tuple[str, list[Pull], dict[str, Any]]]:
    """Yield which condition is missing, and pulls in which it is."""
    yield "3 runs with the onset", three()[:2], {}
    yield "4 deg of timing or 20 kPa apart", three(apart=2.0), {}
    yield "3 runs with the onset", three(at=(0.0, 30.0, -260.0, 250.0)), {}
    yield "no lean", three(replace(NOISY, richer=-0.04)), {}
    yield "no hot charge", three(replace(NOISY, intake=66.0)), {}
    yield "signature of floating valves", three(replace(NOISY, falls=0.0)), {}
    yield "lean measured", three(), {"without": ("lambda_target",)}
    yield "hot charge measured", three(), {"without": ("intake_air_temperature",)}
    yield "no event elsewhere", [*three(), Pull(knock_at=4_300.0)], {}
    yield "3 runs with the onset", [Pull(knock_at=at, pressure=p) for at, p in ((4_500.0, 180.0), (4_900.0, 195.0))], {}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("name", "many", "more"), list(cases()), ids=[name for name, _, _ in cases()])
def test_each_condition_is_asked_for(name: str, many: list[Pull], more: dict[str, Any], seed: int) -> None:
    """With any one condition missing it is treated as real (of 30 sessions: all), and what is missing is named."""
    made = answer(pulls(many, seed, **more))
    assert made.data["verdict"] == "treat as real", name
    assert any(name in one for one in made.data["missing"]), made.data["missing"]


def test_an_earlier_session_helps_to_tell() -> None:
    """Two runs now and two before are four; without those before it cannot be told."""
    many = three()
    here, before = pulls(many[:2], 1), pulls(many[2:], 2, name="before")
    assert answer(here).data["verdict"] == "treat as real"
    assert answer(replace(here, before=(before,))).data["verdict"] == "consistent with mechanical noise"


# ---- refusals --------------------------------------------------------------------------------------------------------


def test_absence_proves_nothing() -> None:
    """No rise is told with the seconds it was heard for, and that it proves nothing."""
    made = answer(pulls([Pull(), Pull()]))
    assert made.data["verdict"] == "none seen"
    assert any("proves nothing" in line for line in made.lines)
    assert made.data["runs"][0]["heard_s"] == pytest.approx(made.data["runs"][0]["boosted_s"], abs=0.05)
    for line in made.lines:
        assert not NEVER_SAID.search(line), line


def test_a_channel_that_was_silent_is_said_to_be() -> None:
    """A second without the channel is a second in which nothing was heard."""
    reviewed = pulls([Pull()])
    run = reviewed.runs.runs[0]
    series = reviewed.table.series["knock_retard"]
    keep = (series.t < run.begin + S) | (series.t >= run.begin + 2 * S)
    quiet = Series(
        replace(series.channel, stale_after=100 * MS),
        Column(series.t[keep], series.v[keep], series.why[keep]),
    )
    table = replace(reviewed.table, series={**reviewed.table.series, "knock_retard": quiet})
    made = answer(replace(reviewed, table=table))
    one = made.data["runs"][0]
    assert one["boosted_s"] - one["heard_s"] == pytest.approx(0.9, abs=0.1)
    assert any("not heard for 0.9 s" in line for line in made.lines)


def refused(reviewed: Reviewed) -> str:
    return answer(reviewed).refused


def test_refusals() -> None:
    """Without the controller's retard, without a run, without an engine speed: refused, with why."""
    reviewed = pulls([Pull()], without=("knock_retard",))
    assert "ignition_advance alone says nothing of it" in refused(reviewed)
    assert refused(replace(reviewed, runs=Runs(why_not="no engine speed."))) == "no engine speed."
    assert "there is no run" in refused(replace(pulls([Pull()]), runs=Runs(())))


def test_the_bore_is_asked_for() -> None:
    """Where the bore is not stated, the band is not told, and the reader is told what to state."""
    reviewed = pulls([Pull()])
    assert any("6.4 to 7.1 kHz" in line for line in answer(reviewed).lines)
    bare = replace(reviewed.table, car=replace(reviewed.table.car, bore_mm=None))
    assert any("bore_mm is not stated" in line for line in answer(replace(reviewed, table=bare)).lines)


def test_over_a_whole_session_as_it_is_reviewed() -> None:
    """Through the runs and cards of a review it answers the same."""
    made = pulls([Pull(knock_at=5_200.0)])
    whole = review(replace(made.table, end=made.table.end + 5 * S))
    assert len(answer(whole).data["runs"]) == 1
    assert len(answer(whole).data["runs"][0]["events"]) == 1


def test_a_rise_before_the_run_is_not_the_runs() -> None:
    """What had risen before the run began, and stands, is no event of it."""
    reviewed = pulls([Pull(knock_at=4_000.0)])
    event = answer(reviewed).data["runs"][0]["events"][0]
    run = reviewed.runs.runs[0]
    later = Run(1, event["t"][1] + 300 * MS, run.end, Class.PULL, Ended.LIFT, (4,))
    assert answer(replace(reviewed, runs=Runs((later,)))).data["runs"][0]["events"] == []
