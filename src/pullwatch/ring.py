"""The ring: the last seconds of every channel, as many as the rules look back. The only memory of samples.

Each channel's samples lie contiguous in numpy arrays, so that a window is a slice and costs no copy. What is older than
the channel's lookback is let go, but for one sample: the one in force where the longest window begins.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pullwatch.columns import Column

if TYPE_CHECKING:
    from collections.abc import Sequence

_FIRST_CAPACITY = 64


class _Lane:
    """One channel's samples: three arrays, of which [start:end] are held."""

    __slots__ = ("end", "lookback", "start", "t", "v", "why")

    def __init__(self, lookback: int) -> None:
        self.lookback = lookback
        self.t = np.empty(_FIRST_CAPACITY, dtype=np.int64)
        self.v = np.empty(_FIRST_CAPACITY, dtype=np.float64)
        self.why = np.empty(_FIRST_CAPACITY, dtype=np.uint8)
        self.start = 0
        self.end = 0

    def room(self, more: int) -> None:
        """Make room for `more` samples at the end: move down when half is free, else grow."""
        if self.end + more <= len(self.t):
            return
        held = self.end - self.start
        size = len(self.t)
        while held + more > size // 2:
            size *= 2
        for name in ("t", "v", "why"):
            old = getattr(self, name)
            new = np.empty(size, dtype=old.dtype)
            new[:held] = old[self.start : self.end]
            setattr(self, name, new)
        self.start, self.end = 0, held


class Ring:
    """The samples of every channel that rules look back on; `lookback` is ns per channel number."""

    def __init__(self, lookback: Sequence[int]) -> None:
        self._lanes = [_Lane(ns) for ns in lookback]
        self._used: list[_Lane] = []

    def append(self, channel: int, t: int, v: float, why: int) -> None:
        """Add one sample; `t` must be later than the channel's last."""
        lane = self._lanes[channel]
        if lane.end == len(lane.t):
            lane.room(1)
        if not lane.end:
            self._used.append(lane)
        end = lane.end
        lane.t[end] = t
        lane.v[end] = v
        lane.why[end] = why
        lane.end = end + 1

    def extend(self, channel: int, column: Column) -> None:
        """Add a column of samples, all later than the channel's last."""
        lane = self._lanes[channel]
        more = len(column)
        if not lane.end and more:
            self._used.append(lane)
        lane.room(more)
        end = lane.end + more
        lane.t[lane.end : end] = column.t
        lane.v[lane.end : end] = column.v
        lane.why[lane.end : end] = column.why
        lane.end = end

    def held(self, channel: int) -> Column:
        """Return all that is held of a channel, oldest first, as views (no copy)."""
        lane = self._lanes[channel]
        return Column(lane.t[lane.start : lane.end], lane.v[lane.start : lane.end], lane.why[lane.start : lane.end])

    def window(self, channel: int, first: int, last: int) -> Column:
        """Return, as views, the sample in force at instant `first` (if any) and all later ones up to instant `last`."""
        lane = self._lanes[channel]
        times = lane.t[lane.start : lane.end]
        i0, i1 = times.searchsorted((first, last), side="right").tolist()
        i0 = lane.start + max(i0 - 1, 0)
        i1 += lane.start
        return Column(lane.t[i0:i1], lane.v[i0:i1], lane.why[i0:i1])

    def trim(self, now: int) -> None:
        """Let go of what no window that ends after `now` can reach."""
        for lane in self._used:
            # Looking every time costs more than it frees: wait until there is something worth letting go.
            if lane.end - lane.start < 32 or lane.t[lane.start + 16] >= now - lane.lookback:
                continue
            times = lane.t[lane.start : lane.end]
            lane.start += max(int(times.searchsorted(now - lane.lookback, side="right")) - 1, 0)

    def held_bytes(self) -> int:
        """Memory of the arrays, in bytes."""
        return sum(lane.t.nbytes + lane.v.nbytes + lane.why.nbytes for lane in self._lanes)
