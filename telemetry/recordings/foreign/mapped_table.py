"""A table that another logger wrote as a recording, read by its column map.

What cannot be used is counted by its reason and told at the end with the first place; it never ends the reading. Rows
that come late by up to ``SORT_WITHIN_S`` are put in order, and those that share a time lie evenly up to the next.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.model.batch import Flags, Times, Values
from telemetry.model.columns import ColumnMap as ColumnReader
from telemetry.model.columns import Layout
from telemetry.model.errors import RecordingError, printable
from telemetry.model.recording import TimeBasis
from telemetry.recordings.columns import Columns
from telemetry.recordings.file_recording import FileRecording, Rows
from telemetry.recordings.foreign.column_map import ColumnMap
from telemetry.recordings.foreign.even_times import EvenTimes
from telemetry.recordings.foreign.number_cells import numbers_of
from telemetry.recordings.foreign.parquet_cells import is_parquet, parquet_cells
from telemetry.recordings.foreign.text_cells import text_cells
from telemetry.recordings.foreign.time_columns import (
    DATES,
    LocalTime,
    micros_of_numbers,
    micros_of_text,
    past_midnight,
)
from telemetry.recordings.lines import LineBlocks

_MOST_ASTRAY = 50
"""Rows that fall back further are left out where time goes on as before within so many; else a new count begins."""
SORT_WITHIN_S = 10.0
"""Rows of merged sources come late by the slowest link's delay; common practice is well under this."""


class MappedTable(FileRecording):
    """A recording in a text table, read by a :class:`ColumnMap`; a :class:`Recording`.

    Raises:
        RecordingError: the header of the map is not in it, or no row can be read.

    """

    def __init__(self, path: Path, column_map: ColumnMap, called: Path | None = None) -> None:
        self._map = column_map
        self.doubts: tuple[str, ...] = ()
        super().__init__(path, called)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know; also ``doubts``, what whoever chose the column map found strange."""
        return (*super().warnings, *self.doubts)

    @property
    def own_names(self) -> dict[str, str]:
        """The file's own name of each signal."""
        names = (self._map.header[place] for place in self._columns.places)
        return dict(zip(self._columns.signals, names, strict=True))

    def _read_columns(self) -> Columns:
        header, times = self._map.header, self._map.time
        places = tuple(place for place, name in enumerate(header) if name not in times)
        self._time_places = tuple(header.index(name) for name in times)
        self._layout: Layout = ColumnReader(self._map.columns).layout(tuple(header[place] for place in places))
        basis: TimeBasis = "absolute" if self._map.is_absolute else "relative"
        first = self._time_places[0] if times else -1
        return Columns(header, basis, first, places, self._layout.signals, ())

    def _read(self) -> Iterator[Rows]:
        self._bad, self._first_bad = Counter[str](), dict[str, str]()
        order = InOrder(round(SORT_WITHIN_S * 1e6), counts_from_first=not self._map.is_absolute)
        even, self._zone = EvenTimes(), LocalTime(self._map.zone)
        blocks = LineBlocks(self.path, self.file, self._map.encoding)
        if is_parquet(self.path):
            tables = parquet_cells(self.path, self.file, self._map.header)
        else:
            tables = text_cells(blocks, self.file, self._map, self._count)
        rows_before, last_clock = 0, None
        for cells in tables:
            t, known = self._times(cells, rows_before, last_clock)
            if np.count_nonzero(np.diff(t[known]) < 0) > len(t) / 2:
                raise RecordingError(
                    f"{self.file}: its newest row comes first; sort its rows by time, the oldest first, and read it"
                    " again"
                )
            values = self._values(cells)
            rows_before += len(t)
            last_clock = int(t[known][-1]) if known.any() else last_clock
            self._note_lines_without_time(cells, known)
            yield self._rows(*even.take(*order.take(t[known], values[known])))
        rows = even.take(*order.rest(), is_last=True)
        yield self._rows(*rows, note=self._told(order, even, blocks.cut))

    def _rows(self, t: Times, values: Values, note: str | None = None) -> Rows:
        return Rows(t, values, lambda row: f"row {row + 1}", note=note)

    def _times(self, cells: Any, rows_before: int, last_clock: int | None) -> tuple[Times, Flags]:
        import pyarrow as pa
        import pyarrow.compute as pc

        kind = self._map.time_is
        if kind == "rows":
            t = (rows_before + np.arange(cells.num_rows)) * round((self._map.interval_s or 1.0) * 1e6)
            return t.astype(np.int64), np.ones(len(t), dtype=bool)
        columns = [_one(cells.column(place)) for place in self._time_places]
        if len(columns) == 1 and pa.types.is_timestamp(columns[0].type):
            t = np.asarray(columns[0].fill_null(0).cast(pa.int64()))
            return (t if columns[0].type.tz else t - self._zone(t)), np.asarray(columns[0].is_valid())
        if kind in DATES or kind == "clock":
            parts = [pc.utf8_trim_whitespace(column.cast(pa.string())) for column in columns]
            joined = parts[0] if len(parts) == 1 else pc.binary_join_element_wise(*parts, " ")
            t, known = micros_of_text(kind, joined, self._zone)
            return (past_midnight(t, known, last_clock) if kind == "clock" else t), known
        return micros_of_numbers(kind, numbers_of(columns[0], self._map.decimal)[0])

    def _values(self, cells: Any) -> Values:
        raw = np.empty((cells.num_rows, len(self._columns.places)))
        for column, place in enumerate(self._columns.places):
            given = _one(cells.column(place))
            raw[:, column], bad = numbers_of(given, self._map.decimal)
            if bad.any():
                name = self._map.header[place]
                seen = str(given[int(np.flatnonzero(bad)[0])].as_py())
                if seen.strip() != name:
                    self._count(
                        "cells that are no number", int(bad.sum()), f"{printable(seen, 20)} in {printable(name)}"
                    )
        values = self._layout.apply(raw)
        if self._map.charge_column is not None:
            self._take_off_charge(raw, values)
        return values

    def _take_off_charge(self, raw: Values, values: Values) -> None:
        """Make of the discharge current the net one; an empty cell beside a number is no current."""
        current = self._layout.signals.index("pack_current")
        charge = np.abs(raw[:, self._columns.places.index(self._map.header.index(self._map.charge_column or ""))])
        charge *= np.abs(self._layout.scale[current])
        known = np.isfinite(values[:, current]) | np.isfinite(charge)
        net = np.nan_to_num(values[:, current]) - np.nan_to_num(charge)
        values[:, current] = np.where(known, net, np.nan)

    def _note_lines_without_time(self, cells: Any, known: Flags) -> None:
        for row in np.flatnonzero(~known):
            values = (cells.column(place)[int(row)].as_py() for place in range(min(3, cells.num_columns)))
            first = ["" if value is None else str(value).strip() for value in values]
            if first == list(self._map.header[: len(first)]):
                self._count("repeated headers", 1, "")
            else:
                self._count("rows without a time", 1, printable(self._map.delimiter.join(first), 40))

    def _count(self, what: str, number: int, first: str) -> None:
        self._bad[what] += number
        self._first_bad.setdefault(what, first)

    def _told(self, order: InOrder, even: EvenTimes, cut: str | None) -> str | None:
        """Return one sentence for all that was left out, put in order or moved."""
        found = [
            f"{number} {what}" + (f" (the first: {self._first_bad[what]})" if self._first_bad[what] else "")
            for what, number in self._bad.items()
        ]
        if order.moved:
            found.append(f"{order.moved} rows that came late, put in order")
        if even.moved:
            found.append(f"{even.moved} rows with the same time as the row before, spread evenly up to the next time")
        if order.left_out:
            found.append(f"{order.left_out} rows more than {SORT_WITHIN_S:g} s too late, left out")
        if order.restarts:
            found.append(f"{order.restarts} times the count began again; what followed is kept right after it")
        told = [f"{self.file}: {', '.join(found)}"] if found else []
        return "; ".join([*told, *([cut] if cut else [])]) or None


def _one(column: Any) -> Any:
    return column.combine_chunks() if hasattr(column, "combine_chunks") else column


class InOrder:
    """Puts rows in the order of time within a window; one that falls back further is left out, or begins anew."""

    def __init__(self, window: int, counts_from_first: bool) -> None:
        self._window = window
        self._counts_from_first = counts_from_first
        self._shift: int | None = None
        self._carried = 0
        self._last: int | None = None
        self._held: tuple[Times, Values] | None = None
        self.moved = self.left_out = self.restarts = 0

    def take(self, t: Times, values: Values) -> tuple[Times, Values]:
        """Take rows as they stand in the file and return those before which none can come any more."""
        t, kept = self._carried_on(t)
        held, rows = t[kept], values[kept]
        if self._held is not None:
            held, rows = np.concatenate((self._held[0], held)), np.concatenate((self._held[1], rows))
        if not len(held):
            return held, rows
        self.moved += int(np.count_nonzero(np.maximum.accumulate(held) > held))
        order = np.argsort(held, kind="stable")
        held, rows = held[order], rows[order]
        done = int(np.searchsorted(held, held[-1] - self._window, side="right"))
        self._held = held[done:], rows[done:]
        return held[:done], rows[:done]

    def rest(self) -> tuple[Times, Values]:
        """Return the rows that are still held."""
        return (np.empty(0, np.int64), np.empty((0, 0))) if self._held is None else self._held

    def _carried_on(self, t: Times) -> tuple[Times, Flags]:
        """Return times carried on where they begin anew, and which rows are kept."""
        kept = np.ones(len(t), dtype=bool)
        if not len(t):
            return t, kept
        if self._shift is None:
            self._shift = -int(t[0]) if self._counts_from_first else 0
        t = t + self._shift
        last = int(t[0]) if self._last is None else self._last
        place = 0
        while True:
            steps = np.diff(t[place:], prepend=last)
            falls = np.flatnonzero(steps < -self._window)
            right = np.flatnonzero(steps >= self._carried) if self._carried else falls[:0]
            # dates that fit again, as after a clock was set
            if len(right) and (not len(falls) or right[0] < falls[0]):
                place += int(right[0])
                t[place:] -= self._carried
                self._shift, self._carried = self._shift - self._carried, 0
                continue
            if not len(falls):
                break
            place += int(falls[0])
            last = int(t[place - 1]) if falls[0] else last
            ahead = np.flatnonzero(t[place : place + _MOST_ASTRAY] >= last)
            if len(ahead):
                kept[place : place + int(ahead[0])] = False
                self.left_out += int(ahead[0])
                place += int(ahead[0])
            else:
                fall = last - int(t[place])
                t[place:] += fall
                self._shift += fall
                self._carried += 0 if self._counts_from_first else fall
                self.restarts += 1
        self._last = int(t[kept][-1]) if kept.any() else last
        return t, kept
