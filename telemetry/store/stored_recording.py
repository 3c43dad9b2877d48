"""A stored session as a recording: its measured groups and recorded inputs, merged in time order."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from telemetry.model.batch import Batch, Group, Span, Times, Values
from telemetry.model.events import Event
from telemetry.model.recording import TimeBasis
from telemetry.store.connection import connect_for_reading
from telemetry.store.event_tables import read_events
from telemetry.store.field_check import LATEST
from telemetry.store.rows import StoredSeries, read_rows
from telemetry.store.trouble import reading


class StoredRecording:
    """One session, read in pieces of bounded size over a connection of its own; a :class:`Recording`."""

    def __init__(
        self,
        path: Path,
        session: int,
        time_basis: TimeBasis,
        start: int,
        machine_text: str | None,
        series: Sequence[StoredSeries],
        warnings: tuple[str, ...] = (),
        end: int | None = None,
    ) -> None:
        """Of :class:`~telemetry.store.reader.StoreReader`; ``end`` is about where its rows end, None if not known."""
        self.name = f"session {session}"
        self.time_basis: TimeBasis = time_basis
        self.start = start
        self.machine_text = machine_text
        self.warnings = warnings
        self.session = session
        self.end = end
        self.path = path
        self._stretch: tuple[int | None, int | None] = (None, None)
        self._all = series
        self._series = by_group([one for one in series if one.group.origin == "measured"])
        self.groups = tuple(self._series)

    def _again(self) -> StoredRecording:
        about = (self.time_basis, self.start, self.machine_text, self._all, self.warnings, self.end)
        return StoredRecording(self.path, self.session, *about)

    def with_derived(self) -> StoredRecording:
        """Return the session with what was computed while it was recorded: for a table, never for a replay."""
        whole = self._again()
        whole._series = by_group(self._all)
        whole.groups = tuple(whole._series)
        return whole

    def between(self, first: int, last: int) -> StoredRecording:
        """Return the rows and events from ``first`` to ``last``, both included, microseconds."""
        part = self._again()
        part._stretch = (first, last)
        return part

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        db = connect_for_reading(self.path)
        try:
            with reading(self.path):
                events = [e for e in read_events(db, self.session, inputs_only=True) if self._holds(e.t)]
            streams = [
                _Stream(group, read_group(db.conn, parts, group.signals, *self._stretch))
                for group, parts in self._series.items()
            ]
            while True:
                with reading(self.path):
                    span = _next_span(streams, events, rows)
                if span is None:
                    return
                events = events[len(span.events) :]
                yield span
        finally:
            db.close()

    def _holds(self, t: int) -> bool:
        first, last = self._stretch
        return (first is None or first <= t) and (last is None or t <= last)


def by_group(series: Sequence[StoredSeries]) -> Mapping[Group, list[StoredSeries]]:
    """Return the series of each group in the order they began, under the group's widest layout."""
    found: dict[tuple[str, str], list[StoredSeries]] = {}
    for one in series:
        found.setdefault(one.group.key, []).append(one)
    return {parts[-1].group: parts for parts in found.values()}  # a later part carries all that the earlier did


def read_group(
    connection: sqlite3.Connection,
    parts: Sequence[StoredSeries],
    signals: tuple[str, ...],
    since: int | None = None,
    until: int | None = None,
) -> Iterator[tuple[Times, Values]]:
    """Give the rows of a group's series in time order, in pieces of bounded size; see :func:`read_rows`.

    Raises:
        ValueError: they are not in the order of time, which only a damaged store does.

    """
    last = -LATEST
    for part in parts:
        for times, values in read_rows(connection, part, signals, since, until):
            if times[0] < last or (times[1:] < times[:-1]).any() or times[-1] > LATEST:
                raise ValueError(f"rows of {part.table} are out of order")
            last = int(times[-1])
            yield times, values


class _Stream:
    """The rows of one group, of which some are in memory."""

    def __init__(self, group: Group, pieces: Iterator[tuple[Times, Values]]) -> None:
        self.group = group
        self.t: Times = np.empty(0, np.int64)
        self.values: Values = np.empty((0, len(group.signals)))
        self.done = False
        self._pieces = pieces

    def load(self) -> None:
        """Bring another piece into memory; ``done`` where there is none."""
        piece = next(self._pieces, None)
        if piece is None:
            self.done = True
        elif len(self.t):
            self.t, self.values = np.concatenate((self.t, piece[0])), np.concatenate((self.values, piece[1]))
        else:
            self.t, self.values = piece

    def take(self, end: int) -> Batch:
        """Take out the rows up to and including ``end``, all of them."""
        while not self.done and (not len(self.t) or self.t[-1] <= end):
            self.load()
        cut = int(np.searchsorted(self.t, end, side="right"))
        batch = Batch(self.group, self.t[:cut], self.values[:cut])
        self.t, self.values = self.t[cut:], self.values[cut:]
        return batch


def _next_span(streams: Sequence[_Stream], events: Sequence[Event], rows: int) -> Span | None:
    """Return the next rows and events, about ``rows`` of them; None where nothing is left."""
    for stream in streams:
        while not stream.done and len(stream.t) < rows:
            stream.load()
    # What each stream has in memory covers at least the next `rows` of all together, unless the stream ends there.
    first = [stream.t[:rows] for stream in streams]
    first.append(np.fromiter((event.t for event in events[:rows]), np.int64))
    ahead = np.concatenate(first)
    if not len(ahead):
        return None
    end = int(ahead.max() if len(ahead) <= rows else np.partition(ahead, rows - 1)[rows - 1])
    batches = [stream.take(end) for stream in streams]
    count = 0
    while count < len(events) and events[count].t <= end:
        count += 1
    return Span(end, tuple(batch for batch in batches if len(batch)), tuple(events[:count]))
