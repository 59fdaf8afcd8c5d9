"""Finding runs while they are driven: a state machine on a grid, fed as samples come or with a whole session at once.

A run is a stretch of full load: the foot down (pedal, else throttle), or boost where no foot is measured or the foot is
only half down, or wheels that spin. A lift of less than `BRIDGE` does not end it: it is a shift or a pedalled tyre. The
grid makes borders meaningless: any split of the samples gives the same runs.

All figures here are common practice with no published source.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import NS_PER_MS
from pullwatch.columns import Column, join
from pullwatch.review.table import STEP, S, Series, Span

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from pullwatch.channels import Channel

WHEELS: Final = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")
NAMES: Final = (
    "engine_speed", "pedal", "throttle", "manifold_pressure", "barometric_pressure", "boost", "vehicle_speed",
    "roller_speed", "gear", "cut_active", "launch_active", "intake_air_temperature", "oil_temperature",
    "coolant_temperature", "ambient_temperature", *WHEELS,
)  # fmt: skip
"""The channels a run is found and described by. Only engine speed must be there, and one that tells load."""

FULL: Final = 80.0
LIFTED: Final = 60.0
"""% of pedal or throttle from which the load is full, and below which it is lifted."""
HALF: Final = 20.0
"""% below which the foot is up: what pressure is left in the pipes then is no load."""
BOOST: Final = 20.0
BOOST_GONE: Final = 10.0
"""kPa gauge: boost with the foot half down is load too; from where on, and down to where."""
BOOST_FOR: Final = 300 * NS_PER_MS
"""How long boost alone must stand (0.3 s): what is left in the pipes after a lift is no new load."""
SPIN: Final = 20.0
SPIN_CAR: Final = 10.0
"""km/h: wheels spin when the fastest is so much faster than the slowest, and that one slower than this."""
SPIN_FOR: Final = 400 * NS_PER_MS
BRIDGE: Final = 3 * S // 2
"""A lift shorter than this belongs to the run."""
LEAST: Final = S
"""A run has at least so much full load."""
LOST: Final = S
"""Engine speed not known for so long ends a run."""
BEFORE: Final = 5 * S
"""What is looked at before a run."""
RUNS_RPM: Final = 500.0
"""Below, the engine stands or is cranked."""


def cannot(channels: Mapping[str, object]) -> str:
    """Say why no run can be found with these channels; empty if runs can be found."""
    if "engine_speed" not in channels:
        if "vehicle_speed" in channels or "roller_speed" in channels:
            return "only road speed is measured: it says that the car went, not what the engine did. Feed engine_speed."
        return "engine speed is not measured, and runs are found by it. Feed engine_speed."
    boost = "boost" in channels or ("manifold_pressure" in channels and "barometric_pressure" in channels)
    if "pedal" not in channels and "throttle" not in channels and not boost:
        return (
            "nothing tells load: neither pedal nor throttle is measured, nor boost (manifold_pressure with "
            "barometric_pressure). Feed one of them."
        )
    return ""


@dataclass(frozen=True, slots=True)
class Rows:
    """What is known on a grid, `STEP` apart: `t` of shape (n,), and for each of `NAMES` values of shape (n,) or NaN."""

    t: NDArray[np.int64]
    values: Mapping[str, NDArray[np.float64]]

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.values[name]

    def between(self, begin: int, end: int) -> Rows:
        """Return the rows with begin <= t < end."""
        first, last = np.searchsorted(self.t, (begin, end), side="left").tolist()
        return Rows(self.t[first:last], {name: column[first:last] for name, column in self.values.items()})

    @property
    def foot(self) -> NDArray[np.float64]:
        """How far the foot is down, %: the pedal, else the throttle."""
        return np.where(np.isnan(self["pedal"]), self["throttle"], self["pedal"])

    @property
    def boost(self) -> NDArray[np.float64]:
        """Boost, kPa gauge: measured, else manifold less barometric pressure."""
        made = self["manifold_pressure"] - self["barometric_pressure"]
        return np.where(np.isnan(self["boost"]), made, self["boost"])

    @property
    def speed(self) -> NDArray[np.float64]:
        """Road speed, km/h, else the roller's."""
        return np.where(np.isnan(self["vehicle_speed"]), self["roller_speed"], self["vehicle_speed"])

    @property
    def spin(self) -> NDArray[np.bool_]:
        """Whether the driven wheels turn under a car that hardly moves. Needs wheel speeds."""
        wheels = np.stack([self[name] for name in WHEELS])
        known = np.isfinite(wheels)
        fastest = np.where(known, wheels, -math.inf).max(axis=0)
        slowest = np.where(known, wheels, math.inf).min(axis=0)
        enough = known.sum(axis=0) >= 2
        out: NDArray[np.bool_] = enough & (fastest - slowest > SPIN) & (slowest < SPIN_CAR)
        return out


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch found: `begin` to `end` (the last lift; session ns), the lifts bridged in it, and its rows around it.

    `cause`: "lift" (the load went), "stopped" (the engine), "lost" (engine speed), "open" (it goes on, or the recording
    ends in it).
    """

    begin: int
    end: int
    lifts: tuple[Span, ...]
    cause: str
    rows: Rows


@dataclass(slots=True)
class _Under:
    """A run under way."""

    begin: int
    by_foot: bool
    lifted: int | None = None
    lifts: list[Span] = field(default_factory=list)
    full: int = 0
    boost_since: int | None = None
    unknown_since: int | None = None


class Finder:
    """Finds segments. `take` what is new, in order; `finish` closes what is open.

    `channels` are those the car has, by name; `profile` decides whether spinning wheels are a burnout (on a dyno the
    undriven wheels always stand). Give `take` the samples up to `now` of the wanted channels (`NAMES`).
    """

    def __init__(self, channels: Mapping[str, Channel], profile: str, begin: int = 0) -> None:
        self._channels = {name: channels[name] for name in NAMES if name in channels}
        self._spins = profile != "dyno"
        self._next = -(-begin // STEP) * STEP
        self._held: dict[str, Column] = {}
        self._t: deque[int] = deque()
        self._rows: deque[tuple[float, ...]] = deque()
        self._under: _Under | None = None
        self._full = False
        self._spin_since: int | None = None
        self._boost_since: int | None = None

    def take(self, columns: Mapping[str, Column], now: int) -> list[Segment]:
        """Take the samples after the last `now` up to this one; return the segments that are over."""
        joined = {}
        for name in self._channels:
            new, held = columns.get(name), self._held.get(name)
            if new is None or not len(new):
                if held is not None:
                    joined[name] = held
                continue
            if held is not None:
                new = join(({0: held}, {0: new}))[0]
            joined[name] = new
        times = np.arange(self._next, now + 1, STEP, dtype=np.int64)
        over: list[Segment] = []
        if len(times):
            self._next = int(times[-1]) + STEP
            nothing = np.full(len(times), math.nan)
            values = {
                name: Series(self._channels[name], joined[name]).on(times) if name in joined else nothing
                for name in NAMES
            }
            rows = Rows(times, values)
            over = self._walk(rows)
        for name, column in joined.items():
            # What lies before the next row's instant is known by its last sample alone.
            keep = max(int(np.searchsorted(column.t, self._next, side="right")) - 1, 0)
            self._held[name] = Column(column.t[keep:], column.v[keep:], column.why[keep:])
        return over

    def finish(self) -> list[Segment]:
        """Close what is open where the recording ends."""
        under = self._under
        if under is None:
            return []
        end = under.lifted if under.lifted is not None else self._t[-1] + STEP
        return self._close(under, end, "lift" if under.lifted is not None else "open")

    @property
    def under_way(self) -> int | None:
        """Since when a run goes on (session ns); None: none does."""
        under = self._under
        return under.begin if under is not None and under.full >= LEAST else None

    def _walk(self, rows: Rows) -> list[Segment]:
        over: list[Segment] = []
        foots, boosts = rows.foot.tolist(), rows.boost.tolist()
        spins = rows.spin.tolist() if self._spins else [False] * len(foots)
        everything = zip(*(rows[name].tolist() for name in NAMES), strict=True)
        for t, foot, boost, spin, row in zip(rows.t.tolist(), foots, boosts, spins, everything, strict=True):
            self._t.append(t)
            self._rows.append(row)
            over += self._step(t, row[0], foot, boost, spin)
            if self._under is None:
                while self._t[0] < t - BEFORE:
                    self._t.popleft()
                    self._rows.popleft()
        return over

    def _step(self, t: int, rpm: float, foot: float, boost: float, spin: bool) -> list[Segment]:
        if foot == foot:  # noqa: PLR0124 - not NaN
            self._full = foot >= FULL if not self._full else foot >= LIFTED
        else:
            self._full = False
        under = self._under
        half = not foot < HALF  # not known is not up
        there = half and boost > (
            BOOST_GONE if under is not None and not under.by_foot and under.lifted is None else BOOST
        )
        self._boost_since = (t if self._boost_since is None else self._boost_since) if there else None
        self._spin_since = (t if self._spin_since is None else self._spin_since) if spin else None
        pressed = self._boost_since is not None and t - self._boost_since >= BOOST_FOR
        spun = self._spin_since is not None and t - self._spin_since >= SPIN_FOR
        running = rpm >= RUNS_RPM
        if under is None:
            if running and (self._full or pressed or spun):
                begin = t if self._full else self._boost_since if pressed else self._spin_since
                assert begin is not None
                self._under = _Under(begin, self._full, full=t - begin)
            return []
        if rpm != rpm:  # noqa: PLR0124 - NaN
            under.unknown_since = t if under.unknown_since is None else under.unknown_since
            if t - under.unknown_since >= LOST:
                return self._close(under, under.lifted or under.unknown_since, "lost")
        else:
            under.unknown_since = None
            if not running:
                return self._close(under, under.lifted or t, "stopped")
        return self._go_on(under, t, pressed=pressed, spun=spun, boost_there=there)

    def _go_on(self, under: _Under, t: int, *, pressed: bool, spun: bool, boost_there: bool) -> list[Segment]:
        under.by_foot = under.by_foot or self._full
        if under.lifted is None:
            # A foot that lifts ends the load at once, whatever pressure is left; boost alone ends with the boost.
            load = self._full or self._spin_since is not None or (not under.by_foot and boost_there)
            if load:
                under.full += STEP
            else:
                under.lifted = t
                self._boost_since = None
        elif self._full or pressed or spun:
            under.lifts.append(Span(under.lifted, t))
            under.lifted = None
            under.by_foot = self._full
        elif t - under.lifted >= BRIDGE:
            return self._close(under, under.lifted, "lift")
        return []

    def _close(self, under: _Under, end: int, cause: str) -> list[Segment]:
        self._under = None
        self._full = False
        if under.full < LEAST:
            return []
        table = np.array(self._rows, dtype=np.float64).reshape(-1, len(NAMES))
        rows = Rows(np.array(self._t, np.int64), {name: table[:, i] for i, name in enumerate(NAMES)})
        return [Segment(under.begin, end, tuple(under.lifts), cause, rows)]
