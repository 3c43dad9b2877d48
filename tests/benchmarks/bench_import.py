"""A table by another logger into the store, against numpy and bare inserts: ``python -m tests.benchmarks import``."""

from __future__ import annotations

import re
import resource
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from statistics import median

import numpy as np

ROWS, CELLS, TURNS = 200_000, 16, 3
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
    big, small = _tables(folder)
    return median(_bare(big, turn) / _imported(big, small, turn) for turn in _turns(folder))


def parquet(folder: Path) -> float:
    """Return the processor time of importing our Parquet over that of sqlite3's shell with the same rows as CSV."""
    return _of_shell(folder, "parquet")


def mdf(folder: Path) -> float:
    """Return the same of MDF 4."""
    return _of_shell(folder, "mf4")


def bound(folder: Path) -> float:
    """Return the same of SQLite alone, which copies the values from one store's table to another's."""
    big, _ = _tables(folder)
    store = folder / "store.sqlite3"
    _used(big, store)
    return median(_copied(store, turn) / _shell(big, turn) for turn in _turns(folder))


def _tables(folder: Path) -> tuple[Path, Path]:
    big, small = folder / "big.csv", folder / "small.csv"
    table(big, ROWS)
    table(small, 20)
    return big, small


def _turns(folder: Path) -> Iterator[Path]:
    """Give an empty folder for each turn: what is compared is measured within seconds."""
    for number in range(TURNS):
        (folder / f"turn-{number}").mkdir()
        yield folder / f"turn-{number}"


def _bare(path: Path, folder: Path) -> float:
    began = time.process_time()
    read = np.loadtxt(path, delimiter=";", skiprows=1)
    db = sqlite3.connect(folder / "bare.sqlite3")
    columns = ", ".join(f"c{place} REAL" for place in range(read.shape[1] - 1))
    db.execute(f"CREATE TABLE x (t INTEGER PRIMARY KEY, {columns})")
    places = ", ".join("?" * read.shape[1])
    t = np.rint(read[:, 0] * 1e6).astype(np.int64).tolist()
    with db:
        db.executemany(f"INSERT INTO x VALUES ({places})", zip(t, *read[:, 1:].T.tolist(), strict=True))
    db.close()
    return time.process_time() - began


def _copied(store: Path, folder: Path) -> float:
    with closing(sqlite3.connect(folder / "copy.sqlite3", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = wal")
        db.execute("ATTACH ? AS kept", [str(store)])
        for (sql,) in db.execute("SELECT sql FROM kept.sqlite_master WHERE tbl_name = 'group_recording'").fetchall():
            db.execute(sql)
        names = ", ".join(row[1] for row in db.execute("PRAGMA main.table_info(group_recording)"))
        began = time.process_time()
        db.execute(f"INSERT INTO main.group_recording ({names}) SELECT {names} FROM kept.group_recording")
        return time.process_time() - began


def _of_shell(folder: Path, suffix: str) -> float:
    big, small = _tables(folder)
    for path in (big, small):
        _used(path, store := path.with_suffix(".sqlite3"))
        out = path.with_suffix(f".{suffix}")
        subprocess.run([*PROGRAM, "export", "1", out, "--store", store], check=True, capture_output=True)
    ours = big.with_suffix(f".{suffix}"), small.with_suffix(f".{suffix}")
    return median(_imported(*ours, turn) / _shell(big, turn) for turn in _turns(folder))


def _shell(path: Path, folder: Path) -> float:
    return _spent(["sqlite3", str(folder / "shell.sqlite3"), ".mode csv", ".separator ;", f".import {path} x"])


def _imported(big: Path, small: Path, folder: Path) -> float:
    return _used(big, folder / "big" / "a.sqlite3") - _used(small, folder / "small" / "a.sqlite3")


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
    store.parent.mkdir(exist_ok=True)  # each with no column map beside it, so that it is proposed anew
    return _spent([*PROGRAM, "import", str(path), "--store", str(store), "--yes"])


def _spent(command: list[str]) -> float:
    """Return the processor time of a command, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
