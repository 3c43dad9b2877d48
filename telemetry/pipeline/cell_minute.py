"""How far each cell was from the median cell in the last minute, from its lowest to its highest."""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import MICROSECONDS, Batch, Values
from telemetry.model.signals import cell_number

KEPT_S = 60
_BIN_S = 5
_BIN = _BIN_S * MICROSECONDS
_LEAST = 3
"""Cells that must come together for their median to mean something."""

_Bin = tuple[int, Values, Values]


def _medians(values: Values, known: npt.NDArray[np.intp]) -> Values:
    """Return each row's median, shape (rows, 1); ``known`` says how many of its values are no NaN.

    As numpy's nanmedian, which takes thirty times as long for one row.
    """
    ordered, rows = np.sort(values, axis=1), np.arange(len(values))  # NaN comes last
    return np.asarray((ordered[rows, (known - 1) // 2] + ordered[rows, known // 2])[:, None] / 2)


class CellMinute:
    """Follows the cells that come together, row by row, in bins of five seconds of absolute time.

    A distance is a cell's voltage less the median of its own row, V: at one moment all cells carry one current.
    """

    def __init__(self) -> None:
        self._cells: dict[tuple[str, str], tuple[tuple[str, ...], list[tuple[int, int]]]] = {}
        self._bins: dict[tuple[str, str], deque[_Bin]] = {}

    def take(self, batch: Batch) -> None:
        """Take the rows of a batch; one without cells is passed over."""
        key, signals = batch.group.key, batch.group.signals
        layout, cells = self._cells.get(key, ((), []))
        if layout is not signals and layout != signals:
            numbers = ((place, cell_number(signal)) for place, signal in enumerate(signals))
            cells = [(place, number) for place, number in numbers if number is not None]
            self._cells[key] = signals, cells
            self._bins[key] = deque(maxlen=KEPT_S // _BIN_S + 1)
        if len(cells) < _LEAST:
            return
        begins = int(batch.t[-1]) // _BIN * _BIN - KEPT_S * MICROSECONDS  # earlier rows have left the minute already
        rows = slice(int(np.searchsorted(batch.t, begins)), None)
        values = batch.values[rows][:, [place for place, _ in cells]]
        known = ~np.isnan(values)
        enough = np.count_nonzero(known, axis=1) >= _LEAST
        if not enough.any():
            return
        times, values = batch.t[rows][enough] // _BIN, values[enough]
        distances = values - _medians(values, np.count_nonzero(known[enough], axis=1))
        starts = np.flatnonzero(np.diff(times, prepend=times[0] - 1))
        lows, highs = np.fmin.reduceat(distances, starts), np.fmax.reduceat(distances, starts)
        for bin_, low, high in zip(times[starts].tolist(), lows, highs, strict=True):
            self._add(self._bins[key], bin_, low, high)

    @staticmethod
    def _add(bins: deque[_Bin], bin_: int, low: Values, high: Values) -> None:
        if bins and bins[-1][0] == bin_:
            low, high = np.fmin(bins[-1][1], low), np.fmax(bins[-1][2], high)
            bins.pop()
        bins.append((bin_, low, high))

    def spans(self, now: int) -> dict[int, tuple[float, float]]:
        """Return lowest and highest distance of each cell in the minute before ``now``, V, by its number."""
        found: dict[int, tuple[float, float]] = {}
        first = (now - KEPT_S * MICROSECONDS) // _BIN
        for key, bins in self._bins.items():
            within = [each for each in bins if each[0] >= first]
            if not within:
                continue
            low = np.fmin.reduce([each[1] for each in within])
            high = np.fmax.reduce([each[2] for each in within])
            for place, (_, number) in enumerate(self._cells[key][1]):
                if low[place] == low[place]:
                    found[number] = float(low[place]), float(high[place])
        return found
