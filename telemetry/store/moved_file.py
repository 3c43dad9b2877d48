"""A store that can be recorded into no more while it is open: recording goes on in a file beside it.

Of one that was deleted, moved or replaced the rows can still be read, so they are copied. One that is damaged is left
as it is, and the session goes on in a new store under its old number.
"""

from __future__ import annotations

import contextlib
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.model.errors import StoreError, printable
from telemetry.store.connection import connect_for_writing
from telemetry.store.place import free_path
from telemetry.store.trouble import file_text

if TYPE_CHECKING:
    from sqlite_utils import Database


class Place:
    """A connection and the file that it was opened on.

    Attributes:
        path: the file's name.
        db: the connection that writes to it.
        is_new: whether it is a new store without the rows of the one before.

    """

    def __init__(self, path: Path, db: Database, is_new: bool = False) -> None:
        self.path = path
        self.db = db
        self.is_new = is_new
        self._damaged = False
        self._identity = _identity(path)
        self._beside: Path | None = None

    def kept(self, busy_s: float) -> Place:
        """Return this place while the file is sound and has its name, else one beside it.

        That holds all rows written so far, unless the file is damaged.

        The first call that finds the file gone raises, so that the operator learns of it; the next one copies.

        Raises:
            StoreError: the file is gone, or the copy cannot be opened.
            sqlite3.Error, OSError: it cannot be copied.

        """
        if not self._damaged and _identity(self.path) == self._identity:
            return self
        if self._beside is None:
            self._beside = free_path(self.path, 2)
            raise StoreError(
                f"the store {file_text(self.path)} was deleted, moved or replaced; recording goes on in"
                f" {file_text(self._beside)}, with all earlier sessions"
            )
        try:
            connect_for_writing(self._beside, busy_s).close()  # made as any store is
            if not self._damaged:
                with closing(sqlite3.connect(self._beside, timeout=busy_s)) as copy:
                    self.db.conn.backup(copy)
            place = Place(self._beside, connect_for_writing(self._beside, busy_s), is_new=self._damaged)
        except BaseException:
            for end in ("", "-wal", "-shm"):
                with contextlib.suppress(OSError):
                    self._beside.with_name(self._beside.name + end).unlink()
            raise
        self.db.close()
        return place

    def give_up(self, error: sqlite3.Error) -> StoreError:
        """Take the file for damaged, as ``error`` says, and return the sentence that says where recording goes on."""
        self._damaged, self._beside = True, free_path(self.path, 2)
        return StoreError(
            f"the store {file_text(self.path)} is damaged ({printable(error, 120)}); recording goes on in the new"
            f" {file_text(self._beside)}, so copy the damaged one away"
        )

    def close(self) -> None:
        """Move the log into the file, where that can be done, and close the connection."""
        with contextlib.suppress(sqlite3.Error):  # what stays in the log is read from there
            self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self.db.close()


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino
