"""Binary data: whether the same bytes come back at one distance. No more is claimed than that.

Bytes read at a wrong speed can do the same, so whoever asks tries the usual speeds for text first.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pullwatch.finding.heard import rate_of

if TYPE_CHECKING:
    from pullwatch.finding.heard import Heard

LOOKED_AT: Final = 16_384
"""Bytes that are looked at."""
LENGTHS: Final = range(4, 257)
REGULAR: Final = 0.8
"""The share of the distances that must be the same, and of the bytes that must be in packets."""
LEAST_PACKETS: Final = 5
LONGEST_BEGINNING: Final = 4


@dataclass(frozen=True, slots=True)
class Packets:
    """Packets of `length` bytes that begin with `beginning`, `share` of all bytes in them, `rate` a second.

    `beginning` is empty where every packet was the same: then nobody can tell where it begins.
    """

    length: int
    beginning: bytes
    share: float
    rate: float


def read_packets(heard: Heard) -> Packets | None:
    """Return what the data look like, None if nothing in them comes back regularly."""
    data = heard.data[:LOOKED_AT]
    places: dict[bytes, list[int]] = {}
    for at in range(len(data) - 1):
        places.setdefault(data[at : at + 2], []).append(at)
    best: Packets | None = None
    for where in places.values():
        found = _regular(heard, data, where)
        if found is not None and (best is None or (found.share, -found.length) > (best.share, -best.length)):
            best = found
    return best


def _regular(heard: Heard, data: bytes, where: list[int]) -> Packets | None:
    """Return the packets that a pair of bytes at the places `where` tells of, if it comes back regularly."""
    if len(where) < LEAST_PACKETS:
        return None
    gaps = Counter(after - before for before, after in pairwise(where))
    length, times = gaps.most_common(1)[0]
    share = (times + 1) * length / len(data)
    if length not in LENGTHS or times / (len(where) - 1) < REGULAR or share < REGULAR:
        return None
    rows = [data[at : at + length] for at in where if at + length <= len(data)]
    same = [len({row[place] for row in rows}) == 1 for place in range(length)]
    start = _longest_run(same)
    rate = rate_of([heard.time_of(at) for at in where], heard.seconds)
    if start is None:
        return Packets(length, b"", min(share, 1.0), rate)
    run = 1
    while run < LONGEST_BEGINNING and same[(start + run) % length]:
        run += 1
    beginning = bytes(rows[0][(start + i) % length] for i in range(run))
    return Packets(length, beginning, min(share, 1.0), rate)


def _longest_run(same: list[bool]) -> int | None:
    """Return where the longest run of bytes that never change begins, going round; None if all or none are such."""
    if all(same) or not any(same):
        return None
    starts = [at for at, one in enumerate(same) if one and not same[at - 1]]

    def length(start: int) -> int:
        run = 0
        while same[(start + run) % len(same)]:
            run += 1
        return run

    return max(starts, key=length)
