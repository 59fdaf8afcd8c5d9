"""NMEA 0183 sentences (IEC 61162-1): which come, how often, and whether there is a fix. Only whole ones count."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Final

from pullwatch.finding.heard import rate_of

if TYPE_CHECKING:
    from pullwatch.finding.heard import Heard

_SENTENCE: Final = re.compile(rb"[$!]([A-Z0-9]{5,8}(?:,[^*\r\n$!]*)?)\*([0-9A-Fa-f]{2})(?=[\r\n])")
_BEGIN: Final = re.compile(rb"[$!][A-Z]{2}")
_FIX: Final = {b"0": "no fix", b"1": "a fix", b"2": "a fix (differential)", b"4": "a fix (RTK)", b"5": "a fix (RTK)"}
"""Field 6 of GGA (IEC 61162-1, from memory)."""


@dataclass(frozen=True, slots=True)
class Sentences:
    """What came: sentence (talker and type) to how often a second; `fix` in words, empty if none told of it.

    `share` of the sentences that began had a right checksum; `count` is how many those were.
    """

    rates: dict[str, float]
    count: int
    share: float
    fix: str


def checksum(body: bytes) -> int:
    """Return the checksum of what stands between `$` and `*`: all bytes, exclusive or."""
    return reduce(xor, body, 0)


def read_sentences(heard: Heard) -> Sentences | None:
    """Return what sentences came, None if there were none."""
    times: dict[str, list[int]] = {}
    fix = ""
    data = heard.data
    for found in _SENTENCE.finditer(data):
        body = found[1]
        if checksum(body) != int(found[2], 16):
            continue
        fields = body.split(b",")
        times.setdefault(fields[0].decode(), []).append(heard.time_of(found.start()))
        fix = _fix(fields) or fix
    if not times:
        return None
    count = sum(map(len, times.values()))
    begun = len(_BEGIN.findall(data))
    rates = {name: rate_of(when, heard.seconds) for name, when in times.items()}
    return Sentences(rates, count, count / max(begun, count), fix)


def _fix(fields: list[bytes]) -> str:
    if fields[0].endswith(b"GGA") and len(fields) > 6:
        return _FIX.get(fields[6], "")
    if fields[0].endswith(b"RMC") and len(fields) > 2:
        return {b"A": "a fix", b"V": "no fix"}.get(fields[2], "")
    return ""
