"""Speed and size of the store: ``python tests/benchmarks/bench_store.py``.

Writing is a ratio of one run on one machine: against bare numpy and ``executemany`` of the same rows into the same
table, with the same pragmas and as many commits. Reading is values a second, beside a bare ``fetchall`` of the same
rows. Both take turns, and the best of some runs counts.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from telemetry.model.batch import Batch, Group, Span
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

ROWS = 80_000
ROWS_A_SPAN = 8192
SIGNALS = ("pack_voltage", "pack_current", "vehicle_speed", *(f"cell_{n:02d}_voltage" for n in range(1, 22)))
GROUP = Group("pack", "pack", SIGNALS)
START = 1_780_000_000_000_000
VALUES = ROWS * len(SIGNALS)
T = START + np.arange(ROWS, dtype=np.int64) * 100_000
ROUNDS = 3


def spans(values: np.ndarray, rows: int = ROWS_A_SPAN) -> list[Span]:
    times = T[: len(values)]
    return [
        Span(int(times[at : at + rows][-1]), (Batch(GROUP, times[at : at + rows], values[at : at + rows]),))
        for at in range(0, len(values), rows)
    ]


def write(path: Path, values: np.ndarray) -> float:
    """Seconds from the first offer until the session's end is written."""
    with StoreWriter.open(path, max_values=10 * VALUES) as writer:
        writer.begin_session("bench", None, "import", "absolute", START, START)
        ready = spans(values)
        began = time.perf_counter()
        for span in ready:
            assert writer.offer(span) == 0
        counts = writer.end_session(int(T[-1]))
        took = time.perf_counter() - began
    assert counts.stored == values.size
    return took


def write_bare(path: Path, values: np.ndarray) -> float:
    """The same rows into the same table with nothing else done."""
    with StoreWriter.open(path) as writer:  # makes the table
        writer.begin_session("bench", None, "import", "absolute", START, START)
        writer.offer(spans(values[:1])[0])
        writer.end_session(START)
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA synchronous = FULL")
    names = ", ".join(SIGNALS)
    sql = f"INSERT INTO group_pack (series, t, {names}) VALUES ({', '.join('?' * (len(SIGNALS) + 2))})"
    began = time.perf_counter()
    for at in range(0, len(values), 2 * ROWS_A_SPAN):  # the writer takes about two such spans in a commit
        t, part = T[at : at + 2 * ROWS_A_SPAN], values[at : at + 2 * ROWS_A_SPAN]
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(
            sql, [(2, time_of, *row) for time_of, row in zip(t.tolist(), part.tolist(), strict=True)]
        )
        connection.execute("COMMIT")
    took = time.perf_counter() - began
    connection.close()
    return took


def read(path: Path) -> float:
    with StoreReader.open(path) as reader:
        recording = reader.recording("last")
        began = time.perf_counter()
        rows = sum(len(batch) for span in recording.spans() for batch in span.batches)
        took = time.perf_counter() - began
    assert rows == ROWS
    return took


def read_bare(path: Path) -> float:
    connection = sqlite3.connect(path)
    began = time.perf_counter()
    for at in range(0, ROWS, 10_000):
        connection.execute("SELECT * FROM group_pack WHERE row > ? ORDER BY row LIMIT 10000", [at]).fetchall()
    took = time.perf_counter() - began
    connection.close()
    return took


def write_beside_a_busy_loop(path: Path, values: np.ndarray) -> float:
    """Seconds to write while another thread never lets go of the interpreter but when it must."""
    stop = threading.Event()

    def spin() -> None:
        while not stop.is_set():
            sum(range(100))

    busy = threading.Thread(target=spin)
    busy.start()
    try:
        return write(path, values)
    finally:
        stop.set()
        busy.join()


def bytes_a_value(folder: Path) -> float:
    """Return what a value takes in the store, as devices round: millivolts."""
    path = folder / "store.sqlite3"
    write(path, np.round(np.random.default_rng(1).normal(3.3, 0.1, (ROWS, len(SIGNALS))), 3))
    return path.stat().st_size / VALUES


def cost_of_live() -> float:
    """Processor seconds a second of recording 24 signals at 10 Hz, in spans of 50 ms, over 10 s of real time."""
    values = np.random.default_rng(1).normal(3.3, 0.1, (100, len(SIGNALS)))
    with tempfile.TemporaryDirectory() as folder, StoreWriter.open(Path(folder) / "live.sqlite3") as writer:
        writer.begin_session("bench", None, "live", "absolute", START, START)
        writer.flush()
        began, used = time.perf_counter(), time.process_time()
        for i in range(200):
            end = START + i * 50_000
            batch = Batch(GROUP, np.array([end]), values[i // 2 : i // 2 + 1])
            writer.offer(Span(end, (batch,) if i % 2 == 0 else ()))
            time.sleep(max(0.0, began + (i + 1) * 0.05 - time.perf_counter()))
        return (time.process_time() - used) / (time.perf_counter() - began)


def main() -> int:
    noise = np.random.default_rng(1).normal(3.3, 0.1, (ROWS, len(SIGNALS)))
    figures: dict[str, list[float]] = {"write": [], "bare": [], "read": [], "read bare": []}
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(ROUNDS):
            path = Path(folder) / f"store-{turn}.sqlite3"
            figures["write"].append(write(path, noise))
            figures["bare"].append(write_bare(Path(folder) / f"bare-{turn}.sqlite3", noise))
            for _ in range(ROUNDS):
                figures["read"].append(read(path))
                figures["read bare"].append(read_bare(path))
            size = path.stat().st_size / VALUES
        rounded = Path(folder) / "rounded.sqlite3"
        write(rounded, np.round(noise * 1000) / 1000)  # what a device sends: millivolts
        busy_rows = noise[:20_000]
        busy = write_beside_a_busy_loop(Path(folder) / "busy.sqlite3", busy_rows)
        best = {name: min(took) for name, took in figures.items()}
        write_ratio, read_rate = best["bare"] / best["write"], VALUES / best["read"]
        print(
            f"write: {VALUES / best['write'] / 1e6:.2f} M values/s, bare {VALUES / best['bare'] / 1e6:.2f};"
            f" ratio {write_ratio:.2f} (at least 0.70)"
        )
        print(
            f"size: {size:.2f} bytes a value at {len(SIGNALS)} columns (at most 12);"
            f" {rounded.stat().st_size / VALUES:.2f} with millivolts"
        )
        print(f"read: {read_rate / 1e6:.2f} M values/s (aim 3), bare fetchall {VALUES / best['read bare'] / 1e6:.2f}")
        print(f"write beside a busy interpreter: {busy_rows.size / busy / 1e6:.2f} M values/s")
    print(f"live, 24 signals at 10 Hz: {100 * cost_of_live():.2f} % of one core")
    return 0 if write_ratio >= 0.7 and size <= 12 else 1


if __name__ == "__main__":
    sys.exit(main())
