"""What the owner calls a session and notes about it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from telemetry.store.connection import connect_for_writing
from telemetry.store.later_marks import BUSY_S
from telemetry.store.schema import transaction
from telemetry.store.trouble import store_error


def keep_label(path: Path, session: int, name: str, note: str) -> None:
    """Give ``session`` of the store at ``path`` its name and note, in place of those it has; empty for none.

    Raises:
        StoreError: it cannot be written.

    """
    with closing(connect_for_writing(path, BUSY_S)) as db:
        try:
            with transaction(db):
                db.execute(
                    "INSERT OR REPLACE INTO label (session, name, note) VALUES (?, ?, ?)",
                    [session, name, note],
                )
        except sqlite3.Error as error:
            raise store_error(path, error) from error
