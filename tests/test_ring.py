"""The ring holds what windows look back on, contiguous, and lets the rest go."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.columns import column
from pullwatch.ring import Ring


@given(
    gaps=st.lists(st.integers(1, 50), min_size=1, max_size=200),
    lookback=st.integers(0, 300),
    cuts=st.sets(st.integers(1, 199)),
)
def test_a_window_is_what_a_plain_list_would_give(gaps: list[int], lookback: int, cuts: set[int]) -> None:
    """However samples come in, a window holds the sample in force at its begin and all later ones up to its end."""
    times = np.cumsum(gaps).tolist()
    values = [float(t % 7) for t in times]
    ring = Ring([lookback])
    at = 0
    for cut in [*sorted(cut for cut in cuts if cut < len(times)), len(times)]:
        if cut - at == 1:
            ring.append(0, times[at], values[at], 0)
        else:
            ring.extend(0, column(times[at:cut], values[at:cut]))
        at = cut
        now = times[at - 1]
        ring.trim(now)
        first = now - lookback
        held = ring.window(0, first, now)
        begin = max([i for i in range(at) if times[i] <= first], default=0)
        assert held.t.tolist() == times[begin:at]
        assert held.v.tolist() == values[begin:at]


def test_a_window_is_contiguous_and_costs_no_copy() -> None:
    """A window is a view on the ring's own memory."""
    ring = Ring([1_000])
    ring.extend(0, column(range(0, 500, 5), [1.0] * 100))
    window = ring.window(0, 100, 200)
    assert window.t.flags.c_contiguous
    assert np.shares_memory(window.t, ring.held(0).t)


def test_memory_stays_bounded_however_long_it_runs() -> None:
    """An hour at 1 kHz with 300 ms of lookback holds no more memory than a minute does."""
    ring = Ring([300])
    t = 0
    sizes = []
    for _ in range(600):
        ring.extend(0, column(range(t, t + 100), [0.0] * 100))
        t += 100
        ring.trim(t - 1)
        sizes.append(ring.held_bytes())
    assert max(sizes[300:]) == max(sizes[:300])
    assert max(sizes) < 64 * 1024
