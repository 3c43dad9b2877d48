"""The exact reading of a block of CSV lines: slow, and the reference for the fast one.

It is used where the fast reading stumbles: to find the line and column of a mistake, to tell a file that was cut in
the middle of a row from a wrong one, and for the few forms of numbers and times that the fast one does not take.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import MAX_EMAX, MIN_EMIN, ROUND_HALF_EVEN, Context

from telemetry.model.errors import RecordingError, printable
from telemetry.recordings.columns import RELATIVE_LIMIT_S, Columns
from telemetry.recordings.lines import Block

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?|[+-]?inf(?:inity)?", re.ASCII | re.IGNORECASE)
_NOT_A_NUMBER = re.compile(r"[+-]?nan(?:\(\w*\))?", re.ASCII | re.IGNORECASE)
_FRACTION = re.compile(r"(?<=\d)[.,](\d+)(?=[Zz+-]|$)", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
# However many digits a cell has, rounding happens once.
_EXACT = Context(prec=200_000, rounding=ROUND_HALF_EVEN, Emin=MIN_EMIN, Emax=MAX_EMAX)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@dataclass
class ExactRows:
    """What a block holds.

    Attributes:
        t: microseconds of each row.
        values: the values of each row, in the order of ``Columns.signals``.
        mistake: what ended the reading, if anything did; the rows before it are kept.
        cut: what to tell the user where the file's last line was cut; None where it was not.

    """

    t: list[int] = field(default_factory=list)
    values: list[list[float]] = field(default_factory=list)
    mistake: RecordingError | None = None
    cut: str | None = None


class _Mistake(Exception):
    """What is wrong within one line: the column where known, what, and the remedy; ``may_be_cut`` at a line's end."""

    def __init__(self, column: str | None, what: str, may_be_cut: bool = False) -> None:
        super().__init__(what)
        self.column = column
        self.what = what
        self.may_be_cut = may_be_cut


def numbered_lines(block: Block) -> Iterator[tuple[int, bytes]]:
    """Give each line of the block that is not blank, with its number in the file."""
    for number, line in enumerate(block.data.splitlines(), block.first_line):
        if line.strip():
            yield number, line


def read_exactly(block: Block, columns: Columns, file: str) -> ExactRows:
    """Read ``block`` cell by cell up to its end or its first mistake."""
    rows = ExactRows()
    lines = list(numbered_lines(block))
    has_end = block.data.endswith((b"\n", b"\r"))
    for place, (number, line) in enumerate(lines):
        try:
            t, values = _row(line, columns)
        except _Mistake as mistake:
            is_last_line = block.is_last and place == len(lines) - 1
            if is_last_line and mistake.may_be_cut and (mistake.column is None or not has_end):
                rows.cut = f"{file}, line {number}: the file was cut in the middle of this row; it is left out"
            else:
                at = f"{file}, line {number}" + (f", column {printable(mistake.column)}" if mistake.column else "")
                rows.mistake = RecordingError(f"{at}: {mistake.what}")
            break
        rows.t.append(t)
        rows.values.append(values)
    return rows


def _row(line: bytes, columns: Columns) -> tuple[int, list[float]]:
    try:
        text = line.decode()
    except UnicodeDecodeError as error:
        raise _Mistake(None, f"byte {error.start + 1} is not UTF-8; save the file as UTF-8 text") from None
    try:
        cells = next(csv.reader([text], strict=True))
    except (csv.Error, StopIteration) as error:
        what = f"its quotes do not match ({error}); quote a cell as a whole or not at all"
        raise _Mistake(None, what, may_be_cut=True) from None
    if len(cells) != len(columns.names):
        raise _Mistake(None, _wrong_count(cells, columns), len(cells) < len(columns.names))
    name = columns.names[columns.time_place]
    cell = cells[columns.time_place].strip()
    t = _seconds(cell, name) if columns.time_basis == "relative" else _instant(cell, name)
    last = columns.names[-1]
    return t, [_number(cells[place].strip(), columns.names[place], last) for place in columns.places]


def _wrong_count(cells: list[str], columns: Columns) -> str:
    what = f"{len(cells)} cells, but the header has {len(columns.names)}"
    if len(cells) > len(columns.names):
        return f"{what}; write numbers with a decimal point, and remove what is beyond the last column"
    if ";" in cells[0]:
        return f"{what}; separate cells by commas, not by semicolons"
    return f"{what}; leave a cell empty where a value is unknown, but keep its comma"


def _number(cell: str, column: str, last: str) -> float:
    if not cell or _NOT_A_NUMBER.fullmatch(cell):
        return float("nan")
    if _NUMBER.fullmatch(cell):
        return float(cell)
    if _DECIMAL_COMMA.fullmatch(cell):
        raise _Mistake(column, f"'{printable(cell)}' has a decimal comma; write numbers with a decimal point")
    if cell.lower() in ("true", "false", "on", "off", "yes", "no"):
        raise _Mistake(column, f"'{printable(cell)}' is not a number; write 1 or 0")
    what = f"'{printable(cell)}' is not a number; leave the cell empty where the value is unknown"
    raise _Mistake(column, what, may_be_cut=column == last)


def _seconds(cell: str, column: str) -> int:
    if not cell:
        raise _Mistake(column, "the time is missing; each row needs one")
    if not _NUMBER.fullmatch(cell) or "inf" in cell.lower():
        remedy = "; write it with a decimal point" if _DECIMAL_COMMA.fullmatch(cell) else ""
        remedy = remedy or "; for dates, name the column time and write ISO 8601 with zone"
        raise _Mistake(column, f"'{printable(cell)}' is not a number of seconds{remedy}")
    if problem := seconds_problem(float(cell), printable(cell)):
        raise _Mistake(column, problem)
    return exact_microseconds(cell)


def seconds_problem(t: float, shown: str) -> str | None:
    """Return what is wrong with ``t`` as seconds from the start, with the remedy; None where nothing is."""
    if t < 0:
        return f"{shown} is before the start; let t count seconds from the start, never below 0"
    if not t <= RELATIVE_LIMIT_S:
        return (
            f"{shown} s would be more than ten years; subtract the first value from all, or name the column time and"
            " write ISO 8601 with zone"
        )
    return None


def exact_microseconds(cell: str) -> int:
    """Return decimal seconds as whole microseconds, exactly rounded, ties to even."""
    return int(_EXACT.to_integral_value(_EXACT.scaleb(_EXACT.create_decimal(cell), 6)))


def _instant(cell: str, column: str) -> int:
    if not cell:
        raise _Mistake(column, "the time is missing; each row needs one")
    shown = printable(cell)
    fraction = _FRACTION.search(cell)
    whole = cell if fraction is None else cell[: fraction.start()] + cell[fraction.end() :]
    try:
        instant = datetime.fromisoformat(whole.upper())
    except ValueError:
        remedy = "write it like 2026-05-01T09:30:00Z, or name the column t for seconds from the start"
        raise _Mistake(column, f"'{shown}' is not an ISO 8601 time; {remedy}") from None
    if instant.tzinfo is None:
        raise _Mistake(column, f"'{shown}' has no zone; append Z for UTC, or an offset such as +02:00")
    part = 0 if fraction is None else exact_microseconds(f"0.{fraction[1]}")
    try:
        return (instant - _EPOCH) // _MICROSECOND + part
    except OverflowError:
        raise _Mistake(column, f"'{shown}' is beyond the calendar; check the date") from None
