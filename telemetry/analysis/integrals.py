"""Running trapezoid integrals of one series, split by sign, that do not depend on how the rows were cut."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.gaps import steps
from telemetry.model.batch import Flags, Times, Values

SECONDS_PER_HOUR = 3600.0


def trapezoids(hours: Values, first: Values, second: Values) -> tuple[Values, Values]:
    """Return the areas above and below zero of straight segments, both >= 0.

    A segment that crosses zero is split where it crosses: two triangles.

    Args:
        hours: float64 (n,), length of each segment, h.
        first, second: float64 (n,), value at its two ends.

    Returns:
        (positive, negative) areas, float64 (n,), in the value's unit times hours.
    """
    whole = 0.5 * (first + second) * hours
    crosses = (first < 0.0) != (second < 0.0)
    rise = np.where(crosses, np.abs(first) + np.abs(second), 1.0)
    rise = np.where(rise == 0.0, 1.0, rise)
    above_zero = np.maximum(first, second)
    triangle = 0.5 * above_zero * (np.abs(above_zero) / rise) * hours
    positive = np.where(crosses, triangle, np.maximum(whole, 0.0))
    return positive, positive - whole


class SignedIntegral:
    """Integrates one series over time in hours; out is the area above zero, in the area below.

    Attributes:
        out: integral of the positive part so far.
        into: integral of the negative part so far, as a positive number.
        unbridged: microseconds of gaps so far.
    """

    def __init__(self) -> None:
        self.out = 0.0
        self.into = 0.0
        self.unbridged = 0
        self._last: tuple[int, float] | None = None

    def take(self, t: Times, values: Values, bridged: Flags) -> tuple[Values, Values]:
        """Return the running (out, into) at each row, float64 (rows,).

        Args:
            t: int64 (rows,), never decreasing, continuing earlier calls.
            values: float64 (rows,), none NaN.
            bridged: whether the interval that leads to each row counts; where not, it adds nothing.
        """
        if not len(t):
            return np.empty(0), np.empty(0)
        before_t, before_value = self._last if self._last is not None else (int(t[0]), float(values[0]))
        intervals = steps(t, before_t)
        hours = intervals / 1e6 / SECONDS_PER_HOUR
        earlier = np.concatenate([[before_value], values[:-1]])
        positive, negative = trapezoids(hours, earlier, values)
        # cumsum adds from left to right, one by one: the same bits however the rows are cut
        out = np.cumsum(np.concatenate([[self.out], np.where(bridged, positive, 0.0)]))[1:]
        into = np.cumsum(np.concatenate([[self.into], np.where(bridged, negative, 0.0)]))[1:]
        self.unbridged += int(intervals[~bridged].sum())
        self.out, self.into = float(out[-1]), float(into[-1])
        self._last = (int(t[-1]), float(values[-1]))
        return out, into
