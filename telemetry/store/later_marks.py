"""Marks that are set while a stored session is replayed: they belong to its time, so they are kept with it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from telemetry.model.events import Mark, MarkChange
from telemetry.store.connection import connect_for_writing
from telemetry.store.event_tables import insert_events, next_number
from telemetry.store.schema import transaction
from telemetry.store.trouble import store_error

BUSY_S = 1.0
"""How long to wait for another program that writes; the screen waits as long."""


def keep_mark(path: Path, session: int, mark: Mark | MarkChange) -> None:
    """Add ``mark`` to ``session`` of the store at ``path``, or change one there; committed before this returns.

    Raises:
        StoreError: it cannot be written.

    """
    with closing(connect_for_writing(path, BUSY_S)) as db:
        try:
            with transaction(db):
                insert_events(db, session, next_number(db, session), [mark])
        except sqlite3.Error as error:
            raise store_error(path, error) from error
