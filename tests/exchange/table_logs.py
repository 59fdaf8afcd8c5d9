"""Invented logs of an invented car: key on, a start, idle, pulls. No program ever wrote a file like these."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

AIR = 98.6


@dataclass(slots=True)
class Log:
    """Columns by heading (unit in brackets), one row each `1 / hz` seconds; `digits` after the point by heading."""

    hz: float
    columns: dict[str, NDArray[np.float64]]
    digits: dict[str, int] = field(default_factory=dict)

    @property
    def t(self) -> NDArray[np.float64]:
        """Seconds."""
        return np.arange(len(next(iter(self.columns.values())))) / self.hz

    def only(self, *headings: str) -> Log:
        """Return some of the columns."""
        return Log(self.hz, {heading: self.columns[heading] for heading in headings}, self.digits)

    def renamed(self, names: Mapping[str, str]) -> Log:
        """Return the log with other headings."""
        digits = {names.get(heading, heading): count for heading, count in self.digits.items()}
        return Log(self.hz, {names.get(heading, heading): v for heading, v in self.columns.items()}, digits)

    def with_(self, **columns: NDArray[np.float64]) -> Log:
        """Return the log with columns replaced or added; in a name __ stands for a space."""
        return Log(self.hz, {**self.columns, **{k.replace("__", " "): v for k, v in columns.items()}}, self.digits)

    def text(self, separator: str = ",", time: str = "Time [s]") -> str:
        """Return it as a table."""
        lines = [separator.join((time, *self.columns))]
        digits = [self.digits.get(heading, 3) for heading in self.columns]
        for at, seconds in enumerate(self.t):
            cells = [
                "" if np.isnan(column[at]) else f"{column[at]:.{count}f}"
                for column, count in zip(self.columns.values(), digits, strict=True)
            ]
            lines.append(separator.join((f"{seconds:.3f}", *cells)))
        return "\n".join(lines) + "\n"

    def write(self, path: Path) -> Path:
        """Write it as a table with commas."""
        path.write_text(self.text())
        return path


RPM = "Engine Speed [rpm]"
MAP = "MAP [kPa]"
THR = "Throttle [%]"
AFR = "AFR"
OIL = "Oil Pressure [kPa]"
CLT = "Coolant Temp [°C]"
KR = "Knock Retard [deg]"


def evening(seconds: float = 40.0, hz: float = 50.0, *, pulls: Sequence[float] = (15.0,), off: float = 3.0) -> Log:
    """Return an evening: the engine off for `off` s, then idle, and a pull of 6 s at each of `pulls` (s)."""
    n = round(seconds * hz)
    t = np.arange(n) / hz
    rng = np.random.default_rng(11)
    share = np.zeros(n)
    for begin in pulls:
        share = np.maximum(share, np.clip(np.minimum((t - begin) / 5.0, (begin + 6.5 - t) / 0.5), 0, 1))
    cranked = np.clip((t - off) / 1.0, 0, 1)
    rpm = np.round(np.where(t <= off, 0, 900 * cranked + 5_300 * share + rng.normal(0, 4, n) * (cranked == 1)))
    pressure = AIR - (AIR - 36) * np.clip((t - off) / 0.6, 0, 1) + 165 * np.clip(3 * share, 0, 1)
    pressure += rng.normal(0, 0.5, n) * (t > off)
    boosted = pressure > 115
    mixture = np.where(boosted, 0.80, 1.0) + rng.normal(0, 0.004, n)
    slow = (np.arange(n) // 4) * 4
    oil = np.clip((t - off) / 0.5, 0, 1) * (180 + rpm / 15) + rng.normal(0, 0.8, n)
    return Log(
        hz,
        {
            RPM: rpm.astype(np.float64),
            MAP: pressure,
            THR: np.round(100 * share).astype(np.float64),
            AFR: mixture[slow] * 14.7,
            OIL: oil,
            CLT: np.round(82 + t / 30).astype(np.float64),
            KR: np.zeros(n),
        },
        {RPM: 0, MAP: 1, THR: 0, AFR: 2, OIL: 1, CLT: 0, KR: 1},
    )
