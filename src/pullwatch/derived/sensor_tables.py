"""Tables of what sensors say: thermistors by their published equations, thermocouple type K by ITS-90.

Logarithms and exponentials of binary floating point differ from one machine's library to the next, and with them the
verdict of a replay. So they are taken here only when a table is made, in decimal arithmetic of a fixed precision, whose
`exp` and `ln` are defined to be rounded correctly (General Decimal Arithmetic). A table is therefore a function of the
numbers in the setup alone: the same numbers give the same table, to the last bit, on every machine, and a recording
need hold no more than them. Between the points of a table there is + − × ÷ and comparison only.
"""

from __future__ import annotations

import bisect
import decimal
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

DIGITS: Final = decimal.Context(
    prec=34,
    rounding=decimal.ROUND_HALF_EVEN,
    Emin=-999_999,
    Emax=999_999,
    clamp=0,
    flags=[],
    traps=[decimal.InvalidOperation, decimal.DivisionByZero, decimal.Overflow],
)
"""Twice the digits of a float64, so that what is left of each rounding is far below its last bit."""

ZERO_CELSIUS: Final = Decimal("273.15")
"""K (definition of the Celsius temperature)."""
COLDEST, HOTTEST = -60.0, 250.0
"""°C: as far as a thermistor's table reaches (common practice, no source: what a thermistor on a car can have)."""
STEPS_PER_E: Final = 64
"""Points of a thermistor's table for each factor of e in ohms: a straight line between two of them is off by less than
0.005 °C; a test holds it against the equation."""
LOWEST_C, HIGHEST_C = -200, 1372
"""°C: as far as the table of thermocouple type K reaches, down from where the inverse functions of ITS-90 begin."""


@dataclass(frozen=True)
class Table:
    """Straight lines between points: `x` strictly rising, `y` at each; at least two. Raises ValueError otherwise.

    The end lines go on beyond the ends. Whoever asks says where that is no answer.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    slope: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if len(self.x) != len(self.y) or len(self.x) < 2 or not all(a < b for a, b in pairwise(self.x)):
            raise ValueError("a table needs two points or more, each further on than the one before")
        points = pairwise(zip(self.x, self.y, strict=True))
        object.__setattr__(self, "slope", tuple((d - b) / (c - a) for (a, b), (c, d) in points))
        object.__setattr__(self, "_x", np.array(self.x))
        object.__setattr__(self, "_y", np.array(self.y))
        object.__setattr__(self, "_slope", np.array(self.slope))

    _x: Floats = field(init=False, repr=False, compare=False)
    _y: Floats = field(init=False, repr=False, compare=False)
    _slope: Floats = field(init=False, repr=False, compare=False)

    def one(self, x: float) -> float:
        """Return y at x, NaN for NaN."""
        i = min(max(bisect.bisect_right(self.x, x) - 1, 0), len(self.slope) - 1)
        return self.y[i] + (x - self.x[i]) * self.slope[i]

    def many(self, x: Floats) -> Floats:
        """Return y at every x, shape (n,), bit for bit what `one` returns."""
        i = np.clip(self._x.searchsorted(x, side="right") - 1, 0, len(self.slope) - 1)
        found: Floats = self._y[i] + (x - self._x[i]) * self._slope[i]
        return found


Thermistor = tuple[Decimal, Decimal, Decimal]
"""A, B and C of 1/T = A + B ln R + C (ln R)³, T in K and R in ohms (Steinhart & Hart, Deep-Sea Research 15, 1968)."""


def steinhart_hart(a: float, b: float, c: float) -> Thermistor:
    """Return a thermistor by its published coefficients."""
    return Decimal(a), Decimal(b), Decimal(c)


def by_beta(r25: float, beta: float) -> Thermistor:
    """Return a thermistor by its ohms at 25 °C and its beta (K): 1/T = 1/298.15 + ln(R/R25)/beta."""
    with decimal.localcontext(DIGITS):
        b = 1 / Decimal(beta)
        return 1 / (25 + ZERO_CELSIUS) - b * Decimal(r25).ln(), b, Decimal(0)


def by_points(points: Sequence[tuple[float, float]]) -> Thermistor:
    """Return the thermistor that passes through three points (°C, ohms).

    Three equations that are linear in A, B and C, solved by divided differences. Raises ValueError, said to the person
    who wrote the points, if they are not of one thermistor.
    """
    (t1, r1), (t2, r2), (t3, r3) = sorted(points)
    if not (r1 > r2 > r3 > 0 and -273 < t1 < t2 < t3):
        raise ValueError("each is [°C, ohms]: the hotter must have the fewer ohms, and all must be above 0 ohms.")
    with decimal.localcontext(DIGITS):
        l1, l2, l3 = (Decimal(r).ln() for r in (r1, r2, r3))
        y1, y2, y3 = (1 / (Decimal(t) + ZERO_CELSIUS) for t in (t1, t2, t3))
        if l1 + l2 + l3 == 0:
            raise ValueError("no equation passes through these points.")
        u = (y2 - y1) / (l2 - l1)
        v = (y3 - y1) / (l3 - l1)
        c = (v - u) / (l3 - l2) / (l1 + l2 + l3)
        b = u - c * (l1 * l1 + l1 * l2 + l2 * l2)
        return y1 - (b + c * l1 * l1) * l1, b, c


@cache
def thermistor_points(thermistor: Thermistor) -> tuple[tuple[Decimal, float], ...]:
    """Return (ohms, °C) of a thermistor, the ohms rising, from `HOTTEST` to `COLDEST`.

    Raises ValueError, said to the person who wrote the coefficients, if they are those of no thermistor.
    """
    a, b, c = thermistor
    found: list[tuple[int, Decimal, float]] = []
    with decimal.localcontext(DIGITS):
        least, most = 1 / (Decimal(HOTTEST) + ZERO_CELSIUS), 1 / (Decimal(COLDEST) + ZERO_CELSIUS)
        ohms = Decimal(-3).exp()
        times = (Decimal(1) / STEPS_PER_E).exp()
        for step in range(-3 * STEPS_PER_E, 19 * STEPS_PER_E):
            log = Decimal(step) / STEPS_PER_E
            inverse = a + b * log + c * log * log * log
            if least <= inverse <= most:
                found.append((step, ohms, float(1 / inverse - ZERO_CELSIUS)))
            ohms *= times
    whole = all(second[0] == first[0] + 1 and second[2] < first[2] for first, second in pairwise(found))
    if not found or not whole or found[0][2] < HOTTEST - 25 or found[-1][2] > COLDEST + 25:
        raise ValueError(
            f"they are those of no thermistor: from {HOTTEST:g} °C to {COLDEST:g} °C the ohms do not rise all the way "
            "between 0.05 ohms and 170 megohms."
        )
    return tuple((ohms, celsius) for _, ohms, celsius in found)


def thermistor_by_ohms(thermistor: Thermistor) -> Table:
    """Return the table from ohms to °C. Raises ValueError as `thermistor_points`."""
    points = thermistor_points(thermistor)
    return Table(tuple(float(ohms) for ohms, _ in points), tuple(celsius for _, celsius in points))


def thermistor_by_share(thermistor: Thermistor, resistor: float, *, up: bool) -> Table:
    """Return the table from the share of the supply seen at a divider (0 to 1) to °C.

    `resistor` (ohms) goes from the supply to the sensor, whose other end is at ground (`up`), or from the sensor to
    ground: share = R / (R + resistor), or resistor / (R + resistor) (Ohm's law). Raises ValueError as
    `thermistor_points`, and if the divider says the same at any temperature.
    """
    points = thermistor_points(thermistor)
    with decimal.localcontext(DIGITS):
        other = Decimal(resistor)
        shares = [(float((ohms if up else other) / (ohms + other)), celsius) for ohms, celsius in points]
    shares.sort()
    if not all(first[0] < second[0] for first, second in pairwise(shares)):
        raise ValueError(f"with {resistor:g} ohms the divider cannot tell the temperatures of this thermistor apart.")
    return Table(tuple(share for share, _ in shares), tuple(celsius for _, celsius in shares))


# Reference function of type K, mV at °C against a junction at 0 °C. NIST Monograph 175 (1993) as in the ITS-90
# thermocouple database, NIST Standard Reference Database 60 (text seen in a secondary copy, thermocouple-its90 1.0.2).
_BELOW_ZERO: Final = (
    "0", "0.039450128025", "2.3622373598E-5", "-3.2858906784E-7", "-4.9904828777E-9", "-6.7509059173E-11",
    "-5.7410327428E-13", "-3.1088872894E-15", "-1.0451609365E-17", "-1.9889266878E-20", "-1.6322697486E-23",
)  # fmt: skip
_FROM_ZERO: Final = (
    "-0.017600413686", "0.038921204975", "1.8558770032E-5", "-9.9457592874E-8", "3.1840945719E-10",
    "-5.6072844889E-13", "5.6075059059E-16", "-3.2020720003E-19", "9.7151147152E-23", "-1.2104721275E-26",
)  # fmt: skip
_A0, _A1, _A2 = Decimal("0.1185976"), Decimal("-1.183432E-4"), Decimal("126.9686")


def type_k(celsius: Decimal | int) -> Decimal:
    """Return E(t) of type K in mV against a junction at 0 °C: a polynomial, and from 0 °C on a0 exp(a1 (t − a2)²)."""
    with decimal.localcontext(DIGITS):
        t = Decimal(celsius)
        total = Decimal(0)
        for coefficient in reversed(_BELOW_ZERO if t <= 0 else _FROM_ZERO):
            total = total * t + Decimal(coefficient)
        return total if t <= 0 else total + _A0 * (_A1 * (t - _A2) * (t - _A2)).exp()


@cache
def type_k_tables() -> tuple[Table, Table]:
    """Return the table from °C to mV and the one from mV to °C of type K.

    A point every 1 °C below zero and every 2 °C above it: a straight line between two is off by less than 0.005 °C.
    """
    at = [*range(LOWEST_C, 0), *range(0, HIGHEST_C + 1, 2)]
    celsius = tuple(float(t) for t in at)
    millivolts = tuple(float(type_k(t)) for t in at)
    return Table(celsius, millivolts), Table(millivolts, celsius)
