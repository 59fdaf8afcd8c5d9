"""A tape of lines with the moments at which they leave: made once before the start, then only cut in slices."""

from __future__ import annotations

import bisect
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

BUNDLE_NS = 16_000_000
"""Latency timer of the usual serial chips."""


@dataclass(frozen=True, slots=True)
class Tape:
    """`times` (n,) scenario ns, never falling; line i is `blob[offsets[i]:offsets[i + 1]]`."""

    times: array[int]
    offsets: array[int]
    blob: bytes

    def __len__(self) -> int:
        return len(self.times)

    def after(self, now: int, first: int = 0) -> int:
        """Return the index of the first line, not before `first`, that leaves later than `now`."""
        times = self.times
        beyond = first + 16
        if beyond < len(times) and times[beyond] > now:
            return bisect.bisect_right(times, now, first, beyond)
        return bisect.bisect_right(times, now, first)

    def slice(self, first: int, beyond: int) -> bytes:
        """Return the lines from `first` up to but not including `beyond`."""
        return self.blob[self.offsets[first] : self.offsets[beyond]]


def record(parts: Sequence[tuple[NDArray[np.int64], NDArray[np.uint8]]], bundle_ns: int = 0) -> Tape:
    """Sort parts into one tape. A part is times (n,) and lines (n, bytes of a line), all of one length.

    With `bundle_ns` lines leave together at the next multiple of it.
    """
    all_times = np.concatenate([times for times, _ in parts])
    lengths = np.concatenate([np.full(len(times), lines.shape[1]) for times, lines in parts])
    if bundle_ns:
        all_times = -(-all_times // bundle_ns) * bundle_ns
    order = np.argsort(all_times, kind="stable")
    offsets = np.concatenate([[0], np.cumsum(lengths[order])])
    start_of = np.empty(len(order), dtype=np.int64)
    start_of[order] = offsets[:-1]
    blob = np.empty(int(offsets[-1]), dtype=np.uint8)
    begin = 0
    for times, lines in parts:
        starts = start_of[begin : begin + len(times)]
        blob[starts[:, None] + np.arange(lines.shape[1])] = lines
        begin += len(times)
    return Tape(_column(all_times[order]), _column(offsets), blob.tobytes())


def record_lines(times: NDArray[np.int64], lines: Sequence[bytes], bundle_ns: int = 0) -> Tape:
    """Make a tape of lines of any lengths; `times` (n,) never falling."""
    if bundle_ns:
        times = -(-times // bundle_ns) * bundle_ns
    offsets = np.concatenate([[0], np.cumsum([len(line) for line in lines])]).astype(np.int64)
    return Tape(_column(times), _column(offsets), b"".join(lines))


def _column(values: NDArray[np.int64]) -> array[int]:
    """Lay numbers side by side: a list of int objects is cold at every look, 600 looks a second."""
    return array("q", values.astype(np.int64).tobytes())


def damage(line: bytes, random: np.random.Generator) -> bytes:
    """Damage one line as a bad contact does: bytes turned, bytes lost, or its end lost."""
    bad = bytearray(line)
    what = int(random.integers(3))
    at = int(random.integers(len(bad)))
    if what == 0:
        bad[at] ^= int(random.integers(1, 256))
    elif what == 1:
        del bad[at : at + 1 + int(random.integers(4))]
    else:
        del bad[at:]
    return bytes(bad)
