"""A satellite receiver: what is taken from which sentence, how late it speaks, and whether it all fits the wire.

Bytes a second are the fixes a second times the bytes of the sentences of one fix. A serial wire carries a tenth of its
baud in bytes a second: eight bits, a start and a stop.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pullwatch.channels import Delay
from pullwatch.clock import NS_PER_MS
from pullwatch.decoders.nmea import COURSE_FROM_KMH, QUANTITIES, SENTENCES, NmeaDecoder, Wanted, source_of
from pullwatch.errors import PortError, nearest
from pullwatch.feeds.ports import Peer, parse
from pullwatch.setup.feed_kinds.base import Usual

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.feeds.options import NmeaOptions
    from pullwatch.setup.feed_kinds.base import Checking
    from pullwatch.setup.plan import FeedPlan

LAG_MS: Final = (100.0, 500.0)
"""From the moment a fix is of to the end of its sentence: tracking, filter, sums, and the wire (common practice, no
source; a starting value)."""

MOST_BYTES: Final = 82
"""Longest sentence, with its end (NMEA 0183 and IEC 61162-1, from memory)."""
BYTES: Final[Mapping[str, tuple[int, int]]] = {
    "RMC": (61, MOST_BYTES),
    "GGA": (67, MOST_BYTES),
    "VTG": (31, MOST_BYTES),
    "GLL": (47, MOST_BYTES),
    "GSA": (45, MOST_BYTES),
    "GSV": (31, 4 * MOST_BYTES),
    "ZDA": (35, MOST_BYTES),
    "GNS": (64, MOST_BYTES),
    "GST": (47, MOST_BYTES),
}
"""Least and most bytes a sentence takes for one fix, with its end: least, of a car that stands, in the shortest forms
that are usual; most, by the standard. GSV takes up to four sentences for each system of satellites; one is counted."""

FULL: Final = 0.8
"""Share of the wire above which nothing is left for a longer sentence or a late start (our choice)."""
BAUDS: Final = (9_600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600)


class NmeaKind:
    """A satellite receiver that sends NMEA 0183 sentences."""

    link_ms = (1.0, 20.0, "up to 16 ms in a USB adapter (common practice, from memory); the wire is in the lag")

    def check(self, checking: Checking, options: NmeaOptions) -> None:
        """Check the port, the sentences, what is taken from them, and that they fit the wire."""
        checking.port(options.port)
        for number, sentence in enumerate(options.sentences):
            if sentence not in BYTES:
                what = f'"{sentence}" is no sentence known here{nearest(sentence, BYTES)}.'
                checking.refuse(("sentences", number), what, f"Write one of {', '.join(BYTES)}.")
            elif sentence in options.sentences[:number]:
                checking.refuse(("sentences", number), f"{sentence} is named twice.", "Take one of them out.")
        if not options.channels:
            checking.refuse(("channels",), "names no channel.", 'Write channels = { vehicle_speed = "speed", … }.')
        taken: dict[str, str] = {}
        for name, quantity in options.channels.items():
            self._quantity(checking, options, name, quantity)
            if quantity in taken:
                what = f"{quantity} goes to {taken[quantity]} already."
                checking.refuse(("channels", name), what, "Take one of them out.")
            taken.setdefault(quantity, name)
        self._wire(checking, options)

    def _wire(self, checking: Checking, options: NmeaOptions) -> None:
        """Refuse what cannot fit the wire; not while a key is wrong, in whose place a default stands."""
        least, most = needed(options)
        right = not any(problem.key.startswith(checking.shown) for problem in checking.findings.setup.problems)
        if right and has_wire(options) and least > options.baud / 10:
            what = (
                f"{_sentences(options)} at {options.rate_hz:g} Hz need {least:,.0f} to {most:,.0f} bytes a second; "
                f"{options.baud:,} Bd carry {options.baud / 10:,.0f}."
            )
            enough = next((baud for baud in BAUDS if most <= FULL * baud / 10), None)
            raised = "" if enough is None else f"set receiver and setup to {enough:,} Bd, or "
            todo = f"{raised}turn sentences or the rate down in the receiver, then here."
            checking.refuse(("rate_hz",), what, todo[:1].upper() + todo[1:])

    def _quantity(self, checking: Checking, options: NmeaOptions, name: str, quantity: str) -> None:
        """Refuse what no sentence tells, and a channel that cannot hold it."""
        if quantity not in QUANTITIES:
            what = f'"{quantity}" is nothing a receiver tells{nearest(quantity, QUANTITIES)}.'
            checking.refuse(("channels", name), what, f"Write one of {', '.join(QUANTITIES)}.")
            return
        if not source_of(quantity, options.sentences):
            have = " or ".join(sentence for sentence, told in SENTENCES.items() if quantity in told)
            what = f"{quantity} comes in {have}, which is not among the sentences."
            todo = f"Have the receiver send {have}, and name it in sentences."
            checking.refuse(("channels", name), what, todo)
        channel = checking.channels.get(name)
        dimensions, unit = QUANTITIES[quantity]
        if channel is not None and (channel.dimension not in dimensions or channel.unit != unit):
            kept = f"in {unit}" if unit else "a plain number"
            what = f"{quantity} is {kept}; {name} is {channel.dimension.value}."
            checking.refuse(("channels", name), what, "Take another channel, or give it a name and a unit of its own.")

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""
        options: NmeaOptions = feed.options  # type: ignore[assignment] # of this kind
        wanted = [
            Wanted(name, source_of(quantity, options.sentences), quantity)
            for name, quantity in options.channels.items()
        ]
        return NmeaDecoder(wanted, channels)

    def usual(self, options: NmeaOptions) -> Usual:
        """Return how often and how late its channels come, where [channel.NAME] does not say."""
        least, most = LAG_MS
        return Usual(options.rate_hz, Delay(round(least * NS_PER_MS), round(most * NS_PER_MS)))

    def describe(self, options: NmeaOptions) -> Iterator[str]:
        """Yield what the feed is, what it takes of the wire, and what comes from where."""
        yield f"satellite receiver, NMEA 0183, {options.baud:,} Bd, {options.rate_hz:g} Hz: {_sentences(options)}"
        if has_wire(options):
            least, most = needed(options)
            carried = options.baud / 10
            yield (
                f"{least:,.0f} to {most:,.0f} bytes a second of the {carried:,.0f} that {options.baud:,} Bd carry "
                f"({least / carried:.0%} to {most / carried:.0%})"
            )
        else:
            yield "over a network there is no baud: whether its sentences fit the receiver's own wire is not checked"
        by: dict[str, list[str]] = {}
        for quantity in options.channels.values():
            by.setdefault(source_of(quantity, options.sentences), []).append(quantity)
        yield "; ".join(f"{', '.join(quantities)} from {sentence}" for sentence, quantities in by.items())
        least, most = LAG_MS
        yield (
            f"lags {least:g} to {most:g} ms (common practice, no source); delay_ms of [channel.NAME] overrides it for "
            "that channel"
        )
        if "course" in options.channels.values():
            yield f"no course below {COURSE_FROM_KMH:g} km/h: it would be the direction of noise"

    def cautions(self, options: NmeaOptions) -> Iterator[str]:
        """Yield what to be wary of."""
        _, most = needed(options)
        carried = options.baud / 10
        if has_wire(options) and most > FULL * carried:
            yield (
                f"its sentences may take {most / carried:.0%} of what {options.baud:,} Bd carry; above {FULL:.0%} they "
                "come late, or the receiver leaves some out. Raise the baud, or turn sentences off."
            )
        if {"latitude", "longitude"} & set(options.channels.values()):
            yield "positions are in the recording: whoever is given it sees where the car was."


def has_wire(options: NmeaOptions) -> bool:
    """Whether bytes come over a port that has a baud."""
    try:
        return not isinstance(parse(options.port), Peer)
    except PortError:
        return True


def needed(options: NmeaOptions) -> tuple[float, float]:
    """Return the least and the most bytes a second that the sentences need. Sentences not known count for nothing."""
    sizes = [BYTES[sentence] for sentence in options.sentences if sentence in BYTES]
    return options.rate_hz * sum(least for least, _ in sizes), options.rate_hz * sum(most for _, most in sizes)


def _sentences(options: NmeaOptions) -> str:
    return ", ".join(options.sentences)
