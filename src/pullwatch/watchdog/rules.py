"""Rules: what is watched, as the watchdog takes it. The setup file's rules are turned into these, in file order."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.watchdog.conditions import Condition, Leaf
    from pullwatch.watchdog.limits import Curve

DOSE_PER_UNIT_SECOND = 1_000_000 * 1_000_000_000
"""Doses are whole numbers of 10⁻⁶ of the unit × ns."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: `gate` (None: always armed) and `trip`, a run-up, and what is said.

    `on_delay` and `off_delay` are ns. `dose` (10⁻⁶ of the trip's unit × ns, 0: none) takes the place of the on-delay.
    The run-up must have met at least `at_least_samples` samples judged yes while armed.
    """

    number: int
    name: str
    trip: Leaf
    gate: Condition | None = None
    on_delay: int = 0
    dose: int = 0
    at_least_samples: int = 1
    off_delay: int = 500_000_000
    latch: bool = False
    priority: Priority = Priority.CAUTION
    group: str = "engine"
    says: str = ""
    trip_text: str = ""
    while_text: str = ""
    removed: bool = False
    """No longer in the setup: it can be raised no more, and is there for what it left standing."""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """All that judging needs: channels by number, curves by name, what blinds a channel, rules in file order."""

    channels: tuple[Channel, ...]
    rules: tuple[Rule, ...]
    curves: Mapping[str, Curve] = field(default_factory=dict)
    blinds: Mapping[int, Condition] = field(default_factory=dict)
    """Channel number to the condition during which that channel says nothing."""
    engine_speed: int | None = None
    """Number of the channel that delays follow, if there is one."""
