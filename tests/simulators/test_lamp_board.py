"""The lamp board: it lights what it is told, and goes dark by itself."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

from pullwatch_sim.lamp_board import LONGEST, Board

if TYPE_CHECKING:
    from pathlib import Path

MS = 1_000_000


def test_it_lights_what_it_is_told() -> None:
    """Lines may come in pieces; what is no line of its own is counted and changes nothing."""
    board = Board(500 * MS)
    assert board.shows == "dark"
    assert board.hear(b"B", 0) == []
    assert board.hear(b"\nM\nM\nX\n", 1) == ["bright", "medium"]
    assert board.hear(b"C\nD\n", 2) == ["colour", "dark"]
    assert (board.lines, board.garbled) == (5, 1)
    assert board.hear(b"B" * 10_000, 3) == []
    assert len(board._half) <= LONGEST


def test_it_goes_dark_when_nothing_comes() -> None:
    """At its time limit after the last line, once; garbage is no line; without a limit never."""
    board = Board(500 * MS)
    board.hear(b"B\n", 0)
    assert not board.silent(499 * MS)
    board.hear(b"B\n", 499 * MS)
    board.hear(b"?\n", 900 * MS)
    assert not board.silent(998 * MS)
    assert board.silent(999 * MS)
    assert not board.silent(2_000 * MS)
    assert board.hear(b"B\n", 2_001 * MS) == ["bright"]
    keeps = Board(0)
    keeps.hear(b"B\n", 0)
    assert not keeps.silent(10**15)


def test_it_runs_as_a_program(tmp_path: Path) -> None:
    """Told over its terminal it says what it shows; left alone it says that it went dark."""
    link = tmp_path / "lamp"
    command = [sys.executable, "-m", "pullwatch_sim.lamp_board", "--pty", str(link), "--timeout-ms", "100"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        try:
            assert select.select([board.stdout], [], [], 20.0)[0]
            assert board.stdout.readline() == f"listening {link}\n"
            end = os.open(link, os.O_RDWR | os.O_NOCTTY)
            os.write(end, b"B\n")
            for light, why in (("bright", "told"), ("dark", "silence")):
                assert select.select([board.stdout], [], [], 20.0)[0]
                assert board.stdout.readline().split()[1:] == [light, why]
            os.close(end)
        finally:
            board.send_signal(signal.SIGTERM)
            assert board.wait(20.0) == 0
    assert not link.exists()
