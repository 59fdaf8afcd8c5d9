"""A mean-value turbocharged four-cylinder engine with its controller: honest physics in small, in steps of 1 ms.

Pressures are kPa (absolute or gauge by name), temperatures °C where a name ends in `_c`, mass flows kg/s. The formulas
stand first and are plain functions, so that they can be checked against published figures by themselves.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from random import Random

    import numpy as np
    from numpy.typing import NDArray

Number = TypeVar("Number", float, "NDArray[np.float64]")
"""One value, or a column of them."""

STEP_S = 0.001
SLOW_EVERY = 10
"""Temperatures, oil, battery and the closed loop move every tenth step."""

GAS_CONSTANT = 287.05
"""Specific gas constant of dry air, J/(kg K) (ICAO Doc 7488, from memory)."""
ZERO_C = 273.15

DISPLACEMENT_L = 1.998
CYLINDERS = 4
IDLE_RPM = 900.0
SPRING_KPA = 55.0
"""Boost at wastegate duty 0: what the actuator's spring holds."""
DUTY_GAIN = 1.10
"""k in b = S/(1 - k d): duty takes pressure away from the actuator."""

STOICHIOMETRIC = 14.08
"""kg of air per kg of E10 (mass-weighted blend of 14.7 and 9.0; computed)."""
HEAT_PER_KG_AIR = 41.5e6 / STOICHIOMETRIC
"""J released per kg of air at lambda 1 (lower heating value of E10 about 41.5 MJ/kg, from memory)."""
FUEL_DENSITY = 747.0

BASE_FUEL_KPA = 300.0
"""Fuel differential pressure that the regulator holds; the controller takes it for granted and does not measure it."""
INJECTOR_BASE = 550e-6 / 60.0 * FUEL_DENSITY
"""kg/s of one injector held open at BASE_FUEL_KPA (550 cm³/min)."""
PUMP_L_PER_S = 0.075
"""Pump flow against no pressure; it falls in a straight line to nothing at PUMP_STALL_KPA."""
PUMP_STALL_KPA = 900.0

OIL_COEFFICIENT = 0.0215
OIL_EXPONENT = 0.90
RELIEF_KPA = 462.0

EXHAUST_L = 1.5
"""Volume from the exhaust valves to the lambda sensor."""
EXHAUST_KPA = 105.0

REV_LIMIT = 7_000.0
LAUNCH_LIMIT = 4_200.0

NO_CUT, FUEL_CUT, IGNITION_CUT, THROTTLE_CUT = 0, 1, 2, 3
"""What `cut_active` says."""


def airflow(ve: float, manifold_kpa: float, displacement_l: float, rpm: float, kelvin: float) -> float:
    """Air drawn in, kg/s: VE·p·V·N/(120·R·T), the speed-density form (Heywood, eq. 2.27 rearranged)."""
    return ve * manifold_kpa * displacement_l * rpm / (120.0 * GAS_CONSTANT * kelvin)


def boost_at_duty(duty: float) -> float:
    """Settled boost, kPa gauge, at a wastegate duty in 0..1: b = S/(1 - k d) (balance of forces on the actuator)."""
    return SPRING_KPA / (1.0 - DUTY_GAIN * duty)


def flow_at_pressure(flow: float, from_kpa: float, to_kpa: float) -> float:
    """Flow of an orifice at another pressure difference: it goes with the root (Bernoulli; ISO 5167 form)."""
    return flow * math.sqrt(max(to_kpa, 0.0) / from_kpa)


def injector_duty(pulse_ms: Number, rpm: Number, injections_per_cycle: int = 1) -> Number:
    """Share of the time the injector is held open, %: a four-stroke cycle takes 120,000/N ms."""
    return pulse_ms * rpm * injections_per_cycle / 1_200.0


def dead_time_ms(volts: float) -> float:
    """Time the injector takes to open, ms; longer on a weak battery (invented injector, usual size)."""
    return 0.95 + 0.12 * (14.0 - volts)


def compressor_out(kelvin: float, ratio: float, efficiency: float = 0.70) -> float:
    """Temperature behind the compressor, K: T·(1 + (PR^0.2857 - 1)/η) (Heywood eq. 6.42, for air)."""
    return kelvin * (1.0 + (math.pow(max(ratio, 1.0), 0.2857) - 1.0) / efficiency)


def _walther(celsius: float, viscosity: float) -> tuple[float, float]:
    return math.log10(celsius + ZERO_C), math.log10(math.log10(viscosity + 0.7))


_X40, _Y40 = _walther(40.0, 85.0)
_X100, _Y100 = _walther(100.0, 14.0)


def viscosity(celsius: float) -> float:
    """Kinematic viscosity of the oil, mm²/s: log log(viscosity + 0.7) = A - B·log T (Walther; ASTM D341, from memory).

    An invented oil of 85 mm²/s at 40 °C and 14 mm²/s at 100 °C.
    """
    y = _Y40 + (_Y100 - _Y40) * (math.log10(celsius + ZERO_C) - _X40) / (_X100 - _X40)
    return float(10.0 ** (10.0**y) - 0.7)


def settled_oil_pressure(rpm: float, celsius: float) -> float:
    """Oil pressure, kPa gauge: c·viscosity·Nⁿ until the relief valve opens, gently."""
    if rpm <= 0.0:
        return 0.0
    pumped = OIL_COEFFICIENT * viscosity(celsius) * rpm**OIL_EXPONENT
    relief = RELIEF_KPA + 0.005 * rpm
    return float((pumped**-8.0 + relief**-8.0) ** -0.125)


def cycle_delay(rpm: Number) -> Number:
    """Seconds from injection to the exhaust valve: 540 degrees of crank, 90/N."""
    return 90.0 / rpm


def transport_delay(volume_l: float, pressure_kpa: float, exhaust_kg_s: Number, kelvin: Number) -> Number:
    """Seconds of plug flow through the exhaust to the sensor: V·p/(ṁ·R·T)."""
    return volume_l * pressure_kpa / (exhaust_kg_s * GAS_CONSTANT * kelvin)


def friction_kpa(rpm: float) -> float:
    """Mean effective pressure of friction, kPa (Heywood eq. 13.6 for motored spark-ignition engines, from memory)."""
    thousands = rpm / 1_000.0
    return 97.0 + 15.0 * thousands + 5.0 * thousands * thousands


NM_PER_KPA = DISPLACEMENT_L / (4.0 * math.pi)
"""Torque of one kPa of mean effective pressure in a four-stroke engine."""


class Table:
    """Straight lines between points, held beyond them, looked up on a fine grid of `per` points per unit of x."""

    __slots__ = ("_cells", "_last", "_per")

    def __init__(self, at: tuple[float, ...], value: tuple[float, ...], per: float) -> None:
        self._per = per
        cells = []
        for k in range(int(at[-1] * per) + 1):
            x = k / per
            i = min(max(bisect_right(at, x) - 1, 0), len(at) - 2)
            share = min(max((x - at[i]) / (at[i + 1] - at[i]), 0.0), 1.0)
            cells.append(value[i] + share * (value[i + 1] - value[i]))
        self._cells = cells
        self._last = len(cells) - 1

    def __call__(self, x: float) -> float:
        """Return the value at x, to the nearest grid point below."""
        k = int(x * self._per)
        return self._cells[min(k, self._last)]


VE = Table(
    (0, 500, 900, 1_500, 2_000, 2_500, 3_000, 3_500, 4_000, 4_500, 5_000, 5_500, 6_000, 6_500, 7_000, 7_500),
    (0.70, 0.76, 0.80, 0.84, 0.87, 0.89, 0.91, 0.93, 0.95, 0.95, 0.945, 0.935, 0.915, 0.885, 0.845, 0.80),
    0.1,
)
"""Volumetric efficiency along engine speed, against the density in the manifold."""
LAMBDA_TARGET = Table(
    (0, 70, 85, 98, 110, 120, 140, 160, 200, 240),
    (1.0, 1.0, 0.95, 0.885, 0.865, 0.855, 0.835, 0.82, 0.805, 0.79),
    4.0,
)
"""Commanded lambda along manifold pressure, kPa absolute: richer with pressure."""
ADVANCE = Table(
    (0, 40, 80, 100, 140, 180, 220, 260),
    (34.0, 34.0, 28.0, 23.0, 17.0, 12.5, 9.0, 6.0),
    1.0,
)
"""Ignition advance along manifold pressure at 4,000 rpm, degrees before top dead centre."""


@dataclass(slots=True)
class Controls:
    """What the person (and the dyno's operator) does at this moment."""

    key: bool = False
    starter: bool = False
    pedal: float = 0.0
    clutch: float = 0.0
    """0 open ... 1 engaged."""
    gear: int = 0
    brake: float = 0.0
    """Deceleration asked of the brakes, m/s²."""
    launch: bool = False
    shift_cut: int = NO_CUT
    duty: float = 35.0
    hold_rpm: float = 0.0
    """The roller's own drive brings the car to this engine speed in this gear; 0: off."""


@dataclass(slots=True)
class Troubles:
    """What is wrong with the engine at this moment; the healthy engine has the defaults."""

    pump_share: float = 1.0
    """Share of its flow that the pump still gives."""
    pump_falls: float = 0.0
    """Share of the fuel differential pressure lost at full fault."""
    pump_above_rpm: float = 0.0
    pump_over_rpm: float = 1.0
    boost_leak: float = 0.0
    """Share of the boost that leaks away."""
    wastegate_duty: float = -1.0
    """Duty that the actuator is stuck at, whatever the controller sends; negative: not stuck."""
    oil_factor: float = 1.0
    charging: bool = True


@dataclass(slots=True)
class Engine:
    """State of the engine. `rpm` is moved by the driveline, everything else by `step`."""

    random: Random
    barometric: float = 98.9
    ambient_c: float = 21.0
    oil_c: float = 84.0
    coolant_c: float = 86.0
    fuelling_error: float = 0.003
    """How much leaner the mixture comes out than commanded when no loop corrects it."""
    wall_film: bool = True

    rpm: float = 0.0
    running: bool = False
    manifold: float = 0.0
    charge_kpa: float = 0.0
    throttle: float = 0.0
    differential: float = 0.0
    pulse_ms: float = 0.0
    target: float = 1.0
    air: float = 0.0
    fuel: float = 0.0
    lambda_cylinder: float = 10.0
    phi: float = 0.0
    """1/lambda as a sensor will see it: 0 is air; unburned mixture after an ignition cut reads lean."""
    cut: int = NO_CUT
    advance: float = 0.0
    torque: float = 0.0
    duty: float = 0.0
    boost_target: float = 0.0
    intake_c: float = 0.0
    egt_c: float = 0.0
    gas_c: float = 0.0
    oil_kpa: float = 0.0
    volts: float = 0.0
    trim: float = 0.0
    boost_scale: float = 1.0
    """Turbos repeat themselves to a fraction of a per cent from run to run."""

    _idle_air: float = 0.38
    _film: float = 0.0
    _held: int = 0
    _cut_ms: int = 0
    _flag: int = NO_CUT
    _flag_ms: int = 0
    _closed_ms: int = 0
    _overrun: bool = False
    _turned_ms: int = 0
    _ran_ms: int = 0
    _ripple: float = 0.0
    _pump_on: bool = False
    _seen: deque[float] = field(default_factory=lambda: deque([0.0] * 25, maxlen=25))

    def __post_init__(self) -> None:
        """Begin as a car that has stood a while: manifold at barometric pressure, temperatures as given."""
        self.manifold = self.barometric
        self.intake_c = self.ambient_c + 9.0
        self.egt_c = self.gas_c = 190.0
        self.volts = 12.5
        self.boost_target = self.barometric

    def step(self, c: Controls, trouble: Troubles) -> float:
        """Advance 1 ms and return the torque at the flywheel, Nm (the driveline then moves `rpm`)."""
        rpm = self.rpm
        if not c.key or rpm < 120.0:
            self.running = False
            self._turned_ms = self._ran_ms = 0
        elif self.running:
            self._ran_ms += 1
        else:
            self._turned_ms += 1
            self.running = c.starter and self._turned_ms > 450

        # Throttle by wire, and the air that passes it.
        throttle = self.throttle
        throttle += (c.pedal - throttle) * (STEP_S / 0.035)
        self.throttle = throttle
        opening = throttle * 0.01
        area = 0.30 * opening + 90.0 * opening**2.6
        if self.running:
            leak = self._idle_air + (IDLE_RPM - rpm) * 1.5e-4
            area += max(leak, 0.23e-3 * rpm)
        else:
            area += 0.40
        before = self.barometric + self.charge_kpa
        ratio = rpm * 0.001 / area
        settled = before / math.sqrt(1.0 + ratio * ratio)
        ve = VE(rpm)
        # Filling: a 4 l manifold emptied by the cylinders.
        rate = (ve * DISPLACEMENT_L * rpm / 120.0 + 3.0) / 4.0
        old = self.manifold
        manifold = old + (settled - old) * rate * STEP_S
        self.manifold = manifold
        air = airflow(ve, manifold, DISPLACEMENT_L, rpm, self.intake_c + ZERO_C)
        self.air = air

        self._boost(c, trouble, opening, air, rpm)
        burning = self._cuts(c, rpm)

        # Fuel: the controller meters for the pressure it expects; what flows follows the pressure there is.
        target = LAMBDA_TARGET(manifold)
        self.target = target
        fuel = 0.0
        lambda_cylinder = 10.0
        fuelled = self.running and burning != FUEL_CUT
        if fuelled:
            per_cycle = air * 120.0 / rpm / CYLINDERS
            open_ms = per_cycle / (target * STOICHIOMETRIC) * (1.0 + self.trim) / INJECTOR_BASE * 1_000.0
            dead = dead_time_ms(self.volts)
            self.pulse_ms = min(open_ms + dead, 120_000.0 / rpm)
            flow = INJECTOR_BASE * math.sqrt(self.differential / BASE_FUEL_KPA)
            fuel = CYLINDERS * flow * (self.pulse_ms - dead) * 0.001 * rpm / 120.0
            lambda_cylinder = air / (fuel * STOICHIOMETRIC + 1e-9) * (1.0 + self.fuelling_error)
            if self.wall_film:
                # Part of the fuel wets the wall when the pressure rises, and comes off again when it falls.
                slope = min(max((manifold - old) / (STEP_S * 400.0), -1.0), 1.0)
                self._film += (0.03 * slope - self._film) * (STEP_S / 0.10)
                lambda_cylinder *= 1.0 + self._film
        else:
            self.pulse_ms = 0.0
        self.fuel = fuel
        self.lambda_cylinder = lambda_cylinder
        if not fuelled:
            self.phi = 0.0
        else:
            self.phi = (0.72 if burning == IGNITION_CUT else 1.0) / lambda_cylinder
        self._rail(trouble, rpm, manifold, fuel)

        # Torque: what the air can burn, less friction, pumping and the belt.
        drag = friction_kpa(rpm) + max(self.barometric - manifold, 0.0)
        torque = -drag * NM_PER_KPA - 7.0 if rpm > 0.0 else 0.0
        self._spark(c, manifold, rpm)
        if fuelled and burning == NO_CUT:
            off = lambda_cylinder - 0.88
            efficiency = 0.355 * max(1.0 - 1.2 * off * off, 0.0)
            if c.launch:
                efficiency *= 0.55
            elif opening < 0.03 and rpm < 1_700.0:
                # Idle keeps torque in hand: late spark, advanced at once when the speed falls.
                efficiency *= min(max(0.56 + 0.0008 * (IDLE_RPM - rpm), 0.35), 0.85)
            torque += air * HEAT_PER_KG_AIR * efficiency / (rpm * 0.10471975511965977) + self._ripple
        if c.starter and rpm < 420.0:
            torque += 90.0 * (1.0 - rpm / 420.0)
        self.torque = torque
        return torque

    def _boost(self, c: Controls, trouble: Troubles, opening: float, air: float, rpm: float) -> None:
        """Charge pressure goes to what the wastegate allows or the exhaust can give, the less, with the spool's lag."""
        asked = c.duty if c.pedal > 50.0 and rpm > 1_800.0 and not c.launch else 0.0
        if asked != self.duty:
            self.duty = asked
            self.boost_target = self.barometric + (boost_at_duty(asked * 0.01) if asked > 0.0 else 0.0)
        if opening < 0.15 or rpm < 300.0:
            goal, lag = 0.0, 0.12
        else:
            there = trouble.wastegate_duty if trouble.wastegate_duty >= 0.0 else asked
            allowed = boost_at_duty(there * 0.01) * self.boost_scale * (1.0 - trouble.boost_leak)
            share = air / 0.155
            given = 240.0 * share * math.sqrt(share) * (0.30 if c.launch else 1.0)
            goal = min(given, allowed)
            slow = 2_500.0 / rpm
            lag = 0.12 + 0.26 * slow * slow
        self.charge_kpa += (goal - self.charge_kpa) * (STEP_S / lag)

    def _cuts(self, c: Controls, rpm: float) -> int:
        """Decide what is cut in this step; `cut` is the controller's flag, which a limiter holds between its cuts."""
        if self._cut_ms > 0:
            self._cut_ms -= 1
        else:
            self._held = NO_CUT
            if c.launch and rpm > LAUNCH_LIMIT:
                self._held, self._cut_ms = IGNITION_CUT, 40
            elif rpm > REV_LIMIT:
                self._held, self._cut_ms = FUEL_CUT, 40
        if self._held:
            self._flag, self._flag_ms = self._held, 120
        elif self._flag_ms > 0:
            self._flag_ms -= 1
        else:
            self._flag = NO_CUT
        if c.pedal < 1.5 and self.running:
            self._closed_ms += 1
            if self._closed_ms > 150 and rpm > 1_550.0:
                self._overrun = True
        else:
            self._closed_ms = 0
            self._overrun = False
        if rpm < 1_300.0:
            self._overrun = False
        burning = c.shift_cut or self._held or (FUEL_CUT if self._overrun else NO_CUT)
        self.cut = c.shift_cut or self._flag or (FUEL_CUT if self._overrun else NO_CUT)
        return burning

    def _spark(self, c: Controls, manifold: float, rpm: float) -> None:
        if c.launch:
            self.advance = -6.0
        elif self.throttle < 3.0 and rpm < 1_700.0:
            self.advance = 11.0 + 0.02 * (IDLE_RPM - rpm)
        else:
            self.advance = ADVANCE(manifold) + 0.0012 * (rpm - 4_000.0)

    def _rail(self, trouble: Troubles, rpm: float, manifold: float, fuel: float) -> None:
        """Fuel differential pressure: the regulator's, unless the pump cannot keep it up."""
        if self.volts < 6.0 or not self._pump_on:
            held = 0.0
        else:
            # Where the pump's straight line meets the injectors' root: a·x² + b·x = c, x the root of the pressure.
            demand = fuel / FUEL_DENSITY * 1_000.0
            most = PUMP_L_PER_S * trouble.pump_share
            a = most / PUMP_STALL_KPA
            b = demand / math.sqrt(max(self.differential, 1.0))
            c = most - a * (manifold - self.barometric)
            root = (math.sqrt(b * b + 4.0 * a * c) - b) / (2.0 * a)
            held = min(root * root, BASE_FUEL_KPA)
            if trouble.pump_falls > 0.0 and demand > 0.010:
                share = (rpm - trouble.pump_above_rpm) / trouble.pump_over_rpm
                faded = BASE_FUEL_KPA * (1.0 - trouble.pump_falls * min(max(share, 0.0), 1.0))
                held = min(held, faded)
        lag = 0.030 if held > 0.0 else 8.0
        self.differential += (held - self.differential) * (STEP_S / lag)

    def slow_step(self, c: Controls, trouble: Troubles) -> None:
        """Advance what is slow by 10 ms: temperatures, oil, battery, idle air, the closed loop."""
        dt = STEP_S * SLOW_EVERY
        rpm, air, running = self.rpm, self.air, self.running
        self._pump_on = c.key
        kilowatts = max(self.torque, 0.0) * rpm * 1.0472e-4
        self.oil_c += (84.0 + 0.22 * kilowatts + 0.0009 * rpm - self.oil_c) * (dt / 70.0 if running else 0.0)
        self.coolant_c += (87.0 + 0.05 * kilowatts - self.coolant_c) * (dt / 40.0 if running else 0.0)
        behind = compressor_out(self.ambient_c + ZERO_C, 1.0 + self.charge_kpa / self.barometric) - ZERO_C
        cooled = behind - 0.75 * (behind - self.ambient_c) + 9.0 * math.exp(-air / 0.02)
        self.intake_c += (cooled - self.intake_c) * (dt / (1.2 if air > 0.02 else 20.0))
        if not running or self.phi == 0.0:
            self.gas_c = 160.0
        else:
            load = air / 0.16
            self.gas_c = 420.0 + 395.0 * min(load, 1.3) ** 0.6 + 250.0 * (min(self.lambda_cylinder, 1.0) - 0.81)
            self.gas_c += 120.0 if c.launch else 0.0
        self.egt_c += (self.gas_c - self.egt_c) * (dt / (1.0 if running else 60.0))
        self.oil_kpa += (settled_oil_pressure(rpm, self.oil_c) * trouble.oil_factor - self.oil_kpa) * (dt / 0.20)
        if c.starter and rpm < 500.0:
            volts = 9.6 + 0.002 * rpm
        elif running:
            volts = 14.1 if trouble.charging else 12.2
        else:
            volts = 12.4
        self.volts += (volts - self.volts) * (dt / (0.05 if c.starter else 0.3))
        if running:
            self._ripple = 0.8 * self._ripple + self.random.gauss(0.0, 0.9)
            if c.pedal < 2.0 and rpm < 2_500.0:
                self._idle_air = min(max(self._idle_air + (IDLE_RPM - rpm) * 5.0e-6, 0.26), 0.60)
            self._close_loop(c, dt)

    def _close_loop(self, c: Controls, dt: float) -> None:
        """Trim towards the target on the controller's own late sensor, at light load only."""
        late = self._seen[0]
        self._seen.append(self.phi)
        if self.manifold < 80.0 and self.cut == NO_CUT and self._ran_ms > 2_000 and late > 0.5 and c.pedal < 40.0:
            self.trim += 0.4 * (1.0 / late - self.target) * dt
            self.trim = min(max(self.trim, -0.12), 0.12)
        elif self.manifold > 85.0:
            self.trim = 0.0
