"""What a binary packet looks like: how it is framed, and where its numbers stand.

Places count bytes from the packet's beginning, 0 being the first sync byte; negative ones count from its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.channels import Unit
    from pullwatch.decoders.checksums import Checksum

LONGEST: Final = 4_096
"""Bytes of the longest packet that can be described."""

Order: TypeAlias = Literal["little", "big"]
SIZES: Final = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u24": 3, "u32": 4, "i32": 4, "f32": 4, "f64": 8}
"""The types of numbers, and how many bytes each takes: u unsigned, i two's complement, f IEEE 754."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a number stands: in the bytes from `at` on; with a `mask` only in its bits, shifted down."""

    at: int
    type: str = "u8"
    byte_order: Order = "little"
    mask: int = 0

    @property
    def end(self) -> int:
        """The place after its last byte."""
        return self.at + SIZES[self.type]


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a packet: sent × scale + offset, in `unit` or the channel's own.

    The numbers in `not_available` and `error` are compared as sent (after the mask). With `identity` only packets of
    that identity have the field.
    """

    channel: str
    place: Place
    scale: float = 1.0
    offset: float = 0.0
    unit: Unit | None = None
    not_available: tuple[float, ...] = ()
    error: tuple[float, ...] = ()
    identity: int | None = None


@dataclass(frozen=True, slots=True)
class Ready:
    """The number that says whether the sensor has proved itself; with any other than a good one it has not."""

    place: Place
    good: tuple[float, ...]
    identity: int | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """A length that the packet tells: the number at `place` + `adds` is the bytes of the whole packet."""

    place: Place
    adds: int
    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Checked:
    """Where the checksum stands, and what it covers: from `first` up to but without `beyond` (0: the packet's end)."""

    checksum: Checksum
    at: int
    first: int
    beyond: int
    byte_order: Order = "little"

    def stop(self, length: int) -> int:
        """Return the place after the last byte covered in a packet of `length` bytes."""
        return self.beyond + length if self.beyond <= 0 else self.beyond


@dataclass(frozen=True, slots=True)
class Framing:
    """How a packet is told from the stream."""

    sync: bytes
    length: int | Told
    checked: Checked | None = None
    end: bytes = b""

    @property
    def least(self) -> int:
        """Bytes of the shortest packet."""
        return self.length if isinstance(self.length, int) else self.length.least

    @property
    def most(self) -> int:
        """Bytes of the longest packet."""
        return self.length if isinstance(self.length, int) else self.length.most

    @property
    def behind(self) -> int:
        """Bytes at the packet's end that hold no fields: the checksum, if it stands there, and the end."""
        if self.checked is not None and self.checked.at < 0:
            return max(-self.checked.at, len(self.end))
        return len(self.end)


def from_end(place: int, length: int) -> int:
    """Return a place counted from the beginning of a packet of `length` bytes."""
    return place + length if place < 0 else place


def refuse(framing: Framing, fields: Sequence[Field], identity: Place | None, ready: Ready | None) -> None:
    """Raise ValueError for what cannot be, whatever comes over the wire."""
    least, most, told, checked = framing.least, framing.most, framing.length, framing.checked
    if not framing.sync:
        raise ValueError("a packet needs sync bytes")
    if not len(framing.sync) < least <= most <= LONGEST:
        raise ValueError(f"a packet of {least} to {most} bytes cannot be")
    if not isinstance(told, int) and not len(framing.sync) <= told.place.at < told.place.end <= least - framing.behind:
        raise ValueError("the length does not stand between the sync and the end of the shortest packet")
    if checked is not None:
        first, at = checked.first, from_end(checked.at, least)
        beyond = checked.stop(least)
        if not (0 <= first < beyond <= least and len(framing.sync) <= at <= least - checked.checksum.size):
            raise ValueError("the checksum, or what it covers, lies outside the shortest packet")
        if first < at + checked.checksum.size and at < beyond:
            raise ValueError("the checksum covers itself")
    if any((field.identity is None) != (identity is None) for field in fields):
        raise ValueError("either every field says in packets of which identity it stands, or none does")
    if ready is not None and ready.identity is not None and identity is None:
        raise ValueError("the packets have no identity, so readiness cannot be that of one")
    places = [field.place for field in fields] + [it for it in (identity, ready.place if ready else None) if it]
    for place in places:
        if not 0 <= place.at < place.end <= most - framing.behind:
            raise ValueError(
                f"bytes {place.at} to {place.end - 1} do not stand between sync and end of the longest packet"
            )
        if place.mask and (place.type[0] != "u" or place.mask >> 8 * SIZES[place.type]):
            raise ValueError(f"mask {place.mask:#x} does not fit {place.type}")
