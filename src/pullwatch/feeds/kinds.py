"""Which feed reads which kind of the setup file. A feed's module is imported when the first feed of it is built."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeAlias

from pullwatch.errors import PortError
from pullwatch.feeds.options import CanOptions, DiagnosticsOptions, NmeaOptions, SerialLineOptions, SerialPacketOptions

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.feeds.base import Feed
    from pullwatch.feeds.options import Options

    Builder: TypeAlias = Callable[["Options", int, Path], Feed]


def _serial(options: Options, number: int, base_folder: Path) -> Feed:
    from pullwatch.feeds import serial  # noqa: PLC0415 - imported by who uses it, so that start-up stays short

    assert isinstance(options, NmeaOptions | SerialLineOptions | SerialPacketOptions)
    return serial.build(options, number, base_folder)


def _can(options: Options, number: int, base_folder: Path) -> Feed:
    assert isinstance(options, CanOptions)
    if options.adapter == "slcan":
        from pullwatch.feeds import slcan  # noqa: PLC0415 - same

        return slcan.build(options, number, base_folder)
    from pullwatch.feeds import can_bus  # noqa: PLC0415 - same; python-can alone takes a fifth of a second

    return can_bus.build(options, number, base_folder)


def _diagnostics(options: Options, number: int, base_folder: Path) -> Feed:
    from pullwatch.feeds import diagnostics  # noqa: PLC0415 - same

    assert isinstance(options, DiagnosticsOptions)
    return diagnostics.build(options, number, base_folder)


def _table(options: Options, number: int, base_folder: Path) -> Feed:  # noqa: ARG001 - every kind is built alike
    what = "is a log that was taken in: there is nothing to watch in it."
    raise PortError(options.port, what, "Read its recording: pullwatch replay, pullwatch alarms.")


BUILDERS: Final[dict[str, Builder]] = {
    "can": _can,
    "diagnostics": _diagnostics,
    "nmea": _serial,
    "serial-line": _serial,
    "serial-packet": _serial,
    "table": _table,
}
"""By the kinds of `options.OPTIONS`."""


def build(options: Options, number: int, base_folder: Path) -> Feed:
    """Build the feed for `options`; `number` counts from 1, relative paths are taken from `base_folder`.

    Raises PortError for settings that cannot work however long one waits.
    """
    return BUILDERS[options.kind](options, number, base_folder)
