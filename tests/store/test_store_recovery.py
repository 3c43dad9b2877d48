from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

# Records as a run does: a span each 50 ms whose rows bear the time at which they were handed over.
RECORDER = """
import sys, time
from pathlib import Path
import numpy as np
from telemetry.model.batch import Batch, Group, Span
from telemetry.store.writer import StoreWriter
group = Group("pack", "pack", tuple(f"cell_{i:02d}_voltage" for i in range(1, 25)))
writer = StoreWriter.open(Path(sys.argv[1]))
now = time.time_ns() // 1000
writer.begin_session("cart", None, "live", "absolute", now, now)
values = np.full((1, 24), 3.3)
while True:
    now = time.time_ns() // 1000
    assert writer.offer(Span(now, (Batch(group, np.array([now]), values),))) == 0
    print(now, flush=True)
    time.sleep(0.05)
"""


def test_a_killed_session_is_closed_with_its_open_minutes(
    store: Path, begin: Callable[..., int], tmp_path: Path
) -> None:
    group = Group("pack", "pack", ("pack_voltage", "pack_current"))
    t = np.arange(0, 200_000_000, 700_000, dtype=np.int64)
    values = np.random.default_rng(5).normal(50, 3, (len(t), 2))
    values[::7, 1] = np.nan
    with StoreWriter.open(store) as writer:
        begin(writer, time_basis="relative", start=0)
        for start in range(0, len(t), 40):
            batch = Batch(group, t[start : start + 40], values[start : start + 40])
            writer.offer(Span(int(batch.t[-1]), (batch,)))
            writer.flush()
        writer.offer(Span(205_000_000, events=(Mark(205_000_000, "last"),)))
        writer.flush()
        # What a kill would leave: the files as they are now, copied without closing anything.
        killed = tmp_path / "killed.sqlite3"
        for suffix in ("", "-wal"):
            killed.with_name(killed.name + suffix).write_bytes(store.with_name(store.name + suffix).read_bytes())
        writer.end_session(1_700_000_205_000_000)
    with StoreReader.open(killed) as dead, StoreReader.open(store) as alive:
        record = dead.session("last")
        assert (record.ended_how, record.duration_s) == ("ended without notice", 205.0)
        assert dead.recording("last").warnings
        minutes = [reader._db.execute("SELECT * FROM minute").fetchall() for reader in (dead, alive)]
        assert minutes[0] == minutes[1], "rebuilt to the last bit"
        assert len(minutes[0]) == 8


def test_a_session_that_another_process_records_is_never_closed(
    store: Path, child: Callable[..., subprocess.Popen[str]], begin: Callable[..., int]
) -> None:
    recorder = child(RECORDER, store)
    assert recorder.stdout is not None
    recorder.stdout.readline()
    with StoreWriter.open(store) as writer:
        begin(writer)
        with StoreReader.open(store) as reader:
            assert [record.ended_how for record in reader.sessions()] == [None, None]
        writer.end_session(1_700_000_000_000_000)
    with StoreReader.open(store) as reader:
        assert [record.ended_how for record in reader.sessions()] == [None, "normal"]
    assert recorder.poll() is None
    recorder.kill()
    recorder.wait()
    with StoreReader.open(store) as reader:
        assert [record.ended_how for record in reader.sessions()] == ["ended without notice", "normal"]
    assert not list(store.parent.glob("*.lock"))


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is meant")
def test_eight_kills_at_random_moments_lose_nothing_older_than_a_second(
    tmp_path: Path, child: Callable[..., subprocess.Popen[str]]
) -> None:
    moments = random.Random(20)
    for turn in range(2):
        running = []
        for number in range(4):
            path = tmp_path / f"store-{number}.sqlite3"
            recorder = child(RECORDER, path)
            running.append((path, recorder))
        for _, recorder in running:
            assert recorder.stdout is not None
            recorder.stdout.readline()
        kills = sorted((time.monotonic() + moments.uniform(0.3, 2.2), *pair) for pair in running)
        for moment, path, recorder in kills:
            time.sleep(max(0.0, moment - time.monotonic()))
            killed_at = time.time_ns() // 1000
            recorder.kill()
            offered = [int(line) for line in recorder.communicate()[0].splitlines() if line.strip()]
            with closing(sqlite3.connect(path)) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            with StoreReader.open(path) as reader:
                assert len(reader.sessions()) == turn + 1
                assert reader.session("last").ended_how == "ended without notice"
                found = reader.arrays("last", ["cell_01_voltage"])
                stored = found["cell_01_voltage"][0].tolist() if found else []
            missing = set(offered) - set(stored)
            assert all(t > killed_at - 1_000_000 for t in missing), (killed_at, min(missing))


def test_a_transaction_that_a_power_cut_left_unfinished_is_taken_back_for_a_reader_too(
    store: Path, begin: Callable[..., int], tmp_path: Path
) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer, machine="mower")
        writer.end_session(1_700_000_000_000_000)
    cut = tmp_path / "cut.sqlite3"
    with closing(sqlite3.connect(store, isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = DELETE")
        other.execute("PRAGMA cache_size = 1")
        other.execute("BEGIN")
        other.execute("UPDATE session SET machine = 'loader'")
        numbers = "WITH RECURSIVE n(i) AS (SELECT 1 UNION SELECT i + 1 FROM n LIMIT 9999) SELECT i FROM n"
        other.execute(f"CREATE TABLE filler AS {numbers}")  # more than fits into memory, so pages are written now
        for suffix in ("", "-journal"):
            cut.with_name(cut.name + suffix).write_bytes(store.with_name(store.name + suffix).read_bytes())
    with StoreReader.open(cut) as reader:
        assert [record.machine for record in reader.sessions()] == ["mower"]
