"""What a store holds, read by plain SQL and not by the program, and what is missing of a known input."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any


def numbers_in(store: Path, session: int | None = None) -> list[int]:
    """Return the numbers of a :class:`~tests.faults.device.NumberedBoard` in the order in which they are stored."""
    return [int(value) for value in values_of(store, "extra_number", session)]


def values_of(store: Path, signal: str, session: int | None = None) -> list[float]:
    """Return the known values of ``signal`` in the order of their rows, of one session or of all."""
    return [value for _, value in rows_of(store, signal, session)]


def rows_of(store: Path, signal: str, session: int | None = None) -> list[tuple[int, float]]:
    """Return the known rows of ``signal``: time in microseconds, and value."""
    with closing(sqlite3.connect(store)) as db:
        found: list[tuple[int, float]] = []
        for series, table, signals in _series(db, session):
            if signal in signals:
                query = (
                    f'SELECT t, "{signal}" FROM "{table}" WHERE series = ? AND "{signal}" IS NOT NULL ORDER BY row'
                )
                found += db.execute(query, [series]).fetchall()
        return found


def has_rows(store: Path) -> bool:
    """Tell whether the store is there and holds numbers."""
    try:
        return store.exists() and bool(numbers_in(store))
    except sqlite3.OperationalError:  # it is being made
        return False


def measured_rows(store: Path) -> list[dict[str, float]]:
    """Return the known values of every measured row by signal, with its time in microseconds as ``t``, in order."""
    found: list[dict[str, float]] = []
    with closing(sqlite3.connect(store)) as db:
        measured = [one for (one,) in db.execute("SELECT id FROM series WHERE origin = 'measured'")]
        for series, table, signals in _series(db, None):
            if series in measured:
                columns = ", ".join(f'"{signal}"' for signal in signals)
                for t, *values in db.execute(
                    f'SELECT t, {columns} FROM "{table}" WHERE series = ? ORDER BY row', [series]
                ):
                    row = {name: value for name, value in zip(signals, values, strict=True) if value is not None}
                    found.append({"t": t, **row})
    return sorted(found, key=lambda row: row["t"])


def check_sound(store: Path) -> None:
    """Assert that SQLite finds nothing wrong with the file."""
    with closing(sqlite3.connect(store)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def count_values(store: Path, session: int) -> int:
    """Return how many values (rows times signals) the store holds of ``session``."""
    with closing(sqlite3.connect(store)) as db:
        count = 'SELECT count(*) FROM "{}" WHERE series = ?'
        return sum(
            len(signals) * db.execute(count.format(table), [series]).fetchone()[0]
            for series, table, signals in _series(db, session)
        )


def losses_in(store: Path, session: int) -> int:
    """Return how many values the store itself says that it lacks."""
    with closing(sqlite3.connect(store)) as db:
        query = "SELECT coalesce(sum(lost_values), 0) FROM loss WHERE session = ?"
        return int(db.execute(query, [session]).fetchone()[0])


def lost_s(sent: Mapping[int, float], stored: Iterable[int], since: float, struck: float) -> float:
    """Return the age at ``struck`` of the oldest number sent after ``since`` that is not stored, s; 0 for none.

    Args:
        sent: when each number was sent.
        stored: the numbers in the store.
        since: when values were first known to arrive; a reader joins a line that is already printing.
        struck: when the fault struck, or the program ended.

    """
    missing = set(sent).difference(stored)
    return max((struck - sent[n] for n in missing if since < sent[n] <= struck), default=0.0)


def ledger(summary: Mapping[str, Any], store: Path) -> str:
    """Return what does not add up in ``summary``, held against the store; empty where all does."""
    published, stored, dropped = (summary[f"values_{what}"] for what in ("published", "stored", "dropped"))
    if published != stored + dropped:
        return f"{published} values were published, {stored} stored and {dropped} counted as lost"
    there = count_values(store, summary["session"])
    return "" if there == stored else f"the summary says {stored} values are stored, the store holds {there}"


def _series(db: sqlite3.Connection, session: int | None) -> list[tuple[int, str, list[str]]]:
    rows = db.execute(
        "SELECT series.id, table_name, signals FROM series JOIN source ON source.id = series.source"
        " WHERE source.session = ? OR ? IS NULL ORDER BY series.id",
        [session, session],
    )
    return [(series, table, json.loads(signals)) for series, table, signals in rows.fetchall()]
