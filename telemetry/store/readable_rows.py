"""Rows of a damaged table: around each damaged page, from the first row that can be read again."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Any

_LAST = 2**62


class ReadableRows:
    """Reads one table by its row numbers, and counts those it cannot reach.

    Attributes:
        lost: row numbers in the stretches that could not be read; rows that never were count too.
        broken: whether any could not be read.

    """

    def __init__(self, db: sqlite3.Connection, table: str, columns: Sequence[str]) -> None:
        names = ", ".join(f'"{column}"' for column in columns) or "*"
        self._db = db
        self._select = f'SELECT rowid, {names} FROM "{table}" WHERE rowid > ? ORDER BY rowid'  # noqa: S608
        self._one = f'SELECT rowid FROM "{table}" WHERE rowid > ? ORDER BY rowid LIMIT 1'  # noqa: S608
        self.lost = 0
        self.broken = False

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        after = 0
        while True:
            try:
                for row in self._db.execute(self._select, [after]):
                    if row[0] <= after:  # the tree leads back to where it was
                        break
                    after = row[0]
                    yield row
                else:
                    return
            except sqlite3.Error:
                pass
            except UnicodeDecodeError:  # the name of a column
                self.broken = True
                return
            self.broken = True
            following = self._next_readable(after)
            if following is None:
                return
            self.lost += following - 1 - after
            after = following - 1

    def _next_readable(self, after: int) -> int | None:
        """Return the next row that can be read after the damage behind ``after``; None where there is none."""
        bad, step = after, 1
        while True:
            good = after + step
            found = self._row_after(good)
            if found is not None:
                break
            bad, step = good, 2 * step
            if step > _LAST:
                return None
        while good - bad > 1:
            middle = (bad + good) // 2
            if (row := self._row_after(middle)) is not None:
                good, found = middle, row
            else:
                bad = middle
        return found

    def _row_after(self, row: int) -> int | None:
        try:
            found = self._db.execute(self._one, [row]).fetchone()
        except sqlite3.Error:
            return None
        return int(found[0]) if found is not None and found[0] > row else None
