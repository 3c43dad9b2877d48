"""Where another consumer, a mower's deck or a pump, was switched on or off: the current beside traction jumps."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats

_JUMP_ROWS = round(3 / STEP_S)
_JUMP_SPREADS = 5.0
_MOST_JUMPS = 6
_JUMP_APART = 1.5


def consumer_jumps(rest: Floats, spread: float, usable: Flags) -> list[int]:
    """Return the rows at which another consumer was switched on or off: what is not traction is another after them.

    A cut comes back within the ``_JUMP_ROWS`` looked at, so that the highest are as before; a consumer stays.

    Args:
        rest: current without traction, A (n,).
        spread: robust standard deviation of the fit that it comes from, A.
        usable: rows that are known.
    """
    if len(rest) < 4 * _JUMP_ROWS:
        return []
    filled = np.where(usable, rest, np.nan)
    known = ~np.isnan(filled)
    filled = np.interp(np.arange(len(rest)), np.flatnonzero(known), filled[known])
    ranked = np.sort(sliding_window_view(filled, _JUMP_ROWS), axis=1)
    low, middle, high = (ranked[:, int(share * _JUMP_ROWS)] for share in (0.15, 0.5, 0.85))
    change = middle[_JUMP_ROWS:] - middle[:-_JUMP_ROWS]
    apart = np.maximum(low[_JUMP_ROWS:] - high[:-_JUMP_ROWS], low[:-_JUMP_ROWS] - high[_JUMP_ROWS:])
    change[apart < _JUMP_APART * spread] = 0.0
    found: list[int] = []
    while len(found) < _MOST_JUMPS:
        place = int(np.argmax(np.abs(change)))
        if abs(change[place]) < _JUMP_SPREADS * spread:
            break
        first = place + _JUMP_ROWS // 2
        steps = np.diff(filled[first : first + _JUMP_ROWS]) * np.sign(change[place])
        found.append(first + int(np.argmax(steps)) + 1)
        change[max(place - _JUMP_ROWS, 0) : place + _JUMP_ROWS] = 0.0
    return sorted(found)
