"""Running a case: samples, through the plan's own operators and the watchdog, and what came of it against what should.

It is the path a live session takes from its decoders on: the same delays, the same blindness, the same deadlines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullwatch.batch import Batch
from pullwatch.cases.series import samples
from pullwatch.clock import NS_PER_S
from pullwatch.setup import deriving_for
from pullwatch.watchdog.alarms import Event
from pullwatch.watchdog.judge import Watchdog

if TYPE_CHECKING:
    from pullwatch.cases.reading import Case, Expected
    from pullwatch.setup.plan import Plan
    from pullwatch.watchdog.alarms import Change


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a case came to: `lines` in words, `differs` where something was not as expected."""

    case: Case
    lines: tuple[str, ...]
    differs: bool


def spoken(plan: Plan, case: Case) -> list[Change]:
    """Return every alarm that a case raises, of whatever rule, in order."""
    channels = plan.channels
    said = [
        sample
        for number, steps in case.series.items()
        for sample in samples(steps, channels[number], case.rates[number], case.lasts)
    ]
    said.sort(key=lambda sample: (sample[0], sample[1]))
    batch = Batch(case.lasts, (), said)
    if plan.derived:
        deriving_for(plan).extend(batch)
    return [change for change in Watchdog(plan.rules).judge(batch) if change.event is Event.RAISE]


def run(plan: Plan, case: Case) -> Outcome:
    """Run one case."""
    lines: list[str] = []
    differs = False
    spoke = [change for change in spoken(plan, case) if change.rule in case.rules]
    expected = {rule: [each for each in case.expect if each.rule == rule] for rule in {e.rule for e in case.expect}}
    for rule in sorted({*expected, *(change.rule for change in spoke)}):
        came = [change for change in spoke if change.rule == rule]
        due = sorted(expected.get(rule, []), key=lambda each: -1 if each.at is None else each.at)
        name = plan.rules.rules[rule].name
        for place in range(max(len(due), len(came))):
            want = due[place] if place < len(due) else None
            have = came[place] if place < len(came) else None
            right, words = _compared(plan, want, have)
            differs |= not right
            lines.append(f"{name}: {words}")
    return Outcome(case, tuple(lines) or ("quiet, as expected",), differs)


def _compared(plan: Plan, want: Expected | None, have: Change | None) -> tuple[bool, str]:
    """Return whether one alarm is as expected, and that in words."""
    if have is None:
        assert want is not None
        return False, f"expected {_when(want)}, and it stayed quiet"
    spoke = f"spoke at {_seconds(have.t)}"
    if want is None:
        return False, f"{spoke}{_values(plan, have)}, and was expected to stay quiet"
    if want.at is not None and abs(have.t - want.at) > want.within:
        apart = have.t - want.at
        late = f"{_seconds(abs(apart))} too {'late' if apart > 0 else 'early'}"
        return False, f"{spoke}{_values(plan, have)}, expected {_when(want)}: {late}"
    return True, f"{spoke} as expected"


def _when(want: Expected) -> str:
    return "at some time" if want.at is None else f"at {_seconds(want.at)} ± {_seconds(want.within)}"


def _seconds(ns: int) -> str:
    return f"{ns / NS_PER_S:.3f}".rstrip("0").rstrip(".") + " s"


def _values(plan: Plan, change: Change) -> str:
    """Return what the alarm was about when it was raised, in brackets."""
    if math.isnan(change.value):
        return ""
    channel = plan.channels[plan.rules.rules[change.rule].trip.left]
    return f" ({channel.name} {channel.format(change.value)} against {channel.format(change.limit)})"
