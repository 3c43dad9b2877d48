"""What is entered by hand: sessions at the bench, and their entries. Nothing here is a row of a source."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.store.connection import connect_for_writing
from telemetry.store.schema import transaction
from telemetry.store.session_rows import SessionStart, close_session, insert_session
from telemetry.store.trouble import store_error

if TYPE_CHECKING:
    from sqlite_utils import Database


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One thing entered by hand.

    Attributes:
        t: when, int microseconds since the epoch.
        entry: what it is, such as ``first-power polarity``.
        amount: in ``unit``; NaN for unknown.
        unit: empty for a pure number, or for yes (1) and no (0).
        method: how it came about: ``meter``, ``answer``, ``skipped``; ``withdrawn`` takes the entry before it back.

    """

    t: int
    entry: str
    amount: float
    unit: str
    method: str


class Ledger:
    """The bench sessions of a store; made by :meth:`open`. Each call is committed before it returns."""

    def __init__(self, path: Path, db: Database) -> None:
        self._path = path
        self._db = db

    @classmethod
    @contextmanager
    def open(cls, path: Path) -> Iterator[Ledger]:
        """Open or make the store at ``path``.

        Raises:
            StoreError: folder missing, read-only, disk full, not a database, another program's, or newer.

        """
        with closing(connect_for_writing(path)) as db:
            yield cls(path, db)

    def begin(self, machine: str, machine_text: str, now: int) -> int:
        """Begin a bench session and return its number. It counts as ended after each entry, so none is left open."""
        new = SessionStart(machine, machine_text, "bench", "absolute", now, now, None, {})
        with self._one_sentence(), transaction(self._db):
            session = insert_session(self._db, new)
            close_session(self._db, session, now)
        return session.id

    def latest(self, machine: str) -> int | None:
        """Return the newest session of ``machine`` that holds an entry, None where there is none."""
        with self._one_sentence():
            row = self._db.execute(
                "SELECT max(session.id) FROM session JOIN ledger ON ledger.session = session.id WHERE machine = ?",
                [machine],
            ).fetchone()
        return None if row[0] is None else int(row[0])

    def machine_text(self, session: int) -> str:
        """Return the machine file that was in force when ``session`` began."""
        with self._one_sentence():
            row = self._db.execute("SELECT machine_text FROM session WHERE id = ?", [session]).fetchone()
        return str(row[0] or "")

    def add(self, session: int, entry: LedgerEntry) -> None:
        """Write an entry."""
        amount = None if math.isnan(entry.amount) else entry.amount
        with self._one_sentence(), transaction(self._db):
            self._db.execute(
                "INSERT INTO ledger (session, t, entry, amount, unit, method) VALUES (?, ?, ?, ?, ?, ?)",
                [session, entry.t, entry.entry, amount, entry.unit, entry.method],
            )
            self._db.execute("UPDATE session SET ended = max(ended, ?) WHERE id = ?", [entry.t, session])

    def entries(self, session: int) -> list[LedgerEntry]:
        """Return the entries of ``session`` in the order in which they came."""
        with self._one_sentence():
            rows = self._db.execute(
                "SELECT t, entry, amount, unit, method FROM ledger WHERE session = ? ORDER BY id", [session]
            ).fetchall()
        return [
            LedgerEntry(int(t), entry, math.nan if amount is None else amount, unit, method)
            for t, entry, amount, unit, method in rows
        ]

    @contextmanager
    def _one_sentence(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise store_error(self._path, error) from error
