"""A recording as rows of equal intervals: means of what varies, the last of what is counted or set."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import Times, Values
from telemetry.model.errors import InputError
from telemetry.model.recording import Recording
from telemetry.model.signals import find_signal
from telemetry.recordings.table import Table

MOST_CELLS = 40_000_000
"""Values held at once, 8 bytes each: a day of 60 signals at 10 Hz is over it, at 1 s a seventh of it."""
_LAST = ("_out", "_in", "_number")
"""How signals end whose last value in an interval counts: running totals, numbers of cells."""


@dataclass(frozen=True)
class Intervals:
    """Rows of equal intervals.

    Attributes:
        t: where each interval begins, int microseconds, shape (rows,).
        names: the columns.
        values: shape (rows, columns), NaN where nothing was measured in an interval.

    """

    t: Times
    names: tuple[str, ...]
    values: Values


def intervals_of(recording: Recording, every_us: int, lags: Mapping[str, int] | None = None) -> Intervals:
    """Return ``recording`` as rows every ``every_us`` microseconds.

    Args:
        recording: what to sum up; groups of one signal stand apart, as in :class:`Table`.
        every_us: length of an interval.
        lags: how much later than the others each source is, microseconds; its times are put earlier by it.

    Raises:
        InputError: it would be more than ``MOST_CELLS`` values.

    """
    table = Table.of(recording.groups)
    first, last = _reach(recording, lags or {})
    begin = (first - recording.start) // every_us * every_us + recording.start
    count = (last - begin) // every_us + 1 if last >= first else 0
    if count * max(len(table.names), 1) > MOST_CELLS:
        raise InputError(
            f"{recording.name}: {count} rows of {len(table.names)} signals are too many for a table; take longer"
            " intervals with --every, fewer signals with --signals, or a part with --from and --to"
        )
    sums, counts = np.zeros((count, len(table.names))), np.zeros((count, len(table.names)))
    is_last = [_is_last(name) for name in table.names]
    for span in recording.spans():
        for batch in span.batches:
            row = (batch.t - (lags or {}).get(batch.group.source, 0) - begin) // every_us
            for column, signal in enumerate(batch.group.signals):
                values, place = batch.values[:, column], table.places[batch.group.key][signal]
                known = np.isfinite(values)
                if is_last[place]:
                    sums[row[known], place], counts[row[known], place] = values[known], 1
                else:
                    np.add.at(sums[:, place], row[known], values[known])
                    np.add.at(counts[:, place], row[known], 1)
    with np.errstate(invalid="ignore"):
        means = sums / counts
    _hold(means, is_last)
    kept = (counts > 0).any(axis=1)
    return Intervals((begin + every_us * np.arange(count, dtype=np.int64))[kept], table.names, means[kept])


def _reach(recording: Recording, lags: Mapping[str, int]) -> tuple[int, int]:
    """Return the first and the last time of a row."""
    first, last = 2**62, -(2**62)
    for span in recording.spans():
        for batch in span.batches:
            lag = lags.get(batch.group.source, 0)
            first, last = min(first, int(batch.t[0]) - lag), max(last, int(batch.t[-1]) - lag)
    return first, last


def _is_last(name: str) -> bool:
    signal = find_signal(name)
    return (signal is not None and signal.is_switch) or name.endswith(_LAST)


def _hold(values: Values, is_last: Iterable[bool]) -> None:
    """Carry on what is counted or set through intervals in which it was not sent."""
    for place, holds in enumerate(is_last):
        if holds:
            known = np.isfinite(values[:, place])
            if known.any():
                since = np.maximum.accumulate(np.where(known, np.arange(len(known)), -1))
                values[:, place] = np.where(since >= 0, values[np.maximum(since, 0), place], np.nan)
