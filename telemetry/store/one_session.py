"""One session as a store of its own, written anew, so that nothing else is in its file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path

from telemetry.model.batch import Batch, Span
from telemetry.store.connection import connect_for_writing
from telemetry.store.ledger import LedgerEntry
from telemetry.store.reader import SessionRecord, StoreReader
from telemetry.store.rows import read_rows
from telemetry.store.schema import transaction
from telemetry.store.session_rows import SessionStart, close_session, insert_session, insert_spans, stored_series
from telemetry.store.trouble import reading


def all_batches(reader: StoreReader, session: int) -> Iterator[Batch]:
    """Give every row of ``session``, derived groups too, group by group."""
    db = reader._db
    with reading(reader.path):
        for series in stored_series(db, session):
            for t, values in read_rows(db.conn, series, series.group.signals):
                yield Batch(series.group, t, values)


def write_one_session(
    path: Path,
    record: SessionRecord,
    drivers: dict[str, str],
    spans: Iterable[Span],
    ledger: Iterable[LedgerEntry] = (),
) -> None:
    """Make the store ``path`` with the session that ``record`` states, number 1, and all that ``spans`` hold.

    Raises:
        StoreError: it cannot be written.

    """
    new = SessionStart(
        record.machine,
        record.machine_text,
        record.origin,
        record.time_basis,
        record.started,
        record.start,
        record.replayed_from,
        drivers,
    )
    with closing(connect_for_writing(path)) as db, reading(path):
        with transaction(db):
            running = insert_session(db, new)
            for span in spans:
                running = insert_spans(db, running, [span])
            for entry in ledger:
                db.execute(
                    "INSERT INTO ledger (session, t, entry, amount, unit, method) VALUES (?, ?, ?, ?, ?, ?)",
                    [running.id, entry.t, entry.entry, entry.amount, entry.unit, entry.method],
                )
            close_session(db, running, record.ended if record.ended is not None else record.started)
            db.execute("UPDATE session SET ended_how = ?", [record.ended_how])
        db.execute("PRAGMA journal_mode = DELETE").fetchall()
