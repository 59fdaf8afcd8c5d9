"""What a feed may be told in the setup file: one small options class a kind. `setup` reads them, feeds obey them.

A new kind of feed starts here: an options class, an entry in `OPTIONS`, then its decoder and its feed.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field


class Options(BaseModel):
    """Common to every feed. Unknown keys are refused, with the nearest valid name."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]*$")]
    kind: str


class CanOptions(Options):
    """A CAN bus through an adapter.

    `adapter` is `slcan` (read in bulk by pullwatch itself from a serial port or `socket://HOST:PORT`) or the name of a
    python-can interface (`socketcan`, `socketcand`, `virtual`, …) with `adapter_options` handed to it as they are.
    """

    kind: Literal["can"]
    adapter: str = "slcan"
    port: str
    bitrate: Annotated[int, Field(gt=0, le=1_000_000)] = 500_000
    listen_only: bool = True
    baud: Annotated[int, Field(gt=0)] = 2_000_000
    """Speed of the serial port of an slcan adapter; USB adapters ignore it."""
    dbc: str
    """Path of the DBC file, relative to the setup file."""
    channels: dict[str, str]
    """Channel name to `Message.Signal` of the DBC."""
    adapter_options: dict[str, Any] = Field(default_factory=dict)


class LineField(BaseModel):
    """One field of a text line: by `key` (key=value lines) or by `column` (counting from 1)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channel: str
    key: str = ""
    column: Annotated[int, Field(ge=0)] = 0
    unit: str = ""
    """Unit of the number in the line, when it is not the channel's own (`AFR@14.7`, `psi`, `bar`, …)."""


class Readiness(BaseModel):
    """The word in the line that says whether the sensor behind the other fields has proved itself."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    key: str = ""
    column: Annotated[int, Field(ge=0)] = 0
    good: Annotated[list[str], Field(min_length=1)]
    """Words that mean ready. With any other word the line's values are NOT_READY: a fault, never a number."""


class SerialLineOptions(Options):
    """Lines of text over a serial port or `socket://HOST:PORT`, `key=value` or columns."""

    kind: Literal["serial-line"]
    port: str
    baud: Annotated[int, Field(gt=0)] = 115_200
    separator: str = ";"
    """Between the fields of a line; a single space stands for any run of white space."""
    decimal_comma: bool = False
    comment: str = ""
    """Lines that start with this are passed over (and counted as read)."""
    fields: Annotated[list[LineField], Field(min_length=1)]
    ready: Readiness | None = None


FeedOptions: TypeAlias = CanOptions | SerialLineOptions
OPTIONS: Final[dict[str, type[Options]]] = {"can": CanOptions, "serial-line": SerialLineOptions}
