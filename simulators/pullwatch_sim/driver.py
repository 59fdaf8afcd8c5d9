"""The person at the wheel, stage by stage: each stage is a generator that moves the controls once a millisecond."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pullwatch_sim.engine import IDLE_RPM, NO_CUT, Controls, Engine
from pullwatch_sim.vehicle import Driveline, rpm_at

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

LEAN_FACTOR = 1.04
"""The person's own measure of lean: this much above the commanded lambda, under boost, nothing cut."""
BOOST_KPA = 20.0


@dataclass(slots=True)
class World:
    """Engine, driveline and hands of one run; `marks` says when something happened, in ms."""

    engine: Engine
    driveline: Driveline
    controls: Controls = field(default_factory=Controls)
    ms: int = 0
    stage: str = ""
    pedal_goal: float = 0.0
    marks: dict[str, int] = field(default_factory=dict)
    fault_began_s: dict[str, float] = field(default_factory=dict)
    lean_ms: int = 0

    def mark(self, what: str) -> None:
        """Remember that `what` happened now, if it is the first time."""
        self.marks.setdefault(what, self.ms)

    def feel(self) -> None:
        """Count for how long the mixture has been lean under boost."""
        engine = self.engine
        lean = (
            engine.cut == NO_CUT
            and engine.running
            and engine.manifold > engine.barometric + BOOST_KPA
            and engine.lambda_cylinder > LEAN_FACTOR * engine.target
        )
        self.lean_ms = self.lean_ms + 1 if lean else 0
        if self.lean_ms == 20:
            self.marks.setdefault(f"lean in {self.stage}", self.ms - 19)

    def move_pedal(self) -> None:
        """Bring the foot nearer to where it should be: a full press takes 0.1 s."""
        pedal = self.controls.pedal
        if pedal != self.pedal_goal:
            self.controls.pedal = pedal + min(max(self.pedal_goal - pedal, -1.0), 1.0)


def _number(options: Mapping[str, float | str], key: str) -> float:
    return float(options[key])


def _wait(world: World, seconds: float) -> Iterator[None]:
    end = world.ms + round(seconds * 1_000.0)
    while world.ms < end:
        yield


def off(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Key off: the engine stops, the bus falls silent."""
    c = world.controls
    world.pedal_goal, c.key, c.clutch, c.gear, c.brake = 0.0, False, 0.0, 0, 0.0
    yield from _wait(world, _number(o, "for_s"))


def key_on(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Key on, engine off: the lambda sensor heats, the manifold sits at barometric pressure."""
    world.controls.key = True
    yield from _wait(world, _number(o, "for_s"))


def start(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Turn the starter until the engine runs, then let it settle."""
    c = world.controls
    c.key = c.starter = True
    while not (world.engine.running and world.engine.rpm > 550.0):
        yield
    c.starter = False
    yield from _wait(world, _number(o, "for_s"))


def idle(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Idle out of gear; a roller that still turns is braked."""
    c = world.controls
    world.pedal_goal, c.gear, c.clutch = 0.0, 0, 0.0
    c.brake = 9.0
    yield from _wait(world, _number(o, "for_s"))
    c.brake = 0.0


def rev(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Hold a speed out of gear."""
    end = world.ms + round(_number(o, "for_s") * 1_000.0)
    while world.ms < end:
        world.pedal_goal = min(max(4.0 + 0.02 * (_number(o, "to_rpm") - world.engine.rpm), 0.0), 30.0)
        yield
    world.pedal_goal = 0.0


def _accelerate(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Full throttle until a speed is reached, or until the person lifts because something is wrong."""
    lean_ms = round(_number(o, "lift_when_lean_s") * 1_000.0)
    fault = str(o["lift_after_fault"])
    after_s = _number(o, "lift_after_s")
    world.pedal_goal = _number(o, "throttle")
    to_rpm = _number(o, "to_rpm")
    while world.engine.rpm < to_rpm:
        if lean_ms and world.lean_ms >= lean_ms:
            break
        if fault and fault in world.fault_began_s and world.ms >= 1_000.0 * (world.fault_began_s[fault] + after_s):
            break
        yield
    world.mark(f"end of {world.stage}")


def pull(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Pull on the roller: its drive brings the car to the starting speed in gear, then full throttle."""
    c = world.controls
    gear = int(_number(o, "gear"))
    from_rpm = _number(o, "from_rpm")
    c.gear, c.clutch, c.brake, c.hold_rpm, c.duty = gear, 0.0, 0.0, from_rpm, _number(o, "duty")
    while (turning := rpm_at(world.driveline.speed, gear)) < 0.98 * from_rpm:
        wanted = max(turning, IDLE_RPM)
        world.pedal_goal = min(max(3.0 + 0.02 * (wanted - world.engine.rpm), 0.0), 25.0)
        if turning > 1_500.0:
            c.clutch = min(c.clutch + 0.004, 1.0)
        yield
    c.clutch = 1.0
    world.pedal_goal = 9.0
    yield from _wait(world, _number(o, "hold_s"))
    c.hold_rpm = 0.0
    world.mark(f"start of {world.stage}")
    yield from _accelerate(world, o)
    world.pedal_goal = 0.0


def overrun(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Foot off, still in gear: the controller cuts the fuel."""
    world.pedal_goal = 0.0
    yield from _wait(world, _number(o, "for_s"))
    c = world.controls
    c.clutch, c.gear = 0.0, 0


def launch(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Full throttle against the launch limiter with the clutch down, then away in `gear` up to `to_rpm`."""
    c = world.controls
    c.gear, c.clutch, c.brake, c.duty, c.launch = int(_number(o, "gear")), 0.0, 0.0, _number(o, "duty"), True
    world.pedal_goal = 100.0
    yield from _wait(world, _number(o, "for_s"))
    world.mark(f"release of {world.stage}")
    c.launch = False
    while not world.driveline.locked:
        # The foot holds the engine near the launch speed until the wheels have caught up.
        c.clutch = min(max((world.engine.rpm - 3_000.0) / 1_200.0, 0.05), 0.9)
        if rpm_at(world.driveline.speed, c.gear) > 0.93 * world.engine.rpm:
            c.clutch = 1.0
        yield
    c.clutch = 1.0
    yield from _accelerate(world, o)


def shift(world: World, o: Mapping[str, float | str]) -> Iterator[None]:
    """Change up with the foot down: the controller cuts while the gear is changed; then on to `to_rpm`."""
    c = world.controls
    c.shift_cut = {"fuel": 1, "ignition": 2, "throttle": 3}[str(o["cut"])]
    yield from _wait(world, 0.03)
    c.clutch = 0.0
    yield from _wait(world, _number(o, "for_s") - 0.06)
    c.gear, c.clutch = int(_number(o, "gear")), 0.8
    yield from _wait(world, 0.03)
    c.shift_cut = NO_CUT
    c.duty = _number(o, "duty")
    while not world.driveline.locked:
        yield
    c.clutch = 1.0
    yield from _accelerate(world, o)


_LIFT: Mapping[str, float | str] = {"lift_when_lean_s": 0.0, "lift_after_fault": "", "lift_after_s": 0.0}
_FULL: Mapping[str, float | str] = {"throttle": 100.0, "duty": 35.0, **_LIFT}

STAGES: Mapping[str, tuple[Callable[[World, Mapping[str, float | str]], Iterator[None]], Mapping[str, float | str]]] = {
    "off": (off, {"for_s": 1.0}),
    "key_on": (key_on, {"for_s": 4.0}),
    "start": (start, {"for_s": 0.5}),
    "idle": (idle, {"for_s": 3.0}),
    "rev": (rev, {"to_rpm": 2_500.0, "for_s": 1.0}),
    "pull": (pull, {"gear": 4.0, "from_rpm": 2_000.0, "to_rpm": 6_500.0, "hold_s": 0.6, **_FULL}),
    "overrun": (overrun, {"for_s": 2.0}),
    "launch": (launch, {"gear": 1.0, "for_s": 2.0, "to_rpm": 6_300.0, **_FULL}),
    "shift": (shift, {"gear": 2.0, "cut": "fuel", "for_s": 0.16, "to_rpm": 6_300.0, **_FULL}),
}
"""Name of a stage, what it does, and its options with their defaults."""
