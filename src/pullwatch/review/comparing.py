"""Which runs may be held against each other, and why not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.review.run import RATIO, Class

if TYPE_CHECKING:
    from pullwatch.review.run import Run

SWEEP_SHARE: Final = 0.25
WARMER: Final = 10.0
"""Comparable: sweep rate within this share, intake air and oil within so many °C (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Whether two runs may be held against each other: `answer` is "yes", "no" or "cannot tell", `why` in words."""

    answer: str
    why: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return self.answer == "yes"

    def line(self) -> str:
        """Say it in one line."""
        return {"yes": "comparable", "no": "not comparable"}.get(self.answer, self.answer) + (
            f": {'; '.join(self.why)}" if self.why else ""
        )


def comparable(one: Run, two: Run) -> Comparison:
    """Say whether two runs may be held against each other.

    Same class and gear, no lift, sweep rate within 25 %, intake air and oil within 10 °C at the begin. What is not
    known is no likeness: it cannot be told then.
    """
    no: list[str] = []
    unknown: list[str] = []
    if one.kind is not two.kind:
        no.append(f"a {one.kind} and a {two.kind}")
    no.extend(f"run {run.number} was lifted in ({len(run.lifts)} times)" for run in (one, two) if run.lifts)
    if one.gears and two.gears:
        if one.gears != two.gears:
            no.append(f"{one.gear_text} and {two.gear_text}")
    elif one.ratios and two.ratios:
        if len(one.ratios) != len(two.ratios) or any(
            abs(a / b - 1.0) > RATIO for a, b in zip(one.ratios, two.ratios, strict=True)
        ):
            no.append("another ratio of engine to road speed")
    else:
        unknown.append("the gear is not known")
    shared = one.sweeps.keys() & two.sweeps.keys()
    for gear in sorted(shared):
        a, b = one.sweeps[gear], two.sweeps[gear]
        most = max(abs(a), abs(b))
        if abs(a - b) > SWEEP_SHARE * most:
            no.append(f"swept at {a:,.0f} and {b:,.0f} rpm/s" + (f" in gear {gear}" if gear else ""))
    if not shared and one.kind not in (Class.LOAD_HOLD, Class.BURNOUT, Class.LAUNCH_PRACTICE):
        unknown.append("the sweep rate is not known")
    for name, word in (("intake_air_temperature", "intake air"), ("oil_temperature", "oil")):
        a, b = one.start.get(name, math.nan), two.start.get(name, math.nan)
        if not math.isfinite(a) or not math.isfinite(b):
            unknown.append(f"the temperature of the {word} is not known")
        elif abs(a - b) > WARMER:
            no.append(f"{word} at {a:.0f} and {b:.0f} °C")
    if no:
        return Comparison("no", tuple(no))
    return Comparison("cannot tell", tuple(unknown)) if unknown else Comparison("yes")
