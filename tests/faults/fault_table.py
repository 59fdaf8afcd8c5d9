"""The table of faults: each one on each kind of feed, what is told of it and after how long. Measured anew each time.

As a program it prints the table as it stands in hardware_notes/faults.md:

    uv run python -m tests.faults.fault_table
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import Why
from pullwatch_sim.wire_faults import KINDS, WireFault
from pullwatch_sim.wire_formats import FORMATS

from .bench import BENCHES, WINDOW, Bench, Finding, fault_begins, healthy, run, seen, truth

if TYPE_CHECKING:
    from collections.abc import Mapping

SEEDS: Final = range(1, 4)
"""Evenings of damage for each fault that is random."""
RANDOM: Final = frozenset({"garbage", "bit_flip", "misaligned", "flood"})
LASTING: Final = frozenset({"stuck"})
"""Faults that are left in place until the evening ends: what shows them comes later."""

TOWARDS_FINE: Final[Mapping[str, Mapping[str, Mapping[str, float]]]] = {
    "serial-line": {
        "wrong_value": {"value": 0.70},
        "bias": {"by": -0.1},
        "drift": {"per_s": -0.1},
        "stuck_bit": {"bit": 8, "to": 0},
        "unit_swap": {"factor": 14.7},
    },
    "serial-packet": {
        "wrong_value": {"value": 95.0},
        "bias": {"by": -80.0},
        "drift": {"per_s": -60.0},
        "stuck_bit": {"bit": 12, "to": 1},
        "unit_swap": {"factor": 0.145038},
    },
    "can (slcan)": {
        "wrong_value": {"value": 95.0},
        "bias": {"by": -80.0},
        "drift": {"per_s": -60.0},
        "stuck_bit": {"bit": 10, "to": 0},
        "unit_swap": {"factor": 0.145038},
    },
    "nmea": {
        "wrong_value": {"value": 20.0},
        "bias": {"by": -40.0},
        "drift": {"per_s": -30.0},
        "stuck_bit": {"bit": 12, "to": 0},
        "unit_swap": {"factor": 0.539957},
    },
    "diagnostics": {
        "wrong_value": {"value": 95.0},
        "bias": {"by": -80.0},
        "drift": {"per_s": -60.0},
        "stuck_bit": {"bit": 7, "to": 0},
        "unit_swap": {"factor": 0.145038},
    },
}
"""How each number is falsified: in the direction in which a standing alarm would go, where there is one."""
KIND_OPTIONS: Final[Mapping[str, Mapping[str, float]]] = {"slow": {"every": 15}}


@dataclass(frozen=True)
class Cell:
    """One fault on one kind of feed."""

    fault: str
    kind: str
    applies: bool
    findings: tuple[Finding, ...] = ()
    damaged: int = 0
    others_whole: bool = True
    """Whether the healthy feed beside it lost no byte and no sample."""

    @property
    def told(self) -> bool:
        """Whether every evening of it told an alarm."""
        return bool(self.findings) and all(found.told is not None for found in self.findings)

    @property
    def silence(self) -> int:
        """Return the longest time (ns) from the last sample that was believed to the alarm."""
        return max(found.silence for found in self.findings)

    @property
    def believed(self) -> int:
        """Wrong samples that were believed, over all evenings."""
        return sum(found.before + found.after for found in self.findings)

    @property
    def samples(self) -> int:
        """Samples that came meanwhile, over all evenings."""
        return sum(found.samples for found in self.findings)

    @property
    def cleared(self) -> tuple[str, ...]:
        """What the fault alone made go, open or silent."""
        return tuple(sorted({name for found in self.findings for name in found.cleared}))

    def words(self) -> str:
        """Return it as the table has it."""
        if not self.applies:
            return "cannot be"
        cleared = " †" * bool(self.cleared)
        times = sorted(found.told for found in self.findings if found.told is not None)
        if not times:
            return f"**not detectable: unprotected**{cleared}" if self.believed else "no harm"
        span = _ms(times[0]) if _ms(times[0]) == _ms(times[-1]) else f"{_ms(times[0])} to {_ms(times[-1])}"
        whys = sorted({_WORDS[found.why] for found in self.findings if found.why is not None})
        ceiling = any("ceiling" in found.rule for found in self.findings)
        text = f"{'at ceiling' if ceiling else ' or '.join(whys)}, {span} ms"
        if len(times) < len(self.findings):
            text += f", in {len(times)} of {len(self.findings)}"
        after = sum(found.after for found in self.findings)
        if 2 * after > self.samples:
            text += "; then believed"
        elif self.fault in LASTING and not after:
            text += "; believed until then"
        elif self.believed:
            text += f"; {self.believed} of {self.samples} wrong and believed"
        return text + cleared


def _ms(ns: int) -> str:
    return f"{ns / NS_PER_MS:,.0f}"


_WORDS: Final = {
    Why.GOOD: "lost",
    Why.NOT_A_NUMBER: "not a number",
    Why.IMPLAUSIBLE: "implausible",
    Why.NOT_AVAILABLE: "not available",
    Why.ERROR: "error",
    Why.NOT_READY: "not ready",
    Why.GARBLED: "garbled",
    Why.SOURCE: "source not known",
    Why.TOO_FAST: "too fast",
    Why.FROZEN: "frozen",
    Why.NOT_PROVED: "not proved",
}


def fault_for(kind: str, bench: Bench) -> WireFault | None:
    """Return the fault as it is put on this bench; None where there can be no such thing."""
    form = FORMATS[bench.form]()
    options: dict[str, float | str] = dict(KIND_OPTIONS.get(kind, {}))
    options |= TOWARDS_FINE[bench.kind].get(kind, {})
    if "field" in KINDS[kind].options:
        options["field"] = bench.channel
    if kind == "nan":
        if not form.carries_nan:
            return None
        options["field"] = bench.dry_field or bench.channel
    if kind == "counter_back" and not form.counts:
        return None
    begin = fault_begins()
    end = round(truth().duration_s * NS_PER_S) - 1 if kind in LASTING else begin + WINDOW
    return WireFault(kind, begin, end, options)


@cache
def cell(kind: str, name: str) -> Cell:
    """Measure one fault (`kind`) on one bench (`name`)."""
    bench = BENCHES[name]
    fault = fault_for(kind, bench)
    if fault is None:
        return Cell(kind, name, applies=False)
    findings = []
    damaged, whole = 0, True
    clean = healthy(name)
    beside = [channel for channel in clean.samples if bench.plan().feed_of(channel).number == 2]
    for seed in SEEDS if kind in RANDOM else (1,):
        made = run(bench, [fault], seed)
        damaged += made.damaged
        findings.append(seen(bench, fault, made))
        for channel, line in made.lines(beside).items():
            whole &= line == clean.lines([channel])[channel][: len(line)]
        whole &= made.ledgers[2].bad_messages == 0 and made.ledgers[2].taken == made.sent[2]
    return Cell(kind, name, applies=True, findings=tuple(findings), damaged=damaged, others_whole=whole)


def table() -> str:
    """Measure everything and return it as a Markdown table."""
    names = list(BENCHES)
    heads = [f"{name}: `{bench.channel}`, {NS_PER_S / bench.period:g} Hz" for name, bench in BENCHES.items()]
    rows = ["| fault | " + " | ".join(heads) + " |", "| --- |" + " --- |" * len(names)]
    for kind, about in KINDS.items():
        cells = [cell(kind, name).words() for name in names]
        rows.append(f"| `{kind}`: {about.says} | " + " | ".join(cells) + " |")
    return "\n".join(rows)


if __name__ == "__main__":
    print(table())
