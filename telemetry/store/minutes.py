"""Lowest, mean and highest of each signal in each minute: what a long look back is drawn from."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import Batch, merged

MINUTE = 60_000_000

MinuteRow = tuple[str, int, float, float, float, int]
"""Signal, minute (microseconds // 60 000 000), low, mean, high, and how many values were known."""


def closed_minutes(open_rows: tuple[Batch, ...], batch: Batch) -> tuple[list[MinuteRow], tuple[Batch, ...]]:
    """Return the minutes that ``batch`` closes, and the rows of the minute it leaves open.

    A minute closes when a row of a later one arrives, and is summed up whole, so that its mean does not depend on
    how the rows arrived.

    Args:
        open_rows: rows of the open minute so far, of the same group.
        batch: the rows that follow, at least one.

    """
    last = int(batch.t[-1]) // MINUTE
    cut = int(np.searchsorted(batch.t, last * MINUTE, side="left"))
    rest = batch.rows(cut, len(batch))
    rest = Batch(rest.group, rest.t.copy(), rest.values.copy())  # a view would keep the whole batch alive
    if open_rows and cut == 0 and int(open_rows[0].t[0]) // MINUTE == last:
        return [], (*open_rows, rest)
    complete = (*open_rows, batch.rows(0, cut)) if cut else open_rows
    return minute_rows(complete), (rest,)


def minute_rows(batches: tuple[Batch, ...]) -> list[MinuteRow]:
    """Return one row for each signal and minute in which at least one value is known; infinite ones are not."""
    if not batches:
        return []
    rows = merged(batches)
    minute = rows.t // MINUTE
    starts = np.concatenate(([0], np.flatnonzero(np.diff(minute)) + 1))
    known = np.isfinite(rows.values)
    values = np.where(known, rows.values, np.nan)
    n = np.add.reduceat(known, starts, axis=0, dtype=np.int64)
    with np.errstate(over="ignore"):  # values near the largest double sum up to infinity, and that is stored
        total = np.add.reduceat(np.where(known, values, 0.0), starts, axis=0)
    low = np.fmin.reduceat(values, starts, axis=0)
    high = np.fmax.reduceat(values, starts, axis=0)
    at, place = np.nonzero(n)
    signals = rows.group.signals
    return list(
        zip(
            [signals[p] for p in place.tolist()],
            minute[starts][at].tolist(),
            low[at, place].tolist(),
            (total[at, place] / n[at, place]).tolist(),
            high[at, place].tolist(),
            n[at, place].tolist(),
            strict=True,
        )
    )
