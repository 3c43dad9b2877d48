"""Small files that expand to far more: refused after a bounded part was read."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from telemetry.model.errors import RecordingError
from telemetry.model.expansion import check_expansion
from telemetry.recordings.reading import open_recording


def test_what_a_recording_is_allowed() -> None:
    check_expansion("a", 1, 64_000_000)
    check_expansion("a", 1_000_000, 100_000_000)
    with pytest.raises(RecordingError, match="100 times its size"):
        check_expansion("a", 1_000_000, 100_000_001)


def test_a_compressed_table_of_nothing_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv.gz"
    with gzip.open(path, "wb", 6) as file:
        file.write(b"t,pack_voltage\n")
        for _ in range(70):
            file.write(b"0,\n" * 350_000)
    assert path.stat().st_size < 200_000
    with pytest.raises(RecordingError, match="rows have the same time"):
        for _ in open_recording(path).spans():
            pass


def test_a_parquet_file_of_repeats_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    rows = np.zeros(4_000_000)
    table = pa.table({"t": rows} | {f"cell_{n:02}_voltage": rows for n in range(1, 9)})
    parquet.write_table(table, path, compression="zstd")
    assert path.stat().st_size < 400_000
    with pytest.raises(RecordingError, match="100 times its size"):
        open_recording(path)


def test_a_day_with_the_key_off_is_read(tmp_path: Path) -> None:
    """24 h at 1 Hz, nothing changes but the time: it packs very well and is a recording all the same."""
    path, csv = tmp_path / "a.parquet", tmp_path / "a.csv.gz"
    t = np.arange(86_400.0)
    columns = {"t": t} | {f"cell_{n:02}_voltage": np.full(len(t), 3.3) for n in range(1, 17)}
    parquet.write_table(pa.table(columns), path, compression="zstd")
    with gzip.open(csv, "wt", compresslevel=9) as file:
        file.write(",".join(columns) + "\n")
        file.writelines(f"{second}{',3.3' * 16}\n" for second in range(86_400))
    for each in (path, csv):
        assert sum(len(batch) for span in open_recording(each).spans() for batch in span.batches) == 86_400
