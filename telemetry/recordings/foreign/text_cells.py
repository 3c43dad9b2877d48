"""The rows behind the header of a table in text, in blocks of columns; lines of another width are left out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from telemetry.model.errors import RecordingError, printable
from telemetry.recordings.foreign.column_map import ColumnMap
from telemetry.recordings.foreign.text_layout import (
    MOST_FOLDED,
    WHITE,
    are_units,
    cells_of,
    folded,
    header_names,
)
from telemetry.recordings.lines import Block

_COMMENT_LINES = re.compile(rb"^[ \t]*(?:#|//|%).*\n?", re.MULTILINE)
_BLANKS, _EDGES = re.compile(rb"[ \t]+"), re.compile(rb"^[ \t]+|[ \t]+$", re.MULTILINE)
Count = Callable[[str, int, str], None]
"""Counts what is left out: what, how many, and the first of them."""


def text_cells(blocks: Iterable[Block], file: str, column_map: ColumnMap, count: Count) -> Iterator[Any]:
    """Give pyarrow tables with a column for each name of the header.

    Values are numbers where each cell of a block is one or empty, all text where any is not; times are always text.

    Raises:
        RecordingError: the header of the map is not in it, or it cannot be read.

    """
    started = False
    for block in blocks:
        body, started = (block, True) if started else _behind_header(block, column_map)
        cells = _cells(body.data, column_map, count) if started else None
        if cells is not None:
            yield cells
    if not started:
        raise RecordingError(f"{file}: the header of the column map is not in it; make another map for it")


def _behind_header(block: Block, column_map: ColumnMap) -> tuple[Block, bool]:
    """Return what follows the header in a block, and whether it was there; a row of units goes with it."""
    at, place, found, above = 0, 0, False, tuple[str, ...]()
    lines = block.data.splitlines(keepends=True)
    while place < len(lines):
        stop = place + folded([line.count(b'"') for line in lines[place : place + MOST_FOLDED]])
        row = b"".join(lines[place:stop])
        cells = cells_of(row.decode("utf-8", "replace"), column_map.delimiter)
        if found and not are_units(cells):
            break
        at, place = at + len(row), stop
        found = found or header_names(cells, len(column_map.header), above) == column_map.header
        above = cells
    return (Block(block.data[at:], block.first_line + place, block.is_last) if found else block), found


def _cells(data: bytes, column_map: ColumnMap, count: Count) -> Any:
    """Return the rows of some lines; None where there is none."""
    import pyarrow as pa

    width, delimiter = len(column_map.header), column_map.delimiter
    if b"#" in data or b"//" in data or b"%" in data:
        data = _COMMENT_LINES.sub(b"", data)
    if delimiter == WHITE:
        data, delimiter = _BLANKS.sub(b"\t", _EDGES.sub(b"", data)), "\t"
    data = _to_width(data, delimiter, width)
    if not data.strip():
        return None
    try:
        cells, skipped = _parsed(data, delimiter, column_map, pa.float64())
    except pa.ArrowInvalid:  # it has to be looked at cell by cell
        cells, skipped = _parsed(data, delimiter, column_map, pa.string())
    for row in skipped:
        what = "too few cells" if row.actual_columns < width else "too many cells"
        count(what, 1, printable(row.text, 40))
    return cells


def _parsed(data: bytes, delimiter: str, column_map: ColumnMap, kind: Any) -> tuple[Any, list[Any]]:
    """Return the table, its values of that kind, and the lines that were skipped."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    skipped: list[Any] = []

    def skip(row: Any) -> str:
        skipped.append(row)
        return "skip"

    header = column_map.header
    names = [str(place) for place in range(len(header))]
    types = dict.fromkeys(names, kind) | {names[header.index(time)]: pa.string() for time in column_map.time}
    cells = arrow_csv.read_csv(
        pa.BufferReader(data),
        read_options=arrow_csv.ReadOptions(use_threads=False, block_size=len(data) + 1, column_names=names),
        parse_options=arrow_csv.ParseOptions(delimiter=delimiter, invalid_row_handler=skip),
        convert_options=arrow_csv.ConvertOptions(
            column_types=types,
            null_values=[""],
            strings_can_be_null=False,
            check_utf8=False,
            decimal_point=column_map.decimal,
        ),
    )
    return cells, skipped


def _to_width(data: bytes, delimiter: str, width: int) -> bytes:
    """Cut off the delimiter that some loggers end a row with, where the header has no name behind it."""
    end = delimiter.encode()
    first = data.split(b"\n", 1)[0].rstrip(b"\r")
    if first.endswith(end) and len(cells_of(first.decode("utf-8", "replace"), delimiter)) == width + 1:
        return re.sub(re.escape(end) + rb"(?=\r?$)", b"", data, flags=re.MULTILINE)
    return data
