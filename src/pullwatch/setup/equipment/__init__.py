"""Sections of what stands around the path and decides no verdict: sound, lamp, broker and the like.

Each is one module here: its section's class, and what in it can be wrong beside the rest of the setup
(`EquipmentSection.problems`). The plan keeps what was said as plain JSON (`Plan.equipment`), so that a recording tells
how it was told; whoever drives the thing reads it back with `of`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final, TypeVar

from pullwatch.lazily import Lazily
from pullwatch.setup.sections import EquipmentSection

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

_MODULES: Final[Mapping[str, str]] = {
    # section: module:Class
    "recording": "recording:RecordingSection",
    "sound": "sound:SoundSection",
    "broker": "broker:BrokerSection",
    "lamp": "lamp:LampSection",
    "switch": "switches:SwitchSection",
    "review": "review:ReviewSection",
}
_SectionT = TypeVar("_SectionT", bound=EquipmentSection)


def _made(name: str) -> type[EquipmentSection]:
    module, _, klass = _MODULES[name].partition(":")
    made: type[EquipmentSection] = getattr(import_module(f"{__name__}.{module}"), klass)
    return made


EQUIPMENT: Final[Mapping[str, type[EquipmentSection]]] = Lazily(dict.fromkeys(_MODULES, _made))
"""The class of every such section, by the name it has in the setup file."""


def of(equipment: Mapping[str, Mapping[str, Any]], name: str, model: type[_SectionT]) -> _SectionT | None:
    """Return the section of that name of a plan's equipment, None if the setup has none."""
    said = equipment.get(name)
    return None if said is None else model.model_validate(said, strict=True)
