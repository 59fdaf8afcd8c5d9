"""[review]: what the review of a recording has to know beside the channels. Nothing here is judged by."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import Field, FiniteFloat

from pullwatch.channels import unit_named
from pullwatch.errors import UnitError, nearest
from pullwatch.review.table import ROLLOUT, Accuracy
from pullwatch.setup.sections import EquipmentSection

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.channels import Channel
    from pullwatch.setup.plan import Plan

_WRITTEN: Final = re.compile(r"(?:±\s*)?(\d+(?:\.\d+)?)\s*(\S.*)?")
OF_READING: Final = "% of reading"
LONGEST_ROLLOUT: Final = 1.0
MOST_POINTS: Final = 64
"""Of an axis of a fuel table."""


class ReviewSection(EquipmentSection):
    """[review]: `accuracy` of sensors by channel, `rollout_m` of the strip's start, the axes of the fuel table."""

    accuracy: dict[str, str] = Field(default_factory=dict)
    """Channel to ± so much: "5 kPa", or "1.5 % of reading"."""
    rollout_m: Annotated[list[FiniteFloat], Field(min_length=2, max_length=2)] = Field(
        default_factory=lambda: list(ROLLOUT)
    )
    """How far the car rolls before the strip's clock starts, m."""
    speed_axis: Annotated[list[FiniteFloat], Field(max_length=MOST_POINTS)] = Field(default_factory=list)
    """Points of the owner's fuel table along engine speed, rpm. Where it was lean is told in its cells."""
    pressure_axis: Annotated[list[FiniteFloat], Field(max_length=MOST_POINTS)] = Field(default_factory=list)
    """Points of the same table along manifold pressure, kPa absolute."""
    bore_mm: Annotated[FiniteFloat, Field(ge=30, le=200)] | None = None
    """Bore of the cylinders: tells in which band a knock sensor can be tuned."""
    intake_valve_mm: Annotated[FiniteFloat, Field(ge=10, le=80)] | None = None
    """Diameter of an intake valve's head: tells how hard boost opens it."""

    def problems(self, plan: Plan) -> Iterator[tuple[str, str, str]]:
        """Yield accuracies of channels there are none of, or that cannot be read, and a rollout that cannot be."""
        channels = {channel.name: channel for channel in plan.channels}
        for name, text in self.accuracy.items():
            if name not in channels:
                yield "accuracy", f'"{name}" is no channel of this car.', nearest(name, channels).strip()
                continue
            try:
                accuracy_of(channels[name], text)
            except UnitError as error:
                yield "accuracy", f"{name}: {error}", f'Write it as "5 {channels[name].unit}" or "1.5 {OF_READING}".'
        least, most = self.rollout_m
        if not 0.0 <= least <= most <= LONGEST_ROLLOUT:
            what = f"from {least:g} to {most:g} m is no rollout."
            yield "rollout_m", what, "Usual is [0.20, 0.36]: the least first, metres."
        yield from self._axes()

    def _axes(self) -> Iterator[tuple[str, str, str]]:
        """Yield axes that are none of a table: both or neither, two points and more, rising, in believable units."""
        both = {"speed_axis": self.speed_axis, "pressure_axis": self.pressure_axis}
        if not any(both.values()):
            return
        for name, axis in both.items():
            if len(axis) < 2:
                yield name, "has no two points.", "Write both axes of your fuel table, each with all its points."
            elif any(two <= one for one, two in pairwise(axis)):
                yield name, "does not rise from point to point.", "Write the points in order, each once."
        if self.pressure_axis and not 5.0 <= self.pressure_axis[0] <= self.pressure_axis[-1] <= 500.0:
            what = "is not in kPa absolute: it must lie between 5 and 500."
            yield "pressure_axis", what, "1 psi is 6.895 kPa; to a gauge pressure add the barometric pressure."
        if self.speed_axis and not 0.0 <= self.speed_axis[0] <= self.speed_axis[-1] <= 15_000.0:
            yield "speed_axis", "is not in rpm: it must lie between 0 and 15000.", "Write it in rpm, not in thousands."

    def accuracies(self, channels: dict[str, Channel]) -> dict[str, Accuracy]:
        """Return what is stated, by channel name."""
        return {name: accuracy_of(channels[name], text) for name, text in self.accuracy.items() if name in channels}


def accuracy_of(channel: Channel, text: str) -> Accuracy:
    """Return what an accuracy says of a channel. Raises UnitError if it cannot be understood."""
    found = _WRITTEN.fullmatch(text.strip())
    number, unit = (found.group(1), (found.group(2) or "").strip()) if found else ("", "")
    if not number:
        raise UnitError(text, 1, "a number with its unit is expected")
    if unit == OF_READING:
        return Accuracy(float(number) / 100.0, 0.0, "stated")
    if not unit and not channel.unit:
        return Accuracy(0.0, float(number), "stated")
    written = unit_named(unit or "?", text)
    if written.stored != channel.unit:
        raise UnitError(text, 0, f"{written.word} is no unit of {channel.name} ({channel.unit or 'a plain number'})")
    return Accuracy(0.0, float(number) * written.factor, "stated")  # a difference: no offset, ± 9 °F are ± 5 °C
