"""Which columns of a table are its time, and how it is written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.questions import Question
from telemetry.recordings.foreign.proposal import Proposal, Unknown
from telemetry.recordings.foreign.text_layout import TextLayout
from telemetry.recordings.foreign.time_columns import DATES, ZONE, LocalTime, TimeKind, matches, micros_of_text

_MOSTLY = 0.9  # of the rows in which a column must not go back to be one of time; ours
_FEW = 50
_UNIX: dict[TimeKind, tuple[float, float]] = {
    "unix s": (1e9, 4e9),
    "unix ms": (1e12, 4e12),
    "unix us": (1e15, 4e15),
    "unix ns": (1e18, 4e18),
}
"""The years 2001 to 2096."""
_SPREADSHEET_DAYS = (36_526.0, 73_051.0)
"""The years 2000 to 2100."""
_TIME_WORDS = re.compile(
    r"\b(?:time|timestamp|date|datum|zeit|uhrzeit|elapsed|uptime|clock|ts|seconds|secs|millis|ms|us|t|sec|s|minutes|hours|temps|tiempo|tijd)\b"
)
_STATES_ZONE = re.compile(rf"[:T]\d[\d:.,]*\s*(?:[AaPp]\.?[Mm]\.?)?\s*(?:{ZONE})\s*$")
_NAMES_ZONE = re.compile(r"(?:\b|_)((?:UTC|GMT)(?:[+-]\d{1,2}(?::?\d{2})?)?)(?:\b|_)", re.IGNORECASE)
_UNIT_WORDS: tuple[tuple[TimeKind, str], ...] = (
    ("elapsed us", r"\b(?:us|micros|microseconds)\b"),
    ("elapsed ms", r"\b(?:ms|millis|milliseconds|msec)\b"),
    ("elapsed min", r"\b(?:min|mins|minutes)\b"),
    ("elapsed h", r"\b(?:h|hrs|hours)\b"),
    ("elapsed s", r"\b(?:s|sec|secs|seconds)\b"),
)
_LEAST_MS_STEP = 5.0
"""A whole number that grows by at least so much a row counts milliseconds: no logger writes a row in 5 s or more
with times in whole seconds only and no word for them (common practice)."""


def find_time(layout: TextLayout, found: Proposal) -> None:
    """Settle which column is the time, and how it is written."""
    places = sorted(range(len(layout.header)), key=lambda place: not _TIME_WORDS.search(_words(layout.header[place])))
    for place in places:
        if (kind := _written_time(layout.column(place), found)) is not None:
            return _set_time(found, (layout.header[place],), kind, layout.column(place))
    clocks = [place for place in places if _is_written("clock", layout.column(place))]
    for clock in clocks[:1]:
        for date in places:
            days = [f"{cell} 00:00:00" for cell in layout.column(date)]
            if date != clock and (kind := _written_time(days, found)) is not None:
                cells = [f"{a} {b}" for a, b in zip(layout.column(date), layout.column(clock), strict=True)]
                return _set_time(found, (layout.header[date], layout.header[clock]), kind, cells)
        return _set_time(found, (layout.header[clock],), "clock", layout.column(clock))
    numbers = {place: layout.numbers(place) for place in places}
    growing = [place for place in places if _grows(numbers[place], len(layout.rows))]
    named = [place for place in growing if _TIME_WORDS.search(_words(layout.header[place]))]
    falling = [place for place in places if _grows(-numbers[place], len(layout.rows))]  # who reads it refuses it
    named += [place for place in falling if _TIME_WORDS.search(_words(layout.header[place]))]
    for place in named:
        if (kind := _dated_count(numbers[place])) is not None:
            return _set_time(found, (layout.header[place],), kind, ())
    for place in named[:1]:
        return _set_time(found, (layout.header[place],), _elapsed(layout, place, numbers[place], found), ())
    for place in growing:
        kind = _dated_count(numbers[place])
        if kind in _UNIX and np.nanmax(numbers[place]) > np.nanmin(numbers[place]):
            return _set_time(found, (layout.header[place],), kind, ())
    question = Question("interval_s", "No column is a time: how many seconds lie between two rows?", "1")
    found.unknown.append(Unknown(question, "1 s between rows"))
    return None


def _set_time(found: Proposal, names: tuple[str, ...], kind: TimeKind, cells: Sequence[str]) -> None:
    found.column_map = replace(found.column_map, time=names, time_is=kind, interval_s=None)
    if kind not in DATES or any(_STATES_ZONE.search(cell) for cell in cells[:20]):
        return
    if named := _NAMES_ZONE.search(" ".join(names)):
        found.column_map = replace(found.column_map, zone=named[1].upper())
        return
    text = "In which time zone are its times (local for this computer's, UTC, +02:00, or a zone's name)?"
    found.unknown.append(Unknown(Question("zone", text, "local"), "times in this computer's zone"))


def _written_time(cells: Sequence[str], found: Proposal) -> TimeKind | None:
    """Return how dates are written; where day and month could be either, that is asked."""
    fitting = [kind for kind in DATES if _is_written(kind, cells)]
    if fitting == ["day first", "month first"]:
        if any("." in cell.split()[0] for cell in cells[:5] if cell):
            return "day first"
        first, second = (_length(kind, cells) for kind in fitting)
        if first != second:  # a drive past midnight goes on with the next day, not with the next month
            return fitting[int(second < first)]
        question = Question("time_is", "Which comes first in its dates?", "day first", ("day first", "month first"))
        found.unknown.append(Unknown(question, "dates with the day first"))
    return fitting[0] if fitting else None


def _length(kind: TimeKind, cells: Sequence[str]) -> int:
    import pyarrow as pa

    t, known = micros_of_text(kind, pa.array(cells, pa.string()), LocalTime("UTC"))
    return int(np.ptp(t[known]))


def _is_written(kind: TimeKind, cells: Sequence[str]) -> bool:
    """Tell whether cells are times of this kind; a few of them show at once that most columns are none."""
    return matches(kind, cells[:: 1 + len(cells) // _FEW]) and matches(kind, cells)


def _grows(numbers: Values, rows: int) -> bool:
    numbers = numbers[np.isfinite(numbers)]
    steps = np.diff(numbers)
    return len(numbers) >= min(2, rows) and (not len(steps) or bool(np.mean(steps >= 0) >= _MOSTLY))


def _dated_count(numbers: Values) -> TimeKind | None:
    """Return what a column that grows counts, where its size alone shows it."""
    middle = float(np.nanmedian(numbers))
    for kind, (low, high) in _UNIX.items():
        if low <= middle < high:
            return kind
    is_day = _SPREADSHEET_DAYS[0] <= middle < _SPREADSHEET_DAYS[1] and bool((numbers % 1 > 0).any())
    return "days since 1900" if is_day else None


def _elapsed(layout: TextLayout, place: int, numbers: Values, found: Proposal) -> TimeKind:
    """Return the unit of a count from the start: as it is named, else by its steps."""
    units = layout.units[place] if layout.units else ""
    said = f"{_words(layout.header[place])} {units} {layout.header[place]}".lower()
    for kind, words in _UNIT_WORDS:
        if re.search(words, said):
            return kind
    numbers = numbers[np.isfinite(numbers)]
    step = float(np.median(np.diff(numbers))) if len(numbers) > 1 else 1.0
    is_ms = step >= _LEAST_MS_STEP and not (numbers % 1).any()
    found.doubts[layout.header[place]] = f"no unit is stated; read as {'milliseconds' if is_ms else 'seconds'}"
    return "elapsed ms" if is_ms else "elapsed s"


def _words(name: str) -> str:
    return " ".join(re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_]+", name)).lower()
