"""The logbook: what the owner did to the car, what the strip and the laboratory said, what the air was.

One SQLite file the owner can copy. Rows are added and struck out with a reason; nothing is ever removed or altered, and
the file itself refuses it.
"""

from __future__ import annotations

from pullwatch.logbook.items import ITEMS, Item, Pick
from pullwatch.logbook.logbook import Logbook, default_file

__all__ = ["ITEMS", "Item", "Logbook", "Pick", "default_file"]
