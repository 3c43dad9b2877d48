"""By how much the resistance changed during a drive: a joint that heats or shifts does in minutes, cells hardly.

The resistance is learnt anew in pieces of a quarter of a minute from changes within two seconds. Cells warm by a few
degrees in some minutes and lose a few percent of their resistance by it, or gain some where they are nearly empty.
"""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats

_PIECE_ROWS, _NEXT_ROWS = round(15 / STEP_S), round(7.5 / STEP_S)
_WINDOW_ROWS, _SMOOTH_ROWS = 41, 3
_LEAST_ROWS, _LEAST_PIECES = 80, 4
_LEAST_A, _LEAST_SHARE = 1.0, 0.03
_RELATED_ROWS = 8
"""Readings so near to one another count as one."""
_SURE = 0.03
_LOW, _HIGH = 0.1, 0.9


def resistance_change(voltage: Floats, current: Floats, usable: Flags, noise: float) -> float:
    """Return by which share a high value (90 %) of the resistance over the pieces exceeds a low one (10 %).

    Args:
        voltage: V (n,).
        current: A (n,), at the same instants.
        usable: rows in which both are known and the supply was there.
        noise: standard deviation of a reading of the voltage, V.

    Returns:
        NaN where fewer than four pieces tell it to 3 %.
    """
    amps, volts, sure = _quick(current, usable), _quick(voltage, usable), _well_inside(usable)
    least = max(_LEAST_A, _LEAST_SHARE * float(np.quantile(np.abs(current[usable]), 0.99)))
    found = []
    for first in range(0, len(current) - _PIECE_ROWS + 1, _NEXT_ROWS):
        piece = slice(first, first + _PIECE_ROWS)
        x, y = amps[piece][sure[piece]], -volts[piece][sure[piece]]
        if len(x) < _LEAST_ROWS or float(np.sqrt(np.mean(x * x))) < least:
            continue
        rest = np.abs(y - x * float(x @ y) / float(x @ x))
        weight = 1 / np.maximum(rest, 1.48 * float(np.median(rest)) + 1e-6)
        ohm = float((weight * x) @ y) / float((weight * x) @ x)
        if noise * (_RELATED_ROWS / float(x @ x)) ** 0.5 < _SURE * ohm:
            found.append(ohm)
    if len(found) < _LEAST_PIECES:
        return float("nan")
    low, high = np.quantile(found, [_LOW, _HIGH])
    return float(high / low) - 1


def _quick(values: Floats, usable: Flags) -> Floats:
    """Return what changes within two seconds (n,), smoothed a little: the instants differ a little."""
    window = np.ones(_WINDOW_ROWS)
    weight = np.maximum(np.convolve(usable.astype(np.float64), window, "same"), 1.0)
    quick = values - np.convolve(np.where(usable, values, 0.0), window, "same") / weight
    return np.convolve(quick, np.ones(_SMOOTH_ROWS) / _SMOOTH_ROWS, "same")


def _well_inside(usable: Flags) -> Flags:
    weight = np.convolve(usable.astype(np.float64), np.ones(_WINDOW_ROWS), "same")
    near = np.convolve(usable.astype(np.float64), np.ones(_SMOOTH_ROWS), "same")
    inside: Flags = (weight > 0.8 * _WINDOW_ROWS) & (near > _SMOOTH_ROWS - 0.5)
    return inside
