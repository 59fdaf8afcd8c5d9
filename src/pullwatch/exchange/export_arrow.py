"""Columns of a table as Arrow arrays: what is not known is null."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from pullwatch.exchange.export_rows import CODE_WORDS, NO_SAMPLE

if TYPE_CHECKING:
    from numpy.typing import NDArray

_WORDS: Final = pa.array([CODE_WORDS.get(code) for code in range(256)], pa.string())


def value_array(v: NDArray[np.float64], code: NDArray[np.uint8]) -> pa.Array:
    """Return float64 values, null where they are not known or there are none."""
    return pa.array(v, pa.float64(), mask=code != 0)


def why_array(code: NDArray[np.uint8]) -> pa.Array:
    """Return in words why a value is not known; null where it is known, or where nothing was measured."""
    none = (code == 0) | (code == NO_SAMPLE)
    return _WORDS.take(pa.array(code.astype(np.int32), pa.int32(), mask=none))
