"""A trace: each column a bar from its lowest to its highest value, to an eighth of a row, gaps left blank."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.model.batch import Flags, Values
from telemetry.screen.chart import chart_rows
from telemetry.screen.gauge import Runs
from telemetry.screen.theme import Palette

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LEAST = {False: 3, True: 4}
"""Eighths of a row that a bar is high at least; with plain blocks everything is in fours."""


@dataclass(frozen=True)
class TraceScale:
    """Values at the lower and upper edge, where the area begins, and on which edge the limit is.

    Attributes:
        bottom, top: in the trace's unit, ``top`` the greater.
        base: the area between this value and the trace is shaded; None for no area.
        limit: ``low`` or ``high`` for a thin line at that edge, empty for none.

    """

    bottom: float
    top: float
    base: float | None = None
    limit: str = ""


def trace_rows(palette: Palette, low: Values, high: Values, rows: int, scale: TraceScale) -> list[Runs]:
    """Return ``rows`` rows of runs, the first at the top; a bar reaches to the column before it.

    Args:
        palette: gives the colours; without any, and with plain blocks, the bars are of half blocks.
        low: lowest of each column, float64 (columns,), NaN where nothing is known.
        high: highest, likewise.
        rows: rows of cells.
        scale: what is at the edges; what lies outside is drawn at the edge.

    """
    if not palette.colours:
        drawn = chart_rows(low, high, rows, scale.bottom, scale.top)
        return [((text, palette.figure),) for text in drawn]
    columns = bars(low, high, rows, scale, palette.plain_blocks)
    base = None if scale.base is None else height_of(scale.base, rows, scale, palette.plain_blocks)
    return [_row(palette, columns, row, rows, base, scale.limit) for row in range(rows - 1, -1, -1)]


def bars(
    low: Values, high: Values, rows: int, scale: TraceScale, plain: bool, joined: Flags | None = None
) -> list[tuple[bool, int, int]]:
    """Return for each column whether it is known, and where its bar begins and ends, in eighths of a row from below.

    Args:
        low, high: as of :func:`trace_rows`.
        rows: rows of cells.
        scale: what is at the edges.
        plain: whether everything is in half rows.
        joined: whether a bar reaches to the column before it, bool (columns,); to every known one where None.

    """
    known = ~np.isnan(low)
    first, last = _eighths(low, rows, scale, plain), _eighths(high, rows, scale, plain)
    beside = known[1:] & known[:-1]
    if joined is not None:
        beside &= joined[1:]
    reached = np.where(beside, np.minimum(first[1:], last[:-1]), first[1:])
    last[1:] = np.where(beside, np.maximum(last[1:], first[:-1]), last[1:])
    first[1:] = reached
    first = np.minimum(first, 8 * rows - _LEAST[plain])
    last = np.maximum(last, first + _LEAST[plain])
    return list(zip(known.tolist(), first.tolist(), last.tolist(), strict=True))


def height_of(value: float, rows: int, scale: TraceScale, plain: bool) -> int:
    """Return where a value is, in eighths of a row from below."""
    return int(_eighths(np.array([value]), rows, scale, plain)[0])


def _eighths(values: Values, rows: int, scale: TraceScale, plain: bool) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return heights in eighths of a row; in whole halves where ``plain``."""
    each = 4 if plain else 1
    share = (np.nan_to_num(values) - scale.bottom) / (scale.top - scale.bottom)
    return each * np.clip(np.rint(share * 8 * rows / each), 0, 8 * rows // each).astype(np.int64)


def _row(
    palette: Palette, columns: list[tuple[bool, int, int]], row: int, rows: int, base: int | None, limit: str
) -> Runs:
    at_edge = limit == ("low" if row == 0 else "high" if row == rows - 1 else None)
    thin = "" if not at_edge else "─" if palette.plain_blocks else "▁" if limit == "low" else "▔"
    runs: list[tuple[str, tuple[str, str]]] = []
    for known, first, last in columns:
        text, colours = cell_of(known, first - 8 * row, last - 8 * row, None if base is None else base - 8 * row)
        if thin and text == " ":
            text, colours = thin, ("beyond", "page")
        if runs and runs[-1][1] == colours:
            runs[-1] = (runs[-1][0] + text, colours)
        else:
            runs.append((text, colours))
    return tuple((text, palette.pair(*colours)) for text, colours in runs)


@lru_cache(maxsize=1024)
def cell_of(known: bool, first: int, last: int, base: int | None) -> tuple[str, tuple[str, str]]:
    """Return one cell: eighths from its own lower edge; of two edges within it the one farther from its border.

    Colours are ``trace``, ``area`` between ``base`` and the bar, and ``page``.
    """
    if not known:
        return " ", ("ink", "page")
    below = "area" if base is not None and base < first else "page"
    above = "area" if base is not None and base > last else "page"
    if last <= 0 or first >= 8:
        is_below = last <= 0
        if base is not None and 0 < base < 8:
            return _EIGHTHS[base], ("area", "page") if is_below else ("page", "area")
        shaded = base is not None and (base >= 8 if is_below else base <= 0)
        return " ", ("ink", "area" if shaded else "page")
    if first <= 0 and last >= 8:
        return "█", ("trace", "page")
    if last < 8 and (first <= 0 or 8 - last > first):
        return _EIGHTHS[last], ("trace", above)
    return _EIGHTHS[first], (below, "trace")
