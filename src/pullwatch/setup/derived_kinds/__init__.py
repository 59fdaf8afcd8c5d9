"""What the setup knows of each kind of derived channel: one module for each family, and the table of them.

[derived.NAME] makes a channel by a kind. Some channels follow from others without anything to set: they are made by
themselves (`STANDARD`) as soon as a rule, a limit or a [channel.NAME] names them and no feed gives them. A kind in
`AMENDING` makes no channel of its own: it doubts the samples of one, and is asked for by keys of [channel.NAME].
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.lazily import Lazily
from pullwatch.setup.derived_kinds.base import DerivedChecking, DerivedSection, KindOfDerived
from pullwatch.setup.derived_kinds.doubts import ASKED_DOUBTS, DOUBTS, Asked
from pullwatch.setup.derived_kinds.engine import ENGINE, BarometricChangeSection
from pullwatch.setup.derived_kinds.formulas import (
    FORMULAS,
    BoostSection,
    FuelDifferentialSection,
    InjectorDutySection,
    PressureRatioSection,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.setup.sections import ChannelSection

__all__ = [
    "AMENDING",
    "ASKED",
    "COMES_WITH",
    "KINDS",
    "STANDARD",
    "Asked",
    "DerivedChecking",
    "DerivedSection",
    "KindOfDerived",
]


def _statistics(name: str) -> KindOfDerived:
    from pullwatch.setup.derived_kinds.statistics import STATISTICS  # noqa: PLC0415 - see `lazily`

    return STATISTICS[name]


def _surface(name: str) -> KindOfDerived:
    from pullwatch.setup.derived_kinds.surface import SURFACES  # noqa: PLC0415 - same

    return SURFACES[name]


def _lately(name: str) -> KindOfDerived:
    from pullwatch.setup.derived_kinds.lately import LATELY  # noqa: PLC0415 - same

    return LATELY[name]


def _volts(name: str) -> KindOfDerived:
    from pullwatch.setup.derived_kinds.sensors import VOLTS  # noqa: PLC0415 - same

    return VOLTS[name]


def _temperature(name: str) -> KindOfDerived:
    from pullwatch.setup.derived_kinds.temperature_sensors import TEMPERATURES  # noqa: PLC0415 - same

    return TEMPERATURES[name]


WINDOWS: Final = ("mean", "least", "most", "spread", "rate", "trend", "ahead", "time-beyond", "crossings", "rises")
COMPARED: Final = ("apart", "middle", "difference")
KINDS: Final[Mapping[str, KindOfDerived]] = Lazily(
    {
        **dict.fromkeys(FORMULAS, FORMULAS.__getitem__),
        **dict.fromkeys(ENGINE, ENGINE.__getitem__),
        **dict.fromkeys((*WINDOWS, *COMPARED), _statistics),
        **dict.fromkeys(("surface", "air-fuel"), _surface),
        "lately": _lately,
        **dict.fromkeys(("linear", "ratiometric", "table"), _volts),
        **dict.fromkeys(("thermistor", "thermistor-ohms", "thermocouple"), _temperature),
    }
)
"""Kinds a [derived.NAME] may have."""

AMENDING: Final[dict[str, KindOfDerived]] = {**DOUBTS}
"""Kinds that amend a channel's own samples, in the order in which they do."""

ASKED: Final[dict[str, Callable[[str, ChannelSection | None, Callable[[str], bool]], Asked | None]]] = {**ASKED_DOUBTS}
"""For each amending kind: what is asked of it by a channel's name and its [channel.NAME], None if nothing is.

The third argument says whether there is a channel of a name, for a doubt that is there by itself only with a partner.
"""

STANDARD: Final[dict[str, DerivedSection]] = {
    "boost": BoostSection(),
    "pressure_ratio": PressureRatioSection(),
    "fuel_differential_pressure": FuelDifferentialSection(),
    "injector_duty": InjectorDutySection(),
    "barometric_change": BarometricChangeSection(),
}
"""Channels that are made by themselves when they are named, no feed gives them, and all they rest on is there."""

COMES_WITH: Final[dict[str, tuple[str, ...]]] = {"barometric-latch": ("barometric_change",)}
"""Standard channels that are made with a channel of a kind, whether anybody names them or not."""
