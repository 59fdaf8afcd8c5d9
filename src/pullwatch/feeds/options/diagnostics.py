"""What a diagnostics feed may be told in the setup file."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from pullwatch.feeds.options.base import Options


class DiagnosticsOptions(Options):
    """On-board diagnostics over CAN (ISO 15765-4): the one kind of feed that sends on a bus.

    `adapter` is `slcan` (over a serial port or `socket://HOST:PORT`) or the name of a python-can interface, as for a
    CAN feed, but opened to take part in the bus.
    """

    kind: Literal["diagnostics"]
    transmit: bool = False
    """Agreed that requests are sent. Without it there is no such feed: it gives nothing that it has not asked for."""
    while_moving: bool = False
    """Whether it goes on asking while the car moves, or while nobody knows whether it does."""
    again_s: Annotated[float, Field(ge=1.0, le=600.0)] = 10.0
    """Seconds between two questions for the speed while the car moves, when nothing else is asked."""
    adapter: str = "slcan"
    bitrate: Annotated[int, Field(gt=0, le=1_000_000)] = 500_000
    baud: Annotated[int, Field(gt=0)] = 2_000_000
    """Speed of the serial port of an slcan adapter; USB adapters ignore it."""
    adapter_options: dict[str, Any] = Field(default_factory=dict)
    addressing: Literal["auto", "11-bit", "29-bit"] = "auto"
    """Identifiers of requests; `auto` tries both until something answers."""
    ask_one: bool = False
    """Put requests to the one control unit that is meant (7E0-7E7), not to all (7DF)."""
    channels: dict[str, str]
    """Channel name to PID (`0B`), to a reading of it (`34.current`), either with its control unit behind (`0C@7E9`)."""
    rates: dict[str, Annotated[float, Field(gt=0.0, le=20.0)]] = Field(default_factory=dict)
    """Channel name to how often it is asked for, Hz. What comes is what the control unit gives."""
    pids_per_request: Annotated[int, Field(ge=1, le=6)] = 1
    """Most PIDs in one request; control units that do not take several are asked singly."""
    gap_ms: Annotated[float, Field(ge=0.0, le=1_000.0)] = 10.0
    """Pause between an answer and the next request."""
    block_size: Annotated[int, Field(ge=0, le=255)] = 0
    """Frames of a long answer that may follow each other before we say go on; 0: all."""
    separation_ms: Annotated[int, Field(ge=0, le=127)] = 0
    """Least time between two frames of a long answer."""
