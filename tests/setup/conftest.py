"""A small setup that is right, and a way to write setups to files."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

RIGHT = """\
[car]
name = "copper hatch"

[[feed]]
name = "box"
kind = "serial-line"
port = "serial:FT5678"
fields = [
  { channel = "lambda", key = "lambda" },
  { channel = "engine_speed", key = "rpm" },
  { channel = "manifold_pressure", key = "map", unit = "psia" },
  { channel = "barometric_pressure", key = "baro" },
  { channel = "throttle", key = "tps" },
  { channel = "fuel_differential_pressure", key = "fdp" },
]
"""


@pytest.fixture
def right() -> str:
    """Return a setup without rules that is right."""
    return RIGHT


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    """Return a function that writes a setup file and returns its path."""

    def _write(text: str) -> Path:
        path = tmp_path / "setup.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return _write
