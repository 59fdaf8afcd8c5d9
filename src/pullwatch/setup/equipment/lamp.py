"""[lamp]: a board of LEDs or relays on a serial port, and what is written to it for each level of light."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, TypeAlias

from pydantic import Field, FiniteFloat

from pullwatch.annunciators.lamp import SPEEDS, Board, Level
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import PortError
from pullwatch.feeds import ports
from pullwatch.setup.sections import EquipmentSection

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup.plan import Plan

NEVER_WIRED: Final = (
    "No lamp or relay contact is ever wired to fuel, spark, pump or controller: a fuel cut under boost is itself a "
    "lean event. The lamp says; the foot does."
)
"""Said wherever a lamp is set up."""
LONGEST: Final = 64
"""Bytes of the longest line; a board that needs more is no lamp."""
BITS: Final = 10
"""Bits a byte takes on a serial line: 8, a start and a stop bit."""
SHARE: Final = 0.5
"""Of the time between two lines, the share that sending one may take."""
NAMES: Final = {"bright": Level.BRIGHT, "dim": Level.DIM, "dark": Level.DARK, "caution": Level.CAUTION}

Text: TypeAlias = Annotated[str, Field(min_length=1, max_length=LONGEST)]
Bytes: TypeAlias = Annotated[list[Annotated[int, Field(ge=0, le=255)]], Field(min_length=1, max_length=LONGEST)]
Said: TypeAlias = Text | Bytes


class LampSection(EquipmentSection):
    r"""[lamp]: each level is a text ("B1\n") or a list of bytes ([0xA0, 0x01, 0xA1])."""

    port: str
    baud: Annotated[int, Field(gt=0)] = 9_600
    dark: Said
    """Do not trust: nothing is watching."""
    dim: Said
    bright: Said
    caution: Said | None = None
    """Another colour, if cautions are wanted on the lamp."""
    every_ms: Annotated[FiniteFloat, Field(ge=50, le=500)] = 100.0
    """A line is written again after this long: the board's own time limit must be longer."""

    def board(self) -> Board:
        """Return what the annunciator drives."""
        lines = {level: _bytes(getattr(self, name)) for name, level in NAMES.items() if getattr(self, name) is not None}
        return Board(self.port, self.baud, lines, round(self.every_ms * NS_PER_MS))

    def problems(self, plan: Plan) -> Iterator[tuple[str, str, str]]:
        """Yield a port that cannot be, or is a feed's; lines that are no ASCII, alike, or too long for the baud."""
        try:
            ports.parse(self.port)
        except PortError as error:
            yield "port", f"{error}", ""
        for feed in plan.feeds:
            if feed.options.port == self.port:
                yield "port", f'{self.port} is the port of feed "{feed.options.name}".', "A port has one owner."
        said: dict[bytes, str] = {}
        for name in NAMES:
            line = getattr(self, name)
            if line is None:
                continue
            if isinstance(line, str) and not line.isascii():
                yield name, "is no plain ASCII.", f"Write the bytes: {name} = [0xA0, 0x01, 0xA1]."
                continue
            data = _bytes(line)
            if data in said:
                todo = "A board that has no dim light takes two lamps: the small one alone is dim, both are bright."
                yield name, f"is the same as {said[data]}: nobody could tell the two.", todo
            said.setdefault(data, name)
            takes = 1000 * BITS * len(data) / self.baud
            if takes > SHARE * self.every_ms:
                what = f"{len(data)} bytes take {takes:.0f} ms at {self.baud:,} Bd, and one is sent each "
                yield name, f"{what}{self.every_ms:g} ms.", "Write a higher baud or a longer every_ms."

    def wary(self, plan: Plan) -> Iterator[str]:
        """Yield what to be wary of."""
        yield f"[lamp]: {NEVER_WIRED}"
        yield (
            f"[lamp]: it shows that the monitor is gone only if the board goes dark by itself when nothing comes for "
            f"some {3 * self.every_ms:.0f} to {10 * self.every_ms:.0f} ms. A board that keeps its last state needs a "
            "retriggerable timer between board and lamp (hardware_notes/lamp.md)."
        )
        if plan.profile != "dyno" and not any(channel.name in SPEEDS for channel in plan.channels):
            yield (
                "[lamp]: no feed tells whether the car stands (vehicle_speed, wheel speeds, driveshaft_speed, "
                'engine_speed): after a "Lift" the lamp stays bright to the end of the session.'
            )
        if note := ports.note(self.port):
            yield f"[lamp]: {note}"


def _bytes(said: Said) -> bytes:
    return said.encode("utf-8") if isinstance(said, str) else bytes(said)
