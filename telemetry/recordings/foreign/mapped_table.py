"""A table that another logger wrote as a recording, read by its column map.

What cannot be used is counted by its reason and told at the end with the first place; it never ends the reading. Rows
that come late by up to ``SORT_WITHIN_S`` are put in order.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Times, Values
from telemetry.model.columns import ColumnMap as ColumnReader
from telemetry.model.columns import Layout
from telemetry.model.errors import RecordingError, printable
from telemetry.model.recording import TimeBasis
from telemetry.recordings.columns import Columns
from telemetry.recordings.file_recording import FileRecording, Rows
from telemetry.recordings.foreign.column_map import ColumnMap
from telemetry.recordings.foreign.text_layout import WHITE, are_units, cells_of, header_names
from telemetry.recordings.foreign.time_columns import (
    DATES,
    micros_of_numbers,
    micros_of_text,
    offset_of,
    past_midnight,
)
from telemetry.recordings.lines import Block, LineBlocks

SORT_WITHIN_S = 10.0
"""Rows of merged sources come late by the slowest link's delay; common practice is well under this."""
_MOST_ASTRAY = 50
"""Rows that fall back further are left out where time goes on as before within so many; else a new count begins."""
_NUMBER = (
    r"^(?P<n>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?[Ii][Nn][Ff])\s*(?:[A-Za-z%°ΩµμΩ][A-Za-z%°Ω/0-9]{0,7})?$"
)
_THOUSANDS = r"^[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?$"
_GROUPED = r"^[+-]?\d{1,3}(?:\.\d{3})+,\d*$"
_YES, _NO = ["true", "on", "yes"], ["false", "off", "no"]
_NOTHING = ["", "nan", "null", "none", "na", "n/a", "-", "--", "---", "?", "#n/a", "nd"]
_COMMENT_LINES = re.compile(rb"^[ \t]*(?:#|//|%).*\n?", re.MULTILINE)
_BLANKS, _EDGES = re.compile(rb"[ \t]+"), re.compile(rb"^[ \t]+|[ \t]+$", re.MULTILINE)


class MappedTable(FileRecording):
    """A recording in a text table, read by a :class:`ColumnMap`; a :class:`Recording`.

    Raises:
        RecordingError: the header of the map is not in it, or no row can be read.

    """

    def __init__(self, path: Path, column_map: ColumnMap, called: Path | None = None) -> None:
        self._map = column_map
        self._zone = offset_of(column_map.zone)
        super().__init__(path, called)

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
        blocks = LineBlocks(self.path, self.file, self._map.encoding)
        rows_before, last_clock = 0, None
        started = False
        for block in blocks:
            body, started = (block, True) if started else self._behind_header(block)
            cells = self._cells(body) if started else None
            if cells is None:
                continue
            t, known = self._times(cells, rows_before, last_clock)
            values = self._values(cells)
            rows_before += len(t)
            last_clock = int(t[known][-1]) if known.any() else last_clock
            self._note_lines_without_time(cells, known)
            yield self._rows(*order.take(t[known], values[known]))
        if not started:
            raise RecordingError(f"{self.file}: the header of the column map is not in it; make another map for it")
        yield self._rows(*order.rest(), note=self._told(order, blocks.cut))

    def _rows(self, t: Times, values: Values, note: str | None = None) -> Rows:
        return Rows(t, values, lambda row: f"row {row + 1}", note=note)

    def _behind_header(self, block: Block) -> tuple[Block, bool]:
        """Return what follows the header in a block, and whether it was there; a row of units goes with it."""
        at, number, found = 0, block.first_line, False
        for line in block.data.splitlines(keepends=True):
            cells = cells_of(line.decode("utf-8", "replace"), self._map.delimiter)
            if found and not are_units(cells):
                break
            at, number = at + len(line), number + 1
            found = found or header_names(cells, len(self._map.header)) == self._map.header
        return (Block(block.data[at:], number, block.is_last) if found else block), found

    def _cells(self, block: Block) -> Any:
        """Return the block's rows as a pyarrow table; lines with too few or too many cells are counted.

        Its columns are numbers where each cell is one or empty, all text where any is not; the time's always text.
        """
        import pyarrow as pa

        data, width = block.data, len(self._map.header)
        if b"#" in data or b"//" in data or b"%" in data:
            data = _COMMENT_LINES.sub(b"", data)
        delimiter = self._map.delimiter
        if delimiter == WHITE:
            data, delimiter = _BLANKS.sub(b"\t", _EDGES.sub(b"", data)), "\t"
        data = self._to_width(data, delimiter, width)
        if not data.strip():
            return None

        try:
            cells, skipped = self._parsed(data, delimiter, pa.float64())
        except pa.ArrowInvalid:  # it has to be looked at cell by cell
            cells, skipped = self._parsed(data, delimiter, pa.string())
        for row in skipped:
            what = "too few cells" if row.actual_columns < width else "too many cells"
            self._count(what, 1, printable(row.text, 40))
        return cells

    def _parsed(self, data: bytes, delimiter: str, kind: Any) -> tuple[Any, list[Any]]:
        """Return the table, its values of that kind, and the lines that were skipped."""
        import pyarrow as pa
        from pyarrow import csv as arrow_csv

        skipped: list[Any] = []

        def skip(row: Any) -> str:
            skipped.append(row)
            return "skip"

        names = [str(place) for place in range(len(self._map.header))]
        types = dict.fromkeys(names, kind) | {names[place]: pa.string() for place in self._time_places}
        cells = arrow_csv.read_csv(
            pa.BufferReader(data),
            read_options=arrow_csv.ReadOptions(use_threads=False, block_size=len(data) + 1, column_names=names),
            parse_options=arrow_csv.ParseOptions(delimiter=delimiter, invalid_row_handler=skip),
            convert_options=arrow_csv.ConvertOptions(
                column_types=types,
                null_values=[""],
                strings_can_be_null=False,
                check_utf8=False,
                decimal_point=self._map.decimal,
            ),
        )
        return cells, skipped

    def _to_width(self, data: bytes, delimiter: str, width: int) -> bytes:
        """Cut off the delimiter that some loggers end a row with, where the header has no name behind it."""
        end = delimiter.encode()
        first = data.split(b"\n", 1)[0].rstrip(b"\r")
        if first.endswith(end) and len(cells_of(first.decode("utf-8", "replace"), delimiter)) == width + 1:
            return re.sub(re.escape(end) + rb"(?=\r?$)", b"", data, flags=re.MULTILINE)
        return data

    def _times(self, cells: Any, rows_before: int, last_clock: int | None) -> tuple[Times, npt.NDArray[np.bool_]]:
        import pyarrow.compute as pc

        kind = self._map.time_is
        if kind == "rows":
            t = (rows_before + np.arange(cells.num_rows)) * round((self._map.interval_s or 1.0) * 1e6)
            return t.astype(np.int64), np.ones(len(t), dtype=bool)
        parts = [pc.utf8_trim_whitespace(_one(cells.column(place))) for place in self._time_places]
        joined = parts[0] if len(parts) == 1 else pc.binary_join_element_wise(*parts, " ")
        if kind in DATES or kind == "clock":
            t, known = micros_of_text(kind, joined, self._zone)
            return (past_midnight(t, known, last_clock) if kind == "clock" else t), known
        return micros_of_numbers(kind, self._numbers(joined)[0])

    def _values(self, cells: Any) -> Values:
        import pyarrow as pa

        raw = np.empty((cells.num_rows, len(self._columns.places)))
        for column, place in enumerate(self._columns.places):
            text = _one(cells.column(place))
            if text.type == pa.float64():
                raw[:, column] = np.asarray(text.fill_null(np.nan))
                continue
            raw[:, column], bad = self._numbers(text)
            if bad.any():
                name = self._map.header[place]
                seen = text[int(np.flatnonzero(bad)[0])].as_py()
                if seen.strip() != name:
                    self._count(
                        "cells that are no number", int(bad.sum()), f"{printable(seen, 20)} in {printable(name)}"
                    )
        return self._layout.apply(raw)

    def _numbers(self, text: Any) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
        """Return the numbers of a column's cells, NaN where there is none, and where text stands in place of one."""
        import pyarrow as pa
        import pyarrow.compute as pc

        plain = pc.utf8_trim_whitespace(text)
        if self._map.decimal == ",":
            grouped = pc.match_substring_regex(plain, _GROUPED)
            plain = pc.replace_substring(pc.if_else(grouped, pc.replace_substring(plain, ".", ""), plain), ",", ".")
        try:
            empty = pc.equal(plain, "")
            found = pc.if_else(empty, None, plain).cast(pa.float64())
            return np.asarray(found.fill_null(np.nan)), np.zeros(len(text), dtype=bool)
        except pa.ArrowInvalid:
            pass
        plain = pc.replace_substring(plain, "\N{MINUS SIGN}", "-")
        thousands = pc.match_substring_regex(plain, _THOUSANDS)
        plain = pc.if_else(thousands, pc.replace_substring(plain, ",", ""), plain)
        number = pc.struct_field(pc.extract_regex(plain, _NUMBER), "n").cast(pa.float64())
        word = pc.utf8_lower(plain)
        for words, value in ((_YES, 1.0), (_NO, 0.0)):
            number = pc.if_else(pc.is_in(word, pa.array(words)), value, number)
        bad = pc.and_(pc.is_null(number), pc.invert(pc.is_in(word, pa.array(_NOTHING))))
        return np.asarray(number.fill_null(np.nan)), np.asarray(bad)

    def _note_lines_without_time(self, cells: Any, known: npt.NDArray[np.bool_]) -> None:
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

    def _told(self, order: InOrder, cut: str | None) -> str | None:
        """Return one sentence for all that was left out or put in order."""
        found = [
            f"{number} {what}" + (f" (the first: {self._first_bad[what]})" if self._first_bad[what] else "")
            for what, number in self._bad.items()
        ]
        if order.moved:
            found.append(f"{order.moved} rows that came late, put in order")
        if order.left_out:
            found.append(f"{order.left_out} rows more than {SORT_WITHIN_S:g} s too late, left out")
        if order.restarts:
            found.append(f"{order.restarts} times the count began again; what followed is kept right after it")
        told = [f"{self.file}: {', '.join(found)}"] if found else []
        return "; ".join([*told, *([cut] if cut else [])]) or None


class InOrder:
    """Puts rows in the order of time within a window; one that falls back further is left out, or begins anew."""

    def __init__(self, window: int, counts_from_first: bool) -> None:
        self._window = window
        self._counts_from_first = counts_from_first
        self._shift: int | None = None
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

    def _carried_on(self, t: Times) -> tuple[Times, npt.NDArray[np.bool_]]:
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
            falls = np.flatnonzero(np.diff(t[place:], prepend=last) < -self._window)
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
                self.restarts += 1
        self._last = int(t[kept][-1]) if kept.any() else last
        return t, kept


def _one(column: Any) -> Any:
    return column.combine_chunks() if hasattr(column, "combine_chunks") else column
