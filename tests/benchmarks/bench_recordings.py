"""Speed of recordings in and out: ``python tests/benchmarks/bench_recordings.py``.

Each figure is a ratio of one run on one machine, against a reference that does the same work on the same rows: the
``sqlite3`` shell's CSV export for writing; a bare pyarrow read of the whole file for reading.
"""

from __future__ import annotations

import gc
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
from pyarrow import csv as arrow_csv

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.recording import Recording, TimeBasis
from telemetry.recordings.reading import open_recording
from telemetry.recordings.writing import write_recording

ROWS = 200_000
SIGNALS = ("pack_voltage", "pack_current", "vehicle_speed", *(f"cell_{n:02d}_voltage" for n in range(1, 22)))
GROUP = Group("bms", "pack", SIGNALS)
START = 1_780_000_000_000_000


class InMemory:
    """A recording already read: what a store's reader hands over."""

    name = "in memory"
    groups = (GROUP,)
    warnings: tuple[str, ...] = ()
    machine_text: str | None = None

    def __init__(self, values: np.ndarray, time_basis: TimeBasis) -> None:
        self.time_basis: TimeBasis = time_basis
        self.start = START if time_basis == "absolute" else 0
        self.values = values
        self.t = self.start + np.arange(len(values), dtype=np.int64) * 100_000

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        for at in range(0, len(self.t), rows):
            t = self.t[at : at + rows]
            yield Span(int(t[-1]), (Batch(GROUP, t, self.values[at : at + rows]),))


def _values(recording: Recording) -> int:
    return sum(span.value_count for span in recording.spans())


def best_of(times: int, work: Callable[[], object]) -> float:
    """Return the shortest of some runs: the one least disturbed by whatever else the machine does."""
    took = []
    for _ in range(times):
        gc.collect()
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return min(took)


def shell_export(folder: Path, recording: InMemory) -> Callable[[], object]:
    database = folder / "same.sqlite"
    database.unlink(missing_ok=True)
    connection = sqlite3.connect(database)
    columns = ", ".join(f"{name} REAL" for name in SIGNALS)
    connection.execute(f"CREATE TABLE pack (row INTEGER PRIMARY KEY, t INTEGER, {columns})")
    marks = ", ".join("?" * (len(SIGNALS) + 1))
    rows = [[int(t), *row] for t, row in zip(recording.t, recording.values.tolist(), strict=True)]
    connection.executemany(f"INSERT INTO pack (t, {', '.join(SIGNALS)}) VALUES ({marks})", rows)
    connection.commit()
    connection.close()
    query = f"SELECT t, {', '.join(SIGNALS)} FROM pack ORDER BY row;"
    settings = (".mode csv", ".headers on", f".once {folder / 'shell.csv'}")
    command = ["sqlite3", str(database), *(part for setting in settings for part in ("-cmd", setting)), query]
    return lambda: subprocess.run(command, check=True)


def main() -> None:
    random = np.random.default_rng(1)
    full = random.normal(50, 5, (ROWS, len(SIGNALS)))
    kinds = {"as a device sends (3 decimals)": np.round(full, 3), "all 17 digits": full}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind, values in kinds.items():
            print(f"{kind}: {ROWS} rows of {len(SIGNALS)} signals")
            shell = (
                best_of(3, shell_export(folder, InMemory(values, "absolute"))) if shutil.which("sqlite3") else None
            )
            for basis in ("relative", "absolute"):
                recording = InMemory(values, basis)
                path = folder / f"ours-{basis}.csv"
                ours = best_of(3, partial(write_recording, recording, path, replace=True))
                ratio = f"{ours / shell:.2f} of the sqlite3 shell (at most 1.3)" if shell else "no sqlite3 shell here"
                print(f"  write CSV {basis}: {values.size / ours / 1e6:.1f} M values/s, {ratio}")
                opened = open_recording(path)
                read = best_of(3, partial(_values, opened))
                one_thread = arrow_csv.ReadOptions(use_threads=False)
                bare = best_of(3, partial(arrow_csv.read_csv, path, one_thread))
                rate = values.size / read / 1e6
                print(f"  read CSV {basis}: {rate:.1f} M values/s (at least 5), {read / bare:.2f} of bare")
            for suffix in (".csv.gz", ".parquet"):
                path = folder / f"ours{suffix}"
                recording = InMemory(values, "relative")
                ours = best_of(1, partial(write_recording, recording, path, replace=True))
                opened = open_recording(path)
                read = best_of(2, partial(_values, opened))
                out, back = values.size / ours / 1e6, values.size / read / 1e6
                print(f"  {suffix}: write {out:.1f}, read {back:.1f} M values/s")


if __name__ == "__main__":
    main()
