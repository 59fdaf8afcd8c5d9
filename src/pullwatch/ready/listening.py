"""Some seconds of the car: from the session being watched, through a mirror; else from the ports themselves."""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING, Final

from pullwatch.clock import SessionClock
from pullwatch.columns import to_samples
from pullwatch.mirror import Mirror
from pullwatch.ready.engine import Heard
from pullwatch.station import Station

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pullwatch.batch import Batch
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

LOOK_S: Final = 0.05


class Ear:
    """A sink that keeps every sample by channel name."""

    def __init__(self, plan: Plan) -> None:
        self._names = [channel.name for channel in plan.channels]
        self.samples: dict[str, list[tuple[int, float, int]]] = {}

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:  # noqa: ARG002 - samples alone are kept
        """Keep what a judged step brought."""
        for t, number, value, why in batch.samples if batch.samples is not None else to_samples(batch.columns or {}):
            self.samples.setdefault(self._names[number], []).append((t, value, why))

    def rules_are(self, rules: RuleSet) -> None:
        """Nothing to do: channels do not change."""

    def close(self) -> None:
        """Nothing is held."""


def from_session(folder: Path, seconds: float) -> tuple[Plan, Heard] | None:
    """Return the plan of a session being watched and its next seconds; None if nothing of it can be judged."""
    mirror = Mirror(folder)
    mirror.poll()
    if mirror.plan is None or mirror.path is None:
        return None
    ear = Ear(mirror.plan)
    begun = mirror.follower.now
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        time.sleep(LOOK_S)
        mirror.poll()
        for batch in mirror.batches:
            ear.take(batch, ())
    readings = mirror.path.watchdog.readings()
    return mirror.plan, Heard(ear.samples, readings, begun, mirror.follower.now)


def from_ports(plan: Plan, base: Path, seconds: float) -> Heard:
    """Open the ports as watching does, listen, and close them again. Nothing is recorded. Raises PullwatchError."""
    return asyncio.run(_listened(plan, base, seconds))


async def _listened(plan: Plan, base: Path, seconds: float) -> Heard:
    ear = Ear(plan)
    station = Station(plan, (ear,), clock=SessionClock(), base=base)
    asyncio.get_running_loop().call_later(seconds, station.stop, "heard enough")
    await station.run()
    watchdog = station.path.watchdog
    return Heard(ear.samples, watchdog.readings(), 0, watchdog.now)
