"""What is open before the next run: alarms, readings, ports, changes not yet proven, temperatures."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from tests.review.tables import pull, table
from tests.review.test_card import NEVER_SAID

from pullwatch.review.answer import Answer, Reviewed
from pullwatch.review.card import Card, card
from pullwatch.review.given import Changed, Given, Noted
from pullwatch.review.open_answer import DECIDES, answer
from pullwatch.review.open_changes import Timed, steps, timed
from pullwatch.review.open_items import doubts, standing, temperatures
from pullwatch.review.run import Class, Run
from pullwatch.review.runs import runs
from pullwatch.review.table import Accuracy, Happened, S, Span
from pullwatch.watchdog.alarms import Change, Event, Priority, State
from pullwatch.watchdog.conditions import Lost
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.table import Table

WALL = 1_750_000_000 * S
NAN = math.nan


def reviewed(made: Table, given: Given | None = None, **more: Any) -> Reviewed:
    """Return a table with its runs and cards."""
    found = runs(made)
    cards: list[Card] = []
    for run in found.runs:
        cards.append(card(made, run, cards))
    return Reviewed(made, found, tuple(cards), given or Given(), **more)


def ruled(changes: Sequence[Change], names: Sequence[str], **more: Any) -> Table:
    """Return a pull with these rules (the first critical, the others cautions) and what became of them."""
    plain = table(12.0, pull(), session="evening", wall=WALL)
    rules = [
        Rule(i, name, Lost(0), priority=Priority.CAUTION if i else Priority.CRITICAL) for i, name in enumerate(names)
    ]
    rule_set = RuleSet(plain.rules.channels, tuple(rules), engine_speed=plain.rules.engine_speed)
    return replace(plain, rules=rule_set, changes=tuple(changes), **more)


def moved(seconds: float, rule: int, state: State, event: Event | None) -> Change:
    """Return a change of an alarm."""
    return Change(int(seconds * S), rule, State.NORMAL, state, event, NAN, NAN)


def test_alarms_that_stand_are_told_with_how_and_since_when_and_whether_anything_was_noted() -> None:
    """Latched, active, over and not explained, hidden by a person, carried in; those that stand come first."""
    made = ruled(
        [
            moved(0.0, 3, State.LATCHED_ACKNOWLEDGED, None),
            moved(1.0, 4, State.OUT_OF_SERVICE, Event.TAKE_OUT),
            moved(4.0, 2, State.UNACKNOWLEDGED, Event.RAISE),
            moved(5.0, 0, State.UNACKNOWLEDGED, Event.RAISE),
            moved(5.5, 0, State.LATCHED_UNACKNOWLEDGED, Event.CLEAR_LATCHED),
            moved(6.0, 2, State.NORMAL, Event.CLEAR),
        ],
        ["lean", "never", "hot", "oil", "boost"],
    )
    found = standing(reviewed(made))
    assert [(one.rule, one.stands) for one in found] == [("lean", True), ("oil", True), ("boost", True), ("hot", False)]
    note = Noted("n", WALL + 3600 * S, "a hose came off")
    told = answer(reviewed(made, Given(notes=(note,)))).lines
    assert told[0].startswith("critical alarm lean: latched, unacknowledged; raised at 5.0 s (run 1)")
    assert '"a hose came off" (whether that explains it is yours to say)' in told[0]
    assert "it stood before this session began" in told[1]
    assert "out of service" in told[2]
    assert told[3].startswith("caution alarm hot: over; raised at 4.0 s (run 1)")
    assert not any("never" in line for line in told)
    early = Noted("n", WALL - S, "tyres at 1.4 bar")
    assert "nothing is noted of why" in answer(reviewed(made, Given(notes=(early,)))).lines[0]


def test_a_key_turned_off_is_one_line_and_a_reading_lost_in_a_run_its_own() -> None:
    """Alarms of lost readings that pullwatch added are told together when no run was under way."""
    names = ["lean", "a lost", "b lost", "c lost"]
    changes = [moved(11.5, i, State.UNACKNOWLEDGED, Event.RAISE) for i in (2, 3)]
    changes.insert(0, moved(4.0, 1, State.UNACKNOWLEDGED, Event.RAISE))
    told = answer(reviewed(ruled(changes, names, automatic=frozenset(names[1:])))).lines
    assert told[0].startswith("caution alarm a lost: active, unacknowledged; raised at 4.0 s (run 1)")
    assert told[1].startswith("readings lost, active, unacknowledged: b lost, c lost; raised from 11.5 s to 11.5 s")


def test_readings_ports_gaps_and_what_others_could_not_tell_are_open() -> None:
    """Each with its seconds and its reason; what may cost an engine is told whole, the rest is named."""
    silent: dict[str, Any] = {"lambda": [(0, 0.85), (4, NAN), (6, 0.85)]}
    events = (
        Happened(4 * S, "wideband", "lost", ""), Happened(6 * S, "wideband", "found", ""),
        Happened(9 * S, "bus", "lost", ""), Happened(9 * S, "wideband", "dropped", ""),
    )  # fmt: skip
    made = table(12.0, pull(**silent), session="evening", events=events, gaps=(Span(10 * S, 11 * S),))
    others = {
        "lean": Answer("Why was it lean?", (), refused="the delay is not known."),
        "launch": Answer("Launch?", (), refused="there is no pass."),
        "margins": Answer("How close?", ("near",)),
    }
    given = reviewed(made, answered=others)
    (one,) = doubts(made, given.runs.runs)
    assert (one.channel, one.run, one.why) == ("lambda", 1, "it has gone silent")
    assert one.seconds == pytest.approx(2.0 - made.series["lambda"].channel.stale_after / S, abs=0.05)
    found = answer(given)
    told = "\n".join(found.lines)
    assert "not read in the last run: lambda 1." in told
    assert "feed bus was lost once, 3.0 s in all; it is still away as the recording ends" in told
    assert "feed wideband was lost once, 2.0 s in all; in run 1; it came back" in told
    assert "bytes were dropped 1 time:" in told
    assert "not recorded: 10.0 s to 11.0 s" in told
    assert "cannot tell (lean): the delay is not known." in told
    assert "cannot tell either: launch" in told
    assert "no pass" not in told
    assert [one["answer"] for one in found.data["refused"]] == ["lean", "launch"]
    json.dumps(found.data, allow_nan=False)


def test_nothing_found_is_said_so_and_never_as_a_verdict() -> None:
    """No line calls anything safe or fine, and the last one leaves the decision with the owner."""
    found = answer(reviewed(table(12.0, pull(), session="evening", wall=WALL)))
    assert found.data["open"] == 0
    assert found.lines[0].startswith("Nothing open was found")
    assert "was not looked at" in found.lines[0]
    assert found.lines[-1] == DECIDES
    for line in found.lines:
        assert not NEVER_SAID.search(line), line


# ---- changes ---------------------------------------------------------------------------------------------------------


def driven(at: float, number: int, boost: float, **more: Any) -> Timed:
    """Return a run at so many wall seconds, with its peak boost and a leanest reading."""
    facts: dict[str, Any] = {
        "gears": (4,), "sweeps": {4: 600.0}, "start": {"intake_air_temperature": 30.0, "oil_temperature": 90.0},
    } | more  # fmt: skip
    run = Run(number, int(at * S), int((at + 8) * S), Class.PULL, None, **facts)  # type: ignore[arg-type]
    return Timed("evening", run.begin, run.end, Card(run, (), {"peak boost": boost, "leanest": 0.85 + boost / 1e5}))


def change(at: float, item: str, now: str) -> Changed:
    """Return a change at so many wall seconds."""
    return Changed(f"{item}{at}", int(at * S), item, now)


def test_a_step_is_held_against_the_comparable_runs_on_its_sides_up_to_the_next_step() -> None:
    """What was changed at once is one step, not separable; with too few runs nothing is bounded."""
    evening = [driven(100 * i, i, boost) for i, boost in enumerate((80.0, 81.0, 90.0, 91.0, 95.0), 1)]
    found = steps(
        [change(50, "tyres", "new"), change(250, "wastegate_duty", "40"), change(260, "fuel", "2"),
         change(450, "timing", "1"), change(900, "oil", "5W-40")],
        evening,
    )  # fmt: skip
    assert [[one.item for one in step.changes] for step in found] == [["wastegate_duty", "fuel"], ["timing"], ["oil"]]
    first, second, last = found
    assert (first.separable, second.separable) == (False, True)
    assert [run.card.run.number for run in (*first.before, *first.since)] == [1, 2, 3, 4]
    boost = first.numbers[0]
    assert boost.name == "peak boost"
    assert boost.difference.value == pytest.approx(10.0)
    assert boost.shown
    assert not second.enough
    assert math.isinf(second.numbers[0].difference.half)
    assert (last.runs, last.numbers) == (0, ())


def test_runs_that_are_not_comparable_are_left_out_and_counted() -> None:
    """A hot run, and one whose temperature is not known."""
    hot = {"start": {"intake_air_temperature": 55.0, "oil_temperature": 90.0}}
    dark: dict[str, Any] = {"start": {}}
    evening = [driven(100, 1, 80, **hot), driven(200, 2, 80), driven(300, 3, 81, **dark), driven(500, 4, 90)]
    (step,) = steps([change(450, "wastegate_duty", "40")], evening)
    assert [run.card.run.number for run in step.before] == [2]
    assert (step.unlike, step.untold, step.enough) == (1, 1, False)


@pytest.mark.parametrize("cases", [600, pytest.param(10_000, marks=pytest.mark.long)])
def test_a_change_that_does_nothing_is_seldom_shown_to_do_something(cases: int) -> None:
    """Over all numbers together at most 5 % of steps show a difference that is none; a large one is found."""
    random = np.random.default_rng(7)
    false = found = 0
    for _ in range(cases):
        before, since = int(random.integers(2, 5)), int(random.integers(2, 5))
        values = 80.0 + random.normal(0.0, 1.0, before + since)
        lean = 0.85 + random.normal(0.0, 0.004, before + since)
        evening = [driven(100.0 * i, i, value) for i, value in enumerate(values.tolist(), 1)]
        evening = [
            replace(run, card=replace(run.card, numbers={"peak boost": run.card.numbers["peak boost"], "leanest": one}))
            for run, one in zip(evening, lean.tolist(), strict=True)
        ]
        at = 100.0 * before + 50.0
        (step,) = steps([change(at, "wastegate_duty", "40")], evening)
        false += any(one.shown for one in step.numbers)
        better = [
            run if run.begin < at * S else replace(run, card=replace(run.card, numbers={"peak boost": 130.0}))
            for run in evening
        ]
        (step,) = steps([change(at, "wastegate_duty", "40")], better)
        found += step.numbers[0].shown
    spread = 3.0 * math.sqrt(0.05 * 0.95 / cases)
    assert false / cases <= 0.05 + spread
    assert found / cases > 0.95


def test_the_words_of_changes_name_what_is_not_proven() -> None:
    """A change after the last run waits for one; a session without a time of day cannot be placed."""
    made = table(12.0, pull(), session="evening", wall=WALL)
    late = Changed("a", WALL + 600 * S, "fuel", "2", "0", "%", (5_200.0, 6_400.0))
    tyre = Changed("b", WALL + 601 * S, "tyres", "new")
    told = "\n".join(answer(reviewed(made, Given(changes=(late, tyre)))).lines)
    assert "changed: fuel: 0 to 2 % (5,200 to 6,400 rpm); tyres: new" in told
    assert "NOT SEPARABLE: 2 things" in told
    assert "not yet proven: no run since" in told
    nowhere = reviewed(replace(made, wall=None), Given(changes=(late,)))
    assert timed(nowhere) == ([], ["evening"])
    assert "cannot tell which lie around the runs of evening" in "\n".join(answer(nowhere).lines)


# ---- temperatures ----------------------------------------------------------------------------------------------------


def test_temperatures_stand_against_those_at_the_last_runs_begin_with_what_the_sensor_can_tell() -> None:
    """By the stated accuracy: surely apart, cannot tell, or not; not read lately is not known."""
    curves = pull(
        oil_temperature=[(0, 92), (8, 92), (80, 112)],
        intake_air_temperature=[(0, 30), (8, 30), (80, 41)],
        coolant_temperature=[(0, 88), (9, NAN)],
        exhaust_gas_temperature=[(0, 500), (8, 840), (80, 400)],
    )
    accuracy = {"oil_temperature": Accuracy(0.0, 2.0, "stated"), "intake_air_temperature": Accuracy(0.0, 1.0, "stated")}
    made = table(80.0, curves, session="evening", wall=WALL, accuracy=accuracy)
    given = reviewed(made)
    found = {one.word: one for one in temperatures(made, made, given.runs.runs[-1])}
    assert found["oil"].apart == "yes"
    assert found["intake air"].apart == "cannot tell"
    assert math.isnan(found["coolant"].now)
    assert found["coolant"].age == pytest.approx(71.0, abs=0.1)
    assert found["exhaust gas"].start == pytest.approx(585.0, abs=3.0)
    lines = {line.strip().split(":")[0]: line for line in answer(given).lines}
    assert "+20 (+16 to +24) °C; a run begun like this would not be comparable" in lines["oil"]
    assert "cannot tell whether a run begun like this would be comparable" in lines["intake air"]
    assert "coolant: cannot tell, not read for 71.0 s (last 88 °C); 88 °C then" in lines["coolant"]
    assert "sensor accuracy not stated" in lines["exhaust gas"]
    assert any("as the recording ends" in line for line in answer(given).lines)
    assert any(line.startswith("temperatures now") for line in answer(reviewed(replace(made, live=True))).lines)
