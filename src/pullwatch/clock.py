"""Session time: integer nanoseconds since the session began, on one clock that only goes forward."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


def steady_ns() -> int:
    """Nanoseconds on the clock that counts suspend too (CLOCK_BOOTTIME), else the best monotonic one there is.

    A suspended machine must see the missing time as silence, and silence is told; CLOCK_MONOTONIC would hide it.
    """
    return _read()


if hasattr(time, "CLOCK_BOOTTIME"):

    def _read() -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

else:

    def _read() -> int:
        return time.perf_counter_ns()


def steady_name() -> str:
    """Name of the clock behind `steady_ns`, for the start record."""
    return "CLOCK_BOOTTIME" if hasattr(time, "CLOCK_BOOTTIME") else "perf_counter"


@dataclass(frozen=True, slots=True)
class ClockPair:
    """The same moment on the session clock and on the wall clock, and how far apart the two readings may be.

    `t` is session ns, `wall` is ns since the Unix epoch, `uncertainty` is ns (half the time the pair took to read).
    """

    t: int
    wall: int
    uncertainty: int


@dataclass(frozen=True, slots=True)
class SessionClock:
    """Session time: `now()` is the steady clock minus the session's zero."""

    zero: int = field(default_factory=steady_ns)

    def now(self) -> int:
        """Nanoseconds since the session began."""
        return _read() - self.zero

    def pair(self) -> ClockPair:
        """Read both clocks, the wall clock between two readings of ours."""
        before = self.now()
        wall = time.time_ns()
        after = self.now()
        return ClockPair((before + after) // 2, wall, (after - before + 1) // 2)
