"""Channels that are a plain formula of others at one instant."""

from __future__ import annotations

from pullwatch.derived import Elementwise


class Boost(Elementwise):
    """Boost (gauge) = manifold pressure (absolute) − barometric pressure (absolute); all kPa."""

    def formula(self, value: float, *others: float) -> float:
        """Return kPa gauge from (manifold, barometric)."""
        return value - others[0]


class PressureRatio(Elementwise):
    """Pressure ratio over the compressor = manifold ÷ barometric, both absolute; losses before it are not in it."""

    def formula(self, value: float, *others: float) -> float:
        """Return the ratio from (manifold, barometric), kPa absolute."""
        return value / others[0]


class FuelDifferential(Elementwise):
    """What the injector sees: fuel (gauge) + barometric − manifold (both absolute); all kPa.

    Source: the injector sprays into the manifold, and a gauge sensor measures against the air around it.
    """

    def formula(self, value: float, *others: float) -> float:
        """Return kPa from (fuel, barometric, manifold)."""
        return value + others[0] - others[1]


class InjectorDuty(Elementwise):
    """Injector duty in % = pulse width [ms] × engine speed [rpm] × injections per cycle ÷ 1200.

    Source: the cycle of a four-stroke lasts 120,000 / N ms; duty is the share of it in which the injector is open.
    """

    def __init__(self, injections_per_cycle: float) -> None:
        self._injections = injections_per_cycle

    def formula(self, value: float, *others: float) -> float:
        """Return % from (pulse width in ms, engine speed in rpm)."""
        return value * others[0] * self._injections / 1200.0
