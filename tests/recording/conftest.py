"""Recorders that are stepped by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from .judged import Judged
from .sessions import FEEDS, OPEN, RULES, Desk, HandClock, Stepped

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


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


@pytest.fixture
def judged() -> Iterator[Callable[..., Judged]]:
    """Return a function that opens a judged session; its recorder is closed after the test."""
    opened: list[Judged] = []

    def opening(folder: Path, **settings: Any) -> Judged:
        opened.append(Judged(folder, **settings))
        return opened[-1]

    yield opening
    for one in opened:
        one.recorder.close()
