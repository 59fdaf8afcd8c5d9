"""What the engine has to move: a dyno's roller or a car on a road, through a clutch, a gearbox and tyres."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from pullwatch_sim.engine import STEP_S

if TYPE_CHECKING:
    from pullwatch_sim.engine import Controls

RATIOS = (0.0, 3.36, 2.09, 1.47, 1.10, 0.87)
"""Gear 0 is neutral."""
FINAL_DRIVE = 3.94
TYRE_M = 0.305
EFFICIENCY = 0.93
ENGINE_INERTIA = 0.17
"""Crank, flywheel, clutch, kg m²."""
CLUTCH_NM = 520.0

RPM = 30.0 / math.pi
"""rad/s to rpm."""


def overall(gear: int) -> float:
    """Return the turns of the engine for one turn of the wheels."""
    return RATIOS[gear] * FINAL_DRIVE


def rpm_at(speed: float, gear: int) -> float:
    """Return the engine speed at a road or roller speed (m/s) with the clutch engaged."""
    return speed / TYRE_M * overall(gear) * RPM


class Load(Protocol):
    """What stands against the wheels."""

    @property
    def mass(self) -> float:
        """Kg that the wheels have to speed up."""
        ...

    @property
    def grip(self) -> float:
        """Largest force the tyres pass on, N."""
        ...

    def resistance(self, speed: float) -> float:
        """N against the motion at `speed` m/s."""
        ...


@dataclass(frozen=True, slots=True)
class Roller:
    """An inertia dyno: a roller that is as hard to speed up as `mass`, with an eddy brake for those who want it."""

    mass: float = 720.0
    eddy: float = 0.0
    """N per m/s of the eddy brake."""
    grip: float = 9_000.0

    def resistance(self, speed: float) -> float:
        """Return the drag of tyres on a drum, bearings, and the eddy brake."""
        return 130.0 + 1.2 * speed + self.eddy * speed


@dataclass(frozen=True, slots=True)
class Road:
    """A simple car on a level road without wind. Wheelspin is not modelled: the tyres pass on `grip` and no more."""

    mass: float = 1_300.0
    """Car with driver, and what its turning wheels add."""
    drag_area: float = 0.66
    """Cd·A, m²."""
    grip: float = 11_500.0

    def resistance(self, speed: float) -> float:
        """Return rolling resistance and air drag."""
        return 0.013 * self.mass * 9.81 + 0.5 * 1.2 * self.drag_area * speed * speed


class Driveline:
    """Clutch, gearbox and wheels between an engine and a load. Moves the engine's speed and the car's."""

    __slots__ = ("load", "locked", "speed")

    def __init__(self, load: Load) -> None:
        self.load = load
        self.speed = 0.0
        self.locked = False

    def step(self, rpm: float, torque: float, c: Controls) -> float:
        """Advance 1 ms with `torque` Nm at the flywheel; return the engine speed afterwards, rpm."""
        load = self.load
        speed = self.speed
        omega = rpm / RPM
        against = (load.resistance(speed) + c.brake * load.mass) if speed > 0.0 else 0.0
        if c.gear == 0 or c.clutch <= 0.0:
            self.locked = False
            omega += torque / ENGINE_INERTIA * STEP_S
            self.speed = max(speed + self._drive(c, 0.0) - against / load.mass * STEP_S, 0.0)
            return omega * RPM if omega > 0.0 else 0.0
        per = overall(c.gear) / TYRE_M
        if self.locked and c.clutch > 0.95:
            push = torque * per * (EFFICIENCY if torque > 0.0 else 1.0 / EFFICIENCY)
            force = min(push, load.grip) - against
            acceleration = force / (load.mass + ENGINE_INERTIA * per * per)
            self.speed = max(speed + acceleration * STEP_S + self._drive(c, acceleration), 0.0)
            return self.speed * per * RPM
        slip = omega - speed * per
        carried = min(CLUTCH_NM * c.clutch, load.grip / per)
        passed = math.copysign(carried, slip)
        omega += (torque - passed) / ENGINE_INERTIA * STEP_S
        change = (passed * per * EFFICIENCY - against) / load.mass * STEP_S
        self.speed = max(speed + change + self._drive(c, 0.0), 0.0)
        after = omega - self.speed * per
        self.locked = after * slip <= 0.0
        if self.locked:
            omega = self.speed * per
        return omega * RPM if omega > 0.0 else 0.0

    def _drive(self, c: Controls, acceleration: float) -> float:
        """Change of speed (m/s) by the roller's own drive in this step; it holds as well as it drives."""
        if c.hold_rpm <= 0.0 or c.gear == 0:
            return 0.0
        wanted = c.hold_rpm / RPM / overall(c.gear) * TYRE_M
        return min(max(wanted - self.speed, -9.0 * STEP_S), 9.0 * STEP_S) - min(acceleration, 9.0) * STEP_S
