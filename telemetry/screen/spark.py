"""The power of a session in one row: made without numpy, for the first screen has it too and must not wait."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from rich.style import Style

from telemetry.screen.theme import Palette

if TYPE_CHECKING:
    from telemetry.store.outcomes import PowerColumn

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_HALVES = " ▄▄▄▄▄███"
_LEAST_W = 1000.0


def round_up(watts: float) -> float:
    """Return the top of a scale from 0 that holds ``watts``, 1 kW at least: a round number."""
    watts = max(watts, _LEAST_W)
    power = 10.0 ** math.floor(math.log10(watts))
    return next(step * power for step in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if step * power >= watts * (1 - 1e-9))


@lru_cache(maxsize=256)
def spark(palette: Palette, power: tuple[PowerColumn, ...], width: int, top: float) -> tuple[tuple[str, Style], ...]:
    """Return the power of a session in one row of ``width`` cells: the greatest of each column, either way.

    What flows in has the colour of braking and charging. A column without a value is blank.

    Args:
        palette: gives the colours.
        power: columns as :class:`~telemetry.store.outcomes.Outcome` has them.
        width: cells.
        top: power of a full cell, W.

    """
    glyphs = _HALVES if palette.plain_blocks else _EIGHTHS
    runs: list[tuple[str, Style]] = []
    for least, most in zip(*resampled(power, width), strict=True):
        value = most if abs(most) >= abs(least) else least
        glyph = " " if math.isnan(value) else glyphs[min(8, max(1, round(8 * abs(value) / top)))]
        style = palette.pair("into" if value < 0 else "trace", "page")
        if runs and runs[-1][1] is style:
            runs[-1] = (runs[-1][0] + glyph, style)
        else:
            runs.append((glyph, style))
    return tuple(runs)


def resampled(power: Sequence[PowerColumn], width: int) -> tuple[list[float], list[float]]:
    """Return lowest and highest of ``width`` columns, NaN where nothing is known."""
    low, high = [math.nan] * width, [math.nan] * width
    count = len(power)
    for column in range(width if count else 0):
        first = column * count // width
        known = [each for each in power[first : max(first + 1, (column + 1) * count // width)] if each is not None]
        if known:
            low[column], high[column] = min(each[0] for each in known), max(each[1] for each in known)
    return low, high
