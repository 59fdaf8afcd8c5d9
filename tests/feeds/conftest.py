"""Every test of the feeds must leave the process as it found it: no thread, no descriptor more."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from .rigs import RIGS, Taker

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from .rigs import Rig


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
        thread.join(1.0)
    assert set(threading.enumerate()) - threads == set()
    assert open_descriptors() - descriptors == set()


@pytest.fixture
async def taker() -> Taker:
    """Return an intake and who waits for its records."""
    return Taker()


@pytest.fixture(params=RIGS)
async def rig(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Rig]:
    """Give the hardware of each kind of feed in turn, not plugged in yet."""
    made = RIGS[request.param](tmp_path)
    yield made
    await made.unplug()
