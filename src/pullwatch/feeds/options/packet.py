"""What a feed of binary packets may be told in the setup file."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from pullwatch.feeds.options.base import Options

ByteOrder: TypeAlias = Literal["little", "big"]
NumberType: TypeAlias = Literal["u8", "i8", "u16", "i16", "u24", "u32", "i32", "f32", "f64"]


class PacketPlace(BaseModel):
    """Where a number stands in a packet, and how it is written."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    at: Annotated[int, Field(ge=0)]
    """Its first byte; the first byte of the packet (of the sync) is 0."""
    type: NumberType = "u8"
    """u: unsigned, i: signed, f: fraction (IEEE 754), and the bits."""
    byte_order: ByteOrder | None = None
    """When it is not the feed's."""
    mask: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] = 0
    """Take only these bits of an unsigned number, shifted down: 0x30 gives bits 4 and 5 as 0 to 3."""


class PacketField(PacketPlace):
    """One number of a packet and the channel it goes to: sent × scale + offset, in `unit`."""

    channel: str
    scale: FiniteFloat = 1.0
    offset: FiniteFloat = 0.0
    """Added after `scale`."""
    unit: str = ""
    """Unit of sent × scale + offset, when it is not the channel's own (`AFR@14.7`, `psi`, `bar`, …)."""
    not_available: list[FiniteFloat] = Field(default_factory=list)
    """Numbers, as sent, that say there is no value."""
    error: list[FiniteFloat] = Field(default_factory=list)
    """Numbers, as sent, that say the sensor is in error."""
    id: int | None = None
    """Of several kinds of packets: the `id` of the ones that hold this field."""


class PacketReadiness(PacketPlace):
    """The number in the packet that says whether the sensor behind the other fields has proved itself."""

    good: Annotated[list[FiniteFloat], Field(min_length=1)]
    """Numbers that mean ready. With any other the packet's values are NOT_READY: a fault, never a number."""
    id: int | None = None
    """Of several kinds of packets: the `id` of the only ones that it speaks of."""


class PacketLength(BaseModel):
    """The field of a packet that tells its length."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    at: Annotated[int, Field(ge=1)]
    type: Literal["u8", "u16"] = "u8"
    byte_order: ByteOrder | None = None
    """When it is not the feed's."""
    adds: int = 0
    """The number in the packet + this = the bytes of the whole packet, from the first sync byte to the very last."""
    least: Annotated[int, Field(ge=2)]
    """Bytes of the shortest whole packet there is. A shorter one is damage."""
    most: Annotated[int, Field(ge=2)]
    """Bytes of the longest whole packet there is. A longer one is damage: keep it tight."""


class PacketChecksum(BaseModel):
    """How a damaged packet is told from a whole one."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    kind: str
    """sum8, sum8-ones-complement, sum8-twos-complement, sum16, xor8, a CRC of the catalogue by name, or "crc"."""
    at: int | None = None
    """Its first byte; negative: from the end, -2 being the last but one. Left out: the last bytes of the packet."""
    covers: Annotated[list[int], Field(min_length=2, max_length=2)] | None = None
    """[first byte, the byte before which it stops]; the second may count from the end: -2, or 0 for all to the end.

    Left out: from the first sync byte to the checksum."""
    byte_order: ByteOrder | None = None
    """When it is not the feed's."""
    width: Literal[8, 16, 32] | None = None
    """For kind "crc": its bits. `poly` and what follows are in the words of the catalogue of CRCs."""
    poly: int | None = None
    init: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xor_out: int = 0


class SerialPacketOptions(Options):
    """Binary packets over a serial port or `socket://HOST:PORT`."""

    kind: Literal["serial-packet"]
    baud: Annotated[int, Field(gt=0)] = 115_200
    sync: str
    """The bytes every packet begins with, in hexadecimal: "A5 5A"."""
    byte_order: ByteOrder
    """Of all numbers that do not say otherwise: big when the high byte comes first, else little."""
    length: Annotated[int, Field(ge=2)] | None = None
    """Bytes of the whole packet, sync and checksum included, if all are alike; else `length_field`."""
    length_field: PacketLength | None = None
    id: PacketPlace | None = None
    """Where a packet says which of several kinds it is."""
    fields: Annotated[list[PacketField], Field(min_length=1)]
    ready: PacketReadiness | None = None
    checksum: PacketChecksum | None = None
    end: str = ""
    """The bytes every packet ends with, if there are such, in hexadecimal: "0D 0A"."""
