"""Which rows of a span a live estimator looks at: of one signal, of a kind of signals, of several together."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from telemetry.model.batch import Batch, Span, Times, Values


class Chosen:
    """The group that represents a signal: the first of the session to know it, the earlier row deciding.

    Args:
        signal: its name.
        measured_only: leave derived groups out; else a derived one is preferred at equal times.
    """

    def __init__(self, signal: str, measured_only: bool = True) -> None:
        self.signal = signal
        self._measured_only = measured_only
        self.key: tuple[str, str] | None = None

    def find(self, span: Span) -> tuple[Batch, Values] | None:
        """Return this span's batch of the chosen group and its column, or None where the span has none."""
        if self.key is None:
            carriers = [
                (int(batch.t[known[0]]), batch.group.origin, batch.group.key)
                for batch, column in span.carrying(self.signal)
                if batch.group.origin == "measured" or not self._measured_only
                if len(known := np.flatnonzero(~np.isnan(column)))
            ]
            if not carriers:
                return None
            self.key = min(carriers)[2]
        for batch in span.batches:
            if batch.group.key == self.key:
                column = batch.column(self.signal)
                return None if column is None else (batch, column)
        return None


def known_values(chosen: Chosen, span: Span) -> tuple[Times, Values]:
    """Return the known rows of a signal in ``span``: times, int64 (rows,), and values, float64 (rows,)."""
    found = chosen.find(span)
    if found is None:
        return np.empty(0, dtype=np.int64), np.empty(0)
    t, values = found[0].t, found[1]
    if len(values) == 1 and values[0] == values[0]:  # the common case live
        return t, values
    known = ~np.isnan(values)
    return (t, values) if known.all() else (t[known], values[known])


class ChosenGroup:
    """The measured group that represents a kind of signals: the first of the session to carry any of them.

    Args:
        wanted: whether a signal is of that kind.

    Attributes:
        signals: those of the group, in its order; empty until it has come. They only grow.
    """

    def __init__(self, wanted: Callable[[str], bool]) -> None:
        self._wanted = wanted
        self._key: tuple[str, str] | None = None
        self._layout: tuple[str, ...] = ()
        self._places: list[int] = []
        self.signals: tuple[str, ...] = ()

    def find(self, span: Span) -> tuple[Times, Values]:
        """Return this span's times, int64 (rows,), and values, float64 (rows, signals); no rows where none came."""
        if self._key is None:
            carriers = [batch for batch in span.batches if self._carries(batch)]
            if carriers:
                self._key = min(carriers, key=lambda batch: (int(batch.t[0]), batch.group.key)).group.key
        batch = next((b for b in span.batches if b.group.key == self._key), None) if self._key else None
        if batch is None:
            return np.empty(0, dtype=np.int64), np.empty((0, len(self._places)))
        if batch.group.signals != self._layout:
            self._layout = batch.group.signals
            self._places = [place for place, signal in enumerate(self._layout) if self._wanted(signal)]
            self.signals = tuple(self._layout[place] for place in self._places)
        return batch.t, batch.values[:, self._places]

    def _carries(self, batch: Batch) -> bool:
        group = batch.group
        return group.origin == "measured" and any(map(self._wanted, group.signals))


def rows_together(chosen: Sequence[Chosen], span: Span) -> tuple[Times, Values]:
    """Return each time of ``span`` and what came at it of the chosen signals, NaN where one has no row.

    Returns:
        int64 (rows,) and float64 (rows, signals).
    """
    columns = [(place, found) for place, c in enumerate(chosen) if (found := c.find(span)) is not None]
    if not columns:
        return np.empty(0, dtype=np.int64), np.empty((0, len(chosen)))
    batches = {id(batch.t): batch for _, (batch, _) in columns}
    times = columns[0][1][0].t
    if len(batches) > 1:
        times = np.unique(np.concatenate([batch.t for batch in batches.values()]))
    table = np.full((len(times), len(chosen)), np.nan)
    for place, (batch, values) in columns:
        if batch.t is times:
            table[:, place] = values
        else:
            known = ~np.isnan(values)
            table[np.searchsorted(times, batch.t[known]), place] = values[known]
    return times, table
