"""Parquet as other tools write it: each type a time or a number may have. Invented values."""

from __future__ import annotations

import datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from telemetry.model.errors import RecordingError
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.foreign.propose import proposed

ROWS = 50
START = datetime.datetime(2026, 5, 17, 9, 58, 20, 250_000)
MOMENTS = [START + datetime.timedelta(seconds=n) for n in range(ROWS)]
VOLTS = [52 + n / 64 for n in range(ROWS)]
ABSOLUTE = round(START.replace(tzinfo=datetime.UTC).timestamp() * 1e6)


def read(tmp_path: Path, columns: dict[str, object]) -> tuple[MappedTable, np.ndarray, np.ndarray]:
    path = tmp_path / "drive.parquet"
    parquet.write_table(pa.table(columns), path)
    found = proposed(path)
    for unknown in found.unknown:
        found.answered(unknown, "UTC")
    recording = MappedTable(path, found.column_map)
    batches = [batch for span in recording.spans() for batch in span.batches]
    volts = np.concatenate([batch.column("pack_voltage") for batch in batches])
    return recording, np.concatenate([batch.t for batch in batches]), volts


@pytest.mark.parametrize(
    ("time", "start"),
    [
        (pa.array(MOMENTS, pa.timestamp("us", "UTC")), ABSOLUTE),
        (pa.array(MOMENTS, pa.timestamp("ns", "+02:00")), ABSOLUTE),
        (pa.array(MOMENTS, pa.timestamp("ms")), ABSOLUTE),
        (pa.array([str(moment) for moment in MOMENTS]).dictionary_encode(), ABSOLUTE),
        (pa.array([ABSOLUTE + n * 1_000_000 for n in range(ROWS)]), ABSOLUTE),
        (pa.array(range(ROWS), pa.duration("s")), 0),
        (pa.array(range(ROWS), pa.int16()), 0),
        (pa.array([moment.time() for moment in MOMENTS], pa.time64("us")), 0),
    ],
    ids=lambda value: str(value.type) if isinstance(value, pa.Array) else "",
)
def test_times_of_every_type(tmp_path, time, start) -> None:
    recording, t, volts = read(tmp_path, {"Time": time, "Volts": VOLTS})
    assert recording.start == start
    assert (t - start).tolist() == [n * 1_000_000 for n in range(ROWS)]
    assert volts.tolist() == VOLTS


def test_date_and_time_of_day_in_two_columns(tmp_path) -> None:
    days = pa.array([moment.date() for moment in MOMENTS])
    clocks = pa.array([moment.time() for moment in MOMENTS], pa.time64("us"))
    _, t, _ = read(tmp_path, {"Day": days, "Clock": clocks, "Volts": VOLTS})
    assert t[0] == ABSOLUTE
    assert set(np.diff(t).tolist()) == {1_000_000}


@pytest.mark.parametrize(
    "volts",
    [
        pa.array(VOLTS, pa.float32()),
        pa.array([Decimal(str(each)) for each in VOLTS]),
        pa.array([str(each) for each in VOLTS]),
        pa.array(VOLTS).dictionary_encode(),
    ],
    ids=lambda value: str(value.type),
)
def test_numbers_of_every_type_and_gaps(tmp_path, volts) -> None:
    time = pa.array([None if n == 7 else moment for n, moment in enumerate(MOMENTS)], pa.timestamp("us", "UTC"))
    with_gap = pa.concat_arrays([volts.slice(0, 20), pa.nulls(1, volts.type), volts.slice(21)])
    recording, t, known = read(tmp_path, {"time of day": time, "Volts": with_gap, "list": [[1, 2]] * ROWS})
    assert len(t) == ROWS - 1
    assert np.flatnonzero(np.isnan(known)).tolist() == [19]
    assert np.delete(known, 19).tolist() == [each for n, each in enumerate(VOLTS) if n not in (7, 20)]
    assert "1 rows without a time" in " ".join(recording.warnings)


def test_a_time_beyond_the_calendar_is_none(tmp_path) -> None:
    count = pa.array([2**62 if n == 3 else ABSOLUTE + n * 1_000_000 for n in range(ROWS)])
    recording, t, _ = read(tmp_path, {"Time": count.cast(pa.timestamp("us", "UTC")), "Volts": VOLTS})
    assert len(t) == ROWS - 1
    assert "1 rows without a time" in " ".join(recording.warnings)


def test_a_file_without_rows_is_refused(tmp_path) -> None:
    with pytest.raises(RecordingError, match="no row of readings"):
        read(tmp_path, {"t": pa.array([], pa.float64()), "Volts": pa.array([], pa.float64())})
