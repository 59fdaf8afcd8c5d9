"""Everything that can be switched on: confounders (healthy, yet confusing) and faults. Both programs know this list."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch_sim.engine import Troubles

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

CONFOUNDERS: Final[Mapping[str, str]] = {
    "lambda_noise": "the lambda reading wanders by a few thousandths and carries noise",
    "lambda_offset": "the sensor reads up to 1 % off, the same all evening, which way the seed decides",
    "lambda_spikes": "now and then one single sample reads 0.15 lean: ignition noise on the cable",
    "heating_value": "while it heats, the lambda controller sends a number that looks like a mixture",
    "wall_film": "fuel wets the manifold: a short lean moment when pressure rises fast, rich when it falls",
    "manifold_pulsation": "manifold pressure carries the strokes of the cylinders, sampled without regard to them",
    "rail_pulsation": "fuel pressure carries the strokes of the injectors",
    "knock_noise": "single retards of up to 1.5 degrees under boost that mean nothing",
    "repeated_values": "throttle and pedal are measured at 20 Hz and repeated in a 100 Hz frame",
    "frame_jitter": "frames and lines leave up to 0.4 ms early or late",
    "usb_bundles": "the adapter hands over what it has every 16 ms only (the usual latency timer of serial chips)",
    "crank_brown_out": "while the starter turns, the supply dips and both adapters lose their connection for 0.4 s",
}

EVERYDAY: Final = frozenset(set(CONFOUNDERS) - {"usb_bundles", "crank_brown_out", "lambda_spikes", "lambda_offset"})
"""What is on when a scenario does not say otherwise."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault: where it works (`engine`, `sensor`, `can`, `lambda`, `gps`), what it does, default options."""

    where: str
    says: str
    options: Mapping[str, float | str] = field(default_factory=dict)


KINDS: Final[Mapping[str, Kind]] = {
    "fuel_pump_fade": Kind(
        "engine",
        "above a speed and under load the pump holds only part of the fuel differential pressure",
        {"falls": 0.20, "above_rpm": 5_200.0, "over_rpm": 250.0},
    ),
    "fuel_pump_weak": Kind("engine", "the pump gives only this share of its flow", {"share": 0.5}),
    "boost_leak": Kind("engine", "part of the boost leaks away: less pressure than the duty gives", {"share": 0.2}),
    "wastegate_stuck": Kind("engine", "the wastegate stays where this duty would put it", {"duty": 50.0}),
    "oil_pressure_low": Kind("engine", "oil pressure is only this part of what it should be", {"factor": 0.5}),
    "charging_lost": Kind("engine", "the alternator stops charging"),
    "knock_burst": Kind("sensor", "the controller takes this much timing out at once", {"degrees": 5.0}),
    "sensor_stuck": Kind("sensor", "a channel keeps the value it had when the fault began", {"channel": ""}),
    "sensor_noise": Kind("sensor", "a channel gains noise of this standard deviation", {"channel": "", "sigma": 1.0}),
    "sensor_value": Kind("sensor", "a channel reads this value (open or short circuit)", {"channel": "", "value": 0.0}),
    "frame_lost": Kind("can", "one message of the bus is no longer sent", {"message": ""}),
    "bus_silent": Kind("can", "nothing is sent on the bus"),
    "bus_garbage": Kind("can", "this share of the adapter's lines arrives damaged", {"share": 0.02}),
    "can_unplugged": Kind("can", "the CAN adapter loses its connection and gets it back"),
    "lambda_cable_off": Kind("lambda", "the lambda line falls silent while its connection stays"),
    "lambda_garbage": Kind("lambda", "this share of the lambda lines arrives damaged", {"share": 0.5}),
    "lambda_unplugged": Kind("lambda", "the lambda port loses its connection and gets it back"),
    "lambda_error": Kind("lambda", "the lambda controller reports its sensor in error"),
    "fix_lost": Kind("gps", "the satellite receiver sees no sky: a bridge, a tunnel, a roof"),
    "gps_garbage": Kind("gps", "this share of the satellite receiver's sentences arrives damaged", {"share": 0.1}),
    "gps_unplugged": Kind("gps", "the satellite receiver loses its connection and gets it back"),
}


@dataclass(frozen=True, slots=True)
class When:
    """A moment: while `stage` runs, engine speed above `rpm_above`, scenario time past `at_s`; then `after_s` later."""

    stage: str = ""
    rpm_above: float = 0.0
    at_s: float = 0.0
    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault as a scenario asks for it; `name` is its kind unless the scenario names it. No `stop`: to the end."""

    kind: str
    name: str
    start: When
    stop: When | None = None
    options: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Happening:
    """A fault as it happened: scenario seconds from and until."""

    kind: str
    name: str
    begin_s: float
    end_s: float
    options: Mapping[str, float | str]

    def number(self, option: str) -> float:
        """Return an option that is a number."""
        return float(self.options[option])

    def word(self, option: str) -> str:
        """Return an option that is a word."""
        return str(self.options[option])


class Watch:
    """Switches the faults of one run on and off as their moments come."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.waiting = list(faults)
        self.began: dict[str, float] = {}
        self._armed: dict[tuple[str, bool], float] = {}
        self._active: list[Fault] = []
        self._done: list[Happening] = []
        self.troubles = Troubles()

    def look(self, t: float, stage: str, rpm: float) -> None:
        """Take note of the present moment (scenario seconds, name of the stage, engine speed)."""
        changed = False
        for fault in list(self._active):
            if fault.stop is not None and self._due(fault, fault.stop, t, stage, rpm, begin=False):
                self._active.remove(fault)
                self._done.append(Happening(fault.kind, fault.name, self.began[fault.name], t, fault.options))
                changed = True
        for fault in list(self.waiting):
            if self._due(fault, fault.start, t, stage, rpm, begin=True):
                self.waiting.remove(fault)
                self._active.append(fault)
                self.began[fault.name] = t
                changed = True
        if changed:
            self.troubles = troubles_of(self._active)

    def _due(self, fault: Fault, when: When, t: float, stage: str, rpm: float, *, begin: bool) -> bool:
        key = (fault.name, begin)
        if key not in self._armed and (
            (not when.stage or when.stage == stage) and rpm >= when.rpm_above and t >= when.at_s
        ):
            self._armed[key] = t
        return key in self._armed and t >= self._armed[key] + when.after_s

    def happenings(self, end_s: float) -> list[Happening]:
        """All that happened in a run that ended at `end_s`, in order of time."""
        still = [Happening(f.kind, f.name, self.began[f.name], end_s, f.options) for f in self._active]
        return sorted([*self._done, *still], key=lambda happening: (happening.begin_s, happening.name))


def troubles_of(active: Iterable[Fault]) -> Troubles:
    """Return what the active faults do to the engine."""
    troubles = Troubles()
    for fault in active:
        option = {key: float(value) for key, value in fault.options.items() if not isinstance(value, str)}
        match fault.kind:
            case "fuel_pump_fade":
                troubles.pump_falls = option["falls"]
                troubles.pump_above_rpm = option["above_rpm"]
                troubles.pump_over_rpm = option["over_rpm"]
            case "fuel_pump_weak":
                troubles.pump_share = option["share"]
            case "boost_leak":
                troubles.boost_leak = option["share"]
            case "wastegate_stuck":
                troubles.wastegate_duty = option["duty"]
            case "oil_pressure_low":
                troubles.oil_factor = option["factor"]
            case "charging_lost":
                troubles.charging = False
            case _:
                pass
    return troubles
