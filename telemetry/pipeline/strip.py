"""Lowest and highest value of a signal in each second of the last minutes, for a chart that hides no dip."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from telemetry.analysis.gaps import steps
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

LENGTH = 3600
"""Seconds that a strip remembers."""
_GAP_INTERVALS = 2.5


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
        starts = np.flatnonzero(steps(seconds, int(seconds[0]) - 1))
        place = seconds[starts] % LENGTH
        self._low[place] = np.fmin(self._low[place], np.minimum.reduceat(values, starts))
        self._high[place] = np.fmax(self._high[place], np.maximum.reduceat(values, starts))

    def add(self, t: int, value: float) -> None:
        """Add one row: the common case live."""
        second = t // MICROSECONDS
        if second != self.last_second:
            self._move_to(second)
        place = second % LENGTH
        if not self._low[place] <= value:  # NaN too: nothing was known of this second
            self._low[place] = value
        if not self._high[place] >= value:
            self._high[place] = value

    def _move_to(self, second: int) -> None:
        if self.last_second is None:
            self.last_second = second
        fresh = min(second - self.last_second, LENGTH)
        if fresh > 0:
            place = np.arange(second - fresh + 1, second + 1) % LENGTH
            self._low[place] = np.nan
            self._high[place] = np.nan
            self.last_second = second

    def columns(self, now: int, count: int, seconds_each: int, interval: float = 0.0) -> tuple[Values, Values]:
        """Return lowest and highest of the last ``count`` columns, each float64 (count,), NaN where nothing is known.

        Args:
            now: int microseconds; the newest column is the one that holds it.
            count: how many columns.
            seconds_each: seconds a column covers; edges lie at multiples of it, so that only the newest changes.
            interval: typical microseconds between samples; an empty second up to 2.5 intervals long is a
                column shorter than the sample period, and repeats the second before it.
        """
        if self.last_second is None:
            return np.full(count, np.nan), np.full(count, np.nan)
        newest = now // MICROSECONDS // seconds_each
        seconds = np.arange((newest - count + 1) * seconds_each, (newest + 1) * seconds_each)
        held = (seconds > self.last_second - LENGTH) & (seconds <= self.last_second)
        place = seconds % LENGTH
        low, high = np.where(held, self._low[place], np.nan), np.where(held, self._high[place], np.nan)
        longest = int(_GAP_INTERVALS * interval / MICROSECONDS)
        if longest > 1:
            source = _repeated(~np.isnan(low), longest, int(now // MICROSECONDS - seconds[0]))
            low, high = low[source], high[source]
        shape = (count, seconds_each)
        return np.fmin.reduce(low.reshape(shape), axis=1), np.fmax.reduce(high.reshape(shape), axis=1)


def _repeated(known: Flags, longest: int, present: int) -> npt.NDArray[np.int64]:
    """Return for each second the place it is drawn from: itself, or the known one before a hole not over ``longest``.

    ``present`` is the place of the second that holds now; nothing after it is filled.
    """
    place = np.arange(len(known))
    before = np.maximum.accumulate(np.where(known, place, -1))
    after = np.minimum.accumulate(np.where(known, place, present + 1)[::-1])[::-1]
    fill = ~known & (before >= 0) & (after - before <= longest) & (place <= present)
    return np.where(fill, before, place)
