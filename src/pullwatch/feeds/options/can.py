"""What a CAN feed may be told in the setup file."""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Field

from pullwatch.feeds.options.base import Options

Address: TypeAlias = Annotated[int, Field(ge=0, le=253)]
"""An address a J1939 node can have."""


class CanOptions(Options):
    """A CAN bus through an adapter.

    `adapter` is `slcan` (read in bulk by pullwatch itself from a serial port or `socket://HOST:PORT`) or the name of a
    python-can interface (`socketcan`, `socketcand`, `virtual`, …) with `adapter_options` handed to it as they are.
    """

    kind: Literal["can"]
    adapter: str = "slcan"
    bitrate: Annotated[int, Field(gt=0, le=1_000_000)] = 500_000
    listen_only: bool = True
    baud: Annotated[int, Field(gt=0)] = 2_000_000
    """Speed of the serial port of an slcan adapter; USB adapters ignore it."""
    dbc: str
    """Path of the DBC file, relative to the setup file."""
    channels: dict[str, str]
    """Channel name to `Message.Signal` of the DBC."""
    adapter_options: dict[str, Any] = Field(default_factory=dict)
    protocol: Literal["plain", "j1939"] = "plain"
    """`j1939`: messages are found by group and source address, and its codes for "no value" are no numbers."""
    source_addresses: dict[str, Address] = Field(default_factory=dict)
    """J1939: channel name, or message name of the DBC, to the address of the node it is taken from."""
    ask_status: bool = False
    """slcan: ask the adapter for its status flags each second (`F`, to the adapter alone)."""
