"""Every test must leave the process as it found it: no thread, no descriptor more."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from collections.abc import Iterator

# A property holds or not; how fast a busy machine draws its inputs is no part of it.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")


def open_descriptors() -> set[tuple[int, str]]:
    """Return what is open now: number and what stands behind it (systems without /proc: nothing)."""
    found: set[tuple[int, str]] = set()
    listing = Path("/proc/self/fd")
    for entry in listing.iterdir() if listing.is_dir() else ():
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
