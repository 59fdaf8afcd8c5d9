"""The delay found in an evening of the simulators, which know nothing of the estimator, is the true one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from tests.whole.test_worst_cases import plan, reads

from pullwatch.batch import Kind as RecordKind
from pullwatch.batch import Record
from pullwatch.clock import SessionClock
from pullwatch.lag.events import Kind
from pullwatch.lag.session import measure
from pullwatch.lag.words import lines
from pullwatch.recording.reader import Session
from pullwatch.recording.recorder import Recorder
from pullwatch.station import Path as WatchedPath
from pullwatch_sim.can_frames import record_bus
from pullwatch_sim.scenarios import load
from pullwatch_sim.sensors import LAMBDA_FIXED_S, LAMBDA_TAU_S
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("seed", [1, 8])
def test_an_evening_of_the_simulator(tmp_path: Path, seed: int) -> None:
    """Cuts at high speed give the sensor's own part; at idle the gas's way is in it, and that is said."""
    truth = simulate(load("dyno-evening", seed))
    path = WatchedPath(plan())
    names = [rule.name for rule in plan().rules.rules]
    start = {"car": "copper hatch", "clock": {"zero": 0, "wall": 0, "uncertainty": 0}, "plan": plan().to_dict()}
    recorder = Recorder(tmp_path / "session", start, {0: "acts", 1: "ecu", 2: "wideband"}, names, SessionClock())
    free, records = 0, []
    for t, feed, data in sorted([*reads(record_bus(truth, 310), 1), *reads(record_lambda(truth), 2)]):
        records.append(Record(max(t, free), feed, RecordKind.DATA, data))
        free = records[-1].end + 1
    for at in range(0, len(records), 4_000):
        recorder.take(*path.take(records[min(at + 4_000, len(records)) - 1].end, records[at : at + 4_000]))
    recorder.close("stopped", "the evening is over")
    (found,) = measure(Session(tmp_path / "session"))
    lag = found.lag
    assert lag.tau is not None
    assert lag.tau.least <= LAMBDA_TAU_S <= lag.tau.most
    cuts = [seen for seen in lag.seen if seen.event.kind is Kind.CUT]
    assert len(cuts) >= 2
    # What is true of the fixed part and the way to the sensor, at the very instants of the cuts.
    places = np.array([seen.event.middle // 1_000_000 for seen in cuts])
    true = truth.values["lambda_delay"][places] - 90.0 / truth.values["engine_speed"][places]
    assert LAMBDA_FIXED_S < true.mean() < LAMBDA_FIXED_S + 0.04
    alone = dict(lag.differ).get(Kind.CUT, lag.delay)
    assert alone is not None
    assert alone.least <= true.mean() <= alone.most
    assert alone.middle == pytest.approx(true.mean(), abs=0.015)
    if lag.differ:
        assert any("state exhaust_litres" in line for line in lines([found]))
