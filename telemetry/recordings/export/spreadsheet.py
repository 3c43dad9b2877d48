"""Rows of equal intervals as a table that a spreadsheet opens: local times, names with units, alarms and marks.

``.csv`` and ``.csv.gz`` by the standard library, ``.xlsx`` by openpyxl, which is an extra. Text cells that a
spreadsheet would take for a formula get an apostrophe before them.
"""

from __future__ import annotations

import csv
import datetime
import gzip
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.model.errors import InputError
from telemetry.model.recording import TimeBasis
from telemetry.model.signals import find_signal
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.model.words import printed_unit
from telemetry.recordings.export.intervals import Intervals

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for a formula when a cell begins with it."""
# Exact by definition: the mile of 1959; the degree Fahrenheit (NIST SP 811, B.8).
_IMPERIAL = {"km/h": ("mph", 1 / 1.609344, 0.0), "degC": ("°F", 1.8, 32.0)}
_DIGITS = 6
"""Significant digits: finer than any instrument on a machine, short enough to read."""


@dataclass(frozen=True)
class Note:
    """A word for the rows from ``t`` to ``until``, both int microseconds; ``column`` is ``alarms`` or ``marks``."""

    column: str
    t: int
    until: int
    text: str


def write_spreadsheet(
    rows: Intervals,
    notes: Sequence[Note],
    path: Path,
    basis: TimeBasis,
    start: int,
    *,
    imperial: bool = False,
    replace: bool = False,
) -> None:
    """Write ``rows`` to ``path``, ``.csv``, ``.csv.gz`` or ``.xlsx``.

    Args:
        rows: the numbers.
        notes: alarms in force, and marks.
        path: where to; the file appears when it is whole.
        basis: absolute times are written in this computer's zone, relative ones as seconds from ``start``.
        start: of the recording.
        imperial: speed in mph, temperature in °F.
        replace: whether a file that is there may be replaced.

    Raises:
        InputError: the file cannot be written, or the extra for ``.xlsx`` is not installed.

    """
    head, scales = _columns(rows.names, imperial)
    said = sorted({note.column for note in notes})
    header = ["seconds" if basis == "relative" else "time", *head, *said]
    lines = _lines(rows, scales, _words(rows, notes, said), basis, start)
    with whole_or_not_at_all(path, replace) as stream:
        if path.suffix.lower() == ".xlsx":
            _workbook(header, lines).save(stream)
            return
        text = io.TextIOWrapper(io.BytesIO(), encoding="utf-8-sig", newline="")
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(header)
        writer.writerows(lines)
        text.flush()
        data = text.detach().getvalue()
        stream.write(gzip.compress(data, 6, mtime=0) if path.suffix.lower() == ".gz" else data)


def _columns(names: Sequence[str], imperial: bool) -> tuple[list[str], list[tuple[float, float]]]:
    head, scales = [], []
    for name in names:
        signal = find_signal(name)
        unit = "" if signal is None else signal.unit
        other = _IMPERIAL.get(unit) if imperial else None
        shown = printed_unit(unit) if other is None else other[0]
        head.append(f"{name} [{shown}]" if shown else name)
        scales.append((1.0, 0.0) if other is None else other[1:])
    return head, scales


def _lines(
    rows: Intervals, scales: Sequence[tuple[float, float]], words: list[list[str]], basis: TimeBasis, start: int
) -> Iterator[list[Any]]:
    scaled = rows.values * [scale for scale, _ in scales] + [offset for _, offset in scales]
    for place, (t, values) in enumerate(zip(rows.t.tolist(), scaled.tolist(), strict=True)):
        when: Any = (t - start) / 1e6
        if basis == "absolute":
            when = datetime.datetime.fromtimestamp(t / 1e6).replace(tzinfo=None)
            when = when.isoformat(" ", "milliseconds" if t % 1_000_000 else "seconds")
        numbers = ["" if np.isnan(value) else float(f"{value:.{_DIGITS}g}") for value in values]
        yield [when, *numbers, *(column[place] for column in words)]


def _words(rows: Intervals, notes: Sequence[Note], columns: Sequence[str]) -> list[list[str]]:
    """Return for each column of words the cell of each row; several are joined."""
    found = [[""] * len(rows.t) for _ in columns]
    for note in notes:
        cells = found[columns.index(note.column)]
        first = max(0, int(np.searchsorted(rows.t, note.t, side="right")) - 1)
        last = max(first + 1, int(np.searchsorted(rows.t, note.until, side="left")))
        text = f"'{note.text}" if note.text.startswith(FORMULA) else note.text
        for place in range(first, min(last, len(cells))):
            cells[place] = f"{cells[place]}; {text}" if cells[place] else text
    return found


def _workbook(header: list[str], lines: Iterator[list[Any]]) -> Any:
    try:
        from openpyxl import Workbook
    except ImportError:
        raise InputError(".xlsx needs an extra: pip install 'shakedown[spreadsheet]'; or name a .csv file") from None
    book = Workbook(write_only=True)
    sheet = book.create_sheet("recording")
    sheet.freeze_panes = "B2"
    for line in [header, *lines]:
        sheet.append([None if cell == "" else cell for cell in line])
    return book
