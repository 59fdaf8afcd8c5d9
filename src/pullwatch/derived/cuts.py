"""`cut_active` where the controller does not send it: inferred from what it does, or not known.

An inferred cut makes lambda blind, so it must not be seen where there is none: each sign asks for more than noise is.
A sign that cannot be read leaves the answer open, unless another sign says yes: what is lost is never "no cut".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pullwatch.derived import NAN, UNKNOWN, Operator

if TYPE_CHECKING:
    from collections.abc import Sequence

NO_CUT: Final = 0.0
FUEL: Final = 1.0
IGNITION: Final = 2.0
THROTTLE: Final = 3.0

_MS: Final = 1_000_000

# Starting values, all of them common practice with no published source.
RUNS: Final = 400.0
"""rpm: below, the engine stands or is cranked, and there is nothing to cut."""
OPEN: Final = 60.0
"""% of throttle: limiters and cut shifts happen with the foot down."""
SHUT: Final = 5.0
OVERRUN_RPM: Final = 1_500.0
OVERRUN_KPA: Final = 45.0
NEAR_LIMIT: Final = 200.0
"""rpm below the limit from which on a limiter is looked for."""
SWING: Final = 20.0
"""rpm: less is noise, and no turn of the speed."""
CLIMB: Final = 40.0
"""rpm: an engine that gains as much within `TURNS_WITHIN` is not held by a limiter."""
TURNS: Final = 2
TURNS_WITHIN: Final = 400 * _MS
HELD_WITHIN: Final = 150.0
"""rpm about the launch limit."""
HELD_FOR: Final = 300 * _MS
AT_A_STAND: Final = 3.0
"""km/h."""
SLOWEST_SHIFT: Final = 10.0
"""km/h: below, the ratio of engine to road speed says nothing."""
STEADY: Final = 0.03
"""Share by which the ratio may wander while a gear is in ..."""
STEADY_FOR: Final = 300 * _MS
STEP: Final = 0.06
"""... and by which it must have fallen from there in a shift."""
SHIFT_WITHIN: Final = 500 * _MS
"""Longer no cut shift takes, and it is over ..."""
SETTLED_FOR: Final = 100 * _MS
"""... once the ratio is steady again for so long."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What a cut can be told by; None: not stated, and not looked for. Speeds in rpm, `dead_time` in ms.

    A limiter, a launch and a shift are told by their speed and what they cut (`FUEL`, `IGNITION`, `THROTTLE`).
    """

    dead_time: float | None = None
    overrun: bool = True
    limit: float | None = None
    limit_cuts: float = FUEL
    launch: float | None = None
    launch_cuts: float = IGNITION
    shift_cuts: float | None = None


def _all(*parts: bool | None) -> bool | None:
    """Return no as soon as one is no, yes if all are yes, else None: not known."""
    if False in parts:
        return False
    return None if None in parts else True


def _known(value: float) -> float | None:
    return None if value != value else value  # noqa: PLR0124 - the quickest test for NaN


class Cut(Operator):
    """0 no cut, 1 fuel, 2 ignition, 3 throttle; triggered by engine speed in rpm.

    Others, in this order, those only that its signs need: throttle (%), manifold pressure (kPa absolute, for the
    overrun), injector pulse width (ms, for the dead time), vehicle speed (km/h, for launch and shift).
    """

    def __init__(self, signs: Signs) -> None:
        self._signs = signs
        places = [
            ("throttle", True),
            ("manifold", signs.overrun),
            ("pulse", signs.dead_time is not None),
            ("road", signs.launch is not None or signs.shift_cuts is not None),
        ]
        self._place = {name: at for at, name in enumerate(name for name, used in places if used)}
        self._way = 0
        """Which way engine speed moves: 1 up, -1 down, 0 not known yet."""
        self._extreme = 0.0
        self._turns: list[int] = []
        """When it turned, the last times."""
        self._climbed: tuple[int, float] | None = None
        """When it had last gained enough to be free, and the least it has been since."""
        self._held: int | None = None
        """Since when engine speed is held at the launch limit."""
        self._ratio: tuple[int, float] | None = None
        """Since when the ratio of engine to road speed has been about this ..."""
        self._gear: tuple[int, float] | None = None
        """... and when it last was one for long enough to be a gear's."""

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the cut, or that it is not known."""
        if why:
            self._held = self._ratio = None
            return NAN, UNKNOWN
        signs = self._signs
        other = {name: _known(others[at]) for name, at in self._place.items()}
        throttle, road = other["throttle"], other.get("road")
        foot_down = None if throttle is None else throttle > OPEN
        found: list[tuple[float, bool | None]] = [(FUEL, self._fuel(value, other))]
        if signs.limit is not None:
            limited = self._limited(t, value)
            found.append((signs.limit_cuts, _all(value >= signs.limit - NEAR_LIMIT, limited, foot_down)))
        if signs.launch is not None:
            held = self._holding(t, value, signs.launch)
            stands = None if road is None else road < AT_A_STAND
            found.append((signs.launch_cuts, _all(held, stands, foot_down)))
        if signs.shift_cuts is not None:
            found.append((signs.shift_cuts, _all(self._shifting(t, value, road), foot_down)))
        if value < RUNS:
            return NO_CUT, 0
        for code, there in found:
            if there:
                return code, 0
        return (NAN, UNKNOWN) if any(there is None for _, there in found) else (NO_CUT, 0)

    def _fuel(self, speed: float, other: dict[str, float | None]) -> bool | None:
        """Whether no fuel is injected: by the pulse width, else as it is done on the overrun."""
        signs = self._signs
        pulse = other.get("pulse")
        if signs.dead_time is not None and pulse is not None:
            return pulse <= signs.dead_time
        if not signs.overrun:
            return None if signs.dead_time is not None else False
        throttle, manifold = other["throttle"], other["manifold"]
        return _all(
            speed > OVERRUN_RPM,
            None if throttle is None else throttle < SHUT,
            None if manifold is None else manifold < OVERRUN_KPA,
        )

    def _limited(self, t: int, speed: float) -> bool | None:
        """Whether engine speed turned back and forth a moment ago, by more than noise.

        A limiter in a tall gear swings it by less. An engine that neither turns so nor climbs may be held by one.
        """
        climbed = self._climbed
        if climbed is None or speed >= climbed[1] + CLIMB:
            climbed = (t, speed)
        elif speed < climbed[1]:
            climbed = (climbed[0], speed)
        self._climbed = climbed
        back = self._extreme - speed if self._way > 0 else speed - self._extreme
        if self._way == 0 or back >= SWING:
            if self._way:
                self._turns.append(t)
            self._way = -1 if self._way > 0 else 1
            self._extreme = speed
        elif back < 0:
            self._extreme = speed
        self._turns = [at for at in self._turns if t - at < TURNS_WITHIN]
        if len(self._turns) >= TURNS:
            return True
        return False if t - climbed[0] < TURNS_WITHIN else None

    def _holding(self, t: int, speed: float, limit: float) -> bool:
        """Whether engine speed has been held at the launch limit long enough."""
        if not limit - HELD_WITHIN <= speed <= limit + HELD_WITHIN:
            self._held = None
            return False
        self._held = t if self._held is None else self._held
        return t - self._held >= HELD_FOR

    def _shifting(self, t: int, speed: float, road: float | None) -> bool | None:
        """Whether the ratio of engine to road speed has just fallen from that of a gear."""
        if road is None or road < SLOWEST_SHIFT:
            self._ratio = self._gear = None
            return None if road is None else False
        ratio = speed / road
        steady = self._ratio
        if steady is None or not steady[1] * (1.0 - STEADY) <= ratio <= steady[1] * (1.0 + STEADY):
            steady = self._ratio = (t, ratio)
        elif t - steady[0] >= STEADY_FOR:
            self._gear = (t, steady[1])
        gear = self._gear
        if gear is None or t - steady[0] >= SETTLED_FOR:
            return False
        return ratio <= gear[1] * (1.0 - STEP) and t - gear[0] <= SHIFT_WITHIN

    def carried(self) -> Any:
        """Return all that is remembered."""
        return [self._way, self._extreme, self._turns, self._climbed, self._held, self._ratio, self._gear]

    def carry(self, state: Any) -> None:
        """Take it up."""
        self._way, self._extreme, self._turns, climbed, self._held, ratio, gear = state
        self._climbed = None if climbed is None else (climbed[0], climbed[1])
        self._ratio = None if ratio is None else (ratio[0], ratio[1])
        self._gear = None if gear is None else (gear[0], gear[1])
