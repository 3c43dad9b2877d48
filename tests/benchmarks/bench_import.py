"""A table by another logger into the store, against numpy and bare inserts: ``python -m tests.benchmarks import``."""

from __future__ import annotations

import re
import resource
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROWS, CELLS = 200_000, 16
PROGRAM = [sys.executable, "-m", "telemetry.cli"]


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


def parquet(folder: Path) -> float:
    """Return the processor time of importing our Parquet over that of sqlite3's shell with the same rows as CSV."""
    return _of_shell(folder, "parquet")


def mdf(folder: Path) -> float:
    """Return the same of MDF 4."""
    return _of_shell(folder, "mf4")


def _of_shell(folder: Path, suffix: str) -> float:
    big, small = folder / "big.csv", folder / "small.csv"
    used = []
    for path, rows in ((big, ROWS), (small, 20)):
        table(path, rows)
        store, out = path.with_suffix(".sqlite3"), path.with_suffix(f".{suffix}")
        _used(path, store)
        subprocess.run([*PROGRAM, "export", "1", out, "--store", store], check=True, capture_output=True)
        used.append(_used(out, folder / f"{out.name}.sqlite3"))
    shell = ["sqlite3", str(folder / "shell.sqlite3"), ".mode csv", ".separator ;", f".import {big} x"]
    return (used[0] - used[1]) / _spent(shell)


def memory_grows(folder: Path) -> float:
    """Return how much more memory, MB, a table of 200 MB takes than one of 100 MB; SQLite's cache is full by then."""
    peaks = []
    for rows in (5 * ROWS, 10 * ROWS):
        path = folder / f"{rows}.csv"
        table(path, rows)
        words = ["import", str(path), "--yes", "--store", f"{path}.sqlite3"]
        code = f"from telemetry.cli import main; main({words!r}); print(open('/proc/self/status').read())"
        done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
        (peak,) = re.findall(
            r"VmHWM:\s+(\d+) kB", done.stdout
        )  # what the process had before it was ours is not in it
        peaks.append(int(peak) / 1024)
    return peaks[1] - peaks[0]


def _used(path: Path, store: Path) -> float:
    return _spent([*PROGRAM, "import", str(path), "--store", str(store), "--yes"])


def _spent(command: list[str]) -> float:
    """Return the processor time of a command, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
