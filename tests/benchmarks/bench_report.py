"""The report of a session of one hour, 24 signals, 10 Hz, and the memory that a day of 28 signals, 5 Hz takes.

    .venv/bin/python tests/benchmarks/bench_report.py

Prints ratios of one run, its time against reading the session from the store; asserts nothing. The goals: a report in
at most 3 times the reading (charts aside), all estimators in at most 1.5 s of one core, a day in at most 300 MB.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from telemetry.analysis.series import read_series
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.machine_file import load_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.report.session_report import report_of
from telemetry.runs.judged import alarm_review
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

MACHINE = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
START = 1_780_000_000_000_000
PEAK = """
import resource, subprocess, sys
subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
"""
CELLS = [f"cell_{number:02d}_voltage" for number in range(1, 17)]


def drive(seconds: int = 3600, hz: int = 10) -> pa.Table:
    """An invented mow: sixteen cells, pack, vehicle; 24 signals."""
    rng = np.random.default_rng(3)
    count = seconds * hz
    t = np.arange(count) / hz
    level = np.repeat(rng.uniform(5, 90, count // 80 + 1), 80)[:count]
    current = level + rng.normal(0, 0.3, count)
    charge = 0.9 - np.cumsum(current) / hz / 3600 / 100
    cell = 3.2 + 0.12 * charge
    columns = {"t": t, "pack_current": current}
    for number, name in enumerate(CELLS):
        columns[name] = np.round(cell + 1e-4 * number - 0.0009 * current + rng.normal(0, 5e-4, count), 3)
    columns["pack_voltage"] = np.round(16 * cell - 0.016 * current + rng.normal(0, 4e-3, count), 2)
    columns["soc_reported"] = np.round(100 * charge)
    columns["vehicle_speed"] = np.clip(rng.normal(6, 0.3, count), 0, None)
    columns["throttle_voltage"] = 1.0 + level / 40
    columns["controller_voltage"] = columns["pack_voltage"] - 0.002 * current
    columns["pack_temperature_1"] = np.full(count, 21.5)
    columns["implement_engaged"] = np.ones(count)
    return pa.table(columns)


def day(store: Path, hours: int = 24, hz: int = 5) -> None:
    """Record an invented day: an hour of mowing and an hour of charging by turns; 28 signals."""
    table = drive(hours * 3600, hz)
    columns = {name: table[name].to_numpy() for name in table.column_names if name != "t"}
    t = START + np.arange(table.num_rows, dtype=np.int64) * (1_000_000 // hz)
    drawn = columns["pack_current"]
    charging = (t - START) // 3_600_000_000 % 2 == 1
    drawn = np.where(charging, -float(drawn.mean()), drawn)
    charge = 0.9 - np.cumsum(drawn) / hz / 3600 / 100
    change = 0.12 * (charge - (0.9 - np.cumsum(columns["pack_current"]) / hz / 3600 / 100))
    more = change - 0.0009 * (drawn - columns["pack_current"])
    for name in CELLS:
        columns[name] = np.round(columns[name] + more, 3)
    for name in ("pack_voltage", "controller_voltage"):
        columns[name] = np.round(columns[name] + 16 * more, 2)
    columns |= {"pack_current": drawn, "soc_reported": np.round(100 * charge)}
    for name in ("vehicle_speed", "throttle_voltage", "implement_engaged"):
        columns[name] = np.where(charging, 0.0, columns[name])
    warmth = np.round(25 + 5 * np.sin(np.arange(len(t)) / 50_000), 1)
    columns |= {"pack_temperature_2": warmth, "motor_temperature": warmth + 20, "controller_temperature": warmth + 10}
    columns["motor_speed"] = np.round(columns["vehicle_speed"] * 400)
    group, values = Group("pack", "pack", tuple(columns)), np.stack(list(columns.values()), axis=1)
    with StoreWriter.open(store, max_values=2 * values.size) as writer:
        writer.begin_session("mower", MACHINE, "import", "absolute", START, START)
        for at in range(0, len(t), 8192):
            batch = Batch(group, t[at : at + 8192], values[at : at + 8192])
            assert writer.offer(Span(int(batch.t[-1]), (batch,))) == 0
        writer.end_session(int(t[-1]), 600.0)


def memory_of_a_day(folder: Path) -> float:
    """Return the most memory, MB, that ``report`` of a day holds, without its page; measured from a small process."""
    store = folder / "day.sqlite3"
    day(store)
    report = [sys.executable, "-m", "telemetry.cli", "report", "last", "--store", str(store)]
    done = subprocess.run([sys.executable, "-c", PEAK, *report], check=True, capture_output=True, text=True)
    return float(done.stdout.splitlines()[-1])


def timed(what: str, work):
    began = time.process_time()
    result = work()
    took = time.process_time() - began
    print(f"{what:42} {took:6.2f} s of one core")
    return result, took


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recording, machine_path, store = folder / "mow.parquet", folder / "m.toml", folder / "s.sqlite3"
        table = drive()
        print(f"{table.num_columns - 1} signals, {table.num_rows} rows")
        pq.write_table(table, recording)
        machine_path.write_text(MACHINE)
        options = ["--machine", str(machine_path), "--speed", "max", "--no-screen", "--record", "--store", str(store)]
        command = [sys.executable, "-m", "telemetry.cli", "replay", str(recording), *options]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        machine = load_machine(machine_path)
        with StoreReader.open(store) as reader:
            stored = reader.recording("last")
        series, reading = timed("read from the store into arrays", lambda: read_series(stored))
        timed("first call, with what it imports", lambda: figures_of(series, machine))
        figures, estimating = timed("all estimators", lambda: figures_of(series, machine))
        review, _ = timed("alarms of the session", lambda: alarm_review(stored, store, None, machine))
        _, _ = timed("the report's object", lambda: report_of(figures, review))
        _, whole = timed(
            "read, estimate, report",
            lambda: report_of(figures_of(read_series(stored), machine), alarm_review(stored, store, None, machine)),
        )
        print(f"report of a day, 5 Hz, 28 signals: at most {memory_of_a_day(folder):.0f} MB (goal 300)")
        print(f"report / reading: {whole / reading:.2f} (goal 3); estimators {estimating:.2f} s (goal 1.5)")


if __name__ == "__main__":
    main()
