"""Is a pressure of a log gauge or absolute? Told by its unit, or proved by what it read at a stand or at idle.

With the key on and the engine off a manifold is open to the air: an absolute sensor reads the barometric pressure, a
gauge sensor 0. At idle the manifold is under vacuum: absolute reads well below the air and above 0, gauge below 0. A
pressure below 0 cannot be absolute. What none of this settles is asked, never guessed.

The bounds are common practice with no source; they are wide, and where two readings of a column fit, it is asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.channels import PSI_IN_KPA

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.exchange.survey import Seen

LEAST_ROWS: Final = 3
"""Rows of a state without which it proves nothing."""
AIR: Final = (68.0, 107.0)
"""kPa absolute of the air around, from high mountains to the highest of weather."""
NOTHING: Final = 6.0
"""kPa that a gauge sensor may be off when there is nothing to read."""
IDLE_ABSOLUTE: Final = (15.0, 80.0)
IDLE_GAUGE: Final = (-85.0, -12.0)
"""kPa in the manifold of an idling engine."""
MANIFOLD_ABSOLUTE: Final = (5.0, 450.0)
MANIFOLD_GAUGE: Final = (-100.0, 350.0)
LEAST_SWING: Final = 25.0
"""kPa by which the manifold pressure of a log with the engine running moves at least: else it is in another unit."""
NO_VACUUM: Final = 60.0
"""kPa absolute below which oil, fuel or coolant never are: a lower reading is gauge."""
FACTORS: Final[Mapping[str, float]] = {"kPa": 1.0, "bar": 100.0, "psi": PSI_IN_KPA, "mbar": 0.1}
"""kPa in one of each unit that is tried where none is written, the likeliest first (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read a column: the unit (as `FACTORS` has it), absolute or gauge, and the proof in words."""

    unit: str
    absolute: bool
    proof: str
    air: float = math.nan
    """kPa it read with the engine off, if it is absolute and was seen so."""


def manifold(column: Seen, units: tuple[str, ...]) -> list[Reading]:
    """Return the ways in which a manifold (or boost) pressure can be read: one, if it is proved."""
    return [way for unit in units for way in _manifold(column, unit)]


def _manifold(column: Seen, unit: str) -> Iterator[Reading]:
    factor = FACTORS[unit]
    low, high = (number * factor for number in column.usual)
    if math.isnan(low):
        return
    stood = column.stood.mean * factor if column.stood.count >= LEAST_ROWS else math.nan
    idled = column.idled.mean * factor if column.idled.count >= LEAST_ROWS else math.nan
    swings = high - low >= LEAST_SWING or (math.isnan(idled) and not math.isnan(stood))
    if not swings:
        return
    absolute = (
        MANIFOLD_ABSOLUTE[0] <= low
        and high <= MANIFOLD_ABSOLUTE[1]
        and (math.isnan(stood) or AIR[0] <= stood <= AIR[1])
        and (math.isnan(idled) or IDLE_ABSOLUTE[0] <= idled <= IDLE_ABSOLUTE[1])
    )
    clipped = column.below == 0 and abs(idled) < NOTHING
    gauge = (
        MANIFOLD_GAUGE[0] <= low
        and high <= MANIFOLD_GAUGE[1]
        and (math.isnan(stood) or abs(stood) <= NOTHING)
        and (math.isnan(idled) or IDLE_GAUGE[0] <= idled <= IDLE_GAUGE[1] or clipped)
    )
    if absolute:
        yield Reading(unit, absolute=True, proof=_proof(stood, idled, column, unit), air=stood)
    if gauge:
        yield Reading(unit, absolute=False, proof=_proof(stood, idled, column, unit))


def _proof(stood: float, idled: float, column: Seen, unit: str) -> str:
    parts = []
    if not math.isnan(stood):
        parts.append(f"it read {column.stood.mean:.4g} {unit} with the engine off")
    if not math.isnan(idled):
        parts.append(f"it read {column.idled.mean:.4g} {unit} at idle")
    if column.below and not parts:
        parts.append(f"it read down to {column.all.least:.4g} {unit}, and an absolute pressure is never below 0")
    return " and ".join(parts)


def other(column: Seen, units: tuple[str, ...]) -> list[Reading]:
    """Return the ways in which a pressure of oil, fuel, coolant or the like can be read: one, if it is proved."""
    out = []
    for unit in units:
        factor = FACTORS[unit]
        stood = column.stood.mean * factor if column.stood.count >= LEAST_ROWS else math.nan
        least = column.usual[0] * factor
        seen = f"it read {column.stood.mean:.4g} {unit} with the engine off"
        if abs(stood) <= 2 * NOTHING:
            out.append(Reading(unit, absolute=False, proof=seen))
        elif least < NO_VACUUM:
            proof = f"it read down to {column.usual[0]:.4g} {unit}, and absolute it is never below {NO_VACUUM:g} kPa"
            out.append(Reading(unit, absolute=False, proof=proof))
        elif AIR[0] <= stood <= AIR[1]:
            out.append(Reading(unit, absolute=True, proof=seen, air=stood))
        else:
            out += [Reading(unit, absolute=False, proof=""), Reading(unit, absolute=True, proof="")]
    return out
