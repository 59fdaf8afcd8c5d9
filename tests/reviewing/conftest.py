"""One recorded evening for all who only read it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from tests.reviewing.recorded import evening, record

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def evening_recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the recorded dyno evening."""
    return record(tmp_path_factory.mktemp("sessions") / "2026-11-25_20-00-00_copper-hatch", evening())
