"""The setup file: read and checked whole, every problem at once, then filled in to the plan the path runs on.

    read_setup   the file's text, lines and shape
    resolve      names, units, conditions, defaults; the plan
    load         both
    decoders_for the plan's decoders
    deriving_for the plan's derived channels and doubts

`pullwatch.setup.plan` is what a recording keeps, and needs neither the files nor a DBC reader.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.setup.decoding import decoders_for
from pullwatch.setup.deriving import deriving_for
from pullwatch.setup.plan import Car, FeedPlan, Limit, Plan, RuleFacts
from pullwatch.setup.reading import Setup, read_setup
from pullwatch.setup.resolve import resolve

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "Car",
    "FeedPlan",
    "Limit",
    "Plan",
    "RuleFacts",
    "Setup",
    "decoders_for",
    "deriving_for",
    "load",
    "read_setup",
    "resolve",
]


def load(path: Path | str) -> Plan:
    """Read a setup file and return its plan. Raises SetupError with everything that is wrong in it."""
    return resolve(read_setup(path))
