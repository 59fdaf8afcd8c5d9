"""Two adapters swap their names after a brown-out, under a real watcher: lost, said in words, and right again after."""

from __future__ import annotations

import subprocess
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from pullwatch.clock import NS_PER_S
from pullwatch.recording.reader import Session
from pullwatch.watchdog.alarms import Event

from ..whole.evening import PATIENCE_S, interrupt, program  # noqa: TID252 - tests are no installed package

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SCENARIO = """
name = "key on"
seed = 3
[car]
lambda_heats_s = 0.5
[[stage]]
do = "key_on"
for_s = 30
"""
LEADS_S = (4.0, 15.0, 40.0)
"""For the programs to start; a machine that was too slow is given the next one."""
SWAPPED_S, BACK_S = 1.0, 5.0

SETUP = """
[car]
name = "bench"

[[feed]]
name = "wideband"
kind = "serial-line"
port = "{wideband}"
fields = [{{ channel = "lambda", key = "lambda" }}]

[[feed]]
name = "box"
kind = "serial-packet"
port = "{box}"
sync = "C3 3C"
byte_order = "big"
length_field = {{ at = 2, adds = 3, least = 21, most = 25 }}
checksum = {{ kind = "CRC-16/CCITT-FALSE", covers = [2, -2] }}
fields = [{{ channel = "oil_pressure", at = 12, type = "i16", scale = 0.1 }}]

[[rule]]
name = "lean"
trip = "lambda > 1.9 lambda"

[[rule]]
name = "oil"
trip = "oil_pressure > 900 kPa"
"""
READABLE = "what arrives can be read now"


def _said(process: subprocess.Popen[bytes]) -> tuple[str, str]:
    assert process.stdout is not None
    _, host, port = process.stdout.readline().decode().split()
    return host, port


def _cables(stack: ExitStack, folder: Path, begin: int) -> list[str]:
    """Start two simulators and a cable behind each; return the ports for the setup."""
    start = ("--start-at", str(begin))
    device = ("--scenario", str(folder / "key-on.toml"), "--listen", "127.0.0.1:0", *start)
    places = [
        ":".join(_said(program(stack, f"pullwatch_sim.{name}", *device))) for name in ("serial_lambda", "serial_packet")
    ]
    swap = ("--listen", "127.0.0.1:0", *start, "--fault", f"swapped {SWAPPED_S} {BACK_S}")
    ports = []
    for mine, other, form in ((*places, "lines"), (*reversed(places), "packets")):
        cable = ("pullwatch_sim.fault_shim", "--from", mine, "--other", other, "--format", form)
        host, port = _said(program(stack, *cable, *swap))
        ports.append(f"socket://{host}:{port}")
    return ports


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Watch through two cables that swap for some seconds; give what the watcher printed, and its session."""
    folder = tmp_path_factory.mktemp("swapped")
    (folder / "key-on.toml").write_text(SCENARIO, encoding="utf-8")
    with ExitStack() as stack:
        for lead in LEADS_S:
            begin = time.monotonic_ns() + int(lead * NS_PER_S)
            ports = _cables(stack, folder, begin)
            if time.monotonic_ns() < begin:
                break
            stack.close()
        else:
            raise AssertionError(f"the programs did not start within {LEADS_S[-1]:g} s")
        setup = folder / "setup.toml"
        setup.write_text(SETUP.format(wideband=ports[0], box=ports[1]), encoding="utf-8")
        command = ("pullwatch", "watch", str(setup), "--sessions", str(folder / "sessions"), "--device", "null")
        with (folder / "printed.txt").open("wb") as printed:
            watcher = program(stack, *command, stdout=printed)
        deadline = time.monotonic() + PATIENCE_S
        while (folder / "printed.txt").read_text().count(READABLE) < 2:
            assert time.monotonic() < deadline, (folder / "printed.txt").read_text()
            try:
                watcher.wait(0.05)
            except subprocess.TimeoutExpired:
                continue
            raise AssertionError("the watcher ended too early")
        interrupt(watcher)
        (session,) = {part.parent for part in (folder / "sessions").glob("*/0001.mcap")}
        yield (folder / "printed.txt").read_text(), session


def test_each_is_called_by_the_others_name_once(watched: tuple[str, Path]) -> None:
    """On the console, in words that say what to do; and that it is over."""
    printed, _ = watched
    for feed, other in (("wideband", "box"), ("box", "wideband")):
        assert printed.count(f"{feed}: bytes arrive here") + printed.count(f"{feed}: whole messages arrive here") == 1
        assert printed.count(f'They are what "{other}" expects: have two adapters swapped?') == 1
        assert printed.count(f"{feed}: {READABLE}") == 1


def test_it_is_recorded_and_nothing_was_believed_meanwhile(watched: tuple[str, Path]) -> None:
    """The words are events of the recording; both channels were lost, and neither had a value of the other's."""
    session = Session(watched[1])
    words = [event["says"] for _, event in session.events() if event["event"] == "misfit"]
    assert len(words) == 4
    raised = [change.name for block in session.blocks() for change in block.changes if change.event is Event.RAISE]
    assert {"lambda lost", "oil_pressure lost"} <= set(raised)
    assert not {"lean", "oil"} & set(raised)
