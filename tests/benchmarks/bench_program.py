"""The whole program: replay at max with recording, live cost, help. Prints figures and ratios; asserts nothing.

Run: ``python tests/benchmarks/bench_program.py``.
"""

from __future__ import annotations

import os
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from contextlib import suppress
from itertools import repeat
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

CELLS = [f"cell_{n:02d}_voltage" for n in range(1, 9)]
SIGNALS = [
    *("pack_voltage", "pack_current", "soc_reported", "pack_temperature_1", "discharge_allowed", "charge_allowed"),
    *("throttle_voltage", "enable_voltage", "controller_voltage", "controller_temperature"),
    *("motor_temperature", "motor_speed", "vehicle_speed", "implement_engaged"),
    *("auxiliary_voltage", "insulation_resistance"),
    *CELLS,
]
"""Every kind of signal that a limit or a stage looks at while driving."""
ROWS = 200_000
LIVE_S, STARTED_S = 30, 6
"""Seconds that are counted, and those before, in which the link opens and what its first rows need is loaded."""
KNOWN_S = 0.00080
"""Processor time of :func:`known_work` ten times a second on the computer of the table while nothing else ran."""
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 8
capacity_ah = 100
continuous_discharge_a = 150
continuous_charge_a = 100
"""


def drive(rows: int) -> dict[str, np.ndarray]:
    """A quiet drive at 10 Hz of 24 signals, rounded as devices do."""
    random = np.random.default_rng(1)
    columns: dict[str, np.ndarray] = {"t": np.arange(rows) / 10}
    throttle = np.clip(0.45 + 0.4 * np.sin(np.arange(rows) / 80), 0.1, 0.8)
    speed = 12 * throttle + random.normal(0, 0.1, rows)
    current = np.round(90 * throttle + random.normal(0, 2, rows), 1)
    for cell in CELLS:
        columns[cell] = np.round(3.29 - 0.0006 * current + random.normal(0, 0.001, rows), 3)
    pack = sum(columns[cell] for cell in CELLS)
    columns |= {
        "pack_voltage": np.round(pack, 2),
        "pack_current": current,
        "soc_reported": np.round(90 - np.arange(rows) / rows * 50),
        "pack_temperature_1": np.full(rows, 21.0),
        "discharge_allowed": np.ones(rows),
        "charge_allowed": np.ones(rows),
        "throttle_voltage": np.round(0.8 + 3.0 * throttle + random.normal(0, 0.01, rows), 3),
        "enable_voltage": np.round(12.2 + random.normal(0, 0.05, rows), 1),
        "controller_voltage": np.round(pack - 0.003 * current + random.normal(0, 0.02, rows), 2),
        "controller_temperature": np.round(35 + random.normal(0, 0.2, rows)),
        "motor_temperature": np.round(50 + random.normal(0, 0.2, rows)),
        "motor_speed": np.round(250 * speed),
        "vehicle_speed": np.round(speed, 1),
        "implement_engaged": np.ones(rows),
        "auxiliary_voltage": np.round(12.6 + random.normal(0, 0.05, rows), 1),
        "insulation_resistance": np.full(rows, 500_000.0),
    }
    return {name: columns[name] for name in ["t", *SIGNALS]}


def bare(recording: Path, path: Path) -> float:
    """Processor seconds to read the recording and put its rows into the same table with executemany alone."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    names = ", ".join(f"{name} REAL" for name in SIGNALS)
    connection.execute(f"CREATE TABLE rows (row INTEGER PRIMARY KEY, series INTEGER, t INTEGER, {names})")
    connection.execute("CREATE INDEX by_time ON rows (series, t)")
    marks = ", ".join("?" * (len(SIGNALS) + 2))
    began = time.process_time()
    table = pq.read_table(recording)
    columns = {name: table[name].to_numpy() for name in table.column_names}
    connection.execute("BEGIN")
    lists = [columns[name].tolist() for name in SIGNALS]
    times = np.round(columns["t"] * 1e6).astype(np.int64).tolist()
    connection.executemany(
        f"INSERT INTO rows (series, t, {', '.join(SIGNALS)}) VALUES ({marks})", zip(repeat(1), times, *lists)
    )
    connection.execute("COMMIT")
    used = time.process_time() - began
    connection.close()
    return used


def shakedown(*arguments: str) -> float:
    """Run the command; return processor seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-m", "telemetry.cli", *arguments],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def replay_at_max(folder: Path) -> float:
    """Return the processor time of the bare work over that of a recorded replay, start-up left out, best of three."""
    recording, machine = folder / "drive.parquet", folder / "machine.toml"
    pq.write_table(pa.table(drive(ROWS)), recording)
    machine.write_text(MACHINE)
    empty = folder / "empty.parquet"
    pq.write_table(pa.table(drive(10)), empty)
    store = folder / "store.sqlite3"
    ratios = []
    for attempt in range(3):
        for file in folder.glob("store.sqlite3*"):
            file.unlink()
        bare_s = bare(recording, folder / f"bare{attempt}.sqlite3")
        options = ["--machine", str(machine), "--speed", "max", "--no-screen", "--json"]
        start_s = shakedown("replay", str(empty), *options)
        used = shakedown("replay", str(recording), *options, "--record", "--store", str(store)) - start_s
        ratios.append(bare_s / used)
        rate = ROWS * len(SIGNALS) / used / 1e6
        print(f"  derived, judged, recorded: {rate:.2f} M values a processor second; bare {bare_s:.1f} s")
    return max(ratios)


def import_cost() -> None:
    code = "import time; b = time.perf_counter(); import {}; print(time.perf_counter() - b)"
    found = [
        float(subprocess.check_output([sys.executable, "-c", code.format("telemetry.cli as c; c.build_parser()")]))
        for _ in range(7)
    ]
    print(f"shakedown --help: {1000 * min(found):.1f} ms of import beyond Python")


def live_cost(folder: Path) -> float:
    """Return the share of a core, %, of the whole program, recording, with a 120x40 screen, 24 signals at 10 Hz.

    A replay at speed 1: stages, store and screen are as in a live run, the link is not.
    """
    recording = folder / "live.parquet"
    pq.write_table(pa.table(drive(10 * (LIVE_S + 60))), recording)
    (folder / "machine.toml").write_text(MACHINE)
    return _share(folder, f"replay {recording} --machine {folder / 'machine.toml'} --record")


def serial_cost(folder: Path) -> float:
    """Return the same of a live run, whose 24 signals come as lines of text from a serial port."""
    master, slave = os.openpty()
    tty.setraw(slave)
    source = f'[[source]]\ndriver = "serial-text"\nname = "board"\nport = "{os.ttyname(slave)}"\nformat = "csv"\n'
    (folder / "machine.toml").write_text(MACHINE + source)
    over = threading.Event()
    printing = threading.Thread(target=_print_board, args=(master, over))
    printing.start()
    try:
        return _share(folder, f"watch {folder / 'machine.toml'}")
    finally:
        over.set()
        printing.join()
        os.close(master)
        os.close(slave)


def _print_board(master: int, over: threading.Event) -> None:
    """Print a line of the drive every 100 ms, now and then the names above; what nobody reads is lost."""
    columns = drive(10_000)
    os.set_blocking(master, False)
    began = time.monotonic()
    for row in range(10_000):
        text = ",".join(f"{columns[name][row]:g}" for name in SIGNALS)
        with suppress(BlockingIOError):
            os.write(master, f"{','.join(SIGNALS)}\n{text}\n".encode() if row % 50 == 0 else f"{text}\n".encode())
        if over.wait(max(0.0, began + row / 10 - time.monotonic())):
            return


def known_work() -> None:
    """Do what interpreters do all day: words, numbers and a dictionary."""
    kept: dict[str, float] = {}
    for n in range(2500):
        kept[f"k{n % 97}"] = kept.get(f"k{n * 7 % 97}", 0.0) * 0.5 + n


class _Speed:
    """How long :func:`known_work` takes ten times a second beside what is measured, over :data:`KNOWN_S`.

    Processor time alone says little on a computer that shares its cores and caches with others.
    """

    def __init__(self) -> None:
        self._times: list[float] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._over.wait(0.1):
            began = time.thread_time()
            known_work()
            self._times.append(time.thread_time() - began)

    def __enter__(self) -> _Speed:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    @property
    def slower(self) -> float:
        """How many times slower than quiet."""
        return statistics.fmean(self._times) / KNOWN_S


def _share(folder: Path, command: str) -> float:
    """Return the share of a core, %, of a command under tmux at 120x40: a long run less a short one.

    Known work beside it tells how much the computer differed from a quiet one meanwhile.
    """
    with _Speed() as speed:
        share = _share_now(folder, command)
    print(f"  {share:.2f} % of a core while known work took {speed.slower:.2f} times as long as on a quiet computer")
    return share


def _share_now(folder: Path, command: str) -> float:
    used, out, session = [], folder / "time.txt", f"bench{os.getpid()}"
    for length in (STARTED_S, STARTED_S + LIVE_S):
        options = f"--silent --for {length} --store {folder / f'live{length}.sqlite3'}"
        line = f"{sys.executable} -m telemetry.cli {command} {options}"
        timed = f'TIMEFORMAT="%U %S"; {{ time {line} 2>/dev/tty; }} 2> {out}'
        subprocess.run(
            ["tmux", "new-session", "-d", "-s", session, "-x", "120", "-y", "40", "bash", "-c", timed], check=True
        )
        while subprocess.run(["tmux", "has-session", "-t", session], capture_output=True).returncode == 0:
            time.sleep(0.5)
        used.append(sum(float(x) for x in out.read_text().split()[-2:]))
    return 100 * (used[1] - used[0]) / LIVE_S


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        import_cost()
        print(f"replay at max: {replay_at_max(Path(name)):.2f} of numpy and executemany, in processor time")
        print(f"live with a 120x40 screen: {live_cost(Path(name)):.1f} % of one core, start-up left out")
        print(f"the same from a serial port: {serial_cost(Path(name)):.1f} %")
