"""What the owner wrote down, as answers take it: changes, slips, weather, oil figures, notes. The logbook keeps it.

Wall times are ns since the Unix epoch. `uid` names a row of the logbook for ever.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.review.runs import Correction


@dataclass(frozen=True, slots=True)
class Changed:
    """One thing changed on the car: `item` of the pick list, what it was and is, in `unit` (texts; empty: not known).

    `speed` (rpm) and `pressure` (kPa absolute) say where in the map, [from, to]; None: everywhere.
    """

    uid: str
    at: int
    item: str
    now: str
    was: str = ""
    unit: str = ""
    speed: tuple[float, float] | None = None
    pressure: tuple[float, float] | None = None
    note: str = ""

    @property
    def where(self) -> str:
        """Say where in the map it is; empty: everywhere."""
        parts = []
        if self.speed is not None:
            parts.append(f"{self.speed[0]:,.0f} to {self.speed[1]:,.0f} rpm")
        if self.pressure is not None:
            parts.append(f"{self.pressure[0]:.0f} to {self.pressure[1]:.0f} kPa absolute")
        return ", ".join(parts)

    def line(self) -> str:
        """Say it in one line."""
        unit = f" {self.unit}" if self.unit else ""
        was = f"{self.was} to " if self.was else ""
        where = f" ({self.where})" if self.where else ""
        return f"{self.item.replace('_', ' ')}: {was}{self.now}{unit}{where}{f' - {self.note}' if self.note else ''}"


@dataclass(frozen=True, slots=True)
class Slip:
    """A time slip: `times` (s) and `speeds` (km/h) by point of the strip, `reaction` s or None.

    `session` and `run` say which pass it belongs to; empty and 0: not matched yet.
    """

    uid: str
    at: int
    times: Mapping[str, float]
    speeds: Mapping[str, float] = field(default_factory=dict)
    reaction: float | None = None
    session: str = ""
    run: int = 0
    note: str = ""

    def line(self) -> str:
        """Say it in one line."""
        parts = [f"{point} {seconds:.3f} s" for point, seconds in self.times.items()]
        parts += [f"{speed:.1f} km/h at {point}" for point, speed in self.speeds.items()]
        if self.reaction is not None:
            parts.insert(0, f"reaction {self.reaction:.3f} s")
        run = f" (run {self.run} of {self.session})" if self.run else " (not matched to a run)"
        return ", ".join(parts) + run


@dataclass(frozen=True, slots=True)
class Weather:
    """The air: `temperature` °C, `humidity` %, `pressure` hPa of `kind` "station" or "sea level"; None: not stated."""

    uid: str
    at: int
    temperature: float | None = None
    humidity: float | None = None
    pressure: float | None = None
    kind: str = ""
    altitude: float | None = None
    wind: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class OilReport:
    """A laboratory's figures of an oil sample: (value, unit) by name; `distance_km` the oil had run."""

    uid: str
    at: int
    figures: Mapping[str, tuple[float, str]]
    oil: str = ""
    distance_km: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Noted:
    """A note, or a photo by its path."""

    uid: str
    at: int
    text: str
    photo: str = ""
    session: str = ""
    run: int = 0


@dataclass(frozen=True, slots=True)
class Given:
    """All of it for one car, each in order of time, struck rows left out."""

    changes: tuple[Changed, ...] = ()
    slips: tuple[Slip, ...] = ()
    weather: tuple[Weather, ...] = ()
    oil: tuple[OilReport, ...] = ()
    notes: tuple[Noted, ...] = ()
    corrections: tuple[Correction, ...] = ()

    def slip_of(self, session: str, run: int) -> Slip | None:
        """Return the last slip of a run."""
        found = [slip for slip in self.slips if slip.session == session and slip.run == run]
        return found[-1] if found else None

    def changed_between(self, begin: int, end: int) -> tuple[Changed, ...]:
        """Return what was changed after `begin` up to `end` (wall ns)."""
        return tuple(one for one in self.changes if begin < one.at <= end)


NOTHING = Given()
"""Nothing was written down."""
