"""From a log's times to session time, and which values are samples: restarts, doubles, coarse clocks, repeats."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.exchange.columnar import Chunk
from pullwatch.exchange.repeats import SLOWEST_NS, Changes, Thinning
from pullwatch.exchange.timeline import BETWEEN_NS, LEAD_NS, Timeline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

MS = 1_000_000
S = 1_000_000_000
WIDTH = 17


def chunk(times_ms: Sequence[float], values: Sequence[float] | None = None) -> Chunk:
    """Return rows of one column; values rise by one a row if none are given."""
    times = np.array([round(t * MS) for t in times_ms], dtype=np.int64)
    column = np.arange(len(times), dtype=np.float64) if values is None else np.array(values, dtype=np.float64)
    return Chunk(times, column[:, None])


def placed(*chunks: Chunk) -> tuple[Timeline, NDArray[np.int64], NDArray[np.float64], list[int]]:
    """Place chunks; return the timeline, all times, all values, and the row at which each run begins."""
    line = Timeline(WIDTH)
    times, values, begins = [], [], []
    count = 0
    for piece in line.place(chunks):
        begins += [count] if piece.begins else []
        count += len(piece.t)
        times.append(piece.t)
        values.append(piece.values[:, 0])
    return line, np.concatenate(times), np.concatenate(values), begins


def test_times_that_rise_are_kept_as_they_are() -> None:
    """Nothing is moved, and that is said; the first row stands a millisecond into the session."""
    line, t, _, begins = placed(chunk([5_000, 5_010, 5_020]), chunk([5_030.5]))
    assert (t - LEAD_NS).tolist() == [0, 10 * MS, 20 * MS, 30_500_000]
    assert begins == [0]
    assert line.told() == ["no row was moved: every time rose"]


def test_a_row_that_comes_twice_is_one_row() -> None:
    """The same time and the same values, an empty cell included: left out and counted, also over a border."""
    nan = float("nan")
    line, t, values, _ = placed(chunk([0, 10, 10, 20], [1, nan, nan, 3]), chunk([20, 30], [3, 4]))
    assert len(t) == 4
    assert np.array_equal(values, [1, nan, 3, 4], equal_nan=True)
    assert line.twice == 2
    assert "2 rows once more, time and values: left out" in line.told()


def test_another_row_at_the_same_time_is_moved_on_by_the_rule_of_time() -> None:
    """It begins where the row before ends, one nanosecond later, and how many were moved is said."""
    times = [*range(0, 400, 10), 390, 395, 400]
    line, t, _, _ = placed(chunk(times))
    assert line.moved == 1
    assert t[40] - t[39] == WIDTH
    assert np.all(np.diff(t) >= WIDTH)
    assert any("1 row whose time did not rise: moved on, by 1.7e-05 ms" in words for words in line.told())


def test_times_that_fall_back_a_little_are_moved_and_far_begin_a_run() -> None:
    """A step back of some rows is a disordered log; one of seconds is another run, silence apart from the last."""
    rows = list(range(0, 1_000, 10))
    line, t, _, begins = placed(chunk([*rows, 970, 1_000, 1_010]), chunk([0, 10, 20]))
    assert line.moved == 1
    assert begins == [0, 103]
    assert t[103] - t[102] == BETWEEN_NS + WIDTH
    assert np.diff(t[103:]).tolist() == [10 * MS, 10 * MS]
    assert [run.file_ns for run in line.runs] == [0, 0]
    assert line.runs[1].row == 103
    assert any("2 runs: the file's time begins again 1 times" in words for words in line.told())


def test_times_coarser_than_the_rows_are_spread_over_the_step() -> None:
    """Four rows that share each tenth of a second are 25 ms apart, wherever the file is cut; a gap is not filled."""
    times = [100.0 * (n // 4) for n in range(40)] + [5_000.0, 5_000.0]
    whole = placed(chunk(times))
    parts = placed(chunk(times[:6], list(range(6))), chunk(times[6:7], [6.0]), chunk(times[7:], list(range(7, 42))))
    assert np.diff(whole[1])[:39].tolist() == [25 * MS] * 39
    assert np.diff(whole[1])[40] == 50 * MS
    assert np.array_equal(whole[1], parts[1])
    assert np.array_equal(whole[2], parts[2])
    assert whole[0].moved == 0
    assert any("31 rows with the time of the row before" in words for words in whole[0].told())


def test_a_hole_in_the_times_is_told_with_its_length() -> None:
    """Nothing is put into it."""
    line, t, _, _ = placed(chunk([*range(0, 500, 10), 8_000, 8_010]))
    assert line.gaps == 1
    assert np.diff(t).max() == 8_000 * MS - 490 * MS
    assert any("1 gap in time, the longest 7.5 s" in words for words in line.told())


@given(
    st.lists(st.integers(-2_000, 5_000), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=4),
)
def test_whatever_the_times_do_session_time_rises_and_no_cut_changes_it(steps: list[int], cuts: list[int]) -> None:
    """Every row but a doubled one is there, each owning its nanoseconds; where the file is cut means nothing."""
    times = np.cumsum(steps).tolist()
    values = [float(n % 3) for n in range(len(times))]
    # The pace is that of the first chunk: the cuts come behind enough rows to know it.
    lead = list(range(-200, 0, 10))
    lead_values = [float(n) for n in range(20)]
    whole = placed(chunk([*lead, *times], [*lead_values, *values]))
    edges = [0, *sorted({20 + cut for cut in cuts if cut < len(times)}), 20 + len(times)]
    all_times, all_values = [*lead, *times], [*lead_values, *values]
    pieces = [chunk(all_times[a:b], all_values[a:b]) for a, b in itertools.pairwise(edges) if b > a]
    parts = placed(*pieces)
    assert np.all(np.diff(whole[1]) >= WIDTH)
    assert len(whole[1]) + whole[0].twice == len(all_times)
    if parts[0].pace == whole[0].pace:
        assert np.array_equal(whole[1], parts[1])
        assert np.array_equal(whole[2], parts[2])


# -- repeats


def held_column(rows: int, hz: float, source_hz: float, seed: int = 3) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return a noisy channel of `source_hz` in a table of `hz`, repeated in between."""
    t = (np.arange(rows) * (S / hz)).astype(np.int64)
    which = (np.arange(rows) / hz * source_hz).astype(np.int64)
    fresh = np.random.default_rng(seed).normal(0.9, 0.05, which.max() + 1)
    return t, fresh[which]


@pytest.mark.parametrize("source_hz", [1.25, 5.0, 10.0, 12.0, 33.0])
def test_a_slow_channel_in_a_fast_table_shows_its_own_rate(source_hz: float) -> None:
    """At 100 rows a second a channel of 12 Hz changes every eight or nine rows: 12 samples a second, and no more."""
    t, values = held_column(6_000, 100.0, source_hz)
    changes = Changes()
    for begin in range(0, 6_000, 700):
        changes.add(t[begin : begin + 700], values[begin : begin + 700])
    period = changes.period()
    assert period.held
    assert period.rate == pytest.approx(max(source_hz, 1.0), rel=0.05)
    thin = Thinning([period])
    left = np.concatenate([thin.thin(t[b : b + 700], values[b : b + 700, None])[:, 0] for b in range(0, 6_000, 700)])
    kept = np.flatnonzero(~np.isnan(left))
    assert kept.tolist() == [0, *(np.flatnonzero(np.diff(values) != 0) + 1).tolist()]
    assert thin.taken_out == 6_000 - len(kept)


def test_a_channel_as_fast_as_the_table_keeps_every_row() -> None:
    """It changes from row to row now and then, even if its last digit often stays the same."""
    rng = np.random.default_rng(5)
    values = np.round(np.cumsum(rng.normal(0, 0.4, 3_000))).astype(np.float64)
    t = (np.arange(3_000) * 10 * MS).astype(np.int64)
    changes = Changes()
    changes.add(t, values)
    period = changes.period()
    assert not period.held
    assert period.rate == pytest.approx(100.0)
    assert np.array_equal(Thinning([period]).thin(t, values[:, None])[:, 0], values)


def test_a_value_that_stays_the_same_is_sampled_again_a_period_later() -> None:
    """Twelve times a second while it changes; steady, one sample each period and a quarter, never two at once."""
    t, values = held_column(3_000, 100.0, 10.0)
    values[1_000:2_000] = values[1_000]
    changes = Changes()
    changes.add(t, values)
    left = Thinning([changes.period()]).thin(t, values[:, None])[:, 0]
    steady = np.flatnonzero(~np.isnan(left[1_000:2_000]))
    assert np.diff(steady).tolist() == [13] * (len(steady) - 1)


def test_a_channel_that_hardly_changes_has_a_sample_a_second_and_each_change_at_its_row() -> None:
    """A flag shows no rate: what it says between two changes counts once a second, the changes at once."""
    t = (np.arange(1_000) * 20 * MS).astype(np.int64)
    values = np.zeros(1_000)
    values[333:341] = 1.0
    changes = Changes()
    changes.add(t, values)
    period = changes.period()
    assert (period.held, period.shown, period.period) == (True, False, SLOWEST_NS)
    left = Thinning([period]).thin(t, values[:, None])[:, 0]
    kept = np.flatnonzero(~np.isnan(left))
    assert {0, 333, 341} <= set(kept.tolist())
    assert len(kept) <= 2 + 20


def test_a_column_filled_at_its_own_rate_has_the_rows_that_it_has() -> None:
    """Empty cells are no samples, so there is nothing to take out."""
    t = (np.arange(4_000) * 10 * MS).astype(np.int64)
    values = np.full(4_000, np.nan)
    values[::10] = np.random.default_rng(1).normal(90, 1, 400)
    there = ~np.isnan(values)
    changes = Changes()
    changes.add(t[there], values[there])
    period = changes.period()
    assert not period.held
    assert period.rate == pytest.approx(10.0)


def test_a_new_run_begins_with_a_sample_of_everything() -> None:
    """What was held in the run before says nothing of this one: the silence between two is longer than any beat."""
    t = (np.arange(100) * 10 * MS).astype(np.int64)
    values = np.full((100, 1), 5.0)
    changes = Changes()
    changes.add(t, values[:, 0])
    thin = Thinning([changes.period()])
    thin.thin(t, values)
    assert not np.isnan(thin.thin(t + t[-1] + BETWEEN_NS, values)[0, 0])
