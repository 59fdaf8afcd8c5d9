"""Real programs on the wire: simulators, and the watcher as a person would start it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING

from pullwatch.clock import NS_PER_S, steady_ns
from pullwatch.recording.reader import Follower

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import ExitStack

    from pullwatch.recording.reader import Block

PATIENCE_S = 60.0


def program(
    stack: ExitStack, *arguments: str, stdout: IO[bytes] | int | None = subprocess.PIPE
) -> subprocess.Popen[bytes]:
    """Start a program of ours that is ended with the stack."""
    process = subprocess.Popen([sys.executable, "-m", *arguments], stdin=subprocess.DEVNULL, stdout=stdout)

    def end() -> None:
        if process.poll() is None:
            process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()

    stack.callback(end)
    return process


class Evening:
    """The two simulators, playing one scenario from `begin` (steady ns) on, and the setup file that listens to them."""

    def __init__(self, stack: ExitStack, folder: Path, scenario: str, lead_s: float = 8.0) -> None:
        lead = int(lead_s * NS_PER_S)
        self.begin = steady_ns() + lead
        self.folder = folder
        self.sessions = folder / "sessions"
        self._stack = stack
        self._followed: set[Path] = set()
        start_at = ("--start-at", str(time.monotonic_ns() + lead))
        listening = ("--scenario", scenario, "--listen", "127.0.0.1:0", *start_at)
        nodes = [program(stack, f"pullwatch_sim.{name}", *listening) for name in ("can_node", "serial_lambda")]
        ports = []
        for node in nodes:
            assert node.stdout is not None
            word, host, port = node.stdout.readline().decode().split()[:3]
            assert word == "listening"
            ports.append(f"socket://{host}:{port}")
        made = subprocess.run(
            [
                *(sys.executable, "-m", "pullwatch_sim.evening", "--into", str(folder)),
                *("--can", ports[0], "--wideband", ports[1]),
            ],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        self.setup = Path(made.stdout.strip())

    def setup_with(self, text: str) -> Path:
        """Write another setup beside this one (its DBC lies there) and return its path."""
        other = self.setup.with_name("other.toml")
        other.write_text(text, encoding="utf-8")
        return other

    def watch(self, log: Path) -> subprocess.Popen[bytes]:
        """Start `pullwatch watch`; what it prints goes to `log`."""
        with log.open("wb") as stdout:
            command = ("pullwatch", "watch", str(self.setup), "--sessions", str(self.sessions), "--device", "null")
            return program(self._stack, *command, stdout=stdout)

    def follow(self, until: Callable[[Block], bool], watcher: subprocess.Popen[bytes]) -> Path:
        """Follow the session that is new since the last call until a block satisfies `until`; return its folder."""
        deadline = time.monotonic() + PATIENCE_S
        follower: Follower | None = None
        while time.monotonic() < deadline:
            assert watcher.poll() is None, "the watcher ended too early"
            if follower is None:
                new = {part.parent for part in self.sessions.glob("*/0001.mcap")} - self._followed
                if new:
                    follower = Follower(new.pop())
                    self._followed.add(follower.folder)
            elif any(until(block) for block in follower.poll()):
                return follower.folder
            with suppress(subprocess.TimeoutExpired):
                watcher.wait(0.02)
        raise AssertionError("what was waited for did not come")


def interrupt(process: subprocess.Popen[bytes]) -> int:
    """Ask a program to end as Ctrl-C does, and return its exit code."""
    process.send_signal(signal.SIGINT)
    return process.wait(PATIENCE_S)


def kill(process: subprocess.Popen[bytes]) -> int:
    """Kill a program as a crash would; return the steady ns just after."""
    os.kill(process.pid, signal.SIGKILL)
    killed = steady_ns()
    process.wait(PATIENCE_S)
    return killed
