"""A table as Parquet: `time` in s (float64), with exact time `time_ns` (int64) beside it, a float64 column a channel.

A field's metadata say its unit and what a pressure is measured from; the schema's say the session, the car, and the
wall clock at time 0 (ns since the Unix epoch). What is not known is null.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import pyarrow as pa
import pyarrow.parquet as pq

from pullwatch.clock import NS_PER_S
from pullwatch.exchange.export_arrow import value_array, why_array

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.exchange.export_rows import Rows
    from pullwatch.exchange.exporting import Table

ROWS_IN_A_GROUP: Final = 100_000
KEY: Final = b"pullwatch"
"""Key of the schema's metadata under which the JSON about the session stands."""


def schema_of(table: Table) -> pa.Schema:
    """Return the columns of the file."""
    fields = [pa.field("time", pa.float64(), nullable=False, metadata={"unit": "s"})]
    if table.exact_time:
        fields.append(pa.field("time_ns", pa.int64(), nullable=False, metadata={"unit": "ns"}))
    for field in table.fields:
        says = {"unit": field.unit, **({"measured_from": field.says} if field.says else {})}
        fields.append(pa.field(field.name, pa.float64(), metadata=says))
        if table.why:
            fields.append(pa.field(f"{field.name} why", pa.string()))
    about = {"session": table.session, "car": table.car, "began": table.began, "rate_hz": table.rate}
    return pa.schema(fields, metadata={KEY: json.dumps(about).encode()})


def write(table: Table, path: Path) -> int:
    """Write the table to `path`; return how many rows it has. Raises OSError."""
    schema = schema_of(table)
    count = 0
    waiting: list[pa.RecordBatch] = []
    with pq.ParquetWriter(path, schema, compression="zstd") as out:
        for rows in table.rows:
            count += len(rows)
            waiting.append(_batch(rows, schema, table))
            if sum(len(batch) for batch in waiting) >= ROWS_IN_A_GROUP:
                out.write_table(pa.Table.from_batches(waiting, schema))
                waiting = []
        if waiting:
            out.write_table(pa.Table.from_batches(waiting, schema))
    return count


def _batch(rows: Rows, schema: pa.Schema, table: Table) -> pa.RecordBatch:
    arrays = [pa.array(rows.t / NS_PER_S)]
    if table.exact_time:
        arrays.append(pa.array(rows.t))
    for v, code in zip(rows.v, rows.code, strict=True):
        arrays.append(value_array(v, code))
        if table.why:
            arrays.append(why_array(code))
    return pa.record_batch(arrays, schema=schema)
