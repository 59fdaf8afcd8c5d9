"""Readings made smooth before they are looked at: single spikes taken out, strokes of pumps and cylinders averaged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def without_spikes(values: Floats) -> Floats:
    """Return the median of each value and its two neighbours: ignition noise is single samples."""
    if len(values) < 3:
        return values
    middle = np.median(np.stack((values[:-2], values[1:-1], values[2:])), axis=0)
    return np.concatenate((values[:1], middle, values[-1:]))


def running_mean(values: Floats, width: int) -> Floats:
    """Return the mean over `width` values around each (odd), NaN where one of them is, level beyond the ends."""
    if len(values) < width:
        return values
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, width).mean(axis=1))
