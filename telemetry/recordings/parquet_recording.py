"""Recordings in Parquet, read batch by batch."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Times, Values
from telemetry.model.errors import RecordingError, printable
from telemetry.model.expansion import check_expansion
from telemetry.recordings.columns import RELATIVE_LIMIT_S, Columns, columns_of
from telemetry.recordings.exact_cells import seconds_problem
from telemetry.recordings.file_recording import FileRecording, Rows

_BATCH_ROWS = 16384
_ROWS_REPEAT = 4
"""Columns that never change take next to nothing in Parquet; so their rows count for a quarter."""
_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}


class ParquetRecording(FileRecording):
    """A recording in ``.parquet``: a null or NaN is unknown; ``time`` is a timestamp with zone, ``t`` any number."""

    def _read_columns(self) -> Columns:
        with opened_parquet(self.path, self.file) as file:
            schema = file.schema_arrow
            columns = columns_of(schema.names, self.file)
            self._check_types(schema, columns)
            kept = (schema.metadata or {}).get(b"machine_file")
            self.machine_text = None if not kept else kept.decode("utf-8", "replace")
            return columns

    def _check_types(self, schema: Any, columns: Columns) -> None:
        import pyarrow as pa

        wrong = [place for place in columns.places if not is_numeric(schema.field(place).type)]
        if wrong:
            shown = ", ".join(f"{printable(schema.names[p])} ({printable(schema.field(p).type)})" for p in wrong[:4])
            raise RecordingError(f"{self.file}: not every column holds numbers: {shown}; convert or leave them out")
        kind = schema.field(columns.time_place).type
        shown = printable(kind)
        if columns.time_basis == "relative":
            if not is_numeric(kind) or pa.types.is_boolean(kind):
                raise RecordingError(f"{self.file}: column t holds {shown}; it must hold seconds from the start")
        elif not pa.types.is_timestamp(kind):
            raise RecordingError(f"{self.file}: column time holds {shown}; it must hold timestamps with zone")
        elif kind.tz is None:
            raise RecordingError(f"{self.file}: the timestamps of column time have no zone; store them with zone UTC")

    def _read(self) -> Iterator[Rows]:
        first_row = 1
        with opened_parquet(self.path, self.file) as file:
            for batch in file.iter_batches(batch_size=_BATCH_ROWS):
                yield self._rows(batch, first_row)
                first_row += batch.num_rows

    def _rows(self, batch: Any, first_row: int) -> Rows:
        def place_of(row: int) -> str:
            return f"row {first_row + row}"

        t, bad = self._times(batch.column(self._columns.time_place))
        mistake = None if bad is None else RecordingError(f"{self.file}, {place_of(len(t))}, column {bad}")
        values = np.empty((len(t), len(self._columns.places)))
        for column, place in enumerate(self._columns.places):
            values[:, column] = floats(batch.column(place))[: len(t)]
        return Rows(t, values, place_of, mistake)

    def _times(self, column: Any) -> tuple[Times, str | None]:
        """Return the times up to the first that is none, and what is wrong with that one."""
        import pyarrow as pa

        name = self._columns.names[self._columns.time_place]
        if self._columns.time_basis == "relative":
            seconds = floats(column)
            good = (seconds >= 0) & (seconds <= RELATIVE_LIMIT_S)
            t = np.rint(np.where(good, seconds, 0) * 1e6).astype(np.int64)
        else:
            good = np.asarray(column.is_valid())
            t = _to_microseconds(column.cast(pa.int64()).fill_null(0).to_numpy(), column.type.unit)
        wrong = np.flatnonzero(~good)
        if not len(wrong):
            return t, None
        row = int(wrong[0])
        shown = column[row].as_py()
        problem = None
        if self._columns.time_basis == "relative" and shown is not None:
            problem = seconds_problem(float(seconds[row]), printable(shown))
        return t[:row], f"{name}: {problem or 'the time is missing; each row needs one'}"


@contextmanager
def opened_parquet(path: Path, file: str) -> Iterator[Any]:
    """Open a file; whatever its library has to say of it becomes a RecordingError that names ``file``."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(path) as opened:
            check_expansion(file, path.stat().st_size, _unpacked(opened.metadata))
            yield opened
    except (pa.ArrowException, OSError, ValueError, LookupError, ArithmeticError) as error:
        # A name that is no UTF-8, a zone that does not exist: the library raises Python's own errors too.
        reason = getattr(error, "strerror", None) or str(error).partition("\n")[0]
        raise RecordingError(
            f"{file}: it is not a sound Parquet file: {printable(reason, 120)}; copy or export it again"
        ) from error


def _unpacked(metadata: Any) -> int:
    """Return how many bytes the file takes once it is read: what its pages hold, and what its rows will take."""
    pages = sum(metadata.row_group(number).total_byte_size for number in range(metadata.num_row_groups))
    return int(max(pages, 8 * metadata.num_rows * metadata.num_columns // _ROWS_REPEAT))


def is_numeric(kind: Any) -> bool:
    """Tell whether columns of that pyarrow type hold numbers, or truth values."""
    import pyarrow as pa

    of = pa.types
    return any(is_kind(kind) for is_kind in (of.is_integer, of.is_floating, of.is_decimal, of.is_boolean, of.is_null))


def floats(column: Any) -> Values:
    """Return a column of numbers; NaN where there is none."""
    import pyarrow as pa

    if pa.types.is_boolean(column.type):
        column = column.cast(pa.uint8())
    floats: Values = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    return floats


def _to_microseconds(t: npt.NDArray[np.int64], unit: str) -> Times:
    """Return ``t`` in microseconds, exactly; nanoseconds rounded, ties to even."""
    per_second = _PER_SECOND[unit]
    if per_second <= _PER_SECOND["us"]:
        return t * (_PER_SECOND["us"] // per_second)
    whole, beyond = t // 1_000, t % 1_000 - 500
    rounded: Times = whole + ((beyond > 0) | ((beyond == 0) & (whole % 2 == 1)))
    return rounded
