"""Every test of the recording must leave the process as it found it: no thread, no descriptor more."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from .sessions import FEEDS, OPEN, RULES, Desk, HandClock, Stepped

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


def open_descriptors() -> set[tuple[int, str]]:
    """Return what is open now: number and what stands behind it."""
    found: set[tuple[int, str]] = set()
    for entry in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):  # the one the listing itself used
            found.add((int(entry.name), str(entry.readlink())))
    return found


@pytest.fixture(autouse=True)
def no_leaks() -> Iterator[None]:
    """Fail a test that leaves a thread or an open descriptor behind."""
    threads = set(threading.enumerate())
    descriptors = open_descriptors()
    yield
    for thread in set(threading.enumerate()) - threads:
        thread.join(5.0)
    assert set(threading.enumerate()) - threads == set()
    assert open_descriptors() - descriptors == set()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Name a session folder that is not there yet."""
    return tmp_path / "2025-06-14_19-32-08_copper-hatch"


@pytest.fixture
def desk(folder: Path) -> Iterator[Callable[..., Desk]]:
    """Return a function that opens a stepped recorder; it is closed after the test."""
    steady = [10_000_000_000]
    opened: list[Desk] = []

    def opening(**settings: Any) -> Desk:
        clock = HandClock()
        start = {"car": {"name": "copper hatch"}, "setup": "as resolved"}
        where = settings.pop("folder", folder)
        recorder = Stepped(where, start, FEEDS, RULES, clock, steady=lambda: steady[0], **{"limits": OPEN, **settings})
        opened.append(Desk(where, clock, steady, recorder))
        return opened[-1]

    yield opening
    for one in opened:
        one.recorder.close()
