"""[sound]: the device, how loud, and who hears it.

    [sound]
    device = "USB Headset"   # "default", "null" (silent, on purpose), or a part of a device's name
    volume = 0.8             # of full scale: all signals alike, so that their order stays
    hearer = "crew"          # who hears it; without it the profile says: a crew on the dyno, else the driver

`pullwatch watch --device NAME` takes the place of `device`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Final, Literal

from pydantic import Field, FiniteFloat

from pullwatch.sentinel.devices import DEFAULT, NULL
from pullwatch.setup.sections import EquipmentSection

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup.plan import Plan

LEAST_VOLUME: Final = 0.1
"""A tenth of full scale is 20 dB down: where full scale just stands out from the noise, nobody hears that."""
SOFT: Final = 0.5
"""From 6 dB below full scale on, it is said at every start that critical is softened too."""


class SoundSection(EquipmentSection):
    """What plays the signals, how loud, and for whom."""

    device: Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")] = DEFAULT
    volume: Annotated[FiniteFloat, Field(ge=0, le=1)] = 1.0
    hearer: Literal["driver", "crew"] | None = None

    def problems(self, plan: Plan) -> Iterator[tuple[str, str, str]]:  # noqa: ARG002 - it is wrong beside any setup
        """Yield what is wrong with it."""
        if self.volume < LEAST_VOLUME:
            what = f'{self.volume:g} would soften "Lift" until nobody hears it: the least is {LEAST_VOLUME:g}.'
            yield "volume", what, f'To have no sound on purpose write device = "{NULL}".'

    def for_driver(self, profile: str) -> bool:
        """Return whether the driver, who is alone, hears it; else a crew that stands by."""
        return self.hearer == "driver" if self.hearer is not None else profile != "dyno"

    def cautions(self, device: str | None = None) -> list[str]:
        """Return what must be said at every start. `device` takes the place of the section's."""
        found = []
        if (device or self.device) == NULL:
            found.append("no sound is made, as asked for: no alarm will be heard.")
        elif self.volume <= SOFT:
            down = -20.0 * math.log10(max(self.volume, LEAST_VOLUME))
            found.append(
                f'volume {self.volume:g} makes every signal {down:.0f} dB softer, "Lift" too. Hear it once with the '
                "engine loud: pullwatch sound-check SETUP"
            )
        return found
