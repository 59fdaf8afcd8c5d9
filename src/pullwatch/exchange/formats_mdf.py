"""Signals of an MDF4 file (ASAM), read by asammdf (extra `mdf`): every channel of numbers, each at its own times.

Channel groups of a file have times of their own. They are read side by side, some seconds at a time, into rows of all
columns, in which a column has a number only where it was sampled. What the file marks as invalid is no number.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.errors import PullwatchError
from pullwatch.exchange.columnar import Chunk, Columnar
from pullwatch.exchange.export_mdf import library

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

ROWS_AT_ONCE: Final = 20_000
SECOND: Final = 1_000_000_000


def read_mdf(path: Path) -> Columnar:
    """Return the signals of an MDF4 file. Raises PullwatchError in words."""
    asammdf = library(path)
    try:
        with asammdf.MDF(path) as mdf:
            signals = _signals(mdf)
            began = round(mdf.start_time.timestamp() * SECOND) if mdf.start_time is not None else None
            version = str(mdf.version)
    except Exception as error:  # the library raises whatever the bytes make it stumble over
        words = f"{type(error).__name__}: {error}"
        raise PullwatchError(f"{path} is no MDF4 file that can be read: {words}.") from error
    names: list[str] = []
    for name, _, _, _ in signals:
        names.append(name if name not in names else f"{name} ({names.count(name) + 1})")
    return Columnar(
        path=path,
        names=tuple(names),
        units=tuple(unit for _, unit, _, _ in signals),
        chunks=_Chunks(path, tuple((group, index) for _, _, group, index in signals)),
        origin={"format": "mdf", "version": version},
        began=began,
        notes=(f"{len(signals)} signals in {len({group for _, _, group, _ in signals})} channel groups",),
    )


def _signals(mdf: Any) -> list[tuple[str, str, int, int]]:
    """Return (name, unit, group, index) of every channel of numbers that is no time."""
    found = []
    for group, content in enumerate(mdf.groups):
        master = mdf.masters_db.get(group)
        if not content.channel_group.cycles_nr:
            continue
        for index, channel in enumerate(content.channels):
            if index == master:
                continue
            one = mdf.get(group=group, index=index, record_offset=0, record_count=1)
            if one.samples.dtype.kind in "iufb" and one.samples.ndim == 1:
                found.append((str(channel.name), str(one.unit or ""), group, index))
    return found


class _Chunks:
    """Reads the groups side by side."""

    def __init__(self, path: Path, signals: tuple[tuple[int, int], ...]) -> None:
        self._path = path
        self._signals = signals

    def __call__(self, progress: Callable[[float], None] | None = None) -> Iterator[Chunk]:
        asammdf = library(self._path)
        with asammdf.MDF(self._path) as mdf:
            groups = sorted({group for group, _ in self._signals})
            lanes = [
                _Lane(mdf, group, [(at, i) for at, (g, i) in enumerate(self._signals) if g == group])
                for group in groups
            ]
            rows = max(1, sum(lane.rows for lane in lanes))
            done = 0
            while any([lane.fill() for lane in lanes]):  # noqa: C419 - each of them reads on
                # Everything up to the earliest end of what is at hand is known of all groups.
                unfinished = [int(lane.t[-1]) for lane in lanes if lane.more]
                until = min(unfinished) if unfinished else max(int(lane.t[-1]) for lane in lanes if len(lane.t))
                pieces = [lane.take(until) for lane in lanes]
                t = np.unique(np.concatenate([times for times, _ in pieces]))
                values = np.full((len(t), len(self._signals)), np.nan)
                for lane, (times, columns) in zip(lanes, pieces, strict=True):
                    at = np.searchsorted(t, times)
                    for (place, _), column in zip(lane.signals, columns, strict=True):
                        values[at, place] = column
                    done += len(times)
                yield Chunk(t, values)
                if progress is not None:
                    progress(min(1.0, done / rows))


class _Lane:
    """One channel group: what of it is at hand, and whether there is more."""

    def __init__(self, mdf: Any, group: int, signals: list[tuple[int, int]]) -> None:
        self._mdf = mdf
        self._group = group
        self.signals = signals
        self.rows = int(mdf.groups[group].channel_group.cycles_nr)
        self._read = 0
        self.t = np.zeros(0, dtype=np.int64)
        self._columns = [np.zeros(0) for _ in signals]

    @property
    def more(self) -> bool:
        """Whether the file has rows that are not at hand."""
        return self._read < self.rows

    def fill(self) -> bool:
        """Read on if nothing is at hand; say whether there is anything."""
        if not len(self.t) and self.more:
            count = min(ROWS_AT_ONCE, self.rows - self._read)
            columns = []
            for _, index in self.signals:
                one = self._mdf.get(group=self._group, index=index, record_offset=self._read, record_count=count)
                times = np.rint(one.timestamps * SECOND).astype(np.int64)
                values = one.samples.astype(np.float64)
                invalid = one.invalidation_bits
                columns.append(values if invalid is None else np.where(np.asarray(invalid, np.bool_), np.nan, values))
            self._read += count
            self.t, self._columns = times, columns
        return bool(len(self.t))

    def take(self, until: int) -> tuple[NDArray[np.int64], list[NDArray[np.float64]]]:
        """Return what is at hand up to `until`, and keep the rest."""
        cut = int(np.searchsorted(self.t, until, "right"))
        taken = self.t[:cut], [column[:cut] for column in self._columns]
        self.t, self._columns = self.t[cut:], [column[cut:] for column in self._columns]
        return taken
