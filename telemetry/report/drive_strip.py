"""The drive on one time axis for the terminal, in half blocks: each column from its lowest to its highest value.

No column is a mean, so a dip of one reading shows; where nothing was recorded, nothing is joined.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

import numpy as np

from telemetry.model.batch import Flags, Values
from telemetry.model.time_text import clock
from telemetry.model.words import nice_step
from telemetry.report.chart_data import Chart, Moment, Piece, time_ticks, value_text
from telemetry.report.drive_lanes import LEAST_GAP_MIN, MOST_NAMES, Lane, lanes_of
from telemetry.report.part_row import PartRow

COLUMNS = 72
"""Of the time axis; with the scale before it, a line is 80 wide."""
_LEFT = 8
_WIDTH = _LEFT + COLUMNS
_ROWS = {"power": 5, "voltage": 3, "cells": 3}
_SHADES = {"rest": "·", "drive": "░", "work": "▓", "charge": "▒"}
_NAMES = {"rest": "at rest", "drive": "driving", "work": "work", "charge": "charging"}


def drive_lines(charts: Sequence[Chart], rows: Sequence[PartRow]) -> list[str]:
    """Return the drive as lines of at most 80 characters; none where there is nothing to draw.

    Args:
        charts: of the session, as :func:`~telemetry.report.chart_data.charts_of` gives them.
        rows: parts with their limits.
    """
    found = lanes_of(charts, rows)
    if not found:
        return []
    chart = found[0][0]
    lines = _moments(chart)
    for _, lane in found:
        lines += _lane(lane, chart.x)
    return [*lines, *_phases(chart), _axis(chart)]


def _column(minute: float, x: tuple[float, float]) -> int:
    return min(max(int((minute - x[0]) / (x[1] - x[0]) * COLUMNS), 0), COLUMNS - 1)


def _lane(lane: Lane, x: tuple[float, float]) -> list[str]:
    """Return heading and rows; what is drawn in the blocks' halves is a bar from lowest to highest value."""
    height = _ROWS[lane.name]
    halves, way = 2 * height, lane.high - lane.low
    step = nice_step(way / halves)

    def place(value: float, parts: int) -> int:
        return min(int((value - lane.low) / way * parts), parts - 1)

    drawn = np.zeros((halves, COLUMNS), dtype=bool)
    for piece in lane.curve.pieces:
        low, high = (edge / lane.divisor for edge in _edges(piece, x))
        for column in np.flatnonzero(~np.isnan(low)).tolist():
            drawn[place(float(low[column]), halves) : place(float(high[column]), halves) + 1, column] = True
    missing = _missing(lane, x) & ~drawn.any(axis=0)
    limit = None if lane.limit is None else place(lane.limit, height)
    lowest = 0.0 if abs(lane.low) < step / 2 else lane.low
    said = {height - 1: value_text(lane.high, step), 0: value_text(lowest, step)}
    if limit is not None and lane.limit is not None:
        said[limit] = value_text(lane.limit, step)
    lines = []
    for row in range(height - 1, -1, -1):
        blank = "─" if row == limit else " "
        cells = [
            "█" if upper and lower else "▀" if upper else "▄" if lower else "░" if gone else blank
            for upper, lower, gone in zip(drawn[2 * row + 1], drawn[2 * row], missing, strict=True)
        ]
        lines.append(f"{said.get(row, ''):>{_LEFT - 1}} {''.join(cells)}".rstrip())
    limited = "" if lane.limit is None else f"; ─ limit {lane.limit:g}"
    return [f"{lane.title}, {lane.unit}{limited}", *lines]


def _edges(piece: Piece, x: tuple[float, float]) -> tuple[Values, Values]:
    """Return lowest and highest value of each column, NaN outside the piece; each reaches the column before it."""
    columns = [_column(minute, x) for minute in piece.x.tolist()]
    low, high = np.full(COLUMNS, np.nan), np.full(COLUMNS, np.nan)
    np.fmin.at(low, columns, piece.low)
    np.fmax.at(high, columns, piece.high)
    known = np.flatnonzero(~np.isnan(low))
    within = np.arange(known[0], known[-1] + 1)
    low[within], high[within] = (np.interp(within, known, edge[known]) for edge in (low, high))
    before = within[:-1]
    low[before + 1], high[before + 1] = (
        np.minimum(low[before + 1], high[before]),
        np.maximum(high[before + 1], low[before]),
    )
    return low, high


def _missing(lane: Lane, x: tuple[float, float]) -> Flags:
    """Return which columns hold no reading between two of them that are too far apart to be joined."""
    missing = np.zeros(COLUMNS, dtype=bool)
    for before, after in zip(lane.curve.pieces, lane.curve.pieces[1:], strict=False):
        start, end = float(before.x[-1]), float(after.x[0])
        if end - start >= LEAST_GAP_MIN:
            missing[_column(start, x) : _column(end, x) + 1] = True
    return missing


def _moments(chart: Chart) -> list[str]:
    """Return the words of the first alarms and marks, then all of them at their places."""
    if not chart.moments:
        return []
    words = [f"{_sign(moment)} {clock(60 * moment.at)} {moment.text}" for moment in chart.moments[:MOST_NAMES]]
    more = len(chart.moments) - MOST_NAMES
    if more > 0:
        words.append(f"and {more} more, below")
    lines = [""]
    for word in words:
        joined = f"{lines[-1]}   {word}" if lines[-1] else word
        lines[-1:] = [joined] if len(joined) <= _WIDTH else [lines[-1], word]
    row = [" "] * COLUMNS
    for moment in sorted(chart.moments, key=lambda each: each.sign, reverse=True):  # an alarm over a mark
        row[_column(moment.at, chart.x)] = _sign(moment)
    wrapped = [part for line in lines if line for part in textwrap.wrap(line, _WIDTH, subsequent_indent="  ")]
    return [*wrapped, f"{'':{_LEFT}}{''.join(row)}".rstrip()]


def _sign(moment: Moment) -> str:
    return "■" if moment.sign == "A" else "◆"


def _phases(chart: Chart) -> list[str]:
    """Return what the machine did along the time, as shades with their names; none where it is not known."""
    if not chart.spans:
        return []
    row = [" "] * COLUMNS
    for start, end, kind in chart.spans:
        first, last = _column(start, chart.x), _column(math.nextafter(end, -math.inf), chart.x)
        row[first : last + 1] = _SHADES[kind] * (last + 1 - first)
    shown = [f"{shade} {_NAMES[kind]}" for kind, shade in _SHADES.items() if shade in row]
    return [f"{'':{_LEFT}}{'   '.join(shown)}", f"{'':{_LEFT}}{''.join(row)}".rstrip()]


def _axis(chart: Chart) -> str:
    row = [" "] * (COLUMNS + 1)
    for minute, said in time_ticks(*chart.x, 6):
        place = _column(minute, chart.x)
        if place + len(said) <= COLUMNS:
            row[place : place + len(said)] = said
    return f"{'':{_LEFT}}{''.join(row)}".rstrip()
