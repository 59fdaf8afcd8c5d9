"""Samples and columns: decoded values with their times and the reason why a value is not to be believed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

Sample: TypeAlias = tuple[int, int, float, int]
"""(t ns, channel number, value in the channel's unit, why). A value whose `why` is not GOOD is never compared."""

Columns: TypeAlias = "dict[int, Column]"
"""Channel number to its column. A channel with no samples is absent."""


class Why(IntEnum):
    """Why a value is not to be believed. Anything but GOOD is a fault, never a number."""

    GOOD = 0
    NOT_A_NUMBER = 1
    """NaN or infinite."""
    IMPLAUSIBLE = 2
    """Outside the channel's believable range."""
    NOT_AVAILABLE = 3
    """The sender says it has no value."""
    ERROR = 4
    """The sender says its sensor is in error."""
    NOT_READY = 5
    """The sensor has not proved itself yet (a heating lambda sensor)."""
    GARBLED = 6
    """The text or field could not be read, in a message that otherwise was whole."""
    SOURCE = 7
    """Something this value is made from is not known."""
    OPEN = 8
    """The sensor's circuit is open, or shorted to what it is pulled to."""
    SHORT = 9
    """The sensor's circuit is shorted to the other side: to ground, or with a pull-down to its supply."""
    TOO_FAST = 10
    """It changed faster than what it measures can."""
    FROZEN = 11
    """What drives it moved, and it did not."""
    NOT_PROVED = 12
    """The sensor was put to the proof and failed, or has shown nothing yet that proves it."""


WHY_WORDS: Final[Mapping[Why, str]] = {
    Why.NOT_A_NUMBER: "what comes is no number",
    Why.IMPLAUSIBLE: "what comes cannot be",
    Why.NOT_AVAILABLE: "the sender says it has none",
    Why.ERROR: "the sender says its sensor is in error",
    Why.NOT_READY: "the sensor is not ready",
    Why.GARBLED: "what comes cannot be read",
    Why.SOURCE: "what it is made from is not known",
    Why.OPEN: "the sensor's circuit is open",
    Why.SHORT: "the sensor's circuit is shorted",
    Why.TOO_FAST: "it changes faster than it can",
    Why.FROZEN: "it stands still while what drives it moves",
    Why.NOT_PROVED: "the sensor has not proved itself",
}
"""What a person is told of a value that is not to be believed."""


@dataclass(frozen=True, slots=True)
class Column:
    """The samples of one channel: three arrays of shape (n,), times strictly increasing."""

    t: NDArray[np.int64]
    v: NDArray[np.float64]
    why: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.t)


def column(t: Iterable[int], v: Iterable[float], why: Iterable[int] | None = None) -> Column:
    """Build a column from plain sequences; `why` defaults to GOOD throughout."""
    times = np.asarray(list(t), dtype=np.int64)
    values = np.asarray(list(v), dtype=np.float64)
    reasons = np.zeros(len(times), dtype=np.uint8) if why is None else np.asarray(list(why), dtype=np.uint8)
    return Column(times, values, reasons)


def to_columns(samples: Iterable[Sample]) -> Columns:
    """Sort a flat list of samples (each channel's already in order of time) into columns."""
    per_channel: dict[int, tuple[list[int], list[float], list[int]]] = {}
    for t, channel, v, why in samples:
        lists = per_channel.get(channel)
        if lists is None:
            lists = per_channel[channel] = ([], [], [])
        lists[0].append(t)
        lists[1].append(v)
        lists[2].append(why)
    return {channel: column(*lists) for channel, lists in per_channel.items()}


def to_samples(columns: Columns) -> list[Sample]:
    """Lay columns out as one flat list in order of time; at one instant in order of channel number."""
    flat: list[Sample] = []
    for channel, col in columns.items():
        flat.extend(zip(col.t.tolist(), [channel] * len(col), col.v.tolist(), col.why.tolist(), strict=True))
    flat.sort(key=lambda sample: (sample[0], sample[1]))
    return flat


def join(parts: Iterable[Columns]) -> Columns:
    """Join columns of several decoders or records; parts of one channel must follow each other in time."""
    gathered: dict[int, list[Column]] = {}
    for part in parts:
        for channel, col in part.items():
            gathered.setdefault(channel, []).append(col)
    return {
        channel: cols[0]
        if len(cols) == 1
        else Column(
            np.concatenate([c.t for c in cols]),
            np.concatenate([c.v for c in cols]),
            np.concatenate([c.why for c in cols]),
        )
        for channel, cols in gathered.items()
    }
