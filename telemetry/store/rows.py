"""Rows of a group into their table and out again: the hot path."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, repeat
from operator import itemgetter

import numpy as np

from telemetry.model.batch import Batch, Group, Times, Values
from telemetry.store.layout import quoted

# One statement takes many rows, because the interpreter's lock changes hands once a statement: row by row, a busy
# event loop holds each single row up by 5 ms (measured: a thousandth of the speed; with 256 rows a quarter of it).
_ROWS_A_STATEMENT = 256
# The least that SQLite's documented default allows, https://www.sqlite.org/limits.html
_MAX_PARAMETERS = 32766
_ROWS_A_LIST = 1024
_READ_VALUES = 50_000  # more falls out of the processor's cache


class RowInsert:
    """Inserts rows of one set of signals into one table."""

    def __init__(self, table: str, signals: tuple[str, ...]) -> None:
        self._width = len(signals) + 2
        self._rows = max(1, min(_ROWS_A_STATEMENT, _MAX_PARAMETERS // self._width))
        names = ", ".join(["series", "t", *map(quoted, signals)])
        row = "(" + ", ".join("?" * self._width) + ")"
        head = f"INSERT INTO {quoted(table)} ({names}) VALUES "  # noqa: S608 (checked identifiers)
        self._one = head + row
        self._many = head + ", ".join([row] * self._rows)

    def run(self, connection: sqlite3.Connection, series: int, batch: Batch) -> None:
        """Insert all rows of ``batch``; SQLite itself makes NULL of NaN."""
        for start in range(0, len(batch), _ROWS_A_LIST):
            self._run(connection, series, batch.rows(start, start + _ROWS_A_LIST))

    def _run(self, connection: sqlite3.Connection, series: int, batch: Batch) -> None:
        width, rows = self._width, len(batch)
        table = np.empty((rows, width))
        table[:, 2:] = batch.values
        flat = table.ravel().tolist()
        flat[0::width] = repeat(series, rows)
        flat[1::width] = batch.t.tolist()
        step = self._rows * width
        whole = len(flat) // step * step
        if whole:
            connection.executemany(self._many, (flat[i : i + step] for i in range(0, whole, step)))
        if whole < len(flat):
            connection.executemany(self._one, (flat[i : i + width] for i in range(whole, len(flat), width)))


@dataclass(frozen=True, slots=True)
class StoredSeries:
    """Where a series' rows are.

    Attributes:
        id: its number.
        table: checked name of its table.
        group: with the signals of this series in their order.

    """

    id: int
    table: str
    group: Group


def read_rows(
    connection: sqlite3.Connection,
    series: StoredSeries,
    signals: tuple[str, ...],
    since: int | None = None,
    until: int | None = None,
) -> Iterator[tuple[Times, Values]]:
    """Give the rows of ``series`` in time order, equal times in the order stored, in pieces of bounded size.

    Each piece is a query of its own, fetched whole, so that no read stays open and keeps the log from being
    written back.

    Args:
        connection: to the store.
        series: whose rows.
        signals: columns of the result; those the series lacks are unknown throughout.
        since, until: the earliest and the latest time wanted; all where None.

    """
    own = frozenset(series.group.signals)
    names = ", ".join(quoted(signal) if signal in own else "NULL" for signal in signals)
    limit = max(64, _READ_VALUES // (len(signals) + 2))
    sql = (
        f"SELECT row, t{', ' if names else ''}{names} FROM {quoted(series.table)}"  # noqa: S608 (checked identifiers)
        " WHERE series = ? AND (t, row) > (?, ?) AND t <= ? ORDER BY t, row LIMIT ?"
    )
    row, t = -1, -(2**63) if since is None else since
    end = 2**63 - 1 if until is None else until
    while True:
        rows = connection.execute(sql, (series.id, t, row, end, limit)).fetchall()
        if rows:
            row, t = rows[-1][0], rows[-1][1]
            width = len(signals) + 2
            times = np.fromiter(map(itemgetter(1), rows), np.int64, len(rows))
            flat = np.fromiter(chain.from_iterable(rows), np.float64, len(rows) * width)
            more = len(rows) == limit
            del rows
            yield times, np.ascontiguousarray(flat.reshape(-1, width)[:, 2:])
            if not more:
                return
        else:
            return
