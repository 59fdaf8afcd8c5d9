"""Evenings of the engine simulator as samples: what its sensors say, when a slow link hands it over."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from pullwatch.columns import Why
from pullwatch.setup import load
from pullwatch.setup.deriving import deriving_for
from pullwatch_sim.evening import HERE
from pullwatch_sim.scenarios import load as load_scenario
from pullwatch_sim.scenarios import read
from pullwatch_sim.sensors import READY, Readings
from pullwatch_sim.truth import Truth, simulate

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from pullwatch.columns import Sample
    from pullwatch.setup import Plan

BUNDLE_NS = 16_000_000
"""Latency timer of the usual serial chips: what came in this time is handed over at once."""
BYTE_NS = 25
"""Samples of one read are this far apart, as bytes are counted."""


@cache
def evening(name: str) -> Truth:
    """Play a scenario by name, once for all tests."""
    return simulate(load_scenario(name))


def played(*stages: dict[str, Any], faults: tuple[dict[str, Any], ...] = (), on: str = "dyno") -> Truth:
    """Play stages of one's own."""
    return simulate(read({"name": "test", "says": "test", "on": on, "stage": list(stages), "fault": list(faults)}))


def demo_plan(folder: Path, channel: str = "lambda", **keys: str) -> Plan:
    """Return the plan of the demonstration, with keys added to the section of a channel: name to TOML value."""
    text = (HERE / "demo_setup.toml").read_text(encoding="utf-8")
    added = "".join(f"{key} = {value}\n" for key, value in keys.items())
    head = f"[channel.{channel}]\n"
    assert head in text
    path = folder / "setup.toml"
    path.write_text(text.replace(head, head + added), encoding="utf-8")
    (folder / "copper_hatch.dbc").write_bytes((HERE / "copper_hatch.dbc").read_bytes())
    return load(path)


def readings(truth: Truth, plan: Plan, *, bundled: bool = False) -> list[Sample]:
    """Return all samples of an evening in order of time, for every channel of the plan that the simulator has."""
    read_out = Readings(truth)
    rows: list[Sample] = []
    ready = truth.values["lambda_state"] == READY
    for channel in plan.channels:
        if channel.name not in truth.values:
            continue
        period = 1.0 / (plan.rates[channel.number] or 20.0)
        times = np.arange(0.0, truth.duration_s - 0.001, period)
        values = read_out.sample(channel.name, times)
        stamps = np.rint(times * 1e9).astype(np.int64)
        if bundled:
            stamps = -(-stamps // BUNDLE_NS) * BUNDLE_NS
            # Whatever leaves in one bundle keeps its order, bytes apart.
            stamps += BYTE_NS * (np.arange(len(stamps)) - np.searchsorted(stamps, stamps))
        whys = np.zeros(len(times), dtype=np.int64)
        if channel.name == "lambda":
            whys = np.where(ready[(times * 1_000).astype(np.int64)], 0, int(Why.NOT_READY))
        rows += zip(stamps.tolist(), [channel.number] * len(stamps), values.tolist(), whys.tolist(), strict=True)
    return sorted(rows)


def doubts(truth: Truth, plan: Plan, *, bundled: bool = False) -> dict[str, list[tuple[float, Why]]]:
    """Return what was doubted: channel name to (seconds, why) of its samples, those that came in doubt left out."""
    samples = readings(truth, plan, bundled=bundled)
    came = {(t, channel) for t, channel, _, why in samples if why}
    found: dict[str, list[tuple[float, Why]]] = {}
    for t, channel, _, why in deriving_for(plan).few(samples):
        if why and (t, channel) not in came:
            found.setdefault(plan.channels[channel].name, []).append((t / 1e9, Why(why)))
    return found
