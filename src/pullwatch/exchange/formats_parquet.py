"""Parquet files: their columns of numbers as a log with times.

The time is the column our own export names `time_ns` or `time`, else one named so or so (timestamp, t, seconds), else
the first that is a timestamp. Its unit is in its type (a timestamp), its metadata (`unit`) or its name (`time_ms`,
`time [ms]`); what says nothing is in seconds where it is a float. Units of other columns are read from the metadata key
`unit`, as our own export writes them, or from `name [unit]`.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pullwatch.errors import PullwatchError
from pullwatch.exchange.columnar import Chunk, Columnar
from pullwatch.exchange.export_parquet import KEY
from pullwatch.exchange.table_times import UNIT_NS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

ROWS_AT_ONCE: Final = 50_000
_NAMES: Final = ("time_ns", "time", "timestamp", "timestamps", "t", "seconds", "time_s", "time_ms", "time_us")
_HEADING: Final = re.compile(r"(.*?)\s*\[([^\[\]]*)\]\s*")
_ENDING: Final = re.compile(r".*_(ns|us|ms|s)")
_TO_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}


class NoTable(PullwatchError):  # noqa: N818 - it names what the file is not
    """A Parquet file is none, or has no time."""


def read_parquet(path: Path) -> Columnar:
    """Return the columns of a Parquet file. Raises NoTable in words, OSError if it cannot be opened."""
    try:
        schema = pq.read_schema(path)
    except (pa.ArrowInvalid, pa.ArrowException) as error:
        raise NoTable(f"{path} is no Parquet file that can be read: {str(error).splitlines()[0]}.") from error
    about = _about(schema)
    time = _time_column(path, schema)
    names, units, taken, left = [], [], [], []
    for field in schema:
        name, unit = _heading(field)
        if field.name in (time, "time", "time_ns") and (field.name == time or about):
            continue
        if _is_number(field.type):
            names.append(name)
            units.append(unit)
            taken.append(field.name)
        else:
            left.append(field.name)
    kind = schema.field(time).type
    to_ns, said = _unit_of(path, schema.field(time))
    notes = [f"the time is {time}{said}"]
    if left:
        notes.append(f"left out, as they hold no numbers: {', '.join(left)}")
    epoch = pa.types.is_timestamp(kind)
    return Columnar(
        path=path,
        names=tuple(names),
        units=tuple(units),
        chunks=_Chunks(path, time, tuple(taken), to_ns),
        origin={"format": "parquet", "time": time, **({"exported": about} if about else {})},
        began=0 if epoch else _began(about),
        notes=tuple(notes),
    )


class _Chunks:
    """Reads the rows some thousand at a time."""

    def __init__(self, path: Path, time: str, taken: tuple[str, ...], to_ns: int) -> None:
        self._path = path
        self._time = time
        self._taken = taken
        self._to_ns = to_ns

    def __call__(self, progress: Callable[[float], None] | None = None) -> Iterator[Chunk]:
        with pq.ParquetFile(self._path) as file:
            rows = max(1, file.metadata.num_rows)
            done = 0
            for batch in file.iter_batches(ROWS_AT_ONCE, columns=[self._time, *self._taken]):
                done += batch.num_rows
                times, known = self._times(batch.column(self._time))
                columns = [_numbers(batch.column(name)) for name in self._taken]
                values = np.stack(columns, axis=1) if columns else np.empty((len(times), 0))
                yield Chunk(times[known], values[known])
                if progress is not None:
                    progress(done / rows)

    def _times(self, column: pa.Array) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return ns, and which rows have a time at all."""
        known = np.asarray(column.is_valid().to_numpy(zero_copy_only=False), dtype=np.bool_)
        if pa.types.is_floating(column.type):
            seconds = _numbers(column)
            known &= np.isfinite(seconds)
            return np.rint(np.where(known, seconds, 0.0) * self._to_ns).astype(np.int64), known
        if not pa.types.is_integer(column.type):
            column = column.cast(pa.int64())
        whole = column.fill_null(0).to_numpy(zero_copy_only=False).astype(np.int64)
        return whole * self._to_ns, known


def _numbers(column: pa.Array) -> NDArray[np.float64]:
    """Return float64, NaN for null."""
    if pa.types.is_decimal(column.type) or pa.types.is_boolean(column.type):
        column = column.cast(pa.float64()) if pa.types.is_decimal(column.type) else column.cast(pa.uint8())
    return np.asarray(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)


def _is_number(kind: pa.DataType) -> bool:
    return bool(
        pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
        or pa.types.is_decimal(kind)
        or pa.types.is_boolean(kind)
    )


def _is_time(kind: pa.DataType) -> bool:
    return bool(
        pa.types.is_timestamp(kind)
        or pa.types.is_duration(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
    )


def _time_column(path: Path, schema: pa.Schema) -> str:
    bare = {_heading(field)[0].strip().lower(): field.name for field in reversed(list(schema)) if _is_time(field.type)}
    for name in _NAMES:
        if name in bare:
            return str(bare[name])
    for field in schema:
        if pa.types.is_timestamp(field.type) or pa.types.is_duration(field.type):
            return str(field.name)
    raise NoTable(f"{path} has no column that is the time. It has {', '.join(schema.names)}; one must be called time.")


def _heading(field: pa.Field) -> tuple[str, str]:
    """Return the name and the unit of a column."""
    said = (field.metadata or {}).get(b"unit")
    if said is not None:
        return str(field.name), said.decode("utf-8", "replace")
    found = _HEADING.fullmatch(field.name)
    return (found[1], found[2].strip()) if found and found[1] else (str(field.name), "")


def _unit_of(path: Path, field: pa.Field) -> tuple[int, str]:
    """Return ns in one of the time's numbers, and how that is known."""
    kind = field.type
    if pa.types.is_timestamp(kind) or pa.types.is_duration(kind):
        return _TO_NS[kind.unit], f", in {kind.unit} by its type"
    name, unit = _heading(field)
    ending = _ENDING.fullmatch(name.lower())
    word = (unit or (ending[1] if ending else "")).lower()
    if word in UNIT_NS:
        return UNIT_NS[word], f", in {word}"
    if word:
        raise NoTable(f'{path}: the unit "{word}" of {field.name} is none of time. Use s, ms, us or ns.')
    if pa.types.is_floating(kind):
        return _TO_NS["s"], ", taken for seconds as it does not say"
    raise NoTable(
        f"{path}: the whole numbers of {field.name} do not say whether they are s, ms, us or ns. Name the column "
        "time_ms, or whatever they are."
    )


def _about(schema: pa.Schema) -> dict[str, Any]:
    """Return what our own export wrote of the session, nothing if it was not ours."""
    try:
        said = json.loads((schema.metadata or {}).get(KEY, b"{}"))
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def _began(about: dict[str, Any]) -> int | None:
    began = about.get("began")
    return began if isinstance(began, int) else None
