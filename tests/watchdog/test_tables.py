"""The tables of DEVELOPERS.md are what the engine does: every transition, every verdict on every quality of sample."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from pullwatch.batch import Batch
from pullwatch.watchdog.alarms import TABLE, Event, State
from pullwatch.watchdog.conditions import AllOf, AnyOf, Comparison, Condition, Lost, Not, Surely, Term, Verdict
from pullwatch.watchdog.judge import Watchdog
from pullwatch.watchdog.rules import Rule, RuleSet

from .oracle import Oracle
from .words import channel, compare

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
X, Y, CUT, ELSE = 0, 1, 2, 3


def table(name: str) -> list[list[str]]:
    """Return the rows of a table of the page, the head first."""
    after = PAGE.read_text(encoding="utf-8").partition(f"<!-- {name} -->\n")[2]
    rows = after.partition("\n\n")[0].splitlines()
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in (rows[0], *rows[2:])]


def test_the_transitions_on_the_page_are_those_of_the_table() -> None:
    """Every state and every event stand there, and nothing else."""
    head, *rows = table("transitions")
    events = [Event[name.upper().replace(" ", "_")] for name in head[1:]]
    assert events == list(Event)
    found = {}
    for name, *cells in rows:
        state = State[name.upper().replace(" ", "_")]
        for event, cell in zip(events, cells, strict=True):
            found[state, event] = state if cell == "·" else State[cell.upper().replace(" ", "_")]
    assert found == dict(TABLE)


KINDS: dict[str, tuple[Condition, float]] = {
    "x > 100": (compare(X, ">", 100.0), 1.0),
    "x < 100": (compare(X, "<", 100.0), 1.0),
    "x == 120": (compare(X, "==", 120.0), 1.0),
    "x != 120": (compare(X, "!=", 120.0), 1.0),
    "x is lost": (Lost(X), 1.0),
    "not (x > 100)": (Not(compare(X, ">", 100.0)), 1.0),
    "x > 100 and y > 0, y yes": (AllOf((compare(X, ">", 100.0), compare(Y, ">", 0.0))), 1.0),
    "x > 100 and y > 0, y no": (AllOf((compare(X, ">", 100.0), compare(Y, ">", 0.0))), -1.0),
    "x > 100 or y > 0, y yes": (AnyOf((compare(X, ">", 100.0), compare(Y, ">", 0.0))), 1.0),
    "x > 100 or y > 0, y no": (AnyOf((compare(X, ">", 100.0), compare(Y, ">", 0.0))), -1.0),
    "surely (x > 100)": (Surely(compare(X, ">", 100.0)), 1.0),
    "y > x − 20, y known": (Comparison(Y, ">", (Term(1.0, channel=X), Term(-20.0))), 0.0),
}
"""Each condition of the table, and what y is."""
SAMPLES = {
    "beyond": [(30, X, 120.0, 0)],
    "within": [(30, X, 80.0, 0)],
    "doubted": [(30, X, math.nan, 1)],
    "silent": [(1, X, 120.0, 0)],
    "never heard": [],
    "blind": [(30, X, 120.0, 0), (29, CUT, 1.0, 0)],
}


def answer(condition: Condition, y: float, quality: str, at: int) -> Verdict:
    """Return what a condition answers at `at`, by the oracle; the engine, either way, raises a rule armed by it.

    y is judged after x; the rule's own trip is yes from 32 on, so that it is raised when its gate says yes.
    """
    channels = (channel(X, stale_after=20), channel(Y), channel(CUT), channel(ELSE))
    rule = Rule(0, "asked", compare(ELSE, ">", 0.0), gate=condition, off_delay=0)
    rules = RuleSet(channels, (rule,), {}, {X: compare(CUT, ">", 0.5)})
    beside_x = 50.0 if quality == "within" else 110.0
    samples = sorted([*SAMPLES[quality], (31, Y, y or beside_x, 0), (32, ELSE, 1.0, 0)])
    answers = Oracle(rules, samples, [], at).answers(condition)
    for way in ("stepping", "columns"):
        changes = Watchdog(rules, way=way).judge(Batch(at, (), samples))
        assert any(change.event is Event.RAISE for change in changes) == (Verdict.YES in answers[32:])
    return answers[at]


HEAD, *ROWS = table("verdicts")


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
@pytest.mark.parametrize("quality", HEAD[1:])
def test_the_verdicts_on_the_page_are_those_of_the_engine(row: list[str], quality: str) -> None:
    """Every kind of condition on every quality of sample."""
    assert HEAD[1:] == list(SAMPLES)
    assert {name for name, *_ in ROWS} == set(KINDS)
    condition, y = KINDS[row[0]]
    said = row[1 + HEAD[1:].index(quality)]
    if said == "stale, then yes":  # silence is lost from the first deadline on
        assert answer(condition, y, quality, 19) is Verdict.STALE
        assert answer(condition, y, quality, 40) is Verdict.YES
    elif said == "by y alone":  # a right side is never blind
        assert answer(condition, y, quality, 40) in (Verdict.YES, Verdict.NO)
    else:
        assert answer(condition, y, quality, 40) is Verdict[said.upper()]
