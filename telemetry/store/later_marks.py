"""What is set of a stored session afterwards: marks, which belong to its time, its name and a note."""

from __future__ import annotations

from pathlib import Path

from telemetry.model.events import Mark, MarkChange
from telemetry.store.connection import write_beside
from telemetry.store.event_tables import insert_events, next_number


def keep_mark(path: Path, session: int, mark: Mark | MarkChange) -> None:
    """Add ``mark`` to ``session`` of the store at ``path``, or change one there; committed before this returns.

    Raises:
        StoreError: it cannot be written.

    """
    with write_beside(path) as db:
        insert_events(db, session, next_number(db, session), [mark])


def keep_label(path: Path, session: int, name: str, note: str) -> None:
    """Give ``session`` of the store at ``path`` its name and note, in place of those it has; empty for none.

    Raises:
        StoreError: it cannot be written.

    """
    with write_beside(path) as db:
        db.execute("INSERT OR REPLACE INTO label (session, name, note) VALUES (?, ?, ?)", [session, name, note])
