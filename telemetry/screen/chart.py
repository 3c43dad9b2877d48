"""A strip as rows of half blocks: each column a bar from its lowest to its highest value, a gap left blank."""

from __future__ import annotations

import math

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.words import nice_step

_BLOCKS = np.array([ord(block) for block in " ▀▄█"], dtype="<u4")


def chart_rows(low: Values, high: Values, rows: int, bottom: float, top: float) -> list[str]:
    """Return ``rows`` strings of one character a column, the first at the top.

    Args:
        low: lowest of each column, float64 (columns,), NaN where nothing is known.
        high: highest, likewise.
        rows: rows of cells; each holds two dots.
        bottom: value at the lower edge.
        top: value at the upper edge, greater than ``bottom``.

    """
    dots = 2 * rows
    known = ~np.isnan(low)
    first, last = (_dot(np.where(known, edge, bottom), dots, bottom, top) for edge in (low, high))
    dot = np.arange(dots - 1, -1, -1).reshape(-1, 1)
    filled = known & (dot >= first) & (dot <= last)
    drawn = _BLOCKS[filled[0::2] + 2 * filled[1::2]].tobytes().decode("utf-32-le")
    return [drawn[row * len(low) : (row + 1) * len(low)] for row in range(rows)]


def _dot(values: Values, dots: int, bottom: float, top: float) -> Values:
    return np.clip(np.floor((values - bottom) / (top - bottom) * dots), 0, dots - 1)


def scale_for(
    low: Values, high: Values, least: float, with_zero: bool = False, parts: int = 4
) -> tuple[float, float]:
    """Return lower and upper edge for a chart: round numbers around all that is known, at least ``least`` apart.

    They are multiples of a round step, the least of which ``parts`` would cover what is known.
    """
    known = ~np.isnan(low)
    if not known.any():
        return 0.0, least
    lowest, highest = float(low[known].min()), float(high[known].max())
    if with_zero:
        lowest, highest = min(lowest, 0.0), max(highest, 0.0)
    step = nice_step(max(highest - lowest, least) / parts)
    bottom = math.floor(lowest / step + 1e-9) * step
    top = max(math.ceil(highest / step - 1e-9) * step, bottom + least)
    return bottom, top
