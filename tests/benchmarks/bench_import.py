"""A table by another logger into the store, against numpy and bare inserts: ``python -m tests.benchmarks import``."""

from __future__ import annotations

import resource
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROWS, CELLS = 200_000, 16


def table(path: Path, rows: int) -> None:
    """Write a drive with decimal points and semicolons, cells in millivolts: what many loggers write."""
    random = np.random.default_rng(1)
    amps = random.uniform(-20, 90, rows)
    volts = 53 - 0.03 * amps
    cells = np.round((volts / CELLS)[:, None] * 1000 + random.normal(0, 3, (rows, CELLS)))
    names = ";".join(f"Cell {number} [mV]" for number in range(1, CELLS + 1))
    data = np.column_stack((np.arange(rows) / 10, volts, amps, cells))
    np.savetxt(
        path,
        data,
        ["%.1f", "%.2f", "%.1f", *["%.0f"] * CELLS],
        ";",
        header=f"Time (s);Volts;Amps;{names}",
        comments="",
    )


def ratio(folder: Path) -> float:
    """Return the processor time of numpy's reading and bare inserts over that of ``import``, start-up left out."""
    big, small = folder / "big.csv", folder / "small.csv"
    table(big, ROWS)
    table(small, 20)
    began = time.process_time()
    read = np.loadtxt(big, delimiter=";", skiprows=1)
    db = sqlite3.connect(folder / "bare.sqlite3")
    columns = ", ".join(f"c{place} REAL" for place in range(read.shape[1] - 1))
    db.execute(f"CREATE TABLE x (t INTEGER PRIMARY KEY, {columns})")
    places = ", ".join("?" * read.shape[1])
    t = np.rint(read[:, 0] * 1e6).astype(np.int64).tolist()
    with db:
        db.executemany(f"INSERT INTO x VALUES ({places})", zip(t, *read[:, 1:].T.tolist(), strict=True))
    db.close()
    bare = time.process_time() - began
    return bare / (_used(big, folder / "a.sqlite3") - _used(small, folder / "b.sqlite3"))


def _used(path: Path, store: Path) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "telemetry.cli", "import", str(path), "--store", str(store), "--yes"]
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
