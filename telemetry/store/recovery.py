"""Sessions that were never closed, because the program was killed or the power failed."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.model.errors import StoreError
from telemetry.store.connection import connect_for_writing
from telemetry.store.schema import transaction
from telemetry.store.session_lock import SessionLock
from telemetry.store.session_rows import close_left_open

if TYPE_CHECKING:
    from sqlite_utils import Database


def recover(db: Database, path: Path) -> None:
    """Close every session that is open and whose lock is free.

    What was committed stays; the session ends at its last row or event, marked ``ended without notice``.

    Raises:
        sqlite3.Error, OSError: the store or the folder it is in cannot be written.

    """
    for session in unclosed(db):
        lock = SessionLock.take(path, session)
        if lock is None:
            continue
        try:
            with transaction(db):
                close_left_open(db, session, lock.kept())
        finally:
            lock.release()


def recover_if_possible(path: Path) -> None:
    """Do the same for one who only wants to read: where the store cannot be written, sessions stay as they are."""
    try:
        db = connect_for_writing(path)
    except StoreError:
        return
    try:
        recover(db, path)
    except (sqlite3.Error, OSError):
        return
    finally:
        db.close()


def unclosed(db: Database) -> list[int]:
    """Return the numbers of sessions without an end: running now, or left so."""
    return [int(row["id"]) for row in db.query("SELECT id FROM session WHERE ended IS NULL ORDER BY id")]
