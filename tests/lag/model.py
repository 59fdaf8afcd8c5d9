"""A small model of an engine on the road with a late lambda sensor: columns with a truth that is known.

Written from the physics alone (delay, first-order lag of 1/lambda in steps of 1 ms, a rail, noise, samples of their own
phase), so that it shares nothing with what it is held against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pullwatch.columns import Column
from pullwatch.lag.events import Commanded

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MS = 1_000_000


@dataclass(frozen=True)
class Truth:
    """What a session is made of. Times s, rates Hz."""

    seed: int = 1
    fixed: float = 0.080
    tau: float = 0.060
    rate: float = 50.0
    cut_rate: float = 50.0
    cycle: float = 90.0
    """Over engine speed: 60 to 120."""
    spread: float = 0.0
    """What differs from event to event, standard deviation."""
    noise: float = 0.003
    """Of lambda."""
    jitter: float = 0.001
    """Of the times of arrival, at the most."""
    digits: int = 3
    rail: float = 1.8
    cuts: int = 8
    steps: int = 0
    step: float = 0.06
    speeds: tuple[float, float] = (1_600.0, 6_500.0)
    in_lambda: bool = False
    """A display that smooths lambda, not 1/lambda."""
    ends_late: float = 0.0
    """By how much later it answers to the end of a cut."""


@dataclass(frozen=True)
class Made:
    """Columns as they would be read from a recording."""

    truth: Truth
    lambda_: Column
    commanded: Commanded


def column(t: Floats, v: Floats) -> Column:
    """Return a column of good samples at times in s."""
    order = np.maximum.accumulate(np.rint(t * 1e9).astype(np.int64)) + np.arange(len(t))
    return Column(order, v.astype(np.float64), np.zeros(len(t), dtype=np.uint8))


def first_order(x: Floats, tau: float) -> Floats:
    """Follow x in steps of 1 ms."""
    share = -math.expm1(-0.001 / tau)
    y = float(x[0])
    out = []
    for value in x.tolist():
        y += (value - y) * share
        out.append(y)
    return np.asarray(out)


def made(truth: Truth) -> Made:
    """Drive it: cuts on the overrun from random speeds, then commanded steps at steady speeds."""
    random = np.random.default_rng(truth.seed)
    target, cut, rpm, late = [], [], [], []
    level = 0.98

    def drive(speed: Floats, lateness: Floats, *, cuts: bool) -> None:
        n = len(speed)
        target.append(np.full(n, level))
        cut.append(np.full(n, float(cuts)))
        rpm.append(speed)
        late.append(lateness)

    def eased(n: int, first: float, last: float) -> Floats:
        """Go from one value to the next between two events: gas does not overtake gas, so nothing may jump at one."""
        return np.interp(np.arange(n), [0, 600, 850], [first, first, last])

    extras = random.normal(0.0, truth.spread, truth.cuts + truth.steps + 2).tolist()
    extra, was = extras.pop(), 3_000.0
    for _ in range(truth.cuts):
        n = int(random.integers(1_300, 2_000))
        speed = float(random.uniform(*truth.speeds))
        after = extras.pop()
        drive(eased(n, was, speed), eased(n, extra + truth.ends_late, after), cuts=False)
        extra = after
        n = int(random.integers(900, 2_400))
        drive(speed * np.linspace(1.0, 0.75, n), eased(n, extra, extra + truth.ends_late), cuts=True)
        was = 0.75 * speed
    for number in range(truth.steps + 1):
        n = int(random.integers(1_300, 2_200))
        level += (0 if number == 0 else 1) * (truth.step if number % 2 else -truth.step)
        speed, after = float(random.uniform(*truth.speeds)), extras.pop()
        drive(eased(n, was, speed), eased(n, extra + truth.ends_late * (number == 0), after), cuts=False)
        extra, was = after, speed
    aim, off, speed_, lateness_ = (np.concatenate(parts) for parts in (target, cut, rpm, late))
    t = np.arange(len(aim)) * 0.001
    error = float(random.uniform(0.98, 1.02))
    gas = np.where(off > 0.0, 1e-9, 1.0 / (aim * error))
    arrival = np.maximum.accumulate(t + truth.fixed + truth.cycle / speed_ + lateness_)
    at = arrival.searchsorted(t, side="right") - 1
    breathed = gas[at.clip(0)]
    if truth.in_lambda:
        shown = first_order(np.minimum(1.0 / breathed, truth.rail), truth.tau)
    else:
        shown = 1.0 / np.maximum(first_order(breathed, truth.tau), 1e-9)

    def sampled(values: Floats, rate: float) -> tuple[Floats, Floats]:
        times = np.arange(float(random.uniform(0.0, 1.0 / rate)), t[-1], 1.0 / rate)
        heard = times + random.uniform(0.0, truth.jitter, len(times))
        return heard, values[(times * 1_000).astype(np.intp)]

    heard, reading = sampled(shown, truth.rate)
    reading = np.clip(reading + random.normal(0.0, truth.noise, len(reading)), 0.6, truth.rail).round(truth.digits)
    commanded = Commanded(
        cut=column(*sampled(off, truth.cut_rate)),
        target=column(*sampled(aim, truth.cut_rate)) if truth.steps else None,
        throttle=column(*sampled(np.where(off > 0.0, 0.5, 2.0), truth.cut_rate)),
        speed=column(*sampled(speed_, truth.cut_rate)),
    )
    return Made(truth, column(heard, reading), commanded)


def drawn(seed: int, **fixed: float | bool) -> Truth:
    """Draw a session from all that is reckoned with."""
    random = np.random.default_rng([seed, 77])
    truth = Truth(
        seed=seed,
        fixed=float(random.uniform(0.04, 0.2)),
        tau=float(random.uniform(0.05, 0.2)),
        rate=float(random.choice([10.0, 20.0, 50.0, 100.0])),
        cut_rate=float(random.choice([10.0, 20.0, 50.0, 100.0])),
        cycle=float(random.uniform(60.0, 120.0)),
        spread=float(random.choice([0.0, 0.003, 0.01])),
        noise=float(random.choice([0.001, 0.003, 0.008])),
        jitter=float(random.choice([0.0, 0.002, 0.012])),
        digits=int(random.choice([2, 3])),
        rail=float(random.choice([1.4, 1.6, 1.8, 9.99])),
        cuts=int(random.integers(5, 11)),
        steps=int(random.choice([0, 0, 6])),
    )
    return replace(truth, **fixed)  # type: ignore[arg-type]  # the names of its own fields
