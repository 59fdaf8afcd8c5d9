"""Evenings that several tests look at, each played once."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import pytest

from pullwatch_sim.scenarios import load
from pullwatch_sim.truth import Truth, simulate

if TYPE_CHECKING:
    from collections.abc import Callable


@cache
def _evening(name: str) -> Truth:
    return simulate(load(name))


@pytest.fixture(scope="session")
def evening() -> Callable[[str], Truth]:
    """Play a scenario by name, once for all tests."""
    return _evening


@pytest.fixture(scope="session")
def short_pull() -> Truth:
    """Give one clean pull of about twelve seconds."""
    return _evening("short-pull")


@pytest.fixture(scope="session")
def short_lean() -> Truth:
    """Give one pull in which the fuel pump fades."""
    return _evening("short-lean")
