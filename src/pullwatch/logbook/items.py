"""The pick list: what is changed between two runs, in which unit, by which step.

Steps and bounds are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that can be changed: `unit` and `step` of a number (None: a text), and what is believed of it.

    `mapped`: it may be for a range of engine speed and manifold pressure only.
    """

    name: str
    says: str
    unit: str = ""
    step: float | None = None
    least: float = -math.inf
    most: float = math.inf
    mapped: bool = False

    @property
    def numeric(self) -> bool:
        """Whether it is a number."""
        return self.step is not None


@dataclass(frozen=True, slots=True)
class Pick:
    """A line of the pick list: the item, its last value (empty: never noted), and the values one step away."""

    item: Item
    last: str
    less: str
    more: str


_ALL: Final = (
    Item("wastegate_duty", "wastegate duty", "%", 1.0, 0.0, 100.0, mapped=True),
    Item("boost_target", "boost target, kPa absolute", "kPa", 5.0, 20.0, 500.0, mapped=True),
    Item("fuel", "fuel of the map, percent against before", "%", 2.0, -50.0, 100.0, mapped=True),
    Item("timing", "ignition timing against before", "deg", 0.5, -30.0, 30.0, mapped=True),
    Item("launch_speed", "launch limiter", "rpm", 100.0, 1_000.0, 10_000.0),
    Item("launch_retard", "timing taken out on the launch limiter", "deg", 1.0, 0.0, 60.0),
    Item("shift_speed", "shift at", "rpm", 100.0, 1_000.0, 12_000.0),
    Item("tyre_pressure", "pressure of the driven tyres, gauge", "kPa", 5.0, 20.0, 500.0),
    Item("tyres", "tyres"),
    Item("fuel_grade", "fuel in the tank"),
    Item("base_fuel_pressure", "fuel pressure across the injector", "kPa", 10.0, 100.0, 1_000.0),
    Item("oil", "oil and grade"),
    Item("plugs", "plugs and heat range"),
    Item("plug_gap", "plug gap", "mm", 0.05, 0.2, 1.5),
    Item("actuator_preload", "wastegate actuator preload", "mm", 0.5, 0.0, 30.0),
    Item("dampers", "dampers"),
    Item("mass", "mass of the car with driver", "kg", 10.0, 300.0, 10_000.0),
    Item("other", "something else: say what in the note"),
)
ITEMS: Final = {item.name: item for item in _ALL}


def number(value: float) -> str:
    """Write a number as short as it is exact enough: 35, 0.75."""
    return f"{value:.6g}"


def pick(item: Item, last: str) -> Pick:
    """Return the line of the pick list for an item whose last value is `last`."""
    try:
        value = float(last) if item.numeric and last else math.nan
    except ValueError:
        value = math.nan
    if item.step is None or math.isnan(value):
        return Pick(item, last, "", "")
    return Pick(item, last, number(max(item.least, value - item.step)), number(min(item.most, value + item.step)))


def wrong(item: Item, value: str) -> str:
    """Say what is wrong with a value for an item; empty if it can be."""
    if not value.strip():
        return f"{item.name}: it was changed to what?"
    if not item.numeric:
        return ""
    try:
        given = float(value)
    except ValueError:
        return f'{item.name}: "{value}" is no number; {item.says}, {item.unit}, is expected.'
    if not item.least <= given <= item.most:
        return f"{item.name}: {value} {item.unit} cannot be; {item.least:g} to {item.most:g} {item.unit} is expected."
    return ""
