"""Figures as an owner reads them: no more digits than the uncertainty leaves, the unit always beside them."""

from __future__ import annotations

import math
from collections.abc import Sequence

UNKNOWN = "unknown"


def digits_for(spread: float) -> int:
    """Return the decimal places that an uncertainty of ``spread`` leaves: two significant digits of it, 0 to 6."""
    if not math.isfinite(spread) or spread <= 0.0:
        return 3
    return min(6, max(0, 1 - math.floor(math.log10(spread))))


def figure(value: float | None, unit: str, spread: float | None = None) -> str:
    """Return ``value`` with its unit, and ``± spread`` where one is given; ``unknown`` for None.

    ``figure(1234.56, "Wh", 12.3)`` is ``1235 ± 12 Wh``; without a spread three significant digits are kept, four
    where the first is a 1.
    """
    if value is None:
        return UNKNOWN
    unit = f" {unit}" if unit else ""
    if spread is None or not math.isfinite(spread):
        return f"{plain(value)}{unit}"
    places = digits_for(spread)
    return f"{value:.{places}f} ± {spread:.{places}f}{unit}"


def plain(value: float) -> str:
    """Return ``value`` to three significant digits, whole numbers whole: ``0.123``, ``12.3``, ``1235``."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(places, 6)}f}"


def between(low: float | None, high: float | None, unit: str) -> str:
    """Return a range: ``3.1 to 4.2 ha``; ``3.1 ha or more`` where the upper end has no bound."""
    unit = f" {unit}" if unit else ""
    if high is None:
        return f"{plain(low or 0.0)}{unit} or more"
    return f"{plain(low or 0.0)} to {plain(high)}{unit}"


def three(values: Sequence[float | None] | None, unit: str) -> str:
    """Return (low, likely, high): ``3.6 ha (3.1 to 4.2)``; ``unknown`` for None."""
    if values is None:
        return UNKNOWN
    low, likely, high = values
    if likely is None:
        return between(low, None, unit)
    return f"{figure(likely, unit)} ({between(low, high, '')})"


def clock_span(seconds: float) -> str:
    """Return a length of time in words that fit its size: ``48 s``, ``28 min``, ``3 h 05 min``, ``41 days``."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 72 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{minutes / 1440:.0f} days"
