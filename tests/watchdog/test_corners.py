"""Corners of the engine that traces seldom reach, each asked for by itself."""

from __future__ import annotations

import json
import math

import pytest

from pullwatch.batch import ACTS_FEED, Batch, Kind, Record
from pullwatch.channels import Delay
from pullwatch.columns import Why, to_columns
from pullwatch.watchdog.alarms import Event, Priority, State
from pullwatch.watchdog.conditions import Comparison, Lost, Term, Verdict
from pullwatch.watchdog.judge import Watchdog
from pullwatch.watchdog.rules import Rule, RuleSet

from .driving import every_way
from .words import act, channel, compare, every, over, series, told

HIGH = Rule(0, "high", compare(0, ">", 100.0), off_delay=0)
RULES = RuleSet((channel(0), channel(1)), (HIGH,))


@pytest.mark.parametrize(
    "data",
    [
        b"{",
        b"[]",
        b"3",
        b"\xff",
        b'{"act": 3}',
        b'{"act": "dance"}',
        b'{"act": "reset", "rule": 3}',
        b'{"act": "acknowledge", "rule": "other"}',
    ],
)
def test_an_act_that_cannot_be_read_changes_nothing(data: bytes) -> None:
    """A damaged or newer act is no act; it can never clear an alarm."""
    record = Record(50, ACTS_FEED, Kind.ACT, data)
    for way in ("stepping", "columns"):
        found = told(Watchdog(RULES, way=way).judge(Batch(90, [record], [(10, 0, 101.0, 0)])))
        assert found == [(10, 0, "UNACKNOWLEDGED")]


@pytest.mark.parametrize(
    "alarms",
    [None, 3, [3], [{"rule": "high"}], [{"rule": "high", "state": "1"}], [{"rule": "high", "state": 99}],
     [{"rule": "other", "state": 1}], [{"rule": "high", "state": 6}]],
)  # fmt: skip
def test_what_cannot_be_carried_in_is_left(alarms: object) -> None:
    """Alarms of rules there are not, states there are not, and what was shelved are not carried in."""
    record = Record(50, ACTS_FEED, Kind.CARRIED, json.dumps({"alarms": alarms}).encode())
    watchdog = Watchdog(RULES)
    assert watchdog.judge(Batch(90, [record], [(10, 0, 90.0, 0)])) == []


def test_a_batch_cannot_lie_in_time_already_judged() -> None:
    """What was judged stands: a batch up to an earlier instant is refused."""
    watchdog = Watchdog(RULES)
    watchdog.judge(Batch(100))
    with pytest.raises(ValueError, match="a batch up to 99 ns cannot follow one up to 100 ns"):
        watchdog.judge(Batch(99))


def test_the_latest_sample_is_told() -> None:
    """Time, value and reason of the last sample, None before the first, whichever way it was judged."""
    for way in ("stepping", "columns"):
        watchdog = Watchdog(RULES, way=way)
        assert watchdog.latest(0) is None
        samples = [(10, 0, 1.5, 0), (20, 1, 2.5, 4)]
        watchdog.judge(Batch(30, (), samples) if way == "stepping" else Batch(30, (), None, to_columns(samples)))
        assert watchdog.latest(0) == (10, 1.5, 0)
        found = watchdog.latest(1)
        assert found is not None
        assert (found[0], found[2]) == (20, 4)
        assert watchdog.now == 30


def test_nothing_is_due_when_nothing_can_happen() -> None:
    """Before anything was heard the first deadline is that of the silence; after it nothing is due."""
    watchdog = Watchdog(RuleSet((channel(0, stale_after=40),), (Rule(0, "lost", Lost(0)),)))
    assert watchdog.next_due == 40
    assert [change.t for change in watchdog.judge(Batch(50))] == [40]
    assert watchdog.next_due is None


def test_a_sum_of_numbers_is_one_number() -> None:
    """A right side of several numbers is added up once, from left to right."""
    trip = Comparison(0, ">", (Term(60.0), Term(50.0), Term(-10.0)), 5.0)
    rules = RuleSet((channel(0),), (Rule(0, "r", trip, off_delay=0),))
    found = told(every_way(rules, series(0, (10, 100.0), (20, 100.5), (30, 96.0), (40, 95.0)), 60))
    assert found == [(20, 0, "UNACKNOWLEDGED"), (40, 0, "RETURNED_UNACKNOWLEDGED")]


def test_a_gate_that_chatters_is_remembered_no_longer_than_it_is_looked_back_on() -> None:
    """Hundreds of changes of a gate behind a delay: judged alike every way, and let go of in time."""
    delayed = channel(0, delay=Delay(4, 9))
    rules = RuleSet((delayed, channel(1)), (Rule(0, "r", compare(0, ">", 100.0), compare(1, ">", 0.5), off_delay=3),))
    gate = series(1, *((t, float(t % 4 > 1)) for t in range(0, 900, 2)))
    samples = [*gate, *every(25, 0, 101.0, 13, 900)]
    assert told(every_way(rules, samples, 950))
    watchdog = Watchdog(rules, way="stepping")
    watchdog.judge(Batch(950, (), sorted(samples)))
    log = watchdog.state()["gates"][0][1]
    assert len(log) < 80


def test_shelving_again_makes_it_longer_and_unshelving_ends_it() -> None:
    """The later act counts; a rule not shelved is not unshelved; a time that is over ends at its own instant."""
    rule = Rule(0, "high", compare(0, ">", 100.0), off_delay=0, priority=Priority.NOTE)
    rules = RuleSet((channel(0),), (rule,))

    def shelve(t: int, span: int) -> Record:
        said = {"act": "shelve", "rule": "high", "for_ns": span}
        return Record(t, ACTS_FEED, Kind.ACT, json.dumps(said).encode())

    acts = [
        act(100, "unshelve", "high"),
        shelve(200, 150),
        shelve(300, 400),
        act(390, "unshelve", "high"),
        shelve(450, 60),
    ]
    found = [(t, s) for t, _, s in told(every_way(rules, series(0, (10, 90.0)), 900, acts))]
    assert found == [(200, "SHELVED"), (390, "NORMAL"), (450, "SHELVED"), (510, "NORMAL")]


def test_a_value_shown_is_the_one_last_judged() -> None:
    """A change by an act carries the value and limit last judged, also when the value moved within its band since."""
    acts = [act(50, "acknowledge")]
    changes = every_way(RULES, series(0, (10, 101.0), (20, 103.0), (30, 102.0)), 90, acts)
    assert [(c.t, c.state, c.value, c.limit) for c in changes] == [
        (10, State.UNACKNOWLEDGED, 101.0, 100.0),
        (50, State.ACKNOWLEDGED, 102.0, 100.0),
    ]
    assert not math.isnan(changes[1].value)


def verdict_of(rules: RuleSet, samples: list[tuple[int, int, float, int]], at: int) -> list[Verdict]:
    """Return what the one comparison says at `at`, each way; the oracle agrees on every change."""
    every_way(rules, samples, at)
    out = []
    for way in ("stepping", "columns"):
        watchdog = Watchdog(rules, way=way)
        watchdog.judge(Batch(at, (), sorted(samples)))
        out.append(Verdict(watchdog.state()["leaves"][0][0]))
    return out


@pytest.mark.parametrize("delay", [Delay(0, 0), Delay(5, 20)])
def test_of_what_is_not_known_the_fault_is_told(delay: Delay) -> None:
    """A right side of one channel in doubt and one silent is a fault, at one instant and over a window alike."""
    left = channel(0, delay=delay)
    trip = Comparison(0, ">", (Term(1.0, channel=1), Term(1.0, channel=2)))
    for first, second in ((1, 2), (2, 1)):
        stales = {first: 30, second: 1_000}
        channels = (left, *(channel(number, stale_after=stales[number]) for number in (1, 2)))
        rules = RuleSet(channels, (Rule(0, "r", trip, off_delay=0),))
        samples = [(10, first, 1.0, 0), (60, second, math.nan, 1), (90, 0, 5.0, 0)]
        assert verdict_of(rules, samples, 95) == [Verdict.FAULT] * 2


def test_of_a_window_that_is_silent_and_then_in_doubt_the_fault_is_told() -> None:
    """The least of what is not known anywhere in the window counts, in whichever order it comes."""
    rules = RuleSet(
        (channel(0, delay=Delay(5, 40)), channel(1, stale_after=20)), (Rule(0, "r", over(0, 1), off_delay=0),)
    )
    for samples in (
        [(10, 1, 1.0, 0), (70, 1, math.nan, 1), (90, 0, 5.0, 0)],
        [(55, 1, math.nan, 1), (90, 0, 5.0, 0)],
    ):
        assert verdict_of(rules, samples, 92) == [Verdict.FAULT] * 2


def test_what_is_written_to_files_keeps_its_number() -> None:
    """Numbers of states, events, priorities, reasons and kinds of record stand in recordings and never change."""
    assert {state.name: int(state) for state in State} == {
        "NORMAL": 0, "UNACKNOWLEDGED": 1, "ACKNOWLEDGED": 2, "RETURNED_UNACKNOWLEDGED": 3, "LATCHED_UNACKNOWLEDGED": 4,
        "LATCHED_ACKNOWLEDGED": 5, "SHELVED": 6, "OUT_OF_SERVICE": 7,
    }  # fmt: skip
    assert {event.name: int(event) for event in Event} == {
        "RAISE": 0, "CLEAR": 1, "CLEAR_LATCHED": 2, "ACKNOWLEDGE": 3, "RESET": 4, "SHELVE": 5, "UNSHELVE": 6,
        "SHELF_OVER": 7, "TAKE_OUT": 8, "PUT_BACK": 9,
    }  # fmt: skip
    assert [int(priority) for priority in Priority] == [0, 1, 2]
    assert [int(kind) for kind in Kind] == [0, 1, 2, 3, 4, 5]
    assert [int(why) for why in Why] == list(range(13))
    assert Why(11) is Why.FROZEN


def test_what_is_no_act_on_the_acts_feed_changes_nothing() -> None:
    """A record of another kind there is passed over."""
    for way in ("stepping", "columns"):
        watchdog = Watchdog(RULES, way=way)
        records = [Record(20, ACTS_FEED, Kind.DATA, b""), Record(50, ACTS_FEED, Kind.LOST, b"x")]
        assert [c.t for c in watchdog.judge(Batch(90, records, [(10, 0, 101.0, 0)]))] == [10]
