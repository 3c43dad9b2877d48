"""A session that is being recorded, read as it grows, over a connection that cannot write."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import numpy as np

from telemetry.model.batch import Batch
from telemetry.model.events import Event, Mark, MarkChange
from telemetry.store.connection import connect_for_reading
from telemetry.store.event_tables import read_events
from telemetry.store.layout import quoted
from telemetry.store.rows import StoredSeries
from telemetry.store.session_rows import last_time, stored_series
from telemetry.store.trouble import reading

_ROWS = 4096


class SessionTail:
    """Gives what a session holds, each row and each recorded input once; from one thread at a time.

    Args:
        path: the store.
        session: its number.

    Raises:
        StoreError: the store cannot be read; so does every method.

    """

    def __init__(self, path: Path, session: int) -> None:
        self._path, self._session = path, session
        self._db = connect_for_reading(path)
        self._after: dict[int, tuple[int, int]] = {}
        self._given: Counter[Event] = Counter()
        self._marks: dict[int, Mark] = {}

    def __enter__(self) -> SessionTail:
        return self

    def __exit__(self, *_failure: object) -> None:
        self._db.close()

    def newest(self) -> int | None:
        """Return the time of the last row or event so far, int microseconds; None where there is none."""
        with reading(self._path):
            return last_time(self._db, self._session)

    def has_ended(self) -> bool:
        """Tell whether the session is closed, or no longer there."""
        with reading(self._path):
            row = self._db.execute("SELECT ended FROM session WHERE id = ?", [self._session]).fetchone()
        return row is None or row[0] is not None

    def read(self, until: int) -> list[Batch | Event]:
        """Return the rows measured and the inputs up to ``until``, int microseconds, that were not given before."""
        with reading(self._path):
            found: list[Batch | Event] = []
            for series in stored_series(self._db, self._session):
                if series.group.origin == "measured":
                    found += self._batches(series, until)
            events = read_events(self._db, self._session, inputs_only=True)
        seen = Counter[Event]()
        for event in events:
            if event.t > until:
                continue
            if isinstance(event, Mark):
                found += self._mark(event, until)
                continue
            seen[event] += 1
            if seen[event] > self._given[event]:
                found.append(event)
        self._given |= seen
        return found

    def _mark(self, mark: Mark, until: int) -> list[Event]:
        """Return what is new of a mark: itself, its words where they came later, or nothing."""
        before = self._marks.get(mark.t)
        self._marks[mark.t] = mark
        if before is None:
            return [mark]
        return [] if before == mark else [MarkChange(max(mark.t, until), mark.t, mark.text, mark.taken_back)]

    def _batches(self, series: StoredSeries, until: int) -> Iterator[Batch]:
        names = ", ".join(map(quoted, series.group.signals))
        sql = (
            f"SELECT row, t, {names} FROM {quoted(series.table)}"  # noqa: S608 (checked identifiers)
            " WHERE series = ? AND (t, row) > (?, ?) AND t <= ? ORDER BY t, row LIMIT ?"
        )
        width = len(series.group.signals) + 2
        while True:
            t, row = self._after.get(series.id, (-(2**63), -1))
            rows = self._db.execute(sql, [series.id, t, row, until, _ROWS]).fetchall()
            if not rows:
                return
            self._after[series.id] = rows[-1][1], rows[-1][0]
            times = np.fromiter((each[1] for each in rows), np.int64, len(rows))
            flat = np.fromiter(chain.from_iterable(rows), np.float64, len(rows) * width)
            yield Batch(series.group, times, np.ascontiguousarray(flat.reshape(-1, width)[:, 2:]))
