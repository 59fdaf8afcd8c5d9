"""When silence means "gone". Plain arithmetic: every time is an argument, nothing here reads a clock.

Silence is not the time since the last heartbeat. It is counted only while the sentinel itself was awake to hear one:
each look adds the time since the look before, at most `ATTENTION`. A machine that slept, was paused by its hypervisor,
or gave neither process a turn for a while, is then no false alarm; and when only the watching process is gone, looks
come on time and the count is the true time.
"""

from __future__ import annotations

from enum import Enum, auto
from typing import Final, NamedTuple

from pullwatch.clock import NS_PER_MS, NS_PER_S

GONE_AFTER: Final = 175 * NS_PER_MS
"""This much silence is "gone": late enough that a loop late by load, or by a port that drops out, stays below it (72
simulated hours with up to 158 ms between two heartbeats in the tests), early enough for a sentinel late by load itself
to tell within 250 ms."""
ATTENTION: Final = 40 * NS_PER_MS
"""The most that one look may add to the silence."""
LOOK_EVERY: Final = 25 * NS_PER_MS
"""How long the sentinel sleeps at most while it listens; well below ATTENTION, so that a healthy look counts whole."""
BEGIN_WITHIN: Final = 5 * NS_PER_S
"""A watching process that has not begun to beat this long after the sentinel started is gone too."""
AFTER_SLEEP: Final = NS_PER_S
"""After the machine slept the watching process has this much longer: ports and disks are waking too."""
SLEPT_AT_LEAST: Final = 20 * NS_PER_MS
"""The two clocks may come apart by this much by being read one after the other."""


class Finding(Enum):
    """What a look can find."""

    GONE = auto()
    BACK = auto()
    SLEPT = auto()


class Found(NamedTuple):
    """A finding and how long (ns): the silence for GONE and BACK, the sleep for SLEPT."""

    finding: Finding
    ns: int


class Vigil:
    """Counts the silence of one watching process.

    `boot` is CLOCK_BOOTTIME (counts suspend), `mono` is CLOCK_MONOTONIC (does not), both ns; where a machine has only
    one clock both are the same, a suspend is then one long gap between looks, and counts as ATTENTION at most.
    """

    def __init__(self, boot: int, mono: int) -> None:
        self.gone = False
        self._mono = mono
        self._apart = boot - mono
        self._silence = 0
        self._grace = 0
        self._allowed = BEGIN_WITHIN
        self._heard_at = mono

    def look(self, boot: int, mono: int, *, heard: bool) -> list[Found]:
        """Take one look: `heard` says whether anything came since the last one. Return what is new."""
        found: list[Found] = []
        apart = boot - mono
        slept = apart - self._apart
        self._apart = apart
        awake = min(max(mono - self._mono, 0), ATTENTION)
        self._mono = mono
        if slept >= SLEPT_AT_LEAST:
            found.append(Found(Finding.SLEPT, slept))
            self._grace = AFTER_SLEEP
        self._grace = max(0, self._grace - awake)
        if heard:
            if self.gone:
                found.append(Found(Finding.BACK, mono - self._heard_at))
            self.gone = False
            self._silence = 0
            self._allowed = GONE_AFTER
            self._heard_at = mono
            return found
        self._silence += awake
        if not self.gone and self._silence >= self._allowed and not self._grace:
            self.gone = True
            found.append(Found(Finding.GONE, self._silence))
        return found

    def ended(self) -> Found | None:
        """Note that the pipe is closed: nothing can come any more. None if this was known already."""
        if self.gone:
            return None
        self.gone = True
        return Found(Finding.GONE, 0)

    def sleep_at_most(self) -> int:
        """How long (ns) the next look may wait if nothing comes."""
        if self.gone:
            return LOOK_EVERY
        return max(0, min(LOOK_EVERY, max(self._allowed - self._silence, self._grace)))
