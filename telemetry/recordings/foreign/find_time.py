"""Which columns of a table are its time, and how it is written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from telemetry.recordings.foreign.proposal import Proposal, Question
from telemetry.recordings.foreign.text_layout import TextLayout
from telemetry.recordings.foreign.time_columns import DATES, TimeKind, matches

_MOSTLY = 0.9  # of the rows in which a column must not go back to be one of time; ours
_FEW = 50
_UNIX: dict[TimeKind, tuple[float, float]] = {"unix s": (1e9, 4e9), "unix ms": (1e12, 4e12), "unix us": (1e15, 4e15)}
"""The years 2001 to 2096."""
_SPREADSHEET_DAYS = (36_526.0, 73_051.0)
"""The years 2000 to 2100."""
_TIME_WORDS = re.compile(
    r"\b(?:time|timestamp|date|datum|zeit|uhrzeit|elapsed|uptime|clock|seconds|secs|millis|ms|t|sec|s)\b"
)
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
    for place in places:
        if (counted := _counted_time(layout, place, found)) is not None:
            return _set_time(found, (layout.header[place],), counted, ())
    text = "how many seconds lie between two rows? No column is a time"
    found.questions.append(Question("interval", text, (), "1 s between rows"))
    return None


def _set_time(found: Proposal, names: tuple[str, ...], kind: TimeKind, cells: Sequence[str]) -> None:
    found.column_map = replace(found.column_map, time=names, time_is=kind, interval_s=None)
    states_zone = any(re.search(r"(?:[Zz]|UTC|GMT|[+-]\d{2}:?\d{2})$", cell.strip()) for cell in cells[:20])
    if kind in DATES and not states_zone:
        text = "in which time zone are its times? local is this computer's; +02:00 or a zone's name will do"
        found.questions.append(Question("zone", text, ("local", "UTC"), "times in this computer's zone"))


def _written_time(cells: Sequence[str], found: Proposal) -> TimeKind | None:
    """Return how dates are written; where day and month could be either, that is asked."""
    fitting = [kind for kind in DATES if _is_written(kind, cells)]
    if fitting == ["day first", "month first"]:
        if any("." in cell.split()[0] for cell in cells[:5] if cell):
            return "day first"
        text = "which comes first in its dates, day or month?"
        found.questions.append(Question("date", text, ("day first", "month first"), "dates with the day first"))
    return fitting[0] if fitting else None


def _is_written(kind: TimeKind, cells: Sequence[str]) -> bool:
    """Tell whether cells are times of this kind; a few of them show at once that most columns are none."""
    return matches(kind, cells[:: 1 + len(cells) // _FEW]) and matches(kind, cells)


def _counted_time(layout: TextLayout, place: int, found: Proposal) -> TimeKind | None:
    """Return what a column of numbers that only grows counts; None where it is no time."""
    name = _words(layout.header[place])
    numbers = layout.numbers(place)
    numbers = numbers[np.isfinite(numbers)]
    if len(numbers) < min(2, len(layout.rows)) or not _TIME_WORDS.search(name):
        return None
    steps = np.diff(numbers)
    if len(steps) and np.mean(steps >= 0) < _MOSTLY:
        return None
    middle = float(np.median(numbers))
    for kind, (low, high) in _UNIX.items():
        if low <= middle < high:
            return kind
    if _SPREADSHEET_DAYS[0] <= middle < _SPREADSHEET_DAYS[1] and bool((numbers % 1).any()):
        return "days since 1900"
    said = f"{name} {layout.units[place] if layout.units else ''} {layout.header[place]}".lower()
    for kind, words in _UNIT_WORDS:
        if re.search(words, said):
            return kind
    step = float(np.median(steps)) if len(steps) else 1.0
    is_ms = step >= _LEAST_MS_STEP and not (numbers % 1).any()
    found.doubts[layout.header[place]] = f"no unit is stated; read as {'milliseconds' if is_ms else 'seconds'}"
    return "elapsed ms" if is_ms else "elapsed s"


def _words(name: str) -> str:
    return " ".join(re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_]+", name)).lower()
