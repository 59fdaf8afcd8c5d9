"""On-board diagnostics: what is asked for, whether the channels suit it, and what to be wary of.

The table of PIDs and what rests on it are imported by the first feed of the kind, so that start-up stays short.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_MS
from pullwatch.errors import PortError, nearest
from pullwatch.setup.defaults import is_lambda_sensor

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.decoders.pids import Reading, Wanted
    from pullwatch.feeds.options import DiagnosticsOptions
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan

PERIODS: Final = 2.0
"""A channel that is stale before this many of its periods have passed would be lost again and again."""
AT_ONCE: Final = 20.0
"""Requests a second that few cars answer more of (common practice, no source)."""
MEASURED: Final = frozenset({"manifold_pressure", "throttle"})
"""Channels by which an engine is judged: not to be fed with what the controller merely wants."""


class DiagnosticsKind:
    """On-board diagnostics over CAN, ISO 15765-4."""

    link_ms = (20.0, 150.0, "request, control unit (50 ms at most), adapter; common practice, no source")

    def check(self, checking: Checking, options: DiagnosticsOptions) -> None:
        """Check that sending is agreed, the adapter, and each channel against what its PID gives."""
        from pullwatch.decoders.pids import parse  # noqa: PLC0415 - see above

        if not options.transmit:
            what = (
                "is not there, so nothing may be sent, and diagnostics give nothing that is not asked for: pullwatch "
                "would put requests on the car's bus."
            )
            checking.refuse(("transmit",), what, "Write transmit = true if it may, or take the feed out.")
        self._adapter(checking, options)
        if not options.channels:
            checking.refuse(("channels",), "names no channel.", 'Write channels = { engine_speed = "0C", … }.')
        sources: dict[Wanted, str] = {}
        for name, text in options.channels.items():
            try:
                wanted = parse(text)
            except ValueError as error:
                checking.refuse(("channels", name), f"{error}")
                continue
            if wanted in sources:
                checking.refuse(("channels", name), f"{sources[wanted]} is read from {text} already.")
            sources.setdefault(wanted, name)
            channel = checking.channels.get(name)
            if channel is not None:
                self._suits(checking, channel, wanted.reading)
                self._often(checking, channel, options)
        for name in options.rates:
            if name not in options.channels:
                what = f'"{name}" is no channel of this feed{nearest(name, options.channels)}.'
                checking.refuse(("rates", name), what)

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        from pullwatch.decoders.j1979 import J1979Decoder  # noqa: PLC0415 - see above
        from pullwatch.decoders.pids import parse  # noqa: PLC0415 - same

        options: DiagnosticsOptions = feed.options  # type: ignore[assignment] # of this kind
        return J1979Decoder({name: parse(text) for name, text in options.channels.items()}, channels)

    def describe(self, options: DiagnosticsOptions) -> Iterator[str]:
        """Yield what the feed is, and what is asked for how often."""
        from pullwatch.decoders.pids import MEMORY, parse  # noqa: PLC0415 - see above
        from pullwatch.feeds.diagnostics_talk import asked_hz  # noqa: PLC0415 - same

        yield f"on-board diagnostics through {options.adapter}, {options.bitrate:,} bit/s, SENDS requests on the bus"
        moving = "goes on while the car moves" if options.while_moving else "pauses while the car moves"
        several = f"up to {options.pids_per_request} PIDs a request" if options.pids_per_request > 1 else "one PID each"
        to = "to the one control unit meant" if options.ask_one else "to all control units"
        yield f"{moving}; identifiers {options.addressing}, {to}, {several}"
        for name, text in options.channels.items():
            reading = parse(text).reading
            memory = ", formula from memory" if reading.pid in MEMORY else ""
            unit = f", in {reading.unit}" if reading.plain else ""
            yield f"{name}: {text}, {reading.says}{unit}, asked for at {asked_hz(options, name):g} Hz{memory}"

    def cautions(self, options: DiagnosticsOptions) -> Iterator[str]:
        """Yield what to be wary of."""
        from pullwatch.decoders.pids import parse  # noqa: PLC0415 - see above
        from pullwatch.feeds.diagnostics_talk import asked_hz  # noqa: PLC0415 - same

        yield (
            "it SENDS, the only feed that does, so its adapter takes part in the bus: at a wrong bit rate it disturbs "
            "it. Try it at a stand, engine off, and nowhere that forbids it."
        )
        if not options.while_moving:
            yield "wheels turning on a roller are a car that moves: there it asks nothing unless while_moving = true."
        total = sum(asked_hz(options, name) for name in options.channels)
        yield (
            "its readings come 1 to 6 times a second, late and one after the other (common practice, no source): never "
            "the only source of a lean or an overboost alarm."
        )
        if total / options.pids_per_request > AT_ONCE:
            yield (
                f"it is to ask {total:g} times a second; few cars answer more than {AT_ONCE:g} (common practice, no "
                "source). Each channel will come less often than its rate says."
            )
        for name, text in options.channels.items():
            pid = parse(text).reading.pid
            if pid == 0x0B:
                yield (
                    f"{name} from PID 0B ends at 255 kPa absolute, whatever the pressure is, unless the controller "
                    "gives another scale (PID 4F): 255 kPa there means at least 255. A limit near it or above it is "
                    "never reached."
                )
            elif pid == 0x87:
                yield f"{name}: the scale of PID 87 is from memory. Hold it against barometric pressure, engine off."
        if options.adapter != "slcan":
            yield (
                f"{options.port} is a name the system gives to a {options.adapter} channel: two adapters may swap "
                "names. See that each is the one meant."
            )

    def _adapter(self, checking: Checking, options: DiagnosticsOptions) -> None:
        """Refuse an adapter there is no driver for, a port that cannot be one of it, and a rate it has not."""
        if options.adapter == "slcan":
            checking.port(options.port)
            from pullwatch.feeds.slcan import bitrate_command  # noqa: PLC0415 - a replay needs no ports

            try:
                bitrate_command(options.port, options.bitrate)
            except PortError as error:
                checking.refuse(("bitrate",), f"{error}")
            return
        # Imported here because the library of all the other adapters takes a fifth of a second.
        from pullwatch.feeds.can_bus import bus_class  # noqa: PLC0415

        try:
            bus_class(options.adapter, options.port)
        except PortError as error:
            checking.refuse(("adapter",), f"{error}")

    def _suits(self, checking: Checking, channel: Channel, reading: Reading) -> None:
        """Refuse a PID that gives another quantity than the channel is, or what the controller only wants."""
        path = ("channels", channel.name)
        if reading.plain and channel.unit:
            what = f"PID {reading.name} gives {reading.says} in {reading.unit}; {channel.name} is in {channel.unit}."
            todo = f'Give it a name of its own, with unit = "" (a plain number, in {reading.unit}).'
            checking.refuse(path, what, todo)
        elif reading.dimension is not channel.dimension:
            what = f"PID {reading.name} is {reading.says}, {reading.dimension.value}"
            checking.refuse(path, f"{what}; {channel.name} is {channel.dimension.value}.")
        elif reading.commanded and (is_lambda_sensor(channel.name, channel.dimension) or channel.name in MEASURED):
            what = f"PID {reading.name} is what the controller wants, not what a sensor says."
            checking.refuse(path, what, "Give it the name of a target (lambda_target, boost_target) or one of its own.")

    def _often(self, checking: Checking, channel: Channel, options: DiagnosticsOptions) -> None:
        """Refuse a channel that would be stale between two answers."""
        from pullwatch.feeds.diagnostics_talk import asked_hz  # noqa: PLC0415 - see above

        rate = asked_hz(options, channel.name)
        stale = channel.stale_after / NS_PER_MS
        if stale < PERIODS * 1e3 / rate:
            what = (
                f"{channel.name} is asked for {rate:g} times a second and stale after {stale:g} ms: it would be lost "
                "between two answers."
            )
            todo = f"Write [channel.{channel.name}] with rate_hz = {rate:g}, or less if the car is slower."
            checking.refuse(("channels", channel.name), what, todo)
