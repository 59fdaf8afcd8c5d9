"""Sensors that are read as volts or ohms: what they measure, or which way their circuit is broken.

A broken wire pulls the input to one end of what it can show. There is no reading there, only a fault: `Window` says
which. Beyond the ends of a table there is no reading either; nothing is ever drawn on past what is known of a sensor.
"""

from __future__ import annotations

import abc
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import Column, Why
from pullwatch.derived import NAN, UNKNOWN, Operator
from pullwatch.derived.sensor_tables import Table, type_k_tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.derived import Floats, Whys

    Bools = NDArray[np.bool_]

_IMPLAUSIBLE: Final = int(Why.IMPLAUSIBLE)


@dataclass(frozen=True, slots=True)
class Window:
    """Between `low` and `high` (both ends in it) the circuit is whole; `below` and `above` say why it is not."""

    low: float
    high: float
    below: Why = Why.OPEN
    above: Why = Why.OPEN

    @classmethod
    def pulled(cls, low: float, high: float, *, up: bool) -> Window:
        """Return the window of an input that a resistor pulls up to its supply, or down to ground.

        A circuit that is open goes where it is pulled. At the other end it is shorted.
        """
        return cls(low, high, Why.SHORT, Why.OPEN) if up else cls(low, high, Why.OPEN, Why.SHORT)


class Sensor(Operator):
    """Reads a table at what is measured, unless the circuit is broken or that is beyond the table's ends."""

    def __init__(self, table: Table, window: Window, *, line: bool = False) -> None:
        """`line`: the table is one straight line, which has no ends but those of the window."""
        self._table = table
        self._low, self._high = window.low, window.high
        self._below, self._above = int(window.below), int(window.above)
        self._first, self._last = (-math.inf, math.inf) if line else (table.x[0], table.x[-1])

    @abc.abstractmethod
    def shown(self, value: float, others: Sequence[float]) -> float | None:
        """Return what the window is of, from the trigger's number and those of the others; None: not known."""

    @abc.abstractmethod
    def shown_all(self, value: Floats, others: Sequence[Floats]) -> tuple[Floats, Bools]:
        """Return the same for arrays of shape (n,), and where it is not known."""

    def looked_up(self, shown: float, others: Sequence[float]) -> float | None:  # noqa: ARG002 - what is shown is enough for most
        """Return where to look in the table; None: not known."""
        return shown

    def looked_up_all(self, shown: Floats, others: Sequence[Floats]) -> tuple[Floats, Bools]:  # noqa: ARG002 - same
        """Return the same for arrays of shape (n,), and where it is not known."""
        return shown, np.zeros(len(shown), dtype=np.bool_)

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int]:  # noqa: ARG002 - the protocol's
        """Return what is measured, or why that is not known."""
        if why:
            return NAN, why
        shown = self.shown(value, others)
        if shown is None:
            return NAN, UNKNOWN
        if shown < self._low:
            return NAN, self._below
        if shown > self._high:
            return NAN, self._above
        at = self.looked_up(shown, others)
        if at is None:
            return NAN, UNKNOWN
        if at < self._first or at > self._last:
            return NAN, _IMPLAUSIBLE
        return self._table.one(at), 0

    def many(self, t: NDArray[np.int64], value: Floats, why: Whys, others: Sequence[Floats]) -> Column:
        """Return what is measured, or why that is not known, for arrays of shape (n,)."""
        with np.errstate(all="ignore"):
            shown, unknown = self.shown_all(value, others)
            at, later_unknown = self.looked_up_all(shown, others)
            # The last to be said stands, so that these are in the order of `one` backwards.
            whys = np.zeros(len(value), dtype=np.uint8)
            whys[(at < self._first) | (at > self._last)] = _IMPLAUSIBLE
            whys[later_unknown] = UNKNOWN
            whys[shown > self._high] = self._above
            whys[shown < self._low] = self._below
            whys[unknown] = UNKNOWN
            whys = np.where(why != 0, why, whys).astype(np.uint8)
            values = np.where(whys == 0, self._table.many(at), NAN)
        return Column(t, values, whys)


class Direct(Sensor):
    """Volts, or ohms, as they are."""

    def shown(self, value: float, others: Sequence[float]) -> float | None:  # noqa: ARG002 - there are none
        """Return the number itself."""
        return value

    def shown_all(self, value: Floats, others: Sequence[Floats]) -> tuple[Floats, Bools]:  # noqa: ARG002 - same
        """Return the numbers themselves."""
        return value, np.zeros(len(value), dtype=np.bool_)


class ShareOfSupply(Sensor):
    """Volts as a share of the supply (0 to 1). `supply` is stated volts; None: it is the other channel.

    A supply that is not above 0 V is not known.
    """

    def __init__(self, table: Table, window: Window, *, supply: float | None = None, line: bool = False) -> None:
        super().__init__(table, window, line=line)
        self._supply = supply

    def shown(self, value: float, others: Sequence[float]) -> float | None:
        """Return the share."""
        supply = others[0] if self._supply is None else self._supply
        return value / supply if supply > 0 else None

    def shown_all(self, value: Floats, others: Sequence[Floats]) -> tuple[Floats, Bools]:
        """Return the shares."""
        supply = others[0] if self._supply is None else np.full(len(value), self._supply)
        return value / supply, ~(supply > 0)


class TypeK(Sensor):
    """A thermocouple of type K behind an amplifier: °C from the volts it shows, and from its cold junction's °C.

    mV = (volts − `offset`) × 1000 ÷ `gain`; the temperature is the one whose E(t) is mV + E(cold junction). Adding
    the cold junction's temperature itself would be wrong, for E(t) is no straight line. `cold_junction` is stated °C;
    None: it is the other channel. Source: NIST Monograph 175; error of the tables below 0.01 °C.
    """

    def __init__(self, gain: float, offset: float, window: Window, *, cold_junction: float | None = None) -> None:
        self._millivolts, inverse = type_k_tables()
        super().__init__(inverse, window)
        self._gain, self._offset = gain, offset
        self._coldest, self._hottest = self._millivolts.x[0], self._millivolts.x[-1]
        self._cold_junction = cold_junction

    def shown(self, value: float, others: Sequence[float]) -> float | None:  # noqa: ARG002 - the window is of the amplifier
        """Return the amplifier's volts."""
        return value

    def shown_all(self, value: Floats, others: Sequence[Floats]) -> tuple[Floats, Bools]:  # noqa: ARG002 - same
        """Return the amplifier's volts."""
        return value, np.zeros(len(value), dtype=np.bool_)

    def looked_up(self, shown: float, others: Sequence[float]) -> float | None:
        """Return the mV there would be if the cold junction were at 0 °C."""
        cold = others[0] if self._cold_junction is None else self._cold_junction
        if not self._coldest <= cold <= self._hottest:
            return None
        return (shown - self._offset) * 1000.0 / self._gain + self._millivolts.one(cold)

    def looked_up_all(self, shown: Floats, others: Sequence[Floats]) -> tuple[Floats, Bools]:
        """Return the same for arrays."""
        cold = others[0] if self._cold_junction is None else np.full(len(shown), self._cold_junction)
        at = (shown - self._offset) * 1000.0 / self._gain + self._millivolts.many(cold)
        return at, ~((self._coldest <= cold) & (cold <= self._hottest))
