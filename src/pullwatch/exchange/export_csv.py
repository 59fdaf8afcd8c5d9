"""A table as CSV: one header row `name [unit]`, nothing before it, a comma between cells, times in s to the nanosecond.

Numbers are the shortest that read back as the same value. No text can be taken for a formula by a spreadsheet: what
begins with `=`, `+`, `-` or `@` gets an apostrophe before it, and tabs and line ends become spaces (the usual defence,
OWASP "CSV Injection", from memory).
"""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING, Final

import pyarrow as pa
import pyarrow.csv as pacsv

from pullwatch.clock import NS_PER_S
from pullwatch.exchange.export_arrow import value_array, why_array

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.exchange.export_rows import Rows
    from pullwatch.exchange.exporting import Table

_FORMULA: Final = ("=", "+", "-", "@")
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f]")


def plain(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula."""
    text = _CONTROL.sub(" ", text)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text  # some programs look behind spaces


def header(table: Table) -> str:
    """Return the header row."""
    names = ["time [s]"]
    for field in table.fields:
        names.append(plain(field.heading))
        if table.why:
            names.append(plain(f"{field.name} why"))
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(names)
    return out.getvalue()


def write(table: Table, path: Path) -> int:
    """Write the table to `path`; return how many rows it has. Raises OSError."""
    width = len(table.fields)
    types: list[pa.DataType] = [pa.string()]
    for _ in range(width):
        types += [pa.float64(), pa.string()] if table.why else [pa.float64()]
    schema = pa.schema([pa.field(str(at), one) for at, one in enumerate(types)])
    options = pacsv.WriteOptions(include_header=False, quoting_style="needed")
    count = 0
    with path.open("wb") as file:
        file.write(header(table).encode())
        with pacsv.CSVWriter(file, schema, write_options=options) as out:
            for rows in table.rows:
                count += len(rows)
                out.write_batch(_batch(rows, schema, why=table.why))
    return count


def _batch(rows: Rows, schema: pa.Schema, *, why: bool) -> pa.RecordBatch:
    arrays = [pa.array([f"{t // NS_PER_S}.{t % NS_PER_S:09d}" for t in rows.t.tolist()], pa.string())]
    for v, code in zip(rows.v, rows.code, strict=True):
        arrays.append(value_array(v, code))
        if why:
            arrays.append(why_array(code))
    return pa.record_batch(arrays, schema=schema)
