"""Watch `full_bus.py` with the real station and say how long it took from bytes to state change, as a program.

`python watch_full_bus.py SECONDS BURST_US FOLLOWERS FOLDER SIGNALS`, SIGNALS being the channels of each frame, prints
one line of JSON.
"""

from __future__ import annotations

import asyncio
import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from full_bus import DBC, FRAMES_PER_S, IDENTIFIERS

from pullwatch.clock import SessionClock, steady_ns
from pullwatch.recording.recorder import Recorder
from pullwatch.setup import read_setup, resolve
from pullwatch.station import Station

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.batch import Batch
    from pullwatch.watchdog.alarms import Change, State
    from pullwatch.watchdog.rules import RuleSet

HERE = Path(__file__).parent
RULES = 60


def setup_text(ports: list[int], signals_each: int) -> str:
    """Return a setup with 60 rules on one CAN and four serial feeds."""
    signals = {f"c{i:02d}_{j}": f"Bus{i:02d}.S{j}" for i in range(IDENTIFIERS) for j in range(signals_each)}
    signals["toggle"] = "Toggle.Value"
    lines = ["[car]", 'name = "bench"', "", "[[feed]]", 'name = "ecu"', 'kind = "can"']
    lines += [f'port = "socket://127.0.0.1:{ports[0]}"', "bitrate = 1_000_000", 'dbc = "bench.dbc"']
    lines += ["channels = { " + ", ".join(f'{name} = "{where}"' for name, where in signals.items()) + " }"]
    for i, port in enumerate(ports[1:]):
        lines += ["", "[[feed]]", f'name = "serial{i}"', 'kind = "serial-line"', f'port = "socket://127.0.0.1:{port}"']
        lines += [f'fields = [{{ channel = "pressure{i}", key = "pressure" }}]']
        lines += ['ready = { key = "state", good = ["ready"] }']
    for name in [*signals, *(f"pressure{i}" for i in range(4))]:
        lines += ["", f"[channel.{name}]", 'unit = "kPa"', 'kind = "gauge"', "believable = [-10, 7000]"]
    lines += ["", "[[rule]]", 'name = "toggle"', 'trip = "toggle > 50 kPa"', "off_delay_ms = 0", 'priority = "caution"']
    lines += ['says = "Toggled."']
    for k in range(RULES - 1):
        channel = f"c{k % IDENTIFIERS:02d}_{k // IDENTIFIERS % signals_each}"
        lines += ["", "[[rule]]", f'name = "rule {k}"', f'trip = "{channel} > {500 + k} kPa"', "on_delay_ms = 150"]
        lines += ['priority = "note"', f'says = "Rule {k}."']
        if k % 2:
            lines += ['while = "c00_0 > 20 kPa deadband 5 kPa and pressure0 > 10 kPa"']
    return "\n".join(lines) + "\n"


class Stopwatch:
    """A sink that notes the wall-to-wall time of every change of the toggled rule."""

    def __init__(self) -> None:
        self.told: list[tuple[State, int]] = []

    def take(self, _batch: Batch, changes: Sequence[Change]) -> None:
        """Note when the toggled rule changed."""
        now = steady_ns()
        self.told.extend((change.state, now) for change in changes if change.rule == 0 and change.event is not None)

    def rules_are(self, _rules: RuleSet) -> None:
        """Rules are not changed here."""

    def close(self) -> None:
        """Nothing is held."""


def start(seconds: float, burst_us: int) -> subprocess.Popen[str]:
    """Start the full bus."""
    command = [sys.executable, str(HERE / "full_bus.py"), str(seconds), str(burst_us)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def follow(followers: int, session: Path) -> list[subprocess.Popen[bytes]]:
    """Start followers at nice 19."""
    command = ["nice", "-n", "19", sys.executable, str(HERE / "follow.py"), str(session)]
    return [subprocess.Popen(command) for _ in range(followers)]


async def main(source: subprocess.Popen[str], followers: int, folder: Path, signals_each: int) -> dict[str, Any]:
    """Run the station against the full bus; return the figures."""
    assert source.stdout is not None
    said_by = source.stdout
    ports = [int(word) for word in said_by.readline().split()]
    (folder / "bench.dbc").write_text(DBC)
    (folder / "setup.toml").write_text(setup_text(ports, signals_each))
    plan = resolve(read_setup(folder / "setup.toml"))
    clock = SessionClock()
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    session = folder / "session"
    session.mkdir()
    recorder = Recorder(session, {"plan": plan.to_dict()}, names, [r.name for r in plan.rules.rules], clock)
    following = follow(followers, session)
    stopwatch = Stopwatch()
    station = Station(plan, (stopwatch, recorder), clock=clock, base=folder, recorder=recorder)
    loop = asyncio.get_running_loop()
    line: list[str] = []

    def ended() -> None:
        line.append(said_by.readline())
        loop.remove_reader(said_by)
        loop.call_later(0.2, station.stop, "done")

    loop.add_reader(said_by, ended)
    begun, loop_used = time.perf_counter(), time.thread_time()
    used = resource.getrusage(resource.RUSAGE_SELF)
    await station.run()
    took, loop_cpu = time.perf_counter() - begun, time.thread_time()
    after = resource.getrusage(resource.RUSAGE_SELF)
    recorder.close("stopped", "done")
    for process in following:
        process.kill()
        process.wait()
    source.communicate("\n")
    said = json.loads(line[0])
    raises = [told for _, told in stopwatch.told]
    sent = said["toggles"]
    lags = sorted((told - at) / 1e6 for told, at in zip(raises, sent, strict=False))[: len(sent)]
    ledger = station.path.decoders[1].ledger
    cpu = after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime
    return {
        "toggles": len(sent), "told": len(raises), "frames_sent": said["frames"], "frames_decoded": ledger.messages,
        "p50_ms": lags[len(lags) // 2], "p99_ms": lags[int(len(lags) * 0.99)], "p999_ms": lags[int(len(lags) * 0.999)],
        "most_ms": lags[-1],
        "core_percent": 100 * cpu / took,
        "loop_percent": 100 * (loop_cpu - loop_used) / took,
        "turns_per_s": station.turns.count / took,
        "busy_percent": station.turns.busy / 1e7 / took, "longest_turn_ms": station.turns.longest / 1e6,
        "bus_load_frames_per_s": FRAMES_PER_S, "sender_late_ms": said["late_ns"] / 1e6,
        "dropped": recorder.health.dropped,
    }  # fmt: skip


if __name__ == "__main__":
    bus = start(float(sys.argv[1]), int(sys.argv[2]))
    figures = asyncio.run(main(bus, int(sys.argv[3]), Path(sys.argv[4]), int(sys.argv[5])))
    print(json.dumps(figures))
