"""Rows under a clock that shows whole seconds or minutes only: those that share a time lie evenly up to the next."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import Times, Values
from telemetry.recordings.file_recording import MOST_AT_ONE_TIME


class EvenTimes:
    """Moves rows that share a written time apart, evenly up to the next one; a pause stays a pause.

    Where most times are written once, a clock that tells every row is meant, and nothing is moved. Rows of which
    no two hold the same signal stay together: a logger wrote one instant in several rows. The first and the last
    minute of a file seldom are whole ones: their rows lie as far apart as those of the others.

    Attributes:
        moved: rows moved so far.

    """

    def __init__(self) -> None:
        self._held: tuple[Times, Values] | None = None
        self._step, self._usual, self._is_first = 0, 0.0, True
        self.moved = 0

    def take(self, t: Times, values: Values, *, is_last: bool = False) -> tuple[Times, Values]:
        """Take rows in order of time, ``t`` in microseconds; return those whose next time is known.

        Args:
            t: times, ascending, shape (n,).
            values: shape (n, signals); NaN for unknown.
            is_last: no row follows: return all.

        """
        if self._held is not None:
            t, values = np.concatenate((self._held[0], t)), np.concatenate((self._held[1], values))
            self._held = None
        if not len(t):
            return t, values
        firsts = np.flatnonzero(np.diff(t, prepend=t[0] - 1))
        steps = np.diff(t[firsts])
        if len(steps):
            self._step = min(self._step or int(steps.min()), int(steps.min()))
        done = len(t) if is_last or len(t) - firsts[-1] > MOST_AT_ONE_TIME else int(firsts[-1])
        if done < len(t):
            self._held, firsts = (t[done:], values[done:]), firsts[:-1]
        counts = np.diff(firsts, append=done)
        if len(counts) and counts.max() > 1 and self._step:
            t = self._moved(t[:done], values[:done], firsts, counts, is_last=is_last)
        self._is_first &= not len(counts)
        return t[:done], values[:done]

    def _moved(self, t: Times, values: Values, firsts: Times, counts: Times, *, is_last: bool) -> Times:
        known = np.add.reduceat(np.isfinite(values), firsts, axis=0, dtype=np.int64)
        shares = (counts > 1) & (known.max(axis=1, initial=0) > 1)
        whole = counts[1:-1] if len(counts) > 2 else counts  # noqa: PLR2004 - the first and the last may be cut
        self._usual = self._usual or float(np.median(whole))
        if self._usual <= 1.0:
            return t
        after = t[-1] + self._step if self._held is None else self._held[0][0]
        room = np.minimum(np.diff(t[firsts], append=after), self._step)
        rows_in = np.maximum(counts, 1).astype(np.float64)
        before = np.zeros(len(counts))
        if self._is_first and counts[0] < self._usual:
            rows_in[0], before[0] = self._usual, self._usual - counts[0]
        if is_last:
            rows_in[-1] = max(rows_in[-1], self._usual)
        place = np.arange(len(t)) - np.repeat(firsts, counts) + np.repeat(before, counts)
        apart = np.repeat(np.where(shares, room / rows_in, 0.0), counts)
        self.moved += int(counts[shares].sum() - np.count_nonzero(shares))
        moved: Times = t + np.floor(place * apart).astype(np.int64)
        return moved
