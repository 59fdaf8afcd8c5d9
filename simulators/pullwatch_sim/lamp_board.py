r"""A program: a lamp board on a serial line that lights what it is told, and goes dark by itself when nothing comes.

It takes one line for each light, `D`, `M` and `B` (dark, medium, bright) or `C` (another colour), each ended by a line
feed. Whenever its light becomes another it says so on its own output: ns of CLOCK_MONOTONIC, what it shows, and why.

    python -m pullwatch_sim.lamp_board --pty /tmp/lamp --timeout-ms 500
    listening /tmp/lamp
    81234567890123 bright told
    81235567890123 medium told
    81236101234567 dark silence

`--timeout-ms 0` is a board that keeps its last light for ever. `--deaf-after N` is one that reads N lines and no more.
"""

from __future__ import annotations

import argparse
import contextlib
import select
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch_sim.play import open_port

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch_sim.ports import Port

LIGHTS: Final = {b"D": "dark", b"M": "medium", b"B": "bright", b"C": "colour"}
NAP: Final = 0.005
"""Seconds between two looks at the line: a terminal does not tell when somebody opens it."""
LONGEST: Final = 64
"""A line longer than this is none of ours."""


class Board:
    """What the board shows. `now` is ns of any clock that goes forward; `timeout` ns, 0: none."""

    def __init__(self, timeout: int) -> None:
        self.shows = "dark"
        self.lines = 0
        """Lines understood."""
        self.garbled = 0
        self._timeout = timeout
        self._told = 0
        self._half = b""

    def hear(self, data: bytes, now: int) -> list[str]:
        """Take bytes; return what it shows from now on, for each time that it is another."""
        lines = (self._half + data).split(b"\n")
        self._half = lines.pop()[-LONGEST:]
        became = []
        for line in lines:
            light = LIGHTS.get(line)
            if light is None:
                self.garbled += 1
                continue
            self.lines += 1
            self._told = now
            if light != self.shows:
                self.shows = light
                became.append(light)
        return became

    def silent(self, now: int) -> bool:
        """Go dark if nothing came for too long; say whether that happened now."""
        if not self._timeout or self.shows == "dark" or now - self._told < self._timeout:
            return False
        self.shows = "dark"
        return True


def serve(port: Port, board: Board, deaf_after: int) -> None:
    """Light and go dark until ended."""
    ready: list[int] = []
    while True:
        now = time.monotonic_ns()
        if not deaf_after or board.lines < deaf_after:
            for light in board.hear(port.receive(ready), now):
                print(now, light, "told", flush=True)
        if board.silent(now):
            print(now, "dark", "silence", flush=True)
        ready = select.select(port.readers(), [], [], NAP)[0]


def main(arguments: Sequence[str] | None = None) -> int:
    """Be a lamp board until ended."""
    parser = argparse.ArgumentParser(prog="pullwatch_sim.lamp_board", description=main.__doc__)
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--listen", metavar="HOST:PORT", help="TCP address to listen on; port 0: any free one")
    where.add_argument("--pty", type=Path, metavar="LINK", help="make a pseudo-terminal and a link to it here")
    parser.add_argument("--timeout-ms", type=int, default=500, help="dark after so long without a line; 0: never")
    parser.add_argument("--deaf-after", type=int, default=0, help="read so many lines and then no more; 0: all")
    chosen = parser.parse_args(arguments)
    if chosen.timeout_ms < 0 or chosen.deaf_after < 0:
        parser.error("--timeout-ms and --deaf-after: expected 0 or more")
    port = open_port(parser, chosen)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    print(f"listening {port.where}", flush=True)
    with contextlib.suppress(KeyboardInterrupt):
        try:
            serve(port, Board(chosen.timeout_ms * 1_000_000), chosen.deaf_after)
        finally:
            port.unplug()
    return 0


if __name__ == "__main__":
    sys.exit(main())
