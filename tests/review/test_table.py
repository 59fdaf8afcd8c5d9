"""Channels as step functions, spans, and what is known."""

from __future__ import annotations

import doctest
import math
import subprocess
import sys

import numpy as np
import pytest
from tests.review.tables import channel, pull, table

from pullwatch.columns import Why, column
from pullwatch.review import table as table_module
from pullwatch.review.made import with_made
from pullwatch.review.table import Accuracy, Extreme, S, Series, Span, Table, most_of_two, spans_where, without

MS = S // 1_000


def test_the_worked_example_of_the_module_holds() -> None:
    """What the docstring shows is what happens."""
    tried = doctest.testmod(table_module)
    assert tried.attempted >= 10
    assert tried.failed == 0


def test_the_review_reaches_no_clock_port_file_or_database() -> None:
    """Importing every module of it loads nothing of the kind, not even by way of others."""
    code = (
        "import pkgutil, sys, importlib, pullwatch.review as package\n"
        "names = [one.name for one in pkgutil.iter_modules(package.__path__)]\n"
        "[importlib.import_module(f'pullwatch.review.{name}') for name in names]\n"
        "bad = {'asyncio', 'sqlite3', 'socket', 'selectors', 'pydantic', 'serial', 'can', 'subprocess', 'scipy',\n"
        "       'pullwatch.clock', 'pullwatch.recording', 'pullwatch.setup', 'pullwatch.station'}\n"
        "import numpy\n"
        "print(sorted(bad & set(sys.modules)), len(names))\n"
    )
    before = subprocess.run(
        [sys.executable, "-c", "import numpy, sys; print(sorted(set(sys.modules)))"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
    found, _, count = said.rpartition("] ")
    assert [name for name in found.strip("[]").split(", ") if name and name not in before] == []
    assert int(count) >= 12


def test_a_value_holds_until_it_is_stale_and_a_doubted_one_is_no_number() -> None:
    """The very instant of `stale_after` is stale; a sample that is not good makes the channel unknown."""
    facts = channel(0, "oil_pressure", stale_after=100 * MS)
    series = Series(facts, column([10 * MS, 60 * MS, 90 * MS], [400.0, 410.0, 420.0], [0, 0, Why.ERROR]))
    assert math.isnan(series.at(10 * MS - 1))
    assert series.at(10 * MS) == 400.0
    assert series.at(60 * MS) == 410.0
    assert math.isnan(series.at(90 * MS))
    assert series.why_at(90 * MS) == "the sender says its sensor is in error"
    assert series.why_at(0) == "nothing was heard yet"
    alone = Series(facts, column([0], [400.0]))
    assert alone.at(100 * MS - 1) == 400.0
    assert math.isnan(alone.at(100 * MS))
    assert alone.why_at(100 * MS) == "it has gone silent"


def test_known_and_unknown_stretches_fill_what_is_asked_for() -> None:
    """Every instant belongs to one of them, and they agree with the values on a grid."""
    random = np.random.default_rng(3)
    for _ in range(50):
        t = np.unique(random.integers(0, 3_000, 30)) * MS
        why = random.choice([0, 0, 0, 4], len(t))
        series = Series(
            channel(0, "oil_pressure", stale_after=150 * MS), column(t.tolist(), [1.0] * len(t), why.tolist())
        )
        begin, end = 200 * MS, 2_500 * MS
        known, unknown = series.known(begin, end), series.unknown(begin, end)
        assert sum(span.end - span.begin for span in (*known, *unknown)) == end - begin
        for i, value in zip(range(begin, end, MS), series.on(np.arange(begin, end, MS)).tolist(), strict=True):
            assert any(span.begin <= i < span.end for span in known) is not math.isnan(value)


def test_spans_are_cut_and_joined_as_sets_of_instants() -> None:
    """`without` takes away what is covered; `spans_where` ends the last span where it is told to."""
    assert without(0, 10, [Span(2, 4), Span(3, 6), Span(9, 20)]) == [Span(0, 2), Span(6, 9)]
    assert without(0, 10, []) == [Span(0, 10)]
    assert without(5, 6, [Span(0, 10)]) == []
    times = np.array([0, 10, 20, 30], np.int64)
    assert spans_where(times, np.array([False, True, True, False]), 40) == [Span(10, 30)]
    assert spans_where(times, np.array([True, False, False, True]), 40) == [Span(0, 10), Span(30, 40)]


def test_extremes_come_from_good_samples_alone() -> None:
    """A sample that is not to be believed is neither least nor most; nothing good gives nothing."""
    series = Series(channel(0, "lambda"), column([0, MS, 2 * MS], [0.8, 1.6, 0.9], [0, Why.NOT_READY, 0]))
    assert series.most(0, 3 * MS) == Extreme(0.9, 2 * MS)
    assert series.least(0, 3 * MS) == Extreme(0.8, 0)
    assert series.most(MS, 2 * MS) is None


def test_one_spike_is_not_what_two_samples_agree_on() -> None:
    """A single sample of ignition noise never decides; two in a row do."""
    assert most_of_two(column([0, 1, 2, 3], [0.80, 0.95, 0.81, 0.82])) == Extreme(0.81, 1)
    assert most_of_two(column([0, 1, 2, 3], [0.80, 0.95, 0.94, 0.82])) == Extreme(0.94, 1)
    assert most_of_two(column([0], [0.9])) is None


def test_boost_is_made_of_what_is_measured_and_never_of_a_guessed_barometer() -> None:
    """Manifold less barometric where both are known; without a barometer boost is not known."""
    curves = pull()
    assert table(10, curves).boost_on(np.array([5 * S]))[0] == pytest.approx(190 - 5 * 0.4 - 99, abs=0.05)
    del curves["barometric_pressure"]
    without_barometer = table(10, curves)
    assert math.isnan(without_barometer.boost_on(np.array([5 * S]))[0])
    assert without_barometer.get("boost") is None


def test_what_follows_from_other_channels_is_made_with_its_doubts() -> None:
    """Injector duty is pulse × speed / 1,200 (one injection a cycle); it is unknown where a source is."""
    made = table(4, {"engine_speed": [(0, 6_000), (2, math.nan)], "injector_pulse_width": [(0, 16.0)]})
    duty = made.get("injector_duty")
    assert duty is not None
    assert duty.at(S) == 80.0  # 16 ms of the 20 ms that two turns take at 6,000 rpm (computed)
    assert math.isnan(duty.at(3 * S))
    assert Why(int(duty.why[-1])) is Why.SOURCE
    assert with_made(made) is made


def test_a_table_says_where_it_lacks_something() -> None:
    """Gaps, and what lies before its begin or after its end, are missing; the rest is not."""
    some = Table({}, end=10 * S, begin=S, gaps=(Span(3 * S, 4 * S),), wall=5_000)
    assert some.missing(5 * S, 6 * S) == []
    assert some.missing(2 * S, 6 * S) == [Span(3 * S, 4 * S)]
    assert some.missing(0, 2 * S) == [Span(0, S)]
    assert some.missing(9 * S, 12 * S) == [Span(10 * S, 12 * S)]
    assert some.wall_at(7) == 5_007
    assert Table({}, end=0).wall_at(7) is None


def test_an_accuracy_is_a_share_of_the_reading_and_an_amount() -> None:
    """± 1.5 % of 0.80 and 0.002 more are 0.014."""
    assert Accuracy(0.015, 0.002, "").at(0.80) == 0.015 * 0.80 + 0.002
