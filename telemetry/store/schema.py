"""The store's tables, and the numbered steps that led to them.

The number of the last step taken stands in the file's ``user_version``, and ``application_id`` tells our files from
other programs'. A step, once released, is never changed: the next one amends it.

Times are int microseconds. Values are in the units of the vocabulary, unknown is NULL. The group tables, one a group
layout, and their narrow views are made as they are needed: see :mod:`telemetry.store.layout`.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.model.errors import StoreError
from telemetry.store.trouble import file_text

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = 0x53484B44  # "SHKD"

MIGRATIONS = (
    # 1: sessions, what fed them, where their rows are, and what happened
    """
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
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, limit_name TEXT NOT NULL, signal TEXT NOT NULL,
        level TEXT NOT NULL, state TEXT NOT NULL, value REAL, bound REAL, why TEXT NOT NULL);
    CREATE INDEX alarm_by_session ON alarm (session, t);
    CREATE TABLE mark (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, text TEXT NOT NULL, set_by TEXT NOT NULL);
    CREATE INDEX mark_by_session ON mark (session, t);
    CREATE TABLE link_state (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, source TEXT NOT NULL, state TEXT NOT NULL,
        why TEXT NOT NULL, retry_at INTEGER);
    CREATE INDEX link_state_by_session ON link_state (session, t);
    CREATE TABLE ledger (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        t INTEGER NOT NULL, entry TEXT NOT NULL, amount REAL, unit TEXT NOT NULL, method TEXT NOT NULL);
    CREATE INDEX ledger_by_session ON ledger (session, t);
    """,
    # 2: how a session ended and where its times count from; the machine file; the other events
    """
    ALTER TABLE session ADD COLUMN start INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE session ADD COLUMN ended_how TEXT;
    ALTER TABLE session ADD COLUMN machine_text TEXT;
    UPDATE session SET ended_how = 'normal' WHERE ended IS NOT NULL;
    UPDATE session SET start = started WHERE time_basis = 'absolute';
    CREATE TABLE acknowledge (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, limit_name TEXT);
    CREATE INDEX acknowledge_by_session ON acknowledge (session, t);
    CREATE TABLE gap (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, source TEXT NOT NULL, signal TEXT NOT NULL,
        start INTEGER NOT NULL);
    CREATE INDEX gap_by_session ON gap (session, t);
    CREATE TABLE loss (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, listener TEXT NOT NULL, lost_values INTEGER NOT NULL,
        why TEXT NOT NULL);
    CREATE INDEX loss_by_session ON loss (session, t);
    """,
    # 3: how an alarm stands after each change, what else the operator may do to alarms, and faults of the limits
    """
    ALTER TABLE alarm ADD COLUMN stands TEXT NOT NULL DEFAULT 'unacknowledged';
    UPDATE alarm SET stands = CASE state WHEN 'cleared' THEN 'normal' WHEN 'acknowledged' THEN 'acknowledged'
        ELSE 'unacknowledged' END;
    ALTER TABLE acknowledge ADD COLUMN signal TEXT;
    CREATE TABLE shelve (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, limit_name TEXT NOT NULL, signal TEXT, for_s REAL NOT NULL);
    CREATE INDEX shelve_by_session ON shelve (session, t);
    CREATE TABLE unshelve (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, limit_name TEXT, signal TEXT);
    CREATE INDEX unshelve_by_session ON unshelve (session, t);
    CREATE TABLE reset_latch (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, limit_name TEXT, signal TEXT);
    CREATE INDEX reset_latch_by_session ON reset_latch (session, t);
    CREATE TABLE alarm_finding (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, what TEXT NOT NULL, state TEXT NOT NULL,
        limit_name TEXT NOT NULL, signal TEXT NOT NULL, count INTEGER NOT NULL, why TEXT NOT NULL);
    CREATE INDEX alarm_finding_by_session ON alarm_finding (session, t);
    """,
    # 4: the worst value of an alarm, its cell, and what the machine was doing
    """
    ALTER TABLE alarm ADD COLUMN worst REAL;
    ALTER TABLE alarm ADD COLUMN cell INTEGER;
    ALTER TABLE alarm ADD COLUMN situation TEXT NOT NULL DEFAULT 'driving';
    """,
    # 5: when the store could not be written, and when it could again
    """
    CREATE TABLE saving (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        number INTEGER NOT NULL, t INTEGER NOT NULL, listener TEXT NOT NULL, since INTEGER, why TEXT NOT NULL);
    CREATE INDEX saving_by_session ON saving (session, t);
    """,
    # 6: raw bytes of the links around high alarms, and what of them could not be kept
    """
    CREATE TABLE raw_bytes (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        alarm_t INTEGER NOT NULL, source TEXT NOT NULL, driver TEXT, start INTEGER NOT NULL, "end" INTEGER NOT NULL,
        pieces INTEGER NOT NULL, data BLOB NOT NULL);
    CREATE INDEX raw_bytes_by_session ON raw_bytes (session, start);
    CREATE TABLE raw_missing (
        id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
        alarm_t INTEGER NOT NULL, source TEXT NOT NULL, start INTEGER NOT NULL, "end" INTEGER NOT NULL,
        lost_bytes INTEGER NOT NULL, why TEXT NOT NULL);
    CREATE INDEX raw_missing_by_session ON raw_missing (session, start);
    """,
    # 7: marks that the operator took back
    """
    ALTER TABLE mark ADD COLUMN taken_back INTEGER NOT NULL DEFAULT 0;
    """,
    # 8: what the owner calls a session and notes about it; what it came to, which can always be made anew
    """
    CREATE TABLE label (
        session INTEGER PRIMARY KEY REFERENCES session ON DELETE CASCADE, name TEXT NOT NULL, note TEXT NOT NULL);
    CREATE TABLE outcome (
        session INTEGER PRIMARY KEY REFERENCES session ON DELETE CASCADE, program TEXT NOT NULL,
        digest TEXT, told TEXT NOT NULL);
    """,
)


def version_of(db: Database, path: Path) -> int:
    """Return the number of the last step the file has taken, 0 for one that is new; refuse what is not ours."""
    application_id = db.execute("PRAGMA application_id").fetchone()[0]
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if application_id != APPLICATION_ID:
        if application_id or version > len(MIGRATIONS) or _statements_taken(db) is None:
            raise StoreError(f"{file_text(path)} is another program's database; name another file for the store")
        version = 0
    elif version > len(MIGRATIONS):
        raise StoreError(
            f"the store {file_text(path)} was written by a newer version of this program (layout {version}, this one"
            f" knows {len(MIGRATIONS)}); update the program, or name another file"
        )
    return version


def migrate(db: Database, path: Path) -> bool:
    """Take the steps the file has not taken yet: all or none; tell whether there were any."""
    if version_of(db, path) >= len(MIGRATIONS):
        return False
    with transaction(db):
        version = version_of(db, path)  # another process may have been quicker
        for statement in _statements(MIGRATIONS[version:]):  # not as a script, which would commit
            if not _is_taken(db.conn, statement):
                db.conn.execute(statement)
        db.conn.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        db.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    return True


def _statements(steps: Iterable[str]) -> list[str]:
    """Return the statements of the steps; none of them holds a semicolon."""
    return [one for step in steps for each in step.split(";") if (one := each.strip())]


_ADDS = re.compile(r"CREATE (?:TABLE|INDEX) (?P<name>\w+)|ALTER TABLE (?P<table>\w+) ADD COLUMN (?P<column>\w+)")


def _is_taken(connection: sqlite3.Connection, statement: str) -> bool:
    """Tell whether what ``statement`` adds is there: earlier versions upgraded statement by statement.

    What adds nothing sets columns just added, and may be repeated.
    """
    added = _ADDS.match(statement)
    if added is None:
        return False
    if added["name"]:
        found = connection.execute("SELECT 1 FROM sqlite_master WHERE name = ?", [added["name"]])
    else:
        found = connection.execute(
            "SELECT 1 FROM pragma_table_info(?) WHERE name = ?", [added["table"], added["column"]]
        )
    return found.fetchone() is not None


def _statements_taken(db: Database) -> int | None:
    """Return how many statements an interrupted creation left in a file, 0 for an empty one; None if it is not ours.

    Earlier versions of this program created a store statement by statement. A killed one left a part of the tables.
    """
    found = _schema_of(db.conn)
    with closing(sqlite3.connect(":memory:")) as ours:
        for taken, statement in enumerate(["", *_statements(MIGRATIONS)]):
            ours.execute(statement)
            if _schema_of(ours) == found:
                return taken
    return None


def _schema_of(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    return connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()


@contextmanager
def transaction(db: Database) -> Iterator[None]:
    """All or nothing, and the right to write from the first statement on.

    ``Database.atomic()`` begins as a reader; where another process writes meanwhile, its first write fails at once,
    however long one is ready to wait. Inside this block ``atomic()`` nests as a savepoint.
    """
    db.conn.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.conn.execute("COMMIT")
    except BaseException:
        db.rollback()
        raise
