"""Which time slip belongs to which pass, told by the time of day and the length of the pass."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.review.runs import Class

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.given import Slip
    from pullwatch.review.runs import Run

BEFORE: Final = 120 * NS_PER_S
AFTER: Final = 1_200 * NS_PER_S
"""A slip says when the pass was, or is written down when it was fetched: its time may lie so much before the pass's
begin (two clocks) or after it. Common practice, no source."""
LONGER: Final = 20.0
SHORTER: Final = 0.5
"""A pass may last so many seconds longer than its slip (a late lift, or the car staged long); or be so much shorter."""


@dataclass(frozen=True, slots=True)
class Match:
    """A slip with its pass, or why it has none."""

    slip: Slip
    session: str = ""
    run: int = 0
    why_not: str = ""

    def line(self) -> str:
        """Say it in one line."""
        said = f"slip {self.slip.uid[:8]}"
        return f"{said}: {self.why_not}" if self.why_not else f"{said}: run {self.run} of {self.session}"


def match(slips: Sequence[Slip], sessions: Sequence[Reviewed]) -> list[Match]:
    """Return for each slip without a run the pass that it must be of: the only one that fits, never a guess."""
    passes = [
        (begin, one.table.session, run)
        for one in sessions
        for run in one.runs.runs
        if run.kind in (Class.PASS, Class.PEDALLED_PASS) and (begin := one.table.wall_at(run.begin)) is not None
    ]
    taken = {(slip.session, slip.run) for slip in slips if slip.run}
    out = []
    for slip in slips:
        if slip.run:
            continue
        near = [
            (session, run)
            for begin, session, run in passes
            if begin - BEFORE <= slip.at <= begin + AFTER and (session, run.number) not in taken
        ]
        fits = [(session, run) for session, run in near if _lasts(slip, run)]
        if len(fits) == 1:
            session, run = fits[0]
            taken.add((session, run.number))
            out.append(Match(slip, session, run.number))
        elif fits:
            names = ", ".join(f"run {run.number} of {session}" for session, run in fits)
            out.append(Match(slip, why_not=f"fits {names}; say which with: pullwatch logbook pair"))
        else:
            why = "no pass lasted as long" if near else "no pass was then"
            out.append(Match(slip, why_not=why))
    return out


def _lasts(slip: Slip, run: Run) -> bool:
    """Whether a pass lasted about as long as the last time of a slip says."""
    last = max(slip.times.values(), default=math.nan)
    if math.isnan(last):
        return True
    driven = (run.end - (run.launch.release if run.launch is not None else run.begin)) / NS_PER_S
    return last - SHORTER <= driven <= last + LONGER
