"""The delay of every lambda sensor of a recorded session. It is put through the path again, as for a replay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.channels import Dimension
from pullwatch.clock import NS_PER_S
from pullwatch.columns import Column, join, to_columns
from pullwatch.lag.estimate import DEFAULT_OVER_SPEED, Lag, estimate
from pullwatch.lag.events import Commanded, events
from pullwatch.replaying import plan_of, replayed

if TYPE_CHECKING:
    from pullwatch.channels import Channel
    from pullwatch.columns import Columns
    from pullwatch.recording.reader import Session
    from pullwatch.setup import Plan

_ASKED: Final = ("cut_active", "injector_pulse_width", "lambda_target", "throttle", "engine_speed")
NO_CHANNEL: Final = (
    "no channel says when the mixture was changed: cut_active (the controller's own flag), injector_pulse_width or "
    "lambda_target is needed."
)
INFERRED: Final = (
    "cut_active is inferred here, and so says neither when the controller cut the fuel nor that it did: its own flag, "
    "injector_pulse_width or lambda_target is needed."
)


@dataclass(frozen=True, slots=True)
class Measured:
    """One lambda channel, with what its setup states (`channel.delay`), and what was found."""

    channel: Channel
    lag: Lag

    @property
    def stated(self) -> bool:
        """Whether the setup states a delay."""
        return not self.channel.delay.is_none


def measure(session: Session) -> list[Measured]:
    """Return what was found for every lambda sensor of a session, in order of channel number. Raises SessionError."""
    plan = plan_of(session)
    sensors = [
        channel
        for channel in plan.channels
        if channel.dimension is Dimension.LAMBDA and not channel.name.endswith("_target")
    ]
    numbers = {channel.name: channel.number for channel in plan.channels}
    inferred = {derived.channel for derived in plan.derived if not derived.amends}
    columns = _columns(
        session, plan, {sensor.number for sensor in sensors} | {numbers.get(name, -1) for name in _ASKED}
    )
    none = Column(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))

    def asked(name: str) -> Column | None:
        return columns.get(numbers[name]) if name in numbers else None

    commanded = Commanded(
        cut=None if "cut_active" in inferred else asked("cut_active"),
        pulse=asked("injector_pulse_width"),
        target=asked("lambda_target"),
        throttle=asked("throttle"),
        speed=asked("engine_speed"),
    )
    found = []
    for sensor in sensors:
        if commanded.cut is None and commanded.pulse is None and commanded.target is None:
            lag = Lag(why_not=INFERRED if "cut_active" in inferred else NO_CHANNEL)
        else:
            stated = not sensor.delay.is_none
            least, most = (bound / NS_PER_S for bound in sensor.delay.over_speed) if stated else DEFAULT_OVER_SPEED
            lag = estimate(columns.get(sensor.number, none), events(commanded), (least, most), sensor.high)
        found.append(Measured(sensor, lag))
    return found


def _columns(session: Session, plan: Plan, wanted: set[int]) -> Columns:
    """Return the columns of the wanted channels over the whole session."""
    parts = []
    for step in replayed(plan, session.blocks(join_ns=60 * NS_PER_S)):
        columns = step.batch.columns if step.batch.columns is not None else to_columns(step.batch.samples or [])
        parts.append({number: column for number, column in columns.items() if number in wanted and len(column)})
    return join(parts)
