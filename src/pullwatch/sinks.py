"""Sinks: whoever is told what the path took and what changed. A sink must not wait, and counts what it drops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.batch import Batch
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet


class Sink(Protocol):
    """Told after every judged step. Recorder, annunciators and counters are one kind of thing."""

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:
        """Take one judged step. Must return at once; a sink that cannot keep up drops and counts."""

    def rules_are(self, rules: RuleSet) -> None:
        """Be told, before a step, that it is the first that rules changed while watching had a part in.

        Rules keep their numbers for as long as the session lasts; new ones come at the end.
        """

    def close(self) -> None:
        """Let go of everything held. Called once, after the last `take`."""


@dataclass(slots=True)
class Health:
    """What every part says of itself: last success (session ns, -1: never), last error, and its counts."""

    last_good: int = -1
    last_error: str = ""
    dropped: int = 0
    rejected: int = 0
