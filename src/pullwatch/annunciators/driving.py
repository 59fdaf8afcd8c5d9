"""Where the driver is, from what the channels say: on a pass, lifted, or standing with the engine off.

What is not known falls on the careful side, which is another side for each question:

* *On a pass?* decides whether anything below critical may sound. Pressure above arming, a launch, or a foot down say
  yes. Pressure known to be below arming says no, and so does a car that is known to be slow or whose engine is known to
  stand; the pass is over once that was so for two seconds, which bridges a gear being changed. Not known: on a pass.
* *Lifted?* decides whether "Lift" may end while its alarm stands. Pressure alone says it, and only by being known to
  be below arming for half a second after it was above. Not known: not lifted, the signal goes on.
* *Standing?* decides whether somebody is there to be asked for an acknowledgement. An engine known to stand says yes,
  or a car known to stand whose controller is silent (the key is off); it must last ten seconds, and holds until
  something known says otherwise. Not known: nobody is there, and no driver is asked.

Everything is a function of the samples and their times: how they are cut into batches changes nothing.
"""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.columns import to_samples

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pullwatch.batch import Batch
    from pullwatch.channels import Channel
    from pullwatch.columns import Sample

ARMING: Final = 20.0
"""kPa above the air from which the engine is under boost, as in the ready rules (common practice, no source)."""
BELOW: Final = 10.0
"""kPa above the air below which it is not any more: arming less its hysteresis (common practice, no source)."""
LEAST_AIR, MOST_AIR = 70.0, 105.0
"""kPa absolute between which the air is, where nothing measures it: the believable range of barometric pressure."""
FOOT_DOWN: Final = 60.0
"""% of throttle or pedal that begin a pass before the boost is there (common practice, no source)."""
SLOW: Final = 20.0
"""km/h below which a car whose pressure is not known is on no pass (common practice, no source)."""
STANDS: Final = 5.0
"""km/h below which a car stands: a satellite receiver at rest says one or two (common practice, no source)."""
LIFTED_AFTER: Final = NS_PER_S // 2
"""How long pressure must be below arming before that is a lift."""
OVER_AFTER: Final = 2 * NS_PER_S
"""How long nothing may speak for a pass before it is over: longer than any change of gear (common practice)."""
STANDING_AFTER: Final = 10 * NS_PER_S
"""How long engine or car must stand before somebody is taken to be there (common practice, no source)."""

PRESSURES: Final = ("boost", "manifold_pressure")
ROLES: Final = (
    *PRESSURES,
    "barometric_pressure",
    "launch_active",
    "throttle",
    "pedal",
    "vehicle_speed",
    "engine_speed",
)
"""The channels that are looked at, where they are there."""


class Driving:
    """Follows one car, batch by batch. `channels` are all of the plan's; those of `ROLES` are looked at."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        self.has: Mapping[str, Channel] = {channel.name: channel for channel in channels if channel.name in ROLES}
        """The channels that are looked at, by name."""
        self.now = -1
        """Everything up to here (session ns) has been taken."""
        self._role = {channel.number: name for name, channel in self.has.items()}
        self._latest: dict[str, tuple[int, float]] = {}
        """What is known, by channel: until when (ns, exclusive) and what."""
        self._up: bool | None = None
        self._was_up = False
        self._down_since: int | None = None
        self._lift: int | None = None
        self._calm_since: int | None = None
        self._over: int | None = None
        self._still_since: int | None = None

    def take(self, batch: Batch) -> None:
        """Take the samples of a batch, up to and including its `now`."""
        for t, samples in groupby(self._mine(batch), key=lambda sample: sample[0]):
            self._expire(t)
            for sample in samples:
                self._put(sample)
            self._look(t)
        self._expire(batch.now + 1)
        self._settle(batch.now)
        self.now = batch.now

    @property
    def on_pass(self) -> bool:
        """Whether the car is, or may be, between launch and lift."""
        return self._over is None and not self.standing

    @property
    def over_at(self) -> int | None:
        """When the last pass was over (session ns); None: on one, or not known to be on none."""
        return self._over

    @property
    def lifted_at(self) -> int | None:
        """When the driver had lifted (session ns), None while not known to have, or under boost again."""
        held = self._down_since is not None and self.now >= self._down_since + LIFTED_AFTER
        return self._lift if held else None

    @property
    def standing(self) -> bool:
        """Whether the car stands with its engine off: somebody is there, or will come."""
        return self._still_since is not None and self.now >= self._still_since + STANDING_AFTER

    def _mine(self, batch: Batch) -> Iterable[Sample]:
        role = self._role
        if batch.samples is not None:
            return [sample for sample in batch.samples if sample[1] in role]
        columns = batch.columns or {}
        return to_samples({number: columns[number] for number in role if number in columns})

    def _put(self, sample: Sample) -> None:
        t, number, value, why = sample
        role = self._role[number]
        if why:
            self._latest.pop(role, None)
        else:
            self._latest[role] = (t + self.has[role].stale_after, value)

    def _expire(self, before: int) -> None:
        """Look again at every instant before `before` at which something stops being known."""
        while self._latest and (first := min(until for until, _ in self._latest.values())) < before:
            self._latest = {role: known for role, known in self._latest.items() if known[0] > first}
            self._look(first)

    def _known(self, role: str, t: int) -> float | None:
        until, value = self._latest.get(role, (t, 0.0))
        return value if until > t else None

    def _pressure(self, t: int) -> bool | None:
        """Say whether the engine is under boost; between the two limits it is what it was."""
        boost = self._known("boost", t)
        if boost is not None:
            least = most = boost
        else:
            manifold = self._known("manifold_pressure", t)
            if manifold is None:
                return None
            air = self._known("barometric_pressure", t)
            least, most = manifold - (MOST_AIR if air is None else air), manifold - (LEAST_AIR if air is None else air)
        if least > ARMING:
            return True
        return False if most < BELOW else self._up

    def _look(self, t: int) -> None:
        """Draw the conclusions of what is known at `t`."""
        self._settle(t)
        up = self._up = self._pressure(t)
        speed, engine = self._known("vehicle_speed", t), self._known("engine_speed", t)
        if up:
            self._was_up = True
            self._lift = None
        self._down_since = None if up is not False else t if self._down_since is None else self._down_since

        foot = max(self._known("throttle", t) or 0.0, self._known("pedal", t) or 0.0)
        stopped = engine is not None and engine <= 0.0
        if up or (self._known("launch_active", t) or 0.0) != 0.0 or (foot > FOOT_DOWN and not stopped):
            self._calm_since = self._over = None
        elif up is False or stopped or (speed is not None and speed < SLOW):
            self._calm_since = t if self._calm_since is None else self._calm_since
        else:
            self._calm_since = self._over = None

        moves = speed is not None and speed >= STANDS
        silent = "engine_speed" in self.has and engine is None
        if up or moves or (engine is not None and engine > 0.0):
            self._still_since = None
        elif self._still_since is None and (stopped or (silent and speed is not None)):
            self._still_since = t

    def _settle(self, t: int) -> None:
        """Note what has lasted long enough at `t`."""
        if self._was_up and self._down_since is not None and t >= self._down_since + LIFTED_AFTER:
            self._lift = self._down_since + LIFTED_AFTER
            self._was_up = False
        if self._over is None and self._calm_since is not None and t >= self._calm_since + OVER_AFTER:
            self._over = self._calm_since + OVER_AFTER


def signs(channels: Iterable[Channel]) -> str:
    """Say by which of these channels a pass is known."""
    has = {channel.name for channel in channels}
    named = [name for name in (*PRESSURES, "launch_active", "throttle", "pedal") if name in has]
    return f"a pass is known by {', '.join(named)}" if named else "no channel says when a pass begins"


def unknown(channels: Iterable[Channel]) -> list[str]:
    """Say what cannot be known from these channels, and what follows for whoever drives."""
    has = {channel.name for channel in channels if channel.name in ROLES}
    lines = []
    if not has.intersection(PRESSURES):
        lines.append('there is no pressure: no lift is known, and "Lift" sounds until its alarm ends.')
        if not has.intersection({"vehicle_speed", "engine_speed"}):
            lines.append("nothing says when a pass is over: nothing below critical will sound.")
    if "engine_speed" not in has:
        lines.append(
            "there is no engine speed: nobody is ever taken to stand by, and no sound waits to be acknowledged."
        )
    return lines
