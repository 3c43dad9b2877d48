from __future__ import annotations

import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import StoreError
from telemetry.model.events import Mark
from telemetry.store import place
from telemetry.store.connection import connect_for_writing
from telemetry.store.place import default_store_path
from telemetry.store.reader import StoreReader
from telemetry.store.schema import APPLICATION_ID, MIGRATIONS
from telemetry.store.writer import StoreWriter
from tests.faults.program import BUSY_S

START = 1_700_000_000_000_000

# A file as the first layout left it, with one session that ended and one that did not. Frozen: never to be brought
# up to date with the code.
OLD_FILE = """
CREATE TABLE session (
    id INTEGER PRIMARY KEY AUTOINCREMENT, machine TEXT NOT NULL, started INTEGER NOT NULL, ended INTEGER,
    origin TEXT NOT NULL, digest TEXT, time_basis TEXT NOT NULL, replayed_from TEXT);
CREATE TABLE source (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
    name TEXT NOT NULL, driver TEXT);
CREATE INDEX source_by_session ON source (session);
CREATE TABLE layout (table_name TEXT PRIMARY KEY, group_name TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE series (
    id INTEGER PRIMARY KEY AUTOINCREMENT, source INTEGER NOT NULL REFERENCES source ON DELETE CASCADE,
    group_name TEXT NOT NULL, table_name TEXT NOT NULL REFERENCES layout, origin TEXT NOT NULL,
    signals TEXT NOT NULL);
CREATE INDEX series_by_source ON series (source);
CREATE INDEX series_by_table ON series (table_name);
CREATE TABLE minute (
    series INTEGER NOT NULL REFERENCES series ON DELETE CASCADE, signal TEXT NOT NULL, minute INTEGER NOT NULL,
    low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, n INTEGER NOT NULL,
    PRIMARY KEY (series, minute, signal)) WITHOUT ROWID;
CREATE TABLE alarm (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, number INTEGER NOT NULL,
    t INTEGER NOT NULL, limit_name TEXT NOT NULL, signal TEXT NOT NULL, level TEXT NOT NULL, state TEXT NOT NULL,
    value REAL, bound REAL, why TEXT NOT NULL);
CREATE TABLE mark (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, number INTEGER NOT NULL,
    t INTEGER NOT NULL, text TEXT NOT NULL, set_by TEXT NOT NULL);
CREATE TABLE link_state (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, number INTEGER NOT NULL,
    t INTEGER NOT NULL, source TEXT NOT NULL, state TEXT NOT NULL, why TEXT NOT NULL, retry_at INTEGER);
CREATE TABLE ledger (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, t INTEGER NOT NULL,
    entry TEXT NOT NULL, amount REAL, unit TEXT NOT NULL, method TEXT NOT NULL);
CREATE TABLE group_pack (
    row INTEGER PRIMARY KEY, series INTEGER NOT NULL, t INTEGER NOT NULL, "pack_voltage" REAL, "pack_current" REAL);
CREATE INDEX by_time_group_pack ON group_pack (series, t);
CREATE VIEW narrow_pack AS SELECT series, t, 'pack_voltage' AS signal, pack_voltage AS value FROM group_pack;
CREATE VIEW narrow AS SELECT series, t, signal, value FROM narrow_pack;
INSERT INTO session VALUES (1, 'orchard', 1700000000000000, 1700000060000000, 'live', NULL, 'absolute', NULL);
INSERT INTO session VALUES (2, 'orchard', 1700000100000000, NULL, 'live', NULL, 'absolute', NULL);
INSERT INTO source VALUES (1, 1, 'pack', 'serial-text'), (2, 2, 'pack', 'serial-text');
INSERT INTO layout VALUES ('group_pack', 'pack');
INSERT INTO series VALUES (1, 1, 'pack', 'group_pack', 'measured', '["pack_voltage", "pack_current"]');
INSERT INTO series VALUES (2, 2, 'pack', 'group_pack', 'measured', '["pack_voltage"]');
INSERT INTO group_pack VALUES (1, 1, 1700000001000000, 52.5, -3.0), (2, 1, 1700000002000000, NULL, 4.0);
INSERT INTO group_pack VALUES (3, 2, 1700000101000000, 51, NULL);
INSERT INTO mark VALUES (1, 1, 0, 1700000001500000, 'hill', 'operator');
PRAGMA application_id = 1397246788;
PRAGMA user_version = 1;
"""


@pytest.fixture
def old_store(store: Path) -> Path:
    with closing(sqlite3.connect(store)) as connection:
        connection.executescript(OLD_FILE)
    return store


def test_an_old_file_without_an_open_session_is_brought_up_to_date_by_a_reader(old_store: Path) -> None:
    with closing(sqlite3.connect(old_store)) as connection, connection:
        connection.execute("DELETE FROM session WHERE ended IS NULL")
    with StoreReader.open(old_store) as reader:
        assert [one.ended_how for one in reader.sessions()] == ["normal"]
        assert reader.events(1) == [Mark(START + 1_500_000, "hill")]
        assert reader._db.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._db.execute("DELETE FROM mark")


@pytest.mark.parametrize("first", ["reader", "writer"])
def test_an_old_file_is_brought_up_to_date_with_nothing_lost(
    old_store: Path, first: str, begin: Callable[..., int]
) -> None:
    if first == "writer":
        with StoreWriter.open(old_store) as writer:
            begin(writer)
            group = Group("pack", "pack", ("pack_voltage", "pack_current", "soc_reported"))
            writer.offer(Span(START, (Batch.of_rows(group, [START], [[50.0, 1.0, 80.0]]),)))
            writer.end_session(START)
    with StoreReader.open(old_store) as reader:
        one, two = reader.sessions()[:2]
        assert (one.ended_how, one.start, one.duration_s) == ("normal", START, 60.0)
        assert (two.ended_how, two.duration_s) == ("ended without notice", 1.0)
        (span,) = reader.recording(1).spans()
        assert span.batches[0].group.signals == ("pack_voltage", "pack_current")
        assert np.array_equal(span.batches[0].values, [[52.5, -3.0], [np.nan, 4.0]], equal_nan=True)
        assert reader.events(1) == [Mark(START + 1_500_000, "hill")]
        assert reader._db.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        assert reader._db.execute("SELECT low FROM minute WHERE series = 2").fetchall() == [(51.0,)]
        assert reader._db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_migrated_file_has_the_tables_of_a_new_one(old_store: Path, tmp_path: Path) -> None:
    new_store = tmp_path / "new.sqlite3"
    found = []
    for path in (old_store, new_store):
        with closing(connect_for_writing(path)) as db:
            tables = ("session", "source", "layout", "series", "minute", "alarm", "mark", "link_state", "ledger")
            tables += ("acknowledge", "gap", "loss", "shelve", "unshelve", "reset_latch", "alarm_finding")
            found.append({table: db.table(table).columns_dict for table in tables})
    assert found[0] == found[1]


def test_a_newer_store_is_left_alone(store: Path) -> None:
    StoreWriter.open(store).close()
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("PRAGMA user_version = 99")
    before = store.read_bytes()
    for opener in (StoreWriter.open, StoreReader.open):
        with pytest.raises(StoreError, match=r"written by a newer version of this program .*update the program"):
            opener(store)
    assert store.read_bytes() == before


def test_what_is_no_database_is_left_alone(store: Path) -> None:
    store.write_bytes(b"t,pack_voltage\n0,51.2\n" * 100)
    before = store.read_bytes()
    for opener in (StoreWriter.open, StoreReader.open):
        with pytest.raises(StoreError, match=r"sessions.sqlite3 is not a database; name another file"):
            opener(store)
    assert store.read_bytes() == before


def test_another_programs_database_is_left_alone(store: Path) -> None:
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("CREATE TABLE session (id)")
    before = store.read_bytes()
    for opener in (StoreWriter.open, StoreReader.open):
        with pytest.raises(StoreError, match="is another program's database"):
            opener(store)
    assert store.read_bytes() == before


def test_a_store_whose_creation_was_interrupted_is_a_new_store(tmp_path: Path, begin: Callable[..., int]) -> None:
    statements = [one for step in MIGRATIONS for one in step.split(";") if one.strip()]
    for taken in range(0, len(statements) + 1, 3):
        store = tmp_path / f"after-{taken}.sqlite3"
        with closing(sqlite3.connect(store, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            for statement in statements[:taken]:
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {taken // 20}")
        with pytest.raises(StoreError, match=r"is empty; record a session first"):
            StoreReader.open(store)
        with StoreWriter.open(store) as writer:
            begin(writer)
            writer.end_session(START)
        with StoreReader.open(store) as reader:
            assert [each.ended_how for each in reader.sessions()] == ["normal"]


def test_an_upgrade_that_was_interrupted_is_completed(tmp_path: Path) -> None:
    later = [one for step in MIGRATIONS[1:] for one in step.split(";") if one.strip()]
    schemas = []
    for taken in range(0, len(later), 4):
        store = tmp_path / f"after-{taken}.sqlite3"
        with closing(sqlite3.connect(store, isolation_level=None)) as connection:
            connection.executescript(OLD_FILE)
            for statement in later[:taken]:
                connection.execute(statement)
        with StoreReader.open(store) as reader:
            assert len(reader.sessions()) == 2
            assert reader.sessions()[0].ended_how == "normal"
        with closing(sqlite3.connect(store)) as connection:
            schemas.append(connection.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall())
            assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    assert all(schema == schemas[0] for schema in schemas)


def test_a_creation_that_is_killed_at_any_moment_can_be_repeated(
    tmp_path: Path, child: Callable[..., subprocess.Popen[str]]
) -> None:
    code = """
import sys
from pathlib import Path
import sqlite_utils
from telemetry.store.connection import connect_for_writing
print("ready", flush=True)
connect_for_writing(Path(sys.argv[1])).close()
"""
    for attempt in range(8):
        store = tmp_path / f"{attempt}.sqlite3"
        process = child(code, store)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.003 * attempt)  # the moment of the kill; any will do
        process.kill()
        process.wait()
        if store.exists():
            try:
                StoreReader.open(store).close()
            except StoreError as error:
                assert "is empty; record a session first" in str(error)  # noqa: PT017
        connect_for_writing(store).close()
        StoreReader.open(store).close()


def test_a_store_that_is_not_there(store: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"there is no store at .*; record a session first"):
        StoreReader.open(store)
    store.touch()
    with pytest.raises(StoreError, match=r"is empty; record a session first"):
        StoreReader.open(store)
    with pytest.raises(StoreError, match=r"the folder of the store .* does not exist; make it first"):
        StoreWriter.open(tmp_path / "nowhere" / "store.sqlite3")
    for opener in (StoreWriter.open, StoreReader.open):
        with pytest.raises(StoreError, match=r"is a folder, not a store"):
            opener(tmp_path)


def test_a_damaged_store_is_told_in_one_sentence(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.end_session(START)
    content = bytearray(store.read_bytes())
    for page in range(1, len(content) // 4096):
        content[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    store.write_bytes(content)
    with (
        pytest.raises(StoreError, match=r"is damaged \(.*\); to save what can be read: shakedown repair"),
        StoreReader.open(store) as reader,
    ):
        reader.sessions()


@pytest.fixture
def in_reach() -> Iterator[Path]:
    """A folder that another user can reach, as he cannot those in which pytest keeps its own."""
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)
        Path(folder).chmod(0o755)


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another sort")
def test_a_read_only_store_can_be_read_but_not_written(
    in_reach: Path, begin: Callable[..., int], child: Callable[..., subprocess.Popen[str]]
) -> None:
    store = in_reach / "sessions.sqlite3"
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START + 1, (Batch.of_rows(Group("pack", "g", ("pack_voltage",)), [START + 1], [[51.0]]),)))
        writer.end_session(START + 1)
    code = """
import os, sys
from pathlib import Path
import sqlite_utils
from telemetry.model.errors import StoreError
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter
if os.geteuid() == 0:  # permissions do not bind the superuser, so be somebody else
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
with StoreReader.open(Path(sys.argv[1])) as reader:
    print(next(reader.recording("last").spans()).batches[0].values.tolist())
try:
    StoreWriter.open(Path(sys.argv[1]))
except StoreError as error:
    print(error)
"""
    store.chmod(0o444)
    in_reach.chmod(0o555)
    out, errors = child(code, store).communicate(timeout=BUSY_S)
    assert errors == ""
    values, sentence = out.splitlines()
    assert values == "[[51.0]]"
    assert "read-only; make the file and its folder writable" in sentence


def test_two_writers_may_make_the_store_at_the_same_time(store: Path) -> None:
    made: list[StoreWriter] = []
    threads = [threading.Thread(target=lambda: made.append(StoreWriter.open(store))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 4
    for writer in made:
        writer.close()
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)


def test_the_default_place_is_the_users_unless_the_variable_names_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("SHAKEDOWN_STORE", raising=False)
    monkeypatch.setattr(place.platformdirs, "user_data_path", lambda *a, **k: tmp_path / "data" / "shakedown")
    path = default_store_path()
    assert path == tmp_path / "data" / "shakedown" / "sessions.sqlite3"
    StoreWriter.open(path).close()  # the program's own folder is made
    assert path.is_file()
    assert sys.platform == "win32" or path.parent.stat().st_mode & 0o777 == 0o700
    monkeypatch.setenv("SHAKEDOWN_STORE", str(tmp_path / "other.sqlite3"))
    assert default_store_path() == tmp_path / "other.sqlite3"


def test_the_library_behind_the_store_is_imported_late(child: Callable[..., subprocess.Popen[str]]) -> None:
    code = "import sys, telemetry.store.reader, telemetry.store.writer; print('sqlite_utils' in sys.modules)"
    out, errors = child(code).communicate(timeout=BUSY_S)
    assert out.strip() == "False", errors
