"""Switches: a channel of any feed that a person moves, bound to an act.

A press is what turns a switch from released to pressed; a switch is in either state once it was seen there, good and
without a break, for `settle` ns. So a contact that bounces is one press, a single wrong sample is none, and a switch
that is pressed when it is first heard, or heard again, is none either: nobody was seen to press it.

A press becomes an act like that of a key, and that act is the record. Nothing is derived from the channel when a
recording is read: an act is done once, by whoever watched, and a replay finds it where it stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullwatch.columns import to_samples

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.batch import Batch
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet


@dataclass(frozen=True, slots=True)
class Switch:
    """A switch on the channel numbered `channel`: pressed above `threshold` (`below`: beneath it).

    Times are ns: `settle` how long it must be seen in a state, `stale_after` how long a value of its channel is good.
    """

    channel: int
    threshold: float
    below: bool
    settle: int
    stale_after: int
    press: Callable[[], object]


class _Position:
    """Where one switch is, by its samples."""

    def __init__(self, switch: Switch) -> None:
        self.switch = switch
        self.settled: bool | None = None
        """Pressed or released; None: not known."""
        self._seen: bool | None = None
        self._since = 0
        self._until = 0
        """Until when the last sample is good."""

    def sample(self, t: int, value: float, why: int) -> None:
        """Take a sample; what was settled before it counts first."""
        self.at(t)
        switch = self.switch
        seen = None if why else (value < switch.threshold if switch.below else value > switch.threshold)
        if seen is not self._seen:
            self._seen = seen
            self._since = t
        self._until = t + switch.stale_after
        if seen is None:
            self.settled = None

    def at(self, now: int) -> None:
        """Let time pass up to `now`: settle, press, or forget a switch that is no longer heard."""
        seen = self._seen
        if seen is None:
            return
        if seen is not self.settled and min(now, self._until) - self._since >= self.switch.settle:
            pressed = seen and self.settled is False
            self.settled = seen
            if pressed:
                self.switch.press()
        if now > self._until:
            self._seen = self.settled = None


class Switches:
    """A sink that watches switches and does what they are bound to. It has no part in a replay."""

    def __init__(self, switches: Sequence[Switch]) -> None:
        self._positions = [_Position(switch) for switch in switches]
        self._channels = {position.switch.channel for position in self._positions}

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:  # noqa: ARG002 - alarms move no switch
        """Take one step's samples."""
        channels = self._channels
        samples = batch.samples
        if samples is None:
            columns = batch.columns or {}
            samples = to_samples({number: columns[number] for number in channels if number in columns})
        for t, channel, value, why in samples:
            if channel in channels:
                for position in self._positions:
                    if position.switch.channel == channel:
                        position.sample(t, value, why)
        for position in self._positions:
            position.at(batch.now)

    def rules_are(self, rules: RuleSet) -> None:
        """Rules changed while watching leave channels as they are."""

    def close(self) -> None:
        """Have nothing to let go of."""
