"""What the tests of publishing share."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from .rig import Broker, Drive, Ear, Gate, plan_in

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """Start a broker that lets everybody in."""
    made = Broker(tmp_path)
    made.start()
    yield made
    made.kill()


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[Drive]:
    """Begin a session that is being recorded."""
    made = Drive(tmp_path, plan_in(tmp_path))
    yield made
    made.close()


@pytest.fixture
async def ear(broker: Broker) -> AsyncIterator[Ear]:
    """Listen to everything under our topics."""
    made = Ear(broker.port)
    task = asyncio.create_task(made.listen())
    await asyncio.wait_for(made.linked.wait(), 20)
    yield made
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


@pytest.fixture
async def gate(broker: Broker) -> AsyncIterator[Gate]:
    """Open a way to the broker that can be cut."""
    made = Gate(broker.port)
    await made.open()
    yield made
    await made.shut()
