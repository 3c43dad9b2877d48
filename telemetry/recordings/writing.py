"""Writing a recording to a file that can be opened as a recording again, with the same values to the last bit."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import numpy as np

from telemetry.model.batch import Times, Values
from telemetry.model.errors import InputError, printable
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.recordings.reading import Format, format_of
from telemetry.recordings.table import Table

_SPAN_ROWS = 16384
# What a spreadsheet takes for a formula when a cell begins with it; no identifier does.
_HEADER_START = frozenset("abcdefghijklmnopqrstuvwxyz")


def write_recording(
    recording: Recording,
    path: Path,
    time_basis: TimeBasis | None = None,
    *,
    replace: bool = False,
    warn: Callable[[str], None] | None = None,
) -> int:
    """Write ``recording`` to ``path`` in the format its suffix names, one row an instant; return the rows written.

    The file appears under its name only when it is whole. Unknown values are empty cells (nulls in Parquet). Times
    are ``time``, UTC with microseconds, or ``t``, seconds from the start. Every row has all six digits, so that
    whoever reads the file elsewhere meets one form.

    Args:
        recording: what to write.
        path: ``.csv``, ``.csv.gz`` or ``.parquet``.
        time_basis: None keeps the recording's own; an absolute one can also be written as relative.
        replace: whether a file that is there already may be replaced.
        warn: called with a sentence for each signal that could not keep its name.

    Raises:
        InputError: the suffix is none of ours, the file exists, its folder is missing or cannot be written, the disk
            is full, or the recording has no signals, or no dates where dates are asked for.

    """
    suffix = format_of(path)
    file = printable(path, 200)
    basis = time_basis or recording.time_basis
    if basis == "absolute" and recording.time_basis == "relative":
        raise InputError(f"{file}: the recording's dates are not known; write it with times relative to its start")
    table = Table.of(recording.groups)
    if not table.names:
        raise InputError(f"{file}: the recording holds no signals, so there is nothing to write")
    assert all(name[0] in _HEADER_START for name in table.names), "columns are checked identifiers"
    for warning in table.warnings:
        if warn is not None:
            warn(warning)
    origin = recording.start if basis == "relative" else 0
    written = 0
    with whole_or_not_at_all(path, replace) as stream, _sink(stream, suffix, basis, table.names) as sink:
        for span in recording.spans(_SPAN_ROWS):
            t, values = table.rows(span)
            if len(t):
                sink.write(t - origin, values)
                written += len(t)
    return written


def _sink(stream: IO[bytes], suffix: Format, basis: TimeBasis, names: tuple[str, ...]) -> _CsvSink | _ParquetSink:
    if suffix == ".parquet":
        return _ParquetSink(stream, basis, names)
    return _CsvSink(stream, basis, names, packed=suffix == ".csv.gz")


class _CsvSink:
    """Writes CSV rows through pyarrow, whose shortest decimals read back to the same bits."""

    def __init__(self, stream: IO[bytes], basis: TimeBasis, names: tuple[str, ...], packed: bool) -> None:
        import pyarrow as pa
        from pyarrow import csv as arrow_csv

        self._basis = basis
        self._packed = gzip.GzipFile("", "wb", 6, stream, mtime=0) if packed else None
        target = self._packed or stream
        header = ["t" if basis == "relative" else "time", *names]
        target.write((",".join(header) + "\n").encode("ascii"))
        kinds = [pa.float64() if basis == "relative" else pa.string(), *[pa.float64()] * len(names)]
        self._schema = pa.schema(list(zip(header, kinds, strict=True)))
        options = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
        self._writer = arrow_csv.CSVWriter(target, self._schema, write_options=options)

    def __enter__(self) -> _CsvSink:
        return self

    def __exit__(self, *failure: object) -> None:
        self._writer.close()
        if self._packed is not None:
            self._packed.close()

    def write(self, t: Times, values: Values) -> None:
        import pyarrow as pa

        if self._basis == "relative":
            time = pa.array(t / 1e6)
        else:
            time = pa.array(np.datetime_as_string(t.astype("datetime64[us]"), unit="us", timezone="UTC"))
        self._writer.write_batch(pa.record_batch([time, *_arrow_columns(values)], schema=self._schema))


class _ParquetSink:
    """Writes Parquet row groups."""

    def __init__(self, stream: IO[bytes], basis: TimeBasis, names: tuple[str, ...]) -> None:
        import pyarrow as pa
        from pyarrow import parquet

        self._basis = basis
        time = pa.field("t", pa.float64()) if basis == "relative" else pa.field("time", pa.timestamp("us", tz="UTC"))
        self._schema = pa.schema([time, *(pa.field(name, pa.float64()) for name in names)])
        self._writer = parquet.ParquetWriter(stream, self._schema, compression="zstd")

    def __enter__(self) -> _ParquetSink:
        return self

    def __exit__(self, *failure: object) -> None:
        self._writer.close()

    def write(self, t: Times, values: Values) -> None:
        import pyarrow as pa

        time = pa.array(t / 1e6) if self._basis == "relative" else pa.array(t, self._schema.field(0).type)
        self._writer.write_batch(pa.record_batch([time, *_arrow_columns(values)], schema=self._schema))


def _arrow_columns(values: Values) -> list[Any]:
    """Return each column as an Arrow array, NaN as null."""
    import pyarrow as pa

    return [pa.array(values[:, column], from_pandas=True) for column in range(values.shape[1])]
