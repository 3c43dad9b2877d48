"""The latest readings, and whether they could be a failing part's: cheap to tell, and seldom so in a sound drive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from telemetry.model.batch import MICROSECONDS, Times, Values
from telemetry.model.signals import ON

_SEEN = 300 * MICROSECONDS
_AROUND = 3 * MICROSECONDS // 4
"""What is seen before the second that is looked at."""
_QUICK = 0.1
"""Share of the throttle's travel that it moves from one reading to the next, one way and back."""
_TOP_SPEED = 0.96
_LOST, _SOON, _LEFT, _EASED = 0.1, 2 * MICROSECONDS // 5, 0.6, 0.5
"""Current that is lost, share of the highest, so soon; how much of it may be left; and how far the throttle may have
been eased meanwhile, share of travel over that."""
_NONE, _FELL, _ROSE = 0.05, 0.006, 0.012
"""Shares: of the highest current that is none; of the voltage by which it falls or rises though none flows."""


class Trace:
    """Rows in the order of time.

    Attributes:
        t: int64 (rows,), microseconds.
        values: float64 (rows,).
    """

    def __init__(self) -> None:
        self.t: Times = np.empty(0, dtype=np.int64)
        self.values: Values = np.empty(0)

    def add(self, t: Times, values: Values, before: int) -> None:
        """Take the next rows, and forget those before a time."""
        if len(t):
            kept = int(self.t.searchsorted(before))
            self.t, self.values = np.concatenate([self.t[kept:], t]), np.concatenate([self.values[kept:], values])

    def width(self, until: int) -> float:
        """Return how far apart the lowest and the highest are of the five minutes before a time."""
        values = self.between(until - _SEEN, until)[1]
        return (float(np.ptp(values)) if len(values) else 0.0) or 1.0

    def between(self, start: int, until: int, earlier: int = 0) -> tuple[Times, Values]:
        """Return the rows from ``start`` to before ``until``, and so many of those before ``start``."""
        first, last = self.t.searchsorted((start, until)).tolist()
        rows = slice(max(first - earlier, 0), last)
        return self.t[rows], self.values[rows]


Rows = Mapping[str, Trace]


def hinted(rows: Rows, second: int) -> Sequence[str]:
    """Return the signals to look at for what could be a failing part's doing in a second, or right before it."""
    start, end = second * MICROSECONDS - _AROUND, (second + 1) * MICROSECONDS
    allowed = rows["discharge_allowed"].between(start, end, 1)[1]
    volts = rows["throttle_voltage"].between(start, end, 1)[1]
    travel = (volts - volts.min()) / rows["throttle_voltage"].width(end) if len(volts) else volts
    if (len(allowed) and allowed.min() < ON <= allowed.max()) or _lost(rows, start, end, travel):
        return tuple(rows)
    steps = np.diff(travel)
    return ("throttle_voltage",) if len(steps) and steps.max() > _QUICK and steps.min() < -_QUICK else ()


def _lost(rows: Rows, start: int, end: int, travel: Values) -> bool:
    """Tell whether current was lost between two times, as by the throttle (n,) it was not, or the supply was."""
    t, amps = rows["pack_current"].between(start, end)
    if not len(amps):
        return False
    top, drawn = rows["pack_current"].width(end), np.abs(amps)
    left = drawn[np.minimum(t.searchsorted(t + _SOON, side="right"), len(t)) - 1]
    lost = float(np.where(left < _LEFT * drawn, drawn - left, 0.0).max())
    eased = float((np.maximum.accumulate(travel) - travel).max(initial=0.0))
    speed = rows["vehicle_speed"].between(start, end)[1]
    limited = len(speed) and speed.max() > _TOP_SPEED * rows["vehicle_speed"].width(end)  # is held back by design
    if lost > max(_LOST * top, eased * top / _EASED) and not limited:
        return True
    at, volts = rows["controller_voltage"].between(start, end, 1)
    gone = np.abs(np.interp(at, t, amps)) < _NONE * top
    steps = np.diff(volts, prepend=volts[:1]) / max(float(volts.max(initial=1.0)), 1.0)
    return bool((gone & ((steps < -_FELL) | (steps > _ROSE))).any())
