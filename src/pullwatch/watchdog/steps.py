"""Step functions of integer time as arrays: the instants at which they are set, and what holds from each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pullwatch.watchdog.armed import BLIND, FAULT, NO, STALE, YES

if TYPE_CHECKING:
    from collections.abc import Sequence

Ints: TypeAlias = NDArray[np.int64]
Floats: TypeAlias = NDArray[np.float64]
Codes: TypeAlias = NDArray[np.uint8]
"""Verdicts and statuses."""
Flags: TypeAlias = NDArray[np.bool_]

SWAP: Final = np.array([YES, FAULT, STALE, BLIND, NO], dtype=np.uint8)
"""`not`, verdict by verdict."""


@dataclass(slots=True)
class Track:
    """A channel or sum as a step function: from `t[i]` on it is `v[i]`, if `status[i]` is GOOD. `t[0]` is long ago."""

    t: Ints
    v: Floats
    status: Codes
    sample: Flags
    """Whether a sample stands at this instant (else it only grew stale)."""

    def at(self, instants: Ints) -> Ints:
        """Return for each instant the place in force."""
        return np.searchsorted(self.t, instants, side="right") - 1


@dataclass(slots=True)
class Judged:
    """A leaf over the batch: the instants at which it was judged, and what it said from each."""

    t: Ints
    verdict: Codes
    value: Floats
    limit: Floats
    excess: Ints
    sample: Flags
    good: Flags


@dataclass(slots=True)
class Steps:
    """A condition over the batch: instants of change and what holds from each; the first is from before."""

    t: Ints
    verdict: Codes


def least_unknown(a: Codes, b: Codes) -> Codes:
    """Return, place by place, the least that is not known (0: all is known)."""
    return np.where(a == 0, b, np.where(b == 0, a, np.minimum(a, b))).astype(np.uint8)


def changes_only(t: Ints, verdict: Codes) -> Steps:
    """Leave out the instants at which nothing changes."""
    keep = np.ones(len(t), np.bool_)
    keep[1:] = verdict[1:] != verdict[:-1]
    return Steps(t[keep], verdict[keep])


def merge(parts: Sequence[Steps]) -> Steps:
    """Return the least of several step functions."""
    t = parts[0].t if len(parts) == 1 else np.unique(np.concatenate([part.t for part in parts]))
    least = np.full(len(t), YES, np.uint8)
    for part in parts:
        least = np.minimum(least, part.verdict[np.searchsorted(part.t, t, side="right") - 1])
    return changes_only(t, least)
