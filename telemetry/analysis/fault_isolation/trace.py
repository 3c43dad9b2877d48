"""The latest rows of one signal, for what is judged a little later."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import Times, Values


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

    def between(self, start: int, until: int, earlier: int = 0) -> tuple[Times, Values]:
        """Return the rows from ``start`` to before ``until``, and so many of those before ``start``."""
        first, last = self.t.searchsorted((start, until)).tolist()
        rows = slice(max(first - earlier, 0), last)
        return self.t[rows], self.values[rows]
