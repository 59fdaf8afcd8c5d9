"""A log of somebody else's as columns with times: what every reader of such logs gives, whatever the file is.

A reader (text tables, Parquet, signals of an MDF4 file) returns a `Columnar`; `exchange.importing` asks what its
columns are, and makes a session of it. Nothing of a file is held whole: `chunks` gives some thousand rows at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows in the order of the file.

    `times_ns` of shape (n,): ns since the source's own zero, as the file says it: it may repeat, run backwards or leap.
    `values` of shape (n, columns), in the units the file has: NaN where there is no sample (an empty cell, a text, a
    signal that was not sampled at this instant).
    """

    times_ns: NDArray[np.int64]
    values: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Columnar:
    """A source of columns.

    `names` and `units` are as the file has them, in its order, the time column left out; a unit is empty where there is
    none. `chunks` begins at the first row whenever it is called; a `progress` that is handed to it is called with the
    share of the file that is read (0 to 1). `origin` is what is recorded of the file: plain JSON, with at least
    "format". `began` is the wall clock (ns since the Unix epoch, UTC) at time 0, None where the file does not say.
    `notes` are sentences for the person: what the file is like, what had to be decided; `told`, called after `chunks`
    ran to its end, gives further ones about what was met on the way (rows that could not be read, columns of words).
    """

    path: Path
    names: tuple[str, ...]
    units: tuple[str, ...]
    chunks: Callable[[Callable[[float], None] | None], Iterator[Chunk]]
    origin: Mapping[str, Any]
    began: int | None = None
    notes: tuple[str, ...] = ()
    told: Callable[[], list[str]] = list
