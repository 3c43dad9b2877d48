"""How a connection to the store is opened: one that writes, one that only reads; and whether the file is sound."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.model.errors import StoreError
from telemetry.model.lean_imports import without
from telemetry.store.place import make_folder_if_ours
from telemetry.store.schema import MIGRATIONS, migrate, transaction, version_of
from telemetry.store.trouble import damaged, file_text, result_code, store_error

if TYPE_CHECKING:
    from sqlite_utils import Database

BUSY_S = 5.0
BESIDE_S = 1.0
"""How long one write waits for another program that writes; the screen waits as long."""
CHECK_S = 2.0
_WAL_SIZE_LIMIT = 16 * 1024 * 1024
_CHECKPOINT_PAGES = 250
"""Pages of 4 KiB in the log before they move to the file: a few seconds of a drive."""


def _database_class() -> type[Database]:
    with without("pandas"):
        from sqlite_utils import Database  # late: it takes as long to import as all the rest
    return Database


def connect_for_writing(path: Path, busy_s: float = BUSY_S) -> Database:
    """Open the store at ``path`` for writing, made or brought up to date first; for use on this thread only.

    Write-ahead log, and every commit waits until the disk has it (``synchronous=FULL``): with the usual NORMAL a
    power cut may take minutes of this sort of data.

    Raises:
        StoreError: folder missing, read-only, disk full, not a database, another program's, or newer than this one.

    """
    database = _database_class()
    file = file_text(path)
    try:
        make_folder_if_ours(path)
        if not path.parent.is_dir():
            raise StoreError(f"the folder of the store {file} does not exist; make it first, or name another file")
        if path.is_dir():
            raise StoreError(f"{file} is a folder, not a store; name a file in it")
        # Positions are private. The log gets the rights of its store from SQLite.
        with suppress(FileExistsError):
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None, cached_statements=256)
    except (sqlite3.Error, OSError) as error:
        raise store_error(path, error) from error
    try:
        db = database(connection, execute_plugins=False)
        version_of(db, path)
        _enter_wal(db, busy_s)
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.execute(f"PRAGMA journal_size_limit = {_WAL_SIZE_LIMIT}")
        db.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
        if migrate(db, path):  # a file that is copied without its log is then a store all the same
            db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
    except BaseException as error:
        connection.close()
        if isinstance(error, sqlite3.Error | OSError):
            raise store_error(path, error) from error
        raise
    return db


@contextmanager
def write_beside(path: Path) -> Iterator[Database]:
    """Give the store at ``path`` for one write beside whatever records into it: all or nothing.

    Raises:
        StoreError: it cannot be written.

    """
    with closing(connect_for_writing(path, BESIDE_S)) as db:
        try:
            with transaction(db):
                yield db
        except sqlite3.Error as error:
            raise store_error(path, error) from error


def check_sound(db: Database, path: Path) -> None:
    """Look through the file for damage, for ``CHECK_S`` at the most: a drive must not wait long for it to begin.

    Raises:
        StoreError: it is damaged; what is recorded into it may be lost.

    """
    give_up = time.monotonic() + CHECK_S
    db.conn.set_progress_handler(lambda: time.monotonic() > give_up, 10_000)
    try:
        found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.OperationalError as error:
        if result_code(error) != sqlite3.SQLITE_INTERRUPT:
            raise
        return
    finally:
        db.conn.set_progress_handler(None, 0)
    if found != "ok":
        raise damaged(path, str(found))


# A power cut left a transaction that only one who may write can take back or complete.
_UNFINISHED = (sqlite3.SQLITE_READONLY_ROLLBACK, sqlite3.SQLITE_READONLY_RECOVERY)


def connect_for_reading(path: Path) -> Database:
    """Open the store at ``path`` for reading only; an older file is brought up to date first, where it may be.

    Raises:
        StoreError: no such file, not a database, another program's, newer than this one, or older and read-only.

    """
    file = file_text(path)
    if path.is_dir():
        raise StoreError(f"{file} is a folder, not a store; name a file in it")
    if not path.is_file():
        raise StoreError(f"there is no store at {file}; record a session first, or name another file")
    try:
        db = _open_read_only(path)
    except StoreError as error:
        if getattr(error.__cause__, "sqlite_errorcode", None) not in _UNFINISHED:
            raise
        connect_for_writing(path).close()
        db = _open_read_only(path)
    try:
        version = version_of(db, path)
        if version == len(MIGRATIONS):
            return db
        if version == 0:
            raise StoreError(f"the store {file} is empty; record a session first, or name another file")
    except BaseException as error:
        db.close()
        if isinstance(error, sqlite3.Error):
            raise store_error(path, error) from error
        raise
    db.close()
    connect_for_writing(path).close()
    return _open_read_only(path)


def _open_read_only(path: Path) -> Database:
    database = _database_class()
    # A store on a read-only medium has no place for the log's index, and needs none where it was closed properly.
    logs = [path.with_name(path.name + end) for end in ("-wal", "-journal")]
    shut = not any(log.exists() and log.stat().st_size for log in logs)
    last: sqlite3.Error | None = None
    for options in ("mode=ro", "mode=ro&immutable=1") if shut else ("mode=ro",):
        connection = None
        try:
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?{options}",
                uri=True,
                timeout=BUSY_S,
                isolation_level=None,
                check_same_thread=False,
            )
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return database(connection, execute_plugins=False)
        except BaseException as error:
            if connection is not None:
                connection.close()
            if not isinstance(error, sqlite3.Error):  # the words of an error may be bytes that are no text
                raise
            last = error
            if result_code(error) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                break
    assert last is not None
    raise store_error(path, last) from last


def _enter_wal(db: Database, busy_s: float) -> None:
    """Switch the file to a write-ahead log; SQLite itself does not wait here for another that does the same."""
    give_up = time.monotonic() + busy_s
    while True:
        try:
            mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            break
        except sqlite3.OperationalError as error:
            if result_code(error) != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
            time.sleep(0.02)
    if mode != "wal":
        raise StoreError(
            f"this place cannot keep a write-ahead log (it offers {mode}); put the store on a local disk"
        )
