"""Channels of engine, driveline and air that follow from others, and say so when they do not follow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pullwatch.columns import Why
from pullwatch.derived import NAN, UNKNOWN, Computed, Operator

if TYPE_CHECKING:
    from collections.abc import Sequence

_MS: Final = 1_000_000
_NOT_READY: Final = int(Why.NOT_READY)

# Starting values, common practice with no published source.
LEAST_RPM: Final = 1_200.0
"""Slower, the clutch slips or the car rolls with the engine idling: no ratio speaks of a gear."""
LEAST_KMH: Final = 5.0
LEAST_DRIVESHAFT: Final = 100.0
"""rpm."""
GEAR_FOR: Final = 150 * _MS
"""A ratio that is only passed through is no gear."""
LEAST_UNDRIVEN: Final = 10.0
"""km/h: slower, wheel sensors count too few teeth for a share of it to mean anything."""
STANDS: Final = 0.0
"""rpm: only an engine that is known to stand leaves the manifold at the pressure of the air."""
STEADY_KPA: Final = 1.0
"""From the least to the most: ±0.5 kPa."""
STEADY_FOR: Final = 1_000 * _MS
LATCH_LOW: Final = 70.0
LATCH_HIGH: Final = 105.0


class Gear(Operator):
    """The gear, from the ratio of engine speed to driveshaft or road speed; known only while one gear explains it.

    `turns` are the engine's rpm for one unit of the other speed, first gear first. Triggered by that speed, of which
    there are fewer samples; the other is engine speed (rpm). Between ratios, in a shift, with the clutch slipping and
    at a stand it is not known: `slowest` is the least speed at which it is.
    """

    def __init__(self, turns: Sequence[float], tolerance: float, slowest: float) -> None:
        self._bands = [(each * (1.0 - tolerance), each * (1.0 + tolerance)) for each in turns]
        self._slowest = slowest
        self._gear = 0
        self._since = 0

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the gear, from 1 on."""
        engine = others[0]
        gear = 0
        if not why and value >= self._slowest and engine >= LEAST_RPM:
            for number, (low, high) in enumerate(self._bands, 1):
                if low * value <= engine <= high * value:
                    gear = number
                    break
        if gear != self._gear:
            self._gear, self._since = gear, t
        if gear and t - self._since >= GEAR_FOR:
            return float(gear), 0
        return NAN, why or UNKNOWN

    def carried(self) -> Any:
        """Return the gear in sight and since when it is."""
        return [self._gear, self._since]

    def carry(self, state: Any) -> None:
        """Take it up."""
        self._gear, self._since = state


def road_turns(ratio: float, final_drive: float, circumference_m: float) -> float:
    """Return the engine's rpm at 1 km/h in a gear: ratio × final drive × (1000 / 60 m in a minute) ÷ circumference."""
    return ratio * final_drive * (1_000.0 / 60.0) / circumference_m


class ConverterSlip(Computed):
    """Slip of converter or clutch in rpm = engine speed − driveshaft speed × the ratio of the gear that is in.

    Triggered by engine speed; others: driveshaft speed (rpm) and gear, as the gearbox says it. No slip is known in
    neutral, in reverse, and in a gear whose ratio is not stated.
    """

    def __init__(self, ratios: Sequence[float]) -> None:
        self._ratios = {float(number): ratio for number, ratio in enumerate(ratios, 1)}

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the slip, or why there is none."""
        if not why and others[1] not in self._ratios:
            return NAN, UNKNOWN
        return super().one(t, value, why, others)

    def formula(self, value: float, *others: float) -> float:
        """Return rpm from (engine speed, driveshaft speed, gear)."""
        return value - others[0] * self._ratios[others[1]]


class WheelSlip(Computed):
    """Wheel slip in % = (driven − undriven) / undriven × 100, each the mean of its wheels in km/h.

    Not known while the undriven wheels turn slower than `LEAST_UNDRIVEN`, as on a dyno they always do.
    """

    def __init__(self, driven: int) -> None:
        """`driven` wheels come first, the trigger among them; the rest are undriven."""
        self._driven = driven

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the slip, or why there is none."""
        undriven = others[self._driven - 1 :]
        if not why and sum(undriven) < LEAST_UNDRIVEN * len(undriven):
            return NAN, UNKNOWN
        return super().one(t, value, why, others)

    def formula(self, value: float, *others: float) -> float:
        """Return % from the speeds of all wheels."""
        wheels = (value, *others)
        driven = sum(wheels[: self._driven]) / self._driven
        undriven = sum(wheels[self._driven :]) / (len(wheels) - self._driven)
        return (driven - undriven) / undriven * 100.0


class BarometricLatch(Operator):
    """Barometric pressure (kPa absolute) as the manifold sensor last said it before the engine was started.

    Triggered by manifold pressure; the other is engine speed (rpm). While the engine is known to stand, and the
    manifold is steady for a second and as high as air can be, the middle of that second is taken, and kept. Before the
    first such second it is not known; a usual figure never takes its place.
    """

    def __init__(self) -> None:
        self._kept: float | None = None
        self._since: int | None = None
        self._low = self._high = 0.0

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return what was kept, whatever the manifold sensor says now."""
        if why or others[0] != STANDS or not LATCH_LOW <= value <= LATCH_HIGH:
            self._since = None
        elif self._since is None:
            self._begin(t, value)
        else:
            self._low, self._high = min(self._low, value), max(self._high, value)
            if self._high - self._low > STEADY_KPA:
                self._begin(t, value)
            elif t - self._since >= STEADY_FOR:
                self._kept = (self._low + self._high) * 0.5
                self._begin(t, value)
        return (NAN, _NOT_READY) if self._kept is None else (self._kept, 0)

    def _begin(self, t: int, value: float) -> None:
        self._since, self._low, self._high = t, value, value

    def kept(self) -> float | None:
        """Return what is kept."""
        return self._kept

    def keep(self, value: float) -> None:
        """Take up what an earlier session kept, unless the engine's own stop has told better already."""
        if self._kept is None and LATCH_LOW <= value <= LATCH_HIGH:
            self._kept = value

    def carried(self) -> Any:
        """Return what is kept, and the second in hand."""
        return [self._kept, self._since, self._low, self._high]

    def carry(self, state: Any) -> None:
        """Take it up."""
        self._kept, self._since, self._low, self._high = state


class BarometricChange(Operator):
    """By how much (kPa) barometric pressure differs from what it was when the engine last ran; nought until it has.

    Triggered by barometric pressure; the other is engine speed. While the engine runs that is always nought, so a
    change that matters shows from the first latch at the next stop until the engine is started again.
    """

    def __init__(self) -> None:
        self._when_running: float | None = None

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - the protocol's
        """Return the size of the change."""
        if why:
            return NAN, why
        if others[0] > STANDS:
            self._when_running = value
        before = self._when_running
        return 0.0 if before is None else abs(value - before), 0

    def kept(self) -> float | None:
        """Return the pressure of the last run."""
        return self._when_running

    def keep(self, value: float) -> None:
        """Take up the pressure of a run in an earlier session, for a change since then is one too."""
        if self._when_running is None:
            self._when_running = value

    def carried(self) -> Any:
        """Return the pressure of the last run."""
        return self._when_running

    def carry(self, state: Any) -> None:
        """Take it up."""
        self._when_running = state
