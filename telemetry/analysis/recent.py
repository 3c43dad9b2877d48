"""The last few seconds of one signal: for what must decide on the row that has just come."""

from __future__ import annotations

from collections import deque

import numpy as np

from telemetry.model.batch import MICROSECONDS, Times, Values

KEPT = 4 * MICROSECONDS
LEAST_KEPT = 2  # rows, however old: for the interval between them


def between(rows: deque[tuple[int, float]], start: int, until: int) -> list[float]:
    """Return the values of the rows from ``start`` to before ``until``; latest rows are found soonest."""
    found = []
    for t, value in reversed(rows):
        if t < start:
            break
        if t < until:
            found.append(value)
    found.reverse()
    return found


class Recent:
    """Known rows of one signal, the last four seconds of them and at least the latest two.

    Attributes:
        rows: (time in microseconds, value), oldest first.
        highest: highest value so far; minus infinity before any.
        lowest: lowest value so far; infinity before any.

    """

    def __init__(self) -> None:
        self.rows: deque[tuple[int, float]] = deque()
        self.highest = float("-inf")
        self.lowest = float("inf")

    def add(self, t: int, value: float) -> None:
        """Take the next row; times never decrease."""
        rows = self.rows
        rows.append((t, value))
        if value > self.highest:
            self.highest = value
        if value < self.lowest:
            self.lowest = value
        while len(rows) > LEAST_KEPT and rows[0][0] < t - KEPT:
            rows.popleft()

    def extend(self, t: Times, values: Values) -> None:
        """Take the next rows, int64 and float64 (rows,): the same as adding one by one."""
        if not len(t):
            return
        self.highest, self.lowest = max(self.highest, float(values.max())), min(self.lowest, float(values.min()))
        first = min(int(np.searchsorted(t, t[-1] - KEPT)), max(len(t) - LEAST_KEPT, 0))
        self.rows.extend(zip(t[first:].tolist(), values[first:].tolist(), strict=True))
        while len(self.rows) > LEAST_KEPT and self.rows[0][0] < self.rows[-1][0] - KEPT:
            self.rows.popleft()

    def followed_by(self, t: Times, values: Values) -> tuple[Times, Values]:
        """Return the latest known row at each of ``t``: its time and value (NaN before any)."""
        latest = np.maximum.accumulate(np.where(np.isnan(values), -1, np.arange(len(values))))
        before_t, before = self.rows[-1] if self.rows else (-(2**62), np.nan)
        return np.where(latest >= 0, t[latest], before_t), np.where(latest >= 0, values[latest], before)

    @property
    def value(self) -> float | None:
        """The latest value; None before any."""
        return self.rows[-1][1] if self.rows else None

    @property
    def t(self) -> int | None:
        """Time of the latest value; None before any."""
        return self.rows[-1][0] if self.rows else None

    @property
    def interval(self) -> int:
        """Time between the latest two rows, microseconds; 0 before there are two."""
        return self.rows[-1][0] - self.rows[-2][0] if len(self.rows) > 1 else 0

    def is_fresh(self, t: int) -> bool:
        """Return whether the latest value is no older than the four seconds kept."""
        return bool(self.rows) and t - self.rows[-1][0] <= KEPT

    def since(self, start: int) -> list[float]:
        """Return the values of the rows from ``start`` on."""
        return between(self.rows, start, 2**62)

    def between(self, start: int, until: int) -> list[float]:
        """Return the values of the rows from ``start`` to before ``until``."""
        return between(self.rows, start, until)

    def at(self, t: int) -> tuple[int, float] | None:
        """Return the latest row at or before ``t``; None where there is none."""
        return next(((at, value) for at, value in reversed(self.rows) if at <= t), None)
