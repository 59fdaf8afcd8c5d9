"""Reading a text table, some megabytes at a time, into numbers.

Whole blocks of lines go through pyarrow's reader, every column as float64. Where a block has a cell that is no number,
that column is read as words from there on and each word is looked at once. So a clean table is read at the speed of the
library, and a dirty one loses nothing but the cells that say nothing.
"""

from __future__ import annotations

import codecs
import re
from collections import Counter
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv

from pullwatch.exchange.columnar import Chunk, Columnar
from pullwatch.exchange.table_layout import EMPTY, cells_of, number_of, read_layout
from pullwatch.exchange.table_times import TimeReader, find_clock, local_ns, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from pullwatch.exchange.table_layout import Layout
    from pullwatch.exchange.table_times import Clock

BLOCK: Final = 4 * 1024 * 1024
"""Bytes read at a time."""
WORDS_KEPT: Final = 8
_MARKS: Final = (b"#", b"%", b"//", b"!", b"*")
_COLUMN: Final = re.compile(r"column (?:#|with name ')?'?c?(\d+)")


def read_table(path: Path, *, time: Mapping[str, str] | None = None, rate: float | None = None) -> Columnar:
    """Return a text table as columns. `time` is {column: unit} and `rate` rows a second, where a person said so.

    Raises NoTable or TimeUnknown in words, OSError if the file cannot be read.
    """
    pa.enable_signal_handlers(False)  # Ctrl-C is Python's between two blocks; the library would keep a pipe for it
    layout = read_layout(path)
    clock = find_clock(layout, time, rate)
    kept = tuple(place for place in range(layout.width) if place not in clock.columns and _is_used(layout, place))
    reader = _Reader(path, layout, clock, kept)
    began = None
    if clock.dated:
        # What has no zone of its own is local time. Times count from 1970, so the clock shows at 0 what 1970 was.
        utc = clock.from_epoch or any(row[clock.columns[-1]].rstrip().endswith("Z") for row in layout.sample[:1])
        first = reader.first_time()
        began = 0 if utc or first is None else local_ns(first) - first
    return Columnar(
        path=path,
        names=tuple(shown(layout, place) for place in kept),
        units=tuple(layout.units[place] for place in kept),
        chunks=reader.chunks,
        origin={
            "format": "text table",
            "encoding": layout.encoding,
            "separator": layout.separator,
            "decimal": "," if layout.decimal_comma else ".",
            "named": any(layout.names),
            "time": clock.why,
            "lines_above": layout.skip,
        },
        began=began,
        notes=tuple(_notes(layout, clock)),
        told=reader.told,
    )


def _is_used(layout: Layout, place: int) -> bool:
    """Whether a column has a name, or anything in it: the one behind a last separator has neither."""
    return bool(layout.names[place]) or any(row[place] for row in layout.sample)


def _notes(layout: Layout, clock: Clock) -> Iterator[str]:
    between = {";": "a semicolon", "\t": "a tab", ",": "a comma", "|": "a bar", " ": "white space"}[layout.separator]
    comma = ", decimal comma" if layout.decimal_comma else ""
    yield f"{layout.width} columns, {between} between them{comma}, {layout.encoding}"
    yield f"time: {clock.why}"
    above = layout.skip - len(layout.heading)
    if above > 0:
        yield (
            f"{above} lines above the heading are passed over"
            if above > 1
            else "1 line above the heading is passed over"
        )
    if not any(layout.names):
        yield "the columns have no names: what they are is for you to say"
    elif not any(layout.units):
        yield "no units are written in the file: they are guessed from the numbers"


class _Reader:
    """One text table. What was met on the way is counted while `chunks` runs."""

    def __init__(self, path: Path, layout: Layout, clock: Clock, kept: tuple[int, ...]) -> None:
        self.path = path
        self.layout = layout
        self.clock = clock
        self.kept = kept
        self.size = max(path.stat().st_size, 1)
        self._worded: set[int] = set()
        if clock.form in ("clock", "date-time"):
            self._worded |= set(clock.columns)
        self._begin()

    def _begin(self) -> None:
        self.times = TimeReader(self.clock)
        self.rows = 0
        self.misfits = 0
        self.comments = 0
        self.headings = 0
        self.timeless = 0
        self.words: dict[int, Counter[str]] = {}
        self.numbers: Counter[int] = Counter()

    def first_time(self) -> int | None:
        """Return ns of the first row of the sample that has one."""
        for chunk in self.chunks(None):
            if len(chunk.times_ns):
                return int(chunk.times_ns[0])
        return None

    def told(self) -> list[str]:
        """Say what was met on the way."""
        out = []
        for count, one, many in (
            (
                self.misfits,
                "1 line has another number of cells and is left out",
                "lines have another number of cells and are left out",
            ),
            (
                self.timeless,
                "1 row has no time that can be read and is left out",
                "rows have no time that can be read and are left out",
            ),
            (
                self.headings,
                "the heading stands once more within the table",
                "times the heading stands again within the table",
            ),
            (self.comments, "1 comment line is passed over", "comment lines are passed over"),
        ):
            if count:
                out.append(one if count == 1 else f"{count:,} {many}")
        for place, words in sorted(self.words.items()):
            name = shown(self.layout, place)
            which = ", ".join(f'"{word}"' for word, _ in words.most_common(WORDS_KEPT))
            if self.numbers[place]:
                out.append(f'"{name}": {sum(words.values()):,} cells are no numbers ({which}): no samples')
            else:
                out.append(f'"{name}" holds words ({which}) and no numbers: left out')
        return out

    # -- blocks of whole lines

    def _blocks(self, progress: Callable[[float], None] | None) -> Iterator[bytes]:
        """Yield blocks of whole lines below the heading, in UTF-8."""
        encoding = self.layout.encoding
        decoder = None
        if encoding not in ("utf-8", "utf-8-sig"):
            decoder = codecs.getincrementaldecoder(encoding)("replace")
        rest, skip = b"", self.layout.skip
        with self.path.open("rb") as file:
            while True:
                raw = file.read(BLOCK)
                text = raw if decoder is None else decoder.decode(raw, final=not raw).encode()
                if b"\r" in text or rest.endswith(b"\r"):
                    text, rest = self._ends(rest + text, last=not raw), b""
                text = rest + text
                if raw:
                    cut = text.rfind(b"\n") + 1
                    text, rest = text[:cut], text[cut:]
                    if len(rest) > 16 * BLOCK:
                        self.misfits += 1
                        rest = b""
                while skip and text:
                    line, end, text = text.partition(b"\n")
                    if not end and raw:
                        rest = line + rest
                        break
                    skip -= 1
                if text:
                    yield text
                if progress is not None:
                    progress(min(file.tell() / self.size, 1.0))
                if not raw:
                    return

    @staticmethod
    def _ends(text: bytes, *, last: bool) -> bytes:
        """Return a text with every line ended by LF; a CR at its very end may be half of one."""
        held = b""
        if text.endswith(b"\r") and not last:
            text, held = text[:-1], b"\r"
        return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") + held

    def chunks(self, progress: Callable[[float], None] | None) -> Iterator[Chunk]:
        """Yield the rows, in order."""
        self._begin()
        for block in self._blocks(progress):
            table = self._parse(self._without_comments(block))
            if table is None:
                continue
            columns = {place: self._numbers(table, place) for place in self._needed()}
            times = self._times(table, columns)
            values = np.empty((table.num_rows, len(self.kept)))
            for at, place in enumerate(self.kept):
                values[:, at] = columns[place]
            good = times != TimeReader.BAD
            if not good.all():
                good = self._account_timeless(table, good)
                times, values = times[good], values[good]
            self.rows += len(times)
            if len(times):
                yield Chunk(times, values)

    def _needed(self) -> tuple[int, ...]:
        return self.kept if self.clock.form != "number" else (*self.kept, *self.clock.columns)

    def _without_comments(self, block: bytes) -> bytes:
        mark = self.layout.comment.encode()
        marks = [one for one in (mark, *_MARKS) if one and (block.startswith(one) or b"\n" + one in block)]
        if not marks:
            return block
        lines = block.split(b"\n")
        kept = [line for line in lines if not line.startswith(tuple(marks))]
        self.comments += len(lines) - len(kept)
        return b"\n".join(kept)

    def _parse(self, block: bytes) -> pa.Table | None:
        if self.layout.separator == " ":
            block = re.sub(rb"[ \t]+", b" ", re.sub(rb"(?m)^[ \t]+|[ \t]+$", b"", block))
        if not block.strip():
            return None
        for _ in range(self.layout.width + 1):
            before = self.misfits
            try:
                return self._read(block)
            except pa.ArrowInvalid as error:
                self.misfits = before
                found = _COLUMN.search(str(error))
                place = int(found[1]) if found else -1
                if place < 0 or place in self._worded:
                    self._worded = set(range(self.layout.width))
                else:
                    self._worded.add(place)
        return self._read(block)

    def _read(self, block: bytes) -> pa.Table:
        width = self.layout.width

        def misfit(_: csv.InvalidRow) -> str:
            self.misfits += 1
            return "skip"

        return csv.read_csv(
            BytesIO(block),
            read_options=csv.ReadOptions(
                column_names=[str(place) for place in range(width)], block_size=len(block) + 1, encoding="utf8"
            ),
            parse_options=csv.ParseOptions(
                delimiter=self.layout.separator, quote_char='"', invalid_row_handler=misfit, ignore_empty_lines=True
            ),
            convert_options=csv.ConvertOptions(
                column_types={
                    str(place): pa.string() if place in self._worded else pa.float64() for place in range(width)
                },
                null_values=sorted(EMPTY),
                strings_can_be_null=True,
                quoted_strings_can_be_null=True,
                decimal_point="," if self.layout.decimal_comma else ".",
                check_utf8=False,
            ),
        )

    def _numbers(self, table: pa.Table, place: int) -> NDArray[np.float64]:
        """Return one column as float64, NaN where there is no number."""
        column = table.column(place)
        if column.type == pa.float64():
            numbers: NDArray[np.float64] = _plain(column, np.float64, np.nan)
            if place in self.words:
                self.numbers[place] += int(np.count_nonzero(~np.isnan(numbers)))
            return numbers
        coded = pc.dictionary_encode(column.combine_chunks())
        comma = self.layout.decimal_comma
        texts = coded.dictionary.cast(pa.binary()).to_pylist()
        known = np.full(len(texts) + 1, np.nan)
        words: dict[int, str] = {}
        for code, raw in enumerate(texts):
            text = raw.decode("utf-8", "replace")
            number = number_of(text, comma=comma)
            if number is None:
                words[code] = text.strip()
            else:
                known[code] = number
        codes: NDArray[np.int32] = _plain(coded.indices, np.int32, len(texts))
        numbers = known[codes]
        self.numbers[place] += int(np.count_nonzero(~np.isnan(numbers)))
        if words and place not in self.clock.columns:
            counts = np.bincount(codes, minlength=len(texts) + 1)
            heading = {cells[place] for cells in self.layout.heading if place < len(cells)}
            seen = self.words.setdefault(place, Counter())
            for code, word in words.items():
                if word not in heading and (word in seen or len(seen) < 1_000):
                    seen[word] += int(counts[code])
            if not seen:
                del self.words[place]
        return numbers

    def _times(self, table: pa.Table, columns: Mapping[int, NDArray[np.float64]]) -> NDArray[np.int64]:
        clock = self.clock
        if clock.form == "rows":
            return self.times.rows(table.num_rows)
        if clock.form == "number":
            return self.times.numbers(columns[clock.columns[0]])
        texts = _texts(table, clock.columns[-1])
        return self.times.texts(texts, _texts(table, clock.columns[0]) if len(clock.columns) == 2 else None)

    def _account_timeless(self, table: pa.Table, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Count the rows without a time; a heading that comes again is one, and is no fault."""
        place = self.clock.columns[-1]
        heading = {cells[place] for cells in self.layout.heading if place < len(cells)}
        column = table.column(place)
        texts = _texts(table, place) if column.type != pa.float64() else []
        for at in np.flatnonzero(~good).tolist():
            if at < len(texts) and (texts[at] or "").strip() in heading:
                self.headings += 1
            else:
                self.timeless += 1
        return good


def _plain(column: Any, dtype: type[Any], none: float) -> NDArray[Any]:
    """Return a column as an array of its own, `none` where it has nulls.

    From its buffers, because the library's own ways import pandas where there is one, which takes seconds.
    """
    array = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    bits, data = array.buffers()
    end = array.offset + len(array)
    out: NDArray[Any] = np.frombuffer(data, dtype=dtype, count=end)[array.offset :].copy()
    if array.null_count:
        out[np.unpackbits(np.frombuffer(bits, dtype=np.uint8), count=end, bitorder="little")[array.offset :] == 0] = (
            none
        )
    return out


def _texts(table: pa.Table, place: int) -> list[str | None]:
    return [
        None if raw is None else raw.decode("utf-8", "replace")
        for raw in table.column(place).cast(pa.binary()).to_pylist()
    ]


__all__ = ["cells_of", "read_table"]
