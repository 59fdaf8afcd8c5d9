"""Distance on the ellipsoid between fixes, and along a track of them, where no gap is bridged unsaid.

The inverse geodesic problem on WGS84, which satellite receivers give positions in, is solved by geographiclib (C. F. F.
Karney, Algorithms for geodesics, J. Geodesy 87, 2013; good to some nanometres). A sphere would be up to 0.6 % off.

What limits a distance is the fixes, not the formula. Each fix of a standing receiver is some centimetres beside the one
before, and a sum of steps adds all of it up: sum only while the car moves. A distance integrated from the receiver's
speed is the better one over a few hundred metres.
"""

from __future__ import annotations

import math
from typing import Any, Final

from geographiclib.geodesic import Geodesic

_DISTANCE: Final = Geodesic.DISTANCE


def distance_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Return the length of the geodesic between two positions (degrees, north and east positive), in m.

    NaN if one of them is no position: not a number, or beyond 90 or 180 degrees.
    """
    if not (_is_position(lat1, lon1) and _is_position(lat2, lon2)):
        return math.nan
    found: float = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2, _DISTANCE)["s12"]
    return found


def _is_position(latitude: float, longitude: float) -> bool:
    return -90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0


class Track:
    """Adds up the steps between fixes since `begin`. Metres are known only as long as no fix has been missed.

    A step longer than `longest` (ns between two fixes) is a gap, as is a lost fix: nobody knows which way the car went.
    From then on `metres` is NaN until `begin`. `at_least` goes on, with the straight line in the gap's place: the car
    cannot have gone less far (but for the error of the fixes), and any distance further.
    """

    def __init__(self, longest: int) -> None:
        self.longest = longest
        self.begin()

    def begin(self) -> None:
        """Start anew from the next fix."""
        self.at_least = 0.0
        """Metres with straight lines in place of the gaps."""
        self.gaps = 0
        """How often the way between two fixes was not seen; a fix that is lost and not yet back counts."""
        self._last: tuple[int, float, float] | None = None
        self._lost = False

    @property
    def metres(self) -> float:
        """Metres since the first fix; NaN before it, and from the first gap on."""
        return math.nan if self._last is None or self.gaps else self.at_least

    def fix(self, t: int, latitude: float, longitude: float) -> float:
        """Take the fix of time `t` (ns, rising); return `metres`. What is no position is a lost fix."""
        if not _is_position(latitude, longitude):
            return self.lost()
        if self._last is not None:
            before, lat, lon = self._last
            if t - before > self.longest and not self._lost:
                self.gaps += 1
            self.at_least += distance_m(lat, lon, latitude, longitude)
        self._last = t, latitude, longitude
        self._lost = False
        return self.metres

    def lost(self) -> float:
        """Say that there is no fix now; return `metres`. Before the first fix nothing is lost."""
        if self._last is not None and not self._lost:
            self._lost = True
            self.gaps += 1
        return self.metres

    def carried(self) -> dict[str, Any]:
        """Return what is remembered, as plain JSON, for a checkpoint."""
        last = None if self._last is None else list(self._last)
        return {"at_least": self.at_least, "gaps": self.gaps, "last": last, "lost": self._lost}

    def carry(self, state: dict[str, Any]) -> None:
        """Take up what `carried` returned."""
        self.at_least, self.gaps, self._lost = state["at_least"], state["gaps"], state["lost"]
        last = state["last"]
        self._last = None if last is None else (last[0], last[1], last[2])
