"""How many rows the voltage comes later than the current: two instruments, each with its own delay."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.collapse import no_current
from telemetry.analysis.fault_isolation.drive import Flags, Floats

_MOST_ROWS = 8
_CHANGE_ROWS = 3
_LEAST_MATCH, _LEAST_GAIN = 0.4, 0.03
_LEAST_ROWS = 100
_NEARLY = 0.85


def rows_behind(voltage: Floats, current: Floats) -> int:
    """Return by how many rows the voltage follows the current, negative where it comes before; 0 where none is clear.

    While some current flows, its changes and those of the voltage are opposite, by the resistance, at the same
    instant. Where it goes to nothing something may have opened, so those instants count only where they match better.
    Of several delays that match about as well, as with a current that pulses, the shortest is taken.

    Args:
        voltage: V (n,), NaN where unknown.
        current: A (n,), none NaN.
    """
    known = ~np.isnan(voltage)
    some = ~no_current(current) & known
    volts = np.nan_to_num(voltage)
    amps = current[_CHANGE_ROWS:] - current[:-_CHANGE_ROWS]
    sags = volts[:-_CHANGE_ROWS] - volts[_CHANGE_ROWS:]
    found = [(_LEAST_MATCH, 0)]
    for rows in (some, known):
        both = rows[_CHANGE_ROWS:] & rows[:-_CHANGE_ROWS]
        if both.sum() >= _LEAST_ROWS and len(both) > 4 * _MOST_ROWS:
            found.append(_best(_clipped(amps, both), _clipped(sags, both)))
    return max(found)[1]


def _best(amps: Floats, sags: Floats) -> tuple[float, int]:
    """Return how well the sags match and by how many rows later they then are."""
    inner = amps[_MOST_ROWS:-_MOST_ROWS]
    matches = []
    for rows in range(-_MOST_ROWS, _MOST_ROWS + 1):
        moved = sags[_MOST_ROWS + rows : len(sags) - _MOST_ROWS + rows]
        matches.append(float(inner @ moved) / max((float(inner @ inner) * float(moved @ moved)) ** 0.5, 1e-9))
    match = np.array(matches)
    tops = [k for k in range(1, len(match) - 1) if match[k] >= max(match[k - 1], match[k + 1], _NEARLY * match.max())]
    best = min(tops, key=lambda k: abs(k - _MOST_ROWS), default=_MOST_ROWS)
    if match[best] <= match[_MOST_ROWS] + _LEAST_GAIN:
        best = _MOST_ROWS
    return float(match[best]), best - _MOST_ROWS


def _clipped(changes: Floats, rows: Flags) -> Floats:
    """Return the changes in ``rows``, the largest few held back, and none elsewhere."""
    low, high = np.quantile(changes[rows], [0.02, 0.98])
    clipped: Floats = np.where(rows, np.clip(changes, low, high), 0.0)
    return clipped
