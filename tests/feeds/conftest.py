"""The rigs every kind of feed is tested on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .rigs import RIGS, Taker

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from .rigs import Rig


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
