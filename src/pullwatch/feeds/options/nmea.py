"""What a satellite receiver's feed may be told in the setup file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, FiniteFloat

from pullwatch.feeds.options.base import Options


class NmeaOptions(Options):
    """Sentences of a satellite receiver over a serial port or `socket://HOST:PORT`."""

    kind: Literal["nmea"]
    baud: Annotated[int, Field(gt=0)] = 9_600
    rate_hz: Annotated[FiniteFloat, Field(gt=0, le=100)] = 1.0
    """Fixes a second the receiver is set to; also the rate of its channels where [channel.NAME] states none."""
    sentences: Annotated[list[str], Field(min_length=1)] = Field(default_factory=lambda: ["RMC", "GGA", "VTG"])
    """The sentences it sends for each fix. What two of them tell is taken from the one named first."""
    channels: dict[str, str]
    """Channel name to what the receiver tells: speed, course, latitude, longitude, altitude, satellites, hdop,
    fix_quality, time, date."""
