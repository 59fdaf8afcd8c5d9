"""Which kind of talk was heard, and how sure that is: what a usual speed of a serial line is found by."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from pullwatch.finding.frames import Bus, read_bus
from pullwatch.finding.lines import Lines, read_lines
from pullwatch.finding.packets import Packets, read_packets
from pullwatch.finding.sentences import Sentences, read_sentences

if TYPE_CHECKING:
    from pullwatch.finding.heard import Heard

MOST_OF_IT: Final = 0.6
"""The share of what came that must be of a kind."""
LEAST_FRAMES: Final = 3
_PRINTABLE: Final = bytes([*b"\t\r\n", *range(0x20, 0x7F)])


class Sort(Enum):
    """Kinds of talk."""

    NOTHING = "nothing"
    SENTENCES = "NMEA sentences"
    SLCAN = "CAN frames of an slcan adapter"
    LINES = "lines of text"
    PACKETS = "binary packets"
    UNREADABLE = "nothing that can be read"


@dataclass(frozen=True, slots=True)
class Talk:
    """What was heard, sorted. `sure` (0 to 1) orders the speeds of a line: text is surer than what only repeats."""

    sort: Sort
    sure: float
    printable: float = 0.0
    found: Lines | Sentences | Packets | Bus | None = None


def sort(heard: Heard) -> Talk:
    """Say which kind of talk was heard."""
    data = heard.data
    if not data:
        return Talk(Sort.NOTHING, 0.0)
    printable = 1 - len(data.translate(None, _PRINTABLE)) / len(data)
    sentences = read_sentences(heard)
    if sentences is not None and sentences.count > 1 and sentences.share >= MOST_OF_IT:
        return Talk(Sort.SENTENCES, sentences.share, printable, sentences)
    bus = read_bus(heard, slcan=True)
    if bus is not None and bus.frames >= LEAST_FRAMES and bus.share >= MOST_OF_IT:
        return Talk(Sort.SLCAN, bus.share, printable, bus)
    lines = read_lines(heard)
    if lines is not None and lines.share >= MOST_OF_IT:
        return Talk(Sort.LINES, lines.share, printable, lines)
    packets = read_packets(heard)
    if packets is not None:
        return Talk(Sort.PACKETS, packets.share / 2, printable, packets)
    return Talk(Sort.UNREADABLE, printable / 10, printable)
