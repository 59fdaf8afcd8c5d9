"""Rules changed while judging: what is written the same goes on as if nothing had happened, nothing is lost."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Batch
from pullwatch.channels import Delay
from pullwatch.columns import to_columns
from pullwatch.watchdog.alarms import Priority, State
from pullwatch.watchdog.conditions import Lost, Not, Surely
from pullwatch.watchdog.judge import Watchdog
from pullwatch.watchdog.rules import Rule, RuleSet

from .oracle import judged
from .strategies import Builder, Seeded
from .words import act, channel, compare, every, over, plain, series, told

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.batch import Record
    from pullwatch.columns import Sample
    from pullwatch.watchdog.alarms import Change


def changed_at(
    t: int, before: RuleSet, after: RuleSet, samples: Sequence[Sample], end: int, records: Sequence[Record] = ()
) -> list[Change]:
    """Return the changes when `after` takes the place of `before` at `t`; every way of judging gives the same."""
    found: list[list[Change]] = []
    samples = sorted(samples, key=lambda sample: (sample[0], sample[1]))
    for ways in (("stepping", "stepping"), ("columns", "columns"), ("stepping", "columns"), ("columns", "stepping")):
        first = Watchdog(before, way=ways[0])
        out = first.judge(batch(samples, records, -1, t - 1, ways[0]))
        second, made = first.taken_over(after, t)
        second.way = ways[1]
        out += made
        middle = (t + end) // 2
        out += second.judge(batch(samples, records, t - 1, middle, ways[1]))
        kept = json.loads(json.dumps(second.state()))
        third = Watchdog(after, way=ways[0])
        third.restore(kept)
        found.append(out + third.judge(batch(samples, records, middle, end, ways[0])))
    for other in found[1:]:
        assert plain(other) == plain(found[0])
    return found[0]


def batch(samples: Sequence[Sample], records: Sequence[Record], after: int, now: int, way: str) -> Batch:
    """Return what came in (after, now], in the form that suits the way."""
    came = [sample for sample in samples if after < sample[0] <= now]
    acts = [record for record in records if after < record.t <= now]
    return Batch(now, acts, None, to_columns(came)) if way == "columns" else Batch(now, acts, came)


@pytest.mark.parametrize("seed", range(60))
def test_the_same_rules_again_change_nothing(seed: int) -> None:
    """Whatever is under way, taking over with the very same rules gives the changes of the definition."""
    example = Builder(Seeded(random.Random(seed))).build()
    wanted = plain(judged(example.rules, example.samples, example.records, example.end))
    for t in random.Random(seed).sample(range(1, example.end), 3):
        if any(record.t < t <= record.end for record in example.records):
            continue  # a record owns its nanoseconds: none takes over in the midst of another
        again = replace(example.rules, rules=tuple(replace(rule) for rule in example.rules.rules))
        assert plain(changed_at(t, example.rules, again, example.samples, example.end, example.records)) == wanted


def one(rule: Rule, *more: Rule) -> RuleSet:
    """Return rules over two channels."""
    return RuleSet((channel(0), channel(1)), (rule, *more))


HIGH = Rule(0, "high", compare(0, ">", 100.0), on_delay=50, off_delay=20)
TRACE = [*series(0, (0, 90.0)), *every(10, 0, 101.0, 100, 300), *series(0, (310, 90.0), (400, 90.0))]


def test_a_rule_written_otherwise_starts_a_new_run_up() -> None:
    """Its run-up had 30 of 50 ns: under the new text it needs 50 anew, from the next sample on."""
    lower = replace(HIGH, trip=compare(0, ">", 95.0))
    assert told(changed_at(131, one(HIGH), one(lower), TRACE, 200)) == [(140 + 50, 0, "UNACKNOWLEDGED")]


def test_a_rule_written_the_same_runs_on() -> None:
    """Beside a rule that is new, the run-up of one that is not goes on."""
    new = Rule(1, "higher", compare(0, ">", 100.5), on_delay=20)
    found = told(changed_at(131, one(HIGH), one(HIGH, new), TRACE, 200))
    assert found == [(150, 0, "UNACKNOWLEDGED"), (160, 1, "UNACKNOWLEDGED")]


def test_an_alarm_outlives_its_rule_being_written_otherwise() -> None:
    """It stands on, and clears by the new text."""
    stricter = replace(HIGH, trip=compare(0, ">", 80.0), says="Too high.")
    assert told(changed_at(205, one(HIGH), one(stricter), TRACE, 450)) == [(150, 0, "UNACKNOWLEDGED")]
    laxer = replace(HIGH, trip=compare(0, ">", 105.0))
    found = told(changed_at(205, one(HIGH), one(laxer), TRACE, 450))
    assert found == [(150, 0, "UNACKNOWLEDGED"), (230, 0, "RETURNED_UNACKNOWLEDGED")]


def test_a_removed_rule_leaves_a_latch_until_acknowledged_and_reset() -> None:
    """It is never raised again, whatever its channel does, and does not vanish unseen."""
    never = Surely(Not(compare(0, "==", 0.0)))
    gone = replace(HIGH, gate=Surely(Not(never)), removed=True)
    acts = [act(320, "acknowledge"), act(360, "reset")]
    again = [*TRACE, *every(10, 0, 120.0, 410, 600)]
    found = [(t, state) for t, _, state in told(changed_at(205, one(HIGH), one(gone), again, 600, acts))]
    assert found == [
        (150, "UNACKNOWLEDGED"),
        (205, "LATCHED_UNACKNOWLEDGED"),
        (320, "LATCHED_ACKNOWLEDGED"),
        (360, "NORMAL"),
    ]


def test_a_lost_reading_is_known_lost_at_once() -> None:
    """A new rule about a channel that is silent already does not wait for it to speak."""
    rules = RuleSet((channel(0, stale_after=30), channel(1)), (HIGH,))
    lost = Rule(1, "lost", Lost(0), on_delay=15)
    after = replace(rules, rules=(HIGH, lost))
    assert told(changed_at(100, rules, after, series(0, (10, 90.0)), 200)) == [(115, 1, "UNACKNOWLEDGED")]


def test_a_new_window_knows_nothing_from_before_but_the_last_sample() -> None:
    """A rule that looks back begins with what is in force: it may alarm, and clears once its window is known."""
    delayed = channel(0, delay=Delay(40, 60))
    rules = RuleSet((delayed, channel(1)), (replace(HIGH, trip=compare(1, ">", 1e9)),))
    windowed = Rule(1, "above the other", over(0, 1), off_delay=0)
    after = replace(rules, rules=(*rules.rules, windowed))
    samples = [*every(10, 1, 100.0, 5, 300), *every(10, 0, 99.0, 8, 200), *every(10, 0, 101.0, 208, 300)]
    found = told(changed_at(101, rules, after, samples, 300))
    assert found == [(208, 1, "UNACKNOWLEDGED")]


def test_a_new_gate_that_looks_back_begins_with_the_change() -> None:
    """A gate nobody looked back on before is what it is from the change on, and was not known before."""
    delayed = channel(0, delay=Delay(10, 30))
    rules = RuleSet((delayed, channel(1)), (HIGH,))
    gated = Rule(1, "gated", compare(0, ">", 100.0), compare(1, ">", 0.5), off_delay=0)
    samples = [*every(10, 0, 101.0, 5, 300), *every(10, 1, 1.0, 8, 300)]
    found = told(changed_at(101, rules, replace(rules, rules=(HIGH, gated)), samples, 300))
    assert found == [(65, 0, "UNACKNOWLEDGED"), (125, 1, "UNACKNOWLEDGED")]


def test_shelving_goes_on() -> None:
    """A shelved rule stays shelved until its time is over, written the same or not."""
    shelf = act(155, "shelve", "high")
    shelf = shelf._replace(data=json.dumps({"act": "shelve", "rule": "high", "for_ns": 70}).encode())
    wanted = [(150, "UNACKNOWLEDGED"), (155, "SHELVED"), (225, "NORMAL")]
    for after in (HIGH, replace(HIGH, on_delay=60)):
        found = [(t, s) for t, _, s in told(changed_at(205, one(HIGH), one(after), TRACE, 450, [shelf]))]
        assert found[:3] == wanted
        assert found[3][1] == "UNACKNOWLEDGED"


def test_what_was_not_judged_cannot_be_taken_over() -> None:
    """Between what was judged and the take-over nothing may be left out."""
    with pytest.raises(ValueError, match="judged up to -1 ns, not up to 9 ns"):
        Watchdog(one(HIGH)).taken_over(one(HIGH), 10)


def test_a_priority_may_change_under_a_standing_alarm() -> None:
    """The alarm stands on; only what it is called changes."""
    critical = replace(HIGH, priority=Priority.CRITICAL)
    changes = changed_at(205, one(HIGH), one(critical), TRACE, 250)
    assert [(c.t, c.state) for c in changes] == [(150, State.UNACKNOWLEDGED)]
