from __future__ import annotations

import asyncio
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import StoreError
from telemetry.model.events import Loss, Mark
from telemetry.store import writer as store_writer
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter
from tests.faults.program import BUSY_S

START = 1_700_000_000_000_000
GROUP = Group("pack", "pack", ("pack_voltage", "pack_current"))


def span(second: int, rows: int = 1, mark: str | None = None) -> Span:
    end = START + second * 1_000_000
    t = np.full(rows, end, dtype=np.int64)
    return Span(end, (Batch(GROUP, t, np.full((rows, 2), float(second))),), (Mark(end, mark),) if mark else ())


@pytest.fixture
def held(store: Path) -> Iterator[sqlite3.Connection]:
    """A connection that holds the right to write, so that nobody else can, until it rolls back."""
    StoreWriter.open(store).close()
    with closing(sqlite3.connect(store, isolation_level=None, check_same_thread=False)) as connection:
        yield connection


def wait_for(condition: Callable[[], bool], limit_s: float = 20.0) -> None:
    give_up = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < give_up, "it never came true"
        time.sleep(0.005)


def stored_seconds(store: Path) -> list[float]:
    with StoreReader.open(store) as reader:
        return sorted(reader.arrays("last", ["pack_voltage"])["pack_voltage"][1].tolist())


def test_live_values_wait_for_60_seconds_and_are_then_refused_and_counted(
    store: Path, held: sqlite3.Connection, begin: Callable[..., int]
) -> None:
    with StoreWriter.open(store, busy_s=0.02) as writer:
        begin(writer)
        held.execute("BEGIN IMMEDIATE")
        refused = [writer.offer(span(second, mark="m" if second % 10 == 0 else None)) for second in range(100)]
        assert refused == [0] * 61 + [2] * 39
        counts = writer.counts
        assert (counts.queued, counts.stored, counts.refused) == (122, 0, 78)
        wait_for(lambda: writer.failure is not None)
        assert "is held by another program" in str(writer.failure)
        held.execute("ROLLBACK")
        wait_for(lambda: writer.counts.queued == 0)
        assert writer.failure is None
        assert writer.offer(span(100)) == 0
        counts = writer.end_session(START)
    assert (counts.queued, counts.stored, counts.refused, counts.refused_events) == (0, 124, 78, 0)
    assert stored_seconds(store) == [*map(float, range(61)), 100.0]
    with StoreReader.open(store) as reader:
        *marks, loss = reader.events("last")
        assert len(marks) == 10, "marks are kept where values are not"
        assert isinstance(loss, Loss)
        assert loss.values == reader.session("last").values_lost == 78


def test_a_store_that_is_damaged_meanwhile_goes_on_in_a_new_one_under_the_same_number(
    store: Path, begin: Callable[..., int]
) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.end_session(START)
        number = begin(writer)
        writer.offer(span(0))
        writer.flush()
        with closing(sqlite3.connect(store)) as other:
            other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        with store.open("r+b") as file:
            file.seek(4096)
            file.write(b"?" * (store.stat().st_size - 4096))
        with closing(
            sqlite3.connect(store, isolation_level=None)
        ) as other:  # so that nobody trusts the pages in memory
            other.execute("PRAGMA user_version = 0")
            other.execute("PRAGMA user_version = 1")
        writer.offer(span(1))
        wait_for(lambda: writer.failure is not None or writer.path != store)
        wait_for(lambda: writer.failure is None)
        beside = store.with_name("sessions-2.sqlite3")
        assert writer.path == beside
        with StoreReader.open(beside) as reader:
            assert [record.ended_how for record in reader.sessions()] == [None], "its lock is beside the new one"
        with pytest.raises(StoreError, match=f"session {number} is being recorded"):
            writer.delete_session(number)
        writer.end_session(START)
    assert stored_seconds(beside) == [1.0]
    with StoreReader.open(beside) as reader:
        assert [record.id for record in reader.sessions()] == [number] == [2]


def test_what_is_missing_when_the_end_cannot_be_written_is_counted_later(
    store: Path, held: sqlite3.Connection, begin: Callable[..., int]
) -> None:
    with StoreWriter.open(store, busy_s=0.02) as writer:
        begin(writer)
        writer.offer(span(0))
        writer.flush()
        held.execute("BEGIN IMMEDIATE")
        writer.offer(span(1, rows=3))
        with pytest.raises(StoreError):
            writer.end_session(START, limit_s=0.1)
        assert (writer.counts.stored, writer.counts.refused) == (2, 6)
    held.execute("ROLLBACK")
    with StoreReader.open(store) as reader:
        record = reader.session("last")
        assert (record.ended_how, record.values_lost) == ("ended without notice", 6)
        (loss,) = reader.events("last")
        assert isinstance(loss, Loss)
        assert "held by another program" in loss.why
    assert not list(store.parent.glob("*.lock"))


def test_memory_is_bounded_as_well(store: Path, held: sqlite3.Connection, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store, busy_s=0.02, max_values=100) as writer:
        begin(writer)
        held.execute("BEGIN IMMEDIATE")
        assert writer.offer(span(1, rows=500)) == 0, "an empty queue takes any span"
        assert writer.offer(span(2, rows=1)) == 2
        held.execute("ROLLBACK")
        writer.flush()
        assert [writer.offer(span(3, rows=20)) for _ in range(1)] == [0]
        assert writer.end_session(START).limit == 100


async def test_a_replay_waits_for_room_and_loses_nothing(
    store: Path, held: sqlite3.Connection, begin: Callable[..., int]
) -> None:
    writer = await asyncio.to_thread(StoreWriter.open, store, busy_s=0.02, max_values=100)
    try:
        await asyncio.to_thread(begin, writer, origin="replay")
        held.execute("BEGIN IMMEDIATE")
        await writer.room(1)
        assert writer.offer(span(1, rows=50)) == 0
        waiting = asyncio.create_task(writer.room(1))
        gone = asyncio.create_task(writer.room(1))
        done, _ = await asyncio.wait([waiting], timeout=0.2)
        assert not done
        gone.cancel()  # the thread must not stumble over one who no longer waits
        held.execute("ROLLBACK")
        await asyncio.wait_for(waiting, 20)
        for second in range(2, 60):
            await writer.room(1)
            assert writer.offer(span(second * 100, rows=50)) == 0  # far more than 60 s apart: only memory binds here
        counts = await asyncio.to_thread(writer.end_session, START)
        assert (counts.stored, counts.refused) == (59 * 100, 0)
    finally:
        await asyncio.to_thread(writer.close)


async def test_a_replay_does_not_wait_for_ever_for_a_store_that_cannot_be_written(
    store: Path, held: sqlite3.Connection, begin: Callable[..., int]
) -> None:
    writer = await asyncio.to_thread(StoreWriter.open, store, busy_s=0.02, max_values=100)
    try:
        await asyncio.to_thread(begin, writer, origin="replay")
        held.execute("BEGIN IMMEDIATE")
        assert writer.offer(span(1, rows=50)) == 0
        refused = 0
        for second in range(2, 6):
            await asyncio.wait_for(writer.room(100, limit_s=0.3), 20)
            refused += writer.offer(span(second, rows=50))
        assert refused == 4 * 100
        held.execute("ROLLBACK")
        await asyncio.wait_for(writer.room(100), 20)
        assert writer.offer(span(6, rows=50)) == 0, "once it can be written, all is taken again"
        counts = await asyncio.to_thread(writer.end_session, START)
        assert (counts.stored, counts.refused) == (200, 400)
    finally:
        await asyncio.to_thread(writer.close)


def test_what_cannot_be_written_now_is_held_and_why(
    store: Path, held: sqlite3.Connection, begin: Callable[..., int]
) -> None:
    with StoreWriter.open(store, busy_s=0.02) as writer:
        begin(writer)
        assert writer.held() is None
        held.execute("BEGIN IMMEDIATE")
        for second in (5, 6):
            writer.offer(span(second))
        wait_for(lambda: writer.failure is not None)
        assert writer.held() == (START + 5_000_000, str(writer.failure))
        held.execute("ROLLBACK")
        writer.flush()
        assert writer.held() is None


def test_the_groups_of_a_session_bind_no_later_one(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        for first in (0, 1500):
            begin(writer)
            wide = Group("pack", "wide", tuple(f"extra_{number}" for number in range(first, first + 1500)))
            assert writer.offer(Span(START, (Batch(wide, np.array([START]), np.zeros((1, 1500))),))) == 0
            assert writer.end_session(START).stored == 1500


def test_ending_drains_and_closing_drains(store: Path, begin: Callable[..., int]) -> None:
    writer = StoreWriter.open(store, commit_s=3600)
    begin(writer)
    for second in range(50):
        writer.offer(span(second))
    assert writer.end_session(START).stored == 100
    begin(writer)
    for second in range(30):
        writer.offer(span(second))
    writer.close()
    writer.close()
    assert [file.name for file in store.parent.iterdir()] == [store.name], "the log is written back, no lock is left"
    assert len(stored_seconds(store)) == 30
    with StoreReader.open(store) as reader:
        assert reader.session("last").ended_how == "ended without notice", "it was never ended"
    with pytest.raises(RuntimeError, match="the store is closed"):
        writer.offer(span(1))


def test_a_session_whose_end_cannot_be_written_is_given_up_within_the_limit(
    store: Path, held: sqlite3.Connection, begin: Callable[..., int]
) -> None:
    with StoreWriter.open(store, busy_s=0.02) as writer:
        begin(writer)
        writer.offer(span(1))
        writer.flush()
        held.execute("BEGIN IMMEDIATE")
        writer.offer(span(2))
        with pytest.raises(StoreError, match="is held by another program"):
            writer.end_session(START, limit_s=0.1)
        assert (writer.counts.stored, writer.counts.refused, writer.counts.queued) == (2, 2, 0)
        held.execute("ROLLBACK")
        begin(writer)
        writer.offer(span(3))
        assert writer.end_session(START).stored == 2
    with StoreReader.open(store) as reader:
        assert [record.ended_how for record in reader.sessions()] == ["ended without notice", "normal"]


@pytest.mark.mistakes
def test_rows_whose_table_is_gone_are_refused_and_counted(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store, commit_s=0.01) as writer:
        begin(writer)
        writer.offer(span(1))
        writer.flush()
        with closing(sqlite3.connect(store)) as connection:
            connection.execute("DROP TABLE group_pack")
        writer.offer(span(2))
        writer.flush()
        assert writer.offer(span(3)) == 2
        counts = writer.end_session(START)
    assert (counts.stored, counts.refused) == (2, 4)


def test_misuse_is_told(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        with pytest.raises(RuntimeError, match="no session is running"):
            writer.offer(span(1))
        with pytest.raises(RuntimeError, match="no session is running"):
            writer.end_session(START)
        begin(writer)
        with pytest.raises(RuntimeError, match="a session is running"):
            begin(writer)
        with pytest.raises(StoreError, match=r"session 1 is being recorded; end it before it is deleted"):
            writer.delete_session(1)


def test_two_writers_share_a_store(store: Path) -> None:
    group = Group("pack", "pack", tuple(f"cell_{i:02d}_voltage" for i in range(1, 25)))

    def record(number: int) -> None:
        values = np.random.default_rng(number).normal(size=(50, 24))
        with StoreWriter.open(store, commit_s=0.001) as writer:
            writer.begin_session(f"cart {number}", None, "live", "absolute", START, START)
            for i in range(100):
                end = START + i * 100_000
                writer.offer(Span(end, (Batch(group, np.full(50, end), values + i),)))
                time.sleep(0.002)
            writer.end_session(START)

    threads = [threading.Thread(target=record, args=(number,)) for number in (1, 2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with StoreReader.open(store) as reader:
        assert reader._db.execute("SELECT count(*) FROM layout").fetchone() == (1,)
        for record_of in reader.sessions():
            values = np.random.default_rng(int(record_of.machine[-1])).normal(size=(50, 24))
            found = np.concatenate([s.batches[0].values for s in reader.recording(record_of.id).spans()])
            assert np.array_equal(found, np.concatenate([values + i for i in range(100)]))


def test_sqlite_says_the_disk_is_full(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        # SQLite's own way to have a file of bounded size; past it, it says what it says on a full disk.
        writer._thread.ask(lambda db: db.execute("PRAGMA max_page_count = 50").fetchall())
        for second in range(50):
            assert writer.offer(span(second, rows=500)) == 0
        wait_for(lambda: writer.failure is not None)
        assert str(writer.failure) == f"the disk is full, so the store {store} cannot grow; free some space"
        assert writer.counts.queued > 0
        with closing(sqlite3.connect(store)) as other:
            assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        with pytest.raises(StoreError, match="the disk is full"):
            writer.end_session(START, limit_s=0.1)


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files")
def test_nothing_is_lost_when_a_full_disk_gets_room_again(
    store: Path, child: Callable[..., subprocess.Popen[str]]
) -> None:
    code = """
import resource, sys, time
from pathlib import Path
from typing import Any
import numpy as np
from telemetry.model.batch import Batch, Group, Span
from telemetry.store.writer import StoreWriter
group = Group("pack", "pack", ("pack_voltage", "pack_current"))
with StoreWriter.open(Path(sys.argv[1]), commit_s=0.05) as writer:
    writer.begin_session("cart", None, "live", "absolute", 0, 0)
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, resource.RLIM_INFINITY))
    refused = 0
    for second in range(50):
        refused += writer.offer(Span(second * 1_000_000, (
            Batch(group, np.full(500, second * 1_000_000), np.full((500, 2), float(second))),)))
        time.sleep(0.01)
    while writer.failure is None:
        time.sleep(0.01)
    print(writer.failure)
    print(writer.counts.queued > 0, refused)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    counts = writer.end_session(49_000_000)
    print(counts.stored, counts.refused, writer.failure)
"""
    out, errors = child(code, store).communicate(timeout=BUSY_S)
    sentence, at_the_limit, in_the_end = out.splitlines()
    assert "cannot be read or written" in sentence or "the disk is full" in sentence
    assert at_the_limit == "True 0"
    assert in_the_end == "50000 0 None"
    assert errors == ""
    assert stored_seconds(store) == np.repeat(np.arange(50.0), 500).tolist()


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another sort")
def test_only_the_owner_may_read_a_recording(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(span(1))
        writer.flush()
        files = {path.name: path.stat().st_mode & 0o777 for path in store.parent.iterdir()}
        writer.end_session(START)
    assert len(files) == 4, "the store, its log, the log's index and the lock"
    assert set(files.values()) == {0o600}


def test_a_store_copied_without_its_log_can_be_read(store: Path, tmp_path: Path, begin: Callable[..., int]) -> None:
    copy = tmp_path / "elsewhere" / store.name
    copy.parent.mkdir()
    with StoreWriter.open(store) as writer:
        shutil.copy(store, copy)
        with StoreReader.open(copy) as reader:
            assert reader.sessions() == []
        begin(writer)
        for second in range(50):
            writer.offer(span(second, rows=1000))
            writer.flush()
        shutil.copy(store, copy)
    with StoreReader.open(copy) as reader:
        assert reader.session("last").ended_how == "ended without notice"
        read = reader.arrays("last", ["pack_voltage"])["pack_voltage"][1]
    assert len(read) >= 25_000, "only the latest megabyte is in the log"


def test_closing_moves_the_log_into_the_file_though_somebody_reads(
    store: Path, tmp_path: Path, begin: Callable[..., int]
) -> None:
    copy = tmp_path / "copy.sqlite3"
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(span(1))
        writer.flush()
        with StoreReader.open(store):
            writer.end_session(START)
            writer.close()
            assert store.with_name(store.name + "-wal").stat().st_size == 0
            shutil.copy(store, copy)  # what somebody does who wants to have the drive elsewhere
    assert stored_seconds(copy) == [1.0]


@pytest.mark.mistakes
def test_a_span_that_cannot_be_written_by_our_own_mistake_is_refused_alone_and_told(
    store: Path, begin: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = store_writer.insert_spans

    def insert(db: Any, running: Any, spans: list[Span]) -> Any:
        if any(one.end == START + 3_000_000 for one in spans):
            raise ZeroDivisionError("a mistake of ours")
        return real(db, running, spans)

    monkeypatch.setattr(store_writer, "insert_spans", insert)
    with StoreWriter.open(store) as writer:
        begin(writer)
        assert [writer.offer(span(second)) for second in range(6)] == [0] * 6
        writer.flush()
        assert writer.offer(span(6)) == 2, "told with the next one"
        assert writer.why_refused == "internal error while writing to the store (ZeroDivisionError); please report it"
        assert writer.offer(span(7)) == 0
        counts = writer.end_session(START)
    assert (counts.stored, counts.refused) == (14, 2)
    assert stored_seconds(store) == [0.0, 1.0, 2.0, 4.0, 5.0, 6.0, 7.0]


@pytest.mark.mistakes
def test_an_end_that_cannot_be_written_by_our_own_mistake_is_a_sentence(
    store: Path, begin: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    def close(*_: object) -> None:
        raise ZeroDivisionError("a mistake of ours")

    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(span(1))
        with monkeypatch.context() as patch:
            patch.setattr(store_writer, "close_session", close)
            with pytest.raises(StoreError, match=r"internal error while writing to the store \(ZeroDivisionError\)"):
                writer.end_session(START)
        assert writer.counts.stored == 2
    assert stored_seconds(store) == [1.0]
