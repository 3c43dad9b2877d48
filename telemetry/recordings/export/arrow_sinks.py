"""Full-rate rows through pyarrow: our CSV and Parquet, and the Battery Data Format in both."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from typing import IO, Any, Self

import numpy as np

from telemetry.model.batch import Times, Values
from telemetry.model.errors import InputError
from telemetry.model.recording import TimeBasis
from telemetry.model.signals import find_signal
from telemetry.recordings.export.open_formats import bdf_label


class _ArrowSink:
    """Writes columns through pyarrow, whose shortest decimals read back to the same bits."""

    def __init__(self, stream: IO[bytes], suffix: str, schema: Any, *, quoted: bool = False) -> None:
        self._packed = gzip.GzipFile("", "wb", 6, stream, mtime=0) if suffix.endswith(".gz") else None
        self._schema = schema
        self.left_out: tuple[str, ...] = ()
        if suffix.endswith(".parquet"):
            from pyarrow import parquet

            self._writer: Any = parquet.ParquetWriter(stream, schema, compression="zstd")
        else:
            from pyarrow import csv as arrow_csv

            target = self._packed or stream
            target.write((",".join(f'"{name}"' if quoted else name for name in schema.names) + "\n").encode("ascii"))
            options = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
            self._writer = arrow_csv.CSVWriter(target, schema, write_options=options)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *failure: object) -> None:
        self._writer.close()
        if self._packed is not None:
            self._packed.close()

    def put(self, times: list[Any], values: Values) -> None:
        """Write the columns of some rows, unknown values as nulls."""
        import pyarrow as pa

        columns = [pa.array(values[:, column], from_pandas=True) for column in range(values.shape[1])]
        self._writer.write_batch(pa.record_batch([*times, *columns], schema=self._schema))


class OwnSink(_ArrowSink):
    """Our CSV and Parquet: a time column and a column a signal; Parquet carries units and what is known besides."""

    def __init__(
        self,
        stream: IO[bytes],
        suffix: str,
        basis: TimeBasis,
        names: tuple[str, ...],
        metadata: Mapping[str, str] | None,
    ) -> None:
        import pyarrow as pa

        self._basis, self._is_text = basis, not suffix.endswith(".parquet")
        kind = pa.string() if self._is_text else pa.timestamp("us", tz="UTC")
        time = pa.field("t", pa.float64()) if basis == "relative" else pa.field("time", kind)
        fields = [time, *(pa.field(name, pa.float64(), metadata={"unit": unit_of(name)}) for name in names)]
        super().__init__(stream, suffix, pa.schema(fields, metadata=dict(metadata or {})))

    def write(self, t: Times, values: Values) -> int:
        """Write rows; ``t`` in microseconds."""
        import pyarrow as pa

        if self._basis == "relative":
            time = pa.array(t / 1e6)
        elif self._is_text:
            time = pa.array(np.datetime_as_string(t.astype("datetime64[us]"), unit="us", timezone="UTC"))
        else:
            time = pa.array(t, self._schema.field(0).type)
        self.put([time], values)
        return len(t)


class BdfSink(_ArrowSink):
    """The Battery Data Format: its labels, seconds from the start, current positive while charging."""

    def __init__(self, stream: IO[bytes], suffix: str, basis: TimeBasis, names: tuple[str, ...], start: int) -> None:
        import pyarrow as pa

        labels = {name: label for name in names if (label := bdf_label(name)) is not None}
        missing = [name for name in ("pack_voltage", "pack_current") if name not in labels]
        if missing:
            raise InputError(f"the Battery Data Format needs voltage and current; {' and '.join(missing)} is missing")
        self._basis, self._start = basis, start
        self._places = [names.index(name) for name in labels]
        self._signs = np.array([-1.0 if name in ("pack_current", "pack_power") else 1.0 for name in labels])
        times = ["Test Time / s", *(["Unix Time / s"] if basis == "absolute" else [])]
        super().__init__(
            stream, suffix, pa.schema([(name, pa.float64()) for name in [*times, *labels.values()]]), quoted=True
        )
        self.left_out = tuple(name for name in names if name not in labels)

    def write(self, t: Times, values: Values) -> int:
        """Write rows; ``t`` in microseconds."""
        import pyarrow as pa

        kept = values[:, self._places] * self._signs
        known = np.isfinite(kept).any(axis=1)
        start = self._start if self._basis == "absolute" else 0
        times = [(t[known] - start) / 1e6, *([t[known] / 1e6] if self._basis == "absolute" else [])]
        self.put([pa.array(each) for each in times], kept[known])
        return int(np.count_nonzero(known))


def unit_of(name: str) -> str:
    """Return a signal's unit, empty for a pure number."""
    signal = find_signal(name)
    return "" if signal is None else signal.unit
