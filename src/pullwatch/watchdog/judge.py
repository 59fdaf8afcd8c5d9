"""The watchdog: batches in, changes out. Two ways of judging, one meaning (DEVELOPERS.md, "How it is judged")."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from pullwatch.batch import ACTS_FEED
from pullwatch.columns import to_columns, to_samples
from pullwatch.watchdog.acts import read_acts
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.armed import GOOD, LONG_AGO, Armed
from pullwatch.watchdog.columnwise import ColumnJudge
from pullwatch.watchdog.conditions import Verdict
from pullwatch.watchdog.firstout import Changes, FirstOut
from pullwatch.watchdog.runup import NEVER
from pullwatch.watchdog.stepping import Stepper

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.batch import Batch
    from pullwatch.columns import Columns, Sample
    from pullwatch.watchdog.acts import Act
    from pullwatch.watchdog.alarms import Change, State
    from pullwatch.watchdog.rules import RuleSet

Way: TypeAlias = Literal["auto", "stepping", "columns"]

FEW_SAMPLES = 4_000
"""Below this many samples in a batch stepping is the cheaper way (tests/benchmarks/test_judging.py)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """How a rule stands: the verdicts of trip and gate, and the left value and limit last held against each other.

    Value and limit are in the unit of the trip's channel, NaN before there were any. They are those of now only while
    `trip` is yes or no.
    """

    trip: Verdict
    gate: Verdict
    value: float
    limit: float


class Watchdog:
    """Puts every batch through the ring and the rules, live or replayed alike.

    Any split of the records into batches and any `now` between them gives the same changes, whichever way is taken.
    Raises ExpressionError when the rule set cannot be armed.
    """

    def __init__(self, rules: RuleSet, *, way: Way = "auto") -> None:
        self.rules = rules
        self.way: Way = way
        self._armed = Armed(rules)
        self._stepper = Stepper(self._armed)
        self._columns = ColumnJudge(self._armed)
        self._first_out = FirstOut(rules)
        self._looks_back = any(self._armed.deep)

    @property
    def now(self) -> int:
        """The last instant judged (session ns), -1 before the first."""
        return self._armed.now

    @property
    def next_due(self) -> int | None:
        """When judging must happen if nothing comes: never too late, sometimes too early. None: nothing is pending."""
        deadline = self._stepper.next_deadline
        return None if deadline == NEVER else deadline

    def judge(self, batch: Batch) -> list[Change]:
        """Judge everything up to and including `batch.now` and return the changes in order.

        Raises ValueError when `batch.now` or a sample lies before what was judged already.
        """
        armed = self._armed
        if batch.now < armed.now:
            raise ValueError(f"a batch up to {batch.now} ns cannot follow one up to {armed.now} ns")
        acts = read_acts((r for r in batch.records if r.feed == ACTS_FEED), armed.by_name) if batch.records else []
        out = Changes()
        few = (
            batch.samples is not None and len(batch.samples) <= FEW_SAMPLES
            if self.way == "auto"
            else self.way == "stepping"
        )
        if few:
            samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
            self._step(samples, acts, batch.now, out)
        else:
            columns = batch.columns if batch.columns is not None else to_columns(batch.samples or [])
            self._column(columns, acts, batch.now, out)
        armed.ring.trim(batch.now)
        return self._first_out.mark(out.made) if out.made else out.made

    def _step(self, samples: Sequence[Sample], acts: Sequence[Act], now: int, out: Changes) -> None:
        deep = self._armed.deep
        if self._looks_back:
            append = self._armed.ring.append
            for t, channel, v, why in samples:
                if deep[channel]:
                    append(channel, t, v, why)
        self._stepper.judge(samples, acts, now, out)

    def _column(self, columns: Columns, acts: Sequence[Act], now: int, out: Changes) -> None:
        for channel, column in columns.items():
            if self._armed.deep[channel]:
                self._armed.ring.extend(channel, column)
        self._stepper.settle_values()
        self._columns.judge(columns, acts, now, out)
        self._stepper.resume()

    def states(self) -> list[State]:
        """Return the state of every rule's alarm, in file order."""
        return [rule.runup.state for rule in self._armed.armed]

    def readings(self) -> list[Reading]:
        """Return how every rule's trip and gate stand just now, in file order."""
        self._stepper.settle_values()
        return [
            Reading(
                Verdict(armed.trip.verdict),
                Verdict.YES if armed.gate is None else Verdict(armed.gate.verdict),
                armed.trip.value,
                armed.trip.limit,
            )
            for armed in self._armed.armed
        ]

    def known(self, channel: int) -> bool:
        """Whether a channel's value is good and fresh at the last instant judged."""
        return self._armed.status[channel] == GOOD

    def latest(self, channel: int) -> tuple[int, float, int] | None:
        """Return (t, value, why) of a channel's last sample, None before the first."""
        armed = self._armed
        if armed.latest_t[channel] == LONG_AGO:
            return None
        return armed.latest_t[channel], armed.latest_v[channel], armed.latest_why[channel]

    def taken_over(self, rules: RuleSet, t: int) -> tuple[Watchdog, list[Change]]:
        """Return a watchdog that judges by `rules` from instant `t` on, and what that alone changes.

        Everything before `t` must have been judged, and the channels must be the same. Rules are known by their names:
        one written the same keeps everything, one written otherwise keeps its alarm and starts a new run-up. An active
        alarm of a rule that is `removed` becomes a latch that stands until it is acknowledged and reset.
        """
        if self._armed.now != t - 1:
            raise ValueError(f"judged up to {self._armed.now} ns, not up to {t - 1} ns")
        self._stepper.settle_values()
        later = Watchdog(rules, way=self.way)
        by_name = self._armed.by_name
        known = {rule.number: by_name[rule.name].number for rule in rules.rules if rule.name in by_name}
        later._armed.adopt(self._armed, t, known)
        out = Changes()
        for armed in later._armed.armed:
            if armed.rule.removed and armed.runup.active:
                out.move(later._armed, t, armed.rule.number, Event.CLEAR_LATCHED)
        later._stepper.resume()
        later._first_out.recount(later.states())
        return later, out.made

    def state(self) -> dict[str, Any]:
        """Return all that judging remembers, as plain JSON: a checkpoint."""
        self._stepper.settle_values()
        return self._armed.carried()

    def restore(self, state: dict[str, Any]) -> None:
        """Take up a checkpoint of the same rule set; judging goes on as if it had never stopped."""
        self._armed.carry(state)
        self._stepper.resume()
        self._first_out.recount(self.states())
