"""A table as MDF4 (ASAM), written by asammdf (extra `mdf`): a channel group for each channel, at one rate one for all.

A value that is not known is NaN and marked invalid by the invalidation bit the format has for that. Reasons, if asked
for, are a second channel of small numbers with their words as a value-to-text conversion.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.exchange.export_rows import CODE_WORDS, NO_SAMPLE

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from pullwatch.exchange.exporting import Table

MISSING: Final = "MDF4 files are written by the library asammdf, which is not installed."
TODO: Final = 'Install it with: pip install "pullwatch[mdf]"'
ROWS_AT_ONCE: Final = 50_000
"""Rows of a group gathered before they are handed to the library: its price is per call."""
_GOOD: Final = "good"


def library(path: Path) -> Any:
    """Return the library. Raises SessionError, in a plain sentence, where it is not installed."""
    try:
        import asammdf  # noqa: PLC0415 - an extra, and a second to import
    except ImportError as error:
        raise SessionError(path, MISSING, TODO) from error
    logging.getLogger("asammdf").setLevel(logging.ERROR)  # it would write its remarks over the console
    return asammdf


class _Group:
    """One channel group: what is gathered for it, and whether the library has it."""

    def __init__(self, asammdf: Any, mdf: Any, places: list[int], table: Table) -> None:
        self._asammdf = asammdf
        self._mdf = mdf
        self._places = places
        self._table = table
        self._index = -1
        self._t: list[NDArray[np.int64]] = []
        self._v: list[NDArray[np.float64]] = []
        self._code: list[NDArray[np.uint8]] = []
        self._waiting = 0

    def take(self, t: NDArray[np.int64], v: NDArray[np.float64], code: NDArray[np.uint8]) -> None:
        """Take rows: t (n,), v and code (channels of the group, n)."""
        self._t.append(t)
        self._v.append(v)
        self._code.append(code)
        self._waiting += len(t)
        if self._waiting >= ROWS_AT_ONCE:
            self.flush()

    def flush(self) -> None:
        """Hand over what is gathered; the first time even if there is nothing, so that the channel is there."""
        if not self._waiting and self._index >= 0:
            return
        none = np.zeros((len(self._places), 0))
        t = np.concatenate([np.zeros(0, np.int64), *self._t]) / NS_PER_S
        v = np.concatenate([none, *self._v], axis=1)
        code = np.concatenate([none.astype(np.uint8), *self._code], axis=1)
        self._t, self._v, self._code, self._waiting = [], [], [], 0
        if self._index >= 0:
            pieces: list[tuple[NDArray[Any], NDArray[np.bool_] | None]] = [(t, None)]
            for values, codes in zip(v, code, strict=True):
                pieces.append((values, codes != 0))
                if self._table.why:
                    pieces.append((codes, None))
            self._mdf.extend(self._index, pieces)
            return
        signals = []
        for place, values, codes in zip(self._places, v, code, strict=True):
            field = self._table.fields[place]
            signals.append(
                self._asammdf.Signal(
                    samples=values,
                    timestamps=t,
                    name=field.name,
                    unit=field.unit,
                    comment=field.says,
                    invalidation_bits=codes != 0,
                )
            )
            if self._table.why:
                signals.append(self._why(field.name, t, codes))
        name = self._table.fields[self._places[0]].name if len(self._places) == 1 else "at one rate"
        self._index = self._mdf.append(signals, acq_name=name, comment="pullwatch", common_timebase=True)

    def _why(self, name: str, t: NDArray[np.float64], codes: NDArray[np.uint8]) -> Any:
        words = {0: _GOOD, **{code: words for code, words in CODE_WORDS.items() if code}}
        conversion: dict[str, Any] = {f"val_{at}": code for at, code in enumerate(words)}
        conversion |= {f"text_{at}": text.encode() for at, text in enumerate(words.values())}
        return self._asammdf.Signal(samples=codes, timestamps=t, name=f"{name} why", conversion=conversion)


def write(table: Table, path: Path) -> int:
    """Write the table to `path`; return how many samples it has (rows, at one rate).

    Raises SessionError where the library is not installed, OSError where the file cannot be written.
    """
    asammdf = library(path)
    count = 0
    with asammdf.MDF(version="4.10") as mdf:
        mdf.header.author = "pullwatch"
        mdf.header.subject = table.car
        mdf.header.comment = f"session {table.session}"
        if table.began is not None:
            mdf.start_time = datetime.fromtimestamp(table.began / NS_PER_S, UTC)
        width = len(table.fields)
        alone = table.rate is None
        groups = [
            _Group(asammdf, mdf, places, table)
            for places in ([[at] for at in range(width)] if alone else [list(range(width))])
        ]
        for rows in table.rows:
            if not alone:
                groups[0].take(rows.t, rows.v, rows.code)
                count += len(rows)
                continue
            for place, group in enumerate(groups):
                here = rows.code[place] != NO_SAMPLE
                if here.any():
                    group.take(rows.t[here], rows.v[place : place + 1, here], rows.code[place : place + 1, here])
                    count += int(np.count_nonzero(here))
        for group in groups:
            group.flush()
        mdf.save(path, overwrite=True)
    return count
