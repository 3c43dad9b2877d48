"""Recordings in CSV, plain or gzip-compressed, read in blocks of whole lines."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any

import numpy as np

from telemetry.model.batch import Times
from telemetry.model.errors import RecordingError
from telemetry.recordings.columns import RELATIVE_LIMIT_S, Columns, columns_of
from telemetry.recordings.exact_cells import exact_microseconds, numbered_lines, read_exactly
from telemetry.recordings.file_recording import FileRecording, Rows
from telemetry.recordings.lines import Block, LineBlocks

_UNKNOWN = ["", "NaN", "nan", "NAN"]


# How files of other kinds begin, which people rename in the hope that it converts them.
_OTHER_FILES = {
    b"PK\x03\x04": "a spreadsheet or an archive",
    b"\xd0\xcf\x11\xe0": "a spreadsheet",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"%PDF": "a PDF document",
}


class CsvRecording(FileRecording):
    """A recording in ``.csv`` or ``.csv.gz``: header, then one row an instant; an empty cell is unknown."""

    def _read_columns(self) -> Columns:
        lines = LineBlocks(self.path, self.file)
        for block in lines:
            cells, _ = self._split_header(block)
            return columns_of(cells, self.file)
        cut = "; the compressed file ends before its first line does" if lines.cut else ""
        raise RecordingError(f"{self.file}: the file is empty{cut}; record or export it again")

    def _read(self) -> Iterator[Rows]:
        lines = LineBlocks(self.path, self.file)
        for place, block in enumerate(lines):
            body = self._split_header(block)[1] if place == 0 else block
            rows = self._read_fast(body)
            if rows is None:
                rows = self._read_exactly(body)
            if rows.note is None and block.is_last and not block.data.endswith((b"\n", b"\r")):
                rows.note = f"{self.file}: the last line has no line end; its last value may have been cut"
            yield rows
        if lines.cut:
            yield self._nothing(note=lines.cut)

    def _split_header(self, block: Block) -> tuple[list[str], Block]:
        """Return the header's cells, and what follows it in the file's first block."""
        data, line = block.data.removeprefix(b"\xef\xbb\xbf"), block.first_line
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise RecordingError(f"{self.file}: the text is UTF-16; save it as UTF-8")
        if kind := next((kind for start, kind in _OTHER_FILES.items() if data.startswith(start)), None):
            raise RecordingError(f"{self.file}: this is {kind}, not CSV; save the table as CSV, then name that file")
        text = data.lstrip(b"\r\n")
        line += data.count(b"\n", 0, len(data) - len(text))
        head, end, rest = text.partition(b"\n")
        if not head.strip():
            raise RecordingError(f"{self.file}: the file is empty; record or export it again")
        if b"\r" in head.rstrip(b"\r"):
            raise RecordingError(f"{self.file}: lines end in a lone carriage return; save it with ordinary line ends")
        return self._cells_of(head), Block(rest, line + len(end), block.is_last)

    def _cells_of(self, head: bytes) -> list[str]:
        try:
            text = head.decode().rstrip("\r")
            cells = next(csv.reader([text], strict=True))
        except UnicodeDecodeError as error:
            at = f"{self.file}, line 1: byte {error.start + 1} is not UTF-8"
            raise RecordingError(f"{at}; save the file as UTF-8 text") from None
        except (csv.Error, StopIteration) as error:
            raise RecordingError(f"{self.file}, line 1: the header cannot be read ({error})") from None
        for separator, called in ((";", "semicolons"), ("\t", "tabulators")):
            if len(cells) == 1 and separator in text:
                remedy = "save it with commas between columns and a decimal point in numbers"
                raise RecordingError(f"{self.file}: columns are separated by {called}; {remedy}")
        return cells

    def _read_exactly(self, block: Block) -> Rows:
        rows = read_exactly(block, self._columns, self.file)
        values = np.array(rows.values, dtype=np.float64).reshape(len(rows.t), len(self._columns.places))
        return Rows(np.array(rows.t, dtype=np.int64), values, _line_finder(block), rows.mistake, rows.cut)

    def _read_fast(self, block: Block) -> Rows | None:
        """Read the block at once; None where anything in it needs the exact reading."""
        import pyarrow as pa

        if not block.data or block.data.isspace():
            return self._nothing()
        relative = self._columns.time_basis == "relative"
        types = [pa.float64()] * len(self._columns.names)
        types[self._columns.time_place] = pa.float64() if relative else pa.timestamp("us", tz="UTC")
        try:
            table = _parsed(block.data, types)
        except pa.ArrowInvalid:
            return None
        time = table.column(self._columns.time_place)
        if time.null_count:
            return None
        if relative:
            t = self._microseconds(time.to_numpy(), block.data)
            if t is None:
                return None
        else:
            t = time.cast(pa.int64()).to_numpy()
        values = np.empty((table.num_rows, len(self._columns.places)))
        for column, place in enumerate(self._columns.places):
            values[:, column] = table.column(place).to_numpy()
        return Rows(t, values, _line_finder(block))

    def _microseconds(self, seconds: np.ndarray[Any, np.dtype[np.float64]], data: bytes) -> Times | None:
        """Return whole microseconds, rounded as the decimal digits say; None where a time is out of range."""
        if not bool(np.all((seconds >= 0) & (seconds <= RELATIVE_LIMIT_S))):
            return None
        scaled = seconds * 1e6
        t = np.rint(scaled)
        # Reading and scaling err by at most 1.5 units in the last place; nearer to a tie than that, digits decide.
        doubtful = np.flatnonzero(np.abs(np.abs(scaled - t) - 0.5) <= 1.5 * np.spacing(scaled))
        whole = t.astype(np.int64)
        if len(doubtful):
            import pyarrow as pa

            place = self._columns.time_place
            cells = _parsed(data, [pa.string()] * len(self._columns.names), [str(place)]).column(0).take(doubtful)
            whole[doubtful] = [exact_microseconds(cell.strip()) for cell in cells.to_pylist()]
        return whole


def _parsed(data: bytes, types: list[Any], only: list[str] | None = None) -> Any:
    """Return the table of ``data``, its columns named by their places."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    names = [str(place) for place in range(len(types))]
    return arrow_csv.read_csv(
        pa.BufferReader(data),
        read_options=arrow_csv.ReadOptions(use_threads=False, block_size=len(data) + 1, column_names=names),
        parse_options=arrow_csv.ParseOptions(newlines_in_values=False),
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict(zip(names, types, strict=True)),
            null_values=_UNKNOWN,
            strings_can_be_null=False,
            include_columns=only or [],
        ),
    )


def _line_finder(block: Block) -> Callable[[int], str]:
    def place_of(row: int) -> str:
        number, _ = next(islice(numbered_lines(block), row, None))
        return f"line {number}"

    return place_of
