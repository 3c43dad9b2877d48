"""Figures as an owner reads them: no more digits than the uncertainty leaves, in the unit a person would use.

The figure after ± is half of the 90 % interval. Uncertainties come in as one standard deviation, as JSON gives them.
"""

from __future__ import annotations

import math

from telemetry.analysis.ranges import Z90, Range
from telemetry.model.time_text import length
from telemetry.model.words import fixed

UNKNOWN = "not known"
INTERVAL = "± is the 90 % interval; a range in brackets is the 90 % interval too."
_LARGE = {"W": "kW", "Wh": "kWh", "Wh/ha": "kWh/ha", "Wh/km": "kWh/km"}
"""A thousand of the first is one of the second."""


def figure(value: float | None, unit: str, sigma: float | None = None) -> str:
    """Return ``value`` with its unit and, where its uncertainty is known, half of its 90 % interval.

    ``figure(1870.0, "Wh", 25.0)`` is ``1.87 ± 0.04 kWh``. Without an uncertainty, three significant digits.

    Args:
        value: in ``unit``; None: not known.
        unit: from a thousand on W and Wh become kW and kWh.
        sigma: one standard deviation, in ``unit``.
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    value, unit, divisor = _scaled(value, unit)
    half = 0.0 if sigma is None or not math.isfinite(sigma) else Z90 * sigma / divisor
    if half <= 0.0:
        return f"{plain(value)}{unit}"
    places = places_for(half)
    shown = fixed(half, places)
    return f"{fixed(value, places)} ± {shown}{unit}" if float(shown) else f"{plain(value)}{unit}"


def _scaled(value: float, unit: str) -> tuple[float, str, float]:
    """Return value and unit as printed, with the blank before the unit, and what the value was divided by."""
    if unit in _LARGE and abs(value) >= 999.5:
        return value / 1000.0, f" {_LARGE[unit]}", 1000.0
    return value, f" {unit}" if unit else "", 1.0


def places_for(half: float) -> int:
    """Return the decimal places, 0 to 6, that leave one significant digit of ``half``, two where the first is a 1."""
    if not math.isfinite(half) or half <= 0.0:
        return 3
    exponent = math.floor(math.log10(half))
    if half / 10.0**exponent >= 9.5:
        exponent += 1
    leads_with_one = half < 1.95 * 10.0**exponent
    return min(6, max(0, leads_with_one - exponent))


def plain(value: float) -> str:
    """Return ``value`` to three significant digits, whole numbers whole: ``0.123``, ``12.3``, ``1235``."""
    if value == 0.0 or not math.isfinite(value):
        return f"{abs(value):g}"
    rounded = abs(float(f"{value:.3g}"))
    return fixed(value, min(6, max(0, 2 - math.floor(math.log10(rounded) + 1e-9))))


def between(low: float | None, high: float | None, unit: str) -> str:
    """Return a range: ``3.1 to 4.2 ha``; ``3.1 ha or more`` where the upper end has no bound."""
    unit = f" {unit}" if unit else ""
    if high is None:
        return f"{plain(low or 0.0)}{unit} or more"
    places = places_for((high - (low or 0.0)) / 2) if high > (low or 0.0) else 3
    return f"{fixed(low or 0.0, places)} to {fixed(high, places)}{unit}"


def three(values: Range | None, unit: str) -> str:
    """Return a range: ``3.6 ha (3.1 to 4.2)``; ``not known`` for None."""
    if values is None:
        return UNKNOWN
    if not math.isfinite(values.mid):
        return between(_bound(values.low), None, unit)
    likely, unit, divisor = _scaled(values.mid, unit)
    low, high = _bound(values.low / divisor), _bound(values.high / divisor)
    if high is None:
        return f"{plain(likely)}{unit} ({between(low, None, '')})"
    half = (high - (low or 0.0)) / 2
    if half <= 0.0:
        return f"{plain(likely)}{unit}"
    return f"{fixed(likely, places_for(half))}{unit} ({between(low, high, '')})"


def _bound(value: float) -> float | None:
    return value if math.isfinite(value) else None


def three_lengths(hours: Range | None) -> str:
    """Return a length of time in hours: ``14 min (6 min to 19 min)``."""
    if hours is None:
        return UNKNOWN
    low, likely, high = (None if _bound(each) is None else length(3600.0 * each) for each in hours)
    if likely is None or high is None:
        return f"{low} or more"
    return likely if low == high else f"{likely} ({low} to {high})"
