"""Watching processes and their sentinels, ended with the test whatever happens in it."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

DEADLINE_S = 20.0


class Lines:
    """Lines from a descriptor, waited for with a deadline."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self.ended = False
        self._rest = b""

    def next(self, seconds: float = DEADLINE_S) -> str | None:
        """Return the next line, or None at the end or if none came in time (`ended` says which)."""
        until = time.monotonic() + seconds
        while b"\n" not in self._rest:
            left = until - time.monotonic()
            if self.ended or left < 0 or not select.select([self.fd], [], [], left)[0]:
                return None
            data = os.read(self.fd, 65536)
            self.ended = not data
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode()

    def until(self, word: str, seconds: float = DEADLINE_S) -> str:
        """Return the first line with `word` in it, passing over others."""
        passed = []
        while (line := self.next(seconds)) is not None:
            if word in line:
                return line
            passed.append(line)
        raise AssertionError(f'no "{word}" came; what came: {passed}')

    def rest(self, seconds: float = DEADLINE_S) -> list[str]:
        """Return every line until the end, which must come in time."""
        lines = []
        while (line := self.next(seconds)) is not None:
            lines.append(line)
        assert self.ended, f"the other end is still open after {seconds} s; lines so far: {lines}"
        return lines


class Watcher:
    """A watching process (tests/sentinel/watcher.py) with its sentinel. The end of `said` is the end of both."""

    def __init__(self, **settings: Any) -> None:
        read, write = os.pipe()
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("watcher.py")), json.dumps(settings)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=write,
        )
        os.close(write)
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.said = Lines(read)
        self.out = Lines(self.process.stdout.fileno())
        self.sentinel = int(self.out.until("pid ").split()[1])
        self.out.until("ready")

    def tell(self, command: str) -> None:
        """Give a command."""
        assert self.process.stdin is not None
        os.write(self.process.stdin.fileno(), f"{command}\n".encode())

    def kill(self, how: signal.Signals) -> int:
        """Send a signal to the watching process; return time.monotonic_ns at that moment."""
        at = time.monotonic_ns()
        self.process.send_signal(how)
        return at

    def close(self) -> None:
        """End both, if they still run."""
        self.process.kill()
        self.process.wait(DEADLINE_S)
        # Only while its stderr is open does the number surely belong to our sentinel.
        if not self.said.ended and not self._said_to_the_end(0.0):
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.sentinel, signal.SIGKILL)
            assert self._said_to_the_end(DEADLINE_S)
        os.close(self.said.fd)
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()

    def _said_to_the_end(self, seconds: float) -> bool:
        while self.said.next(seconds) is not None:
            pass
        return self.said.ended


@pytest.fixture
def watch() -> Iterator[Callable[..., Watcher]]:
    """Start watchers; all of them and their sentinels are gone after the test."""
    with contextlib.ExitStack() as stack:

        def start(**settings: Any) -> Watcher:
            watcher = Watcher(**{"device": "null", "gone_for": 0.3, **settings})
            stack.callback(watcher.close)
            return watcher

        yield start
