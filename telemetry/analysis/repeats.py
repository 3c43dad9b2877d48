"""Where the values of a group's signals change and where they repeat exactly, and which of them move clearly."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import MICROSECONDS, Batch, Flags, Group, Times, Values

BLOCK = 2 * MICROSECONDS
"""Length of the blocks in which movement and repeats are counted, microseconds of the data's own time (ours)."""
PAGE = 32
"""Readings from which a signal's own noise is learnt; until then nothing it does counts as movement (ours)."""
_NOISES, _FLICKER = 8.0, 2.5
_SECOND_DIFFERENCE = 0.6745 * 6**0.5
"""Median of |x[i+1] - 2 x[i] + x[i-1]| over one standard deviation, for independent normal readings."""


class Columns:
    """The signals of one group, row by row.

    Attributes:
        group: in its widest layout so far.
        t: int64 (rows,), times of the rows of the latest :meth:`take`, microseconds.
        known, changed: bool (rows, signals), whether a value is known, and whether it differs from the one before;
            the first known value counts as a change.
        filled: float64 (rows, signals), the latest known value at each row; NaN before the first.
    """

    def __init__(self, group: Group) -> None:
        self.group = group
        self.t: Times = np.empty(0, dtype=np.int64)
        self.known: Flags = np.empty((0, len(group.signals)), dtype=np.bool_)
        self.changed, self.filled = self.known, np.empty((0, len(group.signals)))
        self._last = np.full(len(group.signals), np.nan)
        self._changed_at = np.full(len(group.signals), -1, dtype=np.int64)

    def take(self, batch: Batch | None) -> None:
        """Take the next rows of the group; None where none came."""
        self._carry()
        if batch is None:
            self.t, self.known = self.t[:0], self.known[:0]
            self.changed, self.filled = self.changed[:0], self.filled[:0]
            return
        more = len(batch.group.signals) - len(self._last)
        if more:
            self.group = batch.group
            self._last = np.pad(self._last, (0, more), constant_values=np.nan)
            self._changed_at = np.pad(self._changed_at, (0, more), constant_values=-1)
        self.t, values = batch.t, batch.values
        self.known = ~np.isnan(values)
        before = np.concatenate([self._last.reshape(1, -1), values])
        if not self.known.all():
            rows = np.where(self.known, np.arange(1, len(values) + 1).reshape(-1, 1), 0)
            np.maximum.accumulate(rows, axis=0, out=rows)
            before[1:] = np.take_along_axis(before, rows, axis=0)
        self.filled = before[1:]
        self.changed = self.known & (values != before[:-1])

    def _carry(self) -> None:
        if not len(self.t):
            return
        self._last = self.filled[-1].copy()
        latest = self.t[len(self.t) - 1 - self.changed[::-1].argmax(axis=0)]
        self._changed_at = np.where(self.changed.any(axis=0), latest, self._changed_at)

    def changed_at(self, column: int, rows: int) -> int:
        """Return when the value of a column before row ``rows`` was first read, microseconds; -1 for never."""
        found = self.changed[:rows, column][::-1].argmax() if rows else 0
        row = rows - 1 - int(found)
        return int(self.t[row]) if rows and self.changed[row, column] else int(self._changed_at[column])

    def held(self, column: int, rows: int) -> float:
        """Return the latest known value of a column before row ``rows``; NaN for none."""
        return float(self.filled[rows - 1, column] if rows else self._last[column])

    def previous(self, column: int) -> Values:
        """Return for each row the latest known value before it."""
        return np.concatenate([self._last[column : column + 1], self.filled[:, column]])[: len(self.t)]

    def per_block(self, flags: Flags, numbers: Times) -> Flags:
        """Return for each block of ``numbers`` (ascending) whether any of the rows in it has its flag set."""
        found = np.zeros(len(numbers), dtype=np.bool_)
        found[np.searchsorted(numbers, self.t[flags] // BLOCK)] = True
        return found


class Extent:
    """How far one signal has moved so far, and in how small steps."""

    def __init__(self) -> None:
        self._low, self._high, self._step = np.inf, -np.inf, np.inf

    def take(self, columns: Columns, column: int, numbers: Times) -> tuple[Values, Values, Values]:
        """Take the rows of the blocks ``numbers`` (ascending).

        Returns:
            for each block the range within it, the reading before included, the range so far, and the smallest step
            so far; float64 (blocks,) each, the range within 0 where the block has no reading.
        """
        known = columns.known[:, column]
        values, before = columns.filled[known, column], columns.previous(column)[known]
        within, low, high, step = (np.full(len(numbers), each) for each in (0.0, np.inf, -np.inf, np.inf))
        if len(values):
            before = np.where(np.isnan(before), values, before)
            block = columns.t[known] // BLOCK
            first = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
            place = np.searchsorted(numbers, block[first])
            low[place] = np.minimum.reduceat(np.minimum(values, before), first)
            high[place] = np.maximum.reduceat(np.maximum(values, before), first)
            within[place] = high[place] - low[place]
            steps = np.abs(values - before)
            step[place] = np.minimum.reduceat(np.where(steps > 0.0, steps, np.inf), first)
        low[0], high[0], step[0] = min(low[0], self._low), max(high[0], self._high), min(step[0], self._step)
        low, high, step = np.minimum.accumulate(low), np.maximum.accumulate(high), np.minimum.accumulate(step)
        self._low, self._high, self._step = float(low[-1]), float(high[-1]), float(step[-1])
        return within, np.maximum(high - low, 0.0), step


class Mover:
    """One signal whose movement shows that others should change.

    It moves in a block where its range is at least ``least``, eight standard deviations of its own noise, and more
    than two of its smallest steps, for a reading between two steps flickers. Noise is that of the quietest page of
    readings so far, by second differences, in which a movement that lasts over some readings cancels.
    """

    def __init__(self, least: float) -> None:
        self._least = least
        self._recent: Values = np.empty(0)
        self._page: Values = np.empty(0)
        self._noise = float("inf")

    def moved(
        self, columns: Columns, column: int, numbers: Times, within: Values, so_far: Values, step: Values
    ) -> Values:
        """Return by how much of its range so far it moved in each block of ``numbers``; 0 to 1, float64 (blocks,).

        Args:
            columns, column: where its rows are.
            numbers: the blocks.
            within, so_far, step: as :class:`Extent` gives them.
        """
        known = columns.known[:, column]
        noise = np.full(len(numbers), np.inf)
        if known.any():
            block = columns.t[known] // BLOCK
            first = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
            noise[np.searchsorted(numbers, block[first])] = self._noises(columns.filled[known, column])[first]
        flicker = _FLICKER * np.where(np.isinf(step), 0.0, step)
        clear = within >= np.maximum(np.maximum(self._least, flicker), _NOISES * noise)
        return np.where(clear, within, 0.0) / np.where(clear, so_far, 1.0)

    def _noises(self, values: Values) -> Values:
        """Return the noise known before each of ``values``, one standard deviation."""
        carried = len(self._page)
        joined = np.concatenate([self._recent, values])
        first = max(0, 2 - len(self._recent))
        bends = np.abs(joined[2:] - 2 * joined[1:-1] + joined[:-2])
        self._recent = joined[-2:]
        pages = np.concatenate([self._page, bends])
        full = len(pages) // PAGE
        noises = np.full(full + 1, self._noise)
        if full:
            medians = np.median(pages[: full * PAGE].reshape(full, PAGE), axis=1) / _SECOND_DIFFERENCE
            noises[1:] = np.minimum(np.minimum.accumulate(medians), self._noise)
        self._page, self._noise = pages[full * PAGE :], float(noises[-1])
        place = np.maximum(np.arange(len(values)) - first, 0) + carried
        return np.asarray(noises[np.minimum(place // PAGE, full)])


def counted_since(flags: Flags, resets: Flags, before: int) -> npt.NDArray[np.int64]:
    """Return how many of ``flags`` were set since the latest of ``resets``, ``before`` carried in; int64 (n,)."""
    total = before + np.cumsum(flags & ~resets)
    base = np.maximum.accumulate(np.where(resets, total, 0))
    return np.asarray(total - base, dtype=np.int64)
