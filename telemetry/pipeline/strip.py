"""Lowest and highest value of a signal in each second of the last minutes, for a chart that hides no dip."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import MICROSECONDS, Times, Values

LENGTH = 3600
"""Seconds that a strip remembers."""


class Strip:
    """A ring of one-second columns with fixed edges in absolute time: second ``n`` holds n s <= t < n + 1 s.

    A mean or a stride would lose a dip of one sample; the lowest and the highest of each second lose none.
    """

    def __init__(self) -> None:
        self._low = np.full(LENGTH, np.nan)
        self._high = np.full(LENGTH, np.nan)
        self.last_second: int | None = None

    def take(self, t: Times, values: Values) -> None:
        """Add rows: ``t`` int64 (rows,) ascending, ``values`` float64 (rows,), none of them NaN."""
        if not len(t):
            return
        seconds = t // MICROSECONDS
        self._move_to(int(seconds[-1]))
        recent = int(np.searchsorted(seconds, seconds[-1] - LENGTH + 1))
        seconds, values = seconds[recent:], values[recent:]
        starts = np.flatnonzero(np.diff(seconds, prepend=seconds[0] - 1))
        place = seconds[starts] % LENGTH
        self._low[place] = np.fmin(self._low[place], np.minimum.reduceat(values, starts))
        self._high[place] = np.fmax(self._high[place], np.maximum.reduceat(values, starts))

    def _move_to(self, second: int) -> None:
        if self.last_second is None:
            self.last_second = second
        fresh = min(second - self.last_second, LENGTH)
        if fresh > 0:
            place = (np.arange(second - fresh + 1, second + 1)) % LENGTH
            self._low[place] = np.nan
            self._high[place] = np.nan
            self.last_second = second

    def columns(self, now: int, count: int, seconds_each: int) -> tuple[Values, Values]:
        """Return lowest and highest of the last ``count`` columns, each float64 (count,), NaN where nothing is known.

        Args:
            now: int microseconds; the newest column is the one that holds it.
            count: how many columns.
            seconds_each: seconds a column covers; edges lie at multiples of it, so that only the newest changes.
        """
        low, high = np.full(count, np.nan), np.full(count, np.nan)
        if self.last_second is None:
            return low, high
        newest = now // MICROSECONDS // seconds_each
        for column in range(count):
            first = (newest - count + 1 + column) * seconds_each
            span = np.arange(max(first, self.last_second - LENGTH + 1), min(first + seconds_each, self.last_second + 1))
            if len(span):
                place = span % LENGTH
                low[column] = np.fmin.reduce(self._low[place])
                high[column] = np.fmax.reduce(self._high[place])
        return low, high
