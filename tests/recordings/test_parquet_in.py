"""Parquet recordings in, held against pyarrow's own reading and the decimal arithmetic of the standard library."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from telemetry.model.batch import Batch, merged
from telemetry.recordings.reading import open_recording

# 2026-05-01T07:30:00Z
START_S = 1_777_620_600


def written(folder: Path, table: pa.Table, **how: Any) -> Path:
    path = folder / "mow.parquet"
    parquet.write_table(table, path, **how)
    return path


def whole(path: Path) -> Batch:
    return merged([span.batches[0] for span in open_recording(path).spans()])


@pytest.mark.parametrize(("unit", "per_second"), [("s", 1), ("ms", 10**3), ("us", 10**6), ("ns", 10**9)])
@pytest.mark.parametrize("zone", ["UTC", "+02:00"])
def test_timestamps_of_every_unit(tmp_path: Path, unit: str, per_second: int, zone: str) -> None:
    counts = [START_S * per_second, START_S * per_second + 1, (START_S + 3) * per_second]
    table = pa.table({"time": pa.array(counts, pa.timestamp(unit, tz=zone)), "pack_voltage": [1.0, 2.0, 3.0]})
    recording = open_recording(written(tmp_path, table, version="2.6"))
    assert recording.time_basis == "absolute"
    assert recording.start == START_S * 1_000_000
    expected = [int((Decimal(n) * 10**6 / per_second).quantize(Decimal(1), ROUND_HALF_EVEN)) for n in counts]
    assert whole(recording.path).t.tolist() == expected


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(-(10**14), 10**14), min_size=1, max_size=20).map(sorted))
def test_nanoseconds_are_rounded_to_even(tmp_path: Path, counts: list[int]) -> None:
    table = pa.table({"time": pa.array(counts, pa.timestamp("ns", tz="UTC")), "pack_voltage": [1.0] * len(counts)})
    expected = [int((Decimal(n) / 1000).quantize(Decimal(1), ROUND_HALF_EVEN)) for n in counts]
    assert whole(written(tmp_path, table)).t.tolist() == expected


@pytest.mark.parametrize(
    "column",
    [
        pa.array([1.5, None, math.nan, math.inf]),
        pa.array([1.5, None, 2, 3], pa.float32()),
        pa.array([1, None, -2, 2**40]),
        pa.array([1, None, 2, 255], pa.uint8()),
        pa.array([True, None, False, True]),
        pa.array([Decimal("51.25"), None, Decimal("-1.50"), Decimal("0.00")], pa.decimal128(9, 2)),
        pa.array([None] * 4, pa.null()),
    ],
    ids=lambda column: str(column.type),
)
def test_columns_of_every_kind_of_number(tmp_path: Path, column: pa.Array) -> None:
    """Oracle: pyarrow's Python values, converted by float()."""
    path = written(tmp_path, pa.table({"t": [0.0, 0.05, 0.1, 0.15], "discharge_allowed": column}))
    batch = whole(path)
    expected = [
        math.nan if v is None else float(v) for v in parquet.read_table(path)["discharge_allowed"].to_pylist()
    ]
    assert np.array_equal(batch.values[:, 0], expected, equal_nan=True)
    assert batch.t.tolist() == [0, 50_000, 100_000, 150_000]


@pytest.mark.parametrize("kind", [pa.float32(), pa.float64(), pa.int16(), pa.decimal128(12, 6)])
def test_seconds_of_every_kind(tmp_path: Path, kind: pa.DataType) -> None:
    table = pa.table({"t": pa.array([Decimal(0), Decimal(1), Decimal(7)], pa.decimal128(12, 6)).cast(kind)})
    table = table.append_column("pack_voltage", pa.array([1.0, 2.0, 3.0]))
    assert whole(written(tmp_path, table)).t.tolist() == [0, 1_000_000, 7_000_000]


def test_a_long_file_is_what_pyarrow_reads(tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    values = random.normal(50, 9, (60_000, 3))
    values[random.random(values.shape) < 0.1] = np.nan
    columns = {"t": np.arange(60_000) * 0.05} | {f"cell_{n + 1:02d}_voltage": values[:, n] for n in range(3)}
    path = written(tmp_path, pa.table(columns), row_group_size=7_000)
    batch = whole(path)
    again = parquet.read_table(path)
    assert batch.t.tolist() == [50_000 * row for row in range(60_000)]
    for place, name in enumerate(again.column_names[1:]):
        assert batch.values[:, place].tobytes() == again[name].to_numpy().tobytes()
