"""The rows of a signal, what was known at each, and those of the seconds before: for what is judged a bit later."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import Times, Values

NEVER = 2**62


class Trace:
    """Rows in the order of time; :meth:`add` forgets those that were too old before.

    Args:
        kept: how long a row is kept beyond the last one, microseconds.
        columns: of a row, the signal's value first.

    Attributes:
        t: int64 (rows,); ``rows``: float64 (rows, columns).
    """

    def __init__(self, kept: int, columns: int = 1) -> None:
        self._kept = kept
        self.t: Times = np.empty(0, dtype=np.int64)
        self.rows: Values = np.empty((0, columns))

    @property
    def last(self) -> float | None:
        """The latest value; None before any."""
        return float(self.rows[-1, 0]) if len(self.t) else None

    def add(self, t: Times, *columns: Values) -> None:
        """Take the next rows."""
        if not len(t):
            return
        first = int(self.t.searchsorted(self.t[-1] - self._kept)) if len(self.t) else 0
        self.t = np.concatenate([self.t[first:], t])
        self.rows = np.concatenate([self.rows[first:], np.column_stack(columns)])

    def at(self, t: int) -> list[float] | None:
        """Return the latest row at or before ``t``; None where there is none."""
        place = int(self.t.searchsorted(t, side="right"))
        return self.rows[place - 1].tolist() if place else None

    def at_each(self, t: Times) -> Values:
        """Return the latest row at or before each of ``t``, float64 (len(t), columns); NaN where there is none."""
        place = self.t.searchsorted(t, side="right") - 1
        rows = np.append(self.rows, np.full((1, self.rows.shape[1]), np.nan), axis=0)  # the last stands for none
        return np.asarray(rows[place])

    def between(self, start: int, until: int) -> list[float]:
        """Return the values from ``start`` to before ``until``."""
        first, last = self.t.searchsorted((start, until)).tolist()
        found: list[float] = self.rows[first:last, 0].tolist()
        return found

    def each(self, of: np.ufunc, starts: Times, untils: Times) -> Values:
        """Return the sum, lowest or highest value from each of ``starts`` to before ``untils``; NaN where none is."""
        first, last = self.t.searchsorted(starts), self.t.searchsorted(untils)
        values = np.append(self.rows[:, 0], 0.0)
        if not len(starts):
            return np.empty(0)
        return np.where(last > first, of.reduceat(values, np.stack([first, last], axis=1).ravel())[::2], np.nan)

    def means(self, starts: Times, untils: Times) -> Values:
        """Return the mean from each of ``starts`` to before ``untils``; NaN where no row is."""
        counts = self.t.searchsorted(untils) - self.t.searchsorted(starts)
        return np.asarray(self.each(np.add, starts, untils) / np.maximum(counts, 1))


def first_after(times: Times, t: int) -> int:
    """Return the first of ``times`` at or after ``t``; :data:`NEVER` where none is."""
    place = int(times.searchsorted(t))
    return int(times[place]) if place < len(times) else NEVER
