"""The air: density, density altitude, and what the published power corrections make of it. Pure arithmetic.

Pressure here is what a barometer at that very place shows (station pressure), hPa; temperatures are °C. What weather
reports and airfields tell is mostly reduced to sea level: at 1,600 m that is 21 % more than the air there has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

ZERO_C: Final = 273.15
GAS_DRY: Final = 287.058
"""J/(kg K) of dry air ..."""
GAS_VAPOUR: Final = 461.495
"""... and of water vapour."""
INCH_OF_MERCURY: Final = 33.86389
"""hPa at 0 °C."""
FOOT: Final = 0.3048
_SEA: Final = 0.190263
_FALL: Final = 8.417286e-5


def station_pressure(sea_level: float, metres: float) -> float:
    """Return station pressure (hPa) of a sea-level pressure (hPa) at a height (m).

    Source: US National Weather Service, p = (QNH^0.190263 - 8.417286e-5 h)^(1/0.190263) (from memory).
    """
    inner = sea_level**_SEA - _FALL * metres
    return float(inner ** (1.0 / _SEA)) if inner > 0 else math.nan


def sea_level_pressure(station: float, metres: float) -> float:
    """Return the sea-level pressure (hPa) whose station pressure at a height (m) is `station` (hPa): the inverse."""
    return float((station**_SEA + _FALL * metres) ** (1.0 / _SEA))


def saturation_pressure(temperature: float) -> float:
    """Return the vapour pressure of saturated air, hPa: 6.1094 exp(17.625 T/(T + 243.04)) (Alduchov, Eskridge 1996)."""
    return 6.1094 * math.exp(17.625 * temperature / (temperature + 243.04))


def vapour_pressure(temperature: float, humidity: float) -> float:
    """Return the vapour pressure, hPa; `humidity` is relative, %."""
    return humidity / 100.0 * saturation_pressure(temperature)


def dew_point(temperature: float, humidity: float) -> float:
    """Return the dew point, °C: the inverse of `saturation_pressure`. `humidity` above 0, %."""
    gamma = math.log(vapour_pressure(temperature, humidity) / 6.1094)
    return 243.04 * gamma / (17.625 - gamma)


def density(temperature: float, station: float, humidity: float) -> float:
    """Return the density of moist air, kg/m³, as an ideal mixture of dry air and vapour."""
    kelvin, vapour = temperature + ZERO_C, vapour_pressure(temperature, humidity)
    return 100.0 * ((station - vapour) / (GAS_DRY * kelvin) + vapour / (GAS_VAPOUR * kelvin))


def density_altitude(temperature: float, station: float, humidity: float) -> float:
    """Return the density altitude, m.

    Source: US National Weather Service, h[ft] = 145366 (1 - (17.326 P[inHg]/Tv[°R])^0.235), the virtual temperature
    Tv = T/(1 - e/P (1 - 0.622)).
    """
    vapour = vapour_pressure(temperature, humidity)
    virtual = (temperature + ZERO_C) / (1.0 - vapour / station * (1.0 - 0.622)) * 1.8
    feet: float = 145_366.0 * (1.0 - (17.326 * station / INCH_OF_MERCURY / virtual) ** 0.235)
    return feet * FOOT


@dataclass(frozen=True, slots=True)
class Correction:
    """A published correction of power to standard air. `factor(temperature °C, station hPa, humidity %)`."""

    name: str
    source: str
    factor: Callable[[float, float, float], float]


def _dry(temperature: float, station: float, humidity: float) -> float:
    return station - vapour_pressure(temperature, humidity)


CORRECTIONS: Final = (
    Correction(
        "SAE J1349",
        "1.18 (990/Pd) sqrt((T + 273)/298) - 0.18, June 1990 form (text seen in part, rest from memory)",
        lambda t, p, rh: 1.18 * 990.0 / _dry(t, p, rh) * math.sqrt((t + 273.0) / 298.0) - 0.18,
    ),
    Correction(
        "ISO 1585",
        "(99/Pd)^1.2 (T/298)^0.6, UN R85 (text seen in part, rest from memory)",
        lambda t, p, rh: (990.0 / _dry(t, p, rh)) ** 1.2 * ((t + 273.0) / 298.0) ** 0.6,
    ),
    Correction(
        "DIN 70020",
        "(1013.25/P) sqrt(T/293) (text seen in part, rest from memory)",
        lambda t, p, _rh: 1013.25 / p * math.sqrt((t + 273.0) / 293.0),
    ),
)
"""All are made for engines that breathe the air as it is. An engine whose controller holds a manifold pressure gets the
same air in on any day, and these would add what was never missing."""
