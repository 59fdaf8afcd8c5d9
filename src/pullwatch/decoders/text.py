"""Lines of text: `lambda=0.853;state=ready`, columns, or columns under a header line that names them.

A line ends at LF, CR or CRLF. Its time is that of the first byte that ended it; the LF after a CR is then an empty
line, and empty lines are passed over. All fields of a line share its time.

The first line after the port was opened may have lost its beginning. Where fields carry their names this does not
matter; columns are counted from the beginning, so there that line is rejected. Under a header a line must have as many
columns as the header, so a header that lost some of its columns fits none; until one is there every line is rejected.

Separators between double quotes separate nothing. A line is printable ASCII; other characters are read only where the
setup itself has them (`°C`), as UTF-8 or Latin-1, and in a header line, whose other columns may be called anything.
"""

from __future__ import annotations

import json
import math
import re
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

LONGEST: Final = 2_048
"""Bytes of the longest line that is believed to be one."""

_NOT_READY: Final = int(Why.NOT_READY)
_GARBLED: Final = int(Why.GARBLED)
_NOTHING: Final[Mapping[bytes, bytes]] = MappingProxyType({})
_UNREADABLE: Final = float("nan")
"""This very object, not any NaN: a field that says nan was read."""
_PRINTABLE: Final = bytes([*b"\t", *range(0x20, 0x7F)])
_NO_CONTROLS: Final = _PRINTABLE + bytes(range(0x80, 0x100))
_WHITE: Final = re.compile(rb"\s+")


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a line, found by `key` or by `column` (counting from 1); in `unit`, or the channel's own.

    With a `suffix` the number has that text behind it, and is garbled without it.
    """

    channel: str
    key: str = ""
    column: int = 0
    unit: Unit | None = None
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class Ready:
    """The word of a line that says whether the sensor has proved itself; with any other word, or none, it has not."""

    good: tuple[str, ...]
    key: str = ""
    column: int = 0


class LineDecoder:
    """Decodes one feed of text lines.

    `separator` stands between the fields, `assign` between a key and its value; a single space means any run of white
    space. With `header` the keys are names of columns in the last header line: one in which a field's key stands as a
    column. With `decimal_comma` numbers are written 0,853, and one with a point is garbled. Lines that start with
    `comment`, or do not with `begins`, are passed over.

    Raises ValueError when a field has both or neither of key and column, names a channel that is not among `channels`
    or already fed, has a unit that is not stored as the channel's, has a column under a header, or when separator,
    assignment and decimal comma cannot be told apart.
    """

    def __init__(
        self,
        fields: Sequence[Field],
        channels: Mapping[str, Channel],
        *,
        separator: str = ";",
        assign: str = "=",
        header: bool = False,
        decimal_comma: bool = False,
        comment: str = "",
        begins: str = "",
        ready: Ready | None = None,
    ) -> None:
        self.ledger = Ledger()
        if not separator or (decimal_comma and separator == ","):
            raise ValueError(
                f'"{separator}" cannot stand between the fields of a line{" with decimal commas" * decimal_comma}'
            )
        if not assign or assign == separator or (decimal_comma and assign == ","):
            raise ValueError(f'"{assign}" cannot stand between key and value where "{separator}" separates fields')
        self._separator = None if separator == " " else separator.encode()
        self._assign = None if assign == " " else assign.encode()
        self._comma = decimal_comma
        self._comment = comment.encode() or None
        self._begins = begins.encode()
        good = ready.good if ready else ()
        self._good = frozenset(word.encode() for word in good) if ready else None
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
        if header and self._columns:
            raise ValueError("under a header fields are found by their names, not by column")
        self._names = frozenset(field[1] for field in self._fields) if header else frozenset()
        self._keyed = not header and (any(field[1] for field in self._fields) or self._ready_key != b"")
        # Where white space separates fields, that around the assignment is taken out first.
        spaced = self._keyed and self._separator is None
        self._spaced = re.compile(rb"\s*%s\s*" % re.escape(assign.encode())) if spaced else None
        texts = [separator, assign, begins, *good, *(field.key + field.suffix for field in fields)]
        self._allowed = _PRINTABLE + _beyond_ascii("".join(texts) + (ready.key if ready else ""))
        self._header: list[bytes] | None = None
        self._placed = [] if header else self._fields
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
        separator, comment, begins, fewest = self._separator, self._comment, self._begins, max(self._columns, 1)
        names, keyed, spaced = self._names, self._keyed, self._spaced
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
            text = line if _is_text(line) else self._readable(line)
            if text is None:
                self._reject(line)
                continue
            if begins and not text.startswith(begins):
                passed_over += size
                messages += 1
                continue
            if spaced is not None:
                text = spaced.sub(self._assign or b"", text)
            quotes = b'"' in text
            parts = _quoted(text, separator) if quotes else text.split(separator)
            if names and self._takes_header(parts):
                passed_over += size
                messages += 1
                continue
            if len(parts) < fewest or (names and not self._fits(line, parts)):
                self._reject(line)
                continue
            found = self._by_name(parts, quotes) if keyed else _NOTHING
            ready = self._good is None or self._is_ready(parts, found)
            samples = 0
            for channel, key, column, bring, low, high, suffix in self._placed:
                if key:
                    number = found.get(key)
                    if number is None:
                        continue
                else:
                    number = parts[column]
                samples += 1
                if suffix:
                    number = number.strip()
                    number = number.removesuffix(suffix) if number.endswith(suffix) else b"?"
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

    def _readable(self, line: bytes) -> bytes | None:
        """Return a line that is not ASCII as UTF-8, None if it holds what no setup and no header has."""
        if line.translate(None, self._allowed) and not (self._names and not line.translate(None, _NO_CONTROLS)):
            return None
        try:
            line.decode()
        except UnicodeDecodeError:
            return line.decode("latin-1").encode()
        return line

    def _takes_header(self, parts: list[bytes]) -> bool:
        """Whether the line is a header: if so it counts from here on. A name that stands twice names nothing."""
        names = [part.strip() for part in parts]
        if self._names.isdisjoint(names):
            return False
        self._header = names
        once = {name: column for column, name in enumerate(names) if names.count(name) == 1}
        self._placed = []
        for channel, key, _, bring, low, high, suffix in self._fields:
            if key in once:
                self._placed.append((channel, b"", once[key], bring, low, high, suffix))
        self._ready_column = once.get(self._ready_key, -1) if self._ready_key else -1
        return True

    def _fits(self, line: bytes, parts: list[bytes]) -> bool:
        """Whether a line that is no header has the columns of the last one."""
        # A line that is text only as a header may be is damaged if it is none.
        return self._header is not None and len(parts) == len(self._header) and not line.translate(None, self._allowed)

    def _is_ready(self, parts: list[bytes], found: Mapping[bytes, bytes]) -> bool:
        """Whether the line has the word of readiness, and it is a good one."""
        word = parts[self._ready_column] if self._ready_column >= 0 else found.get(self._ready_key, b"")
        return self._good is not None and word.strip() in self._good

    def _by_name(self, parts: list[bytes], quotes: bool) -> dict[bytes, bytes]:
        """Return the key=value fields of a line. A name that stands twice says two things: nothing is read of it."""
        found: dict[bytes, bytes] = {}
        assign = self._assign
        for part in parts:
            if assign is None:
                key, _, word = part.strip().replace(b"\t", b" ").partition(b" ")
                equals = word
            else:
                key, equals, word = part.partition(assign)
            if equals:
                name = key.strip()
                if quotes:
                    name, word = _bare(name), _bare(word)
                found[name] = word if name not in found else b""
        return found

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected."""
        if self._half:
            self.ledger.rejected += len(self._half)
            self.ledger.bad_messages += 1
        self.ledger.pending = 0
        self._half = b""
        self._runaway = False
        self._begun = False
        self._forget_header()

    def _forget_header(self) -> None:
        """Count no header any more: what comes next may be another device, or have other columns."""
        if self._names:
            self._header = None
            self._placed = []

    def carried(self) -> str:
        """Return the half line (as latin-1 text), if it is a runaway, if its beginning was seen, and the header."""
        header = None if self._header is None else [name.decode() for name in self._header]
        half = self._half.decode("latin-1")
        return json.dumps({"half": half, "runaway": self._runaway, "begun": self._begun, "header": header})

    def carry(self, text: str) -> None:
        """Take up what `carried` returned; the half line counts as taken."""
        state = json.loads(text)
        self.fresh()
        self._half = state["half"].encode("latin-1")
        self._runaway = state["runaway"]
        self._begun = state["begun"]
        header = state.get("header")
        if header is not None and self._names:
            self._takes_header([name.encode() for name in header])
        self.ledger.taken += len(self._half)
        self.ledger.pending = len(self._half)


def _is_text(line: bytes) -> bool:
    """Whether the line is printable ASCII and tabs only."""
    # The first way is three times as quick, but does not know tabs.
    return (line.isascii() and line.decode().isprintable()) or not line.translate(None, _PRINTABLE)


def _beyond_ascii(text: str) -> bytes:
    """Return the bytes that the characters beyond ASCII of a text are sent as, in UTF-8 or Latin-1."""
    return bytes(byte for code in ("utf-8", "latin-1") for byte in text.encode(code, "ignore") if byte > 0x7E)


def _bare(word: bytes) -> bytes:
    """Return what stands between the two quotes around a word."""
    word = word.strip()
    return word[1:-1] if word.count(b'"') == 2 and word[:1] == word[-1:] == b'"' else word


def _quoted(line: bytes, separator: bytes | None) -> list[bytes]:
    """Split a line with double quotes in it; no parts if one of them is left open."""
    pieces = line.split(b'"')
    if len(pieces) % 2 == 0:
        return []
    parts = [b""]
    for number, piece in enumerate(pieces):
        if number % 2:
            parts[-1] += b'"' + piece + b'"'
            continue
        first, *others = piece.split(separator) if separator is not None else _WHITE.split(piece)
        parts[-1] += first
        parts += others
    bare = [_bare(part) for part in parts]
    return bare if separator is not None else [word for word, part in zip(bare, parts, strict=True) if part]


_Field = tuple[int, bytes, int, "Bring | None", float, float, bytes]
"""(channel number, key or empty, column from 0 or -1, how it is brought to the channel's unit, low, high, suffix)."""


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
        field.suffix.strip().encode(),
    )


def _where(it: Field | Ready) -> tuple[bytes, int]:
    """Return (key, column from 0), one of which is empty or -1."""
    if bool(it.key) == (it.column > 0) or it.column < 0:
        raise ValueError(f"{it} needs either a key or a column from 1 on")
    return it.key.encode(), it.column - 1
