"""Saves what can be read of a damaged store into a new one beside it. The damaged one is only read."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections import defaultdict
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from telemetry.model.batch import Batch, Group
from telemetry.model.errors import InputError, StoreError
from telemetry.model.signals import is_identifier
from telemetry.store.connection import connect_for_writing
from telemetry.store.field_check import LATEST, are_signals, column_kinds, fits_column, is_entry, is_reading
from telemetry.store.layout import quoted, table_for
from telemetry.store.leaf_pages import leaf_records
from telemetry.store.place import free_path
from telemetry.store.readable_rows import ReadableRows
from telemetry.store.rows import RowInsert, StoredSeries
from telemetry.store.schema import migrate, transaction
from telemetry.store.session_rows import close_left_open, rebuild_minutes
from telemetry.store.trouble import file_text, store_error

if TYPE_CHECKING:
    from sqlite_utils import Database

_EVENTS = (
    *("alarm", "mark", "link_state", "ledger", "acknowledge", "gap", "loss", "shelve", "unshelve", "reset_latch"),
    *("alarm_finding", "saving"),
)
_RAW = ("raw_bytes", "raw_missing")
_LABELS = "label"
_ROWS_AT_ONCE = 4096


@dataclass
class Saved:
    """What was saved and what was not.

    Attributes:
        sessions, values, events: saved; values are rows times signals, unknown ones included.
        raw_blocks: blocks of raw bytes saved.
        lost_rows: rows that could not be read, or held what no such row can; at least so many.
        tables_broken: tables of which some rows could not be read.
        unnamed: sessions of which the entry was lost, but not the rows.

    """

    sessions: int = 0
    values: int = 0
    events: int = 0
    raw_blocks: int = 0
    lost_rows: int = 0
    tables_broken: int = 0
    unnamed: int = 0


def repair(path: Path, out: Path) -> Saved:
    """Write what can be read of the store at ``path`` to a new store at ``out``.

    Raises:
        InputError: there is no such file, or ``out`` exists or cannot be written.
        StoreError: nothing of it can be read, or the disk is full.

    """
    if not path.is_file():
        raise InputError(f"there is no store at {file_text(path)}; name the damaged file")
    if out.exists():
        raise InputError(f"{file_text(out)} exists; name another file for what is saved")
    if not out.parent.is_dir():
        raise InputError(f"{file_text(out)}: there is no such folder; make it first")
    try:
        with tempfile.TemporaryDirectory(prefix=".repair-", dir=out.parent) as folder:
            copy, new = Path(folder) / "damaged.sqlite3", Path(folder) / "new.sqlite3"
            shutil.copyfile(path, copy)
            log = path.with_name(path.name + "-wal")
            if log.exists():
                shutil.copyfile(log, copy.with_name(copy.name + "-wal"))
            with closing(connect_for_writing(new)) as db:
                page_size = _mend_head(copy, new)
                saved = _Repair(copy, page_size, db).run()
                db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            if not saved.sessions:
                raise StoreError(f"nothing in {file_text(path)} can be read as a session; look for a copy of it")
            new.rename(out)  # on one file system
    except (sqlite3.Error, OSError) as error:
        raise store_error(out, error) from error
    return saved


def _mend_head(copy: Path, sound: Path) -> int:
    """Give ``copy`` the head of a sound store, for its own may be damaged; return the size of its pages.

    Of its own it keeps how many pages it has and the number of its last step, unless there is no such step. The
    layout is that of https://www.sqlite.org/fileformat2.html, section 1.3.
    """
    model = sound.read_bytes()[:100]
    with copy.open("r+b") as file:
        head = bytearray(file.read(100).ljust(100, b"\0"))
        step = head[60:64]
        head[:24], head[40:72] = model[:24], model[40:72]
        if step <= model[60:64]:
            head[60:64] = step
        file.seek(0)
        file.write(head)
    return int.from_bytes(model[16:18], "big")


class _Repair:
    """One run: reads ``old`` and writes ``new``."""

    def __init__(self, old: Path, page_size: int, new: Database) -> None:
        self._old_path, self._page_size, self._new = old, page_size, new
        self._saved = Saved()
        self._series: dict[int, StoredSeries] = {}
        self._inserts: dict[int, RowInsert] = {}
        self._old_tables: dict[int, str] = {}
        self._seen: dict[int, set[int]] = defaultdict(set)
        self._waiting: dict[int, list[tuple[int, list[float]]]] = defaultdict(list)

    def run(self) -> Saved:
        from sqlite_utils import Database

        old = sqlite3.connect(self._old_path, isolation_level=None)
        with closing(old):
            old.text_factory = lambda data: data.decode("utf-8", "replace")
            with suppress(sqlite3.Error):
                old.execute("PRAGMA writable_schema = ON")  # what is wrong in one definition spoils no other
            with suppress(sqlite3.Error, StoreError):
                migrate(Database(old, execute_plugins=False), self._old_path)
            with transaction(self._new):
                self._new.execute("PRAGMA defer_foreign_keys = ON")
                for table in ("session", "source", "series"):
                    self._copy(old, table)
                self._carve_entries()
                self._add_missing_parents()
                self._saved.events = sum(self._copy(old, table) for table in _EVENTS)
                self._saved.raw_blocks = self._copy(old, "raw_bytes")
                self._copy(old, "raw_missing")
                self._copy(old, _LABELS)
                self._drop_orphans()
                self._copy_rows(old)
            with suppress(sqlite3.Error):
                old.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        with transaction(self._new):
            self._carve_rows()
            self._finish()
        return self._saved

    # ---- entries and events

    def _copy(self, old: sqlite3.Connection, table: str) -> int:
        """Copy the rows of a fixed table that can be read and are of their types; return how many."""
        kinds = column_kinds(self._new.conn, table)
        try:
            there = [row[1] for row in old.execute(f'PRAGMA table_info("{table}")')]
        except sqlite3.Error:
            there = []
        # A definition may be damaged too: where it has as many columns as ours, they are ours by their places.
        whole = len(there) == len(kinds)
        columns = list(kinds) if whole else [column for column in kinds if column in there]
        if not columns or (table == "series" and "group_name" not in columns):
            self._saved.tables_broken += 1
            return 0
        rows, count = ReadableRows(old, table, [] if whole else columns), 0
        for _, *values in rows:
            if all(fits_column(value, *kinds[column]) for column, value in zip(columns, values, strict=True)):
                count += self._insert(table, columns, values)
            else:
                self._saved.lost_rows += 1
        self._count(rows)
        return count

    def _insert(self, table: str, columns: list[str], values: list[Any]) -> int:
        names, marks = ", ".join(f'"{column}"' for column in columns), ", ".join("?" * len(columns))
        if table == "series" and not are_signals(values[columns.index("signals")]):
            return 0
        if table == "series":
            name, signals = values[columns.index("group_name")], values[columns.index("signals")]
            if not is_identifier(name):
                return 0
            self._old_tables[values[columns.index("id")]] = values[columns.index("table_name")]
            values = list(values)
            values[columns.index("table_name")] = table_for(self._new, name, json.loads(signals))
        cursor = self._new.conn.execute(f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", values)  # noqa: S608
        return cursor.rowcount

    def _count(self, rows: ReadableRows) -> None:
        self._saved.lost_rows += rows.lost
        self._saved.tables_broken += rows.broken

    def _carve_entries(self) -> None:
        """Look for entries of sessions, sources and series in the pages themselves, where their tables are broken."""
        if not self._saved.tables_broken:
            return
        shapes = {table: column_kinds(self._new.conn, table) for table in ("session", "source", "series")}
        for row, fields in leaf_records(self._old_path, self._page_size):
            for table, kinds in shapes.items():
                if len(fields) == len(kinds) and fields[0] is None:
                    values: list[Any] = [row, *fields[1:]]
                    pairs = zip(kinds.values(), values, strict=True)
                    if all(fits_column(value, *kind) for kind, value in pairs) and is_entry(table, values):
                        self._insert(table, list(kinds), values)

    def _add_missing_parents(self) -> None:
        """Make entries for sessions and sources that others refer to, so that their rows are kept."""
        connection = self._new.conn
        for (source,) in connection.execute(
            "SELECT DISTINCT source FROM series WHERE source NOT IN (SELECT id FROM source)"
        ).fetchall():
            session = connection.execute("SELECT max(id) FROM session").fetchone()[0]
            if session is None or self._saved.unnamed == 0:
                session = self._unnamed_session(None)
            connection.execute(
                "INSERT INTO source (id, session, name) VALUES (?, ?, ?)", [source, session, f"source {source}"]
            )
        for (session,) in connection.execute(
            "SELECT DISTINCT session FROM source WHERE session NOT IN (SELECT id FROM session)"
        ).fetchall():
            self._unnamed_session(session)

    def _unnamed_session(self, number: int | None) -> int:
        self._saved.unnamed += 1
        cursor = self._new.conn.execute(
            "INSERT INTO session (id, machine, started, start, origin, time_basis)"
            " VALUES (?, 'name lost', 0, 0, 'live', 'absolute')",
            [number],
        )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def _drop_orphans(self) -> None:
        for table in (*_EVENTS, *_RAW, _LABELS):
            gone = self._new.conn.execute(
                f"DELETE FROM {table} WHERE session NOT IN (SELECT id FROM session)"  # noqa: S608
            ).rowcount
            self._saved.lost_rows += gone
            if table in _EVENTS:
                self._saved.events -= gone
            elif table == "raw_bytes":
                self._saved.raw_blocks -= gone

    # ---- rows

    def _copy_rows(self, old: sqlite3.Connection) -> None:
        rows = self._new.conn.execute(
            "SELECT series.id, source.name, group_name, table_name, origin, signals FROM series"
            " JOIN source ON source.id = series.source ORDER BY series.id"
        ).fetchall()
        for number, source, name, table, origin, signals in rows:
            group = Group(source, name, tuple(json.loads(signals)), origin)
            self._series[number] = StoredSeries(number, table, group)
            self._inserts[number] = RowInsert(table, group.signals)
        for table in sorted(set(self._old_tables.values())):
            self._copy_table(old, table)
        self._flush()

    def _copy_table(self, old: sqlite3.Connection, table: str) -> None:
        try:
            columns = [row[1] for row in old.execute("SELECT * FROM pragma_table_info(?)", [table])]
        except sqlite3.Error:
            columns = []
        if columns[:3] != ["row", "series", "t"] or not all(map(is_identifier, columns)):
            self._saved.tables_broken += 1
            return
        places = {column: place for place, column in enumerate(columns[3:])}
        rows = ReadableRows(old, table, columns[1:])
        for row, series, t, *values in rows:
            self._keep(row, series, t, values, places)
        self._count(rows)

    def _keep(self, row: int, series: Any, t: Any, values: list[Any], places: dict[str, int]) -> None:
        stored = self._series.get(series) if isinstance(series, int) else None
        if stored is None or not isinstance(t, int) or not -LATEST < t < LATEST:
            self._saved.lost_rows += 1
            return
        if row in self._seen[series]:
            return
        self._seen[series].add(row)
        found = [values[places[signal]] if signal in places else None for signal in stored.group.signals]
        self._waiting[series].append((t, [float(v) if isinstance(v, int | float) else np.nan for v in found]))
        if len(self._waiting[series]) >= _ROWS_AT_ONCE:
            self._flush_one(series)

    def _flush(self) -> None:
        for series in list(self._waiting):
            self._flush_one(series)

    def _flush_one(self, series: int) -> None:
        rows = self._waiting.pop(series)
        batch = Batch.of_rows(self._series[series].group, [t for t, _ in rows], [values for _, values in rows])
        self._inserts[series].run(self._new.conn, series, batch)
        self._saved.values += batch.values.size

    def _carve_rows(self) -> None:
        """Look for rows in the pages themselves, where a table is broken and the order of its columns is known."""
        if not self._saved.tables_broken:
            return
        by_table = defaultdict(set)
        for number, stored in self._series.items():
            by_table[self._old_tables.get(number)].add(stored.group.signals)
        known = {
            number: dict(zip(stored.group.signals, range(len(stored.group.signals)), strict=True))
            for number, stored in self._series.items()
            if len(by_table[self._old_tables.get(number)]) == 1
        }
        for row, fields in leaf_records(self._old_path, self._page_size):
            match fields:
                case [None, int(series), t, *rest] if len(rest) == len(known.get(series, ())):
                    # an event holds texts, or its time where a row has a value
                    if row not in self._seen[series] and all(map(is_reading, rest)):
                        self._saved.lost_rows = max(0, self._saved.lost_rows - 1)
                        self._keep(row, series, t, rest, known[series])
        self._flush()

    def _finish(self) -> None:
        connection = self._new.conn
        for number, stored in self._series.items():
            first, last = connection.execute(
                f"SELECT min(t), max(t) FROM {quoted(stored.table)} WHERE series = ?",  # noqa: S608
                [number],
            ).fetchone()
            if first is not None:
                connection.execute(
                    "UPDATE session SET started = ?, start = ? WHERE machine = 'name lost' AND started = 0"
                    " AND id = (SELECT source.session FROM source JOIN series ON series.source = source.id"
                    " WHERE series.id = ?)",
                    [first, first, number],
                )
            if last is not None:
                rebuild_minutes(self._new, stored)
        for (session,) in connection.execute("SELECT id FROM session WHERE ended IS NULL").fetchall():
            close_left_open(self._new, session, None)
        self._saved.sessions = connection.execute("SELECT count(*) FROM session").fetchone()[0]


def free_name(path: Path) -> Path:
    """Return the first of ``NAME-repaired``, ``NAME-repaired-2`` ... that is not taken."""
    return free_path(path.with_name(f"{path.stem}-repaired{path.suffix}"))
