"""At which rows of the common time axis two signals were really read, and not only interpolated between readings."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags
from telemetry.analysis.series import Series

FAST_S = 0.075
"""Readings as near as this are taken for readings at every row."""


def rows_read(one: Series, other: Series, start: int, rows: int, late_rows: int) -> tuple[Flags, float]:
    """Return the rows at which both were read, and the seconds between readings of what is interpolated there.

    Args:
        one, other: the two signals.
        start: of the time axis, microseconds in the clock of the signals.
        rows: of the time axis.
        late_rows: by how many rows ``other`` was read late, as has been taken out.
    """
    first, second = _instants(one, start, rows, 0), _instants(other, start, rows, late_rows)
    both = first & second
    if both.sum() > 0.5 * min(first.sum(), second.sum()):
        return both, STEP_S
    slower, faster = (first, other) if one.interval_s > other.interval_s else (second, one)
    return slower, faster.interval_s


def _instants(series: Series, start: int, rows: int, late_rows: int) -> Flags:
    read = np.ones(rows, dtype=np.bool_)
    if series.interval_s > FAST_S:
        at = np.round((series.t - start) / 1e6 / STEP_S).astype(np.intp) - late_rows
        read[:] = False
        read[at[(at >= 0) & (at < rows)]] = True
    return read
