"""Rows of a table that was taken in: float64, little-endian, as many a row as the table has columns of numbers.

NaN in a row means that the table has no sample there. A row's time is that of its last byte.

There is no framing: rows follow each other without a gap, in a recording whose own check sums find damage. A row cut by
LOST, FOUND or DROPPED is rejected.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import Column
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import times_at
from pullwatch.decoders.screen import Bring, bounds, doubted, screened_all

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.batch import Record
    from pullwatch.channels import Channel, Unit
    from pullwatch.columns import Columns, Sample

NUMBER: Final = 8
"""Bytes of a float64."""


@dataclass(frozen=True, slots=True)
class Field:
    """One column (counting from 1) and the channel it goes to: number × scale + offset, in `unit` or the channel's."""

    channel: str
    column: int
    unit: Unit | None = None
    scale: float = 1.0
    offset: float = 0.0


class TableDecoder:
    """Decodes one feed of rows of `width` float64.

    Raises ValueError when a field names a channel that is not among `channels` or already fed, a column outside the
    row, or has a unit that is not stored as the channel's.
    """

    def __init__(self, width: int, fields: Sequence[Field], channels: Mapping[str, Channel]) -> None:
        self.ledger = Ledger()
        if width < 1:
            raise ValueError(f"a row of {width} columns holds nothing")
        self._width = width
        self._row = struct.Struct(f"<{width}d")
        self._fields = sorted((_Wanted(field, width, channels) for field in fields), key=lambda field: field.channel)
        if not fields or len({field.channel for field in self._fields}) != len(fields):
            raise ValueError("a table needs fields, each for another channel")
        self._half = b""

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        text = self._half + data
        size = self._row.size
        at = t - len(self._half) - 1
        whole = len(text) // size
        decoded = 0
        for row in self._row.iter_unpack(text[: whole * size]):
            at += size
            before = len(out)
            for field in self._fields:
                number = row[field.column]
                if number == number:  # noqa: PLR0124 - the quickest test for NaN: no sample
                    out.append((at, field.channel, *field.one(number)))
            decoded += len(out) > before
        self._account(len(data), text[whole * size :], whole, decoded)

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once."""
        if not records:
            return {}
        lead = len(self._half)
        text = self._half + b"".join([record.data for record in records])
        size = self._row.size
        whole = len(text) // size
        rows = np.frombuffer(text, dtype="<f8", count=whole * self._width).reshape(whole, self._width)
        columns: Columns = {}
        wanted = np.zeros(whole, dtype=np.bool_)
        if whole:
            t = times_at(np.arange(1, whole + 1, dtype=np.int64) * size - 1, records, lead)
            for field in self._fields:
                numbers = rows[:, field.column].astype(np.float64)
                has = ~np.isnan(numbers)
                if not has.any():
                    continue
                wanted |= has
                columns[field.channel] = Column(t[has], *field.all(numbers[has]))
        self._account(len(text) - lead, text[whole * size :], whole, int(wanted.sum()))
        return columns

    def _account(self, taken: int, rest: bytes, rows: int, decoded: int) -> None:
        ledger = self.ledger
        ledger.taken += taken
        ledger.messages += rows
        ledger.decoded += decoded * self._row.size
        ledger.passed_over += (rows - decoded) * self._row.size
        self._half = rest
        ledger.pending = len(rest)

    def fresh(self) -> None:
        """Start anew after the table was interrupted: a half row is rejected."""
        if self._half:
            self.ledger.rejected += len(self._half)
            self.ledger.bad_messages += 1
        self.ledger.pending = 0
        self._half = b""

    def carried(self) -> str:
        """Return the half row (hexadecimal), for a checkpoint."""
        return json.dumps({"half": self._half.hex()})

    def carry(self, text: str) -> None:
        """Take up what `carried` returned; the half row counts as taken."""
        half = bytes.fromhex(json.loads(text)["half"])
        self.fresh()
        self._half = half
        self.ledger.taken += len(half)
        self.ledger.pending = len(half)


class _Wanted:
    """A field as the decoder takes it."""

    __slots__ = ("bring", "channel", "column", "high", "low", "offset", "plain", "scale")

    def __init__(self, field: Field, width: int, channels: Mapping[str, Channel]) -> None:
        channel = channels.get(field.channel)
        if channel is None:
            raise ValueError(f'"{field.channel}" is no channel')
        if not 1 <= field.column <= width:
            raise ValueError(f"{field.channel}: there is no column {field.column} in a row of {width}")
        if field.unit is not None and field.unit.stored != channel.unit:
            raise ValueError(f'{field.channel} is stored in "{channel.unit}", not in {field.unit.word}')
        self.channel = channel.number
        self.column = field.column - 1
        self.scale = field.scale
        self.offset = field.offset
        self.plain = field.scale == 1.0 and field.offset == 0.0
        bring = Bring() if field.unit is None else Bring.of(field.unit)
        self.bring = None if bring.is_none else bring
        self.low, self.high = bounds(channel.low, channel.high)

    def one(self, number: float) -> tuple[float, int]:
        """Return (value, why) of one number that is not NaN."""
        value = number if self.plain else number * self.scale + self.offset
        if self.bring is not None:
            value = self.bring.one(value)
        return (value, 0) if self.low <= value <= self.high else doubted(value)

    def all(self, numbers: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Return (values, whys), both of shape (n,), as `one` does."""
        with np.errstate(over="ignore", invalid="ignore"):  # infinity becomes no number below
            values = numbers if self.plain else numbers * self.scale + self.offset
            if self.bring is not None:
                values = self.bring.all(values)
        return screened_all(values, self.low, self.high)
