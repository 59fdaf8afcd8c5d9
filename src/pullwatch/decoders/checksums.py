"""Checksums of binary packets: sums, exclusive or, and cyclic redundancy checks (CRC) by name or by parameters.

A CRC is described as in the published catalogue of parametrised CRC algorithms (Rocksoft model): width, polynomial,
initial value, whether bits are reflected going in and coming out, and what the result is xored with. The names and
parameters of the catalogue, and the arithmetic that fills each table once, are those of the crccheck library.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np
from crccheck.base import reflectbitorder
from crccheck.crc import ALLCRCCLASSES, Crc

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

WIDTHS: Final = (8, 16, 32)
"""Bits of the CRCs that are read: those that fill whole bytes and that processors read in one go."""


class Checksum(Protocol):
    """What tells a whole packet from a damaged one."""

    @property
    def size(self) -> int:
        """Bytes it takes in the packet."""

    def one(self, data: bytes) -> int:
        """Return the checksum of some bytes."""

    def all(self, rows: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Return the checksum of each row of bytes, (n, k) to (n,)."""


@dataclass(frozen=True, slots=True)
class Sum:
    """The bytes added up, the lowest `size` bytes kept; then inverted, or taken from zero, if told so."""

    size: int
    complement: int = 0
    """0: as it is. 1: ones' complement (every bit inverted). 2: two's complement (all of it adds up to zero)."""

    def one(self, data: bytes) -> int:
        """Return the sum of some bytes."""
        total = sum(data)
        return (total, ~total, -total)[self.complement] & ((1 << 8 * self.size) - 1)

    def all(self, rows: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Return the sum of each row."""
        total: NDArray[np.int64] = rows.sum(axis=1, dtype=np.int64)
        kept: NDArray[np.int64] = (total, ~total, -total)[self.complement] & ((1 << 8 * self.size) - 1)
        return kept


@dataclass(frozen=True, slots=True)
class Xor:
    """Exclusive or of the bytes."""

    size: int = 1

    def one(self, data: bytes) -> int:
        """Return the exclusive or of some bytes."""
        found = 0
        for byte in data:
            found ^= byte
        return found

    def all(self, rows: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Return the exclusive or of each row."""
        found: NDArray[np.int64] = np.bitwise_xor.reduce(rows, axis=1).astype(np.int64)
        return found


@dataclass(frozen=True, slots=True)
class CrcFacts:
    """The parameters of a CRC, in the words of the catalogue."""

    width: int
    poly: int
    init: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xor_out: int = 0


class TableCrc:
    """A CRC by a table of 256, byte by byte: over one packet, or down the columns of many at once.

    With reflected input the register is kept reflected, so that no byte has to be turned.
    """

    def __init__(self, facts: CrcFacts) -> None:
        self.facts = facts
        self.size = facts.width // 8
        reflect = facts.reflect_in
        self._table = [
            int(Crc(facts.width, facts.poly, 0, reflect, reflect, 0).process((byte,)).final()) for byte in range(256)
        ]
        self._columns = np.array(self._table, dtype=np.int64)
        self._begin = int(reflectbitorder(facts.width, facts.init)) if reflect else facts.init
        self._turned = facts.reflect_in != facts.reflect_out

    def one(self, data: bytes) -> int:
        """Return the CRC of some bytes."""
        table, register = self._table, self._begin
        if self.facts.reflect_in:
            for byte in data:
                register = table[(register ^ byte) & 255] ^ register >> 8
        else:
            down, mask = self.facts.width - 8, (1 << self.facts.width) - 1
            for byte in data:
                register = table[register >> down ^ byte] ^ (register << 8 & mask)
        return self._finished(register)

    def all(self, rows: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Return the CRC of each row."""
        table = self._columns
        register = np.full(len(rows), self._begin, dtype=np.int64)
        down, mask = self.facts.width - 8, (1 << self.facts.width) - 1
        for column in np.ascontiguousarray(rows.T, dtype=np.int64):
            if self.facts.reflect_in:
                register = table[(register ^ column) & 255] ^ register >> 8
            else:
                register = table[register >> down ^ column] ^ (register << 8 & mask)
        if self._turned:
            return np.array([self._finished(value) for value in register.tolist()], dtype=np.int64)
        return register ^ self.facts.xor_out

    def _finished(self, register: int) -> int:
        if self._turned:
            register = int(reflectbitorder(self.facts.width, register))
        return register ^ self.facts.xor_out


SIMPLE: Final[Mapping[str, Checksum]] = {
    "sum8": Sum(1),
    "sum8-ones-complement": Sum(1, 1),
    "sum8-twos-complement": Sum(1, 2),
    "sum16": Sum(2),
    "xor8": Xor(),
}
"""The checksums that need no parameters, by what they are called here."""

CATALOGUE: Final[Mapping[str, CrcFacts]] = {
    name: CrcFacts(
        each.width(), each.poly(), each.initvalue(), each.reflect_input(), each.reflect_output(), each.xor_output()
    )
    for each in ALLCRCCLASSES
    if each.width() in WIDTHS
    for name in each._names  # noqa: SLF001 - the library has no other way to its names
}
"""The CRCs of the catalogue by name, aliases included (`CRC-16/MODBUS`, `CRC-32`)."""


def named(name: str) -> Checksum | None:
    """Return the checksum of a well known name, written in capitals or not; None if there is no such name."""
    if name in SIMPLE:
        return SIMPLE[name]
    facts = CATALOGUE.get(name.upper())
    return None if facts is None else TableCrc(facts)
