"""Figures of judging alone, printed: many channels in columns, few samples step by step, and whether history costs.

`uv run pytest tests/benchmarks/test_judging.py --benchmark-enable -s`
"""

from __future__ import annotations

import random
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch.batch import Batch
from pullwatch.channels import Channel, Delay, Dimension
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import Column
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import AllOf, Comparison, Term
from pullwatch.watchdog.judge import Watchdog
from pullwatch.watchdog.limits import Curve
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from pullwatch.columns import Columns, Sample
    from pullwatch.watchdog.alarms import Change

PERIOD = 10 * NS_PER_MS
"""100 Hz."""


@pytest.fixture
def thorough(request: pytest.FixtureRequest) -> bool:
    """Say whether this is a benchmark run."""
    return bool(request.config.getoption("benchmark_enable"))


def rule_set(channels: int, rules: int) -> RuleSet:
    """Return rules of the kinds that cars have: gated, along curves, with doses, delays and deadbands."""
    made = [
        Channel(
            number, f"c{number}", "", Dimension.NUMBER, stale_after=250 * NS_PER_MS,
            delay=Delay(60 * NS_PER_MS, 180 * NS_PER_MS, per_cycle=True) if number == 1 else Delay(),
        )
        for number in range(channels)
    ]  # fmt: skip
    curves = {"along": Curve("along", 2, (20.0, 50.0, 80.0), (1.6, 1.5, 1.4))}
    gate = AllOf((Comparison(2, ">", (Term(1.0, channel=3), Term(-40.0)), 1.0), Comparison(0, ">", (Term(-3.0),), 0.5)))
    out = []
    for number in range(rules):
        left = number % channels
        right = (Term(1.0, curve="along"),) if number % 10 == 1 else (Term(2.0 + 0.01 * number),)
        out.append(
            Rule(
                number,
                f"r{number}",
                Comparison(left, ">", right, 0.05),
                gate=gate if number % 3 == 1 else None,
                on_delay=0 if number % 10 == 1 else 100 * NS_PER_MS,
                dose=8_000 * NS_PER_S if number % 10 == 1 else 0,
                at_least_samples=2 if number % 10 == 1 else 1,
                priority=Priority.CAUTION,
            )
        )
    return RuleSet(tuple(made), tuple(out), curves, {}, 0)


def minute(channels: int, seconds: float, seed: int) -> Columns:
    """Return columns of slow, noisy readings that now and then go beyond."""
    rng = np.random.default_rng(seed)
    n = int(seconds * 100)
    out = {}
    for channel in range(channels):
        t = np.arange(n, dtype=np.int64) * PERIOD + channel * 7
        v = np.sin(np.arange(n) / 300.0 + channel) + rng.normal(0, 0.3, n) + (40.0 if channel in (2, 3) else 0.0)
        out[channel] = Column(t, v + (3_000.0 if channel == 0 else 0.0), np.zeros(n, dtype=np.uint8))
    return out


def test_twenty_rules_over_a_hundred_channels_in_columns(thorough: bool) -> None:
    """100 channels at 100 Hz: how many times faster than they came; both ways give the same changes."""
    seconds = 600.0 if thorough else 5.0
    rules, columns = rule_set(100, 20), minute(100, seconds, 1)
    now = int(seconds * NS_PER_S)
    watchdog = Watchdog(rules, way="columns")
    begun = time.perf_counter()
    changes = watchdog.judge(Batch(now, (), None, columns))
    took = time.perf_counter() - begun
    print(
        f"\n20 rules, 100 channels at 100 Hz, in columns: {seconds / took:,.0f} times real time, {len(changes)} changes"
    )
    if not thorough:
        stepped = Watchdog(rules, way="stepping").judge(Batch(now, (), None, columns))
        assert [(c.t, c.rule, c.state) for c in stepped] == [(c.t, c.rule, c.state) for c in changes]


def batches(channels: int, count: int, per_batch: int, begin: int = 0) -> list[Batch]:
    """Return batches of 2 ms with so many samples each, as a live path takes them."""
    rng = random.Random(1)
    out = []
    for number in range(begin, begin + count):
        t = number * 2 * NS_PER_MS
        samples: list[Sample] = [
            (t + 1_000 * i, (number * per_batch + i) % channels, rng.gauss(0.0, 0.5), 0) for i in range(per_batch)
        ]
        out.append(Batch(t + 2 * NS_PER_MS - 1, (), samples))
    return out


def judged(watchdog: Watchdog, steps: list[Batch]) -> tuple[float, list[Change]]:
    """Return ms a batch, and the changes."""
    changes: list[Change] = []
    begun = time.perf_counter()
    for batch in steps:
        changes += watchdog.judge(batch)
    return (time.perf_counter() - begun) * 1e3 / len(steps), changes


def test_sixty_rules_on_batches_of_two_milliseconds(thorough: bool) -> None:
    """16 samples in 2 ms (a full bus) and 60 rules: what a batch costs, and that a long history costs nothing more."""
    count = 10_000 if thorough else 300
    watchdog = Watchdog(rule_set(40, 60))
    early, _ = judged(watchdog, batches(40, count, 16))
    for step in range(1, 6 if thorough else 2):
        later, _ = judged(watchdog, batches(40, count, 16, begin=step * count))
    print(
        f"\n60 rules, 16 samples in 2 ms: {early:.3f} ms a batch at first, {later:.3f} ms after "
        f"{step * count * 2 / 1000:.0f} s more: {later / early:.2f} times"
    )
    assert watchdog.now > 0
