"""Clean evenings with everything that confuses, in bulk: real bytes, all doubts on, and not one critical alarm.

As a program it plays as many as fit into a time and says what came of them:

    uv run python -m tests.faults.evenings --minutes 10 --first-seed 1
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field
from functools import cache
from itertools import cycle, pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_S
from pullwatch.setup import load as load_setup
from pullwatch.station import Path as WatchedPath
from pullwatch.watchdog.alarms import Event, Priority
from pullwatch_sim.can_frames import record_bus
from pullwatch_sim.evening import HERE
from pullwatch_sim.play import away_spans
from pullwatch_sim.scenarios import load
from pullwatch_sim.sensors import ALL_CONFOUNDERS
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch_sim.tape import Tape

CLEAN: Final = ("clean-evening", "short-pull", "strip-pass")
"""Scenarios in which nothing is wrong, in turn."""
OWN_RATE: Final = 310
"""Frames a second of the car's own: frames nobody asks for would only cost time here."""
READ: Final = 2_000_000
"""ns between two reads of a port: what came meanwhile is one record."""
BATCH: Final = 4_000
"""Records in one step of the path."""


@cache
def plan() -> Plan:
    """Return the demonstration's plan, with every doubt that is on by itself and the proof of the lambda sensor."""
    text = (HERE / "demo_setup.toml").read_text(encoding="utf-8")
    head = "[channel.lambda]\n"
    assert text.count(head) == 1
    with TemporaryDirectory() as folder:
        (Path(folder) / "copper_hatch.dbc").write_bytes((HERE / "copper_hatch.dbc").read_bytes())
        setup = Path(folder) / "setup.toml"
        setup.write_text(text.replace(head, head + "proof = true\n"), encoding="utf-8")
        return load_setup(setup)


@dataclass
class Evening:
    """What came of one clean evening."""

    scenario: str
    seed: int
    seconds: float
    criticals: list[tuple[str, float]] = field(default_factory=list)
    """Critical alarms that were raised: rule and seconds. None should be."""
    others: list[str] = field(default_factory=list)
    """Other alarms that were raised."""
    bad_messages: int = 0


def _reads(tape: Tape, feed: int, away: list[tuple[int, int]]) -> Iterator[tuple[int, int, Kind, bytes]]:
    """Yield what the reads of one port give, and its going and coming."""
    for begin, end in away:
        yield begin, feed, Kind.LOST, b"gone"
        yield end, feed, Kind.FOUND, b"there"
    held: list[bytes] = []
    due = 0
    for t, (begin_at, end_at) in zip(tape.times, pairwise(tape.offsets), strict=True):
        if held and t >= due:
            yield due, feed, Kind.DATA, b"".join(held)
            held = []
        if any(begin <= t < end for begin, end in away):
            held = []
            continue
        if not held:
            due = (t // READ + 1) * READ
        held.append(tape.blob[begin_at:end_at])


def evening(scenario: str, seed: int) -> Evening:
    """Play one evening with every confounder through the path."""
    truth = simulate(load(scenario, seed, ALL_CONFOUNDERS))
    away = away_spans(truth, "")
    arrivals = sorted(
        [*_reads(record_bus(truth, OWN_RATE), 1, away), *_reads(record_lambda(truth), 2, away)],
        key=lambda one: one[:2],
    )
    records: list[Record] = []
    free = 0
    for t, feed, kind, data in arrivals:
        begin = max(t, free)
        records.append(Record(begin, feed, kind, data))
        free = begin + len(data) + 1
    path = WatchedPath(plan())
    changes: list[Change] = []
    for at in range(0, len(records), BATCH):
        some = records[at : at + BATCH]
        changes += path.take(some[-1].end, some)[1]
    rules = plan().rules.rules
    made = Evening(scenario, seed, truth.duration_s)
    for change in changes:
        if change.event is Event.RAISE:
            rule = rules[change.rule]
            if rule.priority is Priority.CRITICAL:
                made.criticals.append((rule.name, change.t / NS_PER_S))
            else:
                made.others.append(rule.name)
    for decoder in path.decoders.values():
        assert decoder.ledger.balances
        made.bad_messages += decoder.ledger.bad_messages
    return made


def evenings(first_seed: int) -> Iterator[Evening]:
    """Play evenings without end, each with another seed."""
    seed = first_seed
    for scenario in cycle(CLEAN):
        yield evening(scenario, seed)
        seed += 1


def main() -> None:
    """Play evenings for so many minutes."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--first-seed", type=int, default=1)
    chosen = parser.parse_args()
    until = time.monotonic() + 60.0 * chosen.minutes
    count, seconds, criticals = 0, 0.0, 0
    told: dict[str, int] = {}
    for made in evenings(chosen.first_seed):
        count += 1
        seconds += made.seconds
        criticals += len(made.criticals)
        for name, t in made.criticals:
            print(f"CRITICAL {name} at {t:.3f} s of {made.scenario}, seed {made.seed}", flush=True)
        for name in made.others:
            told[name] = told.get(name, 0) + 1
        if time.monotonic() > until:
            break
    print(f"{count} clean evenings, {seconds / 3_600:.2f} simulated hours, {criticals} critical alarms")
    print("others told:", ", ".join(f"{name} {n}" for name, n in sorted(told.items())) or "none")


if __name__ == "__main__":
    main()
