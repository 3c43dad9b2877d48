"""Sudden stops of the whole current while the pedal stays down: how a controller's low-voltage limit looks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats

_WITHIN_ROWS = 8
_LONGEST_ROWS = round(30 / STEP_S)


@dataclass(frozen=True, slots=True)
class Stop:
    """The current fell to nothing from row ``start`` to ``end`` (not included) with the pedal down.

    Attributes:
        start, end: rows.
        current_before: A.
        voltage_before: lowest voltage shortly before, V; NaN where unknown.
    """

    start: int
    end: int
    current_before: float
    voltage_before: float


def sudden_stops(current: Floats, travel: Floats | None, voltage: Floats | None, usable: Flags) -> list[Stop]:
    """Return every time the current went from much to nearly nothing at once while the pedal stayed down.

    Args:
        current: A (n,).
        travel: share of pedal travel (n,), or None: then the current alone is looked at, and a stop has to end as
            suddenly as it began, for a foot may have done it.
        voltage: V (n,), or None.
        usable: rows in which the supply was there.
    """
    top = float(np.quantile(current[usable], 0.99))
    nothing, much = max(0.03 * top, 1.2), max(0.2 * top, 6.0)
    rows = len(current)
    found: list[Stop] = []
    row = 1
    low = (current < nothing) & (current > -nothing) & usable
    while row < rows:
        if not (low[row] and not low[row - 1]):
            row += 1
            continue
        first = max(row - _WITHIN_ROWS, 0)
        peak = first + int(np.argmax(current[first : row + 1]))
        end = row
        while end < rows and low[end] and end - row < _LONGEST_ROWS and (travel is None or travel[end] > 0.04):
            end += 1
        down = (
            True
            if travel is None
            else bool(travel[max(peak - 3, 0) : row + 2].min() > 0.08)
            and bool(travel[peak : row + 2].min() > 0.6 * travel[max(peak - 4, 0)])
        )
        if current[peak] > much and down and end - row >= 4 and usable[first:row].all():
            start = _last_full(current, peak, row)
            volts = np.nan if voltage is None else float(np.min(voltage[max(start - 5, 0) : start + 2]))
            found.append(Stop(start, end, float(current[peak]), volts))
            row = end
        row += 1
    return found


def _last_full(current: Floats, peak: int, row: int) -> int:
    """Return the last row before the fall: the current there is still near what it was."""
    fall = np.diff(current[peak : row + 1])
    if len(fall) == 0:
        return peak
    steep = np.flatnonzero(fall < 0.35 * fall.min())
    return peak + int(steep[0])
