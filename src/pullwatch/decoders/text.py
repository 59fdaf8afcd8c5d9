"""Lines of text: `lambda=0.853;state=ready`, or columns.

A line ends at LF, CR or CRLF. Its time is that of the first byte that ended it; the LF after a CR is then an empty
line, and empty lines are passed over. All fields of a line share its time.

The first line after the port was opened may have lost its beginning. Where fields carry their names this does not
matter; columns are counted from the beginning, so there that line is rejected.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from pullwatch.columns import Why, to_columns
from pullwatch.decoders import Ledger
from pullwatch.decoders.screen import Bring, bounds, doubted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pullwatch.batch import Record
    from pullwatch.channels import Channel, Unit
    from pullwatch.columns import Columns, Sample

LONGEST: Final = 512
"""Bytes of the longest line that is believed to be one."""

_NOT_READY: Final = int(Why.NOT_READY)
_GARBLED: Final = int(Why.GARBLED)
_NOTHING: Final[Mapping[bytes, bytes]] = MappingProxyType({})
_UNREADABLE: Final = float("nan")
"""This very object, not any NaN: a field that says nan was read."""
_PRINTABLE: Final = bytes([*b"\t", *range(0x20, 0x7F)])


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a line, found by `key` or by `column` (counting from 1); in `unit`, or the channel's own."""

    channel: str
    key: str = ""
    column: int = 0
    unit: Unit | None = None


@dataclass(frozen=True, slots=True)
class Ready:
    """The word of a line that says whether the sensor has proved itself; with any other word, or none, it has not."""

    good: tuple[str, ...]
    key: str = ""
    column: int = 0


class LineDecoder:
    """Decodes one feed of text lines.

    `separator` stands between the fields; a single space means any run of white space. With `decimal_comma` numbers are
    written 0,853, and one with a point is garbled. Lines that start with `comment` are passed over.

    Raises ValueError when a field has both or neither of key and column, names a channel that is not among `channels`
    or already fed, has a unit that is not stored as the channel's, or when the separator is the decimal comma.
    """

    def __init__(
        self,
        fields: Sequence[Field],
        channels: Mapping[str, Channel],
        *,
        separator: str = ";",
        decimal_comma: bool = False,
        comment: str = "",
        ready: Ready | None = None,
    ) -> None:
        self.ledger = Ledger()
        self._separator = None if separator == " " else separator.encode()
        if not separator or (decimal_comma and separator == ","):
            raise ValueError(
                f'"{separator}" cannot stand between the fields of a line{" with decimal commas" * decimal_comma}'
            )
        self._comma = decimal_comma
        self._comment = comment.encode() or None
        self._good = frozenset(word.encode() for word in ready.good) if ready else None
        self._ready_key, self._ready_column = _where(ready) if ready else (b"", -1)
        self._fields = sorted(
            (_field(field, channels) for field in fields),
            key=lambda field: field[0],
        )
        numbers = {field[0] for field in self._fields}
        if not numbers or len(numbers) != len(self._fields):
            raise ValueError("a line needs fields, each for another channel")
        columns = [field[2] for field in self._fields] + [self._ready_column]
        self._columns = max(columns) + 1
        self._keyed = any(field[1] for field in self._fields) or self._ready_key != b""
        self._half = b""
        self._runaway = False
        self._begun = True

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        ledger = self.ledger
        ledger.taken += len(data)
        at = t - len(self._half) - 1
        text = self._half + data
        if b"\r" in text:
            text = text.replace(b"\r", b"\n")
        lines = text.split(b"\n")
        rest = lines.pop()
        if lines and (self._runaway or not self._begun):
            first = lines.pop(0)
            at += len(first) + 1
            self._first(at, first, out)
        self._lines(at, lines, out)
        if self._runaway or len(rest) > LONGEST:
            ledger.rejected += len(rest)
            ledger.bad_messages += not self._runaway
            self._runaway = True
            rest = b""
        self._half = rest
        ledger.pending = len(rest)

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once."""
        out: list[Sample] = []
        for record in records:
            self.few(record.t, record.data, out)
        return to_columns(out)

    def _first(self, at: int, line: bytes, out: list[Sample]) -> None:
        """Take the first line after a runaway, or the first after the port was opened."""
        runaway, self._runaway, self._begun = self._runaway, False, True
        if runaway:
            self.ledger.rejected += len(line) + 1
        elif self._columns and line:
            self._reject(line)
        else:
            self._lines(at - len(line) - 1, [line], out)

    def _reject(self, line: bytes) -> None:
        self.ledger.rejected += len(line) + 1
        self.ledger.bad_messages += 1

    def _lines(self, at: int, lines: list[bytes], out: list[Sample]) -> None:
        """Decode whole lines, without their ends; the line before them ended at `at`."""
        decoded = passed_over = messages = 0
        fields, separator, comment, fewest = self._fields, self._separator, self._comment, self._columns
        append = out.append
        for line in lines:
            size = len(line) + 1
            at += size
            if not line or line.isspace():
                passed_over += size
                continue
            if size > LONGEST + 1:
                self._reject(line)
                continue
            if comment is not None and line.startswith(comment):
                passed_over += size
                messages += 1
                continue
            parts = line.split(separator)
            if len(parts) < fewest or not _is_text(line):
                self._reject(line)
                continue
            found = _by_name(parts) if self._keyed else _NOTHING
            ready = self._good is None or self._is_ready(parts, found)
            samples = 0
            for channel, key, column, bring, low, high in fields:
                if key:
                    number = found.get(key)
                    if number is None:
                        continue
                else:
                    number = parts[column]
                samples += 1
                if self._comma:
                    number = number.replace(b".", b"?").replace(b",", b".")
                try:
                    value = float(number)
                except ValueError:
                    value = _UNREADABLE
                if value is _UNREADABLE or b"_" in number:  # Python reads 1_000 as a number; no instrument writes it
                    append((at, channel, math.nan, _GARBLED if ready else _NOT_READY))
                    continue
                if bring is not None:
                    value = bring.one(value)
                if not ready:
                    append((at, channel, value, _NOT_READY))
                elif low <= value <= high:
                    append((at, channel, value, 0))
                else:
                    append((at, channel, *doubted(value)))
            messages += 1
            if samples:
                decoded += size
            else:
                passed_over += size
        ledger = self.ledger
        ledger.decoded += decoded
        ledger.passed_over += passed_over
        ledger.messages += messages

    def _is_ready(self, parts: list[bytes], found: Mapping[bytes, bytes]) -> bool:
        """Whether the line has the word of readiness, and it is a good one."""
        word = found.get(self._ready_key, b"") if self._ready_key else parts[self._ready_column]
        return self._good is not None and word.strip() in self._good

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected."""
        if self._half:
            self.ledger.rejected += len(self._half)
            self.ledger.bad_messages += 1
        self.ledger.pending = 0
        self._half = b""
        self._runaway = False
        self._begun = False

    def carried(self) -> str:
        """Return the half line (as latin-1 text), whether it is a runaway, and whether its beginning was seen."""
        return json.dumps({"half": self._half.decode("latin-1"), "runaway": self._runaway, "begun": self._begun})

    def carry(self, text: str) -> None:
        """Take up what `carried` returned; the half line counts as taken."""
        state = json.loads(text)
        self.fresh()
        self._half = state["half"].encode("latin-1")
        self._runaway = state["runaway"]
        self._begun = state["begun"]
        self.ledger.taken += len(self._half)
        self.ledger.pending = len(self._half)


def _is_text(line: bytes) -> bool:
    """Whether the line is printable ASCII and tabs only."""
    # The first way is three times as quick, but does not know tabs.
    return (line.isascii() and line.decode().isprintable()) or not line.translate(None, _PRINTABLE)


def _by_name(parts: list[bytes]) -> dict[bytes, bytes]:
    """Return the key=value fields of a line. A name that stands twice says two things: nothing is read of it."""
    found: dict[bytes, bytes] = {}
    for part in parts:
        key, equals, word = part.partition(b"=")
        if equals:
            name = key.strip()
            found[name] = word if name not in found else b""
    return found


_Field = tuple[int, bytes, int, "Bring | None", float, float]
"""(channel number, key or empty, column from 0 or -1, how it is brought to the channel's unit, low, high)."""


def _field(field: Field, channels: Mapping[str, Channel]) -> _Field:
    channel = channels.get(field.channel)
    if channel is None:
        raise ValueError(f'"{field.channel}" is no channel')
    bring = None
    if field.unit is not None:
        if field.unit.stored != channel.unit:
            raise ValueError(f'{field.channel} is stored in "{channel.unit}", not in {field.unit.word}')
        bring = Bring.of(field.unit)
    key, column = _where(field)
    return (
        channel.number,
        key,
        column,
        None if bring is None or bring.is_none else bring,
        *bounds(channel.low, channel.high),
    )


def _where(it: Field | Ready) -> tuple[bytes, int]:
    """Return (key, column from 0), one of which is empty or -1."""
    if bool(it.key) == (it.column > 0) or it.column < 0:
        raise ValueError(f"{it} needs either a key or a column from 1 on")
    return it.key.encode(), it.column - 1
