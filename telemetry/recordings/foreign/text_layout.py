"""How a table in text is laid out: encoding, delimiter, decimal mark, where its header and its rows begin.

Found from the first lines. A row of readings is told from a header by its cells: at least half of those that hold
anything are numbers or times.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from telemetry.model.batch import Values
from telemetry.model.errors import RecordingError
from telemetry.model.units import unit_named
from telemetry.recordings.foreign.column_units import conversion_of
from telemetry.recordings.foreign.number_cells import NOTHING, numbers_of

SAMPLE_BYTES = 1 << 18
"""Enough for a long preamble and some hundred rows of a wide table."""
WHITE = " "
"""As a delimiter: any number of blanks and tabs."""
DELIMITERS = ("\t", ";", "|", ",", WHITE)
"""In the order of trust: a comma also marks decimals, a blank also parts date and time."""
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_PACKED = {
    b"PK\3\4": "a ZIP archive or a workbook; unpack it and read the table inside, or name it .xlsx",
    b"\x1f\x8b": "compressed; give its name the ending .gz",
}
_NUMBER = re.compile(r"[+−-]?(?:\d[\d .']*(?:[.,]\d*)?|[.,]\d+)(?:e[+-]?\d+)?\s*[^\d\s]{0,5}", re.IGNORECASE)
_TIME = re.compile(
    r"[\dT:./, Z+-]*\d{1,4}[:/.-]\d{1,2}(?:[:/.-]\d{1,4})?[\dT:./, Z+-]*(?:[ap]\.?m\.?)?", re.IGNORECASE
)
_COMMA_DECIMAL, _POINT_DECIMAL = re.compile(r"[+−-]?\d+,\d+"), re.compile(r"[+−-]?\d+\.\d+")
_COMMENT = re.compile(r"\s*(?:#|//|%)\s?")
_SAME_SHARE = 0.8
"""Share of lines that must have the same number of cells for a delimiter to be believed."""
_MOST_BEFORE_HEADER = 60
MOST_FOLDED = 5
"""Lines that a row may go over: names have as many words."""


@dataclass(frozen=True)
class TextLayout:
    """How the text is laid out.

    Attributes:
        encoding: a codec's name.
        delimiter: one of ``DELIMITERS``.
        decimal: ``.`` or ``,``.
        header: names of the columns; of one that has none ``column 3``.
        units: what a row of units under the header says of each column; empty without such a row.
        rows: the first rows, cells without blanks around them, as long as the header.

    """

    encoding: str
    delimiter: str
    decimal: str
    header: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def column(self, place: int) -> list[str]:
        """Return the cells of one column in the first rows."""
        return [row[place] for row in self.rows]

    def numbers(self, place: int) -> Values:
        """Return the numbers of one column in the first rows; NaN where there is none."""
        import pyarrow as pa

        return numbers_of(pa.array(self.column(place), pa.string()), self.decimal)[0]


def encoding_of(data: bytes) -> str:
    """Return the encoding of a text's first bytes: by its mark, by its zeros, else UTF-8 or Windows-1252."""
    for mark, name in _BOMS:
        if data.startswith(mark):
            return name
    zeros = data[:4096].count(0)
    if zeros > len(data[:4096]) // 4:
        return "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def layout_of(data: bytes, file: str) -> TextLayout:
    """Return how the text that begins with ``data`` is laid out.

    Raises:
        RecordingError: it is no table of readings, or its columns have no names.

    """
    encoding = encoding_of(data)
    text = data.decode(encoding, "replace").lstrip("\ufeff")
    lines = text.splitlines()
    if len(data) >= SAMPLE_BYTES and len(lines) > 1:
        lines.pop()  # cut where the sample ends
    if not text.strip():
        raise RecordingError(f"{file}: the file is empty; record or export it again")
    for start, what in _PACKED.items():
        if data.startswith(start):
            raise RecordingError(f"{file}: it is {what}")
    told = re.fullmatch(r"sep=(.)", lines[0].strip()) if lines else None
    delimiter = told[1] if told else _delimiter(lines)
    if delimiter is None:
        raise RecordingError(
            f"{file}: no table was found in it: its lines do not part into the same number of cells; a table has a"
            " line of names, then one line a reading, the cells parted by comma, semicolon, tab or blanks"
        )
    cells, place = list[tuple[str, ...]](), 0
    while place < len(lines):
        stop = place + folded([line.count('"') for line in lines[place : place + MOST_FOLDED]])
        cells.append(cells_of("\n".join(lines[place:stop]), delimiter))
        place = stop
    first = _first_row(cells)
    if first is None:
        raise RecordingError(f"{file}: no row of readings was found in its first {len(lines)} lines; check the file")
    width = Counter(len(row) for row in cells[first:] if row).most_common(1)[0][0]
    header, units = _header(cells, first, width)
    if header is None:
        raise RecordingError(
            f"{file}: its columns have no names; write a first line with the name of each column, such as"
            " time;pack_voltage;pack_current"
        )
    rows = [row for row in cells[first:] if len(row) >= width]
    while width > 1 and not "".join(cells[header][width - 1 :]) and not any(row[width - 1] for row in rows):
        width -= 1  # some loggers end each line with a delimiter
    said = _padded(cells[units], width) if units is not None else ()
    names = header_names(cells[header], width, cells[header - 1] if header else ())
    return TextLayout(encoding, delimiter, _decimal(rows), names, said, tuple(row[:width] for row in rows))


def header_names(cells: Sequence[str], width: int, above: Sequence[str] = ()) -> tuple[str, ...]:
    """Return ``width`` names: ``column 3`` for one that is empty, ``Temp 2`` for the second ``Temp``.

    Where the line above has groups of columns (``Pack,,Motor``), each name has its group ahead: ``Pack Temp``.
    """
    seen: Counter[str] = Counter()
    found: list[str] = []
    groups = _groups(above) if len(above) == width else [""] * width
    for place, (group, cell) in enumerate(zip(groups, _padded(cells, width), strict=True), 1):
        name = " ".join(f"{group} {cell}".split()) or f"column {place}"
        seen[name] += 1
        found.append(name if seen[name] == 1 else f"{name} {seen[name]}")
    return tuple(found)


def _groups(above: Sequence[str]) -> list[str]:
    """Return the group of each column, the last one named for what has none; nothing where these are no groups."""
    groups: list[str] = []
    for cell in above:
        groups.append(cell or (groups[-1] if groups else ""))
    is_pair = not any(above[2:])  # "Operator,Anna,,": a note before the table
    plain = not re.search(r"[\d:=]", "".join(above)) and not are_units(above)
    return groups if plain and not is_pair and len(set(groups)) < len(groups) else [""] * len(groups)


def folded(quotes: Sequence[int]) -> int:
    """Return how many lines are one, by the quotes in each: a quoted name may go over several lines."""
    counts = list(accumulate(quotes))
    return next((number for number, count in enumerate(counts, 1) if count % 2 == 0), 1)


def cells_of(line: str, delimiter: str) -> tuple[str, ...]:
    """Return the cells of a line without blanks around them; a comment's sign at its start is left out."""
    plain = _COMMENT.sub("", line, count=1) if _COMMENT.match(line) else line
    if not plain.strip():
        return ()
    if delimiter == WHITE:
        return tuple(plain.split())
    try:
        return tuple(cell.strip() for cell in next(csv.reader([plain], delimiter=delimiter)))
    except (csv.Error, StopIteration):
        return ()


def is_reading(cell: str) -> bool:
    """Tell whether a cell holds a number, with a unit behind it or not, or a time."""
    return bool(_NUMBER.fullmatch(cell) or _TIME.fullmatch(cell))


def _is_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.lower() not in NOTHING]
    return len(filled) > 0 and 2 * sum(map(is_reading, filled)) >= len(filled)


def _delimiter(lines: Sequence[str]) -> str | None:
    """Return what parts the cells: the first that gives most lines of the sample's later half the same number."""
    later = [line for line in lines[len(lines) // 2 :] if line.strip()] or [line for line in lines if line.strip()]
    for delimiter in DELIMITERS:
        counts = Counter(len(cells_of(line, delimiter)) for line in later)
        count, often = counts.most_common(1)[0]
        if count > 1 and often >= _SAME_SHARE * len(later):
            return delimiter
    return None


def _first_row(cells: Sequence[Sequence[str]]) -> int | None:
    for place, row in enumerate(cells[:_MOST_BEFORE_HEADER]):
        following = [each for each in cells[place + 1 :] if each][:2]
        if len(row) > 1 and _is_row(row) and all(_is_row(each) and len(each) > 1 for each in following):
            return place
    return None


def _header(cells: Sequence[Sequence[str]], first: int, width: int) -> tuple[int | None, int | None]:
    """Return the line of the names and that of the units; None for what is not there."""
    before = [place for place in range(first - 1, -1, -1) if cells[place]]
    fitting = [place for place in before if width - 1 <= len(cells[place]) <= width + 1]
    if not fitting:
        return None, None
    named = len(fitting) > 1 and before[1] == fitting[1] and 2 * sum(map(bool, cells[fitting[1]])) > width
    if named and are_units(cells[fitting[0]]):
        return fitting[1], fitting[0]
    return fitting[0], None


def are_units(cells: Sequence[str]) -> bool:
    """Tell whether most of the cells that hold anything are units."""
    filled = [cell.strip("[]()") for cell in cells if cell]
    known = [cell for cell in filled if conversion_of(cell) or unit_named(cell) or cell.lower() in _OTHER_UNITS]
    return bool(filled) and 2 * len(known) > len(filled)


_OTHER_UNITS = frozenset(("-", "hh:mm:ss", "h:m:s", "date", "time", "#", "n/a", "none", "0/1"))
"""What stands in a row of units and is none."""


def _padded(row: Sequence[str], width: int) -> tuple[str, ...]:
    return tuple(row[:width]) + ("",) * (width - len(row))


def _decimal(rows: Sequence[Sequence[str]]) -> str:
    flat = [cell for row in rows for cell in row]
    commas = sum(1 for cell in flat if _COMMA_DECIMAL.fullmatch(cell))
    return "," if commas > sum(1 for cell in flat if _POINT_DECIMAL.fullmatch(cell)) else "."
