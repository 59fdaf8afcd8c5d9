"""One number over a range: how many alarms there would have been, when the first, and with what margin.

What the number does not touch is kept (`kept`): the decoded channels, the other rules, the gates it does not stand in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from pullwatch.annunciators.console import session_time
from pullwatch.errors import PullwatchError
from pullwatch.replaying import reading_of
from pullwatch.setup import Plan
from pullwatch.watchdog.conditions import Comparison
from pullwatch.whatif.comparing import margin_words
from pullwatch.whatif.kept import channels_of, decoded, keep, meaning, only, outcomes
from pullwatch.whatif.numbers import NoSuchNumber, Number, find, plain
from pullwatch.whatif.workers import begin, pool

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from decimal import Decimal

    from pullwatch.recording.reader import Session
    from pullwatch.watchdog.rules import Rule, RuleSet
    from pullwatch.whatif.kept import Decoded, Outcome

WORTH_SHARING: Final = 20_000_000
"""Values times samples from which on starting processes (a second each) is worth it."""
AT_ONCE: Final = 20
"""Values that a process is given at once."""
MOST_TURNS: Final = 12
"""Changes of the count that are said one by one."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """What came of a sweep: for each value, in order, what every rule that the number touches did, by its name."""

    plan: Plan
    number: Number
    values: tuple[Decimal, ...]
    rules: tuple[str, ...]
    outcomes: tuple[dict[str, Outcome], ...]
    decoded: Decoded

    def rule(self, name: str) -> Rule:
        """Return a rule as it is without the sweep."""
        return next(rule for rule in self.plan.rules.rules if rule.name == name)


def sweep(session: Session, plan: Plan, name: str, wanted: Sequence[Decimal], *, cores: int = 1) -> Sweep:
    """Judge a session anew for every value of the number `name` of `plan` (which reads as the session was read).

    Many values are shared out among `cores` processes. Raises NoSuchNumber when there is no such number, it cannot have
    one of the values, or nothing rests on it.
    """
    number = find(plan, name)
    base = plan.rules
    meant = {rule.name: meaning(rule, base) for rule in base.rules}
    touched: set[str] = set()
    needed: set[int] = set()
    # It stands where it stands: one value that is not what it was tells which rules it touches.
    for value in (wanted[0], wanted[-1]):
        variant = _put(number, value)
        for rule in variant.rules:
            if meaning(rule, variant) != meant[rule.name]:
                touched.add(rule.name)
                needed |= channels_of(rule, variant)
    if not touched:
        what = "nothing is judged otherwise by any of these values: no rule that is armed rests on it."
        raise NoSuchNumber(f"{name}: {what}")
    needed |= set().union(*(channels_of(rule, base) for rule in base.rules if rule.name in touched))
    found = decoded(session, plan, needed)
    shared = Shared(plan.to_dict(), name, tuple(sorted(touched)), found)
    samples = max((len(column) for column in found.columns.values()), default=0)
    if cores > 1 and len(wanted) * samples >= WORTH_SHARING:
        done = shared_out(shared, wanted, cores)
    else:
        done = Judging(shared, plan).of(wanted)
    names = tuple(rule.name for rule in base.rules if rule.name in touched)
    return Sweep(plan, number, tuple(wanted), names, tuple(done), found)


@dataclass(frozen=True, slots=True)
class Shared:
    """What every process that judges variants is handed: the plan as plain JSON, the number, its rules, readings."""

    plan: dict[str, Any]
    name: str
    touched: tuple[str, ...]
    decoded: Decoded


class Judging:
    """Judges variants, one value after the other, with what the number does not touch kept."""

    def __init__(self, shared: Shared, plan: Plan | None = None) -> None:
        plan = plan if plan is not None else Plan.from_dict(shared.plan)
        self._number = find(plan, shared.name)
        self._touched = shared.touched
        self._store = keep(shared.decoded, only(plan.rules, shared.touched))

    def of(self, wanted: Sequence[Decimal]) -> list[dict[str, Outcome]]:
        """Return what came of each value, by rule."""
        return [outcomes(only(_put(self._number, value), self._touched), self._store) for value in wanted]


_judging: list[Judging] = []
"""Of a process that was started to judge variants: its one."""


def begin_judging(shared: Shared) -> None:
    """Begin a process that judges variants."""
    begin()
    _judging.append(Judging(shared))


def judge_some(wanted: Sequence[Decimal]) -> list[dict[str, Outcome]]:
    """Judge variants in such a process."""
    return _judging[0].of(wanted)


def shared_out(shared: Shared, wanted: Sequence[Decimal], cores: int) -> list[dict[str, Outcome]]:
    """Judge variants in several processes; return what came of each value, in order."""
    some = max(1, min(AT_ONCE, len(wanted) // cores))
    shares = [wanted[first : first + some] for first in range(0, len(wanted), some)]
    with pool(cores, begin_judging, (shared,)) as workers:
        return [one for done in workers.map(judge_some, shares) for one in done]


def _put(number: Number, value: Decimal) -> RuleSet:
    try:
        return number.put(value).rules
    except NoSuchNumber:
        raise
    except PullwatchError as error:
        raise NoSuchNumber(f"{number.name} cannot be {plain(value)}: {error}") from error


# ---- in words --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Row:
    """One or several values next to each other with the same count of alarms; what came of the first and the last."""

    first: Decimal
    last: Decimal
    begin: Outcome
    end: Outcome

    @property
    def count(self) -> int:
        """How many alarms each of the values raises."""
        return len(self.begin.raised)


def rows(found: Sweep, rule: str, *, every: bool = False) -> list[Row]:
    """Return what came of one rule, values of the same count together; with `every` each value by itself."""
    out: list[Row] = []
    for value, each in zip(found.values, found.outcomes, strict=True):
        one = each[rule]
        if out and not every and out[-1].count == len(one.raised):
            out[-1] = replace(out[-1], last=value, end=one)
        else:
            out.append(Row(value, value, one, one))
    return out


def lines(session: Session, found: Sweep, *, every: bool = False) -> Iterator[str]:
    """Yield a sweep in words: a table a rule, then where the result changes."""
    number = found.number
    span = f"{number.written(found.values[0])} to {number.written(found.values[-1])}"
    yield (
        f"WHAT IF {number.name} were {span} ({len(found.values):,} values; it is {number.written(number.now)}), "
        f"over {session.folder.name}, {session_time(max(0, found.decoded.now))} long:"
    )
    yield from reading_of(session)
    if found.decoded.cut is not None:
        yield f"  note: something is lost after {session_time(found.decoded.cut)}: judged up to there."
    if found.decoded.reloads:
        yield "  note: rules changed while it was recorded are left out: those of its begin are judged throughout."
    for name in found.rules:
        table = rows(found, name, every=every)
        yield f"  {name}"
        yield f"    {'value':>22}  {'alarms':>6}  {'first':>24}  least margin"
        for row in table:
            values = plain(row.first) if row.first == row.last else f"{plain(row.first)} to {plain(row.last)}"
            first = _both(_first(row.begin), _first(row.end))
            margin = _both(_margin(found, name, row.begin), _margin(found, name, row.end))
            yield f"    {values:>22}  {row.count:>6}  {first:>24}  {margin}"
        yield from _turns(found, name)


def _both(first: str, last: str) -> str:
    return first if first == last else f"{first} to {last}"


def _first(outcome: Outcome) -> str:
    return session_time(outcome.raised[0]) if outcome.raised else "none"


def _margin(found: Sweep, name: str, outcome: Outcome) -> str:
    rule = found.rule(name)
    if not isinstance(rule.trip, Comparison):
        return "a lost reading has none"
    if math.isnan(outcome.margin):
        return "never armed with a reading"
    return margin_words(found.plan, rule, outcome.margin)


def _turns(found: Sweep, name: str) -> Iterator[str]:
    """Say between which values the count of alarms changes."""
    counts = [len(each[name].raised) for each in found.outcomes]
    turns = [place for place in range(1, len(counts)) if counts[place] != counts[place - 1]]
    if not turns:
        yield f"    The count is {counts[0]} throughout."
        return
    for place in turns[:MOST_TURNS]:
        a, b = (found.number.written(found.values[at]) for at in (place - 1, place))
        yield f"    Between {a} and {b}: {counts[place - 1]} become {counts[place]}."
    if len(turns) > MOST_TURNS:
        yield f"    It changes {len(turns) - MOST_TURNS} times more."
