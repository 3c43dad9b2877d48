"""How far each cell was from the median cell in the last minute, from its lowest to its highest."""

from __future__ import annotations

from collections import defaultdict
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import MICROSECONDS, Batch, Group, Values, merged
from telemetry.model.signals import cell_number

KEPT_S = 60
_LEAST = 3
"""Cells that must come together for their median to mean something."""
_PIECES = 60
"""Batches kept as they came; more, or more rows in one, become one batch of a minute's cells."""


def _medians(values: Values, known: npt.NDArray[np.intp]) -> Values:
    """Return each row's median, shape (rows, 1); ``known`` says how many of its values are no NaN.

    As numpy's nanmedian, which takes thirty times as long for one row.
    """
    ordered, rows = np.sort(values, axis=1), np.arange(len(values))  # NaN comes last
    return np.asarray((ordered[rows, (known - 1) // 2] + ordered[rows, known // 2])[:, None] / 2)


@lru_cache(maxsize=256)
def _cells_of(group: Group) -> Group:
    """Return the group with its cells alone."""
    cells = tuple(signal for signal in group.signals if cell_number(signal) is not None)
    return Group(group.source, group.name, cells, group.origin)


class CellMinute:
    """Keeps the rows of cells that come together, of a minute at least; nothing is computed before somebody asks.

    A distance is a cell's voltage less the median of its own row, V: at one moment all cells carry one current.
    """

    def __init__(self) -> None:
        self._pieces: defaultdict[tuple[str, str], list[Batch]] = defaultdict(list)

    def take(self, batch: Batch) -> None:
        """Take the rows of a batch; one with too few cells is passed over."""
        if len(_cells_of(batch.group).signals) < _LEAST:
            return
        pieces = self._pieces[batch.group.key]
        pieces.append(batch)
        if len(pieces) > _PIECES or len(batch) > _PIECES:
            pieces[:] = [_last_minute(pieces, int(batch.t[-1]))]

    def spans(self, now: int) -> dict[int, tuple[float, float]]:
        """Return lowest and highest distance of each cell in the minute before ``now``, V, by its number."""
        found: dict[int, tuple[float, float]] = {}
        for pieces in self._pieces.values():
            minute = _last_minute(pieces, now)
            known = np.count_nonzero(~np.isnan(minute.values), axis=1)
            values = minute.values[known >= _LEAST]
            if not len(values):
                continue
            distances = values - _medians(values, known[known >= _LEAST])
            lows, highs = np.fmin.reduce(distances), np.fmax.reduce(distances)
            for signal, low, high in zip(minute.group.signals, lows.tolist(), highs.tolist(), strict=True):
                number = cell_number(signal)
                if number is not None and low == low:
                    found[number] = low, high
        return found


def _last_minute(pieces: list[Batch], now: int) -> Batch:
    """Return copies of the rows of the minute before ``now``, cells alone."""
    whole = merged(pieces)
    cells = _cells_of(whole.group)
    first = int(np.searchsorted(whole.t, now - KEPT_S * MICROSECONDS))
    places = [whole.group.signals.index(signal) for signal in cells.signals]
    return Batch(cells, whole.t[first:].copy(), whole.values[first:, places])
