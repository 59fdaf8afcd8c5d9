"""Channels that follow from others and that nobody fed: boost, injector duty, fuel differential pressure.

While watching they are made only where a rule names them. A review asks for them anyway, so they are made here by the
same formulas; a sample exists where its trigger has one, and is unknown where anything it rests on is.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import QUANTITIES, Channel
from pullwatch.columns import Column, Why
from pullwatch.review.table import Series

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

NOT_RULED: Final = -1
"""The number of a channel that no rule can name."""


def _boost(manifold: Floats, barometric: Floats) -> Floats:
    return manifold - barometric


def _duty(pulse_ms: Floats, rpm: Floats) -> Floats:
    """Return the share of 120,000/N ms, a four-stroke cycle, with one injection in each."""
    return pulse_ms * rpm / 1_200.0


def _differential(fuel: Floats, barometric: Floats, manifold: Floats) -> Floats:
    return fuel + barometric - manifold


MADE: Final[dict[str, tuple[tuple[str, ...], Callable[..., Floats]]]] = {
    "boost": (("manifold_pressure", "barometric_pressure"), _boost),
    "injector_duty": (("injector_pulse_width", "engine_speed"), _duty),
    "fuel_differential_pressure": (("fuel_pressure", "barometric_pressure", "manifold_pressure"), _differential),
}
"""What is made, from what (the trigger first), and how."""


def with_made(table: Table) -> Table:
    """Return the table with the channels that follow from those it has."""
    added = {
        name: _made(table, name, sources, formula)
        for name, (sources, formula) in MADE.items()
        if name not in table.series and all(source in table.series for source in sources)
    }
    return replace(table, series={**table.series, **added}) if added else table


def _made(table: Table, name: str, sources: tuple[str, ...], formula: Callable[..., Floats]) -> Series:
    trigger = table.series[sources[0]]
    kind = QUANTITIES[name]
    channel = Channel(
        NOT_RULED, name, kind.unit, kind.dimension, kind.low, kind.high, trigger.channel.stale_after,
        digits=kind.digits, says=kind.says,
    )  # fmt: skip
    own = np.where(trigger.why == 0, trigger.v, math.nan)
    value = formula(own, *(table.on(source, trigger.t) for source in sources[1:]))
    why = np.where(np.isfinite(value), 0, int(Why.SOURCE)).astype(np.uint8)
    why[(why == 0) & ((value < channel.low) | (value > channel.high))] = int(Why.IMPLAUSIBLE)
    return Series(channel, Column(trigger.t, value, why))
