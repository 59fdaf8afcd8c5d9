"""What a channel says during a case, written in words, and the samples it comes to.

    series = step { "," step }
    step   = AMOUNT [ "for" TIME ]                  it says that
           | AMOUNT "to" AMOUNT "in" TIME           it goes evenly from the one to the other
           | "nothing" [ "for" TIME ]               no sample comes
           | "doubted" [ "for" TIME ]               samples come, and the sender says they are not to be believed
           | "(" series ")" COUNT "times"

The last step goes on to the end of the case, a ramp by the value it has reached. An amount may bear a unit; without one
it is in the channel's own. A time is in s or ms.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.columns import Why
from pullwatch.decoders.screen import screened
from pullwatch.watchdog.conditions import quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.channels import Channel
    from pullwatch.columns import Sample

LONGEST: Final = 600 * NS_PER_S
"""A case is about one alarm: ten minutes are for those that look back for a minute."""
MOST_TIMES: Final = 10_000

_TIME: Final = re.compile(r"(\d+(?:_\d+)*(?:\.\d+)?)\s*(ms|s)")
_REPEATED: Final = re.compile(r"\((.*)\)\s*(\d+)\s*times", re.DOTALL)
_RAMP: Final = re.compile(r"(.+?)\s+to\s+(.+?)\s+in\s+(.+)", re.DOTALL)
_FOR: Final = re.compile(r"(.+?)\s+for\s+(.+)", re.DOTALL)
_BARE: Final = re.compile(r"[+-]?\d+(?:_\d+)*(?:\.\d+)?")
_WORDS: Final = ("nothing", "doubted")


@dataclass(frozen=True, slots=True)
class Step:
    """One step: from `start` to `end` (the same: it stands) in `lasts` ns. None: for good.

    `says` False: no sample comes. `good` False: samples come, in doubt.
    """

    lasts: int | None
    start: float = math.nan
    end: float = math.nan
    says: bool = True
    good: bool = True


def read_time(text: str) -> int:
    """Return ns. Raises ValueError that says what was expected."""
    found = _TIME.fullmatch(text.strip())
    if found is None:
        raise ValueError(f'"{text.strip()}" is no time: write for example 0.5 s or 40 ms')
    return round(float(found[1].replace("_", "")) * (1e6 if found[2] == "ms" else 1e9))


def read_series(text: str, channel: Channel) -> tuple[Step, ...]:
    """Read what a channel says. Raises ValueError, or ExpressionError from a wrong unit."""
    steps: list[Step] = []
    for part in _parts(text):
        if steps and steps[-1].lasts is None:
            raise ValueError("a step without a time goes on for good: only the last one may")
        repeated = _REPEATED.fullmatch(part)
        if repeated is None:
            steps.append(_step(part, channel))
            continue
        inner = read_series(repeated[1], channel)
        times = int(repeated[2])
        if inner[-1].lasts is None:
            raise ValueError("what is repeated needs a time in every step")
        if not 0 < times * len(inner) <= MOST_TIMES:
            raise ValueError(f"{times} times {len(inner)} steps is not between 1 and {MOST_TIMES:,}")
        steps += inner * times
    return tuple(steps)


def _parts(text: str) -> list[str]:
    """Split at the commas that stand in no brackets."""
    parts, depth, begin = [], 0, 0
    for at, mark in enumerate(text):
        depth += (mark == "(") - (mark == ")")
        if depth < 0 or depth > 4:
            raise ValueError("its brackets do not match" if depth < 0 else "its brackets are nested too deep")
        if mark == "," and depth == 0:
            parts.append(text[begin:at])
            begin = at + 1
    if depth:
        raise ValueError("its brackets do not match")
    parts = [part.strip() for part in (*parts, text[begin:])]
    if not all(parts):
        raise ValueError("a step is empty")
    return parts


def _step(part: str, channel: Channel) -> Step:
    ramp = _RAMP.fullmatch(part)
    if ramp is not None:
        first, last = ramp[1].strip(), ramp[2].strip()
        if _BARE.fullmatch(first):
            # "20 to 30 psi": a unit that stands once is meant for both.
            found = _BARE.match(last)
            first += "" if found is None else last[found.end() :]
        return Step(_lasting(ramp[3]), _amount(first, channel), _amount(last, channel))
    timed = _FOR.fullmatch(part)
    what, lasts = (part, None) if timed is None else (timed[1].strip(), _lasting(timed[2]))
    if what == "nothing":
        return Step(lasts, says=False)
    if what == "doubted":
        return Step(lasts, good=False)
    value = _amount(what, channel)
    return Step(lasts, value, value)


def _lasting(text: str) -> int:
    lasts = read_time(text)
    if not 0 < lasts <= LONGEST:
        raise ValueError(f"{text.strip()} is not above 0 and up to {LONGEST // NS_PER_S} s")
    return lasts


def _amount(text: str, channel: Channel) -> float:
    if _BARE.fullmatch(text):
        return float(text.replace("_", ""))
    if text[:1] not in "+-.0123456789":
        words = ", ".join(f'"{word}"' for word in _WORDS)
        raise ValueError(f'"{text}" is no number, and none of {words}')
    return quantity(text, channel.dimension, channel.unit)


def length(steps: tuple[Step, ...]) -> int:
    """Return how long (ns) the steps with a time last together."""
    return sum(step.lasts or 0 for step in steps)


def samples(steps: tuple[Step, ...], channel: Channel, rate: float, end: int) -> Iterator[Sample]:
    """Yield a channel's samples at `rate` Hz from 0 on and before `end` (ns), screened as a decoder does.

    A step holds from its first instant on. What it says and what is believed of it are two things: a number out of the
    channel's range is in doubt here as well.
    """
    borders: list[tuple[int, int, Step]] = []
    begin = 0
    for step in steps:
        until = end if step.lasts is None else begin + step.lasts
        borders.append((begin, until, step))
        begin = until
    if begin < end:
        last = steps[-1]
        borders.append((begin, end, replace(last, lasts=None, start=last.end)))
    place = k = 0
    while (t := round(k * NS_PER_S / rate)) < end:
        k += 1
        while t >= borders[place][1]:
            place += 1
        start, until, step = borders[place]
        if not step.says:
            continue
        if not step.good:
            yield t, channel.number, math.nan, int(Why.ERROR)
            continue
        value = step.start
        if step.start != step.end:
            value += (step.end - step.start) * ((t - start) / (until - start))
        yield t, channel.number, *screened(value, channel.low, channel.high)
