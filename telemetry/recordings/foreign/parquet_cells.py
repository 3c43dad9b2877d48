"""The rows of a table in Parquet that another tool wrote, in blocks of columns; lists and the like are left out."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from telemetry.model.errors import RecordingError, printable
from telemetry.recordings.foreign.text_layout import TextLayout, header_names
from telemetry.recordings.parquet_recording import floats, is_numeric, opened_parquet

_BATCH_ROWS = 16384
_FIRST_ROWS = 1000
_LATEST_US = 7_258_118_400_000_000
"""2200-01-01, as for times in text; before 1970 no logger wrote."""


def is_parquet(path: Path) -> bool:
    """Tell whether a file is Parquet, by its name."""
    return path.suffix.lower() == ".parquet"


def parquet_cells(path: Path, file: str, header: tuple[str, ...]) -> Iterator[Any]:
    """Give pyarrow tables with a column for each name of the header: numbers, timestamps or text.

    Raises:
        RecordingError: it has another header, or cannot be read.

    """
    with opened_parquet(path, file) as opened:
        if _header(opened) != header:
            raise RecordingError(f"{file}: the header of the column map is not in it; make another map for it")
        yield from _tables(opened, _BATCH_ROWS)


def parquet_layout(path: Path, called: Path) -> TextLayout:
    """Return the names and the first rows, as text.

    Raises:
        RecordingError: it cannot be read, or has no rows.

    """
    file = printable(called, 200)
    with opened_parquet(path, file) as opened:
        for cells in islice(_tables(opened, _FIRST_ROWS), 1):
            columns = [["" if cell is None else str(cell) for cell in column.to_pylist()] for column in cells.columns]
            rows = tuple(zip(*columns, strict=True))
            return TextLayout("utf-8", ",", ".", _header(opened), (), rows)
    raise RecordingError(f"{file}: there is no row of readings in it; check the file")


def _header(opened: Any) -> tuple[str, ...]:
    names = [name.strip() for name in opened.schema_arrow.names]
    return header_names(names, len(names))


def _tables(opened: Any, rows: int) -> Iterator[Any]:
    import pyarrow as pa

    for batch in opened.iter_batches(batch_size=rows):
        if batch.num_rows:
            columns = [_plain(column) for column in batch.columns]
            yield pa.table(columns, [str(place) for place in range(len(columns))])


def _plain(column: Any) -> Any:
    """Return a column as float64, timestamps of microseconds, or text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    of, kind = pa.types, column.type
    if is_numeric(kind):
        return pa.array(floats(column))
    if of.is_duration(kind):
        return pa.array(floats(column.cast(pa.duration("ns"), safe=False).cast(pa.int64())) / 1e9)
    if of.is_timestamp(kind):
        moments = column.cast(pa.timestamp("us", kind.tz), safe=False)
        count = moments.cast(pa.int64())
        return pc.if_else(pc.and_(pc.greater_equal(count, 0), pc.less(count, _LATEST_US)), moments, None)
    if of.is_string(kind) or of.is_large_string(kind) or of.is_date(kind) or of.is_time(kind):
        return column.cast(pa.string())
    return pa.nulls(len(column), pa.float64())
