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
        kept = len(self.t) - first
        rows = np.empty((kept + len(t), len(columns)))
        rows[:kept] = self.rows[first:]
        for place, column in enumerate(columns):
            rows[kept:, place] = column
        self.t, self.rows = np.concatenate([self.t[first:], t]), rows

    def at(self, t: int) -> list[float] | None:
        """Return the latest row at or before ``t``; None where there is none."""
        place = int(self.t.searchsorted(t, side="right"))
        return self.rows[place - 1].tolist() if place else None

    def at_each(self, t: Times) -> Values:
        """Return the latest row at or before each of ``t``, float64 (len(t), columns); NaN where there is none."""
        if not len(self.t):
            return np.full((len(t), self.rows.shape[1]), np.nan)
        place = self.t.searchsorted(t, side="right") - 1
        return np.where((place >= 0)[:, None], self.rows[place], np.nan)

    def between(self, start: int, until: int) -> list[float]:
        """Return the values from ``start`` to before ``until``."""
        first, last = self.t.searchsorted((start, until)).tolist()
        found: list[float] = self.rows[first:last, 0].tolist()
        return found

    def each(self, starts: Times, untils: Times, *kinds: np.ufunc) -> list[Values]:
        """Return sum, lowest or highest value from each of ``starts`` to before ``untils``, NaN where none is.

        One array for each of ``kinds`` (add, minimum, maximum).
        """
        if not len(self.t):
            return [np.full(len(starts), np.nan) for _ in kinds]
        edges = np.empty((len(starts), 2), dtype=np.int64)
        edges[:, 0], edges[:, 1] = self.t.searchsorted(starts), self.t.searchsorted(untils)
        values = np.concatenate([self.rows[:, 0], [0.0]])
        some = edges[:, 1] > edges[:, 0]
        return [np.where(some, kind.reduceat(values, edges.ravel())[::2], np.nan) for kind in kinds]

    def means(self, starts: Times, untils: Times) -> Values:
        """Return the mean from each of ``starts`` to before ``untils``; NaN where no row is."""
        counts = self.t.searchsorted(untils) - self.t.searchsorted(starts)
        return np.asarray(self.each(starts, untils, np.add)[0] / np.maximum(counts, 1))


def first_after(times: Times, t: int) -> int:
    """Return the first of ``times`` at or after ``t``; :data:`NEVER` where none is."""
    place = int(times.searchsorted(t))
    return int(times[place]) if place < len(times) else NEVER
