"""What goes to the page: the newest session's picture as plain JSON, in words and numbers ready to be shown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.mirror import Mirror
from pullwatch.recording.session import latest
from pullwatch.watchdog.alarms import ACTIVE, STATE_WORDS, State
from pullwatch.watchdog.conditions import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.mirror import AlarmSeen, MarginSeen, Picture

LOOKS: Final = NS_PER_S
"""How often it is looked for a session that began later."""
POSITION: Final = frozenset({"latitude", "longitude", "course", "altitude"})
STREET_SPEED: Final = frozenset({"vehicle_speed", "roller_speed", "driveshaft_speed", "gear"}) | {
    f"wheel_speed_{wheel}" for wheel in ("fl", "fr", "rl", "rr")
}
"""What would tell how fast somebody drove: not shown on the page of a car on the street unless asked."""


class Room:
    """The session that began last in `root` (or the one `folder`), seen through a mirror.

    With `private` position and street speed are shown too.
    """

    def __init__(
        self,
        root: Path,
        folder: Path | None = None,
        *,
        steady: Callable[[], int],
        private: bool = False,
    ) -> None:
        self._root = root
        self._only = folder
        self._steady = steady
        self._private = private
        self._mirror: Mirror | None = None
        self._looked = -LOOKS
        self._trouble = ""

    @property
    def folder(self) -> Path | None:
        """The session looked at."""
        return None if self._mirror is None else self._mirror.folder

    @property
    def car(self) -> str:
        """The car of that session; empty while nothing of it is known."""
        plan = None if self._mirror is None else self._mirror.plan
        return "" if plan is None else plan.car.name

    def look(self) -> dict[str, Any]:
        """Take what is new and return how everything stands, as plain JSON."""
        steady = self._steady()
        if steady - self._looked >= LOOKS:
            self._looked = steady
            self._choose()
        if self._mirror is None:
            return {"session": "", "says": f"Nothing is recorded yet in {self._root}. Start: pullwatch watch SETUP"}
        try:
            self._mirror.poll()
            picture = self._mirror.picture()
        except (SessionError, OSError) as error:
            self._trouble = str(error)
            return {"session": self._mirror.folder.name, "says": self._trouble}
        if picture is None:
            return {"session": self._mirror.folder.name, "says": "Waiting for the first judged moment."}
        return told(picture, private=self._private)

    def _choose(self) -> None:
        newest = self._only or latest(self._root)
        if newest is not None and (self._mirror is None or self._mirror.folder != newest):
            self._mirror = Mirror(newest)


def told(picture: Picture, *, private: bool = False) -> dict[str, Any]:
    """Return a picture as plain JSON for the page. Position and street speed stay out unless `private` is asked for."""
    hidden = set() if private else POSITION | (STREET_SPEED if picture.profile == "street" else frozenset())
    return {
        "session": picture.session,
        "car": picture.car,
        "profile": picture.profile,
        "standing": standing(picture),
        "age_ms": None if picture.age is None else picture.age // NS_PER_MS,
        "time_ms": picture.now // NS_PER_MS,
        "wall_ms": picture.wall // NS_PER_MS,
        "ended": picture.ended,
        "origin": picture.origin,
        "gap": picture.gap,
        "alarms": [_alarm(one) for one in picture.alarms],
        "margins": [_margin(one) for one in picture.margins if one.channel not in hidden],
        "channels": [
            {
                "name": one.name,
                "shown": one.shown,
                "known": one.value is not None,
                "age_ms": None if one.age is None else one.age // NS_PER_MS,
            }
            for one in picture.channels
            if one.name not in hidden
        ],
        "news": [{"time_ms": one.t // NS_PER_MS, "words": one.words} for one in picture.news[-5:]],
    }


def standing(picture: Picture) -> str:
    """Return what kind of thing is looked at: `live`, `gone`, or `recording` (not live, whatever its age)."""
    if picture.origin or not picture.live:
        return "recording"
    return "gone" if picture.gone else "live"


def _alarm(one: AlarmSeen) -> dict[str, Any]:
    reading = f"{one.value} (limit {one.limit})" if one.value and one.limit else one.value
    return {
        "rule": one.rule,
        "priority": one.priority.name.lower(),
        "state": STATE_WORDS[one.state],
        "active": one.state in ACTIVE,
        "asks": one.state in (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED),
        "says": one.says,
        "reading": reading,
        "since_ms": one.since // NS_PER_MS,
        "first_out": one.first_out,
    }


def _margin(one: MarginSeen) -> dict[str, Any]:
    return {
        "rule": one.rule,
        "priority": one.priority.name.lower(),
        "channel": one.channel,
        "shown": one.shown,
        "share": one.share,
        "armed": one.gate is not Verdict.NO,
        "tripped": one.trip is Verdict.YES,
    }
